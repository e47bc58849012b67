"""Curves of the chosen corner beside the as-drawn one."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from optimiser.report.draw.labels import label_line_ends
from optimiser.report.draw.style import BLUE, DASHES, GREY, ROOM, VERMILION, heading, style

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from matplotlib.axes import Axes

    from optimiser.linkage.vectors import Array

CHOSEN, DRAWN, WANTED, PARALLEL = "chosen", "as drawn", "wanted", "parallel"
_LOOK = {
    CHOSEN: (BLUE, DASHES[0], 2.0),
    DRAWN: (VERMILION, DASHES[1], 1.5),
    WANTED: (GREY, DASHES[3], 1.2),
    PARALLEL: (GREY, DASHES[2], 1.0),
}


def draw_bump_steer(
    axes: Axes,
    travel_mm: Array,
    curves_deg: Mapping[str, Array],
    acceptable_deg: float,
    height_pt: float,
    *,
    reach_deg: float | None = None,
    built_deg: tuple[Array, Array] | None = None,
    corridors_deg: Sequence[tuple[Array, Array, Array]] = (),
    accepted: str = "",
) -> None:
    """Change of toe-in against wheel travel, with the acceptable band.

    Args:
        axes: where to draw.
        travel_mm: (P,).
        curves_deg: (P,) each, by one of the names of this module.
        acceptable_deg: greatest change that is accepted.
        height_pt: height of the axes in points.
        reach_deg: end of the vertical axis; None to show the curves whole.
        built_deg: least and greatest change (P,) of the middle 90 of 100 cars built.
        corridors_deg: travel, and least and greatest change that is accepted there, piece by piece,
            where that is not the same about zero at every travel.
        accepted: what is accepted then, in words.
    """
    if built_deg is not None:
        axes.fill_between(travel_mm, *built_deg, color=BLUE, alpha=0.16, linewidth=0.0)
    around = list(corridors_deg), accepted
    _draw_errors(axes, travel_mm, curves_deg, acceptable_deg, height_pt, reach_deg, around=around)
    style(axes, "wheel travel (mm), bump positive", "change of toe-in (deg)")


def draw_ackermann_error(
    axes: Axes,
    curves_deg: Mapping[str, tuple[Array, Array]],
    acceptable_deg: float,
    height_pt: float,
) -> None:
    """Outer wheel's angle less the wanted one against the inner wheel's angle, (n,) each."""
    grid = max((inner for inner, _ in curves_deg.values()), key=lambda inner: float(inner[-1]))
    errors = {}
    for name, (inner, error) in curves_deg.items():
        short = inner[-1] < 0.999 * grid[-1]
        errors[name] = np.interp(grid, inner, error, right=np.nan if short else float(error[-1]))
    _draw_errors(axes, grid, errors, acceptable_deg, height_pt, None, words_at=0.15)
    style(axes, "inner wheel angle (deg)", "outer angle less wanted (deg)")


def _draw_errors(
    axes: Axes,
    at: Array,
    curves: Mapping[str, Array],
    acceptable: float,
    height_pt: float,
    reach: float | None,
    words_at: float = 0.5,
    around: tuple[list[tuple[Array, Array, Array]], str] = ([], ""),
) -> None:
    corridors, words = around
    if corridors:
        acceptable = _draw_corridors(axes, corridors)
    else:
        axes.axhspan(-acceptable, acceptable, color=ROOM, zorder=0)
        for edge in (-acceptable, acceptable):
            axes.axhline(edge, color=GREY, linestyle=(0, (4, 3)), linewidth=0.8)
    axes.axhline(0.0, color=GREY, linewidth=0.7)
    greatest = max(float(np.nanmax(np.abs(curve))) for curve in curves.values())
    end = max(1.15 * greatest, 1.4 * acceptable) if reach is None else reach
    axes.set_ylim(-end, end)
    axes.set_xlim(float(at[0]), float(at[-1]))
    for name, curve in curves.items():
        colour, dash, width = _LOOK[name]
        axes.plot(at, curve, color=colour, linestyle=dash, linewidth=width)
    label_line_ends(axes, list(_ends(at, curves)), height_pt)
    # Where every curve begins at zero, the edge of the band has room for words.
    axes.annotate(
        f"acceptable, {words or f'±{acceptable:g} deg'}",
        (words_at, acceptable),
        xycoords=("axes fraction", "data"),
        xytext=(0, 3),
        textcoords="offset points",
        ha="center",
        fontsize=8,
        color=GREY,
    )


def _draw_corridors(axes: Axes, corridors: Sequence[tuple[Array, Array, Array]]) -> float:
    """Shade what is accepted piece by piece; returns the furthest from zero."""
    for at, low, high in corridors:
        axes.fill_between(at, low, high, color=ROOM, linewidth=0.0, zorder=0)
        for edge in (low, high):
            axes.plot(at, edge, color=GREY, linestyle=(0, (4, 3)), linewidth=0.8)
    return max(float(np.abs([low, high]).max()) for _, low, high in corridors)


def _ends(at: Array, curves: Mapping[str, Array]) -> list[tuple[float, float, str, str]]:
    """Where each curve ends, or where it was last known."""
    ends = []
    for name, curve in curves.items():
        known = np.flatnonzero(np.isfinite(curve))
        if len(known):
            ends.append((float(at[-1]), float(curve[known[-1]]), name, _LOOK[name][0]))
    return ends


def draw_wheel_angles(
    axes: Axes, curves_deg: Mapping[str, tuple[Array, Array]], target: str, height_pt: float
) -> None:
    """Outer against inner wheel angle up to lock, (n,) each, with parallel wheels beside.

    `target` says what is wanted of the outer wheel.
    """
    end = max(float(inner[-1]) for inner, _ in curves_deg.values())
    lines = {PARALLEL: (np.array([0.0, end]), np.array([0.0, end])), **curves_deg}
    axes.set_xlim(0.0, end)
    axes.set_ylim(0.0, 1.03 * end)
    ends = []
    for name, (inner, outer) in lines.items():
        colour, dash, width = _LOOK[name]
        axes.plot(inner, outer, color=colour, linestyle=dash, linewidth=width)
        ends.append((end, float(outer[-1]), name, colour))
    label_line_ends(axes, ends, height_pt)
    heading(axes, target)
    style(axes, "inner wheel angle (deg)", "outer wheel angle (deg)")
