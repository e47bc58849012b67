"""The toe budget as a figure: a bar for each part, and what is accepted as a line across them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from matplotlib.figure import Figure

from optimiser.evaluation.quantity import rounded
from optimiser.report.draw.style import BLUE, GREEN, GREY, INK, NAME_SIZE, darker, style

if TYPE_CHECKING:
    from optimiser.answer.run_result import Chosen

_ROOM = 1.25  # of the greatest, to the right of it, for its number


def budget_figure(chosen: Chosen) -> Figure | None:
    """The figure; None where the study asks for no budget."""
    budget = chosen.budget
    if budget is None:
        return None
    figure = Figure(figsize=(6.8, 2.4))
    axes = figure.add_axes((0.14, 0.24, 0.82, 0.64))
    parts = budget.parts
    for row, part in enumerate(parts):
        known = np.isfinite(part.toe_deg)
        axes.barh(row, part.toe_deg if known else 0.0, 0.55, color=BLUE)
        text = f" {rounded(part.toe_deg, 3)} deg" if known else " not known"
        at = part.toe_deg if known else 0.0
        name = axes.text(at, row, text, va="center", fontsize=NAME_SIZE)
        name.set(color=INK if known else GREY, zorder=4.0)
        name.set_bbox({"facecolor": "white", "edgecolor": "none", "pad": 0.5})
    accepted = budget.accepted_deg
    axes.axvline(accepted, color=GREEN, linestyle=(0, (5, 2)))
    axes.text(
        accepted,
        -0.62,
        f"{accepted:g} deg accepted",
        ha="center",
        va="bottom",
        fontsize=NAME_SIZE,
        color=darker(GREEN),
    )
    axes.set_yticks(range(len(parts)), [part.name for part in parts])
    axes.set_ylim(len(parts) - 0.5, -0.6)
    greatest = np.nan_to_num(budget.greatest.toe_deg)
    axes.set_xlim(0.0, _ROOM * max(float(greatest), accepted))
    style(axes, "greatest change of toe of one wheel (deg)", "")
    axes.grid(False, axis="y")
    return figure
