"""The result folder of `heights`: tables, verdict and figures."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from matplotlib.figure import Figure

from optimiser.answer.bolted import bolted_points
from optimiser.answer.exactness import BAND_COLUMNS, SHIM_COLUMNS, accuracy, band_rows, shim_rows
from optimiser.answer.fitting import fitting_sentences
from optimiser.answer.run_result import CAUTION, hardpoints_text
from optimiser.answer.wanted import accepted_bump_text
from optimiser.base.files import csv_text, slug, write_bytes, write_text
from optimiser.evaluation.quantities import amount
from optimiser.questions.heights.bump_map import BumpMap, bump_map
from optimiser.questions.heights.draw_behind import Half, Mounted, draw_from_behind
from optimiser.questions.heights.draw_heights import LOOKS, Curve, draw_heights, draw_map
from optimiser.questions.heights.tables import HEIGHT_COLUMNS, height_rows, rack_columns, rack_row
from optimiser.questions.heights.ways import ARMS, WAYS
from optimiser.questions.heights.words import verdict
from optimiser.report.draw.style import INK
from optimiser.report.figures import POINTS_PER_INCH, drawn_svg

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from optimiser.answer.exactness import Accuracy
    from optimiser.linkage.vectors import Array
    from optimiser.questions.heights.places import Place, RackHeights, WayCurve
    from optimiser.questions.heights.ways import Way
    from optimiser.study.read import Study


def verdict_lines(found: RackHeights, study: Study, exact: Accuracy | None) -> Iterator[str]:
    """The verdict and, for the place that it comes to, how exact it must be made."""
    yield from verdict(found, study)
    place = found.chosen
    if place is None or exact is None:
        return
    names = ("rack_height_mm", "spacer_mm", "arm_height_mm")
    rack, spacers, arm = (amount(name, place.at(name)) for name in names)
    yield (
        f"How exact must it be made? Rack at {rack}, {spacers} spacers, arm at {arm} "
        f"({place.way.name}); each dimension alone, bump steer within "
        f"{accepted_bump_text(found.problem)}:"
    )
    yield from exact.sentences()


def place_accuracy(found: RackHeights) -> Accuracy | None:
    """Of the place that the verdict comes to; None where there is none."""
    place = found.chosen
    if place is None:
        return None
    return accuracy(found.problem, place.design, cars=False)


def write_rack(folder: Path, study: Study, found: RackHeights, exact: Accuracy | None) -> None:
    """Everything of one rack."""
    rack = found.problem.racks[found.rack]
    title = f"{study.title}: rack {rack.name} at many heights"
    lines = list(verdict_lines(found, study, exact))
    write_text(folder / "verdict.txt", "\n".join([title, "", *lines, "", CAUTION]) + "\n")
    write_text(
        folder / "heights.csv",
        csv_text(HEIGHT_COLUMNS, height_rows(found), (title, HEIGHTS_NOTE, CAUTION)),
    )
    place = found.chosen
    if place is not None and exact is not None:
        note = "each dimension alone, toe reset but where the name says otherwise; estimates"
        write_text(
            folder / "exactness.csv", csv_text(BAND_COLUMNS, band_rows(exact), (title, note))
        )
        write_text(folder / "shims.csv", csv_text(SHIM_COLUMNS, shim_rows(exact), (title, note)))
        corner = found.problem.corners(place.design)[0].select(0)
        outcome = found.problem.evaluate(place.design)
        lengths = {"tie_rod_length_mm": float(outcome.metrics["tie_rod_length_mm"][0])}
        lengths |= {"spacer_mm": place.at("spacer_mm")}
        notes = fitting_sentences(found.problem, place.design, outcome)
        more = bolted_points(found.problem, place.design)
        text = hardpoints_text(corner, study.frame, lengths, title, notes, more)
        write_text(folder / "hardpoints.csv", text)
    for name, figure in rack_figures(found).items():
        write_bytes(folder / f"{name}.svg", drawn_svg(figure))


HEIGHTS_NOTE = (
    "least bump steer within the limits at each height; balanced: the least worst ratio to what "
    "is acceptable, looked for where the least bump steer spoils the Ackermann error; rows between "
    "the steps are the best places with the height free"
)


def write_all(folder: Path, study: Study, every: Sequence[RackHeights]) -> None:
    """One table of all racks, their heights, and one view from behind."""
    title = f"{study.title}: every rack at many heights"
    write_text(
        folder / "racks.csv",
        csv_text(rack_columns(every[0].ways), map(rack_row, every), (title, CAUTION)),
    )
    rows = [row for found in every for row in height_rows(found)]
    write_text(
        folder / "heights.csv", csv_text(HEIGHT_COLUMNS, rows, (title, HEIGHTS_NOTE, CAUTION))
    )
    text = [line for found in every for line in (*verdict(found, study), "")]
    write_text(folder / "verdict.txt", "\n".join([title, "", *text, CAUTION]) + "\n")
    for found in every:
        name = slug(found.problem.racks[found.rack].name)
        figure = heights_figure(found)
        write_bytes(folder / "heights" / f"{name}.svg", drawn_svg(figure))


# --- figures -------------------------------------------------------------------------------------


def rack_figures(found: RackHeights) -> dict[str, Figure]:
    """Figures of one rack by file name."""
    chart = bump_map(found)
    return {
        "heights": heights_figure(found),
        "map": _map_figure(found, chart),
        "from_behind": _behind_figure(found, chart),
    }


def heights_figure(found: RackHeights) -> Figure:
    """Least bump steer against height, a curve for each way."""
    width, height = 9.1, 4.8
    figure = Figure(figsize=(width, height))
    box = (0.085, 0.12, 0.64, 0.78)
    axes = figure.add_axes(box)
    curves = [_curve(found, curve) for curve in found.curves]
    draw_heights(
        axes, curves, float(found.problem.acceptable[0]), box[3] * height * POINTS_PER_INCH
    )
    rack = found.problem.racks[found.rack]
    figure.suptitle(
        f"{rack.name}, {rack.inner_joint_spacing_mm:g} mm between its inner joints; "
        "dots: best places, Ackermann error weighed in",
        x=0.09,
        ha="left",
        fontsize=9.5,
        color=INK,
        parse_math=False,
    )
    return figure


def _curve(found: RackHeights, curve: WayCurve) -> Curve:
    heights, bump = curve_points(curve, found.heights_mm)
    place = _own_place(found, curve.way)
    best = None if place is None else (place.at("rack_height_mm"), place.bump_steer_deg)
    return Curve(curve.way.name, WAYS.index(curve.way), heights, bump, best)


def curve_points(curve: WayCurve, heights_mm: Array) -> tuple[Array, Array]:
    """Heights and least bump steer, the best places between the steps among them; NaN outside."""
    outcome, between = curve.optima.evaluation, curve.between_evaluation
    bump = np.where(outcome.feasible, outcome.objectives[:, 0], np.nan)
    extra = curve.between.column("rack_height_mm")
    # A balanced place has more bump steer than the least at its height: it is not on the curve.
    low = np.interp(extra, heights_mm, np.nan_to_num(bump, nan=np.inf))
    more = between.feasible & (between.objectives[:, 0] <= low)
    at = np.concatenate([heights_mm, extra[more]])
    values = np.concatenate([bump, between.objectives[more, 0]])
    order = np.argsort(at, kind="stable")
    return at[order], values[order]


def _map_figure(found: RackHeights, chart: BumpMap) -> Figure:
    width = 11.5
    figure = Figure(figsize=(width, 6.6))
    # Room for the racks' names, which are cut to a length: laying it out by what is drawn would
    # draw everything twice.
    room = {"left": 0.06, "right": 0.985, "bottom": 0.085, "top": 0.83, "wspace": 0.06}
    left, right = figure.subplots(1, 2, sharey=True, gridspec_kw=room)
    racks = {rack.name: rack.inner_joint_spacing_mm for rack in found.problem.racks}
    rack = found.problem.racks[found.rack]
    for axes, arm in ((left, ARMS[0]), (right, ARMS[-1])):
        spots = [
            (
                rack.inner_joint_spacing_mm + 2.0 * place.at("spacer_mm"),
                place.at("rack_height_mm"),
                WAYS.index(way),
                _fitted(place),
            )
            for way in found.ways
            if way.arm == arm and (place := _own_place(found, way)) is not None
        ]
        acceptable = float(found.problem.acceptable[0])
        points = 0.45 * width * POINTS_PER_INCH
        free = arm == ARMS[-1]
        draw_map(axes, chart, racks, rack.name, acceptable, points, free=free, spots=spots)
    right.set_ylabel("")
    return figure


def _behind_figure(found: RackHeights, chart: BumpMap) -> Figure:
    figure = Figure(figsize=(11.0, 5.2))
    inside = (chart.free_line.arm_height_mm >= chart.arm_range_mm[0]) & (
        chart.free_line.arm_height_mm <= chart.arm_range_mm[1]
    )
    line = chart.free_line.joint.inner_joint
    halves = [
        Half("arm at its drawn height", _mounted(found, free=False), line),
        Half("arm free in height", _mounted(found, free=True), line, line[inside]),
    ]
    draw_from_behind(
        figure.add_axes((0.06, 0.1, 0.925, 0.83)),
        found.problem.points,
        halves[0],
        halves[1],
        found.problem.car.attitude.loaded_radius_mm,
    )
    return figure


def _mounted(found: RackHeights, *, free: bool) -> list[Mounted]:
    items = []
    for way in found.ways:
        place = _own_place(found, way)
        if place is None or (way.arm == ARMS[-1]) != free:
            continue
        points = found.problem.corners(place.design)[0].select(0)
        items.append(
            Mounted(_place_name(place), LOOKS[WAYS.index(way)], points, place.at("spacer_mm"))
        )
    return items


def _own_place(found: RackHeights, way: Way) -> Place | None:
    """The best place of a way unless, spacers allowed, it does without: that is another way's."""
    place = found.place(way)
    if place is None or (way.spacers and place.at("spacer_mm") < 0.5):
        return None
    return place


def _place_name(place: Place) -> str:
    bump = amount("bump_steer_deg", place.bump_steer_deg)
    return f"{_fitted(place)}\n{bump} at {place.at('rack_height_mm'):.0f} mm"


def _fitted(place: Place) -> str:
    spacer = place.at("spacer_mm")
    return f"{spacer:.0f} mm spacers" if spacer >= 0.5 else "no spacers"
