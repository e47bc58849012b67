"""A corner as it was built, with its toe reset.

After assembly the builder screws the tie rod until the wheel's toe is as designed. So an error in
any hardpoint does not show as static toe; what it leaves behind is bump steer and Ackermann error.

The deviating points are therefore taken as the hardpoints of the built car at rest, its wheel in
the designed attitude: toe reset by the tie rod, whose length is the distance of its two joints,
and camber reset as well. Each point deviates by itself in the body, as if measured there on the
finished car: an upright that is out of true and an arm that is too long are not told apart.

A toe set not quite right is a tie rod a little too long or short: it turns the upright about its
steering axis, wheel, outer joint and all, and that is the built car's rest. Its wheel centre is
then higher or lower by some thousandths of a millimetre than the arms alone would have it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from optimiser.linkage.at_rack import solve_linkage
from optimiser.linkage.attitude import STRAIGHT
from optimiser.linkage.hardpoints import POINT_NAMES, Hardpoints
from optimiser.linkage.steering_arm import arm_foot
from optimiser.linkage.vectors import cross, dot, norm, rotate, unit
from optimiser.metrics.tolerance.draws import DIMENSIONS, TOE_SETTING

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from optimiser.linkage.at_rack import Poses
    from optimiser.linkage.attitude import Attitude
    from optimiser.linkage.vectors import Array


@dataclass(frozen=True, slots=True, eq=False)
class AsBuilt:
    """Corners as built, at rest, of any batch shape (...); NaN where no tie rod fits.

    Attributes:
        points: hardpoints; their distance is the length of the tie rod.
        attitude: of each wheel at rest, toe-in and camber of shape (...).
    """

    points: Hardpoints
    attitude: Attitude

    @property
    def shape(self) -> tuple[int, ...]:
        """The batch shape (...)."""
        return np.shape(self.attitude.toe_in)

    def solve(self, travel_mm: ArrayLike, rack_mm: ArrayLike) -> Poses:
        """Poses (..., P) for travel and rack that broadcast to that shape."""
        return solve_linkage(
            self.points.with_pose_axes(1),
            travel_mm,
            rack_mm,
            self.attitude.with_pose_axes(1),
            thorough=False,
        )


def join_corners(parts: list[AsBuilt]) -> AsBuilt:
    """Corners of one batch shape (C, ...) each, one after another along the first axis.

    They have one loaded radius.
    """
    points = {
        name: np.concatenate(
            [np.broadcast_to(getattr(part.points, name), (*part.shape, 3)) for part in parts]
        )
        for name in POINT_NAMES
    }
    toe, camber = (
        np.concatenate([getattr(part.attitude, word) for part in parts])
        for word in ("toe_in", "camber")
    )
    attitude = replace(parts[0].attitude, toe_in=toe, camber=camber)
    return AsBuilt(Hardpoints.from_mapping(points), attitude)


def _moves() -> Array:
    """Displacement of each point per unit of each dimension, (D, 9, 3)."""
    moves = np.zeros((len(DIMENSIONS), len(POINT_NAMES), 3))
    for row, dimension in enumerate(DIMENSIONS):
        if dimension.point is not None:
            moves[row, POINT_NAMES.index(dimension.point)] = dimension.direction
    return moves


_MOVES = _moves()


def build_corner(points: Hardpoints, deviations: Array, attitude: Attitude = STRAIGHT) -> AsBuilt:
    """Corners that deviate from the design by (..., D), toe reset; see the head of this module.

    The batch shapes of `points`, deviations and attitude broadcast.
    """
    shifts = np.tensordot(deviations, _MOVES, 1)
    moved = {name: value + shifts[..., i, :] for i, (name, value) in enumerate(points.items())}
    wanted = np.asarray(attitude.toe_in, float) + deviations[..., TOE_SETTING]
    return set_toe(Hardpoints.from_mapping(moved), attitude, wanted)


def set_toe(points: Hardpoints, attitude: Attitude, wanted_toe_in: ArrayLike) -> AsBuilt:
    """The corner with the length of its tie rod changed until its toe-in is another.

    With s the spin axis and n = (cos T, -sin T, 0), the wheel has toe-in T where n . s = 0; s
    turns about the steering axis k as s_k + cos(psi) (s - s_k) + sin(psi) k x s, s_k = (k . s) k.
    """
    k = _steering_axis(points)
    s, wanted = attitude.spin_axis, np.asarray(wanted_toe_in, float)
    n = np.stack([np.cos(wanted), -np.sin(wanted), np.zeros_like(wanted)], axis=-1)
    fixed = dot(k, s) * dot(n, k)
    psi = root_nearest_zero(dot(n, s) - fixed, dot(n, cross(k, s)), fixed)
    return _turned(points, attitude, psi)


def set_rod_length(points: Hardpoints, attitude: Attitude, length_mm: ArrayLike) -> AsBuilt:
    """The corner with a tie rod of another length and toe left as it comes; NaN if none fits.

    The outer joint turns about the steering axis as F + cos(psi) r + sin(psi) k x r, with F its
    foot there, until it is that far from the inner joint.
    """
    k, foot = _steering_axis(points), arm_foot(points)
    radial, between = points.outer_joint - foot, foot - points.inner_joint
    square = dot(between, between) + dot(radial, radial) - np.asarray(length_mm, float) ** 2
    psi = root_nearest_zero(dot(between, radial), dot(between, cross(k, radial)), 0.5 * square)
    return _turned(points, attitude, psi)


def _steering_axis(points: Hardpoints) -> Array:
    return unit(points.upper_ball_joint - points.lower_ball_joint)


def root_nearest_zero(a: ArrayLike, b: ArrayLike, c: ArrayLike) -> Array:
    """Angle nearest zero where a cos(psi) + b sin(psi) + c = 0; NaN where there is none.

    With t = tan(psi / 2) this is (c - a) t^2 + 2 b t + (a + c) = 0, and the small root is written
    so that nothing cancels.
    """
    a, b, c = np.asarray(a, float), np.asarray(b, float), np.asarray(c, float)
    with np.errstate(invalid="ignore", divide="ignore"):
        reach = np.sqrt(b * b + (a - c) * (a + c))
        return np.asarray(2.0 * np.arctan(-(a + c) / (b + np.copysign(reach, b))))


def _turned(points: Hardpoints, attitude: Attitude, psi: Array) -> AsBuilt:
    """Upright and wheel turned by `psi` about the steering axis of the corner at rest."""
    k, base = _steering_axis(points), points.lower_ball_joint
    s = rotate(attitude.spin_axis, k, psi)
    moved = replace(
        points,
        outer_joint=base + rotate(points.outer_joint - base, k, psi),
        wheel_centre=base + rotate(points.wheel_centre - base, k, psi),
    )
    toe, camber = np.arctan2(s[..., 0], s[..., 1]), np.arcsin(-s[..., 2])
    return AsBuilt(moved, replace(attitude, toe_in=toe, camber=camber))


def rod_length(points: Hardpoints) -> Array:
    """Length of the tie rod, (...) mm."""
    return norm(points.outer_joint - points.inner_joint)
