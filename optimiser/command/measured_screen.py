"""What the terminal shows of `measured`."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.console import Console

from optimiser.command.say import say_answer
from optimiser.questions.measured.answer import answer_measured
from optimiser.questions.measured.words import answer_lines

if TYPE_CHECKING:
    from optimiser.questions.measured.answer import MeasuredAsked


def show_measured(asked: MeasuredAsked) -> int:
    """Answer and print; returns the exit code: 0 when what is advised keeps to what is accepted."""
    found, folder = answer_measured(asked)
    say_answer(Console(), answer_lines(found), folder)
    return 0 if found.good else 1
