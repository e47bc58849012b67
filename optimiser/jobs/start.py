"""Wiring of one study and of several: no arithmetic here."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from optimiser.jobs.batch import Outcome, RunOptions, run_batch
from optimiser.study.read import read_study

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from optimiser.jobs.unit import Stop, Watch
    from optimiser.study.read import Study

__all__ = ["Outcome", "RunOptions", "run_studies", "run_study"]


def run_studies(
    paths: Sequence[Path],
    *,
    out: Path,
    options: RunOptions,
    watch: Watch,
    stop: Stop = lambda: False,
    settle: Callable[[], None] = lambda: None,
) -> list[Outcome]:
    """Read and check every study before the first is begun, then run them all."""
    return run_batch([read_study(path) for path in paths], out, options, watch, stop, settle)


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
