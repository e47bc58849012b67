"""What the terminal shows of `heights`: the verdict, or one table of all racks."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.markup import escape
from rich.table import Table

from optimiser.command.say import say, say_written, watcher
from optimiser.evaluation.quantity import rounded
from optimiser.questions.heights.answer import HeightsAsked, answer_heights
from optimiser.questions.heights.folder import verdict_lines
from optimiser.questions.heights.words import answer_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from optimiser.questions.heights.answer import HeightsAnswer
    from optimiser.questions.heights.places import RackHeights
    from optimiser.questions.heights.ways import Arm, Way

_ARMS: dict[Arm, str] = {
    "fixed": "arm fixed",
    "drawn height": "other shape",
    "free in height": "free in height",
}


def show_heights(asked: HeightsAsked) -> int:
    """Answer and print; returns the exit code: 0 when some way makes a rack acceptable."""
    answer = answer_heights(asked, watcher())
    console = Console()

    if asked.every:
        console.print(racks_table(answer))
    else:
        for line in verdict_lines(answer.found[0], answer.study, answer.exact):
            say(console, line)
    say_written(console, answer.folder, answer.study)
    good = any(found.chosen is not None and found.chosen.acceptable for found in answer.found)
    return 0 if good else 1


def racks_table(answer: HeightsAnswer) -> Table:
    """A row for each rack: the best of each way, and the answer."""
    table = Table(
        title=escape(answer.study.title),
        title_justify="left",
        box=SIMPLE_HEAD,
        padding=(0, 1, 0, 0),
    )
    table.add_column("rack", no_wrap=True)
    table.add_column("mm", justify="right", no_wrap=True)
    arms = list(dict.fromkeys(way.arm for way in answer.found[0].ways))
    for arm in arms:
        table.add_column(_ARMS[arm], no_wrap=True)
    table.add_column("rescued by\nmounting lower?")
    for found in answer.found:
        wrong = found.problem.wrong_hand
        rack = found.problem.racks[found.rack]
        table.add_row(
            escape(rack.name),
            f"{rack.inner_joint_spacing_mm:g}",
            *_cells(found, arms),
            answer_of(found) + ("; opposite hand needed" if wrong[found.rack] else ""),
        )
    table.caption = (
        "mm between the inner joints; arm fixed, of another shape at its drawn height, or free in "
        "height, without spacers and below that with: best bump steer in deg (* acceptable) at "
        "rack height in mm + spacers in mm"
    )
    table.caption_justify = "left"
    return table


def _cells(found: RackHeights, arms: Sequence[Arm]) -> list[str]:
    return ["\n".join(_cell(found, way) for way in found.ways if way.arm == arm) for arm in arms]


def _cell(found: RackHeights, way: Way) -> str:
    place = found.place(way)
    if place is None:
        return "-"
    spacer = f"+{place.at('spacer_mm'):.0f}" if way.spacers else ""
    star = "*" if place.acceptable else " "
    return f"{rounded(place.bump_steer_deg, 3)}{star} {place.at('rack_height_mm'):.0f}{spacer}"
