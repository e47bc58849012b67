"""The result folder of `adapt`: tables, points, a study that runs, verdict, figures and page."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from matplotlib.figure import Figure

from optimiser.answer.fitting import fitting_sentences
from optimiser.answer.moved import NOT_CHECKED, moves_of
from optimiser.answer.run_result import CAUTION, Chosen, hardpoints_text
from optimiser.base.files import csv_text, slug, write_bytes, write_text
from optimiser.evaluation.moves import MOVED_MM
from optimiser.evaluation.quantities import amount
from optimiser.questions.adapt.asked import suspension_of
from optimiser.questions.adapt.character import curves_of
from optimiser.questions.adapt.draw_moved import (
    PANELS,
    Moved,
    draw_curve,
    draw_moved,
    extent,
)
from optimiser.questions.adapt.moved_study import (
    HARDPOINTS,
    copied_files,
    moved_study_text,
)
from optimiser.questions.adapt.page import adapt_html
from optimiser.questions.adapt.tables import (
    MOVE_COLUMNS,
    RACK_COLUMNS,
    move_rows,
    rack_rows,
    way_columns,
    way_rows,
)
from optimiser.questions.adapt.ways import NOTHING
from optimiser.questions.adapt.words import stands_words, verdict
from optimiser.report.figures import POINTS_PER_INCH, drawn_svg, inline_svg

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from optimiser.questions.adapt.rack import RackAnswer, Way
    from optimiser.study.read import Study

STUDY = "study.toml"
_WAYS_NOTE = (
    "least change found of each way; numbers over a finer sweep than the study's; the steering arm "
    "about the steering axis as it is then"
)
_MOVES_NOTE = "mm in the car's directions; of an entry that is a pair both points"
ALT = {
    "moved": "The left corner to scale from behind and from above: drawn points hollow, moved ones "
    "filled, with exaggerated arrows.",
    "curves": "Camber, caster, toe and roll centre over wheel travel, as drawn and changed.",
}


def write_rack(folder: Path, study: Study, answer: RackAnswer) -> None:
    """Everything of one rack."""
    problem = answer.problem
    rack = problem.racks[answer.rack].name
    title = f"{study.title}: least change of the suspension for {rack}"
    lines = list(verdict(answer, study))
    write_text(folder / "verdict.txt", "\n".join([title, "", *lines, "", CAUTION]) + "\n")
    _write_tables(folder, answer, title)
    way, pictures = answer.recommended, {}
    if way is not None and way.design is not None:
        _write_study(folder, study, answer, way)
        for name, figure in figures(answer, way).items():
            drawn = drawn_svg(figure)
            write_bytes(folder / f"{name}.svg", drawn)
            pictures[name] = inline_svg(drawn, name, ALT[name])
    write_text(folder / "report.html", adapt_html(study, answer, title, lines, pictures))


def _write_study(folder: Path, study: Study, answer: RackAnswer, way: Way) -> None:
    """Points of the recommended way, and a study of the car that it makes."""
    problem, design, outcome = answer.problem, way.design, way.outcome
    if design is None or outcome is None:
        return
    rack = problem.racks[answer.rack].name
    chosen = Chosen(study, problem, way.name, design, outcome)
    title = f"{study.title}: {way.name}, rack {rack}"
    notes = list(fitting_sentences(problem, design, outcome))
    text = hardpoints_text(chosen.points, study.frame, chosen.lengths_mm, title, notes)
    write_text(folder / HARDPOINTS, text)
    for name, kind in copied_files(study).items():
        write_bytes(folder / name, study.inputs[kind].read_bytes())
    comment = (
        f"{title}; {amount(MOVED_MM, way.moved_mm)} in all.\n"
        f"The points are in {HARDPOINTS}, in the CAD frame, in mm.\n{CAUTION}"
    )
    write_text(folder / STUDY, moved_study_text(study, rack, comment))


def write_all(folder: Path, study: Study, answers: Sequence[RackAnswer]) -> None:
    """One table of all racks, the ways of each, and their verdicts."""
    title = f"{study.title}: least change of the suspension for every rack"
    stands = [stands_words(answer) for answer in answers]
    write_text(
        folder / "racks.csv",
        csv_text(RACK_COLUMNS, rack_rows(answers, stands), (title, NOT_CHECKED, CAUTION)),
    )
    text = [line for answer in answers for line in (*verdict(answer, study), "")]
    write_text(folder / "verdict.txt", "\n".join([title, "", *text, CAUTION]) + "\n")
    for answer in answers:
        _write_tables(folder / slug(answer.problem.racks[answer.rack].name), answer, title)


def _write_tables(folder: Path, answer: RackAnswer, title: str) -> None:
    """The ways of a rack and their moves, both with what was not checked and the caution."""
    ways, moves = way_rows(answer), move_rows(answer)
    comments = (title, _WAYS_NOTE, NOT_CHECKED, CAUTION)
    write_text(folder / "ways.csv", csv_text(way_columns(answer.problem), ways, comments))
    comments = (title, _MOVES_NOTE, NOT_CHECKED, CAUTION)
    write_text(folder / "moves.csv", csv_text(MOVE_COLUMNS, moves, comments))


# --- figures -------------------------------------------------------------------------------------

_WIDTH, _LEFT, _RIGHT, _BOTTOM, _TOP, _GAP = 10.4, 0.7, 0.15, 0.6, 0.65, 0.75


def figures(answer: RackAnswer, way: Way) -> dict[str, Figure]:
    """Figures of the recommended way by file name; of nothing moved the curves alone."""
    found = {"curves": _curves_figure(answer, way)}
    if way.name != NOTHING:
        found["moved"] = _moved_figure(answer, way)
    return found


def _moved_figure(answer: RackAnswer, way: Way) -> Figure:
    """The left corner from behind and from above, to one scale."""
    problem = answer.problem
    if way.design is None:
        raise ValueError("nothing was found")
    changed = problem.corners(way.design)[0].select(0)
    names = {
        move.point: f"{mover.name}\n{move.distance_mm:.1f} mm"
        for move in moves_of(problem, way.design)
        for mover in suspension_of(problem).movers
        if move.point in mover.points
    }
    radius = problem.car.attitude.loaded_radius_mm
    moved = Moved(problem.points, changed, names, radius)
    boxes = {view: extent(moved, view) for view in ("behind", "above")}
    wide = sum(right - left for left, right, _, _ in boxes.values())
    scale = (_WIDTH - 2.0 * _LEFT - _RIGHT - _GAP) / wide
    tall = max(top - bottom for _, _, bottom, top in boxes.values()) * scale
    height = tall + _BOTTOM + _TOP
    figure, x = Figure(figsize=(_WIDTH, height)), _LEFT
    for view, (left, right, bottom, top) in boxes.items():
        w, h = (right - left) * scale, (top - bottom) * scale
        axes = figure.add_axes((x / _WIDTH, _BOTTOM / height, w / _WIDTH, h / height))
        draw_moved(axes, moved, view, (w * POINTS_PER_INCH, h * POINTS_PER_INCH))
        x += w + _GAP + _LEFT
    figure.text(
        _LEFT / _WIDTH,
        1.0 - 0.22 / height,
        f"Hollow: drawn. Filled: moved. Arrows are {moved.factor:g} times as long as the moves. "
        "Broken: the corner as drawn; blue: tie rod; orange: steering arm. Both to one scale.",
        fontsize=8.5,
    )
    return figure


def _curves_figure(answer: RackAnswer, way: Way) -> Figure:
    problem = answer.problem
    if way.design is None:
        raise ValueError("nothing was found")
    before = curves_of(problem, problem.points)
    after = curves_of(problem, problem.corners(way.design)[0].select(0))
    bands = suspension_of(problem).bands()
    if problem.steering.wanted_toe.is_none and not problem.steering.wanted_toe.bands:
        bands["bump_steer_deg"] = float(problem.acceptable[0])
    figure = Figure(figsize=(10.4, 6.6))
    room = {
        "left": 0.075,
        "right": 0.985,
        "bottom": 0.08,
        "top": 0.98,
        "wspace": 0.2,
        "hspace": 0.25,
    }
    panels = figure.subplots(2, 2, gridspec_kw=room)
    for number, axes in enumerate(np.ravel(panels)):
        draw_curve(axes, before, after, number, bands.get(PANELS[number][2]))
    return figure
