"""The page over the ways of one rack: the answer, what moves, what that does to the car."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from optimiser.answer.moved import NOT_CHECKED, moves_of
from optimiser.answer.run_result import CAUTION
from optimiser.evaluation.designs import JUDGED
from optimiser.evaluation.moves import KEPT, MOVED_MM
from optimiser.evaluation.quantities import quantity
from optimiser.questions.adapt.asked import suspension_of
from optimiser.questions.adapt.character import NUMBERS, curves_of
from optimiser.report.html import template
from optimiser.report.words import BLANK, CAUTIONS, assumptions, number

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from optimiser.questions.adapt.rack import RackAnswer, Way
    from optimiser.study.read import Study

_SETTING = ("rack_height_mm", "rack_fore_aft_mm", "spacer_mm")


def adapt_html(
    study: Study,
    answer: RackAnswer,
    title: str,
    lines: Sequence[str],
    pictures: Mapping[str, str],
) -> str:
    """The page; `pictures` are SVG elements by the name of the figure."""
    problem, way = answer.problem, answer.recommended
    return template("adapt.html.j2").render(
        title=title,
        first=lines[0],
        lines=[line for line in lines[1:] if line != NOT_CHECKED],
        caution=CAUTION,
        cautions=CAUTIONS,
        not_checked=NOT_CHECKED,
        ways=[_way_row(answer, one) for one in answer.ways.values()],
        columns=[quantity(name).heading for name in (MOVED_MM, *JUDGED, *_SETTING)],
        moves=[
            (
                move.point.replace("_", " "),
                *(number(v, 2) for v in (move.forward_mm, move.outboard_mm, move.up_mm)),
                number(move.distance_mm, 2),
            )
            for move in ([] if way is None or way.design is None else moves_of(problem, way.design))
        ],
        points=[] if way is None else list(_points(study, answer, way)),
        car=[] if way is None else list(_car(answer, way)),
        bands=[] if way is None else list(_bands(answer, way)),
        pictures=dict(pictures),
        assumptions=list(assumptions(problem)),
        study_text=study.text,
    )


def _way_row(answer: RackAnswer, way: Way) -> dict[str, Any]:
    values = [BLANK] * (1 + len(JUDGED) + len(_SETTING))
    if way.design is not None and way.outcome is not None:
        metrics = way.outcome.metrics
        numbers = [float(metrics[name][0]) for name in (MOVED_MM, *JUDGED)]
        numbers += [float(way.design.column(name)[0]) for name in _SETTING]
        names = (MOVED_MM, *JUDGED, *_SETTING)
        values = [number(v, quantity(n).digits) for v, n in zip(numbers, names, strict=True)]
    best = answer.recommended
    return {
        "name": way.name,
        "good": way.acceptable,
        "verdict": "yes" if way.acceptable else "no" if way.design is not None else "none found",
        "pick": best is not None and best.name == way.name,
        "values": values,
    }


def _points(study: Study, answer: RackAnswer, way: Way) -> Iterator[tuple[str, list[str], bool]]:
    """Every point of the left corner in the CAD frame, and whether it is moved."""
    if way.design is None:
        return
    moved = {move.point for move in moves_of(answer.problem, way.design)}
    for name, at in answer.problem.corners(way.design)[0].select(0).items():
        cells = [number(float(value), 2) for value in study.frame.to_cad(at)]
        yield name.replace("_", " "), cells, name in moved


def _car(answer: RackAnswer, way: Way) -> Iterator[tuple[str, str, str]]:
    if way.design is None:
        return
    problem = answer.problem
    before = curves_of(problem, problem.points).numbers()
    after = curves_of(problem, problem.corners(way.design)[0].select(0)).numbers()
    for name, (words, unit, digits) in NUMBERS.items():
        yield f"{words} ({unit})", number(before[name], digits), number(after[name], digits)


def _bands(answer: RackAnswer, way: Way) -> Iterator[tuple[str, str, str]]:
    if way.outcome is None:
        return
    bands = suspension_of(answer.problem).bands()
    for name in KEPT:
        one, value = quantity(name), float(way.outcome.metrics[name][0])
        band = bands.get(name, np.nan)
        yield one.heading, number(value, one.digits), f"{band:g}" if name in bands else "off"
