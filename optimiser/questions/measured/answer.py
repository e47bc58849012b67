"""Wiring of `measured`: which car, its readings, what they leave open, which shims, where."""

from __future__ import annotations

import os
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from optimiser.base.errors import InputError
from optimiser.folder.choose import choose
from optimiser.folder.claim import claimed
from optimiser.folder.read import read_results
from optimiser.linkage.vectors import unit
from optimiser.metrics.tolerance import Tolerances
from optimiser.questions.asking import question_parts
from optimiser.questions.measured.choice import choose_shims, judged, opened, surely_better
from optimiser.questions.measured.estimate import estimate
from optimiser.questions.measured.misfit import misfit
from optimiser.questions.measured.model import CarModel, Unknowns, expected
from optimiser.questions.measured.readings import read_readings
from optimiser.questions.measured.signs import sign_of
from optimiser.questions.measured.spacers import spacer_for
from optimiser.questions.measured.telling import telling
from optimiser.study.measuring import MeasuringTable
from optimiser.study.read import read_study

if TYPE_CHECKING:
    from pathlib import Path

    from optimiser.evaluation.problem import Problem
    from optimiser.linkage.hardpoints import Hardpoints
    from optimiser.questions.measured.choice import Choice, Open, Outcome
    from optimiser.questions.measured.estimate import Estimate
    from optimiser.questions.measured.readings import Readings
    from optimiser.questions.measured.signs import Sign
    from optimiser.questions.measured.spacers import Spacer
    from optimiser.questions.measured.telling import Telling
    from optimiser.study.read import Study


@dataclass(frozen=True, slots=True)
class MeasuredAsked:
    """Arguments of the command.

    Attributes:
        design: the study file, for the car as drawn, or the folder of a result.
        readings: the file.
        number: of a design of the result; None: the winner.
        measuring: another study file whose `[measuring]` holds; None: that of the study itself.
        out: where the folder goes.
    """

    design: Path
    readings: Path
    number: int | None
    measuring: Path | None
    out: Path


@dataclass(frozen=True, slots=True, eq=False)
class Measured:
    """The answer, before anyone words it.

    Attributes:
        title: of which car.
        problem: what is asked of it.
        table: how it was measured.
        model: the car.
        readings: of it.
        signs: of each wheel that was measured.
        unfit: wheels whose readings fit no car that the tolerances allow, and by how much they part
            from all of them over their travel, radians.
        found: what the readings leave open.
        outcomes: 'leave', and 'best' and 'least' where shims are given.
        choice: None where no sign is to be trusted, or no car fits.
        telling: what the readings tell of each wheel that was measured.
        spacers: what other spacers would still do, where they would.
        notes: what else is to be said, a sentence each.
    """

    title: str
    problem: Problem
    table: MeasuringTable
    model: CarModel
    readings: Readings
    signs: tuple[Sign, ...]
    unfit: dict[int, float]
    found: Estimate
    choice: Choice | None
    outcomes: dict[str, Outcome]
    telling: dict[int, Telling]
    spacers: dict[int, Spacer]
    notes: tuple[str, ...]

    @property
    def trusted(self) -> bool:
        """Whether every sign is, so that shims may be given."""
        return all(sign.trusted for sign in self.signs)

    @property
    def accepted(self) -> float:
        """Bump steer that is accepted, radians."""
        return self.problem.steering.acceptable_bump_steer

    @property
    def advised(self) -> Outcome:
        """The best shims, or leaving it as it is."""
        return self.outcomes.get("best", self.outcomes["leave"])

    @property
    def good(self) -> bool:
        """Whether a car fits, signs are trusted and what is advised keeps the wheels within it."""
        if self.unfit or not self.trusted:
            return False
        sides = list(self.readings.sides)
        return bool((self.advised.mean[sides] <= self.accepted).all())


@dataclass(frozen=True, slots=True)
class _Car:
    title: str
    name: str
    study: Study
    problem: Problem
    points: Hardpoints
    notes: tuple[str, ...] = ()


def answer_measured(asked: MeasuredAsked) -> tuple[Measured, Path]:
    """The answer and the folder that it was written to.

    Raises:
        InputError: a study, result or file of readings that cannot be used.
        NothingFeasibleError: a result without a winner, and no design named.
        StorageError: the folder cannot be written.
    """
    from optimiser.questions.measured.folder import write_measured  # loads Matplotlib

    car = _car(asked)
    table = _table(asked, car.study)
    readings = read_readings(asked.readings, table)
    measured = measure(car.title, car.problem, car.points, table, readings, car.notes)
    parts = question_parts(
        car.study,
        table.model_dump_json(),
        repr([(name, at.tolist()) for name, at in car.points.items()]),
        repr([readings.side.tolist(), readings.travel_mm.tolist(), readings.toe_in.tolist()]),
        repr([readings.rack_mm.tolist(), readings.round.tolist()]),
    )
    with claimed(asked.out, f"{car.name}-measured", parts) as folder:
        write_measured(folder, measured)
    return measured, folder


