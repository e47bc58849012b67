"""The least change of the suspension for one rack, with one bracket, two, and all that may move.

all that may     every start, everything free: a lower bound for each combination of stock values
one, two         each entry and pair of entries of `may_move`, from the best starts; a combination
whose bound is no better than what is found already is left out
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from optimiser.evaluation.designs import Designs
from optimiser.questions.adapt.asked import follow_least, suspension_of
from optimiser.questions.adapt.starts import scattered

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from optimiser.evaluation.problem import Problem
    from optimiser.linkage.vectors import Array
    from optimiser.questions.adapt.starts import Starts
    from optimiser.search.residuals import Model, Table

NOTHING, ONE, TWO, ALL = "nothing", "one bracket", "two brackets", "all that may"
STEPS, SUBSET_STEPS, LAST_STEPS = 30, 20, 20
COMBINATIONS = 3
"""Combinations of stock values that every subset is followed with, the best by their bound."""
SAME = 1.001
"""A subset that changes so much more than everything is as good."""
_FRESH_STEPS, _FRESH = 10, 0.05
_SCATTER = (0.35, 0.7)
"""How far from drawn walks begin, as shares of the room."""

Subset = tuple[int, ...]
"""Entries of `may_move` by their number."""


@dataclass(frozen=True, slots=True)
class Least:
    """The least change found with some entries free.

    Attributes:
        subset: entries that may move.
        design: a batch of one; None where none was found.
        moved_mm: its change; infinite where there is none.
    """

    subset: Subset
    design: Designs | None
    moved_mm: float

    @property
    def there(self) -> bool:
        """Whether it makes the rack acceptable."""
        return self.design is not None


def everything(problem: Problem) -> Subset:
    """All entries."""
    return tuple(range(len(suspension_of(problem).movers)))


class Search:
    """Walks of one rack: designs in, the least change of each subset and combination out."""

    def __init__(self, model: Model) -> None:
        self.model, self.problem = model, model.problem
        self.suspension = suspension_of(model.problem)
        self.move_columns = np.flatnonzero(np.array(model.columns) >= len(model.problem.variables))
        self.ends: list[tuple[Subset, Table]] = []

    def free_of(self, subset: Subset) -> NDArray[np.bool_]:
        """Which of the moves are free, (M,)."""
        return np.asarray(np.isin(self.suspension.owner, subset))

    def within(self, subsets: Sequence[Subset]) -> tuple[Array, Array]:
        """Bounds (K, n) of the scaled variables of a walk for each subset."""
        shape = (len(subsets), len(self.model.columns))
        low, high = np.zeros(shape), np.ones(shape)
        free = np.array([self.free_of(subset) for subset in subsets])
        for bound in (low, high):
            bound[:, self.move_columns] = np.where(free, bound[:, self.move_columns], 0.5)
        return low, high

    def masked(self, designs: Designs, subsets: Sequence[Subset]) -> Designs:
        """Designs (K,) with the moves of others than the subset's entries taken back."""
        values = designs.values.copy()
        free = np.array([self.free_of(subset) for subset in subsets])
        values[:, len(self.problem.variables) :] *= free
        return Designs(designs.rack, values)

    def follow(
        self, designs: Designs, subsets: Sequence[Subset], steps: int, trust: float = 0.2
    ) -> Table:
        """Where walks from designs end, each with the entries of its subset free; those are kept.

        Walks that begin where nothing can be assembled are left out.
        """
        start = self.model.table(self.model.scaled(designs), designs)
        there = np.flatnonzero(np.isfinite(start.objectives).all(axis=1))
        kept = [subsets[row] for row in there.tolist()]
        start = start.select(there)
        if not len(start):
            return start
        within = self.within(kept)
        ends = follow_least(self.model, start, within, steps=steps, trust=trust)
        # The trust region of a walk can collapse in a narrow valley; a fresh one goes on.
        ends = follow_least(self.model, ends, within, steps=_FRESH_STEPS, trust=_FRESH, stiff=True)
        for row, subset in enumerate(kept):
            self.ends.append((subset, ends.select(np.array([row]))))
        return ends

    def least(self, subset: Subset, held: Array | None = None) -> Least:
        """The least change among what was found with no more than a subset's entries free."""
        best: Table | None = None
        for other, table in self.ends:
            fits = set(other) <= set(subset) and bool(table.feasible[0])
            if fits and (held is None or (self.held(table.like)[0] == held).all()):
                moved = table.objectives[0, -1]
                if best is None or moved < best.objectives[0, -1]:
                    best = table
        if best is None:
            return Least(subset, None, np.inf)
        design = self.model.designs(best.scaled, best.like)
        return Least(subset, design, float(best.objectives[0, -1]))

    def held(self, designs: Designs) -> Array:
        """Stock values (N, h) that tell combinations apart."""
        return designs.values[:, self.model.held]

    @property
    def nearest(self) -> Table | None:
        """What breaks limits least of all that was found; None where nothing assembles."""
        tables = [table for _, table in self.ends]
        excess = [float(np.maximum(t.limits, 0.0).sum()) for t in tables]
        return tables[int(np.argmin(excess))] if tables else None


