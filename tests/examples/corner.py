"""The sketch of the corner in the READMEs: which hardpoint is which, drawn from the demo's."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.figure import Figure

from optimiser.linkage.steering_arm import arm_foot
from optimiser.report.draw.style import BLUE, GREY, INK, ORANGE, PALE, VERMILION, darker
from optimiser.study.read import read_study

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from optimiser.linkage.hardpoints import Hardpoints
    from optimiser.linkage.vectors import Array

ROOT = Path(__file__).resolve().parents[2]
LOOKS = {
    "lower arm": (GREY, 3.2),
    "upper arm": ("#9AA5B1", 3.2),
    "steering axis": (INK, 1.2),
    "steering arm": (ORANGE, 4.0),
    "tie rod": (BLUE, 2.6),
    "rack": (VERMILION, 6.0),
}
# Where names stand on the page, in mm to the right of the middle of the car and up.
BEHIND = {
    "upper_ball_joint": (-790, 425),
    "upper_front_pivot": (-215, 385),
    "upper_rear_pivot": (-215, 325),
    "wheel_centre": (-790, 300),
    "outer_joint": (-480, 295),
    "inner_joint": (-215, 270),
    "lower_ball_joint": (-790, 105),
    "lower_front_pivot": (-180, 178),
    "lower_rear_pivot": (-180, 128),
}
ABOVE = {
    "upper_front_pivot": (-350, 200),
    "lower_front_pivot": (-200, 205),
    "inner_joint": (-215, 70),
    "outer_joint": (-790, 165),
    "lower_ball_joint": (-790, 60),
    "upper_ball_joint": (-790, -75),
    "wheel_centre": (-790, -10),
    "upper_rear_pivot": (-215, -80),
    "lower_rear_pivot": (-180, -190),
}
PARTS_BEHIND = {
    "upper arm": (-440, 388),
    "lower arm": (-400, 145),
    "steering axis": (-645, 350),
    "tie rod": (-400, 250),
    "rack": (-120, 205),
}
PARTS_ABOVE = {
    "upper arm": (-335, -72),
    "lower arm": (-355, -148),
    "steering arm": (-530, 62),
    "tie rod": (-440, 130),
    "rack": (-120, 124),
}
WIDTH_IN = 8.4
LEFT_MM, RIGHT_MM = -1010.0, 40.0
HEIGHTS_MM = (-20.0, 610.0), (-300.0, 300.0)


def corner_sketch() -> Figure:
    """Two views to one scale, from behind and from above, the left of the car on the left."""
    study = read_study(ROOT / "studies" / "demo.toml")
    points, car = study.points, study.car
    size = car.attitude.loaded_radius_mm, 0.5 * (car.tyre_width_mm or 0.0)
    spans = [high - low for low, high in HEIGHTS_MM]
    figure = Figure(figsize=(WIDTH_IN, WIDTH_IN * sum(spans) / (RIGHT_MM - LEFT_MM)))
    share = spans[1] / sum(spans)
    behind = figure.add_axes((0.0, share, 1.0, 1.0 - share))
    above = figure.add_axes((0.0, 0.0, 1.0, share))
    for axes, up, names, parts, ends in (
        (behind, 2, BEHIND, PARTS_BEHIND, HEIGHTS_MM[0]),
        (above, 0, ABOVE, PARTS_ABOVE, HEIGHTS_MM[1]),
    ):
        _draw_wheel(axes, points.wheel_centre, car.attitude.spin_axis, size, up)
        _draw_parts(axes, points, parts, up)
        _write_names(axes, points, names, up)
        axes.axvline(0.0, color=GREY, linewidth=0.8, linestyle=(0, (8, 3, 2, 3)))
        axes.set_xlim(LEFT_MM, RIGHT_MM)
        axes.set_ylim(*ends)
        axes.axis("off")
    behind.axhline(0.0, color=GREY, linewidth=1.2)
    _say(behind, (-1000, 590), "from behind, the left of the car", "left")
    _say(behind, (-12, 590), "middle of the car", "right")
    _say(behind, (-1000, 15), "ground", "left")
    _say(above, (-1000, 275), "from above, forward is up", "left")
    return figure


def _on_page(points: Array, up: int) -> Array:
    """To the right and up on the page, mm; `up` is the body axis that points up there."""
    return np.stack([-points[..., 1], points[..., up]], axis=-1)


def _draw_wheel(axes: Axes, centre: Array, spin: Array, size: tuple[float, float], up: int) -> None:
    radius, half = size
    tall = np.cross(spin, (0.0, 0.0, 1.0))
    if up == 2:
        tall = np.cross(tall, spin)
    tall = tall / np.linalg.norm(tall)
    turns = ((1, 1), (1, -1), (-1, -1), (-1, 1), (1, 1))
    outline = np.array([centre + a * radius * tall + b * half * spin for a, b in turns])
    axes.fill(*_on_page(outline, up).T, facecolor=PALE, edgecolor=GREY, linewidth=0.9, alpha=0.5)


def _draw_parts(
    axes: Axes, points: Hardpoints, names: dict[str, tuple[float, float]], up: int
) -> None:
    low, high = points.lower_ball_joint, points.upper_ball_joint
    lines = {
        "lower arm": [points.lower_front_pivot, low, points.lower_rear_pivot],
        "upper arm": [points.upper_front_pivot, high, points.upper_rear_pivot],
        "steering axis": [low, high],
        "steering arm": [arm_foot(points), points.outer_joint],
        "tie rod": [points.inner_joint, points.outer_joint],
        "rack": [points.inner_joint, points.inner_joint * (1.0, 0.0, 1.0)],
    }
    for name, line in lines.items():
        colour, width = LOOKS[name]
        page = _on_page(np.array(line), up)
        axes.plot(*page.T, color=colour, linewidth=width, solid_capstyle="round")
        if name in names:
            x, y = names[name]
            axes.text(x, y, name, color=darker(colour), fontsize=8.5, ha="center", va="center")


def _write_names(
    axes: Axes, points: Hardpoints, names: dict[str, tuple[float, float]], up: int
) -> None:
    """Each name beside its point, with a line that leads to it."""
    for name, point in points.items():
        at, (x, y) = _on_page(point, up), names[name]
        axes.plot(*at, "o", color=INK, markersize=5.5, zorder=5)
        side = "right" if x < at[0] else "left"
        axes.annotate(
            name, at, (x, y), color=INK, fontsize=8.5, family="monospace", ha=side, va="center",
            arrowprops={"arrowstyle": "-", "color": INK, "linewidth": 0.6, "shrinkB": 3}, zorder=6,
        )  # fmt: skip


def _say(axes: Axes, at: tuple[float, float], text: str, side: str) -> None:
    axes.text(*at, text, color=GREY, fontsize=8.5, ha=side, va="center")
