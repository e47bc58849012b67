"""The figure of the chosen linkage: three views to one scale, laid out and filled."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.figure import Figure

from optimiser.answer.bolted import bolted_lines
from optimiser.evaluation.clearance.keep_outs import carried_to, keep_outs
from optimiser.linkage.at_rack import solve_linkage
from optimiser.linkage.steering_arm import arm_foot
from optimiser.report import draw as plots
from optimiser.report.draw.style import INK, POINTS_PER_INCH

if TYPE_CHECKING:
    from collections.abc import Iterator

    from optimiser.answer.run_result import Chosen
    from optimiser.evaluation.clearance.keep_outs import KeepOutShape
    from optimiser.evaluation.problem import Problem
    from optimiser.linkage.at_rack import Poses
    from optimiser.linkage.hardpoints import Hardpoints
    from optimiser.linkage.vectors import Array

_WIDTH, _GLANCE_WIDTH = 9.6, 4.6  # inches
_SWEEP_TRAVEL, _SWEEP_RACK = 5, 7
_ROUND_ABOUT_MM = 60.0


def linkage_figure(chosen: Chosen) -> Figure:
    """Three views to one scale: plan over the view from behind, the side view right of it."""
    scene = _scene(chosen)
    sizes = {view: plots.panel_size(scene, view) for view in plots.PANELS}
    left, right, gap, bottom, top, between = 0.75, 0.15, 0.8, 0.6, 0.3, 0.95
    across = sizes["above"][0] + sizes["left"][0]
    inch_per_mm = (_WIDTH - left - right - gap) / across
    inches = {view: (w * inch_per_mm, h * inch_per_mm) for view, (w, h) in sizes.items()}
    height = bottom + inches["behind"][1] + between + inches["above"][1] + top
    figure = Figure(figsize=(_WIDTH, height))
    places = {
        "above": (left, bottom + inches["behind"][1] + between),
        "behind": (left, bottom),
        "left": (left + inches["behind"][0] + gap, bottom),
    }
    for view in plots.PANELS:
        (x, y), (w, h) = places[view], inches[view]
        axes = figure.add_axes((x / _WIDTH, y / height, w / _WIDTH, h / height))
        plots.draw_view(axes, scene, view, (w * POINTS_PER_INCH, h * POINTS_PER_INCH))
    x = places["left"][0] / _WIDTH
    y = (places["above"][1] + inches["above"][1]) / height
    figure.text(
        x,
        y,
        "All three views to one scale.\n\n"
        "Thin blue: the tie rod over travel\nand lock.\n"
        "Broken: steering arm, tie rod and\nrack as drawn.\n"
        "Thin grey: the wheel, from above\nalso at lock.\n"
        "Hatched: keep-outs.",
        fontsize=8,
        va="top",
        color=INK,
        linespacing=1.5,
    )
    return figure


def glance_figure(chosen: Chosen) -> Figure:
    """Two views to one scale, small enough for the first screen of the report."""
    scene = _scene(chosen)
    # The column reaches far out of what is looked at here.
    near = {kind: lines for kind, lines in scene.bolted.items() if kind != "column"}
    scene = replace(scene, drawn={}, bolted=near)
    left, right, bottom, top, between = 0.42, 0.08, 0.25, 0.22, 0.5
    width_mm = plots.panel_size(scene, "above")[0]
    inch_per_mm = (_GLANCE_WIDTH - left - right) / width_mm
    heights = [plots.panel_size(scene, view)[1] * inch_per_mm for view in ("above", "behind")]
    height = bottom + heights[1] + between + heights[0] + top
    figure = Figure(figsize=(_GLANCE_WIDTH, height))
    places: dict[plots.View, tuple[float, float]] = {
        "above": (bottom + heights[1] + between, heights[0]),
        "behind": (bottom, heights[1]),
    }
    for view, (low, high) in places.items():
        wide = _GLANCE_WIDTH - left - right
        axes = figure.add_axes(
            (left / _GLANCE_WIDTH, low / height, wide / _GLANCE_WIDTH, high / height)
        )
        size = wide * POINTS_PER_INCH, high * POINTS_PER_INCH
        plots.draw_view(axes, scene, view, size, ("rack", "spacer", "tie rod", "steering arm"))
        axes.set_xlabel("")
        axes.set_ylabel("")
    return figure


def _scene(chosen: Chosen) -> plots.Scene:
    problem = chosen.problem
    points, drawn = chosen.points, problem.points
    swept, turned = _sweep(chosen)
    radius, width = problem.car.attitude.loaded_radius_mm, problem.car.tyre_width_mm or 0.0
    wheels: dict[plots.View, Array] = {
        view: np.stack(
            [
                _wheel_outline(pose, index, radius, width, view)
                for pose, index in (turned if view == "above" else turned[:1])
            ]
        )
        for view in plots.PANELS
    }
    outlines: dict[str, dict[plots.View, Array]] = {
        shape.name: {
            "above": shape.outline(1, 0),
            "behind": shape.outline(1, 2),
            "left": shape.outline(0, 2),
        }
        for shape in _near_enough(problem, keep_outs(problem.room, carried_to(drawn, points)))
    }
    spacer = float(chosen.design.column("spacer_mm")[0])
    parts = _lines(points, spacer)
    before = {
        name: line
        for name, line in _lines(drawn, 0.0).items()
        if name in ("tie rod", "rack", "steering arm")
    }
    # What moves is on both sides: the left one's name is enough.
    moving = (item.name for item in problem.room.keep_outs if item.moves)
    unnamed = frozenset(f"{name}, mirrored" for name in moving)
    return plots.Scene(parts, before, swept, wheels, outlines, _bolted(chosen), unnamed)


def _bolted(chosen: Chosen) -> dict[str, Array]:
    """Lines (n, 2, 3) of feet's bolts, pinion and column by kind, as far as there are any."""
    found: dict[str, list[Array]] = {}
    for name, line in bolted_lines(chosen.problem, chosen.design).items():
        kind = "column" if name.startswith("column") else "feet" if "foot" in name else "pinion"
        found.setdefault(kind, []).append(line)
    return {kind: np.array(lines) for kind, lines in found.items()}


