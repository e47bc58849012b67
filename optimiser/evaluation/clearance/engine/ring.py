r"""Distance of a segment, and of faces, to a tyre: a ring about the wheel's axis.

    rho, off the axle
      Ro  .--------+--------.      rounded outside by the shoulder
         (         |         )
          |  tyre  |        |
      Ri  +--------+--------+      square at the bead
                   |
     - - - - - - - + - - - - - -   axle, a along it from the middle plane
          |<- half ->|

Where a point stands off the axle and along it is all that counts: its distance is that to the
outline in its own meridian plane, exactly. Along a segment a runs evenly and rho is convex; the
least is sought from samples, and by golden section about every sample that could be next to it,
since no point is nearer than another by more than the way between them.

A part with flat faces is nearest with an edge, or with a face to the outermost point of the ring
that looks at it: within the bore the ring bends away from every face. Elementary geometry.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimiser.evaluation.clearance.engine.components import BLOCK, Vector, dot, minus
from optimiser.evaluation.clearance.engine.rim import AxleLine, axle_line, wall_bounds

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from optimiser.evaluation.clearance.engine.operands import Picked
    from optimiser.linkage.vectors import Array

    Index = NDArray[np.intp]

_TINY = 1e-30
_SAMPLES = 13
_SECTIONS = 24  # of a twelfth of a tie rod: to a few thousandths of a millimetre along it
_GOLDEN = 0.5 * (np.sqrt(5.0) - 1.0)
_ALIKE_MM = 1e-6


@dataclass(frozen=True, slots=True)
class Ring:
    """Outside and inside radius, half the width, and the radius of the outer edges, mm."""

    outside: float
    inside: float
    half: float
    shoulder: float = 0.0

    def distance(self, rho: Array, a: Array) -> Array:
        """Signed distance of points `rho` off the axle and `a` along it."""
        beside, off = np.abs(a) - self.half, np.maximum(self.inside - rho, rho - self.outside)
        out, up = np.maximum(off, 0.0), np.maximum(beside, 0.0)
        out = np.sqrt(out * out + up * up) + np.minimum(np.maximum(off, beside), 0.0)
        if self.shoulder:
            x, y = rho - (self.outside - self.shoulder), beside + self.shoulder
            index = np.nonzero((x > 0.0) & (y > 0.0))
            arc = np.hypot(x[index], y[index]) - self.shoulder
            out[index] = np.maximum(arc, (self.inside - rho)[index])
        return np.asarray(out)

    def box(self, centre: Array, axis: Array) -> tuple[Array, Array]:
        """Least and greatest coordinates (3, ...) of rings about `axis`, a unit vector."""
        reach = self.half * np.abs(axis)
        reach = reach + self.outside * np.sqrt(np.maximum(1.0 - axis * axis, 0.0))
        return centre - reach, centre + reach


def minimum_segment_ring(
    start: Picked, end: Picked, wheel: tuple[Picked, Picked], ring: Ring, *, ceiling: float
) -> Array:
    """Least signed distance in mm of segments to rings over the poses, (n,).

    Args:
        start: end of the segment in n pairs, in all poses or one.
        end: its other end.
        wheel: centre of the ring and unit vector along its axle, in all poses.
        ring: its sizes.
        ceiling: a distance beyond it is returned as the ceiling.

    Returns:
        Distance, negative where the segment is in the tyre; NaN when any pose is NaN. The
        clearance of a capsule is this minus its radius.
    """
    floor = np.concatenate(list(_floors(start, end, wheel, ring, ceiling)))
    first, rows = np.argmin(floor, axis=1), np.arange(len(floor))
    best = np.full(len(floor), ceiling)
    near = np.flatnonzero(floor[rows, first] < ceiling)
    found = _measured(_lines(start, end, wheel, near, first[near]), ring)
    best[near] = np.minimum(ceiling, found)
    row, pose = np.nonzero(floor < best[:, None] - _ALIKE_MM)
    np.minimum.at(best, row, _measured(_lines(start, end, wheel, row, pose), ring))
    return np.where(np.isnan(floor).any(axis=1), np.nan, best)


def floor_segment_ring(
    start: Picked, end: Picked, wheel: tuple[Picked, Picked], ring: Ring, *, ceiling: float
) -> Array:
    """What `minimum_segment_ring` cannot fall below, (n,), for a fraction of its cost."""
    each = [floor.min(axis=1) for floor in _floors(start, end, wheel, ring, ceiling)]
    return np.asarray(np.minimum(np.concatenate(each), ceiling))


def _floors(
    start: Picked, end: Picked, wheel: tuple[Picked, Picked], ring: Ring, ceiling: float
) -> Iterator[Array]:
    """Bounds (rows, poses), a block of rows at a time."""
    count, poses = len(start.rows), wheel[0].shape[1]
    step = max(1, BLOCK // poses)
    for begin in range(0, max(1, count), step):
        part = np.arange(begin, min(count, begin + step))
        p, q, middle, k = (_components(each, part) for each in (start, end, *wheel))
        line = AxleLine(*np.broadcast_arrays(*axle_line(minus(p, middle), minus(q, middle), k)))
        yield _floor(line, ring, ceiling)


def _components(points: Picked, rows: Index) -> Vector:
    x, y, z = (axis.take(points.rows[rows], axis=0) for axis in points.points)
    return x, y, z


def _lines(
    start: Picked, end: Picked, wheel: tuple[Picked, Picked], row: Index, pose: Index
) -> AxleLine:
    """Lines of some rows, each in one pose."""

    def at(points: Picked) -> Vector:
        when = pose if points.shape[1] > 1 else np.zeros_like(pose)
        x, y, z = points.points[:, points.rows[row], when]
        return x, y, z

    middle = at(wheel[0])
    return axle_line(minus(at(start), middle), minus(at(end), middle), at(wheel[1]))


def _floor(line: AxleLine, ring: Ring, ceiling: float) -> Array:
    """What the distance of each line cannot fall below.

    By the bore, as if the tyre had no outside, and by the tread and its sides.
    """
    by_bore, _ = wall_bounds(line, ring.inside, ring.half, ceiling)
    nearest = np.minimum(np.maximum(-line.b / (line.s + _TINY), 0.0), 1.0)
    off = line.off_axle(nearest) - ring.outside
    other = line.low + line.run
    crosses = (line.low > 0.0) != (other > 0.0)
    beside = np.where(crosses, 0.0, np.minimum(np.abs(line.low), np.abs(other))) - ring.half
    outside = np.hypot(np.maximum(off, 0.0), np.maximum(beside, 0.0))
    return np.asarray(np.maximum(by_bore, np.where(outside > 0.0, outside, -np.inf)))


def _measured(line: AxleLine, ring: Ring) -> Array:
    """Least distance of each of the lines (n,)."""
    if not len(line.low):
        return np.zeros(0)
    run = np.where(np.abs(line.run) < _TINY, _TINY, line.run)
    special = [(height - line.low) / run for height in (-ring.half, 0.0, ring.half)]
    special.append(-line.b / (line.s + _TINY))
    even = np.broadcast_to(np.linspace(0.0, 1.0, _SAMPLES)[:, None], (_SAMPLES, len(run)))
    t = np.sort(np.clip(np.nan_to_num(np.concatenate([even, special])), 0.0, 1.0), axis=0)

    def at(some: AxleLine, where: Array) -> Array:
        return ring.distance(some.off_axle(where), some.low + where * some.run)

    values = at(line, t)
    best = values.min(axis=0)
    length = np.sqrt(line.s + line.run * line.run)
    # Between two samples nothing is nearer than this.
    under = 0.5 * (values[:-1] + values[1:] - length * np.diff(t, axis=0))
    place, row = np.nonzero(under < best - _ALIKE_MM)
    some = AxleLine(*(each[row] for each in line))
    low, high = t[place, row], t[place + 1, row]
    for _ in range(_SECTIONS):
        wide = _GOLDEN * (high - low)
        left, right = both = np.stack([high - wide, low + wide])
        nearer, other = at(some, both)
        falls = nearer > other
        low, high = np.where(falls, left, low), np.where(falls, high, right)
    np.minimum.at(best, row, at(some, 0.5 * (low + high)))
    return np.asarray(best)


def face_to_ring(
    normal: Vector, offset: Array, centre: Vector, axis: Vector, ring: Ring
) -> tuple[Array, Vector]:
    """The outermost point of rings before faces: its height above the face, and where it is.

    Args:
        normal: outward unit normal of each face.
        offset: scalar product of the normal with any of its points.
        centre: of the ring.
        axis: unit vector along its axle.
        ring: its sizes; at a rounded shoulder the point is the middle of the arc.

    Returns:
        The height, lowered by the shoulder's radius, and the point.
    """
    up = dot(normal, axis)
    across = minus(normal, (up * axis[0], up * axis[1], up * axis[2]))
    size = np.sqrt(np.maximum(dot(across, across), 0.0))
    flat = size < 1e-9  # any point of the end: one square to the axle
    other = _square_to(axis)
    out = (ring.outside - ring.shoulder) / np.where(flat, 1.0, size)
    along = np.sign(up) * (ring.half - ring.shoulder)
    x, y, z = (
        c - along * k - out * np.where(flat, o, r)
        for c, k, r, o in zip(centre, axis, across, other, strict=True)
    )
    return dot(normal, (x, y, z)) - offset - ring.shoulder, (x, y, z)


def _square_to(axis: Vector) -> Vector:
    size = np.sqrt(axis[0] ** 2 + axis[1] ** 2) + _TINY
    return axis[1] / size, -axis[0] / size, np.zeros_like(axis[0])
