"""Whether everything is given that limits and further objectives of a study are computed from."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from optimiser.base.errors import InputError
from optimiser.evaluation.asked import Objectives
from optimiser.evaluation.bolting import IF_KNOWN, missing_for_feet, missing_for_pinion
from optimiser.evaluation.clearance.metrics import MEASURED, unchecked_parts
from optimiser.evaluation.clearance.pairs import column as pair_column
from optimiser.evaluation.designs import Designs
from optimiser.evaluation.further import TWENTY
from optimiser.evaluation.quantities import (
    COLUMN_PART,
    PARTS,
    TYRE_PART,
    is_of_tyre,
    is_pair,
    pair_part,
    quantity,
)
from optimiser.evaluation.quantity import FEET, PINION_PLACE
from optimiser.linkage.at_arms import solve_held_arms
from optimiser.metrics.welded import Load, corner_forces, lever_mm
from optimiser.study.messages import shown
from optimiser.study.problem_parts import spring_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from optimiser.evaluation.problem import Problem
    from optimiser.evaluation.quantity import Need
    from optimiser.linkage.hardpoints import Hardpoints
    from optimiser.linkage.racks import Rack
    from optimiser.metrics.welded import Spring
    from optimiser.study.case import Study

_CATALOGUE = "catalogue"
_LEAST_LEVER_MM, _MOST_PUSH = 5.0, 50.0
_FAR_MM = 300.0
"""From the hardpoints of a spring's part: farther is another unit, another frame or a slip."""
_COLUMN = ("catalogue columns ", "catalogue column ")
_FIRST = {FEET: missing_for_feet, PINION_PLACE: missing_for_pinion}


def check_given(study: Study, where: str) -> None:
    """Refuse a limit or an objective on what the study cannot compute.

    Raises:
        InputError: the key or the column that is missing is named.
    """
    asked = list(_asked(study, where))
    if not asked or study.travel is None or study.file.steering is None:
        return
    problem = study.problem(racks=False)
    for place, name, what in asked:
        _check_needs(study, problem, place, name, what)
        if name == "turning_circle_m" and study.file.car.tyre_width_mm is None:
            raise InputError(
                place, "between kerbs depends on the tyre's width", "add [car] tyre_width_mm"
            )
        if name == "ackermann_at_20_percent" and problem.steering.inner_lock < TWENTY:
            raise InputError(
                place, "the required lock is less than 20 deg", "take ackermann_at_lock_percent"
            )
        if is_pair(name):
            _check_pair(study, problem, place, name)


def check_spring(study: Study, where: str) -> None:
    """Refuse a spring that holds nothing, or that there is no load for.

    Raises:
        InputError: `[loads]` is missing, the spring is on the right side or nowhere near its part,
            its line meets the axis of its arm, or on the upright it is so far from the wheel's path
            that it would have to push with more than `_MOST_PUSH` times what stands on the wheel.
    """
    spring = spring_of(study.file, study.frame)
    if spring is None:
        return
    if study.file.loads is None:
        raise InputError(f"{where}, [spring]", "there is no load for it", "add [loads]")
    place, part = f"{where}, [spring] arm_point_mm", spring.on.replace("_", " ")
    both = "check both points, which are of the left corner in the CAD frame, in mm"
    if spring.arm_point[1] <= 0.0:
        raise InputError(place, "is not on the left side of the car", both)
    if (far := _off_part_mm(study.points, spring)) > _FAR_MM:
        raise InputError(place, f"is {far:.0f} mm away from the {part}", both)
    if abs(lever_mm(study.points, spring)) < _LEAST_LEVER_MM:
        raise InputError(
            place,
            f"the spring's line passes within {_LEAST_LEVER_MM:g} mm of the axis of the "
            f"{part}, so that it cannot hold it",
            both,
        )
    if spring.on == "upright":
        rest = solve_held_arms(study.points, 0.0)
        stands = Load(np.array([0.0, 0.0, 1.0]), study.points.wheel_centre, np.zeros(3))
        push = corner_forces(rest, study.points, [stands], spring)["spring"]
        if not np.linalg.norm(push) < _MOST_PUSH:
            raise InputError(
                place, "the spring lies across the path of the upright, and cannot hold it", both
            )


