"""The least bump steer at each of many rack heights, every other free variable re-optimised.

    bump |  .        .        seeds     at every sixth height, placed by the ideal inner joint
    steer|    .    .   <----- coarse    several of them followed to their minimum
         |      ..            carry     each minimum along the row, both ways, while it is worth it
         +------------ height fill      every height, from the best on both sides of it
                              polish    every height once more, until nothing is promised
                              meet      where two basins meet, each further into the other

All heights are one batch: the rack height is a variable that `search.linear_steps` holds. What is
made small is bump steer alone, the study's limits kept exactly.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from optimiser.base.farthest import farthest_points
from optimiser.evaluation.designs import VARIABLES, Designs, Range, Stock
from optimiser.questions.heights.follow import follow, without_clearance
from optimiser.questions.heights.starts import height_seeds
from optimiser.search.linear_steps import Fits, fit
from optimiser.search.residuals import Model, Table

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimiser.evaluation.designs import Evaluation
    from optimiser.evaluation.problem import Problem
    from optimiser.linkage.vectors import Array

    Indices = NDArray[np.intp]

COARSE = 6
"""Every so many heights one is started from seeds; the others start from their neighbours."""
STARTS = 4
WORTH, WORTH_DEG = 2.0, 0.05
"""A local minimum is followed on while its bump steer is less than so many times the best of its
height and so much more."""
SAME = 0.08
"""Designs of one height that differ by less than this share of every range are in one basin."""
ROUGH = 1e-2
"""Until they are polished designs are done when no more than this share is promised."""
BLENDED, BLENDED_DEG = 1.2, 0.01
"""The blend of two designs of one basin has no more bump steer than so many times theirs."""
MEETINGS = 6
ODD = 16
"""Random designs for each free variable where no seed comes to a design within the limits."""
DIPS = 3
"""Lowest dips of a curve that are followed with the rack height free."""
POLISH = (0.05, 0.05, 0.02, 0.01)
"""First trust regions of the rounds of polishing."""
CONVERGED_DEG = 2e-4
"""A height is converged when a linear programme of trust region `FRESH` promises less than this."""
FRESH = 0.02
_INFEASIBLE = 1e6  # ranks behind any bump steer; sets an order, is never shown
_HEIGHT, _ARM_HEIGHT = VARIABLES.index("rack_height_mm"), VARIABLES.index("arm_height_mm")


@dataclass(frozen=True, slots=True)
class Optima:
    """The best design of each of H rack heights, by the least bump steer within the limits.

    Where no design keeps the limits it is the one found that breaks them least; where none
    assembles, one of those tried.

    Attributes:
        designs: (H,).
        evaluation: of these designs, (H,).
        promised_deg: bump steer that the last linear programme still promised to take off, (H,);
            NaN where nothing is free or no design keeps the limits.
    """

    designs: Designs
    evaluation: Evaluation
    promised_deg: Array

    @property
    def converged(self) -> NDArray[np.bool_]:
        """Where no step would gain `CONVERGED_DEG` any more, (H,)."""
        return np.asarray(~(self.promised_deg >= CONVERGED_DEG))


def solve_heights(
    problem: Problem, rack: int, heights_mm: Array, starts: list[Designs] | None = None
) -> Optima:
    """Least bump steer at each of H heights.

    Args:
        problem: its space must not leave the rack height free; the values there are not used.
        rack: which rack.
        heights_mm: (H,), increasing.
        starts: more designs to start from, (H,) each.
    """
    every = np.arange(len(heights_mm))
    rows = _Rows(Model(without_clearance(problem)), rack, heights_mm)
    for more in starts or []:
        rows.offer(every, more)
    rows.solve()
    designs, promised = rows.designs(), rows.promised_deg
    outcome = problem.evaluate(designs)
    # The optimum without a limit that it happens to keep is the optimum with it.
    broken = np.flatnonzero(rows.best.feasible & ~outcome.feasible)
    if len(broken):
        full = _Rows(Model(problem), rack, heights_mm)
        for more in starts or []:
            full.offer(every, more)
        full.offer(every, designs)
        full.solve(broken, rows.minima)
        designs, outcome = full.designs(), problem.evaluate(full.designs())
        promised[broken] = full.promised_deg[broken]
    return Optima(designs, outcome, promised)


def solve_height(problem: Problem, optima: Optima, low: float, high: float) -> Designs:
    """Designs (n,) with the least bump steer when the rack height is free too, from the best rows.

    Between two heights of a grid there may be a much better one: bump steer falls towards the
    best height as steeply as it rises beyond it.
    """
    outcome = optima.evaluation
    score = np.where(
        outcome.feasible,
        outcome.objectives[:, 0],
        _INFEASIBLE + np.maximum(outcome.constraints, 0.0).sum(axis=1),
    )
    score = np.where(outcome.assembles, score, np.inf)
    ends = np.concatenate([[np.inf], score, [np.inf]])
    dips = np.flatnonzero((score <= ends[:-2]) & (score <= ends[2:]) & np.isfinite(score))
    dips = dips[np.argsort(score[dips], kind="stable")[:DIPS]]
    rows = np.unique([r for dip in dips for r in (dip - 1, dip, dip + 1) if 0 <= r < len(score)])
    rows = rows.astype(np.intp)
    rows = rows[np.isfinite(score[rows])]
    if not len(rows) or not low < high:
        return optima.designs.select(rows)
    free = replace(problem, space={**problem.space, "rack_height_mm": Range(low, high)})
    ray = np.full(outcome.objectives.shape[1], np.inf)
    ray[0] = problem.acceptable[0]
    return follow(free, optima.designs.select(rows), Model, ray).designs


class _Rows:
    """The best design met so far at each height, and the local minima that were met."""

    def __init__(self, model: Model, rack: int, heights_mm: Array) -> None:
        self.model, self.rack, self.heights = model, rack, heights_mm
        self.ray = np.full(len(model.kinds), np.inf)
        self.ray[0] = model.problem.acceptable[0]
        self.promised_deg = np.full(len(heights_mm), np.nan)
        self._stock = [column for column in model.held if column != _HEIGHT]
        first, start = self.seeds(np.arange(len(heights_mm)), few=True)
        _, once = np.unique(first, return_index=True)
        start = start.select(once)
        self.best = model.table(model.scaled(start), start)
        self.minima = _Minima(
            np.empty(0, dtype=np.intp), self.best.select(np.empty(0, dtype=np.intp))
        )

    def score(self, table: Table) -> Array:
        """Bump steer where the limits are kept; behind all of those, what breaks them least."""
        excess = _INFEASIBLE + np.maximum(table.limits, 0.0).sum(axis=1)
        score = np.where(table.feasible, table.objectives[:, 0], excess)
        return np.where(np.isfinite(table.objectives).all(axis=1), score, np.inf)

    def keep(self, row: Indices, table: Table) -> None:
        """Take those designs that are better than what their height has."""
        score = self.score(table)
        order = np.lexsort((score, row))
        row, first = np.unique(row[order], return_index=True)
        chosen = order[first]
        better = score[chosen] < self.score(self.best)[row]
        self.best = self.best.replaced(row[better], table.select(chosen[better]))

    def offer(self, row: Indices, designs: Designs) -> Table:
        """Evaluate designs of the heights `row` and keep the better ones."""
        if not len(row):
            return self.best.select(row)
        table = self.model.table(self.model.scaled(designs), designs)
        self.keep(row, table)
        return table

    def follow(self, row: Indices, start: Table, steps: int) -> _Minima:
        """Follow bump steer down from designs of the heights `row`; returns where they ended."""
        there = np.flatnonzero(np.isfinite(start.objectives).all(axis=1))
        row, start = row[there], start.select(there)
        if not len(row):
            return _Minima(row, start)
        rays = np.broadcast_to(self.ray, (len(row), len(self.ray)))
        found = fit(self.model, start, rays, steps=steps, tolerance=ROUGH)
        self.keep(row, found.table)
        return _Minima(row, found.table)

    def designs(self) -> Designs:
        """The best designs, (H,)."""
        return self.model.designs(self.best.scaled, self.best.like)

    def seeds(self, rows: Indices, *, few: bool = False) -> tuple[Indices, Designs]:
        """See `height_seeds`."""
        return height_seeds(self.model.problem, self.rack, self.heights, rows, few=few)

    # --- stages ----------------------------------------------------------------------------------

    def solve(self, rows: Indices | None = None, near: _Minima | None = None) -> None:
        """All stages for some heights, or for all of them.

        `near` are designs of these heights that just break a limit, to be followed as well.
        """
        rows = np.arange(len(self.heights)) if rows is None else rows
        if not self.model.columns:
            self.offer(*self.seeds(rows))
            return
        coarse = np.unique(np.append(rows[::COARSE], rows[-1]))
        self.coarse(coarse, near)
        self.carry(coarse)
        others = np.setdiff1d(rows, coarse)
        if len(others):
            self.fill(others, coarse)
        self.polish(rows)
        self.meet(rows)

    def coarse(self, coarse: Indices, near: _Minima | None) -> None:
        """Seeds at some heights, the best of them and unlike ones followed."""
        row, designs = self.seeds(coarse)
        if near is not None:
            mine = np.isin(near.row, coarse)
            row = np.concatenate([row, near.row[mine]])
            designs = Designs.join([designs, near.table.like.select(mine)])
        table = self.offer(row, designs)
        score = self.score(table)
        picked = [self._starts(table, score, np.flatnonzero(row == one)) for one in coarse]
        chosen = np.concatenate(picked)
        followed = self.follow(row[chosen], table.select(chosen), 10)
        lost = coarse[~self.best.feasible[coarse]]
        self.remember(_Minima(coarse, self.best.select(coarse)))
        self.remember(followed)
        if len(lost):
            self.remember(self.odd(lost))

    def odd(self, rows: Indices) -> _Minima:
        """Designs from anywhere, the best two of each height followed."""
        count = ODD * len(self.model.columns)
        row = np.repeat(rows, count)
        scaled = np.random.default_rng(0).uniform(size=(len(row), len(self.model.columns)))
        like = self.designs().select(row).values.copy()
        for column in self._stock:
            choice = self.model.problem.space[VARIABLES[column]]
            if isinstance(choice, Stock):
                like[:, column] = np.resize(choice.values, len(row))
        rack = np.full(len(row), self.rack)
        table = self.offer(row, self.model.designs(scaled, Designs(rack, like)))
        score = self.score(table).reshape(len(rows), count)
        best = (
            np.argsort(score, axis=1, kind="stable")[:, :2] + count * np.arange(len(rows))[:, None]
        )
        return self.follow(row[best.ravel()], table.select(best.ravel()), 10)

    def _starts(self, table: Table, score: Array, rows: Indices) -> Indices:
        """The best of some designs, unlike ones of the better half, and the best of each stock."""
        order = rows[np.argsort(score[rows], kind="stable")]
        half = order[: max(STARTS, len(order) // 2)]
        place = np.concatenate([table.scaled[half], table.like.values[half] / 1000.0], axis=1)
        picked = half[farthest_points(place, STARTS)]
        stock = table.like.values[order][:, self.model.held]
        _, first = np.unique(stock, axis=0, return_index=True)
        return np.unique(np.concatenate([picked, order[first]]))

    def remember(self, found: _Minima) -> _Minima:
        """Take local minima that are worth following on and unlike those known; returns them."""
        score, best = self.score(found.table), self.score(self.best)[found.row]
        base = np.where(best < _INFEASIBLE, 0.0, _INFEASIBLE)
        worth = score - base <= WORTH * (best - base) + WORTH_DEG
        new = []
        for one in np.flatnonzero(worth)[np.argsort(score[worth], kind="stable")].tolist():
            here = found.select(np.array([one]))
            if not self._known(here.row, here.table.like)[0]:
                new.append(one)
                self.minima = _Minima.join([self.minima, here])
        return found.select(np.array(new, dtype=np.intp))

    def _known(self, row: Indices, designs: Designs) -> NDArray[np.bool_]:
        """Whether designs of the heights `row` lie beside a local minimum that is known there."""
        one, other = np.nonzero(row[:, None] == self.minima.row)
        alike = self._alike(designs.select(one), self.minima.table.like.select(other))
        return np.isin(np.arange(len(row)), one[alike])

    def carry(self, coarse: Indices) -> None:
        """Follow each local minimum along the row, from height to height, both ways.

        A minimum that comes to one already known there ends.
        """
        fresh = self.minima
        for _ in range(len(coarse)):
            at = np.searchsorted(coarse, fresh.row)
            to, start = [], []
            for step in (-1, 1):
                inside = (at + step >= 0) & (at + step < len(coarse))
                target = coarse[np.clip(at + step, 0, len(coarse) - 1)][inside]
                to.append(target)
                start.append(self.moved(fresh.table.like.select(inside), target))
            row, designs = np.concatenate(to), Designs.join(start)
            unknown = ~self._known(row, designs)
            if not unknown.any():
                return
            row, designs = row[unknown], designs.select(unknown)
            fresh = self.remember(self.follow(row, self.offer(row, designs), 6))
            if not len(fresh.row):
                return

    def moved(self, designs: Designs, row: Indices) -> Designs:
        """Designs of other heights at the heights `row`, the arm moved as much as the rack."""
        values = designs.values.copy()
        if VARIABLES.index("arm_height_mm") in self.model.columns:
            values[:, _ARM_HEIGHT] += self.heights[row] - values[:, _HEIGHT]
        values[:, _HEIGHT] = self.heights[row]
        like = Designs(designs.rack, values)
        return self.model.designs(self.model.scaled(like), like)

    def fill(self, others: Indices, coarse: Indices) -> None:
        """The heights between, each from the best on both sides of it.

        Where their blend is about as good as they are it is polished later. Where it is not they
        are in different basins, and both are followed.
        """
        at = np.searchsorted(coarse, others)
        low, high, best = coarse[at - 1], coarse[at], self.designs()
        below, above = best.select(low), best.select(high)
        share = (self.heights[others] - self.heights[low]) / (
            self.heights[high] - self.heights[low]
        )
        blend = below.values + share[:, None] * (above.values - below.values)
        blend[:, self._stock] = below.values[:, self._stock]
        score = self.score(self.best)
        worst = np.maximum(score[low], score[high])
        here = self.score(self.offer(others, Designs(below.rack, blend)))
        lost = ~(here <= BLENDED * worst + BLENDED_DEG) | (here >= _INFEASIBLE)
        row = np.concatenate([others[lost], others[lost]])
        ends = Designs.join([below.select(lost), above.select(lost)])
        hope = np.tile((worst < _INFEASIBLE)[lost], 2)
        table = self.offer(row, self.moved(ends, row))
        for some, steps in ((hope, 6), (~hope, 3)):
            self.follow(row[some], table.select(some), steps)

    def _alike(self, one: Designs, other: Designs) -> NDArray[np.bool_]:
        """Which of N designs lie in one basin with other N; the rack height does not count."""
        gap = np.abs(self.model.scaled(one) - self.model.scaled(other))
        stock = one.values[:, self._stock] == other.values[:, self._stock]
        return np.asarray((gap.max(axis=1, initial=0.0) <= SAME) & stock.all(axis=1))

    def polish(self, rows: Indices) -> None:
        """Heights again from their own best, until the programme promises nothing."""
        rows = rows[self.best.feasible[rows]]
        for trust in POLISH:
            if not len(rows):
                return
            found = self._fit(self.best.select(rows), 8, trust)
            self.keep(rows, found.table)
            # What a walk promised last says nothing where its trust region has collapsed.
            fresh = self._fit(self.best.select(rows), 1, FRESH)
            self.promised_deg[rows] = fresh.gain * fresh.level * self.ray[0]
            self.keep(rows, fresh.table)
            rows = rows[~(self.promised_deg[rows] < CONVERGED_DEG)]

    def _fit(self, start: Table, steps: int, trust: float) -> Fits:
        rays = np.broadcast_to(self.ray, (len(start), len(self.ray)))
        return fit(self.model, start, rays, steps=steps, tolerance=1e-4, trust=trust)

    def meet(self, rows: Indices) -> None:
        """Where two heights beside each other are in different basins, each goes on into the other.

        Until that makes no height better. Others may be worse than their neighbour's design, moved
        there, and are polished from that.
        """
        changed = rows
        for _ in range(MEETINGS):
            before = self.score(self.best)
            to, start = [], []
            for step in (-1, 1):
                target = changed + step
                inside = np.isin(target, rows) & self.best.feasible[changed]
                to.append(target[inside])
                designs = self.designs().select(changed[inside])
                start.append(self.moved(designs, target[inside]))
            row, designs = np.concatenate(to), Designs.join(start)
            table = self.offer(row, designs)
            other = ~self._alike(designs, self.designs().select(row))
            other |= ~self.best.feasible[row]
            self.follow(row[other], table.select(other), 8)
            after = self.score(self.best)
            changed = np.flatnonzero(after < before - 0.05 * CONVERGED_DEG)
            if not len(changed):
                return
            self.polish(changed)


@dataclass(frozen=True, slots=True)
class _Minima:
    """Where K designs ended, and the height of each."""

    row: Indices
    table: Table

    def select(self, index: Indices | NDArray[np.bool_]) -> _Minima:
        return _Minima(self.row[index], self.table.select(index))

    @classmethod
    def join(cls, parts: list[_Minima]) -> _Minima:
        return cls(
            np.concatenate([part.row for part in parts]), Table.join([part.table for part in parts])
        )
