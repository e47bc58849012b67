"""What the terminal shows: progress while a run works, tables when it is done."""

from __future__ import annotations

import itertools
import os
import sys
from typing import TYPE_CHECKING

from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.markup import escape
from rich.progress import BarColumn, Progress, TaskID, TextColumn, TimeRemainingColumn
from rich.table import Table

from optimiser.answer.as_drawn import describe_study, numbers_text
from optimiser.answer.rack_table import ACCEPTABLE, FAILS, WITHIN_LIMITS, WRONG_HAND
from optimiser.answer.run_result import CAUTION
from optimiser.answer.shown_racks import MOST_SHOWN, count_rest
from optimiser.base.errors import InputError
from optimiser.base.files import write_text
from optimiser.base.terminal import unfailing
from optimiser.command.say import say
from optimiser.command.variants_screen import MOST_TOLD, print_variants
from optimiser.evaluation.quantity import rounded
from optimiser.jobs.stop_flag import StopFlag
from optimiser.study.read import read_study

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from optimiser.answer.run_result import RunResult
    from optimiser.jobs.start import Outcome, RunOptions

INTERRUPTED = 130


class TerminalWatch:
    """Progress lines: a live bar for each rack on a terminal, plain lines in a log file."""

    def __init__(self, console: Console) -> None:
        self._console = console
        self._live = console.is_terminal
        self._bars: dict[str, TaskID] = {}
        self._moved: list[str] = []
        self._said: dict[str, float] = {}
        self._progress = Progress(
            TextColumn("{task.description}", markup=False),
            BarColumn(bar_width=24),
            TextColumn("{task.completed:.0f}/{task.total:.0f}", justify="right"),
            TextColumn("{task.fields[rate]}", justify="right"),
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

    def generation(
        self, unit: str, done: int, total: int, seconds: float, best: str, _: float
    ) -> None:
        """One generation of a unit has been told."""
        rate = f"{done / seconds:.0f}/s" if seconds > 0.0 else ""
        if not self._live:
            # A line a tenth of the way: a log that a night filled can still be read.
            share = done / max(1, total)
            if share - self._said.get(unit, -1.0) >= 0.1 or done >= total:
                self._said[unit] = share
                say(self._console, f"{unit}: {done} of {total} designs, {rate}, {best}")
            return
        if unit not in self._bars:
            self._bars[unit] = self._progress.add_task(unit, total=total, rate="", best="")
        self._progress.update(
            self._bars[unit], completed=min(done, total), rate=rate, best=best, visible=True
        )
        # A screen shows what it holds from the top, and those at work stand at the bottom.
        self._moved = [*(one for one in self._moved if one != unit), unit]
        for old in self._moved[:-MOST_SHOWN]:
            self._progress.update(self._bars[old], visible=False)
        self._moved = self._moved[-MOST_SHOWN:]


def show_run(
    runner: Callable[..., list[Outcome]],
    studies: list[Path],
    out: Path,
    options: RunOptions,
) -> int:
    """Run studies with progress, then their tables; returns the exit code."""
    with unfailing("stdout", "stderr"):
        console = Console(stderr=not sys.stdout.isatty())
        with StopFlag() as stop, TerminalWatch(console) as watch:
            outcomes = runner(
                studies,
                out=out,
                options=options,
                watch=watch.generation,
                stop=stop,
                settle=stop.settle,
            )
        report = Console()
        for _, group in itertools.groupby(outcomes, key=lambda outcome: outcome.study.path):
            _print_study(report, list(group))
        report.print(CAUTION, style="dim")
    # A signal that came too late to cut anything short has stopped nothing.
    if stop() and not all(outcome.finished for outcome in outcomes):
        return INTERRUPTED
    good = all(o.result is not None and o.result.acceptable for o in outcomes)
    return 0 if good and not any(outcome.problems for outcome in outcomes) else 1


def _print_study(console: Console, outcomes: list[Outcome]) -> None:
    """A study, or its variants: each in full where they are few, then all in one table."""
    variants = bool(outcomes[0].study.variant)
    for line in dict.fromkeys(line for outcome in outcomes for line in outcome.notes):
        say(console, line)
    for outcome in outcomes:
        if not variants or len(outcomes) <= MOST_TOLD:
            _print_outcome(console, outcome)
        else:
            _print_trouble(console, outcome, f"{outcome.study.title}: cut short")
    if variants:
        print_variants(console, outcomes)


def _print_outcome(console: Console, outcome: Outcome) -> None:
    if outcome.result is not None:
        console.print(rack_table(outcome.result))
        for line in rack_lines(outcome.result):
            say(console, line)
        if rest := count_rest(outcome.result.comparison, outcome.result.shown()):
            say(console, rest)
    for line in outcome.sentences:
        say(console, line)
    if outcome.result is not None:
        say(console, f"Written to {outcome.folder}")
    _print_trouble(console, outcome, "Cut short")


def _print_trouble(console: Console, outcome: Outcome, cut: str) -> None:
    for line in outcome.problems:
        say(console, line, "red")
    if outcome.result is None and outcome.finished:
        text = "nothing that --quick looks at can be assembled; without it there is a search"
        say(console, f"{outcome.study.title}: {text}.")
    elif outcome.result is None:
        say(console, f"{outcome.study.title}: no design was tried; the same command begins it.")
    elif not outcome.finished:
        say(console, f"{cut}: the same command goes on from here.", "bold")


def rack_table(result: RunResult) -> Table:
    """One row for each rack that matters: its own compromise, and how far it goes."""
    table = Table(
        title=escape(result.study.title),
        title_justify="left",
        box=SIMPLE_HEAD,
        padding=(0, 1, 0, 0),
    )
    # In a narrow terminal a name goes on below; part of a number would be another number.
    table.add_column("rack", overflow="fold")
    for heading in ("price", *_COLUMNS):
        table.add_column(heading, justify="right", no_wrap=True)
    table.add_column("acceptable", no_wrap=True)
    for row in result.shown():
        wins = row.row is not None and row.row == result.winner
        mark = (", CHOSEN" if result.acceptable else ", nearest") if wins else ""
        table.add_row(
            escape(row.rack.name),
            "-" if row.rack.price is None else f"{row.rack.price:g}",
            *(_cell(row.numbers[name], digits) for name, digits in _COLUMNS.values()),
            _SHORT[row.verdict] + mark,
            style="bold" if wins and result.acceptable else None,
        )
    table.caption = (
        "bump steer and Ackermann error in degrees, made exactly; height above ground, fore-aft "
        "of the front axle (ahead positive), spacer at each end and steering arm in mm"
    )
    table.caption_justify = "left"
    return table


# Short headings, and the digits that a glance needs: the files have more.
_COLUMNS = {
    "bump": ("bump_steer_deg", 3),
    "Ack.": ("ackermann_error_deg", 2),
    "height": ("rack_height_mm", 0),
    "fore": ("rack_fore_aft_mm", 0),
    "spacer": ("spacer_mm", 0),
    "arm": ("arm_length_mm", 0),
}
_SHORT = {
    ACCEPTABLE: "yes",
    WRONG_HAND: "wrong hand",
    WITHIN_LIMITS: "not enough",
    FAILS: "breaks limits",
}


def _cell(value: float | None, digits: int) -> str:
    return "-" if value is None else rounded(value, digits)


def rack_lines(result: RunResult) -> Iterator[str]:
    """Why each rack that is not acceptable fails, what would help, and what to look out for."""
    for row in result.shown():
        if row.verdict != ACCEPTABLE:
            yield f"{row.rack.name}: {row.stopped_by or row.verdict}."
        turned = [f"it {row.hand.sentence}"] if row.hand.turn_end_for_end else []
        notes = [*turned, *row.notes] if row.verdict == ACCEPTABLE else row.notes
        if row.verdict == ACCEPTABLE and notes:
            yield f"{row.rack.name}, please note:"
        for text in (*row.rescue, *notes):
            yield f"    {text}."


def show_check(path: Path, numbers: Path | None = None) -> None:
    """Print what a study was understood to say, and the as-drawn car's numbers.

    `numbers` is a file for all of them, with each rack in the drawn place.
    """
    study, console = read_study(path, racks=False), Console()
    if numbers is not None:
        for kind, given in study.inputs.items():
            if os.path.exists(numbers) and numbers.samefile(given):
                problem = f"{numbers} is the study's own {kind} file"
                raise InputError("--numbers", problem, "name another file to write")
    for heading, rows in describe_study(study):
        table = Table(title=escape(heading), title_justify="left", show_header=False)
        table.add_column(no_wrap=True)
        table.add_column()
        for name, value in rows:
            table.add_row(escape(name), escape(value))
        console.print(table)
    if numbers is not None:
        write_text(numbers, numbers_text(study))
        say(console, f"wrote {numbers}")
    console.print(CAUTION, style="dim")
