"""Clearance of pinion housings, which may be turned about the bar while the rack is fitted."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from optimiser.clearance import (
    minimum_segment_segment,
    segment_box_distance,
    segment_segment_distance,
)
from optimiser.packaging_parts import Obstacles, Part, Pinion, bar_middle, near_pairs
from optimiser.vectors import dot_first

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    from optimiser.designs import Designs
    from optimiser.sweep import Solved
    from optimiser.vectors import Array

ANGLES_DEG = np.array(sorted(np.arange(-45.0, 136.0, 15.0), key=lambda angle: abs(angle - 45.0)))
"""Angles tried for a pinion housing that may be turned, forward of up to below the rear, since it
has to face the column; of equal ones the first is taken, nearest to half way up the rear."""
_LEFT = np.array([0.0, 1.0, 0.0])


def pinion_clearance(
    designs: Designs,
    solved: Solved,
    pinions: Sequence[Pinion | None],
    groups: Mapping[str, Obstacles],
    tubes: Sequence[Part],
    far_mm: float,
) -> tuple[Array, dict[str, Array]]:
    """Angle of each design's pinion housing and its clearance to everything by name, (N,) each.

    The angle is from straight up, positive rearward: the rack's own or, of `ANGLES_DEG`, the
    one with the most room. NaN where the housing's size or place is not known.

    Args:
        designs: N designs.
        solved: their poses.
        pinions: pinion housing of each rack, None where it is not known.
        groups: keep-outs by kind, on the side where they are.
        tubes: tubes of the left arms; the right ones mirror them.
        far_mm: greater clearances are given as this.
    """
    names = sorted(
        {name for group in groups.values() for name in group.names} | {tube.name for tube in tubes}
    )
    at = {name: index for index, name in enumerate(names)}
    angle = np.full(len(designs), np.nan)
    least = np.full((len(names), len(designs)), np.nan)
    for index, pinion in enumerate(pinions):
        mine = np.flatnonzero(designs.rack == index)
        if pinion is None or not len(mine):
            continue
        angles = ANGLES_DEG if pinion.angle_deg is None else np.array([pinion.angle_deg])
        distances = np.full((len(names), len(mine), len(angles)), far_mm)
        housing = _Housing(pinion, bar_middle(solved)[:, mine].T, np.radians(angles))
        for other, rows, values in (
            *housing.to_keep_outs(groups, far_mm),
            *housing.to_tubes(tubes, mine, far_mm),
        ):
            places = np.array([at[name] for name in other], dtype=np.intp)
            np.minimum.at(distances, (places, rows), values)
        best = np.argmax(distances.min(axis=0), axis=1)
        angle[mine] = angles[best]
        least[:, mine] = distances[:, np.arange(len(mine)), best]
    return angle, dict(zip(names, least, strict=True))


class _Housing:
    """One rack's pinion housing in n designs, at every angle (radians) that is tried."""

    def __init__(self, pinion: Pinion, middle: Array, angles: Array) -> None:
        self._pinion, self._middle = pinion, middle
        self._out = np.stack([-np.sin(angles), 0.0 * angles, np.cos(angles)], axis=-1)
        self._span = pinion.length_mm + pinion.radius_mm

    def to_keep_outs(
        self, groups: Mapping[str, Obstacles], far_mm: float
    ) -> Iterator[tuple[list[str], NDArray[np.intp], Array]]:
        """Names and designs (m,) of near pairs, and their clearances (m, angles)."""
        for sign in self._pinion.signs:
            start = self._middle + sign * self._pinion.offset_mm * _LEFT
            low, high = (start.T + way * self._reach() for way in (-1.0, 1.0))
            for kind, group in groups.items():
                distance = segment_box_distance if kind == "box" else segment_segment_distance
                rows, columns = near_pairs(low, high, group, far_mm)
                begin = start[rows][:, None]
                found = distance(
                    begin,
                    begin + self._pinion.length_mm * self._out,
                    group.start[columns][:, None],
                    group.end[columns][:, None],
                )
                thick = self._pinion.radius_mm + group.radius[columns]
                yield [group.names[k] for k in columns], rows, found - thick[:, None]

    def to_tubes(
        self, tubes: Sequence[Part], mine: NDArray[np.intp], far_mm: float
    ) -> Iterator[tuple[list[str], NDArray[np.intp], Array]]:
        """The same of the arms' tubes. A housing on the right meets the mirror image of them."""
        start = self._middle + self._pinion.offset_mm * _LEFT
        low, high = (start.T + way * self._reach() for way in (-1.0, 1.0))
        for tube in tubes:
            gap = np.maximum(np.maximum(tube.low[:, mine] - high, low - tube.high[:, mine]), 0.0)
            near = np.flatnonzero(dot_first(gap, gap) < far_mm**2)
            if not len(near):
                continue
            begin = start[near][:, None, None]
            end = begin + self._pinion.length_mm * self._out[:, None]
            thick = self._pinion.radius_mm + tube.radius[mine[near]]
            found = minimum_segment_segment(
                begin,
                end,
                np.moveaxis(tube.start[:, mine[near]], 0, -1)[:, None],
                np.moveaxis(tube.end[:, mine[near]], 0, -1)[:, None],
                ceiling=far_mm + float(thick.max()),
            )
            yield [tube.name] * len(near), near, found - thick[:, None]

    def _reach(self) -> Array:
        """Half sizes (3, 1) of a box that holds the housing at every angle."""
        reach = np.array([self._span, self._pinion.radius_mm, self._span])
        return reach[:, None]