def _near_enough(problem: Problem, shapes: tuple[KeepOutShape, ...]) -> Iterator[KeepOutShape]:
    """Keep-outs to draw: of a whole frame those within reach of the corners of the suspension."""
    points = np.concatenate(
        [np.stack([p for _, p in s.items()]) for _, s in problem.points.both_sides()]
    )
    low, high = points.min(axis=0) - _ROUND_ABOUT_MM, points.max(axis=0) + _ROUND_ABOUT_MM
    for shape in shapes:
        corners = shape.corners()
        near = (corners.min(axis=0) < high) & (corners.max(axis=0) > low)
        if not problem.room.many or near.all():
            yield shape


def _lines(points: Hardpoints, spacer_mm: float) -> dict[str, Array]:
    """Polylines (n, 3) of the left corner by the name of the part."""
    low, up = points.lower_ball_joint, points.upper_ball_joint
    end = points.inner_joint - (0.0, spacer_mm, 0.0)
    lines = {
        "lower arm": np.array([points.lower_front_pivot, low, points.lower_rear_pivot]),
        "upper arm": np.array([points.upper_front_pivot, up, points.upper_rear_pivot]),
        "steering axis": np.array([low, up]),
        "rack": np.array([end, end * (1.0, 0.0, 1.0)]),
        "spacer": np.array([points.inner_joint, end]),
        "steering arm": np.array([arm_foot(points), points.outer_joint]),
        "tie rod": np.array([points.inner_joint, points.outer_joint]),
    }
    if spacer_mm <= 0.0:
        del lines["spacer"]
    return lines


def _sweep(chosen: Chosen) -> tuple[Array, list[tuple[Poses, int]]]:
    """Tie rods (n, 2, 3) over travel and lock, and the poses at rest and at both locks."""
    problem, attitude = chosen.problem, chosen.problem.car.attitude
    end = chosen.steering_end_mm
    grid = problem.travel.grid()
    travel = np.unique(np.concatenate([np.linspace(grid[0], grid[-1], _SWEEP_TRAVEL), [0.0]]))
    rack = np.linspace(-end, end, _SWEEP_RACK)
    poses = solve_linkage(chosen.points, travel[:, None], rack, attitude)
    rods = np.stack([poses.inner_joint, poses.outer_joint], axis=-2).reshape(-1, 2, 3)
    rods = rods[np.isfinite(rods).all(axis=(1, 2))]
    still = solve_linkage(chosen.points, 0.0, np.array([0.0, -end, end]), attitude)
    turned = [(still, i) for i in range(3) if np.isfinite(still.steer[i])]
    return rods, turned


def _wheel_outline(poses: Poses, index: int, radius: float, width: float, view: str) -> Array:
    """Outline (k, 3) of a plain disc of a wheel in one pose: its silhouette in the view."""
    centre = poses.wheel_centre[index]
    spin = poses.spin_axis[index]
    ahead = np.cross(spin, (0.0, 0.0, 1.0))
    ahead = ahead / np.linalg.norm(ahead)
    up = np.cross(ahead, spin)
    angle = np.linspace(0.0, 2.0 * np.pi, 73)[:, None]
    if view == "left":
        return np.asarray(centre + radius * (np.cos(angle) * ahead + np.sin(angle) * up))
    tall = ahead if view == "above" else up
    half = 0.5 * width * spin
    turns = (
        radius * tall + half,
        radius * tall - half,
        -radius * tall - half,
        -radius * tall + half,
    )
    return np.array([centre + turn for turn in (*turns, turns[0])])
