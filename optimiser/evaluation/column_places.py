"""Where the joints of a steering column go: on the steering wheel's shaft and on the pinion's axis.

    wheel W ---- w ----> U          U = W + w t, L = E + p s: t and s within their ranges
                         |
                         | m        from U to L, the middle shaft
                         v
    pinion E <--- p ---- L          bends: of w and m, and of m and -p

Both bends are the same, and the joints pass on every turn evenly, where (w + p) (L - U) = 0: that
is a straight line t - s = k in the plane of the two distances. For each s that place is looked at,
and those where a bend or the length comes to its limit, beside even steps of t. Of the places that
come within `WITHIN` of the best the one with the least s counts, then the one with the least t.
With one joint U and L are the points where the two pieces of lines are nearest.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import numpy as np

from optimiser.linkage.vectors import dot, norm, unit
from optimiser.metrics.universal_joint import bends

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from optimiser.evaluation.bolting import Column
    from optimiser.linkage.vectors import Array

    Rows = NDArray[np.intp]

WITHIN = 0.01
"""Degrees, per cent or mm by which places are not told apart."""
_NODES = 13
"""Places looked at along each of the two distances."""
_ZOOMS, _ZOOM_NODES, _SHRINK = 22, 5, 0.5
_FEW_NODES = 9
"""The same where clearance has to be measured at every place; there is no zoom then."""
_NEAR_ZERO = 1e-9
_ROUNDING = 1e-9
"""Millimetres of a length, and a thousandth of it of a cosine, that rounding leaves of a place at
its limit."""
_PERCENT = 100.0


class Clear(Protocol):
    """Whether nothing comes too close to the shafts with the joints at places.

    Of `rows` (n,) of the designs, lower joints at `lower` (n, S) and upper ones at `upper`
    (n, S, T); True where all is clear, (n, S, T).
    """

    def __call__(self, rows: Rows, lower: Array, upper: Array) -> NDArray[np.bool_]: ...  # noqa: D102
    def ever(self, rows: Rows) -> NDArray[np.bool_]:
        """Where some place may be clear, (n,): False where none can be, whatever the places."""
        ...


@dataclass(frozen=True, slots=True)
class Places:
    """Joints of N columns; NaN where the pinion is not known, and of what one joint has not.

    Attributes:
        upper: upper joint, or the point of the wheel's shaft nearest to the pinion's axis, (N, 3).
        lower: lower joint, or the nearest point of the pinion's axis, (N, 3).
        upper_mm: distance of the upper joint along the wheel's shaft, (N,).
        lower_mm: of the lower joint along the pinion's axis, (N,).
        upper_bend: of the upper joint, or of the only one, radians, (N,).
        lower_bend: of the lower joint, (N,).
        best_phase: see `metrics.universal_joint`, (N,).
        length_mm: of the middle shaft, (N,).
        miss_mm: with one joint by how much the axes miss one another, with two by how much the
            middle shaft is too short or too long, (N,).
    """

    upper: Array
    lower: Array
    upper_mm: Array
    lower_mm: Array
    upper_bend: Array
    lower_bend: Array
    best_phase: Array
    length_mm: Array
    miss_mm: Array


def find_places(column: Column, end: Array, pinion: Array, clear: Clear | None = None) -> Places:
    """Joints of N columns.

    With two joints the least ripple at the best phase, both bends within the limit, the shaft of a
    length that is allowed, and everything clear. If there is no such place, the least greater bend
    of those with an allowed length; if there is none either, the length least off.

    Args:
        column: the column.
        end: end of the pinion housing, (N, 3).
        pinion: direction of the pinion's axis, outward, (N, 3).
        clear: see `Clear`; None where nothing is to be kept clear of.
    """
    count = len(end)
    s, t = np.full(count, np.nan), np.full(count, np.nan)
    rows = np.flatnonzero(np.isfinite(end).all(axis=1) & np.isfinite(pinion).all(axis=1))
    if len(rows):
        among = None if clear is None else _Among(clear, rows)
        find = _meeting if column.joints == 1 else _best_places
        s[rows], t[rows] = find(_Lines(column, end[rows], pinion[rows]), among)
    return _places(column, end, pinion, s, t)


class _Among:
    """A `Clear` of designs that are counted among some `rows`."""

    def __init__(self, clear: Clear, rows: Rows) -> None:
        self._clear, self._rows = clear, rows

    def __call__(self, rows: Rows, lower: Array, upper: Array) -> NDArray[np.bool_]:
        return self._clear(self._rows[rows], lower, upper)

    def ever(self, rows: Rows) -> NDArray[np.bool_]:
        return self._clear.ever(self._rows[rows])


def _places(column: Column, end: Array, pinion: Array, s: Array, t: Array) -> Places:
    wheel, axis = np.array(column.wheel), np.array(column.axis)
    upper, lower = wheel + axis * t[:, None], end + pinion * s[:, None]
    between = lower - upper
    if column.joints == 1:
        bend, _, _ = bends(axis, -pinion, pinion)
        none = np.full(len(end), np.nan)
        bend = np.where(np.isnan(s), np.nan, bend)
        return Places(upper, lower, t, s, bend, none, none, none, norm(between))
    length = norm(between)
    middle = unit(between)
    one, other, phase = bends(np.broadcast_to(axis, middle.shape), middle, pinion)
    miss = _off(length, column)
    return Places(upper, lower, t, s, one, other, phase, length, miss)


def _off(length: Array, column: Column) -> Array:
    low, high = column.length_mm
    off = np.maximum(low - length, length - high)
    return np.where(off <= _ROUNDING, 0.0, off)


# --- one joint -----------------------------------------------------------------------------------


class _Lines:
    """The two lines of n columns, and what places on them come to."""

    def __init__(self, column: Column, end: Array, pinion: Array) -> None:
        self.column, self.end, self.pinion = column, end, pinion
        self.wheel, self.axis = np.array(column.wheel), np.array(column.axis)
        with np.errstate(divide="ignore", invalid="ignore"):
            both = self.axis + pinion
            along = dot(both, end - self.wheel)
            self.even = along / (1.0 + dot(pinion, self.axis))
        """t - s where both bends are the same, (n,); not finite where they are so everywhere."""

    def select(self, rows: Rows | NDArray[np.bool_]) -> _Lines:
        return _Lines(self.column, self.end[rows], self.pinion[rows])

    def between(self, s: Array, t: Array) -> tuple[Array, Array, Array]:
        """Length (n, S, T) of the middle shaft, and the cosines of both bends."""
        lower = self.end[:, None] + self.pinion[:, None] * s[..., None]
        upper = self.wheel + self.axis * t[..., None]
        apart = lower[:, :, None] - upper
        length = np.sqrt(dot(apart, apart))
        with np.errstate(divide="ignore", invalid="ignore"):
            first = dot(apart, self.axis) / length
            second = -dot(apart, self.pinion[:, None, None]) / length
        return length, np.minimum(first, 1.0), np.minimum(second, 1.0)


def _meeting(lines: _Lines, clear: Clear | None) -> tuple[Array, Array]:
    """Distances s and t (n,) at which two pieces of straight lines are nearest.

    The nearest points of the two whole lines, held to the piece of the one, then of the other, and
    once more: that is the nearest pair of the pieces. Elementary geometry. `clear` has no say.
    """
    column, w, p = lines.column, lines.axis, lines.pinion
    (s_low, s_high), (t_low, t_high) = column.lower_mm, column.upper_mm
    apart = lines.end - lines.wheel
    cos, along_w, along_p = dot(p, w), dot(apart, w), dot(apart, p)
    with np.errstate(divide="ignore", invalid="ignore"):
        s = (cos * along_w - along_p) / (1.0 - cos**2)
    s = np.clip(np.where(np.isfinite(s), s, s_low), s_low, s_high)
    t = np.clip(along_w + cos * s, t_low, t_high)
    s = np.clip(cos * t - along_p, s_low, s_high)
    return s, np.clip(along_w + cos * s, t_low, t_high)


# --- two joints ----------------------------------------------------------------------------------


class _Wish(Protocol):
    """What is made small over places (n, S) and (n, S, T): infinite where not allowed, (n, S, T).

    `nodes` are the places looked at along each distance; `points` and `rounds` see `_first_good`.
    """

    @property
    def nodes(self) -> int: ...
    @property
    def points(self) -> int: ...
    @property
    def rounds(self) -> int: ...
    def __call__(self, lines: _Lines, rows: Rows, s: Array, t: Array) -> Array: ...


def _best_places(lines: _Lines, clear: Clear | None) -> tuple[Array, Array]:
    count = len(lines.end)
    s, t = np.full(count, np.nan), np.full(count, np.nan)
    left = np.arange(count)
    for wish in (_Even(), _Bent(), _Missed()):
        found_s, found_t, found = _least(lines.select(left), left, wish)
        if isinstance(wish, _Even) and clear is not None and found.any():
            at = np.flatnonzero(found)
            open_ = clear(left[at], found_s[at, None], found_t[at, None, None])[:, 0, 0]
            blocked = at[~open_]
            hopeless = blocked[~clear.ever(left[blocked])]
            found[hopeless] = False
            blocked = np.setdiff1d(blocked, hopeless)
            if len(blocked):
                again = _least(lines.select(left[blocked]), left[blocked], _Kept(clear))
                found_s[blocked], found_t[blocked], found[blocked] = again
        s[left[found]], t[left[found]] = found_s[found], found_t[found]
        left = left[~found]
        if not len(left):
            break
    return s, t


class _Even:
    """Ripple at the best phase, per cent, of bends within the limit and an allowed length."""

    nodes, points, rounds = _NODES, 1, 30

    def __call__(self, lines: _Lines, rows: Rows, s: Array, t: Array) -> Array:
        length, first, second = lines.between(s, t)
        limit = np.cos(lines.column.joint_limit) - 1e-3 * _ROUNDING
        allowed = (first >= limit) & (second >= limit) & (_off(length, lines.column) == 0.0)
        with np.errstate(divide="ignore", invalid="ignore"):
            ripple = _PERCENT * (np.maximum(first / second, second / first) ** 2 - 1.0)
        return np.where(allowed, ripple, np.inf)


class _Kept(_Even):
    """The same of places at which everything is clear."""

    nodes, points, rounds = _FEW_NODES, 8, 9

    def __init__(self, clear: Clear) -> None:
        self._clear = clear

    def __call__(self, lines: _Lines, rows: Rows, s: Array, t: Array) -> Array:
        values = super().__call__(lines, rows, s, t)
        # A design of which no place is allowed has nothing to be looked at.
        some = np.flatnonzero(np.isfinite(values).any(axis=(1, 2)))
        if len(some):
            is_clear = self._clear(rows[some], s[some], t[some])
            values[some] = np.where(is_clear, values[some], np.inf)
        return values


class _Bent:
    """The greater bend, degrees, of an allowed length."""

    nodes, points, rounds = _NODES, 1, 30

    def __call__(self, lines: _Lines, rows: Rows, s: Array, t: Array) -> Array:
        length, first, second = lines.between(s, t)
        bend = np.degrees(np.arccos(np.clip(np.minimum(first, second), -1.0, 1.0)))
        return np.where(_off(length, lines.column) == 0.0, bend, np.inf)


class _Missed:
    """By how much the middle shaft is too short or too long, mm."""

    nodes, points, rounds = _NODES, 1, 30

    def __call__(self, lines: _Lines, rows: Rows, s: Array, t: Array) -> Array:
        return _off(lines.between(s, t)[0], lines.column)


def _least(lines: _Lines, rows: Rows, wish: _Wish) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Distances s and t (n,) of the least wish, and whether any place is allowed."""
    steps = np.linspace(*lines.column.lower_mm, wish.nodes)
    steps = np.broadcast_to(steps, (len(rows), wish.nodes))
    values = _best_over_upper(lines, rows, wish, steps)
    each = np.arange(len(rows))
    cell = np.argmin(values, axis=1)
    s, best = steps[each, cell], values[each, cell]
    found = np.isfinite(best)
    coarse = np.flatnonzero(found & (best > _NEAR_ZERO))
    if len(coarse) and wish.nodes == _NODES:
        s[coarse], best[coarse] = _zoomed(lines.select(coarse), rows[coarse], wish, s[coarse])
    t = np.full(len(rows), np.nan)
    near = np.flatnonzero(found)
    if len(near):
        some, enough = lines.select(near), best[near] + WITHIN
        good = values[near] <= enough[:, None]
        s[near] = _least_lower(some, rows[near], wish, enough, steps[near], s[near], good)
        t[near] = _least_upper(some, rows[near], wish, enough, s[near])
    return s, t, found


