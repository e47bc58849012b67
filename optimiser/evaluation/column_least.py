"""The least of a wish over places of two joints, each on its line.

For each lower place (s, along the pinion's axis) the upper places (t, along the wheel's shaft) are
even steps and those at which something special lies, see `_upper_nodes`. Then steps grow finer
about the best. Of the places that come within `WITHIN` of the best the one with the least s counts,
then the one with the least t.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

import numpy as np

from optimiser.linkage.vectors import dot

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from optimiser.evaluation.bolting import Column
    from optimiser.linkage.vectors import Array

    Rows = NDArray[np.intp]

WITHIN = 0.01
"""Degrees or per cent by which places are not told apart."""
NODES = 13
"""Places looked at along each of the two distances."""
FEW_NODES = 9
"""The same where clearance has to be measured at every place; there is no zoom then."""
ROUNDING = 1e-9
"""Millimetres of a length, and a thousandth of it of a cosine, that rounding leaves of a place at
its limit."""
_ZOOMS, _ZOOM_NODES, _SHRINK = 22, 5, 0.5
_NEAR_ZERO = 1e-9


def off_length(length: Array, column: Column) -> Array:
    """By how much lengths (...) of the middle shaft are beyond what is allowed, mm, (...)."""
    low, high = column.length_mm
    off = np.maximum(low - length, length - high)
    return np.where(off <= ROUNDING, 0.0, off)


class Lines:
    """The two lines of n columns, and what places on them come to."""

    def __init__(self, column: Column, end: Array, pinion: Array) -> None:
        self.column, self.end, self.pinion = column, end, pinion
        self.wheel, self.axis = np.array(column.wheel), np.array(column.axis)
        with np.errstate(divide="ignore", invalid="ignore"):
            both = self.axis + pinion
            along = dot(both, end - self.wheel)
            self.even = along / (1.0 + dot(pinion, self.axis))
        """t - s where both bends are the same, (n,); not finite where they are so everywhere."""

    def select(self, rows: Rows | NDArray[np.bool_]) -> Lines:
        """Some of the columns."""
        return Lines(self.column, self.end[rows], self.pinion[rows])

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


class Wish(Protocol):
    """What is made small over places (n, S) and (n, S, T): infinite where not allowed, (n, S, T).

    What is more than `upto` (n,) may be infinite too, where that saves work. `nodes` are the places
    looked at along each distance; `points` and `rounds` see `_first_good`; wishes that differ by no
    more than `within` are not told apart.
    """

    @property
    def nodes(self) -> int: ...  # noqa: D102
    @property
    def within(self) -> float: ...  # noqa: D102
    @property
    def points(self) -> int: ...  # noqa: D102
    @property
    def rounds(self) -> int: ...  # noqa: D102
    def __call__(  # noqa: D102
        self, lines: Lines, rows: Rows, s: Array, t: Array, upto: Array
    ) -> Array: ...


# --- the search -----------------------------------------------------------------------------------


def least(lines: Lines, rows: Rows, wish: Wish) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Distances s and t (n,) of the least wish, and whether any place is allowed.

    Where none is on even steps of s, what is allowed may lie between two of them.
    """
    steps = np.linspace(*lines.column.lower_mm, wish.nodes)
    s, t, found = _least_from(lines, rows, wish, np.broadcast_to(steps, (len(rows), wish.nodes)))
    lost = np.flatnonzero(~found)
    if len(lost):
        some = lines.select(lost)
        s[lost], t[lost], found[lost] = _least_from(some, rows[lost], wish, _lower_nodes(some))
    return s, t, found


def _least_from(
    lines: Lines, rows: Rows, wish: Wish, steps: Array
) -> tuple[Array, Array, NDArray[np.bool_]]:
    """The same from these lower places (n, S), rising."""
    values = _best_over_upper(lines, rows, wish, steps)
    each = np.arange(len(rows))
    cell = np.argmin(values, axis=1)
    s, best = steps[each, cell], values[each, cell]
    found = np.isfinite(best)
    coarse = np.flatnonzero(found & (best > _NEAR_ZERO))
    if len(coarse) and wish.nodes == NODES:
        s[coarse], best[coarse] = _zoomed(lines.select(coarse), rows[coarse], wish, s[coarse])
    t = np.full(len(rows), np.nan)
    near = np.flatnonzero(found)
    if len(near):
        some, enough = lines.select(near), best[near] + wish.within
        good = values[near] <= enough[:, None]
        s[near] = _least_lower(some, rows[near], wish, enough, steps[near], s[near], good)
        t[near] = _least_upper(some, rows[near], wish, enough, s[near])
    return s, t, found


def _best_over_upper(
    lines: Lines, rows: Rows, wish: Wish, s: Array, upto: Array | None = None
) -> Array:
    """The least wish over all upper places that are looked at, of lower places (n, S)."""
    upto = np.full(len(rows), np.inf) if upto is None else upto
    return np.asarray(wish(lines, rows, s, _upper_nodes(lines, s, wish.nodes), upto).min(axis=2))


