"""Poses of the left corner with both arms held where they are at rest, as by locked springs.

The lower ball joint does not rise and the steering axis stays where it is in the body, so that the
upright only turns about it: one closed form, no step of any method.
"""

from __future__ import annotations

from math import prod
from typing import TYPE_CHECKING

import numpy as np

from optimiser.linkage.attitude import STRAIGHT
from optimiser.linkage.constants import inner_joint, prepare
from optimiser.linkage.loops import POSE_ROWS, Corner, close_loops, is_shared, place_upright
from optimiser.linkage.poses import Poses, hinges

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from optimiser.linkage.attitude import Attitude
    from optimiser.linkage.hardpoints import Hardpoints


def solve_held_arms(points: Hardpoints, rack_mm: ArrayLike, attitude: Attitude = STRAIGHT) -> Poses:
    """Poses at rack displacements with the arms at rest; of the broadcast shape of all inputs.

    Args:
        points: batch of corners in body axes; for N designs over P poses (N, 1).
        rack_mm: displacement of the rack, positive to the left; of the mirror for the right side.
        attitude: of the wheel at rest.

    NaN where tie rod and steering arm line up before.
    """
    corner, batch = prepare(points, attitude.spin_axis)
    rack = np.asarray(rack_mm, float)
    shape = np.broadcast_shapes(batch, rack.shape)
    missing, out = (1,) * (len(shape) - len(batch)), np.empty((POSE_ROWS, prod(shape)))
    flat = Corner(
        *(
            value
            if is_shared(value)
            else np.broadcast_to(
                value.reshape(len(value), *missing, *batch), (len(value), *shape)
            ).reshape(len(value), -1)
            for value in corner.arrays()
        )
    )
    inner = inner_joint(flat, np.broadcast_to(rack, shape).ravel())
    with np.errstate(invalid="ignore", divide="ignore"):
        place_upright(flat, close_loops(flat, np.zeros(out.shape[1]), inner), inner, out)
    solved = out.reshape(POSE_ROWS, *shape)
    lower, upper, outer, joint, wheel, spin = (solved[row : row + 3] for row in range(0, 18, 3))
    return Poses(lower, upper, outer, joint, wheel, spin, solved[18], hinges(points, shape))
