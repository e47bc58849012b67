"""What the search found: the fronts of all racks, and how they grew."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

import numpy as np

from optimiser.answer.shown_racks import some_names
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

LONGEST_NAME = 36  # letters beside a line
NEAR = 4.0  # the picture reaches so many times the acceptable values at most
_ROOM = 1.5  # and so many times what each rack has nearest to them, so that its bend is seen
_MARKER, _MARKER_GAP = 3.6, 7.0  # points on paper: closer markers are one smear
_LETTERS = 88  # of a line of the heading
_TOGETHER = 8.0  # points on paper: fronts that are nowhere further apart share a name
_LINE_OF_NAMES = 30  # letters
_SAMPLES = 200  # of a line, to find how far it is from another


def front_extent(
    fronts: Sequence[Array],
    acceptable: Array,
    winner: Array | None,
    drawn: Array | None = None,
    near: float = NEAR,
) -> tuple[float, float]:
    """Upper ends of both axes: the acceptable corner, and where each rack comes nearest to it.

    A rack that stays further off than `near` times the acceptable values is left out, unless it
    has the winner or, without a winner, the design that comes nearest of all.
    """
    corner = np.asarray(acceptable, float)
    nearest = np.array(
        [front[np.argmin(np.max(front / corner, axis=1))] for front in fronts if len(front)]
    ).reshape(-1, 2)
    far = np.max(nearest / corner, axis=1)
    ends = _ROOM * np.vstack([corner, nearest[far <= near]]).max(axis=0)
    if drawn is not None and (drawn <= near * corner).all():
        ends = np.maximum(ends, 1.08 * drawn)
    ends = np.minimum(ends, near * corner)
    shown = winner
    if shown is None and len(nearest):
        shown = nearest[np.argmin(far)]
    if shown is not None:
        ends = np.maximum(ends, 1.15 * np.asarray(shown, float))
    return float(ends[0]), float(ends[1])


def plot_front(
    axes: Axes, values: Array, look: tuple[str, str], ends: Array, size_pt: tuple[float, float]
) -> bool:
    """A front (n, 2) on axes that reach from zero to `ends`; whether a line joins its points.

    Only points of which each has the less of the one number the more it has of the other are
    joined: designs that are better in a third number, or in another measure, are a cloud. Markers
    are left out where they would lie on each other.
    """
    colour, marker = look
    ordered = values[np.argsort(values[:, 0], kind="stable")]
    joined = bool((np.diff(ordered[:, 1]) <= 0.0).all())
    if joined:
        axes.plot(*ordered.T, color=colour, linewidth=1.0)
    inside = ordered[(ordered <= ends).all(axis=1)]
    spread = _spread(inside * np.array(size_pt) / ends)
    axes.plot(*inside[spread].T, color=colour, marker=marker, markersize=_MARKER, linestyle="none")
    return joined


def _spread(places: Array) -> Array:
    """Indices of points (n, 2) in points on paper, no two of them nearer than a marker's gap."""
    kept: list[int] = []
    for index, place in enumerate(places):
        if not kept or np.linalg.norm(places[kept] - place, axis=1).min() >= _MARKER_GAP:
            kept.append(index)
    return np.array(kept, dtype=np.intp)


def draw_front(
    axes: Axes,
    fronts: Mapping[str, Array],
    acceptable: Array,
    winner: Array | None,
    drawn: Array | None,
    size_pt: tuple[float, float],
    words: tuple[str, str],
    ringed: str = "chosen",
    left_out: Sequence[str] = (),
) -> None:
    """Fronts (n, 2) in degrees by rack, the acceptable corner, the winner and the as-drawn car.

    Only the neighbourhood of the acceptable corner is shown; racks that do not reach it are named
    above, and so are those without a design. `size_pt` is the size of the axes in points, `words`
    what the two numbers are, `ringed` what the winner is called, `left_out` what to say of racks
    that are not given.
    """
    ends = front_extent(list(fronts.values()), acceptable, winner, drawn)
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
        if not (values <= ends).all(axis=1).any():
            beyond += [name] if len(values) else []
            continue
        joined = plot_front(axes, values, rack_look(index), np.array(ends), size_pt)
        line = along(values[np.argsort(values[:, 0], kind="stable")]) if joined else values
        line = line[(line <= ends).all(axis=1)]
        inner.append((line, name, rack_look(index)[0]))
        marks.append(thinned(line, _SAMPLES))  # a long line counts no more than an edge
    if winner is not None:
        axes.plot(*winner, marker="o", markersize=12, fillstyle="none", color=INK, clip_on=False)
        axes.plot(*winner, marker=".", markersize=4, color=INK)  # its own marker may be left out
        named.append((winner[None], ringed, INK))  # first, as it has the fewest places
    named += _together(inner, acceptable, np.array(size_pt) / ends)
    if drawn is not None and not (drawn <= ends).all():
        beyond.append(f"the car as drawn ({drawn[0]:.2f} deg, {drawn[1]:.2f} deg)")
    elif drawn is not None:
        axes.plot(*drawn, marker="x", markersize=7, color=INK, markeredgewidth=1.4)
        named.append((drawn[None], "as drawn", INK))
        marks.append(drawn[None])
    edges = [np.linspace(end, acceptable, 100) for end in _edge_ends(acceptable)]
    marks += edges
    # Inside, below the upper edge: a name beyond it would say the wrong side.
    named.append((edges[0][20::20] * [1.0, 0.8], "acceptable", GREY))
    label_points(axes, named, np.concatenate(marks), size_pt)
    none = [name for name, values in fronts.items() if not len(values)]
    said = (("Beyond this picture", beyond), ("No design within the limits", none))
    above = [
        f"{what}: {some_names(names, _LETTERS - len(what) - 2)}" for what, names in said if names
    ]
    heading(axes, "\n".join((*left_out, *above)))
    style(axes, *(f"{one} (deg)" for one in words))


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


def _short(name: str) -> str:
    return name if len(name) <= LONGEST_NAME else f"{name[: LONGEST_NAME - 1]}…"


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
        ends.append((last, float(share[-1]), _short(name), colour))
    label_line_ends(axes, ends, height_pt)
    style(axes, "designs tried for the rack", "hypervolume (% of the reference box)")
