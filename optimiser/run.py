"""Wiring of one study and of several: no arithmetic here."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from optimiser.curves import pose_table
from optimiser.files import csv_text
from optimiser.front import best_ratio
from optimiser.output import sentences, write_run
from optimiser.results import RunResult, UnitResult, new_folder
from optimiser.search import SearchSettings, UnitSearch
from optimiser.study import Study, read_study

if TYPE_CHECKING:
    from optimiser.problem import Problem
    from optimiser.vectors import Array

Watch = Callable[[str, int, int, float, str], None]
"""Called after each generation: unit, designs done, designs in all, seconds, best so far."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """One finished study: its result, its folder, and what to say of it."""

    result: RunResult
    folder: Path
    sentences: tuple[str, ...]


def curves_text(path: Path, travel_mm: list[float] | None, rack_mm: list[float]) -> str:
    """CSV text of the as-drawn corner's pose table."""
    study = read_study(path)
    problem = study.problem()
    car = problem.car
    table = pose_table(
        problem.points,
        problem.travel.grid() if travel_mm is None else np.array(travel_mm),
        np.array(rack_mm),
        static_toe_in=car.static_toe_in,
        static_camber=car.static_camber,
        loaded_radius_mm=car.loaded_radius_mm,
    )
    return csv_text(list(table), zip(*(column.tolist() for column in table.values()), strict=True))


def search_unit(
    problem: Problem, rack: int, seed: int, settings: SearchSettings, watch: Watch
) -> UnitResult:
    """Search one rack with one seed: ask, evaluate, tell, until the search is over."""
    began = time.perf_counter()
    search = UnitSearch(problem, rack, seed, settings)
    label = problem.racks[rack].name
    while (designs := search.ask()) is not None:
        search.tell(designs, problem.evaluate(designs))
        watch(
            label,
            search.count,
            settings.trials,
            time.perf_counter() - began,
            best_text(problem, search.front),
        )
    records = search.records()
    return UnitResult(
        rack=rack,
        seed=seed,
        designs=records.designs,
        evaluation=records.evaluation,
        origin=records.origin,
        stop_reason=search.stop_reason,
        seconds={"search": time.perf_counter() - began},
    )


def best_text(problem: Problem, front: Array) -> str:
    """The best compromise of a front in a few words, for progress lines."""
    if not len(front):
        return "nothing within limits yet"
    best = front[best_ratio(front[:, :2], problem.acceptable)]
    return f"best {best[0]:.3f} deg bump steer, {best[1]:.2f} deg Ackermann"


def run_studies(
    paths: list[Path],
    *,
    out: Path,
    trials: int | None = None,
    seed: int | None = None,
    watch: Watch,
) -> list[Outcome]:
    """Read and check every study, then run them one after the other."""
    studies = [case for path in paths for case in read_study(path).cases]
    return [run_study(study, out=out, trials=trials, seed=seed, watch=watch) for study in studies]


def run_study(
    study: Study,
    *,
    out: Path = Path("results"),
    trials: int | None = None,
    seed: int | None = None,
    watch: Watch = lambda *_: None,
) -> Outcome:
    """Search every rack of one study and write its result folder."""
    problem = study.problem()
    table = study.file.search
    settings = SearchSettings(
        trials=trials or table.trials,
        sampler=table.sampler,
        population=table.population,
        stop_window=table.stop_window or 0,
    )
    seed = study.seed if seed is None else seed
    folder = new_folder(out, study)
    units = tuple(
        search_unit(problem, rack, seed, settings, watch) for rack in range(len(problem.racks))
    )
    result = RunResult(study, problem, units)
    write_run(folder, result)
    return Outcome(result, folder, tuple(sentences(result)))
