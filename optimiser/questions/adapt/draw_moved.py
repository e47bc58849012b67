"""What moves, to scale: drawn points hollow, moved ones filled, arrows exaggerated; and curves."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimiser.linkage.steering_arm import arm_foot
from optimiser.report.draw.labels import along, label_points
from optimiser.report.draw.style import (
    BLUE,
    GREY,
    INK,
    NAME_SIZE,
    ORANGE,
    VERMILION,
    heading,
    style,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from matplotlib.axes import Axes

    from optimiser.linkage.hardpoints import Hardpoints
    from optimiser.linkage.vectors import Array
    from optimiser.questions.adapt.character import Curves

FACTORS = (10.0, 5.0, 3.0, 2.0, 1.0)
LONGEST_MM = 110.0
"""Arrows are not drawn longer than this."""
_PALE = "#B6C0C9"
# Body axis up the page and its label; both views have the left corner on the left.
_UP = {"behind": (2, "above ground (mm)"), "above": (0, "ahead of the front axle (mm)")}
_TITLES = {"behind": "From behind, the left corner", "above": "From above, forward is up"}
_MARGIN_MM = 45.0


@dataclass(frozen=True, slots=True)
class Moved:
    """A corner as drawn and as changed.

    Attributes:
        drawn: the corner as drawn.
        changed: the corner after the moves, with its tie rod.
        names: words for the points that move, by their name.
        radius_mm: loaded radius of the wheel.
    """

    drawn: Hardpoints
    changed: Hardpoints
    names: Mapping[str, str]
    radius_mm: float

    @property
    def factor(self) -> float:
        """How many times their length arrows are drawn."""
        longest = max((float(np.linalg.norm(self.shift(n))) for n in self.names), default=0.0)
        fits = (factor for factor in FACTORS if factor * longest <= LONGEST_MM)
        return next(fits, FACTORS[-1])

    def shift(self, name: str) -> Array:
        """How far a point moves, (3,)."""
        return np.asarray(getattr(self.changed, name) - getattr(self.drawn, name))


def _on_page(points: Array, view: str) -> Array:
    up, _ = _UP[view]
    return np.stack([-points[..., 1], points[..., up]], axis=-1)


def extent(moved: Moved, view: str) -> tuple[float, float, float, float]:
    """Left, right, bottom and top of a view in mm on the page."""
    points = [value for corner in (moved.drawn, moved.changed) for _, value in corner.items()]
    points += [
        getattr(moved.drawn, name) + moved.factor * moved.shift(name) for name in moved.names
    ]
    page = _on_page(np.array(points), view)
    (x0, y0), (x1, y1) = page.min(axis=0), page.max(axis=0)
    return x0 - _MARGIN_MM, x1 + _MARGIN_MM, y0 - _MARGIN_MM, y1 + _MARGIN_MM


def draw_moved(axes: Axes, moved: Moved, view: str, size_pt: tuple[float, float]) -> None:
    """One view to scale of the left corner before (broken) and after (full)."""
    left, right, bottom, top = extent(moved, view)
    axes.set_xlim(left, right)
    axes.set_ylim(bottom, top)
    axes.set_aspect("equal")
    covered = []
    for corner, drawn in ((moved.drawn, True), (moved.changed, False)):
        for line, colour, width in _lines(corner):
            page = _on_page(np.array(line), view)
            axes.plot(
                *page.T,
                color=GREY if drawn else colour,
                linewidth=0.8 if drawn else width,
                linestyle=(0, (4, 3)) if drawn else "-",
                solid_capstyle="round",
                zorder=2.5 if drawn else 2.0,
            )
            covered.append(along(page))
    labels = []
    for name, words in moved.names.items():
        here = _on_page(getattr(moved.drawn, name), view)
        there = _on_page(getattr(moved.changed, name), view)
        tip = here + moved.factor * (there - here)
        if np.linalg.norm(tip - here) > 1.0:
            axes.annotate(
                "",
                tuple(tip),
                tuple(here),
                arrowprops={"arrowstyle": "-|>", "color": VERMILION, "lw": 1.3},
            )
            covered.append(along(np.array([here, tip])))
        for at, face, edge in ((there, VERMILION, "white"), (here, "white", INK)):
            axes.plot(
                *at, "o", markersize=6.0, zorder=4.0, markerfacecolor=face, markeredgecolor=edge
            )
        labels.append((np.array([here, there]), words))
    marks = np.concatenate(covered)
    label_points(axes, [(at, words, VERMILION) for at, words in _once(labels)], marks, size_pt)
    style(axes, "to the right of the middle (mm)", _UP[view][1])
    heading(axes, _TITLES[view])


def _once(labels: Sequence[tuple[Array, str]]) -> list[tuple[Array, str]]:
    """Points that share their words are named once."""
    found: dict[str, list[Array]] = {}
    for at, words in labels:
        found.setdefault(words, []).append(at)
    return [(np.concatenate(at), words) for words, at in found.items()]


def _lines(corner: Hardpoints) -> list[tuple[list[Array], str, float]]:
    low, up = corner.lower_ball_joint, corner.upper_ball_joint
    return [
        ([corner.lower_front_pivot, low, corner.lower_rear_pivot], _PALE, 3.0),
        ([corner.upper_front_pivot, up, corner.upper_rear_pivot], _PALE, 3.0),
        ([low, up], INK, 1.0),
        ([arm_foot(corner), corner.outer_joint], ORANGE, 2.4),
        ([corner.inner_joint, corner.outer_joint], BLUE, 1.8),
    ]


# --- curves --------------------------------------------------------------------------------------

PANELS = (
    ("camber_deg", "camber (deg)", "camber_departure_deg"),
    ("caster_deg", "caster (deg)", "caster_departure_deg"),
    ("toe_change_deg", "change of toe-in (deg)", "bump_steer_deg"),
    ("roll_centre_mm", "roll centre above ground (mm)", "roll_centre_departure_mm"),
)
"""Curve, label and the quantity that a band around the drawn one, or around zero, belongs to."""


def draw_curve(axes: Axes, before: Curves, after: Curves, panel: int, band: float | None) -> None:
    """One curve over wheel travel before and after, with what is allowed shaded.

    `band` is what is allowed either way of the drawn curve, of toe of zero; None: nothing is said.
    """
    name, label, _ = PANELS[panel]
    travel, drawn, now = before.travel_mm, getattr(before, name), getattr(after, name)
    if band is not None:
        middle = 0.0 * drawn if name == "toe_change_deg" else drawn
        at = travel == 0.0 if name == "roll_centre_mm" else np.ones(len(travel), dtype=bool)
        if at.sum() > 1:
            axes.fill_between(
                travel, middle - band, middle + band, color="#009E73", alpha=0.12, linewidth=0.0
            )
        else:
            axes.errorbar(travel[at], drawn[at], band, color="#009E73", capsize=4.0, linewidth=1.2)
    axes.plot(travel, drawn, color=GREY, linewidth=1.2, linestyle=(0, (4, 3)), label="as drawn")
    axes.plot(travel, now, color=BLUE, linewidth=1.7, label="changed")
    style(axes, "wheel travel (mm), bump positive", label)
    axes.legend(frameon=False, fontsize=NAME_SIZE)
