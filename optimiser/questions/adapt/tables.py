"""The ways of a rack as tables: a row for each way, for each moved point, and for each rack."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from optimiser.answer.moved import moves_of
from optimiser.evaluation.designs import JUDGED, VARIABLES
from optimiser.evaluation.moves import KEPT, MOVED_MM
from optimiser.linkage.steering_arm import describe_arm
from optimiser.questions.adapt.asked import suspension_of
from optimiser.questions.adapt.character import NUMBERS, curves_of
from optimiser.questions.adapt.ways import ALL, NOTHING, ONE, TWO

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from optimiser.evaluation.problem import Problem
    from optimiser.linkage.vectors import Array
    from optimiser.questions.adapt.rack import RackAnswer, Way

_LIMITS = (
    "tie_rod_length_mm",
    "rack_needed_mm",
    "toggle_margin_deg",
    "inner_joint_angle_deg",
    "outer_joint_angle_deg",
    "clearance_mm",
    "moved_clearance_mm",
)
MOVE_COLUMNS = ("way", "point", "forward_mm", "outboard_mm", "up_mm", "distance_mm")


def way_columns(problem: Problem) -> tuple[str, ...]:
    """Columns of `ways.csv`: the study's numbers, then the car's before and after."""
    more = [name for name in (*problem.bounds, *problem.objectives.extra) if name not in _OWN]
    return (
        "way",
        MOVED_MM,
        "acceptable",
        *JUDGED,
        *VARIABLES,
        *_LIMITS,
        *dict.fromkeys(more),
        *KEPT,
        *(f"{when}{name}" for name in NUMBERS for when in ("drawn_", "")),
    )


_OWN = (MOVED_MM, *JUDGED, *VARIABLES, *_LIMITS, *KEPT)


def way_rows(answer: RackAnswer) -> Iterator[tuple[object, ...]]:
    """Rows of `way_columns`; blank numbers where no such way was found.

    The steering arm is described about the steering axis as it is after the moves.
    """
    problem = answer.problem
    before = curves_of(problem, problem.points).numbers()
    columns = way_columns(problem)
    for way in answer.ways.values():
        cells: dict[str, object] = {"way": way.name, "acceptable": _yes(way.acceptable)}
        cells |= {f"drawn_{name}": value for name, value in before.items()}
        if way.design is not None and way.outcome is not None:
            points = problem.corners(way.design)[0].select(0)
            cells |= {name: _known(values) for name, values in way.outcome.metrics.items()}
            cells |= {name: float(way.design.column(name)[0]) for name in VARIABLES}
            arm = describe_arm(points)
            cells |= {
                "arm_length_mm": float(arm.length_mm),
                "arm_height_mm": float(arm.height_mm),
                "arm_angle_deg": float(np.degrees(arm.angle)),
            }
            cells |= curves_of(problem, points).numbers()
        yield tuple(cells.get(name) for name in columns)


def _yes(good: bool) -> str:
    return "yes" if good else "no"


def _known(values: Array) -> float | None:
    return float(values[0]) if np.isfinite(values[0]) else None


def move_rows(answer: RackAnswer) -> Iterator[tuple[object, ...]]:
    """Rows of `MOVE_COLUMNS`."""
    for way in answer.ways.values():
        if way.design is None:
            continue
        for move in moves_of(answer.problem, way.design):
            yield (
                way.name,
                move.point,
                move.forward_mm,
                move.outboard_mm,
                move.up_mm,
                move.distance_mm,
            )


RACK_COLUMNS = (
    "rack",
    "price",
    "inner_joint_spacing_mm",
    "acceptable_as_drawn",
    "recommended",
    "moved_mm",
    "entries",
    *(f"{way}_mm" for way in ("one_bracket", "two_brackets", "all_that_may")),
    *JUDGED,
    *VARIABLES,
    "stands_in_the_way",
    "hand",
)


def rack_rows(answers: Sequence[RackAnswer], stands: Sequence[str]) -> Iterator[tuple[object, ...]]:
    """A row of `RACK_COLUMNS` for each rack; `stands` is what is in the way of each, in words."""
    for answer, stand in zip(answers, stands, strict=True):
        problem, way = answer.problem, answer.recommended
        rack = problem.racks[answer.rack]
        moved = [answer.ways[name] for name in (ONE, TWO, ALL)]
        numbers: list[object] = [None] * (len(JUDGED) + len(VARIABLES))
        if way is not None and way.design is not None and way.outcome is not None:
            numbers = [float(way.outcome.metrics[name][0]) for name in JUDGED]
            numbers += [float(way.design.column(name)[0]) for name in VARIABLES]
        yield (
            rack.name,
            rack.price,
            rack.inner_joint_spacing_mm,
            _yes(answer.ways[NOTHING].acceptable),
            None if way is None else way.name,
            None if way is None else way.moved_mm,
            None if way is None else ", ".join(entries_of(problem, way)),
            *(one.moved_mm if np.isfinite(one.moved_mm) else None for one in moved),
            *numbers,
            stand,
            problem.hands[answer.rack].sentence,
        )


def entries_of(problem: Problem, way: Way) -> list[str]:
    """Entries of `may_move` that a way moves."""
    if way.design is None:
        return []
    suspension = suspension_of(problem)
    moved = suspension.owner[problem.moves(way.design)[0] != 0.0]
    return [mover.name for number, mover in enumerate(suspension.movers) if number in moved]
