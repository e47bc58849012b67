"""Figures: each function takes plain data and axes, draws on them, and saves nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from optimiser.hardpoints import Hardpoints
    from optimiser.vectors import Array

# Okabe and Ito's set: distinct under the common kinds of colour-blindness; line styles and
# labels at the lines carry the same meaning for grey printing.
BLUE, VERMILION, GREEN, AMBER, SKY, PURPLE, GREY = (
    "#0072B2",
    "#D55E00",
    "#009E73",
    "#E69F00",
    "#56B4E9",
    "#AA4499",
    "#6B7280",
)
RACK_COLOURS = (BLUE, VERMILION, GREEN, PURPLE, AMBER, SKY)
RACK_MARKERS = ("o", "s", "^", "v", "D", "P", "X", "*")

View = Literal["plan", "behind", "side"]
# Horizontal and vertical axis of each view, their signs, and their labels.
_VIEWS: dict[View, tuple[int, float, int, str, str]] = {
    "plan": (1, -1.0, 0, "across the car, left is left (mm)", "forward of the front axle (mm)"),
    "behind": (1, -1.0, 2, "across the car, seen from behind (mm)", "above ground (mm)"),
    "side": (0, -1.0, 2, "seen from the left, forward is left (mm)", "above ground (mm)"),
}


def style(axes: Axes) -> None:
    """Quiet axes: no box above and to the right, a light grid behind the data."""
    axes.spines[["top", "right"]].set_visible(False)
    axes.grid(True, color="#E5E7EB", linewidth=0.6)
    axes.set_axisbelow(True)


def label_line(axes: Axes, x: float, y: float, text: str, colour: str) -> None:
    """A name at the end of its line, in the line's colour."""
    axes.annotate(
        text,
        (x, y),
        xytext=(5, 0),
        textcoords="offset points",
        color=colour,
        va="center",
        fontsize=8,
        annotation_clip=False,
    )


def draw_front(
    axes: Axes,
    fronts: dict[str, Array],
    acceptable: tuple[float, float],
    winner: tuple[float, float] | None,
) -> None:
    """Fronts per rack, (n, 2) each in degrees, the acceptable corner, and the winner ringed."""
    axes.axvspan(0.0, acceptable[0], ymin=0.0, color="#F3F4F6", zorder=0)
    axes.axhspan(0.0, acceptable[1], color="#F3F4F6", zorder=0)
    axes.plot(
        [acceptable[0], acceptable[0], 0.0],
        [0.0, acceptable[1], acceptable[1]],
        color=GREY,
        linestyle="--",
        linewidth=0.9,
    )
    for index, (name, values) in enumerate(fronts.items()):
        if not len(values):
            continue
        ordered = values[np.argsort(values[:, 0])]
        colour = RACK_COLOURS[index % len(RACK_COLOURS)]
        axes.plot(
            ordered[:, 0],
            ordered[:, 1],
            color=colour,
            marker=RACK_MARKERS[index % len(RACK_MARKERS)],
            markersize=3.5,
            linewidth=0.9,
        )
        label_line(axes, float(ordered[0, 0]), float(ordered[0, 1]), name, colour)
    if winner is not None:
        axes.plot(*winner, marker="o", markersize=13, fillstyle="none", color="black")
        axes.annotate(
            "chosen", winner, xytext=(10, 10), textcoords="offset points", fontsize=9, weight="bold"
        )
    axes.annotate(
        "acceptable",
        (acceptable[0], acceptable[1]),
        xytext=(-4, -4),
        textcoords="offset points",
        ha="right",
        va="top",
        fontsize=8,
        color=GREY,
    )
    axes.set_xlim(left=0.0)
    axes.set_ylim(bottom=0.0)
    axes.set_xlabel("bump steer over the travel (deg)")
    axes.set_ylabel("Ackermann error up to lock (deg)")
    style(axes)


def draw_bump_steer(
    axes: Axes, travel_mm: Array, curves_deg: dict[str, Array], acceptable_deg: float
) -> None:
    """Change of toe-in against wheel travel; travel runs upward as the wheel does."""
    axes.axvspan(-acceptable_deg, acceptable_deg, color="#F3F4F6", zorder=0)
    axes.axhline(0.0, color=GREY, linewidth=0.6)
    for index, (name, change) in enumerate(curves_deg.items()):
        colour = RACK_COLOURS[index % len(RACK_COLOURS)]
        axes.plot(
            change, travel_mm, color=colour, linewidth=1.8, linestyle=("-", "--", ":")[index % 3]
        )
        label_line(axes, float(change[-1]), float(travel_mm[-1]), name, colour)
    axes.set_xlabel("change of toe-in (deg), toe-in positive")
    axes.set_ylabel("wheel travel (mm), bump positive")
    style(axes)


