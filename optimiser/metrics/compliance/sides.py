"""What unit loads on one wheel do to the springs of its corner."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from optimiser.linkage.vectors import Array, cross_first, dot_first
from optimiser.metrics.compliance.springs import RACK_SPRINGS, SPRINGS
from optimiser.metrics.compliance.statics import (
    Joints,
    Wrench,
    arm_of,
    joint_forces,
    pivot_forces,
    rod_direction,
    unit_first,
    wrench_at,
)
from optimiser.metrics.kinematic import wheel_attitude

if TYPE_CHECKING:
    from collections.abc import Collection

    from optimiser.linkage.poses import Poses
    from optimiser.metrics.compliance.statics import Arm

LATERAL, BRAKE, CENTRE, TOE_IN, CAMBER = range(5)
"""Unit loads: a newton inward at the ground, rearward there, rearward at the wheel centre; then the
moments of a newton millimetre that work on toe-in and on camber."""


class Side(NamedTuple):
    """Forces in the springs of n corners of one side under the unit loads.

    Attributes:
        forces: by the name of the spring, (k, 5, n): k components whose squares add up.
        along_bar: what the tie rod hands to the rack, along it, (5, n).
    """

    forces: dict[str, Array]
    along_bar: Array


def side_of(
    poses: Poses,
    loaded_radius_mm: float,
    behind_mm: Array | float = 0.0,
    names: Collection[str] = SPRINGS,
) -> Side:
    """Forces under the unit loads in left corners (n,), or right ones by their mirror image.

    Args:
        poses: of the corners, (n,); NaN where one does not exist.
        loaded_radius_mm: from wheel centre to ground.
        behind_mm: how far behind the contact point the side force acts, along the wheel's heading,
            (n,): the tyre's own trail. The caster trail is in the contact point already.
        names: the springs that are wanted.
    """
    lower, upper = arm_of(poses, 0), arm_of(poses, 1)
    joints = joint_forces(poses, upper, unit_loads(poses, loaded_radius_mm, behind_mm))
    e = rod_direction(poses)
    forces = _at_arms(joints, lower, upper)
    forces["rod ends"] = forces["tie rods"] = joints.rod[None]
    forces["spacers and bar"] = np.sqrt(np.maximum(0.0, 1.0 - e[1] ** 2)) * joints.rod[None]
    if "steering arms" in names:
        forces["steering arms"] = _across_arm(poses, e) * joints.rod[None]
    wanted = [name for name in SPRINGS if name in names and name not in RACK_SPRINGS]
    return Side({name: forces[name] for name in wanted}, joints.rod * e[1])


def unit_loads(poses: Poses, loaded_radius_mm: float, behind_mm: Array | float) -> Wrench:
    """The unit loads, in their order, on the uprights of poses (n,).

    Toe-in is less by d steer = m.w as the upright turns by w, m = (z - s_z s) / (1 - s_z^2) for
    the spin axis s, and m is what a tyre's moment about the vertical does to a wheel that turns
    freely on its axle. Camber is asin(-s_z).
    """
    spin, wheel = poses.spin_xyz, poses.wheel_centre_xyz
    flat = np.sqrt(spin[0] ** 2 + spin[1] ** 2)
    none = np.zeros(flat.shape)
    outboard = np.stack([spin[0] / flat, spin[1] / flat, none])
    heading = np.stack([outboard[1], -outboard[0], none])
    contact = np.moveaxis(wheel_attitude(poses, loaded_radius_mm).contact, -1, 0)
    force = np.stack([-outboard, -heading, -heading, 0.0 * heading, 0.0 * heading], axis=1)
    point = np.stack([contact - behind_mm * heading, contact, wheel, wheel, wheel], axis=1)
    load = wrench_at(poses, force, point)
    load.moment[:, TOE_IN] = spin[2] * spin / flat**2
    load.moment[2, TOE_IN] -= 1.0 / flat**2
    load.moment[:, CAMBER] = np.stack([-outboard[1], outboard[0], none])
    return load


def _at_arms(joints: Joints, lower: Arm, upper: Arm) -> dict[str, Array]:
    """Forces at pivots, brackets and ball joints."""
    pivots = [
        pivot_forces(arm, force) for arm, force in ((lower, joints.lower), (upper, joints.upper))
    ]
    found = {"ball joints": np.concatenate([joints.lower, joints.upper])}
    found["brackets"] = np.concatenate([force for pair in pivots for force in pair])
    for name, (front, rear) in zip(("lower bushes", "upper bushes"), pivots, strict=True):
        found[name] = np.concatenate([front[1:], rear[1:]])
        found[f"{name}, axial"] = np.stack([front[0], rear[0]])
    return found


def _across_arm(poses: Poses, e: Array) -> Array:
    """Share of the rod's force that bends the steering arm, square to it, (n,)."""
    axis = unit_first(poses.upper_ball_xyz - poses.lower_ball_xyz)
    arm = poses.outer_xyz - poses.lower_ball_xyz
    square = unit_first(arm - dot_first(arm, axis) * axis)
    across = cross_first(square, e)
    return np.sqrt(dot_first(across, across))
