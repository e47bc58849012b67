"""Figures of a run and of one design: what the plots draw, laid out and turned into files."""

from __future__ import annotations

import io
import re
import warnings
from functools import partial
from typing import TYPE_CHECKING
from xml.sax.saxutils import escape, quoteattr

import matplotlib as mpl
import numpy as np
from matplotlib.figure import Figure

from optimiser.answer.corner_numbers import corner_numbers
from optimiser.answer.limits_and_growth import growth
from optimiser.answer.shown_racks import MOST_SHOWN
from optimiser.answer.wanted import (
    accepted_bump_text,
    bump_note,
    corridors,
    wanted_outer_heading,
    wanted_toe_text,
)
from optimiser.report import draw as plots
from optimiser.report.budget_figure import budget_figure
from optimiser.report.draw.labels import LETTER
from optimiser.report.draw.style import NAME_SIZE, heading
from optimiser.report.draw.style import (
    POINTS_PER_INCH as POINTS_PER_INCH,  # others size figures by it
)
from optimiser.report.effort_figure import effort_figure
from optimiser.report.linkage_figure import linkage_figure
from optimiser.report.words import front_axes

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from optimiser.answer.free_lock import FreeLock
    from optimiser.answer.run_result import Chosen, RunResult
    from optimiser.linkage.vectors import Array

ALT = {
    "front": "Ackermann error against bump steer: the front of each rack near the acceptable "
    "corner, the chosen design ringed.",
    "bump_steer": "Change of toe-in over wheel travel, chosen against as drawn, with the "
    "acceptable band.",
    "wheel_angles": "Outer against inner wheel angle up to lock with the wanted one, and the "
    "difference to the wanted one.",
    "linkage": "The front suspension to scale from above, from behind and from the left, with "
    "keep-outs and the tie rod over travel and lock.",
    "free_lock": "Rack displacement that is free either way over wheel travel, with the rack's end "
    "and what the required lock needs.",
    "glance": "The steering and the front suspension to scale from above and from behind.",
    "effort": "Force at the rack of the standing car over the inner wheel's angle, out to lock and "
    "back, and what the lift of the car has of it.",
    "budget": "What geometry, tolerance, play and load each do to the toe of one wheel, beside "
    "what is accepted.",
    "convergence": "Hypervolume of each rack's front against the number of designs tried.",
}
"""What each figure shows, for whoever cannot see it."""


def run_figures(result: RunResult) -> dict[str, Figure]:
    """Figures of a whole run by file name."""
    return {"front": _front_figure(result), "convergence": _convergence_figure(result)}


def design_figures(
    chosen: Chosen, built_deg: tuple[Array, Array] | None = None
) -> dict[str, Figure]:
    """Figures of one design by file name.

    `built_deg` is the least and greatest toe change over travel of the middle 90 of 100 cars.
    """
    made = {
        "bump_steer": _bump_figure(chosen, built_deg),
        "wheel_angles": _angles_figure(chosen),
        "linkage": linkage_figure(chosen),
    }
    asked = {"effort": effort_figure(chosen), "budget": budget_figure(chosen)}
    made |= {name: figure for name, figure in asked.items() if figure is not None}
    if chosen.problem.steering.stops == "collars" and chosen.free_lock is not None:
        made["free_lock"] = _free_lock_figure(chosen.free_lock)
    return made


# --- files ---------------------------------------------------------------------------------------


def drawn_svg(figure: Figure) -> bytes:
    """A figure as an SVG file, the same bytes for the same figure."""
    buffer = io.BytesIO()
    with (
        mpl.rc_context({"svg.hashsalt": "tie-rod", "svg.fonttype": "path"}),
        warnings.catch_warnings(),
    ):
        # A name in a script that the font lacks is drawn as empty boxes; the tables have it.
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        figure.savefig(buffer, format="svg", metadata={"Date": None})
    return buffer.getvalue()


