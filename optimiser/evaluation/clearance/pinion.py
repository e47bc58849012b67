"""Pinion housings, which may be turned about the bar while the rack is fitted."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimiser.evaluation.clearance.parts import Part, across_car
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
    """Pinion housings of N designs: capsules from the bar outward, square to it.

    Attributes:
        angles_deg: angles tried, from straight up and positive rearward, (N, A).
        start: where they begin on the bar, (3, N) each: on the left of the car, on the right,
            NaN where the housing is on the other side; and as if all were on the left, for what is
            the same on both sides.
        reach: from there to their ends, (3, N, A).
        radius: (N,) mm, NaN where it is not known.
    """

    angles_deg: Array
    start: tuple[Array, Array, Array]
    reach: Array
    radius: Array

    def select(self, rows: NDArray[np.intp]) -> Pinions:
        """Some of the designs."""
        left, right, both = (start[:, rows] for start in self.start)
        return Pinions(
            self.angles_deg[rows], (left, right, both), self.reach[:, rows], self.radius[rows]
        )

    def sides(self, angles: slice) -> list[Part]:
        """The housing on each side where there are any; a row for each design and angle in turn.

        One side where there are none at all, so that its columns are there.
        """
        there = [start for start in self.start[:2] if np.isfinite(start[1]).any()]
        return [self._at(start, angles) for start in there or self.start[:1]]

    def at_left(self, angles: slice) -> Part:
        """All of them as if on the left."""
        return self._at(self.start[2], angles)

    def turned_to(self, angle_deg: Array) -> Part:
        """All of them as if on the left, each at its angle, (N,)."""
        size = np.sqrt(np.sum(self.reach[..., 0] ** 2, axis=0))
        angle, begin = np.radians(angle_deg), self.start[2]
        end = begin + size * np.stack([-np.sin(angle), 0.0 * angle, np.cos(angle)])
        return "pinion_housing", begin[..., None], end[..., None], self.radius

    def _at(self, start: Array, angles: slice) -> Part:
        reach = self.reach[..., angles]
        count, begin = reach.shape[-1], np.repeat(start, reach.shape[-1], axis=1)
        end, radius = begin + reach.reshape(3, -1), np.repeat(self.radius, count)
        return "pinion_housing", begin[..., None], end[..., None], radius


def pinion_housings(
    designs: Designs,
    solved: Solved,
    racks: Sequence[Rack],
    *,
    arm_ahead: bool,
    drive_side: Side | None,
) -> Pinions | None:
    """Pinion housings of the designs; None where no rack's is known.

    Both sides where the side is not known. The radius is NaN where offset, length or diameter
    is not known.
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
    offset, length, diameter, fixed = numbers[designs.rack].T
    tried = ANGLES_DEG if np.isnan(numbers[known, 3]).any() else ANGLES_DEG[:1]
    angles = np.where(np.isnan(fixed)[:, None], tried, fixed[:, None])
    angle, length = np.radians(angles), length[:, None]
    radius = np.where(known[designs.rack], 0.5 * diameter, np.nan)
    reach = np.stack([-np.sin(angle) * length, 0.0 * angle, np.cos(angle) * length])
    sides = [
        check_hand(rack, arm_ahead, drive_side).pinion_side if ok else None
        for rack, ok in zip(racks, known, strict=True)
    ]
    at_left, at_right = (
        sign * offset * np.array([np.nan if side == other else 1.0 for side in sides])[designs.rack]
        for sign, other in ((1.0, "right"), (-1.0, "left"))
    )
    left, right, both = (across_car(solved, at)[..., 0] for at in (at_left, at_right, offset))
    return Pinions(angles, (left, right, both), reach, radius)
