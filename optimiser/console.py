"""What the terminal shows: progress while a run works, tables when it is done."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import numpy as np
from rich.console import Console
from rich.markup import escape
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn
from rich.table import Table

from optimiser.describe import describe_study
from optimiser.interrupts import StopFlag
from optimiser.results import CAUTION

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from optimiser.results import RunResult
    from optimiser.run import Outcome, RunOptions

INTERRUPTED = 130


class TerminalWatch:
    """Progress lines: a live bar for each rack on a terminal, plain lines in a log file."""

    def __init__(self, console: Console) -> None:
        self._console = console
        self._live = console.is_terminal
        self._bars: dict[str, object] = {}
        self._said: dict[str, float] = {}
        self._progress = Progress(
            TextColumn("{task.description:<28}", markup=False),
            BarColumn(bar_width=24),
            TextColumn("{task.completed:>6.0f}/{task.total:.0f}"),
            TextColumn("{task.fields[rate]:>9}"),
            TextColumn("{task.fields[best]}", markup=False),
            TimeRemainingColumn(),
            console=console,
            disable=not self._live,
        )

    def __enter__(self) -> TerminalWatch:
        self._progress.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._progress.stop()

    def generation(self, unit: str, done: int, total: int, seconds: float, best: str) -> None:
        """One generation of a unit has been told."""
        rate = f"{done / seconds:.0f}/s" if seconds > 0.0 else ""
        if not self._live:
            # A line a tenth of the way: a log that a night filled can still be read.
            share = done / max(1, total)
            if share - self._said.get(unit, -1.0) >= 0.1 or done >= total:
                self._said[unit] = share
                self._console.print(
                    f"{unit}: {done} of {total} designs, {rate}, {best}",
                    markup=False,
                    highlight=False,
                    soft_wrap=True,
                )
            return
        if unit not in self._bars:
            self._bars[unit] = self._progress.add_task(unit, total=total, rate="", best="")
        self._progress.update(
            self._bars[unit],  # type: ignore[arg-type]  # the id that add_task gave
            completed=min(done, total),
            rate=rate,
            best=best,
        )


def show_run(
    runner: Callable[..., list[Outcome]],
    studies: list[Path],
    out: Path,
    options: RunOptions,
) -> int:
    """Run studies with progress, then their tables; returns the exit code."""
    console = Console(stderr=not sys.stdout.isatty())
    with StopFlag() as stop, TerminalWatch(console) as watch:
        outcomes = runner(studies, out=out, options=options, watch=watch.generation, stop=stop)
    report = Console()
    for outcome in outcomes:
        _print_outcome(report, outcome)
    report.print(CAUTION, style="dim")
    if stop():
        return INTERRUPTED
    good = all(o.result is not None and o.result.winner is not None for o in outcomes)
    return 0 if good and not any(outcome.problems for outcome in outcomes) else 1


def _print_outcome(console: Console, outcome: Outcome) -> None:
    def say(text: str, style: str = "") -> None:
        console.print(text, style=style, markup=False, highlight=False, soft_wrap=True)

    for line in outcome.notes:
        say(line)
    if outcome.result is not None:
        console.print(rack_table(outcome.result))
    for line in outcome.sentences:
        say(line)
    for line in outcome.problems:
        say(line, "red")
    if outcome.result is None:
        say(f"{outcome.study.title}: no design was tried; the same command begins it.")
    else:
        say(f"Written to {outcome.folder}")
        if not outcome.finished:
            say("Cut short: the same command goes on from here.", "bold")


def rack_table(result: RunResult) -> Table:
    """One row per rack: its own best compromise, or what stops it."""
    problem, outcome = result.problem, result.evaluation
    table = Table(title=escape(result.study.title), title_justify="left")
    for name in ("rack", "bump steer", "Ackermann err.", "height", "fore-aft", "spacer", "arm"):
        table.add_column(name, justify="left" if name == "rack" else "right", no_wrap=True)
    table.add_column("verdict")
    for index, rack in enumerate(problem.racks):
        row = result.best_of(result.rack_fronts[index])
        if row is None:
            table.add_row(escape(rack.name), *["-"] * 6, result.why_not(index))
            continue
        values = result.designs.values[row]
        metrics = outcome.metrics
        ratio = outcome.objectives[row, :2] / problem.acceptable
        verdict = "acceptable" if np.all(ratio <= 1.0) else "outside the acceptable values"
        table.add_row(
            escape(rack.name),
            f"{metrics['bump_steer_deg'][row]:.3f} deg",
            f"{metrics['ackermann_error_deg'][row]:.2f} deg",
            *(f"{values[column]:.1f}" for column in range(4)),
            f"chosen: {verdict}" if row == result.winner else verdict,
        )
    return table


def show_check(path: Path) -> None:
    """Print what a study was understood to say, and the as-drawn car's numbers."""
    console = Console()
    for heading, rows in describe_study(path):
        table = Table(title=heading, title_justify="left", show_header=False)
        table.add_column(no_wrap=True)
        table.add_column()
        for name, value in rows:
            table.add_row(name, value)
        console.print(table)
