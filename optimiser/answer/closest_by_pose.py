"""What of one design is closest in each pose of the car, and by how much.

The search asks for the least over all poses, of both corners at once: a tie rod that is close to a
box on the left of the car is close to it somewhere. Here each pose is looked at by itself, and the
box stands before the left corner alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimiser.answer.pose_margins import PoseMargins, picked
from optimiser.evaluation.clearance.metrics import told_apart_mm
from optimiser.evaluation.quantities import is_of_tyre, pair_words

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimiser.evaluation.designs import Designs
    from optimiser.evaluation.problem import Problem
    from optimiser.linkage.racks import Side
    from optimiser.linkage.vectors import Array

TOLD_MM = 50.0
"""Distances are told up to here: a picture is looked at beyond what a limit asks for."""
_SAME_MM, _ALIKE_MM = 0.005, 0.05
_SIDES: tuple[Side, Side] = ("left", "right")
_WHERE = ("", " on the left", " on the right")


@dataclass(frozen=True, slots=True)
class Closest:
    """The closest of some pairs at T travels and R rack displacements.

    Attributes:
        names: of pairs in words, with the side of the car where the other side has more room.
        pair: index in `names`, -1 where none is nearer than is told or no pose is, (T, R).
        gap_mm: its distance, negative where parts overlap; what is told at most where none is
            nearer, NaN where no pose is, (T, R).
    """

    names: tuple[str, ...]
    pair: NDArray[np.intp]
    gap_mm: Array


@dataclass(frozen=True, slots=True)
class ClosestByPose:
    """Of a design in every pose.

    Attributes:
        steering: pairs whose distance changes; None where there are none.
        tyre: those of the tyre; None where there are none.
        same: the closest of the pairs whose distance never changes, in words, and its distance;
            None where none is near.
        far_mm: distance from which on none is told.
    """

    steering: Closest | None
    tyre: Closest | None
    same: tuple[str, float] | None
    far_mm: float


def closest_by_pose(
    problem: Problem, design: Designs, travel_mm: Array, rack_mm: Array
) -> ClosestByPose | None:
    """What is closest with both wheels at each travel (T,) and the rack at each place (R,).

    Args:
        problem: that of the design.
        design: a batch of one.
        travel_mm: wheel travel of both wheels.
        rack_mm: rack displacement, positive to the left; as far either way, in even steps.

    Returns:
        None where the study has no clearance, or the design has none of the poses.
    """
    if not (problem.has_pairs or problem.has_tyre):
        return None
    margins = PoseMargins.of(problem, design)
    if margins is None:
        return None
    far = told_apart_mm(max(TOLD_MM, problem.clearance_wanted_mm))
    there, found = _distances(margins, travel_mm, rack_mm, far)
    if not there.any():
        return None
    same = {name for name, v in found.items() if np.ptp(v[:, there], axis=1).max() < _SAME_MM}
    still = [(float(found[name][:, there].min()), pair_words(name)) for name in same]
    least = min(still, default=(far, ""))
    tyre, steering = (
        {name: v for name, v in found.items() if name not in same and is_of_tyre(name) == of_tyre}
        for of_tyre in (True, False)
    )
    return ClosestByPose(
        _closest(steering, there, far),
        _closest(tyre, there, far),
        (least[1], least[0]) if least[0] < far else None,
        far,
    )


def _distances(
    margins: PoseMargins, travel_mm: Array, rack_mm: Array, far_mm: float
) -> tuple[NDArray[np.bool_], dict[str, Array]]:
    """Where both corners have a pose, (T, R), and distances (2, T, R) of the pairs of each side."""
    shape = len(travel_mm), len(rack_mm)
    grid = np.meshgrid(travel_mm, rack_mm, indexing="ij")
    poses = margins.poses(*(each.ravel() for each in grid))
    rows = np.flatnonzero(poses.exists)
    alone = picked(poses, (rows,))
    found: dict[str, Array] = {}
    for number, side in enumerate(_SIDES):
        for name, values in margins.pairs(alone, side=side, told_mm=far_mm).items():
            # Parts of which no size is known have no distance.
            if np.isnan(values).all():
                continue
            both = found.setdefault(name, np.full((2, *shape), far_mm))
            both[number].reshape(-1)[rows] = np.where(np.isnan(values), far_mm, values)
    for both in found.values():
        # The right corner moves as the left one does with the rack as far the other way.
        both[1] = both[1, :, ::-1].copy()
    there = poses.exists.reshape(shape)
    return there & there[:, ::-1], found


def _closest(found: dict[str, Array], there: NDArray[np.bool_], far_mm: float) -> Closest | None:
    """The closest of pairs whose distances (2, T, R) are given; None of no pairs."""
    if not found:
        return None
    table = np.stack([*found.values()])
    gaps = table.min(axis=1)
    index = np.argmin(gaps, axis=0)
    gap = np.take_along_axis(gaps, index[None], axis=0)[0]
    left, right = np.take_along_axis(table, index[None, None], axis=0)[0]
    side = np.where(np.abs(left - right) < _ALIKE_MM, 0, np.where(left < right, 1, 2))
    near = there & (gap < far_mm)
    words = list(map(pair_words, found))
    codes, pair = np.unique(np.where(near, 3 * index + side, -1), return_inverse=True)
    names = tuple(words[code // 3] + _WHERE[code % 3] for code in codes.tolist() if code >= 0)
    pair = pair.reshape(gap.shape) - int((codes < 0).any())
    return Closest(names, pair, np.where(there, gap, np.nan))
