"""All answers of one rack: nothing moved, one bracket, two, all; rounded, and with room."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from optimiser.evaluation.changed import drawn_car
from optimiser.evaluation.designs import Designs
from optimiser.questions.adapt.asked import Tightened, least_change, suspension_of
from optimiser.questions.adapt.relaxed import cures
from optimiser.questions.adapt.room import with_room
from optimiser.questions.adapt.rounding import rounded
from optimiser.questions.adapt.starts import find_starts
from optimiser.questions.adapt.ways import (
    ALL,
    LAST_STEPS,
    NOTHING,
    ONE,
    TWO,
    Least,
    Search,
    solve_ways,
)

if TYPE_CHECKING:
    from optimiser.answer.whole_sweep import WholeSweep
    from optimiser.evaluation.designs import Evaluation
    from optimiser.evaluation.problem import Problem
    from optimiser.linkage.vectors import Array
    from optimiser.questions.adapt.relaxed import Cure
    from optimiser.questions.adapt.starts import Starts
    from optimiser.questions.adapt.ways import Subset

ROUNDED, WITH_ROOM = "rounded", "with room"
KINDS = ("", f", {ROUNDED}", f", {WITH_ROOM}")
WAYS = (NOTHING, *(f"{way}{kind}" for way in (ONE, TWO, ALL) for kind in KINDS))
ENOUGH = 1.5
"""Fewer entries are recommended where they change no more than so many times what all do."""
FINER = 4
"""Poses of the check for each of the study's steps of travel."""
_CHECKS = 3


@dataclass(frozen=True, slots=True)
class Way:
    """One way to change the car.

    Attributes:
        name: one of `WAYS`.
        subset: entries that may move.
        design: a batch of one; None where none was found.
        outcome: its evaluation over the finer sweep.
        acceptable: whether it makes the rack acceptable.
    """

    name: str
    subset: Subset
    design: Designs | None
    outcome: Evaluation | None
    acceptable: bool

    @property
    def moved_mm(self) -> float:
        """Its change; infinite where there is none."""
        return np.inf if self.outcome is None else float(self.outcome.metrics["moved_mm"][0])


@dataclass(frozen=True)
class RackAnswer:
    """What was found for one rack.

    Attributes:
        problem: the least change as a problem, limits and bands of the study.
        rack: its index.
        ways: by name, in the order of `WAYS`.
        cures: where no way is acceptable, what each limit, band or box alone would have to be.
        evaluated: designs evaluated.
    """

    problem: Problem
    rack: int
    ways: dict[str, Way]
    cures: tuple[Cure, ...] = ()
    evaluated: int = field(default=0, compare=False)

    @property
    def recommended(self) -> Way | None:
        """The fewest entries whose change is at most `ENOUGH` times that of all; None of none."""
        if self.ways[NOTHING].acceptable:
            return self.ways[NOTHING]
        whole = self.ways[ALL]
        good = [self.ways[name] for name in (ONE, TWO, ALL) if self.ways[name].acceptable]
        near = [way for way in good if way.moved_mm <= ENOUGH * whole.moved_mm]
        return min(near, key=lambda way: _entries(self.problem, way), default=None)

    @cached_property
    def swept(self) -> WholeSweep | None:
        """The recommended design over its whole sweep, every pose solved."""
        from optimiser.answer.whole_sweep import sweep_whole

        way = self.recommended
        return None if way is None or way.design is None else sweep_whole(self.problem, way.design)


def _entries(problem: Problem, way: Way) -> int:
    """How many entries a way moves."""
    if way.design is None:
        return len(suspension_of(problem).movers)
    owner = suspension_of(problem).owner
    return len(set(owner[problem.moves(way.design)[0] != 0.0].tolist()))


