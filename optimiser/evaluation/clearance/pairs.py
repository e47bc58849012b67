"""Pairs of parts gathered over all designs, and measured in as few calls as possible.

A generation of the search is some fifty designs, of which each part is near a few obstacles:
numpy's overhead would outweigh the arithmetic if every pair of names were measured by itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from optimiser.base.files import slug
from optimiser.evaluation.clearance.engine import (
    box_apart,
    cylinder_apart,
    floor_segment_segment,
    minimum_segment_box,
    minimum_segment_cylinder,
    minimum_segment_segment,
    segment_apart,
    segment_box_distance,
    segment_cylinder_distance,
    segment_segment_distance,
)
from optimiser.evaluation.clearance.parts import KINDS

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator

    from numpy.typing import NDArray

    from optimiser.evaluation.clearance.engine.apart import Ends
    from optimiser.evaluation.clearance.engine.components import Vector
    from optimiser.evaluation.clearance.parts import Lines, Obstacles
    from optimiser.linkage.vectors import Array

    Index = NDArray[np.intp]


OWN_OBSTACLES = ("rim", "lower_arm", "upper_arm", "moved_pivot")
"""Parts of the car itself that clearance is measured to; no keep-out may have their column."""

TYRE_OBSTACLES = ("tie_rod", "spacer", "rack_housing", "pinion_housing")
"""Likewise of the tyre."""


def column(part: str, other: str) -> str:
    """Name of the metric of one pair."""
    return f"clearance_{part}_{slug(other).lower().replace('-', '_')}_mm"


@lru_cache(maxsize=256)
def _columns(part: str, others: tuple[str, ...]) -> tuple[tuple[str, ...], Index]:
    """Columns of a part before others, and that of each of these."""
    columns = [column(part, other) for other in others]
    place = {name: index for index, name in enumerate(dict.fromkeys(columns))}
    return tuple(place), np.array([place[name] for name in columns], dtype=np.intp)


class Table:
    """Clearance of N designs by pair of names; the least of whatever is put in."""

    def __init__(self, count: int, far_mm: float) -> None:
        self._count, self._far = count, far_mm
        self._at: dict[str, int] = {}
        self._begun: list[Array] = []
        self._blanks: list[Array] = []
        self._put: list[tuple[Index, Array]] = []

    def columns(self, part: str, others: tuple[str, ...], radius: Array) -> Index:
        """Column of a part of such radius (N,) and each of `others`."""
        blank = np.where(np.isnan(radius), np.nan, self._far)
        names, place = _columns(part, others)
        new = (
            names if self._at.keys().isdisjoint(names) else [n for n in names if n not in self._at]
        )
        self._at.update(zip(new, range(len(self._begun), len(self._begun) + len(new)), strict=True))
        self._begun += [blank] * len(new)
        self._blanks += [blank] * bool(new)
        if len(new) == len(names):
            return place + (len(self._begun) - len(new))
        return np.array([self._at[name] for name in names], dtype=np.intp)[place]

    def put(self, columns: Index, rows: Index, others: Index, values: Array) -> None:
        """Clearances (n,) of rows of lines to others; `columns` are those of each part to each."""
        part, design = np.divmod(rows, max(1, self._count))
        self._put.append((columns[part, others] * self._count + design, values))

    @property
    def far(self) -> Array:
        """The distance from which on none are told apart, NaN where no part's size is known, (N,).

        What a pair has that nothing was put in for, if its own part is known.
        """
        blank = np.full(self._count, np.nan)
        return np.asarray(np.fmin.reduce([blank, *self._blanks]))

    def results(self, only: Collection[str] | None = None) -> dict[str, Array]:
        """Clearance (N,) by the pair's column; with `only` of those and of what was put in."""
        names = list(self._at)
        if only is not None:
            near = [np.unique(cells // max(1, self._count)) for cells, _ in self._put]
            asked = [self._at[name] for name in only if name in self._at]
            chosen = np.unique(np.concatenate([*near, np.array(asked, dtype=np.intp)]))
            names = [names[index] for index in chosen.tolist()]
        if not names:
            return {}
        places = [self._at[name] for name in names]
        table = np.stack([self._begun[place] for place in places])
        row = np.zeros(len(self._begun), dtype=np.intp)
        row[places] = np.arange(len(places))
        for cells, values in self._put:
            column, design = np.divmod(cells, max(1, self._count))
            np.minimum.at(table.reshape(-1), row[column] * self._count + design, values)
        return dict(zip(names, table, strict=True))


# --- what is near what ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Bounds:
    """Where the ends of R lines are over all poses, and in one of them.

    Attributes:
        start: least and greatest coordinates and those in the middle pose, (3, points) each.
        start_rows: point of each line, (R,).
        end: the same of the other end.
        end_rows: likewise.
        radius: (R,).
    """

    start: tuple[Array, Array, Array]
    start_rows: Index
    end: tuple[Array, Array, Array]
    end_rows: Index
    radius: Array

    @classmethod
    def of(cls, lines: Lines) -> Bounds:
        """Of some lines."""
        start = _reach(lines.start.points)
        end = start if lines.end.points is lines.start.points else _reach(lines.end.points)
        return cls(start, lines.start.rows, end, lines.end.rows, lines.radius)

    def corners(self) -> tuple[Array, Array]:
        """Of the box around each part, (3, R) each; NaN where its size is not known."""
        starts = (points.take(self.start_rows, axis=1) for points in self.start[:2])
        ends = (points.take(self.end_rows, axis=1) for points in self.end[:2])
        (low, high), (end_low, end_high) = starts, ends
        low, high = np.minimum(low, end_low, out=low), np.maximum(high, end_high, out=high)
        low -= self.radius
        high += self.radius
        return low, high

    def rows(self, rows: Index) -> Ends:
        """Some lines, as `engine.apart` wants them."""

        def pick(points: Array, at: Index) -> Vector:
            x, y, z = (axis.take(at) for axis in points)
            return x, y, z

        at, end_at = self.start_rows[rows], self.end_rows[rows]
        low, high, once = (pick(points, at) for points in self.start)
        end_low, end_high, end_once = (pick(points, end_at) for points in self.end)
        return once, end_once, (low, high), (end_low, end_high)


def _reach(points: Array) -> tuple[Array, Array, Array]:
    """Least and greatest of (3, R, E) over the poses, and the middle pose."""
    if points.shape[-1] == 1:
        return points[..., 0], points[..., 0], points[..., 0]
    return points.min(axis=-1), points.max(axis=-1), points[..., points.shape[-1] // 2]


def near_keep_outs(
    lines: Lines, bounds: Bounds, group: Obstacles, reach_mm: float, faces: NDArray[np.bool_]
) -> tuple[Index, Index]:
    """Row and keep-out of what may be closer than `reach_mm`, by keep-out.

    By boxes around all designs first, so that what lies elsewhere costs next to nothing; then by
    the box of each; then by `engine.apart`.

    Args:
        lines: P parts.
        bounds: theirs.
        group: K keep-outs.
        reach_mm: distance of interest.
        faces: which keep-outs each part is measured to, (P, K).
    """
    shape = (3, len(lines.names), -1)
    bottom, top = (corner.T[..., None] for corner in group.corners())
    low, high = (corner.reshape(shape) for corner in bounds.corners())
    least = np.fmin.reduce(low, axis=2, initial=np.inf)[:, None]
    most = np.fmax.reduce(high, axis=2, initial=-np.inf)[:, None]
    square = squared_gap(least, most, bottom, top)
    other, part = np.nonzero((square < reach_mm**2) & faces.T)
    square = squared_gap(low[:, part], high[:, part], bottom[:, other], top[:, other])
    pair, design = np.nonzero(square < reach_mm**2)
    row, other = part[pair] * lines.count + design, other[pair]
    if not lines.moves or not len(row):
        return row, other
    apart, ends = np.empty(len(row)), _as_bounds(group)
    for mine, kind in _kinds(group, other):
        line, here = bounds.rows(row[mine]), ends.rows(other[mine])
        if kind == "box":
            apart[mine] = box_apart(line, *here[:2])
        elif kind == "cylinder":
            size = group.round_mm[other[mine]]
            apart[mine] = cylinder_apart(line, *here[:2], (size, size, size))
        else:
            apart[mine] = segment_apart(line, here)
    near = np.flatnonzero(apart - lines.radius[row] - group.radius[other] < reach_mm)
    return row[near], other[near]


def _as_bounds(group: Obstacles) -> Bounds:
    """Keep-outs as lines that stand still; of a box the two are its corners."""
    start, end, rows = group.start.T, group.end.T, np.arange(len(group.names))
    return Bounds((start, start, start), rows, (end, end, end), rows, group.radius)


def near_tubes(
    pairs: tuple[tuple[Lines, Bounds, Index], tuple[Lines, Bounds, Index]],
    reach_mm: float,
    *,
    moving: bool,
) -> Index:
    """Which of n pairs of parts and tubes may be closer than `reach_mm`.

    Args:
        pairs: lines, their bounds and the row of each pair, of parts and of tubes.
        reach_mm: distance of interest.
        moving: both are in the same poses.
    """
    (lines, bounds, rows), (tubes, tube_bounds, tube_rows) = pairs
    (low, high), (bottom, top) = bounds.corners(), tube_bounds.corners()
    square = squared_gap(low[:, rows], high[:, rows], bottom[:, tube_rows], top[:, tube_rows])
    near = np.flatnonzero(square < reach_mm**2)
    apart = segment_apart(bounds.rows(rows[near]), tube_bounds.rows(tube_rows[near]))
    apart -= bounds.radius[rows[near]] + tube_bounds.radius[tube_rows[near]]
    near = near[apart < reach_mm]
    if not moving:
        return near
    here, there = lines.select(rows[near]), tubes.select(tube_rows[near])
    apart = floor_segment_segment(here.start, here.end, there.start, there.end)
    return near[apart - here.radius - there.radius < reach_mm]


def squared_gap(low: Array, high: Array, bottom: Array, top: Array) -> Array:
    """Squared distance of boxes, their corners (3, ...)."""
    square: Array = np.zeros(())
    for axis in range(3):
        gap = np.maximum(bottom[axis] - high[axis], low[axis] - top[axis])
        np.maximum(gap, 0.0, out=gap)
        gap *= gap
        square = square + gap
    return square


def each_of(first: Index, which: Index) -> tuple[Index, Index]:
    """Pair and element of each, where `which` (n,) has those from `first[i]` to `first[i + 1]`."""
    count = (first[1:] - first[:-1])[which]
    pair = np.repeat(np.arange(len(which)), count)
    begin = np.cumsum(count) - count
    return pair, np.arange(len(pair)) - begin[pair] + first[which][pair]


def _kinds(group: Obstacles, keep_out: Index) -> Iterator[tuple[Index, str]]:
    """Where the keep-outs of each kind stand among those."""
    kinds = group.kind[keep_out]
    for number, kind in enumerate(KINDS):
        mine = np.flatnonzero(kinds == number)
        if len(mine):
            yield mine, kind


# --- measuring -----------------------------------------------------------------------------------


_ROUNDING_MM = 1e-9


def _clearance(distance: Array, thick: Array, far_mm: float) -> Array:
    """Clearance of lines so far apart and so thick together, at most `far_mm`.

    What rounding leaves below that is that: whether something is clear may not hang on it.
    """
    found = distance - thick
    return np.where(found > far_mm - _ROUNDING_MM, far_mm, found)


def to_keep_outs(lines: Lines, group: Obstacles, keep_out: Index, far_mm: float) -> Array:
    """Least clearance (n,) of n moving lines to a keep-out each."""
    out = np.empty(len(keep_out))
    for mine, kind in _kinds(group, keep_out):
        here, other = lines.select(mine), keep_out[mine]
        thick = here.radius + group.radius[other]
        ceiling = far_mm + float(thick.max())
        ends = here.start, here.end, group.start[other][:, None], group.end[other][:, None]
        if kind == "cylinder":
            size = group.round_mm[other][:, None]
            found = minimum_segment_cylinder(*ends, size, ceiling=ceiling)
        else:
            measure = minimum_segment_box if kind == "box" else minimum_segment_segment
            found = measure(*ends, ceiling=ceiling)
        out[mine] = _clearance(found, thick, far_mm)
    return out


def still_to_keep_outs(lines: Lines, group: Obstacles, keep_out: Index, far_mm: float) -> Array:
    """Clearance (n,) of n lines that stand still to a keep-out each."""
    out = np.empty(len(keep_out))
    for mine, kind in _kinds(group, keep_out):
        here, other = lines.select(mine), keep_out[mine]
        start, end = (p.points[..., 0].take(p.rows, axis=1).T for p in (here.start, here.end))
        ends = start, end, group.start[other], group.end[other]
        if kind == "cylinder":
            found = segment_cylinder_distance(*ends, group.round_mm[other])
        else:
            measure = segment_box_distance if kind == "box" else segment_segment_distance
            found = measure(*ends)
        out[mine] = _clearance(found, here.radius + group.radius[other], far_mm)
    return out


def to_tubes(lines: Lines, tubes: Lines, far_mm: float) -> Array:
    """Least clearance of n lines to n tubes; they move, or either does."""
    thick = lines.radius + tubes.radius
    # The line that moves comes first.
    first, second = (lines, tubes) if lines.moves else (tubes, lines)
    found = minimum_segment_segment(
        first.start,
        first.end,
        second.start,
        second.end,
        ceiling=far_mm + float(thick.max(initial=0.0)),
    )
    return _clearance(found, thick, far_mm)