def _upper_nodes(lines: Lines, s: Array, nodes: int) -> Array:
    """Upper places (n, S, T) for lower ones (n, S), rising: even steps, and `_special` ones."""
    low, high = lines.column.upper_mm
    d = lines.end[:, None] - lines.wheel + lines.pinion[:, None] * s[..., None]
    even = lines.even[:, None] + s
    more = np.stack([even, *_special(lines.column, d, lines.axis, lines.pinion[:, None])], axis=-1)
    steps = np.broadcast_to(np.linspace(low, high, nodes), (*s.shape, nodes))
    inside = np.where((more >= low) & (more <= high), more, low)
    return np.sort(np.concatenate([steps, inside], axis=-1), axis=-1)


def _lower_nodes(lines: Lines) -> Array:
    """Lower places (n, S), rising, at which something special lies for either end of the upper.

    There the lower places that are allowed begin and end, where the upper joint stands still or is
    at an end of its range.
    """
    low, high = lines.column.lower_mm
    t = np.array(lines.column.upper_mm)
    d = lines.wheel + lines.axis * t[:, None] - lines.end[:, None]
    even = t - lines.even[:, None]
    found = [even, *_special(lines.column, d, lines.pinion[:, None], lines.axis)]
    more = np.concatenate([np.broadcast_to(one, d.shape[:-1]) for one in found], axis=-1)
    return np.sort(np.where((more >= low) & (more <= high), more, low), axis=-1)


def _special(column: Column, d: Array, own: Array, other: Array) -> list[Array]:
    """Places of a joint on its line, (...) each, at which the least wish may lie.

    `d` (..., 3) goes from where the line begins to the other joint, `own` is the line's direction
    and `other` that of the other joint's. A bend is at its limit there, the length at either of
    its limits, or the other bend or the length is least. With r the distance of the other joint
    from the line these are roots of linear or quadratic equations in t: `own d - t = r /
    tan(limit)`; `-other (d - own t) = cos(limit) |d - own t|`; `|d - own t| = length`.
    """
    along, square = dot(d, own), dot(d, d)
    ahead, facing = -dot(d, other), -dot(other, own)
    aside = np.maximum(square - along**2, 0.0)
    cos, one = np.cos(column.joint_limit), np.ones_like(along)
    with np.errstate(divide="ignore", invalid="ignore"):
        return [
            along - np.sqrt(aside) / np.tan(column.joint_limit),
            *_roots(
                facing**2 - cos**2,
                cos**2 * along - ahead * facing,
                ahead**2 - cos**2 * square,
            ),
            (facing * square - ahead * along) / (facing * along - ahead),
            along,
            *_roots(one, -along, square - column.length_mm[0] ** 2),
            *_roots(one, -along, square - column.length_mm[1] ** 2),
        ]


def _roots(a: Array, half_b: Array, c: Array) -> tuple[Array, Array]:
    """Both roots of a t^2 + 2 b t + c = 0; not finite where there are none."""
    root = np.sqrt(half_b**2 - a * c)
    return (-half_b - root) / a, (-half_b + root) / a


def _zoomed(lines: Lines, rows: Rows, wish: Wish, s: Array) -> tuple[Array, Array]:
    """The least wish (n,) near lower places, on ever finer steps about the best so far."""
    ends = lines.column.lower_mm
    half, each = (ends[1] - ends[0]) / (NODES - 1.0), np.arange(len(rows))
    best = np.full(len(rows), np.inf)
    for _ in range(_ZOOMS):
        near = np.clip(s[:, None] + half * np.linspace(-1.0, 1.0, _ZOOM_NODES), *ends)
        values = _best_over_upper(lines, rows, wish, near)
        cell = np.argmin(values, axis=1)
        s, best = near[each, cell], values[each, cell]
        half *= _SHRINK
    return s, best


def _least_lower(
    lines: Lines,
    rows: Rows,
    wish: Wish,
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
            lambda at: _best_over_upper(some, few, wish, at, upto) <= upto[:, None],
            wish,
        )
    return np.asarray(high)


def _least_upper(lines: Lines, rows: Rows, wish: Wish, enough: Array, s: Array) -> Array:
    """Likewise the least t (n,) at these s."""
    t = _upper_nodes(lines, s[:, None], wish.nodes)
    good = wish(lines, rows, s[:, None], t, enough)[:, 0] <= enough[:, None]
    first, each = np.argmax(good, axis=1), np.arange(len(rows))
    high, low = t[each, 0, first], t[each, 0, np.maximum(first - 1, 0)]
    return _first_good(
        low,
        high,
        lambda at: wish(lines, rows, s[:, None], at[:, None], enough)[:, 0] <= enough[:, None],
        wish,
    )


def _first_good(
    low: Array, high: Array, is_good: Callable[[Array], NDArray[np.bool_]], wish: Wish
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
