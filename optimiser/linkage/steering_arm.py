"""The steering arm: where it begins, where it puts the outer joint at rest, and back."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimiser.linkage.vectors import Array, cross, dot, unit

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from optimiser.linkage.hardpoints import Hardpoints
    from optimiser.linkage.poses import Poses

_X = np.array([1.0, 0.0, 0.0])


def arm_foot(corner: Hardpoints | Poses) -> Array:
    """Where the steering arm, square to the steering axis, meets it, (..., 3) mm.

        U
        |          the point of the axis that is nearest to O, in any pose; where O lies
        F------O   above U or below L it is beyond them
        L

    NaN where the pose does not exist.
    """
    lower = corner.lower_ball_joint
    axis = corner.upper_ball_joint - lower
    up = dot(corner.outer_joint - lower, axis) / dot(axis, axis)
    return np.asarray(lower + up[..., None] * axis)


def steering_frame(points: Hardpoints) -> tuple[Array, Array, Array]:
    """Steering axis at rest and, square to it, the directions ahead and outboard: (..., 3) each."""
    axis = unit(points.upper_ball_joint - points.lower_ball_joint)
    ahead = unit(_X - dot(axis, _X)[..., None] * axis)
    return axis, ahead, cross(axis, ahead)


@dataclass(frozen=True, slots=True)
class ArmPlacement:
    """Where the outer joint sits on the upright at rest.

    Attributes:
        length_mm: steering arm length, from the steering axis and square to it.
        height_mm: height of the outer joint, its z.
        angle: direction about the steering axis in radians, from straight ahead (or, for an
            arm behind the axis, from straight back), positive outboard.
        ahead: True when the outer joint is ahead of the steering axis.
    """

    length_mm: Array
    height_mm: Array
    angle: Array
    ahead: bool


def describe_arm(points: Hardpoints) -> ArmPlacement:
    """Length, height and angle of the steering arm that `points` draw, batch shape (...)."""
    _, ahead, outboard = steering_frame(points)
    arm = points.outer_joint - points.lower_ball_joint
    forward, sideways = dot(arm, ahead), dot(arm, outboard)
    is_ahead = bool(np.all(forward >= 0.0))
    return ArmPlacement(
        length_mm=np.hypot(forward, sideways),
        height_mm=np.asarray(points.outer_joint[..., 2]),
        angle=np.arctan2(sideways, forward if is_ahead else -forward),
        ahead=is_ahead,
    )


def place_outer_joint(
    points: Hardpoints,
    arm_length_mm: ArrayLike,
    arm_height_mm: ArrayLike,
    arm_angle: ArrayLike,
    ahead: bool,
) -> Array:
    """Outer joint (..., 3) for a steering arm; the inverse of `describe_arm`.

    The three numbers broadcast with each other and with the batch shape of `points`.
    """
    axis, forward, outboard = steering_frame(points)
    length, height, angle = np.broadcast_arrays(
        *(np.asarray(value, dtype=float) for value in (arm_length_mm, arm_height_mm, arm_angle))
    )
    along = np.cos(angle) if ahead else -np.cos(angle)
    radial = length[..., None] * (along[..., None] * forward + np.sin(angle)[..., None] * outboard)
    lower = points.lower_ball_joint
    up = (height - lower[..., 2] - radial[..., 2]) / axis[..., 2]
    return np.asarray(lower + radial + up[..., None] * axis)
