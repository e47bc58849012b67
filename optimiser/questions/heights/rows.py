"""The best design met so far in each lane, and the local minima that were met."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from optimiser.evaluation.designs import Designs
from optimiser.questions.heights.lanes import HEIGHT
from optimiser.questions.heights.starts import height_seeds
from optimiser.search.linear_steps import fit
from optimiser.search.residuals import Model, Table

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimiser.linkage.vectors import Array
    from optimiser.questions.heights.lanes import Lanes
    from optimiser.search.linear_steps import Fits

    Indices = NDArray[np.intp]

WORTH, WORTH_DEG = 2.0, 0.05
"""A local minimum is followed on while its bump steer is less than so many times the best of its
lane and so much more."""
SAME = 0.08
"""Designs of one lane that differ by less than this share of every range are in one basin."""
ROUGH = 1e-2
"""Until they are polished designs are done when no more than this share is promised."""
INFEASIBLE = 1e6  # ranks behind any bump steer; sets an order, is never shown


@dataclass(frozen=True, slots=True)
class Minima:
    """Where K designs ended, and the lane of each."""

    lane: Indices
    table: Table

    def select(self, index: Indices | NDArray[np.bool_]) -> Minima:
        """Some of them."""
        return Minima(self.lane[index], self.table.select(index))

    @classmethod
    def join(cls, parts: list[Minima]) -> Minima:
        """One batch after another."""
        return cls(
            np.concatenate([part.lane for part in parts]),
            Table.join([part.table for part in parts]),
        )


class Rows:
    """What is known of every lane; `optima` has the stages that add to it."""

    def __init__(self, model: Model, lanes: Lanes) -> None:
        self.model, self.lanes = model, lanes
        self.within = lanes.bounds.scaled(model)
        self.free = self.within[0] < self.within[1]
        self.ray = np.full(len(model.kinds), np.inf)
        self.ray[0] = model.problem.acceptable[0]
        self.promised_deg = np.full(len(lanes.every), np.nan)
        # The middle of what is free, the first of stock values: something to be better than.
        values = lanes.bounds.low.copy()
        middle = 0.5 * (lanes.bounds.low + lanes.bounds.high)
        values[:, model.columns] = middle[:, model.columns]
        start = Designs(np.full(len(values), lanes.rack), values)
        self.best = model.table(model.scaled(start), start)
        none = np.empty(0, dtype=np.intp)
        self.minima = Minima(none, self.best.select(none))

    def score(self, table: Table) -> Array:
        """Bump steer where the limits are kept; behind all of those, what breaks them least."""
        excess = INFEASIBLE + np.maximum(table.limits, 0.0).sum(axis=1)
        score = np.where(table.feasible, table.objectives[:, 0], excess)
        return np.where(np.isfinite(table.objectives).all(axis=1), score, np.inf)

    def keep(self, lane: Indices, table: Table) -> None:
        """Take those designs that are better than what their lane has."""
        score = self.score(table)
        order = np.lexsort((score, lane))
        lane, first = np.unique(lane[order], return_index=True)
        chosen = order[first]
        better = score[chosen] < self.score(self.best)[lane]
        self.best = self.best.replaced(lane[better], table.select(chosen[better]))

    def offer(self, lane: Indices, designs: Designs) -> Table:
        """Evaluate designs of the lanes `lane` and keep the better ones."""
        if not len(lane):
            return self.best.select(lane)
        table = self.model.table(self.model.scaled(designs), designs)
        self.keep(lane, table)
        return table

    def follow(self, lane: Indices, start: Table, steps: int) -> Minima:
        """Follow bump steer down from designs of the lanes `lane`; returns where they ended."""
        there = np.flatnonzero(np.isfinite(start.objectives).all(axis=1))
        lane, start = lane[there], start.select(there)
        if not len(lane):
            return Minima(lane, start)
        found = self.fit(lane, start, steps, tolerance=ROUGH)
        return Minima(lane, found.table)

    def fit(self, lane: Indices, start: Table, steps: int, **options: Any) -> Fits:
        """`linear_steps.fit` within the bounds of the lanes; what is better is kept."""
        rays = np.broadcast_to(self.ray, (len(lane), len(self.ray)))
        low, high = self.within
        within = low[lane], high[lane]
        found = fit(self.model, start, rays, steps=steps, within=within, **options)
        self.keep(lane, found.table)
        return found

    def designs(self, lane: Indices) -> Designs:
        """The best designs of lanes, every variable that is held there as it is held."""
        best = self.best.select(lane)
        return self.lanes.bounds.select(lane).inside(self.model.designs(best.scaled, best.like))

    def seeds(self, lane: Indices) -> tuple[Indices, Designs]:
        """See `height_seeds`; of each lane by what its way leaves free."""
        lanes, way = self.lanes, self.lanes.way(lane)
        found, designs = [], []
        for number, problem in enumerate(lanes.problems):
            first = lanes.of_way(number).start
            rows = lane[way == number] - first
            if len(rows):
                row, some = height_seeds(problem, lanes.rack, lanes.heights_mm, rows)
                found.append(row + first)
                designs.append(some)
        return np.concatenate(found), Designs.join(designs)

    def remember(self, found: Minima) -> Minima:
        """Take local minima that are worth following on and unlike those known; returns them."""
        score, best = self.score(found.table), self.score(self.best)[found.lane]
        base = np.where(best < INFEASIBLE, 0.0, INFEASIBLE)
        worth = np.flatnonzero(score - base <= WORTH * (best - base) + WORTH_DEG)
        found = found.select(worth[np.argsort(score[worth], kind="stable")])
        fresh = ~self.known(found.lane, found.table.like)
        one, other = np.nonzero(np.tril(found.lane[:, None] == found.lane, -1))
        like = found.table.like
        alike = self.alike(like.select(one), like.select(other))
        for here, better in zip(one[alike].tolist(), other[alike].tolist(), strict=True):
            fresh[here] &= not fresh[better]
        new = found.select(fresh)
        self.minima = Minima.join([self.minima, new])
        return new

    def known(self, lane: Indices, designs: Designs) -> NDArray[np.bool_]:
        """Whether designs of the lanes `lane` lie beside a local minimum that is known there."""
        one, other = np.nonzero(lane[:, None] == self.minima.lane)
        alike = self.alike(designs.select(one), self.minima.table.like.select(other))
        return np.isin(np.arange(len(lane)), one[alike])

    def alike(self, one: Designs, other: Designs) -> NDArray[np.bool_]:
        """Which of N designs lie in one basin with other N; the rack height does not count."""
        gap = np.abs(self.model.scaled(one) - self.model.scaled(other))
        gap = gap[:, [column != HEIGHT for column in self.model.columns]]
        held = [column for column in self.model.held if column != HEIGHT]
        stock = one.values[:, held] == other.values[:, held]
        return np.asarray((gap.max(axis=1, initial=0.0) <= SAME) & stock.all(axis=1))
