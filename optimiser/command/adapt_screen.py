"""What the terminal shows of `adapt`: the verdict, or one table of all racks."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.markup import escape
from rich.table import Table

from optimiser.answer.moved import NOT_CHECKED
from optimiser.command.say import say, say_written, watcher
from optimiser.evaluation.quantity import rounded
from optimiser.questions.adapt.answer import AdaptAsked, answer_adapt
from optimiser.questions.adapt.ways import NOTHING
from optimiser.questions.adapt.words import short_answer, stands_words, verdict

if TYPE_CHECKING:
    from optimiser.questions.adapt.answer import AdaptAnswer


def show_adapt(asked: AdaptAsked) -> int:
    """Answer and print; returns the exit code: 0 when a rack fits, as drawn or changed."""
    answer = answer_adapt(asked, watcher())
    console = Console()
    if asked.every:
        console.print(racks_table(answer))
        say(console, NOT_CHECKED)
    else:
        for line in verdict(answer.found[0], answer.study):
            say(console, line)
    say_written(console, answer.folder, answer.study)
    return 0 if any(found.recommended is not None for found in answer.found) else 1


def racks_table(answer: AdaptAnswer) -> Table:
    """A row for each rack: its price, and the least that has to change."""
    table = Table(
        title=escape(answer.study.title),
        title_justify="left",
        box=SIMPLE_HEAD,
        padding=(0, 1, 0, 0),
    )
    table.add_column("rack", no_wrap=True)
    table.add_column("price", justify="right", no_wrap=True)
    table.add_column("mm", justify="right", no_wrap=True)
    table.add_column("what has to change")
    for found in answer.found:
        rack, way = found.problem.racks[found.rack], found.recommended
        wrong = found.problem.wrong_hand[found.rack]
        text = short_answer(found)
        if way is None:
            stands = stands_words(found) or "nothing"
            text = f"{text} that helps; with moves, alone would do: {stands}"
        elif way.name != NOTHING:
            text = f"{way.name}: {text}"
        table.add_row(
            escape(rack.name),
            "-" if rack.price is None else f"{rack.price:g}",
            "-" if way is None else rounded(way.moved_mm, 1),
            escape(text + ("; opposite hand needed" if wrong else "")),
        )
    table.caption = escape(
        "mm: change in all, the root of the sum of squares of what each point moves; recommended "
        "are the fewest entries of [suspension.may_move] within 1.5 times the change of all"
    )
    table.caption_justify = "left"
    return table
