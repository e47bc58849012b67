"""What the terminal shows of `compare`."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.console import Console

from optimiser.answer.run_result import CAUTION
from optimiser.command.say import say
from optimiser.questions.compare.answer import answer_compare
from optimiser.questions.compare.words import answer_lines

if TYPE_CHECKING:
    from optimiser.questions.compare.answer import CompareAsked


def show_compare(asked: CompareAsked) -> int:
    """Answer and print; returns the exit code: 0 when the old design is acceptable now."""
    found, folder = answer_compare(asked)
    console = Console()
    for line in answer_lines(found):
        say(console, line)
    say(console, f"Written to {folder}")
    say(console, CAUTION, "dim")
    return 0 if found.good else 1
