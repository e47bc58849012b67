"""Wiring of one study and of several: no arithmetic here."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from optimiser.base.files import csv_text
from optimiser.evaluation.problem import Travel
from optimiser.jobs.batch import Outcome, RunOptions, run_batch
from optimiser.metrics.pose_table import pose_table
from optimiser.study.read import read_study

if TYPE_CHECKING:
    from collections.abc import Sequence

    from optimiser.jobs.unit import Stop, Watch
    from optimiser.study.read import Study

DEFAULT_TRAVEL = Travel(50.0, 50.0, 10.0)

__all__ = ["Outcome", "RunOptions", "curves_text", "run_studies", "run_study"]


def curves_text(path: Path, travel_mm: list[float] | None, rack_mm: list[float]) -> str:
    """CSV text of the as-drawn corner's pose table; `[car]` and `[hardpoints]` are enough.

    Without a travel the study's `[travel]` is taken, or `DEFAULT_TRAVEL` when it has none.
    """
    study = read_study(path, whole=False)
    travel = study.travel or DEFAULT_TRAVEL
    table = pose_table(
        study.points,
        travel.grid() if travel_mm is None else np.array(travel_mm),
        np.array(rack_mm),
        study.car.attitude,
    )
    return csv_text(list(table), zip(*(column.tolist() for column in table.values()), strict=True))


def run_studies(
    paths: Sequence[Path],
    *,
    out: Path,
    options: RunOptions,
    watch: Watch,
    stop: Stop = lambda: False,
) -> list[Outcome]:
    """Read and check every study before the first is begun, then run them all."""
    return run_batch([read_study(path) for path in paths], out, options, watch, stop)


def run_study(
    study: Study,
    *,
    out: Path = Path("results"),
    trials: int | None = None,
    seed: int | None = None,
    watch: Watch = lambda *_: None,
) -> Outcome:
    """Search every rack of one study without variants in this process; write its folder."""
    return run_batch([study], out, RunOptions(trials, seed), watch, lambda: False)[0]