def measure(
    title: str,
    problem: Problem,
    points: Hardpoints,
    table: MeasuringTable,
    readings: Readings,
    notes: tuple[str, ...] = (),
) -> Measured:
    """What the readings of a car say, and which shims it should have; nothing is written.

    Raises:
        InputError: a reading at a pose that the car as designed does not reach, or tolerances with
            which cars do not reach the study's travel.
    """
    tolerances = problem.tolerances
    if tolerances is None:
        tolerances = Tolerances()
        notes = (*notes, "The study has no [tolerance]: its defaults were taken.")
    fitted = np.array(table.fitted_shims_mm)
    model = CarModel(
        points,
        problem.conditions,
        tolerances,
        fitted,
        table.bracket_spacing_mm,
        _bolt(problem, points),
    )
    unknowns = Unknowns.of(tolerances, readings, table.travel_zero == "free")
    _check_reached(model, readings, unknowns)
    stated = float(np.radians(table.toe_plus_minus_deg))
    found = estimate(model, readings, unknowns, stated)
    signs = tuple(
        sign_of(readings, side, points, problem.car.attitude, _toe_error(model, table))
        for side in readings.sides
    )
    far_off = {side: misfit(readings, found, side, stated) for side in readings.sides}
    unfit = {side: off for side, off in far_off.items() if off}
    cars = opened(model, found, table.shims_mm)
    answerable = not unfit and all(sign.trusted for sign in signs)
    accepted = problem.steering.acceptable_bump_steer
    choice = choose_shims(model, cars, readings.sides, accepted) if answerable else None
    choice, outcomes = _judged(model, found, cars, choice)
    advised = outcomes["best"].shims_mm if "best" in outcomes else model.now_mm
    spacers = {side: spacer_for(model, cars, advised, side) for side in readings.sides}
    return Measured(
        title,
        problem,
        table,
        model,
        readings,
        signs,
        unfit,
        found,
        choice,
        outcomes,
        {side: telling(model, found, side) for side in readings.sides},
        {side: one for side, one in spacers.items() if one is not None and choice is not None},
        (*notes, *readings.notes(), *readings.reach_notes(problem.conditions.travel_mm)),
    )


def _judged(
    model: CarModel, found: Estimate, cars: Open, choice: Choice | None
) -> tuple[Choice | None, dict[str, Outcome]]:
    """What the chosen shims come to by the full kernel; without them where that does not agree."""
    sets = {"leave": model.now_mm}
    if choice is not None and choice.best is not None and choice.least is not None:
        sets |= {"best": choice.best, "least": choice.least}
    outcomes = judged(model, found, cars.samples, sets)
    if not np.isfinite(outcomes["leave"].mean).all():
        raise InputError(
            "[tolerance]",
            "lets cars be so far off that some do not reach the study's travel",
            "write no more than the car can be off by",
        )
    if choice is None or all(surely_better(model, outcomes, kind) for kind in sets):
        return choice, outcomes
    return replace(choice, best=None, least=None), {"leave": outcomes["leave"]}


def _toe_error(model: CarModel, table: MeasuringTable) -> float | None:
    """Standard deviation of toe at rest as set and read; None where it is not known."""
    if table.toe_zero == "free":
        return None
    as_set = model.tolerances.standard_deviations()[-1]
    return float(np.hypot(as_set, np.radians(table.toe_plus_minus_deg)))


def _check_reached(model: CarModel, readings: Readings, unknowns: Unknowns) -> None:
    toe = expected(model, readings, unknowns, np.zeros(unknowns.size)).toe
    for row in np.flatnonzero(~np.isfinite(toe)):
        raise InputError(
            readings.where[row],
            f"the car as designed does not reach {readings.travel_mm[row]:g} mm of travel with "
            f"the rack {readings.rack_mm[row]:g} mm off centre",
            "check travel_mm and rack_mm, and that the readings are of this car",
        )


def _bolt(problem: Problem, points: Hardpoints) -> tuple[float, float, float] | None:
    """Direction of the outer joint's bolt; None: along the steering axis, also where unknown."""
    bolt = problem.car.outer_bolt
    if bolt == "vertical":
        return 0.0, 0.0, 1.0
    if bolt == "square to rod":
        axis = unit(points.upper_ball_joint - points.lower_ball_joint)
        rod = unit(points.outer_joint - points.inner_joint)
        x, y, z = (axis - (axis @ rod) * rod).tolist()
        return x, y, z
    return None if bolt is None or isinstance(bolt, str) else bolt


# --- which car -----------------------------------------------------------------------------------


def _car(asked: MeasuredAsked) -> _Car:
    path = asked.design
    if os.path.isdir(path):
        stored = read_results(path)
        picked = choose(stored, asked.number, None)
        chosen = picked.chosen
        return _Car(chosen.title, path.resolve().name, stored.study, stored.problem, chosen.points)
    if asked.number is not None:
        raise InputError(
            "--design", f"{path} is no result", "name the folder of a result, such as results/demo"
        )
    study = read_study(path, racks=False)
    notes = ("The study's variants are left aside: this is the study itself.",)
    return _Car(
        f"{study.title}: the car as drawn",
        study.name,
        study,
        study.problem(racks=False),
        study.points,
        notes if study.variants else (),
    )


def _table(asked: MeasuredAsked, study: Study) -> MeasuringTable:
    """How it was measured; defaults where nobody says."""
    if asked.measuring is not None:
        study = read_study(asked.measuring, whole=False)
        if study.file.measuring is None:
            raise InputError(
                f"{asked.measuring}, [measuring]",
                "is missing",
                "add it, or leave --measuring out",
            )
    return study.file.measuring or MeasuringTable()
