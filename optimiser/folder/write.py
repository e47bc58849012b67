"""The result folder of one study: tables, the winner's points and curves, figures, the record."""

from __future__ import annotations

import datetime
import platform
import sys
from importlib.metadata import version
from typing import TYPE_CHECKING, Any

import numpy as np

from optimiser import __version__
from optimiser.answer.break_even import BREAK_EVEN_FILE, table_columns
from optimiser.answer.choosing import how_chosen, how_nearest
from optimiser.answer.design_numbers import design_numbers
from optimiser.answer.exactness import accuracy
from optimiser.answer.rack_table import ORDER_RULE
from optimiser.answer.run_result import (
    CAUTION,
    RUN_FILE,
    RunResult,
    write_columns,
    write_json,
)
from optimiser.base.files import slug, write_bytes, write_text
from optimiser.folder.design import write_design
from optimiser.folder.read import INPUTS_HASH, input_path
from optimiser.folder.sheet import write_sheet
from optimiser.folder.sums import TRIALS_SUMS, sums_of
from optimiser.report.answer_words import answer_of
from optimiser.report.figures import ALT, design_figures, drawn_svg, inline_svg, run_figures
from optimiser.report.linkage_figure import glance_figure
from optimiser.report.page import report_html
from optimiser.study.start_from import START_FROM, copy_text

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from optimiser.answer.exactness import Accuracy
    from optimiser.answer.run_result import Chosen
    from optimiser.folder.read import StoredRun
    from optimiser.report.answer_words import Answer
    from optimiser.study.read import Study

REPORT_FILE = "report.html"
MOST_BUILT = 24
"""Designs of a front that are built to the tolerances: a few seconds at the most."""
_LIBRARIES = ("numpy", "scipy", "pandas", "optuna", "matplotlib", "pydantic", "jinja2")


def write_run(
    folder: Path, result: RunResult, *, finished: bool = True, problems: tuple[str, ...] = ()
) -> Answer:
    """Write everything of a run; `run.json` last, which marks the folder as whole.

    Returns the answer, which is found on the way.

    Args:
        folder: where to.
        result: what was found.
        finished: False when the run was cut short, which `run.json` then says.
        problems: what went wrong on the way, a line each.
    """
    study = result.study
    write_inputs(folder, study)
    trials = result.trial_columns()
    write_columns(folder / "trials.csv", trials, (study.title, CAUTION))
    write_columns(folder / "front.csv", _front_table(result, trials), (study.title, CAUTION))
    write_columns(folder / "racks.csv", result.rack_columns(), (study.title, ORDER_RULE, CAUTION))
    if result.break_even is None:
        (folder / BREAK_EVEN_FILE).unlink(missing_ok=True)
    else:
        evens = table_columns(result.problem, result.break_even)
        write_columns(folder / BREAK_EVEN_FILE, evens, (study.title, CAUTION))
    # Racks that joined have given others another number.
    for old in (folder / "fronts").glob("[0-9]*-*.csv"):
        old.unlink()
    for index, rows in result.rack_fronts.items():
        name = slug(result.problem.racks[index].name)
        write_columns(
            folder / "fronts" / f"{index + 1:02d}-{name}.csv",
            {column: values[rows] for column, values in trials.items()},
            (f"front of {result.problem.racks[index].name}", CAUTION),
        )
    winner = None if result.winner is None else result.chosen(result.winner)
    if winner is not None:
        write_design(folder, winner)
    exact = None if winner is None else accuracy(winner.problem, winner.design)
    made = figures(result, winner, exact)
    for name, drawn in made.items():
        write_bytes(folder / f"{name}.svg", drawn)
    noted = record(result) | {"finished": finished, "problems": list(problems)}
    answer = answer_of(result, None if exact is None else exact.built)
    write_report(folder, result, noted, answer, made, exact, winner)
    write_json(folder / RUN_FILE, noted)
    return answer


def _front_table(result: RunResult, trials: dict[str, NDArray[Any]]) -> dict[str, NDArray[Any]]:
    """Rows of the front; with `[tolerance]`, what cars built to each of them come to.

    At most `MOST_BUILT` designs spread over the front are built; the others stay blank.
    """
    problem, count = result.problem, len(result.front)
    table = {column: values[result.front] for column, values in trials.items()}
    if problem.tolerances is None or not count:
        return table
    picked = np.unique(np.linspace(0, count - 1, min(count, MOST_BUILT)).round().astype(int))
    points, _ = problem.corners(result.designs.select(result.front[picked]))
    percentiles, _ = problem.spread(points)
    for name, values in percentiles.items():
        column = np.full(count, np.nan)
        column[picked] = values
        table[name] = column
    return table


