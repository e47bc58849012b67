r"""What an adjuster of the arms does to the camber: a ball joint set further out or in on its arm.

    pivots                       The upright is rigid, so that U moves on a sphere about L; its arm
    ====o-----------U            is longer or shorter by what was adjusted, square to the axis of
         \         /             its pivots. The two give one place near the old one. The upright
          \       / k            turns about L by the least turn that takes the steering axis there,
    ====o-------L                and then about that axis until toe is what it was: the tie rod is
                                 reset.

The other ball joint keeps its place; that the wheel then stands a millimetre or two higher or
lower, which the spring seats make good, is left out. Elementary geometry.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from optimiser.linkage.vectors import cross, dot, norm, unit
from optimiser.metrics.tolerance.built import root_nearest_zero, set_toe

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from optimiser.linkage.attitude import Attitude
    from optimiser.linkage.hardpoints import Hardpoints
    from optimiser.linkage.vectors import Array
    from optimiser.metrics.tolerance.built import AsBuilt

Arm = Literal["lower", "upper"]
_OTHER: dict[Arm, Arm] = {"lower": "upper", "upper": "lower"}


def set_ball_joint(
    points: Hardpoints, attitude: Attitude, arm: Arm, further_out_mm: ArrayLike
) -> AsBuilt:
    """Corners (...) with the ball joint of one arm set further out, toe reset; NaN: does not fit.

    `points` is unbatched.
    """
    amount = np.asarray(further_out_mm, float)
    fixed = getattr(points, f"{_OTHER[arm]}_ball_joint")
    moved = _moved_joint(points, arm, fixed, amount)
    before, after = (unit(at - fixed) for at in (getattr(points, f"{arm}_ball_joint"), moved))

    def turned(vector: Array) -> Array:
        return _turned(vector, before, after)

    spin = turned(attitude.spin_axis)
    at_rest = replace(
        attitude,
        toe_in=np.arctan2(spin[..., 0], spin[..., 1]),
        camber=np.arcsin(-spin[..., 2]),
    )
    corner = replace(
        points,
        outer_joint=fixed + turned(points.outer_joint - fixed),
        wheel_centre=fixed + turned(points.wheel_centre - fixed),
        **{f"{arm}_ball_joint": moved},
    )
    wanted = np.broadcast_to(np.asarray(attitude.toe_in, float), amount.shape)
    return set_toe(corner, at_rest, wanted)


def _moved_joint(points: Hardpoints, arm: Arm, fixed: Array, amount: Array) -> Array:
    """Where the joint comes to lie, (..., 3); the other one is `fixed`."""
    front, rear, joint = (
        getattr(points, f"{arm}_{name}") for name in ("front_pivot", "rear_pivot", "ball_joint")
    )
    axis = unit(rear - front)
    foot = front + dot(joint - front, axis) * axis
    outward, between = unit(joint - foot), foot - fixed
    round_it = cross(axis, outward)
    radius = (norm(joint - foot) + amount)[..., None]
    square = dot(between, between) + radius[..., 0] ** 2 - dot(joint - fixed, joint - fixed)
    angle = root_nearest_zero(
        dot(between, radius * outward), dot(between, radius * round_it), 0.5 * square
    )[..., None]
    return np.asarray(foot + radius * (np.cos(angle) * outward + np.sin(angle) * round_it))


def _turned(vector: Array, before: Array, after: Array) -> Array:
    """A vector turned by the least turn that takes one unit vector to another, (..., 3).

    With w = before x after it is v + w x v + w x (w x v) / (1 + before . after) (Rodrigues).
    """
    w = cross(before, after)
    once = cross(w, np.broadcast_to(vector, w.shape))
    return np.asarray(vector + once + cross(w, once) / (1.0 + dot(before, after))[..., None])
