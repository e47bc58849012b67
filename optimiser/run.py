"""Wiring of one study and of several: no arithmetic here."""

from __future__ import annotations

import platform
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import matplotlib as mpl
import numpy as np
import optuna
import scipy

from optimiser import __version__
from optimiser.curves import pose_table
from optimiser.files import csv_text, write_text
from optimiser.results import RunResult, UnitResult, new_folder
from optimiser.search import SearchSettings, UnitSearch
from optimiser.study import Study, read_study

if TYPE_CHECKING:
    from optimiser.problem import Problem

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