def write_report(
    folder: Path,
    result: RunResult,
    noted: dict[str, Any],
    answer: Answer,
    made: dict[str, bytes],
    exact: Accuracy | None,
    winner: Chosen | None,
) -> None:
    """Write `report.html`, the figures inside it, and the winner's `sheet.html`."""
    row = result.foremost
    glance = {} if row is None else {"glance": drawn_svg(glance_figure(result.chosen(row)))}
    pictures = {name: inline_svg(drawn, name, ALT[name]) for name, drawn in (glance | made).items()}
    page = report_html(result, noted, answer, pictures, exact)
    write_text(folder / REPORT_FILE, page)
    write_sheet(folder, winner, str(noted.get("date", "")))


def rewrite_report(stored: StoredRun) -> Path:
    """Write the report of a stored run again, from its files alone; returns its path."""
    result = stored.result
    winner = None if result.winner is None else result.chosen(result.winner)
    exact = None if winner is None else accuracy(winner.problem, winner.design)
    made = figures(result, winner, exact)
    answer = answer_of(result, None if exact is None else exact.built)
    write_report(stored.folder, result, stored.record, answer, made, exact, winner)
    return stored.folder / REPORT_FILE


def write_inputs(folder: Path, study: Study, *, again: bool = False) -> None:
    """Copy the study's files, unless that was done when the run began; `again`, when it begins.

    They are copied before the search: whoever edits the study overnight would otherwise find
    next to the results a study that they do not answer.
    """
    for kind, path in study.inputs.items():
        target = input_path(folder, kind)
        if again or not target.exists():
            write_bytes(target, path.read_bytes())
    if study.start_from:
        # The earlier result may go: what was begun with stays here.
        write_text(input_path(folder, START_FROM), copy_text(study.start_from))


def figures(result: RunResult, chosen: Chosen | None, exact: Accuracy | None) -> dict[str, bytes]:
    """SVG files by name, each drawn once."""
    made = run_figures(result)
    if chosen is not None:
        built = None if exact is None else exact.built
        band = None if built is None else (built.toe_low_deg, built.toe_high_deg)
        made |= design_figures(chosen, band)
    return {name: drawn_svg(figure) for name, figure in made.items()}


# --- the record ----------------------------------------------------------------------------------


def record(result: RunResult) -> dict[str, Any]:
    """Content of run.json."""
    study, status = result.study, result.evaluation.status
    units = [
        {
            "rack": result.problem.racks[unit.rack].name,
            "seed": unit.seed,
            "designs": len(unit.designs),
            "stopped_because": unit.stop_reason,
            "dropped": unit.dropped,
            "finished": unit.finished,
            "seconds": unit.seconds,
            "independent_starts": {"agree": unit.starts[0], "followed": unit.starts[1]},
        }
        for unit in result.units
    ]
    causes, counts = np.unique(status.astype(str), return_counts=True)
    winner: dict[str, Any] | None = None
    if result.winner is not None:
        chosen = result.chosen(result.winner)
        numbers = design_numbers(result.problem, chosen.design, chosen.outcome)
        winner = {
            "design": result.winner + 1,
            "rack": chosen.rack.name,
            "acceptable": result.acceptable,
            "how_chosen": how_chosen(result.problem, result.prefer)
            if result.acceptable
            else how_nearest(result.problem),
            "turning_circle_m": numbers["turning_circle_m"],
        }
    return {
        "program": "optimiser",
        "date": datetime.datetime.now().astimezone().isoformat(timespec="seconds"),
        "version": __version__,
        "python": platform.python_version(),
        "system": sys.platform,
        "libraries": {name: version(name) for name in _LIBRARIES},
        "study_file": "study.toml",
        "variant": study.variant,
        "title": study.title,
        "caution": CAUTION,
        "study": study.resolved(),
        INPUTS_HASH: study.inputs_hash,
        TRIALS_SUMS: sums_of(result.trial_columns()),
        "designs": len(result.designs),
        "feasible": int(result.evaluation.feasible.sum()),
        "outcomes": dict(zip(causes.tolist(), counts.tolist(), strict=True)),
        "winner": winner,
        "units": units,
    }
