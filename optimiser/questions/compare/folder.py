"""The folder of `compare`: one table of everything, the answer in words, and the page."""

from __future__ import annotations

from typing import TYPE_CHECKING

from optimiser.answer.run_result import CAUTION
from optimiser.base.files import csv_text, write_text
from optimiser.evaluation.designs import VARIABLES
from optimiser.evaluation.quantities import quantity
from optimiser.questions.compare.page import compare_html
from optimiser.questions.compare.words import answer_lines, side_words

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from optimiser.questions.compare.answer import Compared
    from optimiser.questions.compare.changes import PointMove
    from optimiser.questions.compare.cures import Cure

COLUMNS = ("what", "item", "unit", "before", "before_in_new", "after", "change")
NOTE = (
    "what: drawn_point and design_point in the car's axes (forward of the axle, left of the "
    "middle, above ground; left corner), key, rack, verdict, number; cure: a way and a value that "
    "it changes, from before_in_new to after. before_in_new is the old design in the new study. "
    "Change is to after; of a result and a study to before_in_new, for that is the same design. "
    "Blank: not known, or not compared"
)
_AXES = ("forward", "left", "up")


def title_of(found: Compared) -> str:
    """Heading."""
    old, new = side_words(found.old), side_words(found.new)
    return f"What changed: from {old} to {new}"


def write_compared(folder: Path, found: Compared) -> None:
    """Everything."""
    title, lines = title_of(found), list(answer_lines(found))
    write_text(folder / "compare.txt", "\n".join([title, "", *lines, "", CAUTION]) + "\n")
    comments = (title, NOTE, CAUTION)
    write_text(folder / "compare.csv", csv_text(COLUMNS, list(rows(found)), comments))
    write_text(folder / "compare.html", compare_html(found, title, lines))


def rows(found: Compared) -> Iterator[tuple[object, ...]]:
    """Every row of the table."""
    yield from _points("drawn_point", found.drawn)
    yield from _points("design_point", found.built)
    for what, changes in (("key", found.keys), ("rack", found.racks), ("verdict", found.verdicts)):
        for change in changes:
            yield what, change.name, "", change.before, None, change.after, None
    for row in found.numbers:
        unit = quantity(row.name).unit
        yield "number", row.name, unit, row.old, row.carried, row.new, row.change
    if found.judged is not None:
        for cure in found.judged.cures:
            yield from _cure(found, cure)


def _points(what: str, moves: tuple[PointMove, ...]) -> Iterator[tuple[object, ...]]:
    for move in moves:
        for axis, way in enumerate(_AXES):
            before, after, by = (float(of[axis]) for of in (move.before, move.after, move.by))
            yield what, f"{move.name} {way}", "mm", before, None, after, by


def _cure(found: Compared, cure: Cure) -> Iterator[tuple[object, ...]]:
    """What a way changes, then the two numbers that it comes to."""
    if found.judged is None or cure.chosen is None:
        return
    old, new = found.judged.chosen, cure.chosen
    for name in VARIABLES:
        before, after = (float(one.design.column(name)[0]) for one in (old, new))
        if before != after:
            unit = quantity(name).unit
            yield "cure", f"{cure.way} {name}", unit, None, before, after, after - before
    for name in new.problem.objectives.judged_only.names[:2]:
        before, after = old.metric(name), new.metric(name)
        yield "cure", f"{cure.way} {name}", quantity(name).unit, None, before, after, after - before
    yield "cure", f"{cure.way} change in all", "mm", None, None, cure.change_mm, None
