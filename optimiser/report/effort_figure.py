"""Effort over lock as a figure: force at the rack of a standing car, out to lock and back."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from matplotlib.figure import Figure

from optimiser.answer.effort_curve import effort_curve
from optimiser.report.draw.labels import label_line_ends
from optimiser.report.draw.style import (
    BLUE,
    GREEN,
    GREY,
    POINTS_PER_INCH,
    VERMILION,
    heading,
    style,
)

if TYPE_CHECKING:
    from optimiser.answer.run_result import Chosen

_LINES = (
    ("rack_force_out_n", "out to lock", BLUE, "-"),
    ("rack_force_back_n", "back from lock", VERMILION, (0, (5, 2))),
    ("lift_n", "lift alone", GREEN, (0, (1, 1.4))),
)


def effort_figure(chosen: Chosen) -> Figure | None:
    """The figure; None without `[loads]`, or where the design does not reach its lock."""
    table, loads = effort_curve(chosen), chosen.problem.loads
    if table is None or loads is None or not np.isfinite(table["rack_force_out_n"]).all():
        return None
    figure = Figure(figsize=(6.8, 3.2))
    axes = figure.add_axes((0.8 / 6.8, 0.6 / 3.2, 4.7 / 6.8, 2.3 / 3.2))
    angle, ends = table["inner_wheel_deg"], []
    for name, words, colour, dash in _LINES:
        axes.plot(angle, table[name], color=colour, linestyle=dash, linewidth=1.6)
        ends.append((float(angle[-1]), float(table[name][-1]), words, colour))
    if (friction := loads.friction_at_rack_n) is not None:
        axes.axhline(friction, color=GREY, linestyle=(0, (4, 3)), linewidth=0.9)
        ends.append((float(angle[-1]), friction, "friction", GREY))
    axes.set_xlim(0.0, float(angle[-1]))
    top = max(float(np.max(table[name])) for name, *_ in _LINES)
    axes.set_ylim(min(0.0, 1.1 * float(table["lift_n"].min())), 1.08 * top)
    label_line_ends(axes, ends, 2.3 * POINTS_PER_INCH)
    heading(axes, "Parked: force at the rack")
    style(axes, "inner wheel angle (deg)", "force at the rack (N)")
    return figure
