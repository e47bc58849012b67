"""How the bodies that carry parts of a car move: arms, upright and rack of the left corner.

A rigid body's turn from a pose back to the design position is known from three directions in it:

    lower arm, upper arm    its axis, and square to that towards its ball joint
    upright                 the steering axis, and square to that towards the wheel's spin axis

    at rest = place at rest + turn (point - place in the pose)

The rack only slides: what it carries keeps its place to the inner joint. Elementary mechanics of
rigid bodies; in poses between the solved ones the directions are those of blended points.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimiser.linkage.vectors import cross_first, dot_first

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimiser.evaluation.asked import Carrier
    from optimiser.evaluation.clearance.engine import Between
    from optimiser.evaluation.solved import Solved
    from optimiser.linkage.vectors import Array

    Index = NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class Motion:
    """Where a body of N designs is in E poses, against the design position it was drawn in.

    Attributes:
        place: a point of it, (3, N, E).
        rest: the same point as drawn, (3, N, 1).
        turn: what turns it back to the drawing, (3, 3, N, E); None where it only slides.
    """

    place: Array
    rest: Array
    turn: Array | None

    def select(self, designs: Index) -> Motion:
        """Of some designs, repeated where they are."""
        turn = None if self.turn is None else self.turn[:, :, designs]
        return Motion(self.place[:, designs], self.rest[:, designs], turn)

    def to_drawing(self, points: Array) -> Array:
        """Points (3, N, E) of the car, as the body sees them: in body axes of the drawing."""
        off = points - self.place
        if self.turn is None:
            return off + self.rest
        return np.asarray(self.rest + _product(self.turn, off))

    def to_pose(self, points: Array) -> Array:
        """Points (3, 1 or N, 1) of the body as drawn, where they are in the poses."""
        off = points - self.rest
        if self.turn is None:
            return off + self.place
        return np.asarray(self.place + _product(self.turn.swapaxes(0, 1), off))

    def direction(self, vector: Array) -> Array:
        """A direction (3,) of the body as drawn in its poses, (3, N, E)."""
        column = np.asarray(vector)[:, None, None]
        if self.turn is None:
            return np.broadcast_to(column, self.place.shape)
        return _product(self.turn.swapaxes(0, 1), column)


def _product(matrix: Array, vector: Array) -> Array:
    x, y, z = vector
    return np.stack([row[0] * x + row[1] * y + row[2] * z for row in matrix])


@dataclass(frozen=True, slots=True)
class Corner:
    """Points of N left corners in E poses, and as they were drawn; (3, N, E) and (3, N, 1)."""

    lower: Array
    upper: Array
    wheel: Array
    spin: Array
    inner: Array
    lower_rest: Array
    upper_rest: Array
    spin_rest: Array
    inner_drawn: Array
    hinges: Array
    """A point of the lower arm's axis and its direction, then the upper arm's, (4, 3, N, 1)."""
    shift: Array
    """How far outboard arms and upright stand of where they were drawn, (3, N, 1)."""

    @classmethod
    def of(cls, solved: Solved, drawn_inner_joint: tuple[float, float, float]) -> Corner:
        """In the poses over which clearance is judged."""
        poses, rest = solved.envelope, solved.rest
        shift = np.zeros((3, len(solved.reason), 1))
        shift[1, :, 0] = 0.5 * solved.track_growth_mm
        inner = np.broadcast_to(np.array(drawn_inner_joint)[:, None, None], shift.shape)
        return cls(
            poses.lower_ball_xyz,
            poses.upper_ball_xyz,
            poses.wheel_centre_xyz,
            poses.spin_xyz,
            poses.inner_xyz,
            rest.lower_ball_xyz,
            rest.upper_ball_xyz,
            rest.spin_xyz,
            inner,
            rest.hinges_xyz,
            shift,
        )

    def between(self, grid: Between, designs: Index) -> Corner:
        """Some designs in the poses of a grid."""
        moved = {
            name: grid.blend(getattr(self, name)[:, designs])
            for name in ("lower", "upper", "wheel", "spin", "inner")
        }
        rest = {
            name: getattr(self, name)[:, designs]
            for name in ("lower_rest", "upper_rest", "spin_rest", "inner_drawn", "shift")
        }
        return Corner(**moved, **rest, hinges=self.hinges[:, :, designs])

    def motion(self, carrier: Carrier) -> Motion:
        """Of one of its bodies; `body` stands still."""
        if carrier == "rack":
            return Motion(self.inner, self.inner_drawn, None)
        if carrier == "body":
            nothing = np.zeros_like(self.shift)
            return Motion(nothing, nothing, None)
        if carrier == "upright":
            before = _triad(self.upper_rest - self.lower_rest, self.spin_rest)
            now = _triad(self.upper - self.lower, self.spin)
            return Motion(self.lower, self.lower_rest - self.shift, _turn(before, now))
        first = 0 if carrier == "lower_arm" else 2
        pivot, axis = self.hinges[first], self.hinges[first + 1]
        ball, at_rest = (
            (self.lower, self.lower_rest) if first == 0 else (self.upper, self.upper_rest)
        )
        before, now = _triad(axis, at_rest - pivot), _triad(axis, ball - pivot)
        place = np.broadcast_to(pivot, ball.shape)
        return Motion(place, pivot - self.shift, _turn(before, now))


def _triad(first: Array, second: Array) -> tuple[Array, Array, Array]:
    """Unit vectors (3, ...): along `first`, square to it towards `second`, and square to both."""
    one = first / np.sqrt(dot_first(first, first))
    two = second - one * dot_first(one, second)
    two = two / np.sqrt(dot_first(two, two))
    return one, two, cross_first(one, two)


def _turn(before: tuple[Array, Array, Array], now: tuple[Array, Array, Array]) -> Array:
    """Rotation (3, 3, N, E) that takes each direction of `now` to that of `before`."""
    shape = np.broadcast_shapes(*(axis.shape for axis in (*before, *now)))
    out = np.zeros((3, *shape))
    for old, new in zip(before, now, strict=True):
        out += old[:, None] * new[None]
    return out
