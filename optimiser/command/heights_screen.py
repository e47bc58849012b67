"""What the terminal shows of `heights`: the verdict, or one table of all racks."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

from rich.box import SIMPLE_HEAD
from rich.console import Console
from rich.markup import escape
from rich.table import Table

from optimiser.answer.run_result import CAUTION
from optimiser.evaluation.quantity import rounded
from optimiser.questions.heights.answer import HeightsAsked, answer_heights
from optimiser.questions.heights.folder import verdict_lines
from optimiser.questions.heights.words import answer_of

if TYPE_CHECKING:
    from optimiser.questions.heights.answer import HeightsAnswer
    from optimiser.questions.heights.rack import RackHeights


def show_heights(asked: HeightsAsked) -> int:
    """Answer and print; returns the exit code: 0 when some way makes a rack acceptable."""
    progress = Console(stderr=True)

    def watch(text: str) -> None:
        progress.print(text, markup=False, highlight=False, style="dim")

    answer = answer_heights(asked, watch if sys.stderr.isatty() else lambda _: None)
    console = Console()

    def say(text: str, style: str = "") -> None:
        console.print(text, style=style, markup=False, highlight=False, soft_wrap=True)

    if asked.every:
        console.print(racks_table(answer))
    else:
        for line in verdict_lines(answer.found[0], answer.study, answer.exact):
            say(line)
    if answer.study.variants:
        say("The study's variants are left aside: this is the study itself.")
    say(f"Written to {answer.folder}")
    say(CAUTION, "dim")
    good = any(found.chosen is not None and found.chosen.acceptable for found in answer.found)
    return 0 if good else 1


def racks_table(answer: HeightsAnswer) -> Table:
    """One row per rack: the answer, and the best of each way."""
    table = Table(
        title=escape(answer.study.title),
        title_justify="left",
        box=SIMPLE_HEAD,
        padding=(0, 1, 0, 0),
    )
    table.add_column("rack", no_wrap=True)
    table.add_column("mm", justify="right", no_wrap=True)
    for way in answer.found[0].ways:
        arm = way.arm.replace(" in height", "").replace("drawn height", "reshaped")
        table.add_column(f"{arm}\n{'spacers' if way.spacers else 'bare'}", no_wrap=True)
    table.add_column("rescued by\nmounting it lower?")
    for found in answer.found:
        wrong = found.problem.wrong_hand
        rack = found.problem.racks[found.rack]
        table.add_row(
            escape(rack.name),
            f"{rack.inner_joint_spacing_mm:g}",
            *_cells(found),
            answer_of(found) + (" (opposite hand needed)" if wrong[found.rack] else ""),
        )
    table.caption = (
        "mm between the inner joints; arm fixed, of another shape at its drawn height, or free in "
        "height: best bump steer in deg (* acceptable), at rack height in mm + spacers in mm"
    )
    table.caption_justify = "left"
    return table


def _cells(found: RackHeights) -> list[str]:
    cells = []
    for way in found.ways:
        place = found.place(way)
        if place is None:
            cells.append("-")
            continue
        spacer = f"+{place.at('spacer_mm'):.0f}" if way.spacers else ""
        star = "*" if place.acceptable else ""
        height = f"at {place.at('rack_height_mm'):.0f}{spacer}"
        cells.append(f"{rounded(place.bump_steer_deg, 3)}{star}\n{height}")
    return cells
