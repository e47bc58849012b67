"""Of a long catalogue the ten racks that matter, and words for the others."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from optimiser.answer.rack_table import ACCEPTABLE, FAILS, VERDICTS, WITHIN_LIMITS, WRONG_HAND

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from optimiser.answer.rack_table import RackRow
    from optimiser.linkage.vectors import Array

MOST_SHOWN = 10
_COUNTED = {
    ACCEPTABLE: "acceptable",
    WRONG_HAND: "acceptable but of the wrong hand",
    WITHIN_LIMITS: "within the limits but not acceptable",
    FAILS: "without a design within the limits",
}


def those_that_matter(
    rows: Sequence[RackRow],
    worst: Array,
    always: Collection[int | None] = (),
    most: int = MOST_SHOWN,
) -> list[RackRow]:
    """At most so many of the rows, in the order they have.

    First come those of `always` and the best that is acceptable, then the others that are
    acceptable, the cheapest first, then those that come nearest to it.

    Args:
        rows: a row for each rack, in the order of `rack_table.ORDER_RULE`.
        worst: the worse ratio of every design of the run to what is acceptable, (N,).
        always: rows of the run, such as the winner's, whose racks are always shown.
        most: how many.
    """

    def ratio(row: RackRow) -> float:
        return np.inf if row.row is None else float(worst[row.row])

    good = [row for row in rows if row.verdict == ACCEPTABLE]
    first = {row.row for row in rows if row.row in always} - {None}
    first |= {min(good, key=ratio).row} if good else set()

    def rank(place: int) -> tuple[bool, int, float]:
        row = rows[place]
        nearest = ratio(row) if row.verdict == WITHIN_LIMITS else 0.0
        return row.row not in first, VERDICTS.index(row.verdict), nearest

    picked = sorted(range(len(rows)), key=rank)[:most]
    return [rows[place] for place in sorted(picked)]


def count_rest(rows: Sequence[RackRow], shown: Sequence[RackRow]) -> str:
    """What is not shown, a sentence; empty when everything is."""
    verdicts = [row.verdict for row in rows]
    for row in shown:
        verdicts.remove(row.verdict)
    if not verdicts:
        return ""
    parts = [f"{n} {_COUNTED[v]}" for v in VERDICTS if (n := verdicts.count(v))]
    return (
        f"{len(shown)} of {len(rows)} racks are shown: the chosen and the best, then the cheapest "
        f"acceptable, then the nearest. The other {len(verdicts)} are in racks.csv: "
        f"{', '.join(parts)}."
    )


def some_names(names: Sequence[str], letters: int = 200) -> str:
    """Names with commas, as many as so many letters hold, and how many more there are."""
    whole = ", ".join(names)
    if len(whole) <= letters:
        return whole
    for count in range(len(names) - 1, 0, -1):
        text = f"{', '.join(names[:count])} and {len(names) - count} more"
        if len(text) <= letters:
            return text
    return f"{len(names)} of them"
