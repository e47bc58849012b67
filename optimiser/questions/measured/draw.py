"""The figure of `measured`: what was read, what it makes likely, and what shims make of that."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from matplotlib.figure import Figure

from optimiser.questions.measured.model import TOE_FREE
from optimiser.questions.measured.readings import SIDES
from optimiser.report.draw.style import BLUE, GREEN, GREY, INK, ROOM, heading, style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from optimiser.linkage.vectors import Array
    from optimiser.questions.measured.answer import Measured

_BAND = (0.025, 0.975)


def measured_figure(measured: Measured) -> Figure:
    """Change of toe-in of each wheel over travel: readings, fitted curve, and after the shims."""
    figure = Figure(figsize=(9.6, 4.6))
    room = {"left": 0.085, "right": 0.985, "bottom": 0.125, "top": 0.8, "wspace": 0.12}
    panels = figure.subplots(1, 2, sharey=True, gridspec_kw=room)
    for side, axes in enumerate(panels):
        _panel(axes, measured, side)
    panels[1].set_ylabel("")
    handles = {
        label: handle
        for axes in panels
        for handle, label in zip(*axes.get_legend_handles_labels(), strict=True)
    }
    figure.legend(
        handles.values(), handles.keys(), loc="upper left", ncols=5, fontsize=8.0, frameon=False
    )
    return figure


def _panel(axes: Axes, measured: Measured, side: int) -> None:
    grid, wanted = measured.model.conditions.travel_mm, measured.problem.steering.wanted_toe
    style(axes, "wheel travel, mm (bump positive)", "change of toe-in, deg")
    room = np.degrees(measured.accepted / wanted.weights(grid))
    middle = np.degrees(wanted.change(grid))
    axes.fill_between(
        grid, middle - room, middle + room, step="mid", color=ROOM, label="accepted", zorder=0
    )
    axes.axhline(0.0, color=GREY, linewidth=0.6, zorder=1)
    if side not in measured.readings.sides:
        heading(axes, f"{SIDES[side]} wheel: not measured")
        return
    if side in measured.unfit:
        heading(axes, f"{SIDES[side]} wheel: no car fits these readings")
    else:
        heading(axes, f"{SIDES[side]} wheel")
        _curves(axes, grid, measured.outcomes["leave"].curves[side], BLUE, "-", "fitted, as it is")
    best = measured.outcomes.get("best")
    if best is not None:
        _curves(axes, grid, best.curves[side], GREEN, "--", "after the best shims")
    travel, change = measured_points(measured, side)
    axes.plot(travel, change, "o", color=INK, markersize=3.5, label="measured", zorder=4)


def _curves(axes: Axes, grid: Array, curves: Array, colour: str, dashes: str, name: str) -> None:
    low, high = np.degrees(np.quantile(curves, _BAND, axis=0))
    axes.fill_between(grid, low, high, color=colour, alpha=0.2, linewidth=0.0, zorder=2)
    mean = np.degrees(curves.mean(axis=0))
    axes.plot(grid, mean, dashes, color=colour, linewidth=1.5, label=name, zorder=3)


def measured_points(measured: Measured, side: int) -> tuple[Array, Array]:
    """Travel and change of toe-in, degrees, of readings with the shims that are fitted now."""
    readings, found, model = measured.readings, measured.found, measured.model
    rows = [
        row
        for row in np.flatnonzero(readings.of(side) & (readings.rack_mm == 0.0))
        if np.array_equal(model.fitted_mm[readings.round[row]], model.now_mm)
    ]
    zero = [found.values[found.unknowns.toe_column(side, int(readings.round[row]))] for row in rows]
    toe = readings.toe_in[rows] - TOE_FREE * np.array(zero)
    return readings.travel_mm[rows], np.degrees(toe - float(model.conditions.attitude.toe_in))
