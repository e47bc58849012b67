r"""What a rack hands on to its two feet: forces at the tie rods, statics of one rigid body.

              I=================o============I     the rods push on the bar at I; the bar lies h
                  |                   |            above the feet, which are d apart along it: a
                  L                   R            force F along the bar gives a pair F h / d, up
                                                   on the one foot and down on the other

A foot holds a force, no moment. What is across the line through both feet follows from moments;
how they share what is along the bar statics does not say: half each, or all on the one where the
other floats, its hole a slot along the bar. A moment about the line through them is left to both,
as wide as they are. The pinion pushes bar and housing apart and so is in none of it; the column's
own torque on the pinion is left out. Elementary statics; no source needed.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from optimiser.linkage.vectors import norm

if TYPE_CHECKING:
    from collections.abc import Sequence

    from optimiser.linkage.vectors import Array

HALF_EACH, LEFT_ALONE, RIGHT_ALONE = 0.5, 1.0, 0.0
"""Part of what is along the bar that the left foot holds; alone: the other one floats."""


def feet_forces(
    pushes: Sequence[tuple[Array, Array]], feet: Array, left_share: float = HALF_EACH
) -> tuple[Array, Array, float]:
    """Forces (3,) in N of the rack on what its left and its right foot stand on, and a moment.

    The moment, in N mm, is that about the line from the right to the left foot, right-handed, of
    the rack on both together.

    Args:
        pushes: forces (3,) on the rack, and the points (3,) in mm at which they act, body axes.
        feet: the left and the right foot, (2, 3), apart along the bar.
        left_share: part of what is along the bar on the left foot.
    """
    left, right = feet
    apart = norm(left - right)
    line = (left - right) / apart
    force = np.sum([push for push, _ in pushes], axis=0)
    moment = np.sum([np.cross(at - right, push) for push, at in pushes], axis=0)
    across = np.cross(moment, line) / apart
    along = (left_share * force[1] - across[1]) / line[1]
    on_left = across + along * line
    return on_left, force - on_left, float(moment @ line)
