"""Which rack to buy: one row for each, why a rack fails, and what would rescue it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from optimiser.answer.bolted import silent_notes
from optimiser.answer.break_even import even_numbers
from optimiser.answer.break_even_words import even_rescues, unsure_numbers
from optimiser.answer.choosing import best_of, worst_ratios
from optimiser.answer.design_numbers import closest_pair, design_numbers
from optimiser.answer.free_lock import FREE_LOCK, collar_numbers
from optimiser.answer.held import held
from optimiser.answer.kept_rods import kept_rod_sentences
from optimiser.answer.remedies import rescues
from optimiser.answer.whole_sweep import sweep_notes, sweep_whole
from optimiser.base.front import feasible_front
from optimiser.evaluation.designs import JUDGED
from optimiser.evaluation.quantities import excess_words, quantity, shown
from optimiser.metrics.mounting import steering_mass

if TYPE_CHECKING:
    from collections.abc import Sequence

    from optimiser.answer.break_even import Evens
    from optimiser.evaluation.designs import Designs, Evaluation
    from optimiser.evaluation.problem import Problem
    from optimiser.linkage.racks import Rack
    from optimiser.metrics.mounting import HandCheck

__all__ = [
    "ACCEPTABLE",
    "COLUMNS",
    "FAILS",
    "ORDER_RULE",
    "VERDICTS",
    "WITHIN_LIMITS",
    "WRONG_HAND",
    "RackRow",
    "compare",
    "more_columns",
]

ORDER_RULE = (
    "Racks with a design that keeps every limit and is acceptable come first, then those of which "
    "the opposite hand would be, then those that keep the limits, then the rest; within each group "
    "the cheaper first, racks without a price last; at one price the lighter."
)
ACCEPTABLE, WRONG_HAND, WITHIN_LIMITS, FAILS = VERDICTS = (
    "acceptable",
    "acceptable, but of the wrong hand",
    "within limits, not acceptable",
    "fails",
)
COLUMNS = tuple(one.name for one in shown("racks"))
"""Numbers of `racks.csv`."""
BUILT = " in one of twenty cars built to your tolerances"
_HALF = 0.5  # of the last digit: what would be printed as nothing is printed with its first digit
_SCALES = {"mm": 10.0, "deg": 5.0}


@dataclass(frozen=True, slots=True)
class RackRow:
    """One rack's answer; numbers are of its chosen compromise, None where not known.

    Attributes:
        verdict: one of `VERDICTS`.
        row: row of the compromise, or of the design that breaks its limits least, in the run;
            None when no design can be assembled.
        stopped_by: the first limit or cause that stops a rack, with how much, in words.
        rescue: what would help, a sentence each.
        notes: what its builder has to know, a sentence each: kept tie rods and the track that they
            make, joints near their limits, parts of unknown size.
        hand: direction and hand.
        numbers: columns of `racks.csv` by name.
    """

    rack: Rack
    verdict: str
    row: int | None
    stopped_by: str
    hand: HandCheck
    numbers: dict[str, float | None]
    rescue: tuple[str, ...] = field(default=())
    notes: tuple[str, ...] = field(default=())


def compare(
    problem: Problem,
    designs: Designs,
    evaluation: Evaluation,
    dropped: Sequence[str] = (),
    winner: int | None = None,
    evens: Evens | None = None,
) -> list[RackRow]:
    """A row for each rack, in the order of `ORDER_RULE`.

    Args:
        problem: the question.
        designs: everything that was tried.
        evaluation: its outcome.
        dropped: for each rack, empty or why its search was given up.
        winner: row of the winner, which stands for its rack.
        evens: break-even of the racks; None where it was not worked out.
    """
    reasons = list(dropped) or [""] * len(problem.racks)
    rows = [
        _row(problem, designs, evaluation, index, reasons[index], winner, evens)
        for index in range(len(problem.racks))
    ]
    return sorted(rows, key=_order)


def _order(row: RackRow) -> tuple[int, float, float]:
    price, mass = row.rack.price, row.numbers["mass_kg"]
    return (
        VERDICTS.index(row.verdict),
        np.inf if price is None else price,
        np.inf if mass is None else mass,
    )


def _row(
    problem: Problem,
    designs: Designs,
    evaluation: Evaluation,
    index: int,
    dropped: str,
    winner: int | None,
    evens: Evens | None,
) -> RackRow:
    rack = problem.racks[index]
    outcome = evaluation.select(designs.rack == index)
    hand = problem.hands[index]
    verdict, stopped_by = FAILS, ""
    row = shown_row(problem, designs, evaluation, index, winner)
    if row is None:
        stopped_by = outcome.commonest_status[0] or "not searched"
    elif evaluation.feasible[row]:
        one = evaluation.select(np.array([row]))
        verdict = ACCEPTABLE if worst_ratios(one, problem)[0] <= 1.0 else WITHIN_LIMITS
        if verdict == WITHIN_LIMITS:
            stopped_by = _excess(problem, evaluation, row)
    else:
        stopped_by = (
            f"the nearest of {len(outcome.status)} designs {_breaks(problem, evaluation, row)}"
        )
    numbers = _numbers(problem, designs, evaluation, row, rack)
    numbers |= {f"best_{name}": _least(outcome, column) for column, name in _objectives(problem)}
    numbers |= even_numbers(evens, index)
    rescue: tuple[str, ...] = ()
    if verdict in (WITHIN_LIMITS, FAILS):
        rescue = tuple(even_rescues(problem, index, evens))
        if row is not None:
            design = designs.select(slice(row, row + 1))
            rescue = (*rescue, *rescues(problem, design, numbers))
    if hand.opposite_hand_needed:
        verdict = WRONG_HAND if verdict == ACCEPTABLE else verdict
        rescue = (*rescue, f"it {hand.sentence}")
    notes = [one.sentence for one in unsure_numbers(problem, index, evens)]
    if row is not None:
        mine = np.array([row])
        design = designs.select(mine)
        # The joining of notes and the line that shows one set the full stops.
        kept = kept_rod_sentences(problem, design, evaluation.select(mine))
        notes += [text.removesuffix(".") for text in kept]
        sweep = sweep_whole(problem, design)
        if sweep is not None:
            numbers["clearance_whole_sweep_mm"] = _known(sweep.clearance_mm)
            notes += sweep_notes(problem, design, sweep)
        if problem.steering.stops == "collars":
            found, text = collar_numbers(problem, design)
            numbers |= found
            notes += text
    notes += silent_notes(problem, rack)
    return RackRow(rack, verdict, row, stopped_by or dropped, hand, numbers, rescue, tuple(notes))


def shown_row(
    problem: Problem, designs: Designs, evaluation: Evaluation, index: int, winner: int | None
) -> int | None:
    """Row of the design that stands for a rack; None when none of its designs assembles.

    The winner for its own rack; else the best within the limits, or the one nearest to them.
    """
    if winner is not None and designs.rack[winner] == index:
        return winner
    mine = np.flatnonzero(designs.rack == index)
    outcome = evaluation.select(mine)
    front = feasible_front(outcome.objectives, outcome.feasible)
    best = best_of(problem, outcome, front) if len(front) else _nearest(problem, outcome)
    return None if best is None else int(mine[best])


def _objectives(problem: Problem) -> list[tuple[int, str]]:
    return list(enumerate(problem.objectives.names))[:2]


def _least(outcome: Evaluation, column: int) -> float | None:
    values = outcome.objectives[outcome.feasible, column]
    return float(np.min(values)) if len(values) else None


def _excess(problem: Problem, outcome: Evaluation, row: int) -> str:
    asked = problem.objectives
    measures = dict(zip(JUDGED, (asked.bump_steer, asked.ackermann_error), strict=True))
    parts = [
        f"{one.words} {one.text(found.value)}"
        f"{BUILT if measures.get(one.name) == 'with tolerances' else ''}, "
        f"{one.number(abs(found.value - found.accepted))} "
        f"{'less' if found.at_least else 'more'} than acceptable"
        for found in held(problem, outcome, row)
        for one in [found.one]
        if not found.kept
    ]
    return "; ".join(parts)


def _nearest(problem: Problem, outcome: Evaluation) -> int | None:
    """The design that breaks its limits least; None when none assembles."""
    rows = np.flatnonzero(outcome.assembles)
    if not len(rows):
        return None
    units = (quantity(name).unit for name in problem.constraint_names)
    scale = np.array([_SCALES.get(unit, _SCALES["mm"]) for unit in units])
    broken = np.maximum(outcome.scaled_constraints[rows], 0.0)
    total = (broken / scale).sum(axis=1)
    near = rows[total == total.min()]
    # All designs of a rack whose price is too high break that by as much: of these the best.
    return best_of(problem, outcome, near) if problem.limits.bounds else int(near[0])


def _breaks(problem: Problem, outcome: Evaluation, row: int) -> str:
    """What a design breaks and by how much."""
    words = [
        excess_words(name, excess, _form(name, excess), closest_pair(outcome, row, name))
        for name, excess in zip(problem.constraint_names, outcome.constraints[row], strict=True)
        if excess > 0.0
    ]
    return "breaks " + ", ".join(words)


def _form(name: str, excess: float) -> str:
    """What is broken with the digits of its quantity, and not as nothing."""
    digits = quantity(name).limit_digits
    return f".{digits}f" if excess >= _HALF * 10.0**-digits else ".1g"


def _numbers(
    problem: Problem, designs: Designs, evaluation: Evaluation, row: int | None, rack: Rack
) -> dict[str, float | None]:
    columns = (*COLUMNS, *more_columns(problem))
    numbers: dict[str, float | None] = dict.fromkeys(columns)
    numbers |= {"mass_kg": _known(float(steering_mass(rack, 0.0, 0.0))), "price": rack.price}
    if row is None:
        return numbers
    one = slice(row, row + 1)
    found = design_numbers(problem, designs.select(one), evaluation.select(one))
    return numbers | {name: found[name] for name in columns if name in found}


def more_columns(problem: Problem) -> list[str]:
    """Columns that `COLUMNS` has not.

    Of a tyre, of collars, and what the study asks for by limit, objective or table.
    """
    given = [
        one.name
        for one in shown("asked")
        if any(not one.missing(problem, rack) for rack in problem.racks)
    ]
    tyre = ("tyre_clearance_mm",) if problem.has_tyre else ()
    collars = FREE_LOCK if problem.steering.stops == "collars" else ()
    asked = dict.fromkeys((*tyre, *collars, *problem.bounds, *problem.objectives.extra, *given))
    return [name for name in asked if name not in COLUMNS]


def _known(value: float | None) -> float | None:
    return None if value is None or not np.isfinite(value) else float(value)