def inline_svg(drawn: bytes, name: str, alt: str) -> str:
    """An SVG file as an element to stand in a page, ids unlike those of other figures."""
    text = drawn.decode("utf-8")
    text = text[text.index("<svg") :]
    text = re.sub(r"<!--.*?-->", "", text, flags=re.DOTALL)
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    text = re.sub(r'\bid="', f'id="{name}-', text)
    text = re.sub(r'href="#', f'href="#{name}-', text)
    text = text.replace("url(#", f"url(#{name}-")
    head, body = text.split(">", 1)
    box = re.search(r'viewBox="[^"]*"', head)
    head = '<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" '
    head += f'{box.group() if box else ""} role="img" aria-label={quoteattr(alt)}>'
    return f"{head}<title>{escape(alt)}</title>{body.strip()}"


# --- of a run ------------------------------------------------------------------------------------


def _sized(
    width: float, height: float, margins: tuple[float, float, float, float]
) -> tuple[Figure, Axes, tuple[float, float]]:
    """A figure in inches with one pair of axes inside margins (left, right, bottom, top).

    The third result is the size of the axes in points.
    """
    left, right, bottom, top = margins
    figure = Figure(figsize=(width, height))
    size = width - left - right, height - bottom - top
    axes = figure.add_axes((left / width, bottom / height, size[0] / width, size[1] / height))
    return figure, axes, (size[0] * POINTS_PER_INCH, size[1] * POINTS_PER_INCH)


def _front_figure(result: RunResult) -> Figure:
    figure, axes, size = _sized(6.8, 4.8, (0.7, 0.25, 0.6, 0.4))
    values = result.evaluation.judged
    racks, shown = result.problem.racks, result.shown_racks()
    fronts = {racks[index].name: values[result.rack_fronts[index]] for index in shown}
    winner = None if result.winner is None else values[result.winner]
    drawn, words = _drawn_values(result), front_axes(result.problem.objectives)
    ringed = "chosen" if result.acceptable else "nearest"
    plots.draw_front(
        axes,
        fronts,
        result.problem.acceptable,
        winner,
        drawn,
        size,
        words,
        ringed,
        [f"{len(shown)} of {len(racks)} racks"] if len(shown) < len(racks) else (),
    )
    return figure


def _drawn_values(result: RunResult) -> Array | None:
    """Bump steer and Ackermann error of the as-drawn car; None where cars as built are shown."""
    objectives = result.problem.objectives
    if objectives.as_built:
        return None
    drawn = corner_numbers(result.problem, result.problem.points)
    values = np.degrees([float(drawn.bump.largest), float(drawn.ackermann.largest)])
    return np.asarray(values) if np.isfinite(values).all() else None


