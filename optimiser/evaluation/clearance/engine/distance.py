"""Exact distances of a segment to a segment and to a box.

A part is a capsule: all points within a radius of a segment. Everything here measures the
segment, the capsule's centre line; the clearance of a capsule is that distance minus its radius,
and between two capsules minus both radii.

        p0 o------------------o p1          centre line
                   | distance
              q0 o-----------o q1           clearance = distance - radius_p - radius_q

Negative means overlap. Two centre lines are never less than nothing apart, so for two capsules
the overlap is the sum of the radii minus the distance of the centre lines, at most that sum. A
box knows its inside: see `segment_box_distance`.

Points are (..., 3) in mm and broadcast. A NaN coordinate, a pose that does not exist, gives NaN.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from optimiser.evaluation.clearance.engine.components import (
    Vector,
    along,
    as_arrays,
    cross,
    dot,
    length,
    minus,
    over_blocks,
    unit_interval,
)

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from optimiser.linkage.vectors import Array

_SMALLEST = float(np.finfo(np.float64).tiny)
_TINY = 1e-30
"""Added to a length that may be zero before dividing by it. A real length swallows it; a zero
length gives a huge number without the risk of overflow, and clipping brings it back."""
_NORMAL_MM = 1e-6
"""Closer than this, two points no longer give a reliable direction."""


# --- segment to segment ------------------------------------------------------------------------


def segment_segment_distance(p0: ArrayLike, p1: ArrayLike, q0: ArrayLike, q1: ArrayLike) -> Array:
    """Least distance in mm between the segments p0-p1 and q0-q1.

    Args:
        p0: end of the first segment, (..., 3) mm; all four broadcast.
        p1: its other end; the same point makes the segment a point.
        q0: end of the second segment.
        q1: its other end.

    Returns:
        Distance (...), never negative. The clearance of two capsules is this minus both radii.

    Take the closest points of the two lines and bring first one, then the other into its
    segment, each time moving the partner to its closest point (Ericson, Real-Time Collision
    Detection, 2005, on the closest points of two segments; from memory). His parameter of the
    lines' closest point is a quotient of differences of scalar products; vector products are
    used instead. With segments at a small angle g to each other the difference loses the digits
    of g squared, the vector product only those of g, and then the distance keeps all of its own.
    """
    return over_blocks(segment_segment, as_arrays(p0, p1, q0, q1))


def segment_segment(p0: Vector, p1: Vector, q0: Vector, q1: Vector) -> Array:
    """`segment_segment_distance` of components."""
    return length(_closest_vector(p0, minus(p1, p0), q0, minus(q1, q0)))


def _closest_vector(p: Vector, u: Vector, q: Vector, v: Vector) -> Vector:
    """Vector from the segment q, q + v to the segment p, p + u where they are closest."""
    r = minus(p, q)
    c = cross(u, v)
    s = unit_interval(dot(cross(v, r), c) / (dot(c, c) + _SMALLEST))
    x = along(r, s, u)
    t = unit_interval(dot(x, v) / (dot(v, v) + _SMALLEST))
    y = along(r, -t, v)
    s = unit_interval(-dot(y, u) / (dot(u, u) + _SMALLEST))
    return along(y, s, u)


def segment_segment_normal(p0: Vector, p1: Vector, q0: Vector, q1: Vector) -> tuple[Array, Vector]:
    """Distance, and the direction from q0-q1 to p0-p1 where they are closest.

    The direction is of unit length, or shorter where the segments all but touch.
    """
    delta = _closest_vector(p0, minus(p1, p0), q0, minus(q1, q0))
    distance = length(delta)
    size = np.maximum(distance, _NORMAL_MM)
    return distance, (delta[0] / size, delta[1] / size, delta[2] / size)


# --- segment to box ----------------------------------------------------------------------------


def segment_box_distance(
    p0: ArrayLike, p1: ArrayLike, box_min: ArrayLike, box_max: ArrayLike
) -> Array:
    """Least signed distance in mm from the segment p0-p1 to an axis-aligned box.

    The signed distance of a point is its distance to the box when outside, and minus the
    distance to the nearest face when inside; this is its minimum along the segment. So a
    segment that passes through the box gives minus the depth of its deepest point.

            +--------------+
            |      | depth |
        o---|------x-------|---o       -(distance of x to the nearest face)
            |              |
            +--------------+

    Args:
        p0: end of the segment, (..., 3) mm; all four broadcast.
        p1: its other end; the same point makes the segment a point.
        box_min: corner of the box with the least coordinates.
        box_max: corner with the greatest coordinates.

    Returns:
        Signed distance (...). The clearance of a capsule is this minus its radius.

    Raises:
        ValueError: a coordinate of box_min exceeds that of box_max.

    The signed distance to a box is convex, so along a segment it has one minimum; closed form,
    see `_outside` and `_inside`. Elementary geometry; no source needed.
    """
    points = as_arrays(p0, p1, box_min, box_max)
    check_box(points[2], points[3])
    return over_blocks(segment_box, points)


def check_box(box_min: Array, box_max: Array) -> None:
    """Raise ValueError when a corner is on the wrong side."""
    if np.any(box_min > box_max):
        raise ValueError("a coordinate of box_min exceeds that of box_max")


def segment_box(p0: Vector, p1: Vector, low: Vector, high: Vector) -> Array:
    """`segment_box_distance` of components."""
    _, y, w, h = _box_frame(p0, p1, low, high)
    excess, enters = _outside(y, w, h)
    return _signed(length(excess), enters, y, w, h)


def segment_box_normal(p0: Vector, p1: Vector, low: Vector, high: Vector) -> tuple[Array, Vector]:
    """Signed distance, and a unit direction that separates; all operands of one shape.

    Outside, the direction is that from the box to the segment where they are closest; inside,
    the outward normal of the face that the segment as a whole lies deepest below by the least.
    """
    mirror, y, w, h = _box_frame(p0, p1, low, high)
    excess, enters = _outside(y, w, h)
    distance = length(excess)
    size = np.maximum(distance, _NORMAL_MM)
    normal = _scaled(mirror, (excess[0] / size, excess[1] / size, excess[2] / size))
    index = (enters | (distance < _NORMAL_MM)).nonzero()
    if index[0].size:
        sign, *frame = (_chosen(v, index, enters.shape) for v in (mirror, y, w, h))
        for part, value in zip(normal, _scaled(sign, _best_face(*frame)), strict=True):
            part[index] = value
    return _signed(distance, enters, y, w, h), normal


def _box_frame(
    p0: Vector, p1: Vector, low: Vector, high: Vector
) -> tuple[Vector, Vector, Vector, Vector]:
    """Signs that mirror the axes so that no component of the segment's run is negative.

    Then start and run in those axes, from the middle of the box, and the box's half sizes.
    """
    run = minus(p1, p0)
    mirror = np.copysign(1.0, run[0]), np.copysign(1.0, run[1]), np.copysign(1.0, run[2])
    middle = tuple(0.5 * (a + b) for a, b in zip(low, high, strict=True))
    x, y, z = (0.5 * (b - a) for a, b in zip(low, high, strict=True))
    start = _scaled(mirror, minus(p0, (middle[0], middle[1], middle[2])))
    return mirror, start, (np.abs(run[0]), np.abs(run[1]), np.abs(run[2])), (x, y, z)


def _scaled(a: Vector, b: Vector) -> Vector:
    return a[0] * b[0], a[1] * b[1], a[2] * b[2]


def _chosen(a: Vector, index: tuple[NDArray[np.intp], ...], shape: tuple[int, ...]) -> Vector:
    x, y, z = (p[index] if p.shape == shape else np.broadcast_to(p, shape)[index] for p in a)
    return x, y, z


def _signed(distance: Array, enters: NDArray[np.bool_], y: Vector, w: Vector, h: Vector) -> Array:
    index = enters.nonzero()
    if index[0].size:
        distance[index] = _inside(*(_chosen(v, index, enters.shape) for v in (y, w, h)))
    return distance


def _outside(y: Vector, w: Vector, h: Vector) -> tuple[Vector, NDArray[np.bool_]]:
    """Vector from the box to the segment y, y + w where they are closest; True where it enters.

    Axis i of the line x = y + t w is below the box before near_i, above it after far_i, and has
    the excess e_i = x_i beyond -h_i..h_i. Half the slope of the squared distance is
    G(t) = sum of w_i e_i, which never falls.

              near_a           far_a
        e_a < 0 |      0         |  e_a > 0
        --------+----------------+---------> t

    Let `last` be the greatest near and `first` the least far: a line with last <= first is in
    the box between them. Any other line is closest to the box between first and last, because
    before first no e_i is positive and after last none is negative. In between, the axis (or
    axes) of `last` stays below and that of `first` stays above. The zero of their two terms of
    G lies on the same side of near_k and far_k of the third axis k as the zero of the whole
    of G: so either k has no excess there and the zero stands, or k's term is added.
    """
    near, far = [], []
    for yi, wi, hi in zip(y, w, h, strict=True):
        run = wi + _TINY
        near.append((-hi - yi) / run)
        far.append((hi - yi) / run)
    last = np.maximum(np.maximum(near[0], near[1]), near[2])
    first = np.minimum(np.minimum(far[0], far[1]), far[2])
    t = _slope_zero(y, w, h, [(n >= last, f <= first) for n, f in zip(near, far, strict=True)])
    t = np.minimum(np.maximum(t, np.minimum(first, last)), np.maximum(first, last))
    t = unit_interval(t)
    x = along(y, t, w)
    excess = minus(x, (_within(x[0], h[0]), _within(x[1], h[1]), _within(x[2], h[2])))
    return excess, np.maximum(last, 0.0) <= np.minimum(first, 1.0)


def _slope_zero(
    y: Vector,
    w: Vector,
    h: Vector,
    sides: list[tuple[NDArray[np.bool_], NDArray[np.bool_]]],
) -> Array:
    """Zero of G, see `_outside`: of the axes known to be (below, above), then with the third."""
    top: Array = np.zeros(())
    bottom: Array = np.full((), _TINY)
    for yi, wi, hi, (below, above) in zip(y, w, h, sides, strict=True):
        down, up = wi * below, wi * above
        top = top + (up - down) * hi - (up + down) * yi
        bottom = bottom + (up + down) * wi
    t = top / bottom
    for yi, wi, hi, (below, above) in zip(y, w, h, sides, strict=True):
        x = yi + t * wi
        face = _within(x, hi)
        active = wi * ((x != face) & ~(below | above))
        top = top + active * (face - yi)
        bottom = bottom + active * wi
    return top / bottom


def _within(x: Array, h: Array) -> Array:
    return np.minimum(np.maximum(x, -h), h)


def _inside(y: Vector, w: Vector, h: Vector) -> Array:
    """Least signed distance to the box of a segment y, y + w that enters it; not above zero.

    Inside, the signed distance is the greatest of six straight functions of t, three that rise
    (x_j - h_j) and three that fall (-x_i - h_i). The least value of such a greatest is that of
    the worst pair (Helly's theorem in one dimension): of the nine pairs of one that falls and
    one that rises, take each where the two cross, or at the end of the segment nearest to the
    crossing, and of those values the greatest.
    """
    worst: Array = np.full(y[0].shape, -np.inf)
    for yi, wi, hi in zip(y, w, h, strict=True):
        falling = -yi - hi
        for yj, wj, hj in zip(y, w, h, strict=True):
            rising = yj - hj
            t = unit_interval((falling - rising) / (wi + wj + _TINY))
            worst = np.maximum(worst, np.maximum(falling - t * wi, rising + t * wj))
    return worst


def _best_face(y: Vector, w: Vector, h: Vector) -> Vector:
    """Normal of the face that the segment y, y + w is least below, at its deepest point."""
    up = [yi - hi for yi, hi in zip(y, h, strict=True)]
    down = [-yi - wi - hi for yi, wi, hi in zip(y, w, h, strict=True)]
    best = np.argmax(np.stack([*up, *down]), axis=0)
    x, y_, z = ((best == i) * 1.0 - (best == i + 3) * 1.0 for i in range(3))
    return x, y_, z
