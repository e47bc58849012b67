r"""Distance of a segment to the rim around the wheel: a wall with an edge at either end.

    radius  =====+================+=====    rho, from the axle
                 |  wall: all beyond |      the wall W is all at rho >= R and |a| <= h, since
           edge  x                   |      behind the rim is the tyre; its edges are circles
            d \                      |
               o----- segment        |
        - - - - -|- - - - + - - - - -|- -   axle, a along it from the middle of the cylinder
                 |<- half_width ->|

Where a point of the segment stands along the axle and off it, a and rho, is all that counts:

    beside the wall, |a| > h     hypot(max(R - rho, 0), |a| - h)      to the edge, or the end face
    within, |a| <= h             max(R - rho, |a| - h)                negative in the wall itself

Along the segment rho is convex, so that within the wall's width the least lies at one of a few
points known in closed form. Beside it the least distance to a circle is sought: the best of a few
samples, then bisection of the slope about it. Elementary geometry.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from optimiser.evaluation.clearance.engine.components import (
    BLOCK,
    Vector,
    as_arrays,
    dot,
    minus,
    split,
    unit_interval,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import ArrayLike, NDArray

    from optimiser.linkage.vectors import Array

_TINY = 1e-30
_SAMPLES = 9
_HALVINGS = 16  # of a quarter of a tie rod: to a thousandth of a millimetre along it
_FAR_MM = 1e6


def minimum_segment_rim(
    p0: ArrayLike,
    p1: ArrayLike,
    centre: ArrayLike,
    axis: ArrayLike,
    radius: float,
    half_width: float,
    *,
    ceiling: float = _FAR_MM,
) -> Array:
    """Least signed distance in mm of the segment p0-p1 to the wall of a rim over the poses.

    Args:
        p0: end of the segment, (N, poses, 3) mm; the arrays broadcast.
        p1: its other end; the same point makes the segment a point.
        centre: middle of the cylinder, (N, poses, 3) mm.
        axis: unit vector along the axle, (N, poses, 3).
        radius: inside radius of the rim, mm.
        half_width: how far it reaches from its middle along the axle, mm.
        ceiling: a distance beyond it is returned as the ceiling, for next to nothing.

    Returns:
        Distance (N,), negative where the segment is in the wall: minus the way out of its
        deepest point. NaN when any pose is NaN. The clearance of a capsule is this minus its
        radius.
    """
    points = as_arrays(p0, p1, centre, axis)
    count, poses, _ = np.broadcast_shapes(*(point.shape for point in points))
    out, step = np.empty(count), max(1, BLOCK // poses)
    rows: list[NDArray[np.intp]] = []
    kept: list[AxleLine] = []
    for start in range(0, count, step):
        part = slice(start, min(count, start + step))
        p, q, middle, k = (split(point[part] if len(point) > 1 else point) for point in points)
        line = AxleLine(*np.broadcast_arrays(*axle_line(minus(p, middle), minus(q, middle), k)))
        floor, roof = wall_bounds(line, radius, half_width, ceiling)
        out[part] = np.minimum(np.min(roof, axis=1), ceiling)
        # Only poses that may hold the least are measured, those of all designs together.
        row, pose = np.nonzero(floor < out[part, None])
        rows.append(row + start)
        kept.append(AxleLine(*(values[row, pose] for values in line)))
    if sum(map(len, rows)):
        close = AxleLine(*(np.concatenate(parts) for parts in zip(*kept, strict=True)))
        found = _measured(close, radius, half_width, ceiling)
        np.minimum.at(out, np.concatenate(rows), found)
    return out


class AxleLine(NamedTuple):
    """Segments seen from the axle: a = low + t run, rho^2 = c + 2 b t + s t^2, t from 0 to 1."""

    low: Array
    run: Array
    s: Array
    b: Array
    c: Array

    def off_axle(self, t: Array) -> Array:
        """Distance of the points t from the axle."""
        return np.sqrt(np.maximum(self.c + t * (2.0 * self.b + t * self.s), 0.0))

    def distance(self, t: Array, radius: float, half: float) -> Array:
        """Signed distance of the points t to the wall."""
        below, beside = radius - self.off_axle(t), np.abs(self.low + t * self.run) - half
        outside = np.hypot(np.maximum(below, 0.0), beside)
        return np.where(beside > 0.0, outside, np.maximum(below, beside))

    def slope(self, t: Array, radius: float, half: float) -> Array:
        """Half the derivative of the squared distance to the edge, of points beside the wall."""
        rho = self.off_axle(t)
        height = self.low + t * self.run
        beside = (np.abs(height) - half) * np.sign(height) * self.run
        return np.asarray(
            beside - np.maximum(radius - rho, 0.0) * (self.b + t * self.s) / (rho + _TINY)
        )

    def between(self, low: float, high: float) -> tuple[Array, Array]:
        """First and last t where low <= a <= high; the first is greater where there is none."""
        run = np.where(np.abs(self.run) < _TINY, _TINY, self.run)
        one, other = (low - self.low) / run, (high - self.low) / run
        first, last = np.minimum(one, other), np.maximum(one, other)
        return np.maximum(first, 0.0), np.minimum(last, 1.0)


def axle_line(start: Vector, end: Vector, k: Vector) -> AxleLine:
    """Segments from `start` to `end`, counted from a point of the axle k."""
    low, high = dot(start, k), dot(end, k)
    run = high - low
    off = (start[0] - low * k[0], start[1] - low * k[1], start[2] - low * k[2])
    u = minus(end, start)
    across = (u[0] - run * k[0], u[1] - run * k[1], u[2] - run * k[2])
    return AxleLine(low, run, dot(across, across), dot(off, across), dot(off, off))


def _measured(line: AxleLine, radius: float, half: float, ceiling: float) -> Array:
    """Least distance of each of the lines (n,)."""
    found = _within(line, radius, half)
    for low, high in _sides(line, half, ceiling):
        found = np.minimum(found, _beside(line, radius, half, low, high))
    return found


def _sides(line: AxleLine, half: float, ceiling: float) -> Iterator[tuple[float, float]]:
    """Heights along the axle beside the wall, on the sides where any line is."""
    other = line.low + line.run
    if np.any(np.maximum(line.low, other) > half):
        yield half, half + ceiling
    if np.any(np.minimum(line.low, other) < -half):
        yield -half - ceiling, -half


def wall_bounds(line: AxleLine, radius: float, half: float, ceiling: float) -> tuple[Array, Array]:
    """What the distance of each line cannot fall below, and what it does not exceed.

    Seen as R - rho over |a| - h a segment bends away from the corner where both are 0: its chord
    is nearer. The chord's nearest point is a point of the line itself, not far from its nearest.
    """
    first, last = line.between(-half, half)
    widest = np.maximum(line.off_axle(first), line.off_axle(last))
    inside = first <= last
    # In the wall's width: at its ends, or somewhere in the wall, but no deeper than that.
    floor = np.where(widest > radius, -np.minimum(widest - radius, half), radius - widest)
    floor = np.where(inside, floor, np.inf)
    roof = np.where(inside, np.maximum(radius - widest, 0.0), np.inf)
    for low, high in _sides(line, half, ceiling):
        first, last = line.between(low, high)
        ends = [
            (radius - line.off_axle(t), np.abs(line.low + t * line.run) - half)
            for t in (first, last)
        ]
        (x, y), (dx, dy) = ends[0], (ends[1][0] - ends[0][0], ends[1][1] - ends[0][1])
        share = unit_interval(-(x * dx + y * dy) / (dx * dx + dy * dy + _TINY))
        chord = np.hypot(np.maximum(x + share * dx, 0.0), y + share * dy)
        # A chord that leaves the bore on the way is no nearer than the wall's end face.
        crosses = np.minimum(x, x + dx) < 0.0
        chord = np.where(crosses, 0.0, chord)
        there = first <= last
        floor = np.minimum(floor, np.where(there, chord, np.inf))
        at = first + share * (last - first)
        roof = np.minimum(roof, np.where(there, line.distance(at, radius, half), np.inf))
    missing = np.isnan(line.c + line.b + line.s + line.run)  # all of what is made of both ends
    return np.where(missing, np.nan, floor), np.where(missing, np.nan, roof)


def _within(line: AxleLine, radius: float, half: float) -> Array:
    """Least at the ends, where the segment meets the wall's ends and its middle, and on ridges.

    On a ridge the ways out through the bore and past the end are equally long:
    rho = R + h -+ a, a quadratic in t.
    """
    run = np.where(np.abs(line.run) < _TINY, _TINY, line.run)
    at = [np.zeros_like(run), np.ones_like(run)]
    at += [(height - line.low) / run for height in (-half, 0.0, half)]
    for sign in (1.0, -1.0):
        # c + 2 b t + s t^2 = (w - sign run t)^2
        w, slope = radius + half - sign * line.low, sign * line.run
        a, b, c = line.s - slope * slope, line.b + w * slope, line.c - w * w
        root = np.sqrt(np.maximum(b * b - a * c, 0.0))
        for way in (1.0, -1.0):
            with np.errstate(divide="ignore", invalid="ignore"):
                t = np.where(np.abs(a) > 1e-12 * line.s, (-b + way * root) / a, -0.5 * c / b)
            at.append(np.nan_to_num(t))
    each = [line.distance(unit_interval(t), radius, half) for t in at]
    return np.asarray(np.minimum.reduce(each))


def _beside(line: AxleLine, radius: float, half: float, low: float, high: float) -> Array:
    """Least where low <= a <= high, beside the wall; infinite where there is no such part."""
    first, last = line.between(low, high)
    there = first <= last
    last = np.maximum(first, last)
    t = first + np.linspace(0.0, 1.0, _SAMPLES)[:, None] * (last - first)
    values = line.distance(t, radius, half)
    best = np.argmin(values, axis=0)
    rows = np.arange(len(first))
    least = values[best, rows]
    low_t = t[np.maximum(best - 1, 0), rows]
    high_t = t[np.minimum(best + 1, _SAMPLES - 1), rows]
    for _ in range(_HALVINGS):
        middle = 0.5 * (low_t + high_t)
        falls = line.slope(middle, radius, half) < 0.0
        low_t, high_t = np.where(falls, middle, low_t), np.where(falls, high_t, middle)
    least = np.minimum(least, line.distance(0.5 * (low_t + high_t), radius, half))
    return np.where(there, least, np.inf)
