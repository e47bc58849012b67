"""Angles of the tie rod's joints, each from the joint's own axis.

The inner joint is screwed to the end of the bar, so that its own axis is the bar's. The outer joint
turns freely about its bolt, or the taper's pin, and what it cannot take is the lean of the rod off
square to that bolt. The bolt is fixed in the upright and goes with it:

              | bolt          misalignment = |90 deg - angle between rod and bolt|
        ______o___
        rod   |
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, get_args

import numpy as np

from optimiser.linkage.vectors import angle_between, cross, dot, unit

if TYPE_CHECKING:
    from optimiser.linkage.at_rack import Poses
    from optimiser.linkage.vectors import Array

BoltWord = Literal["steering axis", "vertical", "square to rod"]
BOLT_WORDS: tuple[BoltWord, ...] = get_args(BoltWord)
OuterBolt = BoltWord | tuple[float, float, float]
"""Direction of the outer joint's bolt at rest: a word, or a vector of the left corner in body
axes. Of the directions square to the rod the one nearest to the steering axis is meant."""


def inner_joint_angle(poses: Poses) -> Array:
    """Angle of the tie rod to the rack axis, which lies across the car and is the joint's own."""
    return angle_between(poses.outer_joint - poses.inner_joint, (0.0, 1.0, 0.0))


def tie_rod_swing(poses: Poses, rest: Poses) -> Array:
    """Angle of the tie rod from its direction at rest, at the inner joint."""
    return angle_between(poses.outer_joint - poses.inner_joint, rest.outer_joint - rest.inner_joint)


def outer_joint_misalignment(poses: Poses, rest: Poses, bolt: OuterBolt | None) -> Array:
    """Angle in radians of the rod off square to the bolt of the outer joint, (B, ...).

    The bolt stands as `bolt` says in the pose `rest` and turns with the upright from there. B is 1;
    without a bolt it is the number of `BOLT_WORDS`, the misalignment with each: nobody can say
    which is right, and the greatest is the honest answer. Elementary geometry.
    """
    rod = poses.outer_joint - poses.inner_joint
    # The rod as the upright sees it, where the bolt stands still.
    seen = np.stack([dot(rod, axis) for axis in _upright_axes(poses)], axis=-1)
    axes = _upright_axes(rest)
    found = []
    for word in BOLT_WORDS if bolt is None else (bolt,):
        along = unit(_bolt_at_rest(rest, word))
        sine = np.abs(dot(seen, np.stack([dot(along, axis) for axis in axes], axis=-1)))
        found.append(np.arctan2(sine, np.sqrt(np.maximum(0.0, dot(rod, rod) - sine * sine))))
    return np.stack(found)


def _bolt_at_rest(rest: Poses, bolt: OuterBolt) -> Array:
    """Direction of the bolt at rest, of any length, (..., 3)."""
    axis = rest.upper_ball_joint - rest.lower_ball_joint
    if bolt == "steering axis":
        return axis
    if bolt == "square to rod":
        rod = unit(rest.outer_joint - rest.inner_joint)
        return np.asarray(axis - dot(axis, rod)[..., None] * rod)
    return np.array([0.0, 0.0, 1.0] if bolt == "vertical" else bolt)


def _upright_axes(poses: Poses) -> tuple[Array, Array, Array]:
    """Three directions fixed in the upright, square to each other: the first the steering axis."""
    axis = unit(poses.upper_ball_joint - poses.lower_ball_joint)
    ahead = unit(cross(axis, poses.spin_axis))
    return axis, ahead, cross(axis, ahead)
