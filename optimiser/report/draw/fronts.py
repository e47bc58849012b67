"""What the search found: the fronts of all racks, and how they grew."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

import numpy as np

from optimiser.report.draw.labels import along, label_line_ends, label_points, thinned
from optimiser.report.draw.style import (
    DASHES,
    GREY,
    INK,
    ROOM,
    darker,
    heading,
    rack_look,
    style,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from matplotlib.axes import Axes

    from optimiser.linkage.vectors import Array

    _Named = tuple[Array, str, str]

NEAR = 4.0  # the picture reaches so many times the acceptable values
_TOGETHER = 8.0  # points on paper: fronts that are nowhere further apart share a name
_LINE_OF_NAMES = 30  # letters
_SAMPLES = 200  # of a line, to find how far it is from another


def front_extent(
    fronts: Mapping[str, Array], acceptable: Array, winner: Array | None
) -> tuple[float, float]:
    """Upper ends of both axes: near the acceptable corner, the winner or the nearest design in."""
    ends = NEAR * np.asarray(acceptable, float)
    shown = winner
    if shown is None:
        everything = np.concatenate([np.empty((0, 2)), *fronts.values()])
        if len(everything):
            shown = everything[np.argmin(np.max(everything / acceptable, axis=1))]
    if shown is not None:
        ends = np.maximum(ends, 1.15 * np.asarray(shown, float))
    return float(ends[0]), float(ends[1])


def draw_front(
    axes: Axes,
    fronts: Mapping[str, Array],
    acceptable: Array,
    winner: Array | None,
    drawn: Array | None,
    size_pt: tuple[float, float],
) -> None:
    """Fronts (n, 2) in degrees by rack, the acceptable corner, the winner and the as-drawn car.

    Only the neighbourhood of the acceptable corner is shown; racks that do not reach it are named
    above. `size_pt` is the size of the axes in points.
    """
    ends = front_extent(fronts, acceptable, winner)
    axes.set_xlim(0.0, ends[0])
    axes.set_ylim(0.0, ends[1])
    axes.fill_between([0.0, acceptable[0]], 0.0, acceptable[1], color=ROOM, zorder=0)
    axes.plot(
        [acceptable[0], acceptable[0], 0.0],
        [0.0, acceptable[1], acceptable[1]],
        color=GREY,
        linestyle=(0, (4, 3)),
        linewidth=0.9,
    )
    inner, named, marks, beyond = [], [], [np.empty((0, 2))], []
    for index, (name, values) in enumerate(fronts.items()):
        colour, marker = rack_look(index)
        ordered = values[np.argsort(values[:, 0], kind="stable")]
        inside = ordered[(ordered <= ends).all(axis=1)]
        if not len(inside):
            beyond.append(name)
            continue
        axes.plot(
            *ordered.T, color=colour, marker=marker, markersize=3.6, linewidth=1.0, clip_on=True
        )
        line = along(ordered)
        inner.append((line[(line <= ends).all(axis=1)], name, colour))
        marks.append(line)
    if winner is not None:
        axes.plot(*winner, marker="o", markersize=12, fillstyle="none", color=INK, clip_on=False)
        named.append((winner[None], "chosen", INK))  # first, as it has the fewest places
    named += _together(inner, acceptable, np.array(size_pt) / ends)
    if drawn is not None and not (drawn <= ends).all():
        beyond.append(f"the car as drawn ({drawn[0]:.2f} deg, {drawn[1]:.2f} deg)")
    elif drawn is not None:
        axes.plot(*drawn, marker="x", markersize=7, color=INK, markeredgewidth=1.4)
        named.append((drawn[None], "as drawn", INK))
        marks.append(drawn[None])
    edges = [np.linspace(end, acceptable, 30) for end in _edge_ends(acceptable)]
    marks += edges
    named.append((np.concatenate([edge[::5] for edge in edges]), "acceptable", GREY))
    label_points(axes, named, np.concatenate(marks), size_pt)
    if beyond:
        heading(axes, f"Beyond this picture: {', '.join(beyond)}")
    style(axes, "bump steer over the travel (deg)", "Ackermann error up to lock (deg)")


def _together(fronts: Sequence[_Named], acceptable: Array, scale: Array) -> list[_Named]:
    """One name for fronts that lie on each other, where nobody can tell which name is whose.

    It stands near the acceptable corner, where the choice is made, when they come near it.
    """
    groups: list[list[_Named]] = []
    for front in fronts:
        for group in groups:
            if all(_apart(front[0], other[0], scale) < _TOGETHER for other in group):
                group.append(front)
                break
        else:
            groups.append([front])
    found = []
    for group in groups:
        points, name, colour = group[0]
        if len(group) > 1:
            names = textwrap.fill(", ".join(one[1] for one in group), _LINE_OF_NAMES)
            name, colour = f"{names}\nlie on each other", INK
            near = points[(points <= 2.0 * acceptable).all(axis=1)]
            points = near if len(near) else points
        found.append((points, name, colour))
    return found


def _apart(one: Array, other: Array, scale: Array) -> float:
    """Greatest distance from a point of either line to the other line, in points on paper."""
    a, b = (thinned(line, _SAMPLES) * scale for line in (one, other))
    distance = np.linalg.norm(a[:, None] - b, axis=-1)
    return float(max(distance.min(axis=1).max(), distance.min(axis=0).max()))


def _edge_ends(acceptable: Array) -> tuple[tuple[float, float], tuple[float, float]]:
    return (0.0, float(acceptable[1])), (float(acceptable[0]), 0.0)


def draw_convergence(
    axes: Axes, growth: Mapping[str, tuple[Array, Array]], height_pt: float
) -> None:
    """Hypervolume in per cent of its reference box against designs tried, by rack."""
    last = max((float(tried[-1]) for tried, _ in growth.values()), default=1.0)
    top = max((float(share[-1]) for _, share in growth.values()), default=1.0)
    axes.set_xlim(0.0, last)
    axes.set_ylim(0.0, max(1.0, 1.08 * top))
    ends = []
    for index, (name, (tried, share)) in enumerate(growth.items()):
        colour, _ = rack_look(index)
        axes.plot(
            tried,
            share,
            color=colour,
            linewidth=1.5,
            drawstyle="steps-post",
            linestyle=DASHES[index % len(DASHES)],
        )
        axes.plot(tried[-1:], share[-1:], "o", color=darker(colour), markersize=3)
        ends.append((last, float(share[-1]), name, colour))
    label_line_ends(axes, ends, height_pt)
    style(axes, "designs tried for the rack", "hypervolume (% of the reference box)")
