"""Least distance over many poses, with most poses rejected by a bound instead of measured.

A separating plane serves as the bound. Let n be a unit direction and r how far the obstacle
reaches along it; then no segment p0-p1 is closer to the obstacle than

        min(n.p0, n.p1) - r

and for convex obstacles the distance, signed or not, is the greatest such value over all n.

        o-------o   pose measured: n is the direction in which it is closest
            ^ n
            |          o-------o   another pose: its height above the plane bounds its distance
        ----+--------------------- plane, touching the obstacle
         /------\
         obstacle

Poses of one linkage lie near each other, so the n of one pose bounds all others well, far
better than bounding spheres, and one matrix product does it for all poses and obstacles of a
design. The pose with the least bound is measured next, its n sharpens the bounds of the poses
still in question, and what then can still be the closest is measured, exactly.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import prod
from typing import TYPE_CHECKING

import numpy as np

from optimiser.evaluation.clearance.engine.components import (
    Vector,
    as_arrays,
    blocks,
    dot,
    with_axes,
)
from optimiser.evaluation.clearance.engine.cylinder import (
    cylinder_reach,
    segment_cylinder,
    segment_cylinder_normal,
)
from optimiser.evaluation.clearance.engine.distance import (
    check_box,
    segment_box,
    segment_box_normal,
    segment_segment,
    segment_segment_normal,
)
from optimiser.evaluation.clearance.engine.operands import Operand, Picked, cut_points

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import ArrayLike, NDArray

    from optimiser.linkage.vectors import Array

    Index = NDArray[np.intp]

RESOLUTION_MM = 1e-9
"""Poses that could undercut the least distance by no more than this are not measured. Without
it every pose that ties with the closest would be: all wheel travels of one rack displacement,
when the inner joint is what comes closest."""
_BLOCK = 8192
"""Pairs of design and obstacle worked on at a time, and poses measured at a time."""
_BOUND_BLOCK = 16384
"""Bounds computed at a time, which stay in the second-level cache."""
_BOUNDS_KEPT = 1 << 19
"""Bounds that are held at a time, 4 MB of them: fewer designs at once where poses are many."""


def minimum_segment_segment(
    p0: ArrayLike | Picked,
    p1: ArrayLike | Picked,
    q0: ArrayLike | Picked,
    q1: ArrayLike | Picked,
    *,
    ceiling: float = np.inf,
) -> Array:
    """Least `segment_segment_distance` over the poses, the last axis before the components.

    Args:
        p0: end of the moving segment, (..., poses, 3) mm; all four broadcast. For N designs
            against K fixed segments give p the shape (N, 1, poses, 3) and q (K, 1, 3). Where
            any is `Picked`, the others are that too or (n, poses or 1, 3).
        p1: its other end.
        q0: end of the other segment, fixed or moving too.
        q1: its other end.
        ceiling: in mm; a least distance beyond it is returned as the ceiling, which is several
            times faster when only small distances matter.

    Returns:
        Least distance (...) over the poses, to 1e-9 mm; NaN when any pose is NaN.

    Raises:
        ValueError: there are no poses.
    """
    return _least(_SEGMENT, [_points(p) for p in (p0, p1, q0, q1)], ceiling)


def minimum_segment_box(
    p0: ArrayLike | Picked,
    p1: ArrayLike | Picked,
    box_min: ArrayLike,
    box_max: ArrayLike,
    *,
    ceiling: float = np.inf,
) -> Array:
    """Least `segment_box_distance` over the poses, the last axis before the components.

    Args:
        p0: end of the moving segment, (..., poses, 3) mm; all four broadcast. For N designs
            against K boxes give p the shape (N, 1, poses, 3) and the corners (K, 1, 3). Where
            either is `Picked`, the corners are (n, 1, 3).
        p1: its other end.
        box_min: corner of the box with the least coordinates.
        box_max: corner with the greatest coordinates.
        ceiling: in mm; a least distance beyond it is returned as the ceiling, which is several
            times faster when only small distances matter.

    Returns:
        Least signed distance (...) over the poses, to 1e-9 mm; NaN when any pose is NaN.

    Raises:
        ValueError: a coordinate of box_min exceeds that of box_max, or there are no poses.
    """
    low, high = as_arrays(box_min, box_max)
    check_box(low, high)
    return _least(_BOX, [_points(p0), _points(p1), low, high], ceiling)


def minimum_segment_cylinder(
    p0: ArrayLike | Picked,
    p1: ArrayLike | Picked,
    q0: ArrayLike,
    q1: ArrayLike,
    radius: ArrayLike,
    *,
    ceiling: float = np.inf,
) -> Array:
    """Least `segment_cylinder_distance` over the poses, the last axis before the components.

    Args:
        p0: end of the moving segment, (..., poses, 3) mm, or `Picked`; all broadcast.
        p1: its other end.
        q0: middle of one flat end of the cylinder, (..., 1, 3) mm.
        q1: middle of the other.
        radius: of the cylinder, (..., 1) mm.
        ceiling: in mm; a least distance beyond it is returned as the ceiling.

    Returns:
        Least signed distance (...) over the poses, to 1e-9 mm; NaN when any pose is NaN.

    Raises:
        ValueError: there are no poses.
    """
    size = np.asarray(radius, dtype=float)[..., None] * np.ones(3)
    return _least(_CYLINDER, [_points(p0), _points(p1), *as_arrays(q0, q1), size], ceiling)


def floor_segment_segment(p0: Picked, p1: Picked, q0: Picked | Array, q1: Picked | Array) -> Array:
    """What the distance of two segments cannot fall below in any of the poses, (n,).

    For less than measuring it: by two separating planes, see the head of this module. It bounds
    all poses that lie between the given ones in a straight line too.

    Args:
        p0: end of the moving segment in n pairs.
        p1: its other end.
        q0: end of the other segment, (n, 1, 3) where it is fixed.
        q1: its other end.
    """
    points = (p0, p1, q0, q1)
    shape = np.broadcast_shapes(*(p.shape[:-1] for p in points))
    out = np.empty(shape[0])
    for block in blocks(out.shape, max(1, _BOUNDS_KEPT // shape[1])):
        operands = [cut_points(p, block) for p in points]
        out[block] = _Sweep(_SEGMENT, operands, out[block].shape, shape[1]).floor()
    return out


def _points(given: ArrayLike | Picked) -> Array | Picked:
    return given if isinstance(given, Picked) else as_arrays(given)[0]


# --- the kinds of obstacle -----------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Obstacle:
    """Distance, the same with its direction, and how far an obstacle reaches along one."""

    distance: Callable[..., Array]
    normal: Callable[..., tuple[Array, Vector]]
    reach: Callable[..., Array]


def _segment_reach(n: Vector, q0: Vector, q1: Vector) -> Array:
    return np.maximum(dot(n, q0), dot(n, q1))


def _box_reach(n: Vector, low: Vector, high: Vector) -> Array:
    x, y, z = (np.maximum(ni * a, ni * b) for ni, a, b in zip(n, low, high, strict=True))
    return x + y + z


_SEGMENT = _Obstacle(segment_segment, segment_segment_normal, _segment_reach)
_BOX = _Obstacle(segment_box, segment_box_normal, _box_reach)
_CYLINDER = _Obstacle(segment_cylinder, segment_cylinder_normal, cylinder_reach)


# --- the sweep -----------------------------------------------------------------------------------


def _least(obstacle: _Obstacle, given: Sequence[Array | Picked], ceiling: float) -> Array:
    points = [p[None] if not isinstance(p, Picked) and p.ndim < 2 else p for p in given]
    shape = np.broadcast_shapes(*(p.shape[:-1] for p in points))
    if shape[-1] == 0:
        raise ValueError("there are no poses")
    out = np.empty(shape[:-1] or (1,))
    points = [p if isinstance(p, Picked) else with_axes(p, out.ndim + 2) for p in points]
    with np.errstate(invalid="ignore"):  # NaN poses pass through the matrix product
        for block in blocks(out.shape, min(_BLOCK, max(1, _BOUNDS_KEPT // shape[-1]))):
            part = out[block]
            operands = [cut_points(p, block) for p in points]
            part[...] = _Sweep(obstacle, operands, part.shape, shape[-1]).least(ceiling)
    return out.reshape(shape[:-1])


class _Sweep:
    """One block of the batch, its entries numbered from 0 over the flattened batch axes."""

    __slots__ = ("_batch", "_ends", "_fixed", "_moves", "_obstacle", "_poses")

    def __init__(
        self,
        obstacle: _Obstacle,
        points: Sequence[Array | Picked],
        batch: tuple[int, ...],
        poses: int,
    ) -> None:
        self._obstacle, self._batch, self._poses = obstacle, batch, poses
        operands = [Operand(p, batch) for p in points]
        self._ends, self._fixed = operands[:2], operands[2:]
        self._moves = any(f.moves for f in self._fixed)

    def least(self, ceiling: float) -> Array:
        """Least distance, of the batch shape.

        Measures the middle pose, then the one that its direction promises to be closest, then
        whatever neither direction rules out.
        """
        entries = np.arange(prod(self._batch))
        middle = np.full_like(entries, self._poses // 2)
        best, normal = self._obstacle.normal(*self._at(entries, middle))
        best = np.minimum(best, ceiling)
        if self._poses == 1:
            return np.asarray(best.reshape(self._batch))
        bound, reach = self._bound(normal)
        bound[entries, middle] = np.inf
        second = np.argmin(bound, axis=1)  # of a NaN pose, where there is one
        lowest = bound[entries, second] - reach
        entry = np.flatnonzero(~(lowest >= best - RESOLUTION_MM))
        distance, sharper = self._obstacle.normal(*self._at(entry, second[entry]))
        best[entry] = np.minimum(best[entry], distance)
        for old, new in zip(normal, sharper, strict=True):
            old[entry] = new
        bound[entry, second[entry]] = np.inf
        limit = best - RESOLUTION_MM
        rest = np.flatnonzero(bound < (limit + reach)[:, None])
        self._measure_rest(self._undercutting(rest, normal, limit), best)
        return best.reshape(self._batch)

    def floor(self) -> Array:
        """Bound on the least distance, (entries,): the better of two."""
        entries = np.arange(prod(self._batch))
        pose = np.full_like(entries, self._poses // 2)
        found = []
        for _ in range(2):
            _, normal = self._obstacle.normal(*self._at(entries, pose))
            bound, reach = self._bound(normal)
            pose = np.argmin(bound, axis=1)
            found.append(bound[entries, pose] - reach)
        return np.asarray(np.maximum(*found))

    def _at(self, entry: Index, pose: Index) -> list[Vector]:
        return [operand.at(entry, pose) for operand in (*self._ends, *self._fixed)]

    def _bound(self, normal: Vector) -> tuple[Array, Array]:
        """Bound of every pose, (entries, poses), still to be lowered by the reach, (entries,).

        The reach of an obstacle that moves differs from pose to pose: then the bound is
        complete and 0 is returned in place of the reach.
        """
        shape = (*self._batch, self._poses)
        column = [n.reshape(*self._batch, 1) for n in normal]
        reach = self._obstacle.reach(
            (column[0], column[1], column[2]), *(f.components() for f in self._fixed)
        )
        row = np.stack(normal, axis=-1).reshape(*self._batch, 3)
        out = np.empty(shape)
        for batch in blocks(self._batch, max(1, _BOUND_BLOCK // self._poses)):
            part = out[batch]
            heights = []
            for end in self._ends:
                heights.append(np.empty((*part.shape[:-1], end.points.shape[-2])))
                end.project(row[batch], batch, heights[-1])
            np.minimum(heights[0], heights[1], out=part)
            if self._moves:
                part -= reach[batch]
        flat = out.reshape(-1, self._poses)
        return flat, np.zeros(len(flat)) if self._moves else reach.reshape(-1)

    def _undercutting(self, rest: Index, normal: Vector, limit: Array) -> Index:
        """Of the flat (entry, pose) indices `rest`, those whose bound by `normal` is below."""
        kept = [rest[:0]]
        for start in range(0, len(rest), _BLOCK):
            part = rest[start : start + _BLOCK]
            entry, pose = self._split_index(part)
            p0, p1, *fixed = self._at(entry, pose)
            n = normal[0].take(entry), normal[1].take(entry), normal[2].take(entry)
            bound = np.minimum(dot(n, p0), dot(n, p1)) - self._obstacle.reach(n, *fixed)
            kept.append(part[bound < limit.take(entry)])
        return np.concatenate(kept)

    def _measure_rest(self, rest: Index, best: Array) -> None:
        """Lower `best` to what the flat indices `rest` measure."""
        for start in range(0, len(rest), _BLOCK):
            entry, pose = self._split_index(rest[start : start + _BLOCK])
            np.minimum.at(best, entry, self._obstacle.distance(*self._at(entry, pose)))

    def _split_index(self, flat: Index) -> tuple[Index, Index]:
        entry = flat // self._poses
        return entry, flat - entry * self._poses
