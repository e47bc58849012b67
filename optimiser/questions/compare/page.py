"""The page of `compare`: the answer, the cures, what moved and changed, numbers side by side."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from optimiser.answer.run_result import CAUTION
from optimiser.evaluation.designs import JUDGED
from optimiser.evaluation.quantities import quantity
from optimiser.questions.compare.words import WAY_WORDS, side_words, step_words
from optimiser.report.html import template
from optimiser.report.words import BLANK, CAUTIONS, assumptions, number

if TYPE_CHECKING:
    from collections.abc import Sequence

    from optimiser.evaluation.quantity import Quantity
    from optimiser.questions.compare.answer import Compared
    from optimiser.questions.compare.changes import Change, NumberRow, PointMove
    from optimiser.questions.compare.cures import Cure

_STEP = 0.5
"""Of the last digit: a change below it is shown as none."""


def compare_html(found: Compared, title: str, lines: Sequence[str]) -> str:
    """The page."""
    judged = found.judged
    return template("compare.html.j2").render(
        title=title,
        first=lines[0],
        lines=lines[1:],
        caution=CAUTION,
        cautions=CAUTIONS,
        old=side_words(found.old),
        new=side_words(found.new),
        two=judged is None,
        to_after=found.old.bare or not found.new.bare,
        cures=[] if judged is None else [_cure_row(found, cure) for cure in judged.cures],
        judged=[quantity(name).heading for name in JUDGED],
        drawn=[_point_row(move) for move in found.drawn],
        built=[_point_row(move) for move in found.built],
        changes=[
            (heading, [_change_row(change) for change in changes])
            for heading, changes in (
                ("Keys of the study", found.keys),
                ("Racks and what the catalogue says of them", found.racks),
                ("Verdicts", found.verdicts),
            )
            if changes
        ],
        numbers=[_number_row(row) for row in found.numbers],
        assumptions=list(assumptions(found.new.chosen.problem)),
    )


def _cure_row(found: Compared, cure: Cure) -> dict[str, Any]:
    chosen = cure.chosen
    if found.judged is None or chosen is None:
        verdict = "not enough" if cure.tried else "not free in the study"
        return {
            "way": WAY_WORDS[cure.way],
            "steps": BLANK,
            "verdict": verdict,
            "good": False,
            "pick": False,
            "values": [BLANK] * (1 + len(JUDGED)),
        }
    values = [chosen.metric(name) for name in JUDGED]
    outside = ", ".join(quantity(name).words for name in cure.outside)
    cheap = found.judged.cheapest
    return {
        "way": WAY_WORDS[cure.way],
        "steps": step_words(found.judged.chosen, chosen.design),
        "verdict": f"yes, but outside the ranges: {outside}" if outside else "yes",
        "good": not outside,
        "pick": cheap is not None and cure.way == cheap.way,
        "values": [
            number(cure.change_mm, 1),
            *(number(v, quantity(n).digits) for v, n in zip(values, JUDGED, strict=True)),
        ],
    }


def _point_row(move: PointMove) -> tuple[str, ...]:
    places = [number(float(value), 2) for value in (*move.before, *move.after, *move.by)]
    return (move.name.replace("_", " "), *places, number(move.distance_mm, 2))


def _change_row(change: Change) -> tuple[str, str, str]:
    return change.name, change.before or BLANK, change.after or BLANK


def _number_row(row: NumberRow) -> dict[str, Any]:
    one = quantity(row.name)
    change = row.change
    moved = change is not None and abs(change) >= _STEP * 10.0**-one.digits
    return {
        "words": one.heading,
        "old": number(row.old, one.digits),
        "carried": number(row.carried, one.digits),
        "new": number(row.new, one.digits),
        "change": _signed(one, change) if moved else ("the same" if change is not None else BLANK),
        "moved": moved,
    }


def _signed(one: Quantity, change: float | None) -> str:
    text = number(change, one.digits)
    return f"+{text}" if change is not None and change > 0.0 else text
