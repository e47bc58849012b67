"""Pinion housings, which may be turned about the bar while the rack is fitted."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimiser.evaluation.clearance.parts import Part, across_car
from optimiser.metrics.laid_rack import (
    angle_in_car_deg,
    beside_bar,
    default_roll_deg,
    pinion_axis,
)
from optimiser.metrics.mounting import check_hand

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from optimiser.evaluation.designs import Designs
    from optimiser.evaluation.solved import Solved
    from optimiser.linkage.racks import Rack, Side
    from optimiser.linkage.vectors import Array

ANGLES_DEG = np.array(sorted(np.arange(-45.0, 136.0, 15.0), key=lambda angle: abs(angle - 45.0)))
"""Angles tried for a pinion housing that may be turned, forward of up to below the rear, since it
has to face the column; of equal ones the first is taken, nearest to half way up the rear."""


@dataclass(frozen=True, slots=True)
class Pinions:
    """Pinion housings of N designs: capsules from the bar, or beside it, outward.

    What depends on the side is given three times: on the left of the car, on the right, NaN where
    the housing is on the other side; and as if all were on the left, for what is the same on both.

    Attributes:
        angles_deg: angles tried, from straight up and positive rearward, (N, A).
        start: where they begin, (3, N, A) or (3, N, 1) each.
        reach: from there to their ends, (3, N, A) each.
        radius: (N,) mm, NaN where it is not known.
    """

    angles_deg: Array
    start: tuple[Array, Array, Array]
    reach: tuple[Array, Array, Array]
    radius: Array

    def select(self, rows: NDArray[np.intp]) -> Pinions:
        """Some of the designs."""
        left, right, both = (start[:, rows] for start in self.start)
        reach_left, reach_right, reach_both = (reach[:, rows] for reach in self.reach)
        return Pinions(
            self.angles_deg[rows],
            (left, right, both),
            (reach_left, reach_right, reach_both),
            self.radius[rows],
        )

    def sides(self, angles: slice) -> list[Part]:
        """The housing on each side where there are any; a row for each design and angle in turn.

        One side where there are none at all, so that its columns are there.
        """
        there = [side for side in (0, 1) if np.isfinite(self.start[side][1]).any()]
        return [self._at(side, angles) for side in there or (0,)]

    def at_left(self, angles: slice) -> Part:
        """All of them as if on the left."""
        return self._at(2, angles)

    def turned_to(self, angle_deg: Array) -> Part:
        """All of them as if on the left, each at that of its angles which is `angle_deg` (N,)."""
        which = np.argmin(np.abs(self.angles_deg - angle_deg[:, None]), axis=1)
        row, start, reach = np.arange(len(which)), self.start[2], self.reach[2]
        begin = start[..., 0] if start.shape[-1] == 1 else start[:, row, which]
        end = begin + reach[:, row, which]
        return "pinion_housing", begin[..., None], end[..., None], self.radius

    def _at(self, side: int, angles: slice) -> Part:
        reach = self.reach[side][..., angles]
        count = reach.shape[-1]
        start = self.start[side]
        at = start if start.shape[-1] == 1 else start[..., angles]
        begin = np.broadcast_to(at, reach.shape).reshape(3, -1)
        end, radius = begin + reach.reshape(3, -1), np.repeat(self.radius, count)
        return "pinion_housing", begin[..., None], end[..., None], radius


def pinion_housings(
    designs: Designs,
    solved: Solved,
    racks: Sequence[Rack],
    *,
    arm_ahead: bool,
    drive_side: Side | None,
    roll_deg: Array | None = None,
) -> Pinions | None:
    """Pinion housings of the designs; None where no rack's is known.

    Both sides where the side is not known. The radius is NaN where offset, length or diameter
    is not known.

    Args:
        designs: N designs.
        solved: their poses.
        racks: candidate racks.
        arm_ahead: as in `check_hand`, which says on which side the pinion lies.
        drive_side: likewise.
        roll_deg: of each design's rack about its bar, (N,); None: `laid_rack.default_roll_deg`.
    """
    numbers = np.array(
        [
            (r.pinion_offset_mm, r.pinion_length_mm, r.pinion_diameter_mm, r.pinion_angle_deg)
            for r in racks
        ],
        dtype=float,
    )
    known = np.isfinite(numbers[:, :3]).all(axis=1)
    if not known.any():
        return None
    offset, length, diameter, own = numbers[designs.rack].T
    hands = [check_hand(rack, arm_ahead, drive_side) for rack in racks]
    turned = np.array([bool(hand.turn_end_for_end) for hand in hands])[designs.rack]
    if roll_deg is None:
        rolls = [default_roll_deg(r, h.turn_end_for_end) for r, h in zip(racks, hands, strict=True)]
        roll_deg = np.array(rolls)[designs.rack]
    fixed = angle_in_car_deg(own, turned, roll_deg)
    tried = ANGLES_DEG if np.isnan(numbers[known, 3]).any() else ANGLES_DEG[:1]
    angles = np.where(np.isnan(fixed)[:, None], tried, fixed[:, None])
    radius = np.where(known[designs.rack], 0.5 * diameter, np.nan)
    sides = [hand.pinion_side if ok else None for hand, ok in zip(hands, known, strict=True)]
    at_left, at_right = (
        sign * offset * np.array([np.nan if side == other else 1.0 for side in sides])[designs.rack]
        for sign, other in ((1.0, "right"), (-1.0, "left"))
    )
    lean, beside = _off_square(racks, turned, designs.rack)
    begins = [across_car(solved, at) for at in (at_left, at_right, offset)]
    if beside.any():
        off = np.moveaxis(beside_bar(np.radians(angles)) * beside[:, None, None], -1, 0)
        begins = [begin + off for begin in begins]
    on_right = np.isnan(at_left)  # as if on the left is then the mirror image
    signs = (np.ones(len(designs)), np.ones(len(designs)), np.where(on_right, -1.0, 1.0))
    left, right, both = (
        np.moveaxis(
            pinion_axis(np.radians(angles), (sign * lean)[:, None]) * length[:, None, None], -1, 0
        )
        for sign in signs
    )
    start_left, start_right, start_both = begins
    return Pinions(angles, (start_left, start_right, start_both), (left, right, both), radius)


def _off_square(
    racks: Sequence[Rack], turned: NDArray[np.bool_], index: NDArray[np.intp]
) -> tuple[Array, Array]:
    """Lean along the bar in radians and offset beside it in mm, in this car, (N,) each."""
    given = np.array([(r.pinion_lean_deg or 0.0, r.pinion_bar_offset_mm or 0.0) for r in racks])
    lean, beside = np.where(turned, -1.0, 1.0)[:, None].T * given[index].T
    return np.radians(lean), beside
