"""What `try` reads and shows: a prompt, or the lines of a pipe."""

from __future__ import annotations

import io
import sys
from typing import TYPE_CHECKING

from optimiser.base.errors import OptimiserError
from optimiser.questions.what_if.session import Session
from optimiser.questions.what_if.state import open_design

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

PROMPT = "> "


def show_try(path: Path, out: Path) -> int:
    """Answer line after line; returns the exit code.

    It is 0 at a prompt, and on a pipe, where whoever wrote the lines is not there to read what was
    wrong with one, 2 when a line could not be used.
    """
    session = Session(open_design(path, out))
    asks = sys.stdin.isatty()
    if isinstance(sys.stdin, io.TextIOWrapper):
        sys.stdin.reconfigure(errors="replace")
    _show(session.opening())
    bad = 0
    while not session.ended:
        try:
            line = input(PROMPT if asks else "")
        except EOFError:
            break
        try:
            answer = session.answer(line)
        except OptimiserError as error:
            answer, bad = [str(error)], bad + 1
        _show(answer)
    return 2 if bad and not asks else 0


def _show(lines: Iterable[str]) -> None:
    """A block with an empty line after it; a program at the other end has it at once."""
    if lines := list(lines):
        print("\n".join((*lines, "")), flush=True)
