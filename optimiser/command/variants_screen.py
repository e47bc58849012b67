"""What the terminal shows of a study's variants: a table with a row for each."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING

from rich.box import SIMPLE_HEAD
from rich.markup import escape
from rich.table import Table

from optimiser.answer.variant_rows import count_variants, variant_rows
from optimiser.command.say import say
from optimiser.evaluation.quantities import quantity

if TYPE_CHECKING:
    from collections.abc import Sequence

    from rich.console import Console

    from optimiser.jobs.start import Outcome

MOST_TOLD = 6
"""Variants of which each is told in full as well."""
MOST_ROWS = 100
_COLUMNS = {
    "bump": "bump_steer_deg",
    "Ack.": "ackermann_error_deg",
}


def print_variants(console: Console, outcomes: Sequence[Outcome]) -> None:
    """The table of one study's variants, and where its page is; nothing without a design."""
    results = {o.folder.name: o.result for o in outcomes if o.result is not None}
    if not results:
        return
    rows, folder = variant_rows(results), outcomes[0].folder.parent
    common = _beginning([row.variant for row in rows])
    table = Table(box=SIMPLE_HEAD, padding=(0, 1, 0, 0))
    table.add_column("variant", overflow="fold")
    table.add_column("rack", overflow="fold")
    for heading in ("price", *_COLUMNS):
        table.add_column(heading, justify="right", no_wrap=True)
    table.add_column("acceptable", no_wrap=True)
    for row in rows[:MOST_ROWS]:
        cells = ["-"] * (2 + len(_COLUMNS))
        if row.best is not None:
            price, numbers = row.best.rack.price, row.best.numbers
            cells = [escape(row.best.rack.name), "-" if price is None else f"{price:g}"]
            cells += [_cell(name, numbers[name]) for name in _COLUMNS.values()]
        answer = ("yes" if row.acceptable else "NO") + ("" if row.finished else ", cut")
        table.add_row(escape(row.variant.removeprefix(common)), *cells, answer)
    table.caption = (
        "the chosen rack of each variant, or the nearest; bump steer and Ackermann error in "
        "degrees, made exactly"
        + (f"; each name begins with: {escape(common.strip())}" if common else "")
    )
    table.caption_justify = "left"
    console.print(table)
    if len(rows) > MOST_ROWS:
        say(console, f"{len(rows) - MOST_ROWS} more variants are on the page.")
    say(console, count_variants(rows))
    say(console, f"All variants side by side: {folder / 'report.html'}")


def _beginning(names: Sequence[str]) -> str:
    """Whole words that all of several names begin with, which a narrow terminal has no room for."""
    words = zip(*(name.split(" ")[:-1] for name in names), strict=False)
    shared = [each[0] for each in itertools.takewhile(lambda each: len(set(each)) == 1, words)]
    return " ".join((*shared, "")) if len(names) > 1 else ""


def _cell(name: str, value: float | None) -> str:
    return "-" if value is None else quantity(name).number(value)
