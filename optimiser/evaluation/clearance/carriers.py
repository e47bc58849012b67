"""How the bodies that carry parts of a car move: arms, upright and rack of the left corner.

A rigid body's turn from a pose back to the design position is known from three directions in it:

    lower arm, upper arm    its axis, and square to that towards its ball joint
    upright                 the steering axis, and square to that towards the wheel's spin axis

    at rest = place at rest + turn (point - place in the pose)

The rack only slides: what it carries keeps its place to the inner joint. Elementary mechanics of
rigid bodies; in poses between the solved ones the directions are those of blended points.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
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


Triad = tuple["Array", "Array", "Array"]
"""Three unit vectors square to each other, (3, N, 1) or (3, N, E) each."""


@dataclass(frozen=True, slots=True)
class Motion:
    """Where a body of N designs is in E poses, against the design position it was drawn in.

    Attributes:
        place: a point of it, (3, N, E).
        rest: the same point as drawn, (3, N, 1).
        drawn: three of its directions as drawn, (3, N, 1) each; None where it only slides.
        now: the same three in the poses, (3, N, E) each.
    """

    place: Array
    rest: Array
    drawn: Triad | None = None
    now: Triad | None = None

    def select(self, designs: Index) -> Motion:
        """Of some designs, repeated where they are."""
        drawn, now = (None if axes is None else _some(axes, designs) for axes in self._axes)
        return Motion(self.place[:, designs], self.rest[:, designs], drawn, now)

    @property
    def _axes(self) -> tuple[Triad | None, Triad | None]:
        return self.drawn, self.now

    def to_drawing(self, points: Array) -> Array:
        """Points (3, N, E) of the car, as the body sees them: in body axes of the drawing."""
        off = points - self.place
        if self.drawn is None or self.now is None:
            return np.asarray(off + self.rest)
        return _turned(off, self.now, self.drawn, self.rest)

    def to_pose(self, points: Array) -> Array:
        """Points (3, 1 or N, 1) of the body as drawn, where they are in the poses."""
        off = points - self.rest
        if self.drawn is None or self.now is None:
            return np.asarray(off + self.place)
        return _turned(off, self.drawn, self.now, self.place)


def _some(axes: Triad, designs: Index) -> Triad:
    first, second, third = (axis[:, designs] for axis in axes)
    return first, second, third


def _turned(off: Array, before: Triad, after: Triad, place: Array) -> Array:
    """`place` plus vectors with the shares in `after` that they have in `before`.

    A rotation's nine numbers are never made: they are more than what is turned with them.
    """
    shares = [dot_first(axis, off) for axis in before]
    shape = np.broadcast_shapes(*(each.shape[-2:] for each in (*shares, *after, place)))
    out = np.empty((3, *shape))
    for axis, (one, two, three) in enumerate(zip(*after, strict=True)):
        out[axis] = place[axis] + shares[0] * one + shares[1] * two + shares[2] * three
    return out


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

    def between(self, grid: Between) -> Corner:
        """In the poses of a grid."""
        moved = ("lower", "upper", "wheel", "spin", "inner")
        return replace(self, **{name: grid.blend(getattr(self, name)) for name in moved})

    def motion(self, carrier: Carrier) -> Motion:
        """Of one of its bodies; `body` stands still."""
        if carrier == "rack":
            return Motion(self.inner, self.inner_drawn)
        if carrier == "body":
            nothing = np.zeros_like(self.shift)
            return Motion(nothing, nothing)
        if carrier == "upright":
            before = _triad(self.upper_rest - self.lower_rest, self.spin_rest)
            now = _triad(self.upper - self.lower, self.spin)
            return Motion(self.lower, self.lower_rest - self.shift, before, now)
        first = 0 if carrier == "lower_arm" else 2
        pivot, axis = self.hinges[first], self.hinges[first + 1]
        ball, at_rest = (
            (self.lower, self.lower_rest) if first == 0 else (self.upper, self.upper_rest)
        )
        before, now = _triad(axis, at_rest - pivot), _triad(axis, ball - pivot)
        place = np.broadcast_to(pivot, ball.shape)
        return Motion(place, pivot - self.shift, before, now)


def _triad(first: Array, second: Array) -> Triad:
    """Unit vectors (3, ...): along `first`, square to it towards `second`, and square to both."""
    one = first / np.sqrt(dot_first(first, first))
    two = second - one * dot_first(one, second)
    two = two / np.sqrt(dot_first(two, two))
    return one, two, cross_first(one, two)
