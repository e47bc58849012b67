"""The least change among moves of whole millimetres, everything else solved again.

First a dive: the move nearest to a whole one is held at either neighbour, whichever changes less,
and so on until all are whole. Then branch and bound over the moves' boxes: the least change within
a box is a bound for all whole moves in it, and a box is cut where a move of its answer is farthest
from a whole one. With many moves it ends at a number of boxes, and the least found is told.

        ------------x-----    x  least change of the box
        |---3|  |4-------|       cut into moves up to 3 mm and from 4 mm on
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from optimiser.evaluation.designs import Designs
from optimiser.questions.adapt.asked import follow_least
from optimiser.questions.adapt.ways import Least

if TYPE_CHECKING:
    from optimiser.linkage.vectors import Array
    from optimiser.questions.adapt.ways import Search
    from optimiser.search.residuals import Model

MOST_BOXES, AT_ONCE, STEPS = 160, 8, 10
MANY, MOST_BOXES_OF_MANY = 6, 24
_WHOLE_MM = 1e-3
"""A move nearer to a whole millimetre than this is one."""
_GAIN_MM = 1e-3


@dataclass(slots=True)
class _Box:
    """Moves between whole millimetres (M,), and the design of the least change in it."""

    low: Array
    high: Array
    start: Designs
    bound: float = field(default=0.0)


def rounded(search: Search, least: Least, known: Least | None = None) -> Least:
    """The least change of whole millimetres with the same entries; none where there is none.

    Args:
        search: walks of the rack.
        least: the least change of any moves.
        known: whole moves that are known already, of fewer entries.
    """
    if least.design is None or least.moved_mm < _GAIN_MM:
        return least
    room = np.floor(search.suspension.room_mm + 1e-9) * search.free_of(least.subset)
    whole = _Box(-room, room, least.design, least.moved_mm)
    best, waiting, seen = _dive(search.model, whole, least), [whole], 0
    if known is not None and known.moved_mm < best.moved_mm:
        best = replace(known, subset=least.subset)
    most = MOST_BOXES if (room > 0.0).sum() <= MANY else MOST_BOXES_OF_MANY
    while waiting and seen < most:
        waiting.sort(key=lambda box: box.bound)
        some, waiting = waiting[:AT_ONCE], waiting[AT_ONCE:]
        seen += len(some)
        for box, design, moved in _solved(search.model, some):
            if moved >= best.moved_mm - _GAIN_MM:
                continue
            moves = search.problem.moves(design)[0]
            off = np.abs(moves - np.round(moves))
            if off.max() <= _WHOLE_MM and (box.low == box.high).all():
                best = Least(least.subset, design, moved)
                continue
            farthest = int(np.argmax(np.where(_open(box), off, -1.0)))
            waiting += _cut(box, design, moves, moved, farthest)
        waiting = [box for box in waiting if box.bound < best.moved_mm - _GAIN_MM]
    return best


def _dive(model: Model, box: _Box, least: Least) -> Least:
    """Whole moves found by holding one after another; none where the last have no place left."""
    here, moved = box.start, box.bound
    while _open(box).any():
        moves = model.problem.moves(here)[0]
        off = np.abs(moves - np.round(moves))
        column = int(np.argmin(np.where(_open(box), off, np.inf)))
        parts = []
        for value in {
            float(np.floor(moves[column])),
            float(np.ceil(moves[column])),
        }:
            if box.low[column] <= value <= box.high[column]:
                part = _Box(box.low.copy(), box.high.copy(), here, moved)
                part.low[column] = part.high[column] = value
                parts.append(part)
        found = _solved(model, parts)
        if not found:
            return Least(least.subset, None, np.inf)
        box, here, moved = min(found, key=lambda one: one[2])
    return Least(least.subset, here, moved)


def _open(box: _Box) -> Array:
    return np.asarray(box.low < box.high)


def _cut(box: _Box, design: Designs, moves: Array, bound: float, column: int) -> list[_Box]:
    """Two boxes on both sides of a move; all the way to one value where the answer is whole."""
    parts = []
    value = float(moves[column])
    near = float(np.round(value))
    if abs(value - near) <= _WHOLE_MM:
        ends = [(box.low[column], near - 1.0), (near, near), (near + 1.0, box.high[column])]
    else:
        ends = [(box.low[column], np.floor(value)), (np.ceil(value), box.high[column])]
    for low, high in ends:
        if low <= high:
            part = _Box(box.low.copy(), box.high.copy(), design, bound)
            part.low[column], part.high[column] = low, high
            parts.append(part)
    # What is whole everywhere is tried as it is.
    whole = np.round(moves)
    if (np.abs(moves - whole) <= 0.5).all() and _open(box).any():
        inside = (whole >= box.low) & (whole <= box.high)
        if inside.all() and not any((p.low == whole).all() for p in parts):
            parts.append(_Box(whole.copy(), whole.copy(), design, bound))
    return parts


def _solved(model: Model, boxes: list[_Box]) -> list[tuple[_Box, Designs, float]]:
    """The least change of each box that has one."""
    first = len(model.problem.variables)
    moves = np.flatnonzero(np.array(model.columns) >= first)
    shape = (len(boxes), len(model.columns))
    low, high = np.zeros(shape), np.ones(shape)
    span = (model.high - model.low)[moves]
    for row, box in enumerate(boxes):
        low[row, moves] = (box.low - model.low[moves]) / span
        high[row, moves] = (box.high - model.low[moves]) / span
    starts = Designs.join([box.start for box in boxes])
    scaled = np.clip(model.scaled(starts), low, high)
    table = model.table(scaled, starts)
    there = np.flatnonzero(np.isfinite(table.objectives).all(axis=1))
    if not len(there):
        return []
    ends = follow_least(model, table.select(there), (low[there], high[there]), steps=STEPS)
    designs = model.designs(ends.scaled, ends.like)
    found = []
    for row, number in enumerate(there.tolist()):
        if ends.feasible[row]:
            design = designs.select(np.array([row]))
            held = boxes[number].low == boxes[number].high
            design.values[0, first:][held] = boxes[number].low[held]
            found.append((boxes[number], design, float(ends.objectives[row, -1])))
    return found