def _off_part_mm(points: Hardpoints, spring: Spring) -> float:
    """How far the spring stands from a box about the hardpoints of its part."""
    joints = ("lower_ball_joint", "upper_ball_joint", "outer_joint", "wheel_centre")
    arm = spring.on.removesuffix("_arm")
    pivots = (f"{arm}_front_pivot", f"{arm}_rear_pivot", f"{arm}_ball_joint")
    names = joints if spring.on == "upright" else pivots
    at = np.array([getattr(points, name) for name in names])
    foot = np.array(spring.arm_point)
    return float(np.linalg.norm(foot - np.clip(foot, at.min(axis=0), at.max(axis=0))))


def _asked(study: Study, where: str) -> Iterator[tuple[str, str, str]]:
    """Place, column and what is to become of it."""
    limits = study.file.limits
    for table, names in (("at_most", limits.at_most), ("at_least", limits.at_least)):
        for name in names:
            yield f"{where}, [limits.{table}] {name}", name, "bounded"
    for name in study.file.objectives.also:
        what = "minimised" if quantity(name).better == "less" else "maximised"
        yield f"{where}, [objectives] also", name, what


def _check_needs(study: Study, problem: Problem, place: str, name: str, what: str) -> None:
    racks: tuple[Rack | None, ...] = study.racks or (None,)
    for rack in racks:
        for need in quantity(name).needs:
            # Without a catalogue there is nothing to search, and nothing to miss in it.
            skip = rack is None and _CATALOGUE in need.words
            # Racks of which the catalogue does not say enough are searched without these limits.
            skip |= what == "bounded" and name in IF_KNOWN and need in (FEET, PINION_PLACE)
            if not skip and not need.given(problem, rack):
                raise _lacks(place, name, what, need, rack)


def _lacks(place: str, name: str, what: str, need: Need, rack: Rack | None) -> InputError:
    for begin in _COLUMN:
        if rack is not None and need.words.startswith(begin):
            column = need.words.removeprefix(begin)
            if need in _FIRST:  # of several the first that is missing
                column = _FIRST[need](rack)
            of = f", which is to be {what}" if column == name else f", and {name} needs it"
            return InputError(
                place,
                f"rack {shown(rack.name)} has no {column}{of}",
                "fill it in, or leave the rack out of [racks] use",
            )
    return InputError(place, f"{name} cannot be computed", f"give {need.words}")


def _check_pair(study: Study, problem: Problem, place: str, name: str) -> None:
    nothing = Designs(np.empty(0, dtype=np.intp), np.empty((0, len(problem.variables))))
    exact = problem.measured(Objectives())
    solved = exact.solve(nothing)
    found = exact.clearances(nothing, solved, exact.drive(nothing, solved))
    pairs = [column for column in found if is_pair(column)]
    if name not in pairs:
        raise InputError(
            place, f"there is no pair {name} in this study", f"name one of {', '.join(pairs)}"
        )
    if pair_part(name) == COLUMN_PART or name == pair_column(TYRE_PART, COLUMN_PART):
        for rack in study.racks:
            if lacking := missing_for_pinion(rack):
                raise InputError(
                    place,
                    f"rack {shown(rack.name)} has no {lacking}, and where the shafts are needs it",
                    "fill it in, or leave the rack out of [racks] use",
                )
    if is_of_tyre(name):
        return
    part = dict(zip(PARTS, MEASURED, strict=True)).get(pair_part(name))
    for rack in study.racks:
        if part in unchecked_parts(rack, problem.room):
            raise InputError(
                place,
                f"the size of the {part} of rack {shown(rack.name)} is not given",
                "give it, or leave the rack out of [racks] use",
            )
