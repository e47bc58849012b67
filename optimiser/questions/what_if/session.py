"""One line after another: what each makes of the design, and what is answered."""

from __future__ import annotations

from typing import TYPE_CHECKING

from optimiser.answer.run_result import CAUTION
from optimiser.base.errors import InputError
from optimiser.questions.what_if.best import best_from
from optimiser.questions.what_if.lines import parse
from optimiser.questions.what_if.save import save
from optimiser.questions.what_if.state import changed, moved
from optimiser.questions.what_if.words import (
    change_block,
    change_notes,
    found_block,
    help_lines,
    limits_block,
    nothing_better,
    whole_block,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

    from optimiser.questions.what_if.lines import Line
    from optimiser.questions.what_if.state import Opened, State


class Session:
    """A design that is changed line by line; `ended` once the last line asked for that."""

    def __init__(self, opened: Opened) -> None:
        self.opened = opened
        self.states: list[State] = [opened.state]
        self.ended = False

    @property
    def state(self) -> State:
        """As the last line left it."""
        return self.states[-1]

    def opening(self) -> list[str]:
        """What is said before the first line."""
        title = self.state.chosen.study.title
        block = whole_block(self.state, f"{title}: {self.opened.words}")
        return [*block, *self.opened.notes, CAUTION, "help says what can be typed."]

    def answer(self, text: str) -> list[str]:
        """The answer to one line; of an empty one and of a comment none.

        Raises:
            InputError: it cannot be understood, or asks for what no study would take; the design
                is as it was.
            NothingFeasibleError: it asks for files of a design that cannot be assembled.
            StorageError: they cannot be written.
        """
        problem = self.state.chosen.problem
        line = parse(text, [rack.name for rack in problem.racks], problem.variables)
        if line is None:
            return []
        if line.value is not None:
            return list(self._change(line))
        return list(self._obey(line))

    def _change(self, line: Line) -> Iterator[str]:
        before = self.state
        self.states.append(changed(before, line))
        yield from change_block(self.state, before)
        yield from change_notes(self.state, before, line)

    def _obey(self, line: Line) -> Iterator[str]:
        before = self.state
        if line.name == "best":
            yield from self._best(line)
        elif line.name == "undo":
            if len(self.states) == 1:
                raise InputError(line.text, "nothing was changed yet", "show shows the design")
            self.states.pop()
            yield from change_block(self.state, before)
        elif line.name == "limits":
            yield from limits_block(before)
        elif line.name == "show":
            chosen = before.chosen
            yield from whole_block(before, chosen.label, before.start)
        elif line.name == "save":
            yield from (f"written to {save(before, self.opened.saves)}", CAUTION)
        elif line.name == "help":
            yield from help_lines(before.chosen.problem.variables)
        else:
            self.ended = True

    def _best(self, line: Line) -> Iterator[str]:
        before = self.state
        found = best_from(before, line.text)
        if found is None:
            yield nothing_better(before)
            return
        self.states.append(moved(before, found, before.arm_alone))
        yield from found_block(self.state, before)
