"""The racks in their best places to scale from behind, the two halves of the car for two ways."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from matplotlib import patheffects

from optimiser.linkage.mirror import mirrored
from optimiser.linkage.steering_arm import arm_foot
from optimiser.report.draw.labels import spread_apart
from optimiser.report.draw.style import GREEN, GREY, INK, NAME_SIZE, darker, style

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from numpy.typing import ArrayLike

    from optimiser.linkage.hardpoints import Hardpoints
    from optimiser.linkage.vectors import Array

Dash = str | tuple[float, tuple[float, ...]]
_HALO = [patheffects.withStroke(linewidth=2.6, foreground="white")]


@dataclass(frozen=True, slots=True)
class Mounted:
    """A rack in its place: what it is called, its corner, and its spacers."""

    name: str
    look: tuple[str, Dash]
    points: Hardpoints
    spacer_mm: float


@dataclass(frozen=True, slots=True)
class Half:
    """One side of the view: a heading, what is mounted there, and the ideal joints (n, 3)."""

    title: str
    mounted: Sequence[Mounted]
    ideal: Array
    ideal_inside: Array = field(default_factory=lambda: np.empty((0, 3)))


def draw_from_behind(
    axes: Axes, car: Hardpoints, left: Half, right: Half, radius_mm: float
) -> None:
    """The front suspension to scale from behind: one half for each of two questions.

    The left corner is drawn on the left, its mirror image on the right.
    """
    for half, side in ((left, -1.0), (right, 1.0)):
        _draw_car(axes, car, side, radius_mm)
        if len(half.ideal):
            axes.plot(
                *_on_page(half.ideal, side), color=GREEN, linewidth=1.1, linestyle=(0, (4, 3))
            )
        if len(half.ideal_inside):
            axes.plot(*_on_page(half.ideal_inside, side), color=GREEN, linewidth=2.4)
        _draw_mounted(axes, half.mounted, side)
        axes.text(
            0.25 if side < 0.0 else 0.75,
            1.02,
            half.title,
            transform=axes.transAxes,
            ha="center",
            fontsize=9,
            color=INK,
        )
    axes.axvline(0.0, color=GREY, linewidth=0.8, linestyle=(0, (6, 2, 1, 2)))
    axes.axhline(0.0, color=GREY, linewidth=1.2)
    axes.set_aspect("equal")
    reach = float(car.wheel_centre[1]) + 110.0
    top = max(float(car.wheel_centre[2]) + radius_mm, float(car.upper_ball_joint[2])) + 30.0
    axes.set_xlim(-reach, reach)
    axes.set_ylim(-30.0, top)
    style(axes, "to the right of the middle (mm), seen from behind", "above ground (mm)")
    ideal = right.ideal_inside if len(right.ideal_inside) else right.ideal
    if len(ideal):
        end = ideal[np.argmax(ideal[:, 2])]
        axes.annotate(
            "ideal inner joints",
            (float(end[1]), float(end[2])),
            xytext=(-4, 8),
            textcoords="offset points",
            fontsize=NAME_SIZE,
            color=darker(GREEN),
            ha="right",
            path_effects=_HALO,
        )


def _on_page(points: ArrayLike, side: float) -> tuple[Array, Array]:
    """Points (..., 3) of the left corner to the right and up on the page, mirrored for side 1."""
    seen = mirrored(points) if side > 0.0 else np.asarray(points)
    return -seen[..., 1], seen[..., 2]


def _draw_car(axes: Axes, car: Hardpoints, side: float, radius: float) -> None:
    """Arms, upright and wheel of one side, faint."""
    for front, rear, ball in (
        (car.lower_front_pivot, car.lower_rear_pivot, car.lower_ball_joint),
        (car.upper_front_pivot, car.upper_rear_pivot, car.upper_ball_joint),
    ):
        for pivot in (front, rear):
            page = _on_page([pivot, ball], side)
            axes.plot(*page, color="#B6C0C9", linewidth=3.0, solid_capstyle="round")
    axis = [car.lower_ball_joint, car.upper_ball_joint]
    axes.plot(*_on_page(axis, side), color=INK, linewidth=1.0)
    half, corners = 0.16 * radius, ((-1, -1), (1, -1), (1, 1), (-1, 1), (-1, -1))
    wheel = [car.wheel_centre + np.array([0.0, out * half, up * radius]) for out, up in corners]
    axes.plot(*_on_page(wheel, side), color=GREY, linewidth=0.9)


def _draw_mounted(axes: Axes, mounted: Sequence[Mounted], side: float) -> None:
    """Racks up to the middle, spacers, tie rods; names beside the middle, apart."""
    if not mounted:
        axes.text(
            side * 20.0, 40.0, "no height keeps the limits", fontsize=NAME_SIZE, color=GREY,
            ha="right" if side < 0.0 else "left",
        )  # fmt: skip
        return
    heights = np.array([float(item.points.inner_joint[2]) for item in mounted])
    places = spread_apart(heights + 31.0, 46.0, 10.0, 1e4)
    for item, place in zip(mounted, places, strict=True):
        colour, dash = item.look
        inner, outer = item.points.inner_joint, item.points.outer_joint
        bare = inner - (0.0, item.spacer_mm, 0.0)
        rod, arm, bar, spacer = (
            _on_page(line, side)
            for line in (
                [inner, outer],
                [outer, arm_foot(item.points)],
                [bare * (1.0, 0.0, 1.0), bare],
                [bare, inner],
            )
        )
        axes.plot(*rod, color=colour, linewidth=1.8, linestyle=dash)
        axes.plot(*arm, color=INK, linewidth=2.6)
        axes.plot(*bar, color=colour, linewidth=4.2, solid_capstyle="butt")
        if item.spacer_mm > 0.5:
            axes.plot(*spacer, color=INK, linewidth=4.2, solid_capstyle="butt")
        for joint in (inner, outer):
            axes.plot(
                *_on_page(joint, side), "o", color=colour, markersize=5,
                markeredgecolor="white", markeredgewidth=0.7,
            )  # fmt: skip
        axes.text(
            side * 8.0,
            float(place),
            item.name,
            fontsize=NAME_SIZE,
            color=darker(colour),
            ha="right" if side < 0.0 else "left",
            va="center",
            path_effects=_HALO,
            parse_math=False,
        )