def _convergence_figure(result: RunResult) -> Figure:
    repeats = max(1, len(result.units) // len(result.problem.racks))
    shown = result.shown_racks(max(1, MOST_SHOWN // repeats))
    lines = {
        one.name: (one.tried, one.share)
        for one, unit in zip(growth(result), result.units, strict=True)
        if unit.rack in shown
    }
    letters = min(plots.LONGEST_NAME, max(map(len, lines)))
    right = max(1.3, 0.15 + letters * LETTER * NAME_SIZE / POINTS_PER_INCH)
    figure, axes, size = _sized(6.8, 3.6, (0.7, right, 0.6, 0.2))
    plots.draw_convergence(axes, lines, size[1])
    if len(lines) < len(result.units):
        heading(axes, f"{len(lines)} of {len(result.units)} searches")
    return figure


# --- of a design ---------------------------------------------------------------------------------


def _bump_figure(chosen: Chosen, built_deg: tuple[Array, Array] | None) -> Figure:
    problem = chosen.problem
    mine = corner_numbers(problem, chosen.points)
    drawn = corner_numbers(problem, problem.points)
    acceptable = float(problem.acceptable[0])
    curves = {
        "chosen": np.degrees(mine.bump.toe_change),
        "as drawn": np.degrees(drawn.bump.toe_change),
    }
    curves = {name: curve for name, curve in curves.items() if np.isfinite(curve).any()}
    greatest = {name: float(np.nanmax(np.abs(curve))) for name, curve in curves.items()}
    draw, wanted = plots.draw_bump_steer, {}
    if bump_note(problem):
        pieces, text = corridors(problem), accepted_bump_text(problem)
        draw = partial(draw, corridors_deg=pieces, accepted=f"within {text}")
        acceptable = max(float(np.abs(edges).max()) for _, *edges in pieces)
    if wanted_toe_text(problem):
        change = problem.steering.wanted_toe.change(mine.travel_mm)
        curves |= (wanted := {"wanted": np.degrees(change)})
    near = max(greatest.get("chosen", 0.0), acceptable)
    # A drawn car far from acceptable would press the chosen curve flat: show it again, closer.
    close_up = greatest.get("as drawn", 0.0) > 2.5 * near
    height = 4.4 if close_up else 3.6
    figure, axes, size = _sized(6.8, height, (0.75, 0.9, 0.6, 0.15))
    if not close_up:
        draw(axes, mine.travel_mm, curves, acceptable, size[1], built_deg=built_deg)
        return figure
    figure = Figure(figsize=(6.8, 6.4))
    size = (5.15 * POINTS_PER_INCH, 2.4 * POINTS_PER_INCH)
    for bottom, shown, reach in (
        (3.6, curves, None),
        (0.55, {"chosen": curves["chosen"]} | wanted, 1.8 * near),
    ):
        axes = figure.add_axes((0.75 / 6.8, bottom / 6.4, 5.15 / 6.8, 2.4 / 6.4))
        band = built_deg if reach is not None else None
        what = (
            "The chosen design and the car as drawn"
            if reach is None
            else "The chosen design, closer"
        )
        axes.set_title(what, loc="left", fontsize=9)
        draw(
            axes,
            mine.travel_mm,
            shown,
            acceptable,
            size[1],
            reach_deg=reach,
            built_deg=band,
        )
    return figure


def _free_lock_figure(found: FreeLock) -> Figure:
    """Of either wheel: what stops one way of the rack at a travel stops the other the other way."""
    figure, axes, size = _sized(6.8, 3.6, (0.75, 1.1, 0.6, 0.15))
    stops = [stop for stop in found.stops if stop.rack_way == "left"]
    travel, free = (np.array([getattr(s, n) for s in stops]) for n in ("travel_mm", "rack_mm"))
    ends = found.rack_mm, found.needed_mm, found.least.rack_mm
    plots.draw_free_lock(axes, travel, free, ends, size[1])
    return figure


def _angles_figure(chosen: Chosen) -> Figure:
    problem = chosen.problem
    figure = Figure(figsize=(6.8, 6.6))
    upper = figure.add_axes((0.75 / 6.8, 3.75 / 6.6, 5.15 / 6.8, 2.55 / 6.6))
    lower = figure.add_axes((0.75 / 6.8, 0.6 / 6.6, 5.15 / 6.8, 2.45 / 6.6))
    lines, errors = {}, {}
    for name, points in (("chosen", chosen.points), ("as drawn", problem.points)):
        numbers = corner_numbers(problem, points)
        angles = [np.degrees(a) for a in (numbers.ackermann.inner, numbers.ackermann.outer)]
        if not np.isfinite(angles).all():
            continue
        lines[name] = (angles[0], angles[1])
        errors[name] = (angles[0], np.degrees(numbers.ackermann.error))
        if name == "chosen":
            lines["wanted"] = (angles[0], np.degrees(numbers.wanted_outer))
    if not lines:
        for axes in (upper, lower):
            axes.set_axis_off()
        upper.text(0.0, 0.5, "No design here reaches the required lock.", transform=upper.transAxes)
        return figure
    plots.draw_wheel_angles(upper, lines, wanted_outer_heading(problem), 2.55 * POINTS_PER_INCH)
    plots.draw_ackermann_error(lower, errors, float(problem.acceptable[1]), 2.45 * POINTS_PER_INCH)
    return figure