def _best_over_upper(lines: _Lines, rows: Rows, wish: _Wish, s: Array) -> Array:
    """The least wish over all upper places that are looked at, of lower places (n, S)."""
    return np.asarray(wish(lines, rows, s, _upper_nodes(lines, s, wish.nodes)).min(axis=2))


def _upper_nodes(lines: _Lines, s: Array, nodes: int) -> Array:
    """Upper places (n, S, T) for lower ones (n, S), rising.

    Even steps, and what the least wish may lie at: equal bends; a bend at its limit; the length at
    its limits; the least lower bend and the least length. All are roots of linear or quadratic
    equations in t, with d from W to L: `w d - t = r / tan(limit)`, r the distance of L from the
    line; `-p (d - w t) = cos(limit) |d - w t|`; `|d - w t| = length`.
    """
    column, w, p = lines.column, lines.axis, lines.pinion
    low, high = column.upper_mm
    d = lines.end[:, None] - lines.wheel + p[:, None] * s[..., None]
    along, square = dot(d, w), dot(d, d)
    ahead, facing = -dot(d, p[:, None]), -dot(p, w)[:, None]
    aside = np.maximum(square - along**2, 0.0)
    cos = np.cos(column.joint_limit)
    with np.errstate(divide="ignore", invalid="ignore"):
        special = [
            lines.even[:, None] + s,
            along - np.sqrt(aside) / np.tan(column.joint_limit),
            *_roots(
                facing**2 - cos**2,
                cos**2 * along - ahead * facing,
                ahead**2 - cos**2 * square,
            ),
            (facing * square - ahead * along) / (facing * along - ahead),
            along,
            *_roots(np.ones_like(s), -along, square - column.length_mm[0] ** 2),
            *_roots(np.ones_like(s), -along, square - column.length_mm[1] ** 2),
        ]
    steps = np.broadcast_to(np.linspace(low, high, nodes), (*s.shape, nodes))
    more = np.stack(special, axis=-1)
    inside = np.where((more >= low) & (more <= high), more, low)
    return np.sort(np.concatenate([steps, inside], axis=-1), axis=-1)


