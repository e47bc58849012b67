"""Names beside what they name, moved apart where they would lie over each other."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from optimiser.report.draw.style import NAME_SIZE, darker

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes

    from optimiser.linkage.vectors import Array

LETTER, _LINE = 0.60, 1.35  # width of a letter and height of a line, shares of the size
_MOST_PLACES, _MOST_MARKS = 24, 1500
_NUDGE = 6.0  # points between a mark and its name
_WHERE = tuple(
    (across, up)
    for across, up in ((1, 0), (1, 1), (1, -1), (0, 1), (0, -1), (-1, 0), (-1, 1), (-1, -1))
)


def spread_apart(wanted: Array, gap: float, low: float, high: float) -> Array:
    """Positions (n,) near the wanted ones, `gap` apart where `low` to `high` has room for it."""
    order = np.argsort(wanted, kind="stable")
    placed = np.clip(np.asarray(wanted, float)[order], low, high)
    gap = min(gap, (high - low) / max(1, len(placed) - 1))
    for index in range(1, len(placed)):
        placed[index] = max(placed[index], placed[index - 1] + gap)
    if len(placed):
        placed[-1] = min(placed[-1], high)
    for index in range(len(placed) - 2, -1, -1):
        placed[index] = min(placed[index], placed[index + 1] - gap)
    result = np.empty(len(placed))
    result[order] = placed
    return result


def along(line: Array) -> Array:
    """Points closely along a polyline (n, 2), which names keep clear of."""
    if len(line) < 2:
        return line
    share = np.linspace(0.0, len(line) - 1.0, 20 * len(line))
    at = np.arange(len(line))
    return np.stack([np.interp(share, at, line[:, axis]) for axis in (0, 1)], axis=-1)


def label_line_ends(
    axes: Axes, ends: Sequence[tuple[float, float, str, str]], height_pt: float
) -> None:
    """Names right of the ends of lines, (x, y, name, colour) each.

    `height_pt` is the height of the axes in points; their limits must be set.
    """
    low, high = axes.get_ylim()
    gap = NAME_SIZE * _LINE / height_pt * (high - low)
    places = spread_apart(np.array([y for _, y, _, _ in ends]), gap, low, high)
    for (x, _, name, colour), place in zip(ends, places, strict=True):
        axes.annotate(
            name,
            (x, float(place)),
            xytext=(_NUDGE, 0.0),
            textcoords="offset points",
            color=darker(colour),
            va="center",
            fontsize=NAME_SIZE,
            annotation_clip=False,
            parse_math=False,
        )


def label_points(
    axes: Axes,
    named: Sequence[tuple[Array, str, str]],
    obstacles: Array,
    size_pt: tuple[float, float],
    inside: frozenset[str] = frozenset(),
) -> None:
    """A name beside one of the points (n, 2) of each series, where it covers least.

    Args:
        axes: their limits must be set.
        named: points that a name (of one or more lines) may stand beside, name, colour.
        obstacles: points (m, 2) that names should not cover.
        size_pt: width and height of the axes in points.
        inside: names that stand on their points, as on an area, and not beside them.
    """
    (x0, x1), (y0, y1) = axes.get_xlim(), axes.get_ylim()
    origin, scale = np.array([x0, y0]), np.array(size_pt) / np.array([x1 - x0, y1 - y0])
    marks = (thinned(obstacles, _MOST_MARKS) - origin) * scale
    taken = np.empty((0, 4))
    # Those that cannot move out of the way come first.
    for points, name, colour in sorted(named, key=lambda one: one[1] not in inside):
        if not len(points):
            continue
        lines = name.split("\n")
        size = NAME_SIZE * np.array([max(map(len, lines)) * LETTER, len(lines) * _LINE])
        ways = np.zeros((1, 2)) if name in inside else np.array(_WHERE, float)
        at = (thinned(points, _MOST_PLACES) - origin) * scale
        middles = (at[:, None] + ways * (_NUDGE + 0.5 * size)).reshape(-1, 2)
        boxes = np.concatenate([middles - 0.5 * size, middles + 0.5 * size], axis=1)
        rank = np.tile(np.arange(len(ways)), len(at))
        best = int(np.argmin(_costs(boxes, taken, marks, size_pt) + 0.01 * rank))
        taken = np.concatenate([taken, boxes[best : best + 1]])
        middle = middles[best] / scale + origin
        axes.text(
            float(middle[0]),
            float(middle[1]),
            name,
            color=darker(colour),
            fontsize=NAME_SIZE,
            ha="center",
            va="center",
            parse_math=False,
            bbox=_PLATE if name in inside else None,
        )


def thinned(points: Array, most: int) -> Array:
    """At most so many of the points, evenly spread."""
    if len(points) <= most:
        return points
    return np.asarray(points[np.linspace(0, len(points) - 1, most).astype(int)])


_PLATE = {"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 0.8}


def _costs(boxes: Array, taken: Array, marks: Array, size: tuple[float, float]) -> Array:
    """How much each box (left, bottom, right, top) covers, (n,); leaving the axes costs most."""
    low, high = boxes[:, None, :2], boxes[:, None, 2:]
    outside = np.maximum(0.0, -boxes[:, :2]) + np.maximum(0.0, boxes[:, 2:] - np.array(size))
    over = ((low < taken[:, 2:]) & (taken[:, :2] < high)).all(axis=2).sum(axis=1)
    inside = ((marks > low - 1.0) & (marks < high + 1.0)).all(axis=2).sum(axis=1)
    # A name over a name is read as neither; over a line it can still be read.
    return np.asarray(10.0 * outside.sum(axis=1) + _MOST_MARKS * over + inside)
