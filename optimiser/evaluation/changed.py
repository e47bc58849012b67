"""What moved points make of a car: numbers and limits of designs whose suspension is changed."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import TYPE_CHECKING, Protocol

import numpy as np

from optimiser.evaluation.clearance.metrics import told_apart_mm
from optimiser.evaluation.clearance.moved import MOVED_PAIR, moved_clearances
from optimiser.evaluation.moves import (
    KEPT,
    MOVABLE,
    MOVED_CLEARANCE,
    MOVED_MM,
    UNMOVED_MM,
    departures,
)
from optimiser.evaluation.solved import solve_designs
from optimiser.linkage.hardpoints import Hardpoints
from optimiser.metrics.suspension import Character, character

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from optimiser.evaluation.asked import Car, Limits, Room, Steering, Travel
    from optimiser.evaluation.designs import Designs
    from optimiser.evaluation.moves import Suspension
    from optimiser.evaluation.solved import Solved
    from optimiser.linkage.vectors import Array


class Asked(Protocol):
    """What of a problem this needs."""

    @property
    def points(self) -> Hardpoints: ...  # noqa: D102
    @property
    def car(self) -> Car: ...  # noqa: D102
    @property
    def travel(self) -> Travel: ...  # noqa: D102
    @property
    def steering(self) -> Steering: ...  # noqa: D102
    @property
    def limits(self) -> Limits: ...  # noqa: D102
    @property
    def room(self) -> Room: ...  # noqa: D102
    @property
    def suspension(self) -> Suspension | None: ...  # noqa: D102
    @property
    def clearance_wanted_mm(self) -> float: ...  # noqa: D102
    def moves(self, designs: Designs) -> Array: ...  # noqa: D102


def departures_of(asked: Asked, solved: Solved) -> dict[str, Array]:
    """`departures` of solved corners; nothing departs where nothing may move."""
    suspension = asked.suspension
    return {} if suspension is None else departures(suspension, character_of(asked, solved))


def character_of(asked: Asked, solved: Solved) -> Character:
    """Character of solved corners (N,) over the study's wheel travel."""
    grid = asked.travel.grid()
    swept = solved.envelope.select(slice(0, len(grid)))
    rest = int(np.flatnonzero(grid == 0.0)[0])
    return character(swept, rest, asked.car.attitude.loaded_radius_mm)


def moved_limits(asked: Asked) -> tuple[str, ...]:
    """Names of the limits that come with a suspension that may move."""
    suspension = asked.suspension
    if suspension is None:
        return ()
    room = asked.room
    parts = room.brackets or room.arm_tube_diameter_mm is not None
    measured = asked.limits.clearance_mm is not None and parts and (room.still or room.rim)
    return (*suspension.bands(), *((MOVED_CLEARANCE,) if measured else ()))


def changed_metrics(
    asked: Asked,
    suspension: Suspension,
    designs: Designs,
    solved: Solved,
    poses_between: bool,
) -> dict[str, Array]:
    """How far points are moved, and what that does to the car, (N,) by column."""
    moves = asked.moves(designs)
    found = {
        MOVED_MM: suspension.moved_mm(moves),
    }
    for name, change in departures_of(asked, solved).items():
        found[name] = np.max(np.abs(change), axis=1)
    if MOVED_CLEARANCE in moved_limits(asked):
        pairs = moved_clearances(
            solved,
            asked.room,
            _moved_points(solved, asked.points),
            told_apart_mm(asked.clearance_wanted_mm),
            poses_between=poses_between,
        )
        found |= pairs
        found[MOVED_CLEARANCE] = np.min(list(pairs.values()), axis=0)
    return found


def _moved_points(solved: Solved, drawn: Hardpoints) -> dict[str, NDArray[np.bool_]]:
    """Which points are elsewhere than drawn, (N,) by name."""
    count, found = len(solved.reason), {}
    for name in MOVABLE:
        apart = np.abs(getattr(solved.points, name) - getattr(drawn, name)).max(axis=-1)
        found[name] = np.broadcast_to(apart > UNMOVED_MM, (count,))
    return found


def excess_over(asked: Asked, name: str, metrics: Mapping[str, Array]) -> Array:
    """By how much designs break one of `moved_limits`, (N, R); of clearance one a pair.

    Where nothing moves no band is broken: what parts such a car from the drawn one is that its
    tie rod steers the wheel less over bumps, or more, and bump steer has a limit of its own.
    """
    suspension = asked.suspension
    if suspension is None:
        raise ValueError("nothing may move")
    if name in KEPT:
        over = np.asarray(metrics[name] - suspension.bands()[name])
        # What is not known stays unknown.
        still = (metrics[MOVED_MM] == 0.0) & (over > 0.0)
        return np.where(still, 0.0, over)[:, None]
    drawn = dict(suspension.drawn_clearance_mm)
    least = asked.limits.clearance_mm or 0.0
    pairs = [one for one in metrics if one.startswith(MOVED_PAIR) and one != MOVED_CLEARANCE]
    return np.stack([min(least, drawn.get(one, least)) - metrics[one] for one in pairs], axis=1)


def drawn_car(asked: Asked, travel_each_way_mm: float) -> tuple[Character, dict[str, float]]:
    """Character of the car as drawn, and clearance of its arms by pair, mm.

    With the drawn tie rod. The arms are measured over the whole steering of a rack of that travel;
    where the drawn rod does not reach so far, up to the required lock, or else straight ahead.
    """
    points = Hardpoints.from_mapping({name: value[None] for name, value in asked.points.items()})
    at_lock = replace(asked.steering, stops="lock")
    ways = ((asked.steering, travel_each_way_mm), (at_lock, np.inf), (at_lock, 0.0))
    for steering, each_way in ways:
        ends = np.array([each_way])
        solved = solve_designs(points, np.zeros(1), ends, asked.car, asked.travel, steering)
        if solved.reason[0] == "":
            break
    drawn = character_of(asked, solved)
    parts = [getattr(drawn, field.name)[0] for field in fields(Character)]
    far_mm = told_apart_mm(asked.clearance_wanted_mm)
    whole = replace(solved, reason=np.array([""], dtype=object))
    pairs = moved_clearances(whole, asked.room, None, far_mm)
    return Character(*parts), {name: float(value[0]) for name, value in pairs.items()}
