"""Exact distance of a segment to a solid cylinder with flat ends: a disc, a drum, a canister.

        h        h              axis k from q0 to q1, middle m, half length h, radius R
    +-------+-------+           a point stands a along the axis from m, and rho off it;
    |       m------>| k         beyond the ends by |a| - h, beyond the side by rho - R
    +-------+-------+

The signed distance is the length of both excesses outside, and the greater of the two (the least
way out, negative) inside. It is convex, so along a segment it has one minimum: outside that of
half its square, whose slope is continuous and never falls and is brought to zero; inside by
bisection. Elementary geometry; no source needed.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from optimiser.evaluation.clearance.engine.components import (
    Vector,
    along,
    as_arrays,
    dot,
    length,
    minus,
    over_blocks,
    unit_interval,
)

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from optimiser.linkage.vectors import Array

_TINY = 1e-30
_STEPS, _STILL = 80, 1e-13
"""Of the way to the slope's zero, most of which end after ten; and the share of the greatest slope
that counts as none."""
_HALVINGS = 48
_NORMAL_MM = 1e-6


def segment_cylinder_distance(
    p0: ArrayLike, p1: ArrayLike, q0: ArrayLike, q1: ArrayLike, radius: ArrayLike
) -> Array:
    """Least signed distance in mm from the segment p0-p1 to a cylinder.

    Args:
        p0: end of the segment, (..., 3) mm; all broadcast.
        p1: its other end; the same point makes the segment a point.
        q0: middle of one flat end of the cylinder.
        q1: middle of the other.
        radius: of the cylinder, (...) mm.

    Returns:
        Signed distance (...). The clearance of a capsule is this minus its radius.
    """
    size = np.asarray(radius, dtype=float)[..., None] * np.ones(3)
    return over_blocks(segment_cylinder, as_arrays(p0, p1, q0, q1, size))


def segment_cylinder(p0: Vector, p1: Vector, q0: Vector, q1: Vector, size: Vector) -> Array:
    """`segment_cylinder_distance` of components; the first of `size` is the radius."""
    return _nearest(p0, p1, q0, q1, size)[0]


def segment_cylinder_normal(
    p0: Vector, p1: Vector, q0: Vector, q1: Vector, size: Vector
) -> tuple[Array, Vector]:
    """Signed distance, and a direction that separates: of unit length, or shorter."""
    distance, t, (axis, middle, half) = _nearest(p0, p1, q0, q1, size)
    off = minus(along(p0, t, minus(p1, p0)), middle)
    a = dot(off, axis)
    radial = along(off, -a, axis)
    rho = length(radial)
    side, end = rho - size[0], np.abs(a) - half
    outside = (side > 0.0) | (end > 0.0)
    deepest = side > end
    out = np.where(outside, np.maximum(side, 0.0), 1.0 * deepest)
    up = np.where(outside, np.maximum(end, 0.0), 1.0 * ~deepest) * np.sign(a)
    scale = 1.0 / np.maximum(np.hypot(out, up), _NORMAL_MM)
    out, up = out * scale / np.maximum(rho, _NORMAL_MM), up * scale
    x, y, z = (out * r + up * k for r, k in zip(radial, axis, strict=True))
    return distance, (x, y, z)


def cylinder_reach(n: Vector, q0: Vector, q1: Vector, size: Vector) -> Array:
    """How far a cylinder reaches along a direction n."""
    axis, middle, half = _frame(q0, q1)
    up = dot(n, axis)
    across = np.sqrt(np.maximum(dot(n, n) - up * up, 0.0))
    return dot(n, middle) + half * np.abs(up) + size[0] * across


def cylinder_box(start: Array, end: Array, radius: Array) -> tuple[Array, Array]:
    """Least and greatest coordinates (K, 3) of cylinders from `start` to `end`, (K, 3)."""
    run = end - start
    square = np.sum(run * run, axis=-1, keepdims=True)
    across = radius[:, None] * np.sqrt(np.maximum(1.0 - run * run / (square + _TINY), 0.0))
    return np.minimum(start, end) - across, np.maximum(start, end) + across


def _frame(q0: Vector, q1: Vector) -> tuple[Vector, Vector, Array]:
    run = minus(q1, q0)
    size = length(run)
    scale = 1.0 / (size + _TINY)
    axis = run[0] * scale, run[1] * scale, run[2] * scale
    return axis, along(q0, np.full((), 0.5), run), 0.5 * size


def _nearest(
    p0: Vector, p1: Vector, q0: Vector, q1: Vector, size: Vector
) -> tuple[Array, Array, tuple[Vector, Vector, Array]]:
    """Signed distance, where on the segment it is, and axis, middle and half length."""
    axis, middle, half = frame = _frame(q0, q1)
    run, off = minus(p1, p0), minus(p0, middle)
    low, rise = dot(off, axis), dot(run, axis)
    start, across = along(off, -low, axis), along(run, -rise, axis)
    line = _Line(
        *np.broadcast_arrays(
            low,
            rise,
            dot(across, across),
            dot(start, across),
            dot(start, start),
            size[0],
            half,
        )
    )
    t = line.nearest()
    distance = np.asarray(line.distance(t))
    index = np.nonzero(distance < _NORMAL_MM)
    if index[0].size:
        some = line.some(index)
        t[index] = some.deepest()
        distance[index] = some.distance(t[index])
    return distance, t, frame


class _Line:
    """Segments in a cylinder's axes: a = low + t rise, rho^2 = c + 2 b t + s t^2."""

    __slots__ = ("b", "c", "half", "low", "radius", "rise", "s")

    def __init__(
        self, low: Array, rise: Array, s: Array, b: Array, c: Array, radius: Array, half: Array
    ) -> None:
        self.low, self.rise, self.s, self.b, self.c = low, rise, s, b, c
        self.radius, self.half = radius, half

    def some(self, index: tuple[NDArray[np.intp], ...]) -> _Line:
        return _Line(
            *(
                value[index]
                for value in (self.low, self.rise, self.s, self.b, self.c, self.radius, self.half)
            )
        )

    def at(self, t: Array) -> tuple[Array, Array, Array]:
        """Height along the axis, distance off it, and its slope."""
        rho = np.sqrt(np.maximum(self.c + t * (2.0 * self.b + t * self.s), 0.0))
        return self.low + t * self.rise, rho, (self.b + t * self.s) / (rho + _TINY)

    def distance(self, t: Array) -> Array:
        a, rho, _ = self.at(t)
        side, end = rho - self.radius, np.abs(a) - self.half
        outside = np.hypot(np.maximum(side, 0.0), np.maximum(end, 0.0))
        return np.where((side < 0.0) & (end < 0.0), np.maximum(side, end), outside)

    def slope(self, t: Array) -> Array:
        """Of half the squared distance; 0 inside."""
        a, rho, out = self.at(t)
        up = np.maximum(np.abs(a) - self.half, 0.0) * np.sign(a) * self.rise
        return np.asarray(up + np.maximum(rho - self.radius, 0.0) * out)

    def nearest(self) -> Array:
        """Where the squared distance is least, a zero of the slope or an end; NaN stays NaN."""
        low, high = np.zeros(self.s.shape), np.ones(self.s.shape)
        falls, rises = self.slope(low), self.slope(high)
        t = np.where(falls >= 0.0, low, high) + 0.0 * falls * rises
        index = np.nonzero((falls < 0.0) & (rises > 0.0))
        if index[0].size:
            some = self.some(index)
            t[index] = some.zero(falls[index], rises[index])
        return t

    def zero(self, falls: Array, rises: Array) -> Array:
        """Zero of the slope, which is `falls` < 0 at 0 and `rises` > 0 at 1.

        False position with the weight of an end that stays halved (Illinois; from memory).
        """
        low, high, t = np.zeros_like(falls), np.ones_like(falls), np.zeros_like(falls)
        side, still = np.zeros(len(falls)), _STILL * (rises - falls)
        for step in range(_STEPS):
            t = (low * rises - high * falls) / (rises - falls)
            if step % 4 == 3:  # where the slope has a knee, false position creeps
                t = 0.5 * (low + high)
            value = self.slope(t)
            if not np.any((np.abs(value) > still) & (high - low > _STILL)):
                break
            below = value < 0.0
            low, high = np.where(below, t, low), np.where(below, high, t)
            falls = np.where(below, value, np.where(side > 0.0, 0.5 * falls, falls))
            rises = np.where(below, np.where(side < 0.0, 0.5 * rises, rises), value)
            rises = np.maximum(rises, _TINY)
            side = np.where(below, -1.0, 1.0)
        return unit_interval(t)

    def deepest(self) -> Array:
        """Where the signed distance is least, of segments that enter."""
        low, high = np.zeros(self.s.shape), np.ones(self.s.shape)
        for _ in range(_HALVINGS):
            t = 0.5 * (low + high)
            a, rho, out = self.at(t)
            side, end = rho - self.radius, np.abs(a) - self.half
            inside = np.where(side > end, out, np.sign(a) * self.rise)
            slope = np.where((side > 0.0) | (end > 0.0), self.slope(t), inside)
            low, high = np.where(slope < 0.0, t, low), np.where(slope < 0.0, high, t)
        ends = np.stack([np.zeros_like(low), np.ones_like(low), 0.5 * (low + high)])
        best = np.argmin(np.stack([self.distance(t) for t in ends]), axis=0)
        return np.asarray(np.take_along_axis(ends, best[None], axis=0)[0])
