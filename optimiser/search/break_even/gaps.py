"""Gaps between the ends: numbers with which no acceptable design is found.

       least  |x  x |   x | . . . | x  x|  greatest        windows, and acceptable designs known
              |     |     |  gap  |     |

A window without one is looked into from both sides and from candidates near it. Where none is found
it is a gap, whose edges are walked to from both sides. What is narrower than a window, an eighth of
the way, may be missed.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from optimiser.evaluation.designs import Designs
from optimiser.search.break_even.starts import WORTH_MM, placed, turned
from optimiser.search.break_even.stretched import (
    CLEARANCE,
    GREATEST,
    LEAST,
    Questions,
    broken,
    questions,
    rows_of,
)
from optimiser.search.break_even.walks import steps_of
from optimiser.search.residuals import Table

if TYPE_CHECKING:
    from collections.abc import Iterator

    from optimiser.search.break_even.stretched import Stretched

    Edges = dict[tuple[int, int], list[tuple[Table, Table]]]

WINDOWS = 8
BESIDE = 2
"""Designs on each side of a gap that walk to its edge."""
LOOKS = (0, 0, 6, 16)
"""Steps of the walks of each look into windows that are empty still."""


def edges_of(
    model: Stretched, known: Table, pool: Table
) -> dict[tuple[int, int], list[tuple[Table, Table]]]:
    """The designs at both ends of each stretch, by rack and number."""
    windows = _windows(model, known)
    known = _looked_into(model, known, pool, [w for w in windows if not w.filled(model, known)])
    gaps = [w for w in windows if not w.filled(model, known)]
    known = _beside_gaps(model, known, gaps)
    edges: dict[tuple[int, int], list[tuple[Table, Table]]] = {}
    for question in questions(known):
        rows = rows_of(known, question)
        at = model.number(known)[rows]
        rows, at = rows[np.argsort(at, kind="stable")], np.sort(at)
        cut = {int(np.searchsorted(at, w.middle)) for w in gaps if w.question == question}
        bounds = [0, *sorted(cut - {0, len(rows)}), len(rows)]
        if question[1] == CLEARANCE:
            bounds = [len(rows) - 1, len(rows)]
        edges[question] = [
            (known.select(rows[[first]]), known.select(rows[[after - 1]]))
            for first, after in pairwise(bounds)
        ]
    return edges


@dataclass(frozen=True, slots=True)
class _Window:
    """A part of the way from the least to the greatest number of a rack."""

    question: tuple[int, int]
    low: float
    high: float

    @property
    def middle(self) -> float:
        return 0.5 * (self.low + self.high)

    def filled(self, model: Stretched, known: Table) -> bool:
        """Whether one of some acceptable designs lies in it."""
        at = model.number(known)[rows_of(known, self.question)]
        return bool(((at >= self.low) & (at <= self.high)).any())


def _windows(model: Stretched, known: Table) -> list[_Window]:
    """What lies between the least and the greatest number of each rack, in equal parts."""
    number, found = model.number(known), []
    for question in questions(known):
        if question[1] == CLEARANCE:
            continue
        at = number[rows_of(known, question)]
        parts = np.linspace(at.min(), at.max(), WINDOWS + 1).tolist()
        found += [_Window(question, low, high) for low, high in pairwise(parts)]
    return found


def _looked_into(model: Stretched, known: Table, pool: Table, windows: list[_Window]) -> Table:
    """Acceptable designs, with those that are found within some windows, all empty at first.

    Looked at are designs half way between the nearest on both sides, these moved into the window,
    and candidates near it that break little; where none will do, walks begin there.
    """
    for steps in LOOKS:
        windows = [window for window in windows if not window.filled(model, known)]
        parts = [(table, w) for w in windows for table in _into(model, known, pool, w)]
        if not parts:
            break
        start = Table.join([table for table, _ in parts])
        start = model.table(start.scaled, start.like)
        low, high = model.bounds(start.like)
        for end, at in ((low, [w.low for _, w in parts]), (high, [w.high for _, w in parts])):
            end[:, -1] = model.with_number(start.like, np.array(at))[:, -1]
        there = np.isfinite(broken(start))
        if steps and there.any():
            some = start.select(there)
            start = steps_of(model, some, steps, (low[there], high[there])).table
        known = Table.join([known, start.select(start.feasible)])
    return known


def _into(model: Stretched, known: Table, pool: Table, window: _Window) -> Iterator[Table]:
    """Designs in a window, not evaluated."""
    for table, count in ((known, 2), (pool, 3)):
        rows = rows_of(table, window.question)
        at = model.number(table)[rows]
        away = np.abs(at - window.middle)
        if table is pool:
            away = away / WORTH_MM + broken(table)[rows]
            rows, away = rows[np.isfinite(away)], away[np.isfinite(away)]
            some = rows[np.argsort(away, kind="stable")[:count]]
        else:
            below, above = rows[at <= window.low], rows[at >= window.high]
            some = np.array(
                [below[np.argmax(at[at <= window.low])], above[np.argmin(at[at >= window.high])]]
            )
            first, second = table.like.values[some]
            if (first[model.held] == second[model.held]).all():
                blend = Designs(table.like.rack[some[:1]], 0.5 * (first + second)[None, :])
                yield turned(placed(model, blend, np.array([window.middle])), LEAST)
        for row in some.tolist():
            one = table.like.select(slice(row, row + 1))
            yield turned(placed(model, one, np.array([window.middle])), LEAST)


def _beside_gaps(model: Stretched, known: Table, gaps: list[_Window]) -> Table:
    """Acceptable designs, with those to which walks come from both sides of gaps."""
    parts, limits = [], []
    for gap in gaps:
        rows = rows_of(known, gap.question)
        at = model.number(known)[rows]
        for side, way in ((at < gap.low, GREATEST), (at > gap.high, LEAST)):
            if side.any():
                near = np.argsort(np.abs(at[side] - gap.middle), kind="stable")[:BESIDE]
                parts.append(turned(known.select(rows[side][near]), way))
                limits += [gap.middle] * len(near)
    if not parts:
        return known
    start = Table.join(parts)
    start = model.table(start.scaled, start.like)
    low, high = model.bounds(start.like)
    end = model.with_number(start.like, np.array(limits))[:, -1]
    back = Questions(start.like.rack).way == LEAST
    low[back, -1], high[~back, -1] = end[back], end[~back]
    for steps in (10, 10):
        fits = steps_of(model, start, steps, (low, high))
        known = Table.join([known, fits.table.select(fits.table.feasible)])
        start = fits.here
    return known