def solve_all(search: Search, starts: Starts) -> None:
    """Everything free, from every start."""
    problem, whole = search.problem, everything(search.problem)
    parts = [starts.moved]
    for salt, share in enumerate(_SCATTER):
        parts.append(_scattered(problem, starts.drawn, share, salt))
    designs = Designs.join(parts)
    search.follow(designs, [whole] * len(designs), STEPS)


def _scattered(problem: Problem, designs: Designs, share: float, salt: int) -> Designs:
    values = designs.values.copy()
    values[:, len(problem.variables) :] = scattered(problem, designs, share, salt)
    return Designs(designs.rack, values)


def solve_subsets(search: Search, starts: Starts, subsets: Sequence[Subset]) -> None:
    """Each subset from the best starts of the combinations with the best bounds."""
    whole = everything(search.problem)
    bounds = _bounds(search, whole)
    first = [held for held, _ in bounds[:COMBINATIONS]]
    _follow_subsets(search, starts, [(subset, held) for subset in subsets for held in first])
    more = [
        (subset, held)
        for subset in subsets
        for held, bound in bounds[COMBINATIONS:]
        if bound < search.least(subset).moved_mm
    ]
    _follow_subsets(search, starts, more)


def _bounds(search: Search, whole: Subset) -> list[tuple[Array, float]]:
    """Combinations of stock values with the least change that each allows, the best first."""
    found: dict[tuple[float, ...], Array] = {}
    for subset, table in search.ends:
        if subset == whole:
            held = search.held(table.like)[0]
            found.setdefault(tuple(held.tolist()), held)
    bounds = [(held, search.least(whole, held).moved_mm) for held in found.values()]
    bounds = [one for one in bounds if np.isfinite(one[1])]
    return sorted(bounds, key=lambda one: one[1])


def _follow_subsets(search: Search, starts: Starts, asked: Sequence[tuple[Subset, Array]]) -> None:
    """From the best of all that may move, and from the best drawn design, of a combination."""
    designs, subsets = [], []
    whole = everything(search.problem)
    for number, (subset, held) in enumerate(asked):
        best = search.least(whole, held).design
        if best is not None:
            designs += [search.masked(best, [subset])]
            subsets.append(subset)
        alike = (search.held(starts.drawn) == held).all(axis=1)
        for row in np.flatnonzero(alike)[:2].tolist():
            drawn = starts.drawn.select(np.array([row]))
            near = _scattered(search.problem, drawn, 0.35, 7 * number + row)
            designs.append(search.masked(near, [subset]))
            subsets.append(subset)
    if designs:
        search.follow(Designs.join(designs), subsets, SUBSET_STEPS)


def solve_ways(search: Search, starts: Starts) -> dict[str, Least]:
    """The least change with one entry, two, and all, by the name of the way."""
    whole = everything(search.problem)
    solve_all(search, starts)
    best = search.least(whole)
    entries = list(range(len(whole)))
    one = [(number,) for number in entries]
    found = {}
    if best.there:
        solve_subsets(search, starts, [subset for subset in one if subset != whole])
    found[ONE] = _best_of(search, one)
    if best.there and found[ONE].moved_mm > SAME * best.moved_mm:
        two = list(combinations(entries, 2))
        solve_subsets(search, starts, [subset for subset in two if subset != whole])
    found[TWO] = _best_of(search, [*one, *combinations(entries, 2)])
    found[ALL] = search.least(whole)
    return {name: polished(search, least) for name, least in found.items()}


def _best_of(search: Search, subsets: Sequence[Subset]) -> Least:
    return min((search.least(subset) for subset in subsets), key=lambda least: least.moved_mm)


def polished(search: Search, least: Least) -> Least:
    """The same followed on with a small trust region, until nothing is promised any more."""
    if least.design is None:
        return least
    search.follow(least.design, [least.subset], LAST_STEPS, trust=0.02)
    return search.least(least.subset)
