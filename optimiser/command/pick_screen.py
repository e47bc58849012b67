"""What the terminal shows of `pick` when no design is named: the front in brief."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from rich.console import Console
from rich.markup import escape
from rich.table import Table

from optimiser.answer.held import accepted_values
from optimiser.command.say import say
from optimiser.evaluation.designs import JUDGED, VARIABLES
from optimiser.evaluation.quantities import quantity

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimiser.answer.run_result import RunResult
    from optimiser.folder.read import StoredRun

_MOST_SHOWN = 25
_LEAST_WIDTH, _MORE_WIDTH = 80, 16
_NUMBERS = ("bump deg", "Ack. deg", "height", "fore-aft", "spacer", "arm")


def show_front(stored: StoredRun) -> None:
    """Print the front, a row each, the winner marked, and how to write one out."""
    # A number of which a narrow terminal shows a part is read as another number.
    least = _LEAST_WIDTH + (_MORE_WIDTH + 4) * len(_more(stored.result))
    console = Console(width=max(Console().width, least))

    rows, winner = stored.result.front, stored.result.winner
    shown = _thinned(stored.result, rows)
    say(console, f"{len(rows)} designs on the front of {stored.study.title}")
    console.print(front_table(stored.result, shown))
    if more := len(rows) - int(np.isin(rows, shown).sum()):
        say(console, f"{more} more are in front.csv.")
    if winner is not None and winner not in rows:
        say(console, f"The marked design is not on it: {_why_not(stored.result, winner)}.")
    say(console, "Each rack's own front is in fronts/, with racks that others beat everywhere.")
    say(
        console,
        "heights and lengths in mm; write one out with --design ID, --by RULE or --at NAME=VALUE",
    )


def _why_not(result: RunResult, winner: int) -> str:
    """Why the winner is none that no other design beats."""
    values = result.evaluation.objectives
    better = result.front[(values[result.front] <= values[winner]).all(axis=1)]
    if result.problem.wrong_hand[result.designs.rack[better]].all():
        return "racks of the wrong hand beat it"
    return "others beat it by too little to pay more"


def _more(result: RunResult) -> list[str]:
    """Further objectives of which the study says what is acceptable, a column each."""
    return [name for name in accepted_values(result.problem) if name not in JUDGED]


def front_table(result: RunResult, rows: NDArray[np.intp]) -> Table:
    """One row per design, by its number in `trials.csv`."""
    table = Table(box=None, padding=(0, 1, 0, 0))
    table.add_column("design", justify="right", no_wrap=True)
    table.add_column("rack", overflow="fold")
    more = _more(result)
    for name in _NUMBERS:
        table.add_column(name, justify="right", no_wrap=True)
    for one in map(quantity, more):
        table.add_column(one.heading, justify="right", width=_MORE_WIDTH - 2)
    table.add_column(no_wrap=True)
    mark, wrong = "chosen" if result.acceptable else "nearest", result.problem.wrong_hand
    for row in rows.tolist():
        chosen = result.chosen(row)
        numbers = dict(zip(JUDGED, chosen.outcome.objectives[0, :2].tolist(), strict=True))
        numbers |= {name: float(chosen.design.column(name)[0]) for name in VARIABLES[:4]}
        numbers |= {name: chosen.metric(name) for name in more}
        table.add_row(
            str(row + 1),
            escape(chosen.rack.name),
            *(quantity(name).number(value) for name, value in numbers.items()),
            ", ".join(
                (mark,) * (row == result.winner)
                + ("wrong hand",) * bool(wrong[result.designs.rack[row]])
            ),
        )
    return table


def _thinned(result: RunResult, rows: NDArray[np.intp]) -> NDArray[np.intp]:
    """At most `_MOST_SHOWN` rows spread over the front, and the winner, by rising bump steer."""
    if len(rows) > _MOST_SHOWN:
        picks = np.linspace(0, len(rows) - 1, _MOST_SHOWN - 1).round().astype(int)
        rows = rows[np.unique(picks)]
    if result.winner is not None:
        rows = np.union1d(rows, [result.winner])
    order = np.argsort(result.evaluation.objectives[rows, 0], kind="stable")
    return np.asarray(rows[order], dtype=np.intp)