def _roots(a: Array, half_b: Array, c: Array) -> tuple[Array, Array]:
    """Both roots of a t^2 + 2 b t + c = 0; not finite where there are none."""
    root = np.sqrt(half_b**2 - a * c)
    return (-half_b - root) / a, (-half_b + root) / a


def _zoomed(lines: _Lines, rows: Rows, wish: _Wish, s: Array) -> tuple[Array, Array]:
    """The least wish (n,) near lower places, on ever finer steps about the best so far."""
    ends = lines.column.lower_mm
    half, each = (ends[1] - ends[0]) / (_NODES - 1.0), np.arange(len(rows))
    best = np.full(len(rows), np.inf)
    for _ in range(_ZOOMS):
        near = np.clip(s[:, None] + half * np.linspace(-1.0, 1.0, _ZOOM_NODES), *ends)
        values = _best_over_upper(lines, rows, wish, near)
        cell = np.argmin(values, axis=1)
        s, best = near[each, cell], values[each, cell]
        half *= _SHRINK
    return s, best


def _least_lower(
    lines: _Lines,
    rows: Rows,
    wish: _Wish,
    enough: Array,
    steps: Array,
    best: Array,
    good: NDArray[np.bool_],
) -> Array:
    """The least s (n,) at which some t comes up to `enough`.

    Between the first of the steps that is good, or the best place where that comes before, and the
    step before it.
    """
    first, each = np.argmax(good, axis=1), np.arange(len(rows))
    high = np.where(good.any(axis=1), np.minimum(steps[each, first], best), best)
    before = np.sum(steps < high[:, None], axis=1)
    low = np.where(before > 0, steps[each, np.maximum(before - 1, 0)], high)
    open_ = np.flatnonzero(low < high)
    if len(open_):
        some, few, upto = lines.select(open_), rows[open_], enough[open_]
        high[open_] = _first_good(
            low[open_],
            high[open_],
            lambda at: _best_over_upper(some, few, wish, at) <= upto[:, None],
            wish,
        )
    return np.asarray(high)


