"""A line on the terminal, as it stands: names with brackets or numbers in them are not styled."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

from optimiser.answer.run_result import CAUTION

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from pathlib import Path

    from rich.console import Console

    from optimiser.study.read import Study


def say(console: Console, text: str, style: str = "") -> None:
    """Print a line that the terminal itself wraps."""
    console.print(text, style=style, markup=False, highlight=False, soft_wrap=True)


def say_written(console: Console, folder: Path, study: Study | None = None) -> None:
    """The last lines of an answer: where it is, and the caution.

    Args:
        console: where to.
        folder: that it was written to.
        study: whose variants the answer leaves aside; None where it has no say in them.
    """
    if study is not None and study.variants:
        say(console, "The study's variants are left aside: this is the study itself.")
    say(console, f"Written to {folder}")
    say(console, CAUTION, "dim")


def say_answer(console: Console, lines: Iterable[str], folder: Path) -> None:
    """An answer in lines, and where it was written."""
    for line in lines:
        say(console, line)
    say_written(console, folder)


def watcher() -> Callable[[str], None]:
    """What shows a person how far an answer has come; nothing where no terminal is."""
    if not sys.stderr.isatty():
        return lambda _: None
    from rich.console import Console

    progress = Console(stderr=True)
    return lambda text: progress.print(text, markup=False, highlight=False, style="dim")
