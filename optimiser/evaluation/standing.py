"""A column's shafts before keep-outs on the body: both stand still.

A frame has hundreds of tubes, of which a shaft is near a few. Which, is found by boxes; these pairs
are measured at once.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from optimiser.evaluation.clearance.engine import (
    segment_box_distance,
    segment_cylinder_distance,
    segment_segment_distance,
)
from optimiser.evaluation.clearance.pairs import column, each_of, squared_gap
from optimiser.evaluation.clearance.parts import KINDS, obstacles
from optimiser.evaluation.quantities import COLUMN_PART

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from numpy.typing import NDArray

    from optimiser.evaluation.asked import Room
    from optimiser.evaluation.clearance.parts import Obstacles
    from optimiser.linkage.vectors import Array

    Index = NDArray[np.intp]

_PAIRS = 2048
"""Pairs of a design and a keep-out looked into at a time."""


def to_what_stands(
    shafts: Sequence[tuple[Array, Array]],
    room: Room,
    radius_mm: float,
    far_mm: float,
    only: Collection[str] | None = None,
) -> dict[str, Array]:
    """Clearance by column, (N,) each, at most `far_mm`; NaN where shafts are nowhere.

    Args:
        shafts: both ends (N, 3) of each shaft of N columns.
        room: has the keep-outs.
        radius_mm: of the shafts.
        far_mm: from which on clearances are not told apart.
        only: columns that are given beside those of what comes near, and one more; None for all.
    """
    group = obstacles(room.still)
    names, place = _columns(group.names)
    if not names:
        return {}
    design, other = np.nonzero(_near_boxes(shafts, group, far_mm + radius_mm) & ~group.image)
    gap = np.min([_gaps(a[design], b[design], group, other) for a, b in shafts], axis=0)
    nowhere = np.isnan(np.sum([a + b for a, b in shafts], axis=(0, 2)))
    table = np.tile(np.where(nowhere, np.nan, far_mm), (len(names), 1))
    np.minimum.at(table, (place[other], design), gap - radius_mm)
    told = np.ones(len(names), dtype=bool)
    if only is not None:
        told = (table != far_mm).any(axis=1) | np.array([name in only for name in names])
        told[0] = True  # so that it is known that nothing is near
    return {names[index]: table[index] for index in np.flatnonzero(told).tolist()}


@lru_cache(maxsize=64)
def _columns(names: tuple[str, ...]) -> tuple[tuple[str, ...], Index]:
    """Columns of the shafts before keep-outs, and that of each of these, (K,)."""
    columns = [column(COLUMN_PART, name) for name in names]
    place = {name: index for index, name in enumerate(dict.fromkeys(columns))}
    return tuple(place), np.array([place[name] for name in columns], dtype=np.intp)


def _near_boxes(
    shafts: Sequence[tuple[Array, Array]], group: Obstacles, reach_mm: float
) -> NDArray[np.bool_]:
    """Which keep-outs may be within reach of the shafts of which design, (N, K): by boxes."""
    near = np.zeros((len(shafts[0][0]), len(group.names)), dtype=bool)
    for a, b in shafts:
        near |= _boxes_meet(np.minimum(a, b), np.maximum(a, b), group, reach_mm)
    return near


def _boxes_meet(low: Array, high: Array, group: Obstacles, reach_mm: float) -> NDArray[np.bool_]:
    """Which keep-outs have boxes within reach of boxes (n, 3), (n, K)."""
    bottom, top = (corner.T[:, None] for corner in group.corners())
    square = squared_gap(low.T[..., None], high.T[..., None], bottom, top)
    return np.asarray(square <= reach_mm**2)


def too_near_what_stands(
    start: Array, stop: Array, designs: Index, room: Room, reach_mm: float
) -> NDArray[np.bool_]:
    """Which shafts' lines (m, 3) have a keep-out nearer than `reach_mm`, or are nowhere, (m,).

    Args:
        start: one end of each line.
        stop: the other.
        designs: whose it is, (m,), rising: lines of one design are looked at together first.
        room: has the keep-outs.
        reach_mm: distance that is wanted.
    """
    group = obstacles(room.still)
    if group.image.all() or not len(start):
        return np.zeros(len(start), dtype=bool)
    low, high = np.minimum(start, stop), np.maximum(start, stop)
    near = np.asarray(np.isnan(low).any(axis=1))
    first = np.flatnonzero(np.diff(designs, prepend=-1))
    least, most = np.fmin.reduceat(low, first), np.fmax.reduceat(high, first)
    close = _boxes_meet(least, most, group, reach_mm) & ~group.image
    which, other = np.nonzero(close)
    bottom, top = (corner.T for corner in group.corners())
    low, high, ends = low.T.copy(), high.T.copy(), np.append(first, len(start))
    for begin in range(0, len(which), _PAIRS):
        mine = slice(begin, begin + _PAIRS)
        pair, line = each_of(ends, which[mine])
        box = other[mine][pair]
        gap = squared_gap(low[:, line], high[:, line], bottom[:, box], top[:, box])
        some = np.flatnonzero((gap <= reach_mm**2) & ~near[line])
        line, box = line[some], box[some]
        near[line[~(_gaps(start[line], stop[line], group, box) >= reach_mm)]] = True
    return near


def _gaps(start: Array, stop: Array, group: Obstacles, other: Index) -> Array:
    """Distance of n lines (n, 3) to the surface of a keep-out each, (n,)."""
    out = np.empty(len(other))
    for kind in np.unique(group.kind[other]).tolist():
        mine = np.flatnonzero(group.kind[other] == kind)
        which = other[mine]
        ends = start[mine], stop[mine], group.start[which], group.end[which]
        if KINDS[kind] == "cylinder":
            out[mine] = segment_cylinder_distance(*ends, group.round_mm[which])
        elif KINDS[kind] == "box":
            out[mine] = segment_box_distance(*ends)
        else:
            out[mine] = segment_segment_distance(*ends) - group.radius[which]
    return out