def answer_rack(problem: Problem, rack: int) -> RackAnswer:
    """Solve every way of one rack.

    Args:
        problem: the study's, with what may move.
        rack: its index.
    """
    asked = least_change(problem)
    finer = _finer(asked)
    starts = find_starts(problem, rack)
    search = Search(Tightened(asked))
    nothing = _nothing(asked, finer, starts)
    if nothing.acceptable:
        same = {name: replace(nothing, name=name) for name in WAYS}
        return RackAnswer(asked, rack, same, (), search.model.evaluated)
    found = solve_ways(search, starts)
    checker = _Checker(search, finer)
    ways = {NOTHING: nothing}
    for name in (ONE, TWO, ALL):
        ways |= checker.ways(name, found[name])
    stand = () if ways[ALL].acceptable else tuple(cures(search, finer))
    return RackAnswer(asked, rack, ways, stand, search.model.evaluated)


def _finer(problem: Problem) -> Problem:
    """The same over a finer grid of travel."""
    travel = replace(problem.travel, step_mm=problem.travel.step_mm / FINER)
    finer = replace(problem, travel=travel)
    longest = max(rack.travel_each_way_mm for rack in problem.racks)
    character, _ = drawn_car(finer, longest)
    return replace(finer, suspension=replace(suspension_of(problem), drawn=character))


def _nothing(problem: Problem, finer: Problem, starts: Starts) -> Way:
    """The best with nothing moved; the first that is acceptable, or else the one nearest to it."""
    designs = starts.drawn
    if not len(designs):
        return Way(NOTHING, (), None, None, False)
    outcome = finer.evaluate(designs)
    good = np.flatnonzero(outcome.feasible)
    row = int(good[0]) if len(good) else 0
    design = designs.select(slice(row, row + 1))
    return Way(NOTHING, (), design, outcome.select(slice(row, row + 1)), bool(len(good)))


class _Checker:
    """Ways made of least changes, each checked over the finer sweep and solved once."""

    def __init__(self, search: Search, finer: Problem) -> None:
        self.search, self.finer = search, finer
        self._known: dict[Subset, tuple[Least, Least, Least]] = {}

    def ways(self, name: str, least: Least) -> dict[str, Way]:
        """A way, the same rounded, and with room."""
        if least.subset not in self._known:
            first, margin = self._checked(least)
            whole = rounded(self.search, first, self._fewer(least.subset, 1))
            room = with_room(self.search, first, margin)
            fewer = self._fewer(least.subset, 2)
            if fewer is not None and fewer.moved_mm < room.moved_mm:
                room = replace(fewer, subset=least.subset)
            self._known[least.subset] = (first, self._kept(whole), room)
        return {
            f"{name}{kind}": self._way(f"{name}{kind}", one)
            for kind, one in zip(KINDS, self._known[least.subset], strict=True)
        }

    def _fewer(self, subset: Subset, kind: int) -> Least | None:
        """The least change of that kind known with some of the entries alone."""
        found = [one[kind] for other, one in self._known.items() if set(other) <= set(subset)]
        return min(found, key=lambda one: one.moved_mm, default=None)

    def _checked(self, least: Least) -> tuple[Least, Array]:
        """The least change that the finer sweep accepts too, and the margins that it takes."""
        problem = self.search.problem
        margin = np.zeros(len(problem.constraint_names))
        for _ in range(_CHECKS):
            if least.design is None:
                break
            over = self.finer.evaluate(least.design).scaled_constraints[0]
            if (over <= 0.0).all():
                break
            margin = margin + 1.1 * np.maximum(over, 0.0)
            tight = Search(Tightened(problem, margin))
            tight.follow(least.design, [least.subset], LAST_STEPS, trust=0.05)
            least = tight.least(least.subset)
        return least, margin

    def _kept(self, least: Least) -> Least:
        """A least change if the finer sweep accepts it; none otherwise."""
        if least.design is None or self.finer.evaluate(least.design).feasible[0]:
            return least
        return Least(least.subset, None, np.inf)

    def _way(self, name: str, least: Least) -> Way:
        if least.design is None:
            return Way(name, least.subset, None, None, False)
        values = least.design.values.copy()
        values[:, len(self.finer.variables) :] += 0.0  # a move of nothing has no sign
        design = Designs(least.design.rack, values)
        outcome = self.finer.evaluate(design)
        return Way(name, least.subset, design, outcome, bool(outcome.feasible[0]))
