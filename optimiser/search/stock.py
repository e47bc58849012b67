"""Where every variable has stock values only: all combinations, or a descent over neighbours.

Neighbours differ in one variable or in two, by any step: bump steer vanishes where rack and arm
are right for each other, and a change of one alone loses that.

    few    every combination is evaluated
    many   independent starts, far apart -> better neighbours in one variable, to the end
           the best ends that differ -> better neighbours in two variables, to the end
           the best of each stock value and the front -> all their neighbours, and again of what
           is the best of each and the front then, until nothing new comes
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations, product
from typing import TYPE_CHECKING

import numpy as np

from optimiser.base.farthest import farthest_points
from optimiser.base.front import feasible_front
from optimiser.evaluation.designs import Designs, Range, Stock
from optimiser.search.starts import KEPT, LEAST_STARTS, ranked, winners_ray

if TYPE_CHECKING:
    from collections.abc import Iterable

    from optimiser.evaluation.problem import Problem
    from optimiser.search.residuals import Indices

Values = dict[str, tuple[float, ...]]
"""Stock values of each variable, rising."""
Place = tuple[int, ...]
"""Which of them a design has."""
MOST_COMBINATIONS = 5000
"""So many are all looked at; of more, neighbours of the best."""
_MOST_EVALUATED = 30_000  # where the descent ends wherever it is


@dataclass(frozen=True, slots=True)
class BestOfStock:
    """Designs of stock values worth telling.

    Attributes:
        designs: the front, the best with each stock value, and where starts ended.
        starts: how many independent starts came to each, (K,); 0 of all where nothing was left
            to be started from, since every combination was looked at.
    """

    designs: Designs
    starts: Indices


def stock_values(problem: Problem) -> Values | None:
    """Values of each variable in rising order; None where some variable is continuous."""
    found: Values = {}
    if problem.suspension is not None and problem.suspension.columns:
        return None
    for name, choice in problem.space.items():
        if isinstance(choice, Stock):
            found[name] = tuple(sorted(choice.values))
        elif isinstance(choice, Range):
            if choice.low < choice.high:
                return None
            found[name] = (choice.low,)
    return found


def best_of_stock(problem: Problem, rack: int, near: Designs) -> BestOfStock:
    """The best designs of one rack: of all, or of what a descent from designs `near` met."""
    pool = _Pool(problem, rack)
    if np.prod(pool.sizes, dtype=float) <= MOST_COMBINATIONS:
        pool.add(product(*map(range, pool.sizes)))
    else:
        pool.add(pool.places_of(near))
        _descend(pool)
    rows = pool.best_rows()
    rows = list(dict.fromkeys([*rows, *pool.starts]))
    starts = np.array([pool.starts.get(row, 0) for row in rows], dtype=np.intp)
    return BestOfStock(pool.designs.select(np.array(rows, dtype=np.intp)), starts)


class _Pool:
    """All combinations evaluated so far, in the order in which they were."""

    def __init__(self, problem: Problem, rack: int) -> None:
        self.problem, self.rack = problem, rack
        self.values = stock_values(problem) or {}
        self.sizes = [len(each) for each in self.values.values()]
        self.row_of: dict[Place, int] = {}
        self.places = np.empty((0, len(self.sizes)), dtype=np.intp)
        self.designs = Designs(np.empty(0, dtype=np.intp), np.empty((0, len(problem.columns))))
        self.objectives = np.empty((0, len(problem.objectives.names)))
        self.feasible, self.levels = np.empty(0, dtype=bool), np.empty(0)
        self.starts: dict[int, int] = {}
        """How many independent starts ended at a row."""
        self.asked: set[int] = set()
        """Rows whose neighbours have all been evaluated."""

    def places_of(self, designs: Designs) -> list[Place]:
        """Places of designs."""
        at = [
            np.searchsorted(each, designs.values[:, self.problem.variables.index(name)]).tolist()
            for name, each in self.values.items()
        ]
        return list(zip(*at, strict=True))

    def add(self, places: Iterable[Place]) -> None:
        """Evaluate those that are new."""
        new = [place for place in dict.fromkeys(places) if place not in self.row_of]
        if not new:
            return
        at = np.array(new, dtype=np.intp).reshape(len(new), -1)
        free = {
            name: np.array(each)[at[:, column]]
            for column, (name, each) in enumerate(self.values.items())
        }
        designs = self.problem.designs(np.full(len(new), self.rack), dict(free))
        found = self.problem.evaluate(designs)
        levels = ranked(found.objectives, found.scaled_constraints, winners_ray(self.problem))
        levels = np.where(found.assembles, levels, np.inf)
        self.designs = Designs.join([self.designs, designs])
        self.objectives = np.concatenate([self.objectives, found.objectives])
        self.feasible = np.concatenate([self.feasible, found.feasible])
        self.levels = np.concatenate([self.levels, levels])
        self.row_of |= {place: len(self.row_of) + number for number, place in enumerate(new)}
        self.places = np.concatenate([self.places, at])

    def neighbours(self, row: int, changes: int) -> list[Place]:
        """Places that differ from a row's in so many variables at most."""
        here = tuple(self.places[row].tolist())
        others = [
            [value for value in range(size) if value != at]
            for at, size in zip(here, self.sizes, strict=True)
        ]
        found = []
        for count in range(1, changes + 1):
            for columns in combinations(range(len(here)), count):
                for values in product(*(others[column] for column in columns)):
                    changed = dict(zip(columns, values, strict=True))
                    found.append(tuple(changed.get(c, at) for c, at in enumerate(here)))
        return found

    def ask(self, row: int, changes: int) -> list[int]:
        """Rows of all neighbours, evaluated where they are not yet."""
        places = self.neighbours(row, changes)
        self.add(places)
        if changes > 1:
            self.asked.add(row)
        return [self.row_of[place] for place in places]

    def best_rows(self) -> list[int]:
        """The best with each stock value that assembles, the best of all first; and the front."""
        best = {int(np.argmin(self.levels)): None}
        for column, size in enumerate(self.sizes):
            for value in range(size):
                mine = np.flatnonzero(self.places[:, column] == value)
                if len(mine):
                    best[int(mine[np.argmin(self.levels[mine])])] = None
        best |= dict.fromkeys(feasible_front(self.objectives, self.feasible).tolist())
        return [row for row in best if np.isfinite(self.levels[row])]


def _descend(pool: _Pool) -> None:
    """Follow independent starts, then ask for neighbours of what is best until none is new."""
    ends = [_follow(pool, row, 1) for row in _spread(pool)]
    for end in sorted(set(ends), key=lambda row: (pool.levels[row], row))[:KEPT]:
        last = _follow(pool, end, 2)
        pool.starts[last] = pool.starts.get(last, 0) + ends.count(end)
    while len(pool.row_of) < _MOST_EVALUATED:
        new = next((row for row in pool.best_rows() if row not in pool.asked), None)
        if new is None:
            return
        pool.ask(new, 2)


def _spread(pool: _Pool) -> list[int]:
    """The best and others far apart among the better half."""
    order = np.argsort(pool.levels, kind="stable")
    half = order[: max(LEAST_STARTS, len(order) // 2)]
    share = pool.places[half] / np.maximum(np.array(pool.sizes) - 1.0, 1.0)
    return [int(row) for row in half[farthest_points(share, LEAST_STARTS)]]


def _follow(pool: _Pool, row: int, changes: int) -> int:
    """Where a descent ends that goes to the best neighbour as long as that is better."""
    while True:
        best = min(pool.ask(row, changes), key=lambda other: (pool.levels[other], other))
        if not pool.levels[best] < pool.levels[row]:
            return row
        row = best
