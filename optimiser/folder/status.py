"""How a run is doing, told from its folder alone: read-only, whatever state the folder is in.

    running    a process has the folder's lock
    cut off    nobody has it, and the run was not marked as finished
    finished   it was

Neither the record nor the tables are read, so that the answer costs the same however long the
night was. Nothing here imports NumPy, pandas or Optuna.
"""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from optimiser.base.errors import InputError
from optimiser.base.files import read_json_table
from optimiser.base.locks import is_held
from optimiser.folder.claim import LOCK_FILE, RECORD_FOLDER, STATE_FILE
from optimiser.folder.progress_file import PROGRESS_FILE, read_progress

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from optimiser.folder.progress_file import Told

RUN_FILE, SWEEP_FILE = "run.json", "sweep.csv"  # written by modules that import NumPy
_REMEDY = "give the folder of a result, such as results/demo"
MOST_SHOWN = 10


@dataclass(frozen=True, slots=True)
class Status:
    """Lines for a person, and whether there is nothing more to wait for."""

    lines: tuple[str, ...]
    finished: bool


def status_of(folder: Path) -> Status:
    """How the run in a folder is doing.

    Raises:
        InputError: there is no such folder, or nothing of a run in it.
    """
    try:
        names = {path.name for path in folder.iterdir()}
    except OSError as error:
        problem = f"cannot be read ({error.strerror})"
        raise InputError(str(folder), problem, _REMEDY) from None
    if not names & {RUN_FILE, SWEEP_FILE, STATE_FILE, RECORD_FOLDER, PROGRESS_FILE}:
        raise InputError(str(folder), "holds nothing of a run", _REMEDY)
    runs = [folder / RUN_FILE, *sorted(folder.glob(f"*/{RUN_FILE}"))]
    records = [run for run in map(read_json_table, runs) if run]
    state = read_json_table(folder / STATE_FILE)
    # A result that was copied without its state is as finished as its run.json says.
    whole = records and all(run.get("finished") is True for run in records)
    finished = bool(state.get("finished") is True if state else whole)
    told = read_progress(folder)
    held = None if finished else is_held(folder / LOCK_FILE)
    lines = [f"{folder}: {_name(told, records)}".rstrip(": "), _standing(finished, held, told)]
    if finished:
        lines += _winners(records)
    elif told is not None:
        lines += _progress(told, running=held is not False)
    else:
        lines.append(f"{PROGRESS_FILE} is missing or damaged: how far it is cannot be told.")
    lines += _last_write(folder)
    return Status(tuple(lines), finished)


def _name(told: Told | None, records: list[dict[str, Any]]) -> str:
    if told is not None:
        return told.title
    if not records:
        return ""
    # One of several variants has its own name in the title too.
    return str(records[0].get("title", "")).removesuffix(f": {records[0].get('variant')}")


def _standing(finished: bool, held: bool | None, told: Told | None) -> str:
    if finished:
        return "finished"
    if held:
        if told is not None and all(search.ended for search in told.searches):
            return "running: all is searched, results are being written"
        return "running"
    if held is None:
        return "not finished; whether a run is working in it cannot be told from here"
    return "cut off: no run is working in it; the same command goes on from there"


def _winners(records: list[dict[str, Any]]) -> Iterator[str]:
    for run in records[:MOST_SHOWN]:
        winner = run.get("winner")
        found = "no design keeps every limit"
        if isinstance(winner, dict):
            how = "chosen" if winner.get("acceptable") else "no rack is acceptable, nearest"
            found = f"{how}: {winner.get('rack')}, design {winner.get('design')}"
        variant = f"{run['variant']}: " if run.get("variant") else ""
        yield f"{variant}{found}; {run.get('designs')} designs, {run.get('date')}"
    if len(records) > MOST_SHOWN:
        yield f"and {len(records) - MOST_SHOWN} more"


def _progress(told: Told, *, running: bool) -> Iterator[str]:
    searches = told.searches
    done = sum(search.done for search in searches)
    yield f"{told.what} done: {done} of {len(searches)}"
    found = [search for search in searches if search.ratio is not None]
    # As the winner's rule has it, racks of the wrong hand stand back.
    best = min(found, key=lambda one: (one.wrong_hand, one.ratio), default=None)
    if best is None:
        yield "best so far: nothing within limits yet"
    else:
        share = f"at worst {best.ratio:.3g} times what is acceptable"
        hand = "; a rack of the wrong hand" if best.wrong_hand else ""
        yield f"best so far: {best.label}, {best.best.removeprefix('best ')} ({share}{hand})"
    if not running or all(search.ended for search in searches):
        return
    yield f"time left: {_time_left(told)}"
    at_work = [search for search in searches if search.best and not search.ended]
    for search in at_work[:MOST_SHOWN]:
        yield f"  {search.label}: {search.tried} of {search.allowed} designs, {search.best}"
    if len(at_work) > MOST_SHOWN:
        yield f"  and {len(at_work) - MOST_SHOWN} more"


def _time_left(told: Told) -> str:
    """By the pace so far, which no search has to keep, and by the limit on time."""
    since = max(0.0, time.time() - told.written)
    limit = ""
    if told.seconds_left is not None:
        limit = f"the limit on searching ends in {duration(max(0.0, told.seconds_left - since))}"
    new = sum(search.new for search in told.searches)
    if not new:
        return "; ".join(filter(None, ["not known yet", limit]))
    # Searches that have not begun are taken to be as long as the longest that has.
    longest = max(search.allowed for search in told.searches)
    rest = sum(
        max(0, (search.allowed or longest) - search.tried)
        for search in told.searches
        if not search.ended
    )
    left = max(0.0, rest / new * (told.written - told.began) - since)
    pace = (
        f"about {duration(left)} at the pace so far, less where a search ends early; then writing"
    )
    return "; ".join(filter(None, [pace, limit]))


def _last_write(folder: Path) -> Iterator[str]:
    """When anything of the run was last written: a design, or how far it is."""
    latest = 0.0
    for pattern in (f"{RECORD_FOLDER}/*", f"*/{RECORD_FOLDER}/*", PROGRESS_FILE, RUN_FILE):
        for path in folder.glob(pattern):
            try:
                latest = max(latest, path.stat().st_mtime)
            except OSError:  # taken away meanwhile
                continue
    if latest:
        clock = time.strftime("%Y-%m-%d %H:%M:%S", time.localtime(latest))
        yield f"last write: {clock}, {duration(max(0.0, time.time() - latest))} ago"


def duration(seconds: float) -> str:
    """A time in the two units that matter."""
    if seconds < 60.0:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60.0)
    if minutes < 60:
        return f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    if hours < 48:
        return f"{hours} h {minutes:02d} min"
    return f"{hours // 24} days {hours % 24} h"
