"""Where the joints of a steering column go: on the steering wheel's shaft and on the pinion's axis.

    wheel W ---- w ----> U          U = W + w t, L = E + p s: t and s within their ranges
                         |
                         | m        from U to L, the middle shaft
                         v
    pinion E <--- p ---- L          bends: of w and m, and of m and -p

Both bends are the same, and the joints pass on every turn evenly, where (w + p) (L - U) = 0: that
is a straight line t - s = k in the plane of the two distances. For each s that place is looked at,
and those where a bend or the length comes to its limit, beside even steps of t; see `column_least`.
With one joint U and L are the points where the two pieces of lines are nearest.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import numpy as np

from optimiser.evaluation.column_least import (
    FEW_NODES,
    NODES,
    ROUNDING,
    WITHIN,
    Lines,
    least,
    off_length,
)
from optimiser.linkage.vectors import dot, norm, unit
from optimiser.metrics.universal_joint import bends

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimiser.evaluation.bolting import Column
    from optimiser.evaluation.column_least import Rows
    from optimiser.linkage.vectors import Array

_PERCENT = 100.0


class Clear(Protocol):
    """Whether nothing comes too close to the shafts with the joints at places.

    Of `rows` (n,) of the designs, lower joints at `lower` (n, S) and upper ones at `upper`
    (n, S, T), of which only the places `asked` (n, S, T) have to be looked at; True where all is
    clear there, (n, S, T).
    """

    def __call__(  # noqa: D102
        self, rows: Rows, lower: Array, upper: Array, asked: NDArray[np.bool_]
    ) -> NDArray[np.bool_]: ...
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
        s[rows], t[rows] = find(Lines(column, end[rows], pinion[rows]), among)
    return _places(column, end, pinion, s, t)


class _Among:
    """A `Clear` of designs that are counted among some `rows`."""

    def __init__(self, clear: Clear, rows: Rows) -> None:
        self._clear, self._rows = clear, rows

    def __call__(
        self, rows: Rows, lower: Array, upper: Array, asked: NDArray[np.bool_]
    ) -> NDArray[np.bool_]:
        return self._clear(self._rows[rows], lower, upper, asked)

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
    miss = off_length(length, column)
    return Places(upper, lower, t, s, one, other, phase, length, miss)


# --- one joint -----------------------------------------------------------------------------------


def _meeting(lines: Lines, clear: Clear | None) -> tuple[Array, Array]:
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


def _best_places(lines: Lines, clear: Clear | None) -> tuple[Array, Array]:
    count = len(lines.end)
    s, t = np.full(count, np.nan), np.full(count, np.nan)
    left = np.arange(count)
    for wish in (_Even(), _Bent(), _Missed()):
        found_s, found_t, found = least(lines.select(left), left, wish)
        if isinstance(wish, _Even) and clear is not None and found.any():
            at = np.flatnonzero(found)
            places = found_s[at, None], found_t[at, None, None]
            open_ = clear(left[at], *places, np.ones((len(at), 1, 1), dtype=bool))[:, 0, 0]
            blocked = at[~open_]
            hopeless = blocked[~clear.ever(left[blocked])]
            found[hopeless] = False
            blocked = np.setdiff1d(blocked, hopeless)
            if len(blocked):
                again = least(lines.select(left[blocked]), left[blocked], _Kept(clear))
                found_s[blocked], found_t[blocked], found[blocked] = again
        s[left[found]], t[left[found]] = found_s[found], found_t[found]
        left = left[~found]
        if not len(left):
            break
    return s, t


class _Even:
    """Ripple at the best phase, per cent, of bends within the limit and an allowed length."""

    nodes, points, rounds, within = NODES, 1, 30, WITHIN

    def __call__(self, lines: Lines, rows: Rows, s: Array, t: Array, upto: Array) -> Array:
        length, first, second = lines.between(s, t)
        limit = np.cos(lines.column.joint_limit) - 1e-3 * ROUNDING
        allowed = (first >= limit) & (second >= limit) & (off_length(length, lines.column) == 0.0)
        with np.errstate(divide="ignore", invalid="ignore"):
            ripple = _PERCENT * (np.maximum(first / second, second / first) ** 2 - 1.0)
        return np.where(allowed, ripple, np.inf)


class _Kept(_Even):
    """The same of places at which everything is clear."""

    nodes, points, rounds, within = FEW_NODES, 8, 9, WITHIN

    def __init__(self, clear: Clear) -> None:
        self._clear = clear

    def __call__(self, lines: Lines, rows: Rows, s: Array, t: Array, upto: Array) -> Array:
        values = super().__call__(lines, rows, s, t, upto)
        # A design of which no place is allowed has nothing to be looked at.
        asked = np.isfinite(values) & (values <= upto[:, None, None])
        some = np.flatnonzero(asked.any(axis=(1, 2)))
        clear = np.zeros(values.shape, dtype=bool)
        if len(some):
            clear[some] = self._clear(rows[some], s[some], t[some], asked[some])
        return np.where(asked & clear, values, np.inf)


class _Bent:
    """The greater bend, degrees, of an allowed length."""

    nodes, points, rounds, within = NODES, 1, 30, WITHIN

    def __call__(self, lines: Lines, rows: Rows, s: Array, t: Array, upto: Array) -> Array:
        length, first, second = lines.between(s, t)
        bend = np.degrees(np.arccos(np.clip(np.minimum(first, second), -1.0, 1.0)))
        return np.where(off_length(length, lines.column) == 0.0, bend, np.inf)


class _Missed:
    """By how much the middle shaft is too short or too long, mm."""

    nodes, points, rounds, within = NODES, 1, 30, ROUNDING

    def __call__(self, lines: Lines, rows: Rows, s: Array, t: Array, upto: Array) -> Array:
        return off_length(lines.between(s, t)[0], lines.column)
