"""Figures: each function takes plain data and axes, draws on them, and saves nothing.

`style` has the colours and the quiet axes, `labels` finds room for names, `fronts` draws what the
search found, `corner` curves of one design, `lock` how far it may steer, `views` the linkage to
scale.
"""

from optimiser.report.draw.corner import draw_ackermann_error, draw_bump_steer, draw_wheel_angles
from optimiser.report.draw.fronts import (
    LONGEST_NAME,
    draw_convergence,
    draw_front,
    front_extent,
    plot_front,
)
from optimiser.report.draw.lock import draw_free_lock
from optimiser.report.draw.views import PANELS, Scene, View, draw_view, panel_size

__all__ = [
    "LONGEST_NAME",
    "PANELS",
    "Scene",
    "View",
    "draw_ackermann_error",
    "draw_bump_steer",
    "draw_convergence",
    "draw_free_lock",
    "draw_front",
    "draw_view",
    "draw_wheel_angles",
    "front_extent",
    "panel_size",
    "plot_front",
]
