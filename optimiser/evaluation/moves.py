"""Points of the suspension that may move, what that costs, and how far the car may part from drawn.

What moves is a column of a design's values behind the `VARIABLES`, one for each direction in which
an entry of `[suspension.may_move]` has room. Wheel centre, contact point and spin axis stay.

    moved_mm = root of the sum over moved points of (cost x distance)^2, a pair being two points
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimiser.linkage.hardpoints import Hardpoints
    from optimiser.linkage.vectors import Array
    from optimiser.metrics.suspension import Character

DIRECTIONS = ("forward", "outboard", "up")
"""The car's directions, along the body axes of the left corner."""
PAIRS = {
    "lower_pivots": ("lower_front_pivot", "lower_rear_pivot"),
    "upper_pivots": ("upper_front_pivot", "upper_rear_pivot"),
}
"""Entries that move two points in parallel."""
MOVABLE = tuple(
    f"{arm}_{point}"
    for arm in ("lower", "upper")
    for point in ("front_pivot", "rear_pivot", "ball_joint")
)
MOVED_MM = "moved_mm"
MOVED_CLEARANCE = "moved_clearance_mm"
UNMOVED_MM = 1e-9
"""A point that moves no more than this stays."""


@dataclass(frozen=True, slots=True)
class Mover:
    """An entry of what may move.

    Attributes:
        name: one of `MOVABLE` or `PAIRS`.
        box_mm: how far it may move either way in each of `DIRECTIONS`.
        cost: what a millimetre counts as.
    """

    name: str
    box_mm: tuple[float, float, float]
    cost: float = 1.0

    @property
    def points(self) -> tuple[str, ...]:
        """The points that it moves."""
        return PAIRS.get(self.name, (self.name,))

    @property
    def weight(self) -> float:
        """What a millimetre of it adds to `moved_mm` when nothing else moves."""
        return self.cost * float(np.sqrt(len(self.points)))


@dataclass(frozen=True, slots=True)
class Keep:
    """How far the car may part from the drawn one, degrees and mm; None: as far as it likes."""

    camber_deg: float | None = 0.25
    caster_deg: float | None = 0.25
    kingpin_inclination_deg: float | None = 0.5
    anti_dive_deg: float | None = 0.5
    roll_centre_mm: float | None = 15.0
    track_change_mm: float | None = 3.0
    scrub_radius_mm: float | None = 5.0
    trail_mm: float | None = 5.0


KEPT = {
    f"{field.name.rpartition('_')[0]}_departure_{field.name.rpartition('_')[2]}": field.name
    for field in fields(Keep)
}
"""Key of `[suspension.keep]` for each quantity that it bounds, the greatest departure."""


@dataclass(frozen=True)
class Suspension:
    """What of the suspension may move.

    Attributes:
        movers: entries, each point in one of them at most.
        keep: how far the car may part from the drawn one.
        drawn: character of the car as drawn over the study's wheel travel.
        drawn_clearance_mm: clearance of each arm and pivot to what it may not touch as drawn, by
            pair; see `clearance.moved`.
        joint_stays: the outer joint keeps its place in the car; otherwise the arm as drawn is that
            about the moved steering axis.
    """

    movers: tuple[Mover, ...]
    keep: Keep
    drawn: Character
    drawn_clearance_mm: tuple[tuple[str, float], ...] = ()
    joint_stays: bool = False

    @cached_property
    def columns(self) -> tuple[tuple[int, int], ...]:
        """Entry and direction of each move, (M,)."""
        return tuple(
            (number, axis)
            for number, mover in enumerate(self.movers)
            for axis, room in enumerate(mover.box_mm)
            if room > 0.0
        )

    @cached_property
    def names(self) -> tuple[str, ...]:
        """Name of each move, (M,): 'lower_pivots_outboard_mm'."""
        return tuple(f"{self.movers[n].name}_{DIRECTIONS[a]}_mm" for n, a in self.columns)

    @cached_property
    def room_mm(self) -> Array:
        """How far each move may go either way, (M,)."""
        return np.array([self.movers[n].box_mm[a] for n, a in self.columns])

    @cached_property
    def weights(self) -> Array:
        """What a millimetre of each move adds to `moved_mm` when nothing else moves, (M,)."""
        return np.array([self.movers[n].weight for n, _ in self.columns])

    @cached_property
    def owner(self) -> NDArray[np.intp]:
        """Entry of each move, (M,)."""
        return np.array([number for number, _ in self.columns], dtype=np.intp)

    def moved_mm(self, moves: Array) -> Array:
        """Change (...) of moves (..., M)."""
        return np.asarray(np.sqrt(np.sum((moves * self.weights) ** 2, axis=-1)))

    def shifts(self, moves: Array) -> dict[str, Array]:
        """How far each point that may move does, (..., 3) by its name, of moves (..., M)."""
        found: dict[str, Array] = {}
        for number, mover in enumerate(self.movers):
            shift = np.zeros((*moves.shape[:-1], 3))
            for column, (owner, axis) in enumerate(self.columns):
                if owner == number:
                    shift[..., axis] = moves[..., column]
            found |= dict.fromkeys(mover.points, shift)
        return found

    def moved(self, points: Hardpoints, moves: Array) -> Hardpoints:
        """Corners (N,) whose arms are moved from those of `points` by moves (N, M)."""
        shifts = self.shifts(moves)
        return replace(points, **{name: getattr(points, name) + s for name, s in shifts.items()})

    def bands(self) -> dict[str, float]:
        """What is kept, by the quantity of its greatest departure."""
        found = {name: getattr(self.keep, key) for name, key in KEPT.items()}
        return {name: band for name, band in found.items() if band is not None}


def departures(suspension: Suspension, found: Character) -> dict[str, Array]:
    """Departure of characters (N,) from the drawn one, degrees and mm, (N, P) or (N, 1).

    By the quantity that is the greatest of each, as in `KEPT`.
    """
    out = {}
    for part, change in found.less(suspension.drawn).items():
        unit = "" if part.endswith("_mm") else "_deg"
        name = next(name for name, key in KEPT.items() if key == f"{part}{unit}")
        out[name] = np.degrees(change) if unit else change
    return out
