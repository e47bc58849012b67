"""How long something has taken, and how a run's time is shared among its units.

    --hours 8        so much time at work: a sleeping machine does none, a clock set anew is no time
    --until 06:30    whatever comes first: the clock on the wall has it, or as much time at work has
                     passed as there was before it when the run began

The clock on the wall is read again whenever time is asked for, since a machine may have slept in
between. The second bound is for a clock that is set back, which would have the run go on for ever.
"""

from __future__ import annotations

import math
import time
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

# For writing: so long for each study, and never more than a share of the whole time.
WRITE_SECONDS = 15.0
WRITE_SHARE = 0.15


class Timer:
    """Seconds since it was made."""

    def __init__(self) -> None:
        self._worked, self._wall = time.monotonic(), time.time()

    def seconds(self, *, by_clock: bool = False) -> float:
        """Time at work; with `by_clock` that on the wall where it is more."""
        worked = time.monotonic() - self._worked
        return max(worked, time.time() - self._wall) if by_clock else worked


@dataclass(frozen=True, slots=True)
class Allowed:
    """Time that a unit may take from the moment it begins, on whatever machine.

    Attributes:
        seconds: how much.
        by_clock: the clock on the wall counts too.
    """

    seconds: float
    by_clock: bool = False


@dataclass(slots=True)
class TimeBudget:
    """Time shared among units, less what writing the results needs; begins when it is first shared.

    Attributes:
        seconds: for everything; None without a limit.
        studies: how many have to be written in it.
        by_clock: the clock on the wall counts too.
    """

    seconds: float | None = None
    studies: int = 1
    by_clock: bool = False
    _timer: Timer | None = field(default=None, init=False)

    def begin(self) -> TimeBudget:
        """The same, with its time running."""
        self._timer = self._timer or Timer()
        return self

    @property
    def writing(self) -> float:
        """Seconds of it that are kept for writing."""
        if self.seconds is None:
            return 0.0
        return min(WRITE_SECONDS * self.studies, WRITE_SHARE * self.seconds)

    @property
    def left(self) -> float:
        """Seconds for searching that are left; infinite without a limit."""
        if self.seconds is None:
            return math.inf
        taken = 0.0 if self._timer is None else self._timer.seconds(by_clock=self.by_clock)
        return max(0.0, self.seconds - self.writing - taken)

    def share(self, units_left: int, side_by_side: int) -> Allowed | None:
        """Time for the next unit, when `units_left` (itself included) are still to begin."""
        if self.seconds is None:
            return None
        self.begin()
        rounds = -(-units_left // max(1, side_by_side))
        return Allowed(self.left / max(1, rounds), self.by_clock)


@dataclass(frozen=True, slots=True)
class Shares:
    """Which budget each unit shares with which others: one of the whole batch, or its study's own.

    Attributes:
        budgets: of each unit.
    """

    budgets: Sequence[TimeBudget]

    def share(self, waiting: Sequence[int], side_by_side: int) -> Allowed | None:
        """Time for the first of the units that are still to begin, so many of them at a time."""
        budget = self.budgets[waiting[0]]
        return budget.share(sum(self.budgets[unit] is budget for unit in waiting), side_by_side)

    def left(self, waiting: Sequence[int]) -> float:
        """Seconds that are left for the first of the units that are still to begin."""
        return self.budgets[waiting[0]].left
