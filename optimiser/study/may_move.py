"""A problem in which points of the suspension may move, of the tables that say which."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from optimiser.base.errors import InputError
from optimiser.evaluation.asked import Bracket
from optimiser.evaluation.changed import drawn_car
from optimiser.evaluation.moves import MOVED_MM, Keep, Mover, Suspension

if TYPE_CHECKING:
    from optimiser.evaluation.problem import Problem
    from optimiser.study.tables import StudyFile


def moves_asked(file: StudyFile) -> bool:
    """Whether a search moves points: `moved_mm` is made small, or bounded."""
    limits = file.limits
    return MOVED_MM in (*file.objectives.also, *limits.at_most, *limits.at_least)


_ARM = ("arm_length_mm", "arm_height_mm", "arm_angle_deg")


def with_moves(problem: Problem, file: StudyFile, where: str) -> Problem:
    """A problem whose designs may move what `[suspension.may_move]` names.

    Raises:
        InputError: nothing may move, or the racks' own tie rods are kept.
    """
    table = file.suspension
    if table is None or not table.may_move:
        raise InputError(
            f"{where}, [suspension.may_move]",
            "names nothing that may move",
            "add for example lower_pivots = {outboard = 25, up = 15}",
        )
    if problem.steering.keep_tie_rods:
        raise InputError(
            f"{where}, [steering] keep_tie_rods",
            "moves arms and wheels out, and [suspension.may_move] lets the wheel stay",
            "write keep_tie_rods = false, or leave the suspension as drawn",
        )
    movers = tuple(Mover(name, one.box_mm, one.cost) for name, one in table.may_move.items())
    bracket = None if file.arms is None else file.arms.bracket_diameter_mm
    if bracket is not None:
        pivots = [point for mover in movers for point in mover.points if point.endswith("pivot")]
        drawn = {name: tuple(getattr(problem.points, name).tolist()) for name in pivots}
        brackets = tuple(Bracket(name, at, bracket) for name, at in drawn.items())
        problem = replace(problem, room=replace(problem.room, brackets=brackets))
    longest = max((rack.travel_each_way_mm for rack in problem.racks), default=0.0)
    character, clearances = drawn_car(problem, longest)
    bands = table.keep.model_dump().items()
    keep = {name: None if band == "off" else float(band) for name, band in bands}
    suspension = Suspension(
        movers=movers,
        keep=Keep(**keep),
        drawn=character,
        drawn_clearance_mm=tuple(clearances.items()),
        joint_stays=all(getattr(file.search.vary, name) == "as drawn" for name in _ARM),
    )
    return replace(problem, suspension=suspension)
