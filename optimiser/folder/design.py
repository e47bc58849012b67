"""Hardpoints and curves of one design, and the curves of the car as drawn."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from optimiser.answer.bolted import bolt_sentences, bolted_points, drilling_text
from optimiser.answer.budget import BUDGET_COLUMNS
from optimiser.answer.design_numbers import drawn_designs
from optimiser.answer.effort_curve import effort_curve
from optimiser.answer.fitting import fitting_sentences
from optimiser.answer.forces import FORCE_COLUMNS, force_notes, point_forces
from optimiser.answer.free_lock import collar_notes, free_lock
from optimiser.answer.run_result import CAUTION, hardpoints_text
from optimiser.base.errors import InputError
from optimiser.base.files import csv_text, write_text
from optimiser.evaluation.asked import Travel
from optimiser.metrics.pose_table import pose_table
from optimiser.metrics.roll_table import both_ways, roll_table
from optimiser.study.read import read_study

if TYPE_CHECKING:
    from pathlib import Path

    from optimiser.answer.free_lock import FreeLock
    from optimiser.answer.run_result import Chosen
    from optimiser.linkage.vectors import Array

DEFAULT_TRAVEL = Travel(50.0, 50.0, 10.0)
MOST_POSES = 1_000_000
"""Rows of `curves`: so many take 1 GB while they are made, and 200 MB as a file."""


def write_design(folder: Path, chosen: Chosen) -> None:
    """Hardpoints and curves of one design, these as far as its steering goes.

    With roll angles in the study also what they make of both wheels, with loads the effort over
    lock, with stiffness or play the toe budget, with a spring the forces on what is welded, with
    collars how far they let it steer.
    """
    problem, points = chosen.problem, chosen.points
    write_text(
        folder / "hardpoints.csv",
        hardpoints_text(
            points,
            chosen.study.frame,
            chosen.lengths_mm,
            chosen.title,
            (
                *fitting_sentences(problem, chosen.design, chosen.outcome),
                *bolt_sentences(problem, chosen.design, chosen.study.frame),
            ),
            bolted_points(problem, chosen.design),
        ),
    )
    if drilling := drilling_text(problem, chosen.design, chosen.title, CAUTION):
        write_text(folder / "drilling.csv", drilling)
    end = chosen.steering_end_mm
    table = pose_table(
        points,
        problem.travel.grid(),
        np.linspace(-end, end, 13),
        problem.car.attitude,
    )
    if not problem.steering.wanted_toe.is_none:
        wanted = problem.steering.wanted_toe.change(table["travel_mm"])
        table["wanted_toe_change_deg"] = np.degrees(wanted)
    _write_table(folder / "curves.csv", table, chosen, "left wheel, ISO 8855 axes")
    if problem.steering.stops == "collars" and (found := chosen.free_lock) is not None:
        write_text(folder / "free_lock.csv", _free_lock_csv(found, chosen.title))
    if problem.car.roll_angles_deg:
        roll = both_ways(problem.car.roll_angles_deg)
        table = roll_table(points, np.linspace(-end, end, 13), roll, problem.car.attitude)
        _write_table(folder / "roll.csv", table, chosen, "both wheels in roll, ISO 8855 body axes")
    if (effort := effort_curve(chosen)) is not None:
        _write_table(folder / "effort.csv", effort, chosen, "standing car, an estimate")
    if (budget := chosen.budget) is not None:
        comments = (chosen.title, *budget.notes, CAUTION)
        text = csv_text(BUDGET_COLUMNS, budget.rows(), comments)
        write_text(folder / "budget.csv", text)
    if forces := point_forces(chosen):
        notes, rows = (chosen.title, *force_notes(chosen), CAUTION), (one.row() for one in forces)
        write_text(folder / "forces.csv", csv_text(FORCE_COLUMNS, rows, notes))


def free_lock_text(path: Path, name: str) -> tuple[str, str]:
    """CSV text of how far the car as drawn may steer with one rack in its place, and a summary.

    The bar lies through the drawn inner joints, without spacers.

    Raises:
        InputError: the study cannot be used, has no such rack, or the car does not stand at rest.
    """
    study = read_study(path)
    names = [rack.name for rack in study.racks]
    if name not in names:
        raise InputError("--rack", f"no rack {name!r} in {path}", f"name one of {', '.join(names)}")
    problem = study.problem()
    found = free_lock(problem, drawn_designs(problem).select(np.array([names.index(name)])))
    if found is None:
        raise InputError(
            f"{path}, rack {name!r}",
            "cannot be assembled in the drawn place",
            "see optimiser check",
        )
    title = f"{study.title}, as drawn with {name}"
    notes = list(collar_notes(found))
    return _free_lock_csv(found, title), ". ".join(
        text[0].upper() + text[1:] for text in notes
    ) + "."


def _free_lock_csv(found: FreeLock, title: str) -> str:
    table = found.columns()
    rows = zip(*table.values(), strict=True)
    about = (
        title,
        "first rack displacement from the centre at which a limit is reached, of both wheels at "
        "that travel; steer angle of the wheel that stops, ISO 8855",
        *collar_notes(found),
        CAUTION,
    )
    return csv_text(list(table), rows, about)


def _write_table(path: Path, table: dict[str, Array], chosen: Chosen, what: str) -> None:
    rows = zip(*(column.tolist() for column in table.values()), strict=True)
    write_text(path, csv_text(list(table), rows, (chosen.title, what, CAUTION)))


def curves_text(path: Path, travel_mm: list[float] | None, rack_mm: list[float]) -> str:
    """CSV text of the as-drawn corner's pose table; `[car]` and `[hardpoints]` are enough.

    Without a travel the study's `[travel]` is taken, or `DEFAULT_TRAVEL` when it has none.

    Raises:
        InputError: the study cannot be used, or there are more than `MOST_POSES` pairs.
    """
    study = read_study(path, whole=False)
    grid = (study.travel or DEFAULT_TRAVEL).grid() if travel_mm is None else np.array(travel_mm)
    if len(grid) * len(rack_mm) > MOST_POSES:
        raise InputError(
            "--travel, --rack",
            f"{len(grid)} by {len(rack_mm)} poses are more than {MOST_POSES}",
            "take a coarser step for one of them",
        )
    table = pose_table(
        study.points,
        grid,
        np.array(rack_mm),
        study.car.attitude,
    )
    return csv_text(list(table), zip(*(column.tolist() for column in table.values()), strict=True))
