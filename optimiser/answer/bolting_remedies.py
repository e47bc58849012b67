"""What would let a rack be bolted down or driven: another zone, a roll, another place of a joint.

Everything else is as in the rack's design, and each remedy is tried by itself: that none is named
does not mean that there is none.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from optimiser.evaluation.bolting import IF_KNOWN
from optimiser.evaluation.designs import ROLL, Designs, Stock
from optimiser.metrics.laid_rack import roll_words

if TYPE_CHECKING:
    from collections.abc import Iterator

    from optimiser.evaluation.bolting import Column
    from optimiser.evaluation.problem import Problem
    from optimiser.linkage.vectors import Array

_STEP_DEG = 5.0
"""Rolls are tried in such steps either way from the one that the design has."""
_WIDER_MM = (10.0, 20.0, 50.0, 100.0, 200.0, 300.0)
_LEAST_MM = 0.05  # of a way that is told
_WAYS = (("rearward", "forward"), ("to the right", "to the left"), ("down", "up"))


def bolting_rescues(problem: Problem, design: Designs) -> Iterator[str]:
    """Sentences for a design (a batch of one) that feet or column stop; none for others."""
    broken = _broken(problem, design)
    if "mount_mm" in broken:
        yield from _nearer_zones(problem, design)
    if any(name.startswith("column") for name in broken):
        yield from _other_joints(problem, design)
    if broken:
        yield from _another_roll(problem, design)


def _broken(problem: Problem, design: Designs) -> list[str]:
    """The limits on feet, pinion and column that a design breaks."""
    outcome = problem.evaluate(design)
    return [name for name in IF_KNOWN if name in _named(outcome.status[0])]


def _named(status: str) -> list[str]:
    return status.removeprefix("breaks ").split(", ") if status.startswith("breaks ") else []


# --- another zone --------------------------------------------------------------------------------


def _nearer_zones(problem: Problem, design: Designs) -> Iterator[str]:
    """How far each foot is from the nearest zone for it, and which way."""
    feet = problem.lay(design).feet[0]
    for foot, at in (("left", feet[0]), ("right", feet[1])):
        low, high = problem.bolting.boxes("left" if foot == "left" else "right")
        if not len(low):
            yield f"no [[mount_zone]] is for its {foot} foot"
            continue
        outside = np.maximum(at - high, 0.0) - np.maximum(low - at, 0.0)
        nearest = outside[int(np.argmin(np.sum(outside**2, axis=1)))]
        if np.abs(nearest).max() > _LEAST_MM:
            yield (
                f"its {foot} foot stands {_ways(nearest)} of the nearest [[mount_zone]] for it: "
                "one that reaches there would do"
            )


def _ways(outside: Array) -> str:
    """'3.0 mm forward and 1.2 mm down'."""
    parts = [
        f"{abs(by):.1f} mm {ways[int(by > 0.0)]}"
        for by, ways in zip(outside.tolist(), _WAYS, strict=True)
        if abs(by) > _LEAST_MM
    ]
    return " and ".join(parts)


# --- a roll --------------------------------------------------------------------------------------


def _another_roll(problem: Problem, design: Designs) -> Iterator[str]:
    """The least roll from that of the design at which feet, pinion and column are right."""
    now = float(problem.roll_deg(design)[0])
    steps = np.arange(_STEP_DEG, 180.0 + _STEP_DEG, _STEP_DEG)
    # The lesser turn first, and of two alike the one rearward.
    rolls = now + np.stack([steps, -steps], axis=1).ravel()
    free = replace(problem, space={**problem.space, ROLL: Stock(tuple(rolls.tolist()))})
    values = np.repeat(design.values[:, : len(free.variables) - 1], len(rolls), axis=0)
    moves = np.repeat(problem.moves(design), len(rolls), axis=0)
    tried = Designs(np.repeat(design.rack, len(rolls)), np.column_stack([values, rolls, moves]))
    outcome = free.evaluate(tried)
    for row, status in enumerate(outcome.status):
        others = _named(status)
        if outcome.assembles[row] and not set(others) & set(IF_KNOWN):
            still = f", and would still break {len(others)} other limits" if others else ""
            yield (
                f"rolled about its bar {roll_words(float(rolls[row]))}, to the nearest "
                f"{_STEP_DEG:g} deg, it could be bolted down and driven there{still}; "
                "[search.vary] rack_roll_deg lets the search roll it"
            )
            return


# --- another place of a joint --------------------------------------------------------------------


def _other_joints(problem: Problem, design: Designs) -> Iterator[str]:
    """The least widening of one range of places that keeps the column's limits."""
    column = problem.bolting.column
    if column is None:
        return
    for wider in _WIDER_MM:
        for words, other in _widened(column, wider):
            with_it = replace(problem, bolting=replace(problem.bolting, column=other))
            if not any(name.startswith("column") for name in _broken(with_it, design)):
                yield f"{words} the column would keep its limits there"
                return


def _widened(column: Column, by: float) -> Iterator[tuple[str, Column]]:
    (_, lower), (upper_low, upper_high) = column.lower_mm, column.upper_mm
    yield (
        f"with [column] lower_joint_mm up to {lower + by:g} mm",
        replace(column, lower_mm=(column.lower_mm[0], lower + by)),
    )
    yield (
        f"with [column] upper_joint_mm from {upper_low - by:g} mm",
        replace(column, upper_mm=(upper_low - by, upper_high)),
    )
    yield (
        f"with [column] upper_joint_mm up to {upper_high + by:g} mm",
        replace(column, upper_mm=(upper_low, upper_high + by)),
    )
    if column.joints == 2 and np.isfinite(column.length_mm[1]):
        shortest, longest = column.length_mm
        yield (
            f"with [column] shaft_length_mm up to {longest + by:g} mm",
            replace(column, length_mm=(shortest, longest + by)),
        )
