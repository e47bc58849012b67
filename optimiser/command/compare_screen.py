"""What the terminal shows of `compare`."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.console import Console

from optimiser.command.say import say_answer
from optimiser.questions.compare.answer import answer_compare
from optimiser.questions.compare.words import answer_lines

if TYPE_CHECKING:
    from optimiser.questions.compare.answer import CompareAsked


def show_compare(asked: CompareAsked) -> int:
    """Answer and print; returns the exit code: 0 when the old design is acceptable now."""
    found, folder = answer_compare(asked)
    say_answer(Console(), answer_lines(found), folder)
    return 0 if found.good else 1