def draw_wheel_angles(
    axes: Axes, inner_deg: Array, outer_deg: dict[str, Array], target: float
) -> None:
    """Outer against inner wheel angle up to lock: the winner's, the wanted, and parallel."""
    axes.plot(inner_deg, inner_deg, color=GREY, linewidth=0.8, linestyle=":")
    label_line(axes, float(inner_deg[-1]), float(inner_deg[-1]), "parallel", GREY)
    for index, (name, outer) in enumerate(outer_deg.items()):
        colour = RACK_COLOURS[index % len(RACK_COLOURS)]
        axes.plot(
            inner_deg, outer, color=colour, linewidth=1.8, linestyle=("-", "--", "-.")[index % 3]
        )
        label_line(axes, float(inner_deg[-1]), float(outer[-1]), name, colour)
    axes.set_xlabel("inner wheel angle (deg)")
    axes.set_ylabel("outer wheel angle (deg)")
    axes.set_title(f"Ackermann target {target:g}", fontsize=9, loc="left")
    style(axes)


def linkage_lines(points: Hardpoints, loaded_radius_mm: float) -> dict[str, Array]:
    """Polylines (n, 3) of the left corner by the name of the part; points are unbatched."""
    ball_low, ball_up = points.lower_ball_joint, points.upper_ball_joint
    axis = (ball_up - ball_low) / np.linalg.norm(ball_up - ball_low)
    foot = ball_low + np.dot(points.outer_joint - ball_low, axis) * axis
    angle = np.linspace(0.0, 2.0 * np.pi, 73)
    circle = np.stack([np.cos(angle), np.zeros_like(angle), np.sin(angle)], axis=-1)
    return {
        "lower arm": np.array([points.lower_front_pivot, ball_low, points.lower_rear_pivot]),
        "upper arm": np.array([points.upper_front_pivot, ball_up, points.upper_rear_pivot]),
        "steering axis": np.array([ball_low, ball_up]),
        "steering arm": np.array([foot, points.outer_joint]),
        "tie rod": np.array([points.inner_joint, points.outer_joint]),
        "rack": np.array([points.inner_joint, points.inner_joint * (1.0, 0.0, 1.0)]),
        "wheel": points.wheel_centre + loaded_radius_mm * circle,
    }


_PART_STYLES = {
    "lower arm": (GREY, "-", 2.2),
    "upper arm": (GREY, "-", 2.2),
    "steering axis": (GREY, "-.", 1.2),
    "steering arm": (AMBER, "-", 3.0),
    "tie rod": (BLUE, "-", 2.4),
    "rack": (VERMILION, "-", 4.0),
    "wheel": ("#9CA3AF", ":", 1.0),
}


def draw_view(
    axes: Axes,
    lines: dict[str, Array],
    view: View,
    *,
    faint: dict[str, Array] | None = None,
) -> None:
    """One view to scale of both corners; `faint` (the as-drawn tie rod) lies behind, thin.

    In the side view only the left corner is drawn.
    """
    across, sign, up, x_label, y_label = _VIEWS[view]
    sides = (1.0,) if view == "side" else (1.0, -1.0)
    for side in sides:
        for part, line in (faint or {}).items():
            if part in ("tie rod", "rack", "steering arm"):
                x = sign * (side if across == 1 else 1.0) * line[:, across]
                axes.plot(x, line[:, up], color="black", linewidth=0.9, linestyle=(0, (4, 3)))
        for part, line in lines.items():
            colour, dash, width = _PART_STYLES[part]
            x = sign * (side if across == 1 else 1.0) * line[:, across]
            axes.plot(x, line[:, up], color=colour, linestyle=dash, linewidth=width)
            if part in ("tie rod", "steering arm", "rack"):
                axes.plot(x[:1], line[:1, up], "o", color="black", markersize=2.5)
            if side == 1.0 and part in _LABELLED:
                middle = line[: max(2, len(line) // 2 + 1)].mean(axis=0)
                axes.annotate(
                    part,
                    (sign * middle[across], middle[up]),
                    xytext=(0, 6),
                    textcoords="offset points",
                    fontsize=7,
                    color=colour,
                    ha="center",
                )
    axes.set_aspect("equal")
    axes.set_xlabel(x_label)
    axes.set_ylabel(y_label)
    style(axes)


_LABELLED = ("lower arm", "upper arm", "tie rod", "rack")
