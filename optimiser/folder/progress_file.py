"""`progress.json`: how far a run has come, for whoever looks on from outside.

The record has every design, but to read it takes as long as it is large, and how much time is left
stands nowhere in it. So a run writes this small file into its folder every few seconds, and takes
it away when all is done. It is never synced, and one that cannot be written is left.
"""

from __future__ import annotations

import contextlib
import json
import math
import time
from dataclasses import asdict, dataclass, field
from typing import TYPE_CHECKING

from optimiser.base.errors import StorageError
from optimiser.base.files import write_bytes

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

PROGRESS_FILE = "progress.json"
WRITE_EVERY_SECONDS = 5.0
_TIMES = ("began", "written", "seconds_left")


@dataclass(slots=True)
class Searched:
    """One search: a rack, of a variant and a repeat where there are several.

    Attributes:
        label: its name.
        wrong_hand: its rack steers the right way only turned, with the pinion on the other side.
        tried: designs, in this run and before.
        allowed: designs that the study allows it.
        new: designs of this run, but for those of its first generation.
        best: the best so far in words; empty before the first generation.
        ratio: the worst of its numbers over what is acceptable; None without a design.
        ended: it is over, or this run has stopped it or failed in it.
        done: it is over.
    """

    label: str
    wrong_hand: bool = False
    tried: int = 0
    allowed: int = 0
    new: int = 0
    best: str = ""
    ratio: float | None = None
    ended: bool = False
    done: bool = False


@dataclass(frozen=True, slots=True)
class Told:
    """What the file says.

    Attributes:
        title: of the study.
        what: is counted: racks, or searches where a rack has several.
        began: `time.time()` of the start.
        written: `time.time()` of this.
        seconds_left: for searching, then; None without a limit.
        searches: all of them.
    """

    title: str
    what: str
    began: float
    written: float
    seconds_left: float | None
    searches: tuple[Searched, ...]


@dataclass(slots=True)
class ProgressFile:
    """The file as a run keeps it.

    Attributes:
        folder: result folder.
        title: of the study.
        what: is counted: racks, or searches where a rack has several.
        searches: all that is to be done, in order.
        seconds_left: for searching; infinite without a limit.
    """

    folder: Path
    title: str
    what: str
    searches: Sequence[Searched]
    seconds_left: Callable[[], float]
    _began: float = field(default_factory=time.time, init=False)
    _written: float = field(default=-math.inf, init=False)
    _ended: int = field(default=0, init=False)

    def tell(self, number: int, tried: int, allowed: int, best: str, ratio: float) -> None:
        """A generation of one of the searches is on disk."""
        search = self.searches[number]
        if search.best:
            search.new += tried - search.tried
        search.tried, search.allowed, search.best = tried, allowed, best
        search.ratio = _finite(ratio)
        self._write_when_due()

    def end(self, number: int, *, done: bool) -> None:
        """This run has nothing more to do for one of the searches, which is done or is not."""
        self.searches[number].ended, self.searches[number].done = True, done
        self._ended += 1
        self._write_when_due()

    def _write_when_due(self) -> None:
        due = time.monotonic() >= self._written + WRITE_EVERY_SECONDS
        if due or self._ended == len(self.searches):
            self.write()

    def write(self) -> None:
        """Write it now, or leave it."""
        self._written = time.monotonic()
        left = _finite(self.seconds_left())
        told = Told(self.title, self.what, self._began, time.time(), left, tuple(self.searches))
        with contextlib.suppress(StorageError):
            content = json.dumps(asdict(told)) + "\n"
            write_bytes(self.folder / PROGRESS_FILE, content.encode("utf-8"), sync=False)


def remove_progress(folder: Path) -> None:
    """Take the file away: the results say everything."""
    with contextlib.suppress(OSError):
        (folder / PROGRESS_FILE).unlink()


def read_progress(folder: Path) -> Told | None:
    """What a run says of itself in a folder; None where that is nothing that can be read."""
    try:
        told = json.loads((folder / PROGRESS_FILE).read_text("utf-8"))
        searches = tuple(_searched(one) for one in told["searches"])
        left = told["seconds_left"]
        if not all(math.isfinite(told[name] or 0.0) for name in _TIMES):
            raise ValueError("no time")
        return Told(
            str(told["title"]),
            str(told["what"]),
            float(told["began"]),
            float(told["written"]),
            None if left is None else float(left),
            searches,
        )
    except (OSError, ValueError, KeyError, TypeError, OverflowError, RecursionError):
        return None


def _searched(one: dict[str, object]) -> Searched:
    found = Searched(**one)  # type: ignore[arg-type]  # looked at below
    numbers = (found.tried, found.allowed, found.new)
    texts = (found.label, found.best)
    marks = (found.wrong_hand, found.ended, found.done)
    if not (
        all(isinstance(number, int) for number in numbers)
        and all(isinstance(text, str) for text in texts)
        and all(isinstance(mark, bool) for mark in marks)
        and (found.ratio is None or isinstance(found.ratio, float))
    ):
        raise ValueError("not what a run writes")
    return found


def _finite(number: float) -> float | None:
    """JSON has no infinity."""
    return number if math.isfinite(number) else None
