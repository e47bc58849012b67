"""How far a design may steer over its wheel travel."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from optimiser.report.draw.labels import label_line_ends
from optimiser.report.draw.style import BLUE, DASHES, GREY, VERMILION, style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from optimiser.linkage.vectors import Array


def draw_free_lock(
    axes: Axes,
    travel_mm: Array,
    free_mm: Array,
    ends_mm: tuple[float, float, float],
    height_pt: float,
) -> None:
    """Free rack displacement (P,) either way against wheel travel (P,).

    Args:
        axes: where to draw.
        travel_mm: rising.
        free_mm: of the wheel that stops first.
        ends_mm: where the rack ends, what the required lock needs (NaN where it does not exist),
            and the least that is free at any travel.
        height_pt: height of the axes in points.
    """
    rack, needed, least = ends_mm
    axes.plot(travel_mm, free_mm, color=BLUE, linestyle=DASHES[0], linewidth=2.0)
    names = [(free_mm[-1], "free", BLUE)]
    for value, name, colour, dash in (
        (rack, "rack's end", GREY, DASHES[2]),
        (needed, "required lock", VERMILION, DASHES[1]),
        (least, "least free", GREY, DASHES[3]),
    ):
        if np.isfinite(value):
            axes.axhline(value, color=colour, linestyle=dash, linewidth=1.2)
            names.append((value, name, colour))
    top = max(value for value, _, _ in names)
    axes.set_ylim(0.0, 1.06 * top)
    axes.set_xlim(travel_mm[0], travel_mm[-1])
    label_line_ends(
        axes, [(travel_mm[-1], value, name, colour) for value, name, colour in names], height_pt
    )
    style(axes, "wheel travel (mm), bump positive", "rack displacement either way (mm)")
