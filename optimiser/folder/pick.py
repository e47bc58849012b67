"""Another design written out beside the winner, and what it costs against it."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from optimiser.answer.exactness import built_to_tolerances
from optimiser.answer.fitting import direction_sentences
from optimiser.answer.held import held
from optimiser.answer.kept_rods import kept_rod_sentences
from optimiser.answer.limits_and_growth import limit_rows
from optimiser.answer.run_result import write_json
from optimiser.answer.wanted import bands_text, bump_note
from optimiser.base.errors import InputError
from optimiser.base.files import read_json_table, write_bytes
from optimiser.evaluation.quantities import quantity, shown
from optimiser.folder.design import write_design

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path

    from optimiser.answer.run_result import Chosen
    from optimiser.evaluation.quantity import Quantity
    from optimiser.folder.choose import Picked
    from optimiser.folder.read import StoredRun

PICKED, PICK_FILE = "picked", "pick.json"
_MOST_TYPED = 10_000


# --- what to say ---------------------------------------------------------------------------------


def cost_lines(picked: Picked) -> Iterator[str]:
    """What the design is and what it costs against the one it is compared with, a line each."""
    chosen, base = picked.chosen, picked.base
    yield chosen.title
    against = "" if base is None else f"against {base.label}, rack {base.rack.name}:"
    if against:
        yield against
    problem = chosen.problem
    for name in problem.variables:
        value = float(chosen.design.column(name)[0])
        before = None if base is None else float(base.design.column(name)[0])
        yield change_line(quantity(name), value, before)
    named = (*problem.objectives.extra, *problem.bounds)
    asked = (name for name in named if name not in problem.variables)
    names = [one.name for one in shown("pick")]
    for one in map(quantity, dict.fromkeys((*names, *asked))):
        value = chosen.metric(one.name)
        if math.isfinite(value):
            yield change_line(one, value, None if base is None else base.metric(one.name))
    yield from kept_rod_sentences(chosen.problem, chosen.design, chosen.outcome)
    yield from verdict_lines(chosen)
    if note := bump_note(chosen.problem):
        yield note
    yield from picked.notes


def change_line(one: Quantity, value: float, before: float | None) -> str:
    """A number, and by how much it differs from what it was before where that is known."""
    text = f"  {one.words}: {one.text(value)}"
    if before is None or not math.isfinite(before):
        return text
    change = round(value - before, one.digits)
    return f"{text} ({change:+.{one.digits}f})" if change else f"{text} (the same)"


def verdict_lines(chosen: Chosen) -> Iterator[str]:
    """What a design breaks or is not acceptable in, or that it is neither, a line each."""
    problem = chosen.problem
    if not chosen.outcome.assembles[0]:
        yield f"It {chosen.outcome.status[0]}."
        return
    broken = [row for row in limit_rows(chosen) if not row.left >= 0.0]
    for row in broken:
        yield f"BREAKS {row.words} by {row.amount(-row.left)}."
    for found in (judged := list(held(problem, chosen.outcome))):
        if not found.kept:
            one, text = found.one, found.one.against(found.value, found.accepted)
            against = f"{found.accepted:g} {one.unit}".rstrip()
            yield f"NOT ACCEPTABLE: {one.words} {text} against {against}."
    if not broken and all(found.kept for found in judged):
        yield "It keeps every limit and is acceptable."
    if bands := bands_text(problem, chosen.points):
        yield bands
    yield from direction_sentences(problem, chosen.design)


# --- writing -------------------------------------------------------------------------------------


def write_pick(stored: StoredRun, picked: Picked, *, pictures: bool = True) -> Path:
    """Write hardpoints, curves and figures of a design into a folder of its own; returns it."""
    record = _record(picked)
    folder = _folder(stored.folder / PICKED, picked, record)
    _write_into(folder, picked.chosen, record, pictures=pictures, date=stored.record.get("date"))
    return folder


def write_picked(folder: Path, picked: Picked, more: Mapping[str, Any]) -> None:
    """Write the same files into a given folder; `more` is what else `pick.json` is to hold."""
    _write_into(folder, picked.chosen, _record(picked) | dict(more), pictures=True)


def _write_into(
    folder: Path,
    chosen: Chosen,
    record: dict[str, Any],
    *,
    pictures: bool,
    date: object = "",
) -> None:
    write_design(folder, chosen)
    if pictures:
        _write_figures(folder, chosen)
        _write_page(folder, chosen, str(date or ""))
    write_json(folder / PICK_FILE, record)


def _write_figures(folder: Path, chosen: Chosen) -> None:
    from optimiser.report.figures import design_figures, drawn_svg  # loads Matplotlib

    built = built_to_tolerances(chosen.problem, chosen.points)
    band = None if built is None else (built.toe_low_deg, built.toe_high_deg)
    for name, figure in design_figures(chosen, band).items():
        write_bytes(folder / f"{name}.svg", drawn_svg(figure))


def _write_page(folder: Path, chosen: Chosen, date: str) -> None:
    from optimiser.folder.sheet import write_sheet  # loads jinja2

    write_sheet(folder, chosen, date)


def _record(picked: Picked) -> dict[str, Any]:
    chosen, base = picked.chosen, picked.base
    return {
        "label": chosen.label,
        "rack": chosen.rack.name,
        "variables": {n: float(chosen.design.column(n)[0]) for n in chosen.problem.variables},
        "metrics": {name: float(values[0]) for name, values in chosen.outcome.metrics.items()},
        "status": str(chosen.outcome.status[0]),
        "compared_with": None if base is None else base.label,
        "lines": list(cost_lines(picked)),
    }


def _folder(parent: Path, picked: Picked, record: dict[str, Any]) -> Path:
    """`design-ID`, or for a typed point the first `typed-N` that is free or holds the same."""
    if not picked.typed:
        return parent / picked.chosen.label.replace(" ", "-")
    for number in range(1, _MOST_TYPED):
        folder = parent / f"typed-{number}"
        old = read_json_table(folder / PICK_FILE)
        same = all(old.get(key) == record[key] for key in ("label", "rack", "variables"))
        if same or not folder.exists():
            return folder
    raise InputError(str(parent), "holds ten thousand typed points", "clear some of them away")