def _least_upper(lines: _Lines, rows: Rows, wish: _Wish, enough: Array, s: Array) -> Array:
    """Likewise the least t (n,) at these s."""
    t = _upper_nodes(lines, s[:, None], wish.nodes)
    good = wish(lines, rows, s[:, None], t)[:, 0] <= enough[:, None]
    first, each = np.argmax(good, axis=1), np.arange(len(rows))
    high, low = t[each, 0, first], t[each, 0, np.maximum(first - 1, 0)]
    return _first_good(
        low,
        high,
        lambda at: wish(lines, rows, s[:, None], at[:, None])[:, 0] <= enough[:, None],
        wish,
    )


def _first_good(
    low: Array, high: Array, is_good: Callable[[Array], NDArray[np.bool_]], wish: _Wish
) -> Array:
    """The least good distance (n,) between one that is not, and one that is.

    Args:
        low: not good, or the same as `high`, (n,).
        high: good, (n,).
        is_good: of distances (n, k) whether each is.
        wish: how many points are looked at between the two at once, and how often.
    """
    share = np.arange(1.0, wish.points + 1.0) / (wish.points + 1.0)
    each = np.arange(len(low))
    for _ in range(wish.rounds):
        at = low[:, None] + share * (high - low)[:, None]
        path = np.concatenate([low[:, None], at, high[:, None]], axis=1)
        good = np.concatenate([is_good(at), np.ones((len(low), 1), dtype=bool)], axis=1)
        first = np.argmax(good, axis=1)
        low, high = path[each, first], path[each, first + 1]
    return high
