"""The linkage to scale from above, from behind and from the left."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

import numpy as np
from matplotlib.patches import Polygon

from optimiser.linkage.mirror import mirrored
from optimiser.report.draw.labels import along, label_points
from optimiser.report.draw.style import (
    BLUE,
    GREEN,
    GREY,
    INK,
    NAME_SIZE,
    ORANGE,
    PALE,
    VERMILION,
    style,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from matplotlib.axes import Axes

    from optimiser.linkage.vectors import Array

View = Literal["above", "behind", "left"]
PANELS: tuple[View, ...] = ("above", "behind", "left")
# For each view: body axis along the page and its sign, body axis up the page, labels.
_VIEWS: dict[View, tuple[int, float, int, str, str]] = {
    "above": (1, -1.0, 0, "to the right of the middle (mm)", "ahead of the front axle (mm)"),
    "behind": (1, -1.0, 2, "to the right of the middle (mm)", "above ground (mm)"),
    "left": (0, -1.0, 2, "behind the front axle (mm)", "above ground (mm)"),
}
_PARTS = {
    "lower arm": (GREY, 2.2),
    "upper arm": ("#9AA5B1", 2.2),
    "steering axis": (INK, 0.9),
    "steering arm": (ORANGE, 3.2),
    "tie rod": (BLUE, 2.2),
    "spacer": (GREEN, 5.0),
    "rack": (VERMILION, 5.0),
    "wheel": (GREY, 1.0),
}
_BOLTED = {"feet": (INK, 2.6), "pinion": (VERMILION, 3.4), "column": (INK, 1.4)}
_NAMED = ("lower arm", "upper arm", "steering arm", "tie rod", "rack", "spacer")
_MARGIN_MM = 25.0
_ROOM_PER_LETTER = 0.62  # width of a letter, as a share of its size


@dataclass(frozen=True, slots=True)
class Scene:
    """What the views show, of the left side in body axes; the right is its mirror image.

    Attributes:
        parts: polylines (n, 3) of the chosen corner.
        drawn: polylines of the as-drawn corner that differ.
        swept: tie rods (n, 2, 3) over travel and lock.
        wheels: closed outlines (n, k, 3) of the wheel for each view, straight ahead first.
        keep_outs: by name, outlines (k, 3) in the plane of each view, wherever they are.
        bolted: lines (n, 2, 3) of feet's bolts, pinion and column by kind, wherever they are.
        unnamed: those of them that have no name beside them.
    """

    parts: Mapping[str, Array]
    drawn: Mapping[str, Array] = field(default_factory=dict)
    swept: Array | None = None
    wheels: Mapping[View, Array] = field(default_factory=dict)
    keep_outs: Mapping[str, Mapping[View, Array]] = field(default_factory=dict)
    bolted: Mapping[str, Array] = field(default_factory=dict)
    unnamed: frozenset[str] = frozenset()


def extent(scene: Scene, view: View) -> tuple[float, float, float, float]:
    """Left, right, bottom and top of a view in mm on the page, the ground included."""
    clouds = [line.reshape(-1, 3) for line in scene.parts.values()]
    clouds += [line.reshape(-1, 3) for line in scene.drawn.values()]
    # The views from above and from behind are as wide as each other, to lie in line.
    clouds += [outline.reshape(-1, 3) for outline in scene.wheels.values()]
    clouds += [lines.reshape(-1, 3) for lines in scene.bolted.values()]
    if scene.swept is not None:
        clouds.append(scene.swept.reshape(-1, 3))
    points = np.concatenate(clouds)
    across, up = _on_page(points, view).T
    sides = float(across.min()) - _MARGIN_MM, float(across.max()) + _MARGIN_MM
    if view != "left":
        wide = max(-sides[0], sides[1])
        sides = -wide, wide
    low = float(up.min()) if view == "above" else min(0.0, float(up.min()))
    return (*sides, low - _MARGIN_MM, float(up.max()) + _MARGIN_MM)


def panel_size(scene: Scene, view: View) -> tuple[float, float]:
    """Width and height of a view in mm, to lay several out to one scale."""
    left, right, bottom, top = extent(scene, view)
    return right - left, top - bottom


def _on_page(points: Array, view: View) -> Array:
    along, sign, up, _, _ = _VIEWS[view]
    return np.stack([sign * points[..., along], points[..., up]], axis=-1)


def draw_view(
    axes: Axes,
    scene: Scene,
    view: View,
    size_pt: tuple[float, float],
    named: Sequence[str] | None = None,
) -> None:
    """One view to scale; from the left only the left corner is drawn.

    `size_pt` is the size of the axes in points; `named` the parts and keep-outs that get their
    names, all by default.
    """
    left, right, bottom, top = extent(scene, view)
    axes.set_xlim(left, right)
    axes.set_ylim(bottom, top)
    axes.set_aspect("equal")
    if view != "above":
        axes.axhline(0.0, color=GREY, linewidth=1.2)
    _draw_keep_outs(axes, scene, view)
    # As it is, and the right side of the car.
    for side in (np.asarray,) if view == "left" else (np.asarray, mirrored):
        if scene.swept is not None:
            for rod in scene.swept:
                axes.plot(*_on_page(side(rod), view).T, color=BLUE, linewidth=0.5, alpha=0.28)
        for index, wheel in enumerate(scene.wheels.get(view, ())):
            axes.plot(
                *_on_page(side(wheel), view).T,
                color=_PARTS["wheel"][0],
                linewidth=1.0 if index == 0 else 0.6,
                alpha=1.0 if index == 0 else 0.5,
            )
        for line in scene.drawn.values():
            axes.plot(
                *_on_page(side(line), view).T, color=INK, linewidth=0.8, linestyle=(0, (4, 3))
            )
        for part, line in scene.parts.items():
            colour, width = _PARTS[part]
            page = _on_page(side(line), view)
            axes.plot(*page.T, color=colour, linewidth=width, solid_capstyle="round")
            if part == "tie rod":
                axes.plot(*page.T, "o", color=INK, markersize=3.2)
    for kind, lines in scene.bolted.items():
        colour, width = _BOLTED[kind]
        for line in lines:
            page = _on_page(line, view)
            axes.plot(*page.T, color=colour, linewidth=width, solid_capstyle="round")
            if kind == "column":
                axes.plot(*page.T, "o", color=colour, markersize=2.6)
    _name(axes, scene, view, size_pt, _names(scene) if named is None else named)
    _, _, _, x_label, y_label = _VIEWS[view]
    style(axes, x_label, y_label)
    axes.set_title(_TITLES[view], loc="left", fontsize=9, color=INK)


_TITLES: dict[View, str] = {
    "above": "From above, forward is up",
    "behind": "From behind",
    "left": "From the left, forward is left",
}


def _names(scene: Scene) -> tuple[str, ...]:
    return (*_NAMED, *(name for name in scene.keep_outs if name not in scene.unnamed))


def _draw_keep_outs(axes: Axes, scene: Scene, view: View) -> None:
    for outlines in scene.keep_outs.values():
        page = _on_page(outlines[view], view)
        axes.add_patch(
            Polygon(page, facecolor=PALE, edgecolor=GREY, hatch="////", linewidth=0.6, zorder=0.5)
        )


def _name(
    axes: Axes, scene: Scene, view: View, size_pt: tuple[float, float], wanted: Sequence[str]
) -> None:
    """Names of parts and keep-outs where they cover least."""
    (x0, x1), (y0, y1) = axes.get_xlim(), axes.get_ylim()
    named: list[tuple[Array, str, str]] = []
    covered: list[Array] = []
    areas: set[str] = set()
    for part, line in scene.parts.items():
        both = [_on_page(line, view)]
        if view != "left":
            both.append(_on_page(mirrored(line), view))
        covered += [along(page) for page in both]
        # From the side, rack and tie rod are seen almost end on: the other views name them.
        if part in wanted and not (view == "left" and part in ("rack", "spacer", "tie rod")):
            # On the right half of the page, where there is one.
            named.append((along(both[-1])[4::8], part, _PARTS[part][0]))
    for kind, lines in scene.bolted.items():
        page = np.concatenate([along(_on_page(line, view)) for line in lines])
        covered.append(page)
        if view != "left" or kind == "column":
            named.append((page[4::8], kind, _BOLTED[kind][0]))
    for name, outlines in scene.keep_outs.items():
        if name not in wanted:
            continue
        page = _on_page(outlines[view], view)
        low, high = np.maximum(page.min(axis=0), (x0, y0)), np.minimum(page.max(axis=0), (x1, y1))
        if not (low < high).all():
            continue
        letters = (high[0] - low[0]) / (x1 - x0) * size_pt[0] / NAME_SIZE
        if letters < _ROOM_PER_LETTER * len(name):
            named.append((along(page), name, GREY))
            covered.append(along(page))
            continue
        share = np.stack(np.meshgrid(*[np.linspace(0.1, 0.9, 9)] * 2), axis=-1).reshape(-1, 2)
        near = share[np.argsort(np.abs(share - 0.5).sum(axis=1), kind="stable")]
        named.append((low + near * (high - low), name, GREY))
        areas.add(name)
    if view in scene.wheels:
        covered.append(along(_on_page(scene.wheels[view][0], view)))
    label_points(axes, named, np.concatenate(covered), size_pt, frozenset(areas))
