"""Figures of one rack at many heights: a curve for each way, and the map."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from matplotlib import patheffects
from matplotlib.ticker import FuncFormatter, NullFormatter

from optimiser.report.draw.labels import spread_apart
from optimiser.report.draw.style import (
    BLUE,
    GREEN,
    GREY,
    INK,
    NAME_SIZE,
    ORANGE,
    PALE,
    PURPLE,
    ROOM,
    VERMILION,
    darker,
    style,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from matplotlib.axes import Axes
    from matplotlib.contour import QuadContourSet

    from optimiser.linkage.vectors import Array
    from optimiser.questions.heights.bump_map import BumpMap

Dash = str | tuple[float, tuple[float, ...]]
BROWN = "#8C5A2B"
LOOKS: tuple[tuple[str, Dash], ...] = (
    (VERMILION, "-"),
    (ORANGE, (0, (5, 2))),
    (BROWN, "-"),
    (BROWN, (0, (5, 2))),
    (BLUE, "-"),
    (PURPLE, (0, (5, 2))),
)
"""Colour and dashes of each of `ways.WAYS`, in their order."""
_FLOOR_DEG = 1e-3
_LONGEST_NAME = 16
_SHADES = ("#E3F1E3", "#F4F6F8", "#E4E9EE", "#CFD8E0", "#B7C4D0", "#9FB0C0")
_HALO = [patheffects.withStroke(linewidth=2.6, foreground="white")]


@dataclass(frozen=True, slots=True)
class Curve:
    """Bump steer of one way over height, (n,) each, NaN outside the limits; and its best place."""

    name: str
    look: int
    heights_mm: Array
    bump_steer_deg: Array
    best: tuple[float, float] | None


def draw_heights(
    axes: Axes, curves: Sequence[Curve], acceptable_deg: float, height_pt: float
) -> None:
    """Best bump steer against rack height, logarithmic, with the acceptable band.

    `height_pt` is the height of the axes in points.
    """
    shown = [curve for curve in curves if np.isfinite(curve.bump_steer_deg).any()]
    low = min(float(curve.heights_mm[0]) for curve in curves)
    high = max(float(curve.heights_mm[-1]) for curve in curves)
    _shade_nowhere(axes, shown, low, high)
    greatest = max(
        (float(np.nanmax(c.bump_steer_deg)) for c in shown), default=10.0 * acceptable_deg
    )
    least = min((float(np.nanmin(c.bump_steer_deg)) for c in shown), default=acceptable_deg)
    bottom = max(_FLOOR_DEG, 0.5 * min(least, acceptable_deg))
    axes.set_yscale("log")
    axes.set_ylim(bottom, 1.5 * max(greatest, 2.0 * acceptable_deg))
    axes.set_xlim(low, high)
    axes.axhspan(bottom, acceptable_deg, color=ROOM, zorder=0)
    axes.axhline(acceptable_deg, color=GREY, linestyle=(0, (4, 3)), linewidth=0.9)
    ends = []
    for curve in shown:
        colour, dash = LOOKS[curve.look]
        line = np.maximum(curve.bump_steer_deg, bottom)
        width = 2.4 if dash == "-" else 1.8
        axes.plot(curve.heights_mm, line, color=colour, linestyle=dash, linewidth=width)
        known = np.flatnonzero(np.isfinite(line))
        ends.append(
            (float(curve.heights_mm[known[-1]]), float(line[known[-1]]), curve.name, colour)
        )
        if curve.best is not None:
            place = curve.best[0], max(curve.best[1], bottom)
            axes.plot(
                *place, "o", color=colour, markersize=7, markeredgecolor="white", clip_on=False
            )
    ends.append((high, acceptable_deg, f"acceptable, {acceptable_deg:g} deg", GREY))
    clipped = bottom > 0.99 * least
    axes.yaxis.set_major_formatter(
        FuncFormatter(lambda y, _: f"{'≤ ' if clipped and y <= bottom else ''}{y:g}")
    )
    axes.yaxis.set_minor_formatter(NullFormatter())
    style(axes, "rack height above ground (mm)", "least bump steer within the limits (deg)")
    _label_log_ends(axes, ends, height_pt)


def _shade_nowhere(axes: Axes, shown: Sequence[Curve], low: float, high: float) -> None:
    """Grey where no way keeps the limits."""
    kept = [c.heights_mm[np.isfinite(c.bump_steer_deg)] for c in shown]
    first, last = (min(map(np.min, kept)), max(map(np.max, kept))) if kept else (high, high)
    for start, end in ((low, float(first)), (float(last), high)):
        if end <= start:
            continue
        axes.axvspan(start, end, color=PALE, zorder=0.2, linewidth=0.0)
        if end - start > 0.05 * (high - low):
            axes.text(
                0.5 * (start + end),
                0.5,
                "no design keeps the limits",
                transform=axes.get_xaxis_transform(),
                rotation=90,
                ha="center",
                va="center",
                fontsize=NAME_SIZE,
                color=GREY,
            )


def _label_log_ends(
    axes: Axes, ends: list[tuple[float, float, str, str]], height_pt: float
) -> None:
    """Names at the right of a logarithmic axis, led to where each line (x, y) ends."""
    low, high = np.log10(axes.get_ylim())
    gap = NAME_SIZE * 1.35 / height_pt * (high - low)
    places = spread_apart(np.log10([y for _, y, _, _ in ends]), gap, low, high)
    right = axes.get_xlim()[1]
    for (x, y, name, colour), place in zip(ends, places.tolist(), strict=True):
        if x < right:
            axes.plot([x, right], [y, 10.0**place], color=colour, linewidth=0.6, alpha=0.6)
        axes.annotate(
            name,
            (right, 10.0**place),
            xytext=(8.0, 0.0),
            textcoords="offset points",
            color=darker(colour),
            va="center",
            fontsize=NAME_SIZE,
            annotation_clip=False,
            parse_math=False,
        )


# --- the map -------------------------------------------------------------------------------------


def draw_map(
    axes: Axes,
    chart: BumpMap,
    racks: Mapping[str, float],
    chosen: str,
    acceptable_deg: float,
    width_pt: float,
    *,
    free: bool,
    spots: Sequence[tuple[float, float, int, str]] = (),
) -> None:
    """Bump steer over inner-joint spacing and rack height, with racks and ideal joints.

    Args:
        axes: where to draw.
        chart: the map.
        racks: inner-joint spacing of each rack.
        chosen: the rack in question.
        acceptable_deg: bump steer that is accepted.
        width_pt: width of the axes in points, about.
        free: the arm is free in height; otherwise it stays as drawn.
        spots: best places as spacing, height, number of the way and name.
    """
    values = chart.free if free else chart.fixed
    spacings = chart.spacings_mm
    heights = chart.heights_mm if free else chart.fixed_heights_mm
    steps = np.array([1.0, 2.0, 5.0, 10.0, 20.0]) * acceptable_deg
    levels = [0.0, *steps.tolist(), 1e6]
    filled = np.where(np.isfinite(values), values, 1e5)
    axes.contourf(spacings, heights, filled, levels=levels, colors=_SHADES)
    lines = axes.contour(spacings, heights, filled, levels=steps, colors=GREY, linewidths=0.7)
    axes.set_ylim(float(heights[0]), float(heights[-1]))
    axes.set_xlim(float(spacings[0]), float(spacings[-1]))
    written = _name_contours(axes, lines)
    _draw_racks(axes, racks, chosen, width_pt)
    line = chart.free_line if free else chart.fixed_line
    spacing, height = line.joint.spacing_mm, line.joint.rack_height_mm
    if free:
        axes.plot(spacing, height, color=GREEN, linewidth=1.2, linestyle=(0, (4, 3)))
        inside = (line.arm_height_mm >= chart.arm_range_mm[0]) & (
            line.arm_height_mm <= chart.arm_range_mm[1]
        )
        axes.plot(
            np.where(inside, spacing, np.nan), np.where(inside, height, np.nan), color=GREEN,
            linewidth=2.6,
        )  # fmt: skip
        _name_line(axes, line.arm_height_mm[inside], spacing[inside], height[inside], written)
    else:
        axes.plot(
            spacing, height, "D", color=GREEN, markersize=12, fillstyle="none",
            markeredgewidth=1.8, zorder=6,
        )  # fmt: skip
        if np.isfinite(spacing[0]):
            down = height[0] > np.mean(axes.get_ylim())
            axes.annotate(
                "ideal joint of this arm",
                (float(spacing[0]), float(height[0])),
                xytext=(0, -95 if down else 95),
                textcoords="offset points",
                ha="center",
                va="center",
                arrowprops={"arrowstyle": "-", "color": darker(GREEN), "linewidth": 0.9,
                            "shrinkB": 8},
                fontsize=NAME_SIZE,
                color=darker(GREEN),
                path_effects=_HALO,
            )  # fmt: skip
    for x, y, look, name in spots:
        colour = LOOKS[look][0]
        axes.plot(x, y, "o", color=colour, markersize=8, markeredgecolor="white", zorder=5)
        axes.annotate(
            name,
            (x, y),
            xytext=(-9, 12),
            textcoords="offset points",
            ha="right",
            fontsize=NAME_SIZE,
            color=darker(colour),
            path_effects=_HALO,
            zorder=7,
        )
    style(axes, "distance between the inner joints (mm)", "rack height above ground (mm)")
    axes.grid(False)
    arm = "free in height" if free else "left where it is"
    axes.set_title(
        f"Steering arm {arm}; green: within {acceptable_deg:g} deg",
        loc="left", fontsize=9.5, color=INK, pad=58.0,
    )  # fmt: skip


def _name_contours(axes: Axes, lines: QuadContourSet) -> Array:
    """Bump steer at the contours; returns where that is written, (n, 2)."""
    (x0, x1), (y0, y1) = axes.get_xlim(), axes.get_ylim()
    kept = []
    for text in axes.clabel(lines, fmt=lambda value: f"{value:g} deg", fontsize=7.5, colors=INK):
        x, y = text.get_position()
        if x0 + 0.06 * (x1 - x0) < x < x1 - 0.06 * (x1 - x0) and y0 < y < y1:
            kept.append((x, y))
        else:
            text.set_visible(False)
    return np.array(kept).reshape(-1, 2)


def _draw_racks(axes: Axes, racks: Mapping[str, float], chosen: str, width_pt: float) -> None:
    """A vertical line for each rack, its name above the axes."""
    low, high = axes.get_xlim()
    gap = NAME_SIZE * 1.3 / width_pt * (high - low)
    places = spread_apart(np.array(list(racks.values())), gap, low, high)
    for (name, spacing), place in zip(racks.items(), places.tolist(), strict=True):
        mine = name == chosen
        axes.axvline(
            spacing, color=INK if mine else GREY, linewidth=1.4 if mine else 0.8,
            linestyle="-" if mine else (0, (1, 1.6)),
        )  # fmt: skip
        axes.annotate(
            name if len(name) <= _LONGEST_NAME else f"{name[: _LONGEST_NAME - 1]}…",
            (spacing, 1.0),
            xycoords=("data", "axes fraction"),
            xytext=(place, 1.025),
            textcoords=("data", "axes fraction"),
            arrowprops={"arrowstyle": "-", "color": GREY, "linewidth": 0.6, "shrinkA": 0,
                        "shrinkB": 0},
            rotation=90,
            ha="center",
            va="bottom",
            fontsize=NAME_SIZE,
            color=INK if mine else GREY,
            weight="bold" if mine else "normal",
            annotation_clip=False,
            parse_math=False,
        )  # fmt: skip


def _name_line(axes: Axes, arms: Array, spacing: Array, height: Array, written: Array) -> None:
    """Round arm heights beside the line of ideal joints, on the side with more room."""
    (x0, x1), (y0, y1) = axes.get_xlim(), axes.get_ylim()
    known = np.isfinite(spacing) & np.isfinite(height)
    if known.sum() < 2:
        return
    arms, spacing, height = arms[known], spacing[known], height[known]
    step = next(s for s in (10.0, 20.0, 50.0, 100.0, 200.0) if np.ptp(arms) / s <= 5.0)
    size = np.array([x1 - x0, y1 - y0])
    for arm in np.arange(np.ceil(arms[0] / step) * step, arms[-1] + 1e-9, step).tolist():
        spot = np.array([np.interp(arm, arms, spacing), np.interp(arm, arms, height)])
        if not (x0 < spot[0] < x1 and y0 < spot[1] < y1):
            continue
        axes.plot(*spot, "o", color=GREEN, markersize=4)
        sides = [spot + side * np.array([0.11, -0.015]) * size for side in (1.0, -1.0)]
        room = [
            np.min(np.linalg.norm((written - side) / size, axis=1), initial=1.0) for side in sides
        ]
        right = room[0] >= min(room[1], 0.12)
        axes.annotate(
            f"arm at {arm:.0f} mm",
            spot.tolist(),
            xytext=(7, -8) if right else (-7, 4),
            textcoords="offset points",
            ha="left" if right else "right",
            fontsize=7.5,
            color=darker(GREEN),
            path_effects=_HALO,
        )
