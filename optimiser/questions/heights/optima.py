"""The least bump steer at each of many rack heights, every other free variable re-optimised.

    bump |  .        .        seeds     at every fourth height, placed by the ideal inner joint
    steer|    .    .   <----- coarse    several of them followed to their minimum
         |      ..            fine      every height, from the minima on both sides of it
         +------------ height repair    heights that stand out of the row, from their neighbours
                              polish    every height once more, until nothing is promised

All heights are one batch: the rack height is a variable that `search.linear_steps` holds. What is
made small is bump steer alone, the study's limits kept exactly.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from optimiser.base.farthest import farthest_points
from optimiser.evaluation.designs import VARIABLES, Designs, Range
from optimiser.questions.heights.follow import follow, without_clearance
from optimiser.questions.heights.starts import height_seeds
from optimiser.search.linear_steps import fit
from optimiser.search.residuals import Model, Table

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimiser.evaluation.designs import Evaluation
    from optimiser.evaluation.problem import Problem
    from optimiser.linkage.vectors import Array

    Indices = NDArray[np.intp]

COARSE = 4
"""Every so many heights one is started from seeds; the others start from their neighbours."""
STARTS = 3
REPAIRS = 4
DIPS = 3
"""Lowest dips of a curve that are followed with the rack height free."""
POLISH = (0.05, 0.05, 0.02, 0.01, 0.005)
"""First trust regions of the rounds of polishing."""
CONVERGED_DEG = 1e-4
"""A height is converged when the last linear programme promises less bump steer than this."""
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
        full.solve(broken, designs.select(broken))
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
    """The best design met so far at each height."""

    def __init__(self, model: Model, rack: int, heights_mm: Array) -> None:
        self.model, self.rack, self.heights = model, rack, heights_mm
        self.ray = np.full(len(model.kinds), np.inf)
        self.ray[0] = model.problem.acceptable[0]
        self.promised_deg = np.full(len(heights_mm), np.nan)
        first, start = self.seeds(np.arange(len(heights_mm)), few=True)
        _, once = np.unique(first, return_index=True)
        start = start.select(once)
        self.best = model.table(model.scaled(start), start)

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
        table = self.model.table(self.model.scaled(designs), designs)
        self.keep(row, table)
        return table

    def follow(self, row: Indices, start: Table, steps: int, trust: float = 0.2) -> None:
        """Follow bump steer down from designs of the heights `row`."""
        there = np.flatnonzero(np.isfinite(start.objectives).all(axis=1))
        row, start = row[there], start.select(there)
        if not len(row):
            return
        rays = np.broadcast_to(self.ray, (len(row), len(self.ray)))
        found = fit(self.model, start, rays, steps=steps, tolerance=1e-4, trust=trust)
        self.keep(row, found.table)

    def designs(self) -> Designs:
        """The best designs, (H,)."""
        return self.model.designs(self.best.scaled, self.best.like)

    def seeds(self, rows: Indices, *, few: bool = False) -> tuple[Indices, Designs]:
        """See `height_seeds`."""
        return height_seeds(self.model.problem, self.rack, self.heights, rows, few=few)

    # --- stages ----------------------------------------------------------------------------------

    def solve(self, rows: Indices | None = None, near: Designs | None = None) -> None:
        """All stages for some heights, or for all of them.

        `near` are designs of these heights that just break a limit, to be followed as well.
        """
        rows = np.arange(len(self.heights)) if rows is None else rows
        if not self.model.columns:
            self.offer(*self.seeds(rows))
            return
        coarse = np.unique(np.append(rows[::COARSE], rows[-1]))
        self.coarse(coarse, rows, near)
        others = np.setdiff1d(rows, coarse)
        at = np.searchsorted(coarse, others)
        if len(others):
            below, above = coarse[at - 1], coarse[at]
            kept = self.best.feasible
            hope = kept[below] | kept[above] | kept[others]
            for some, steps in ((hope, 8), (~hope, 3)):
                to = np.concatenate([others[some], others[some]])
                self.from_others(to, np.concatenate([below[some], above[some]]), steps)
        self.polish(rows)
        self.repair(rows)

    def coarse(self, coarse: Indices, rows: Indices, near: Designs | None) -> None:
        """Seeds at some heights, the best of them and unlike ones followed."""
        row, designs = self.seeds(coarse)
        table = self.offer(row, designs)
        score = self.score(table)
        # Designs that just break a limit are better starts than most seeds.
        count = STARTS if near is None else 1
        starts = [_apart(table, score, np.flatnonzero(row == one), count) for one in coarse]
        picked = np.concatenate(starts)
        row, table = row[picked], table.select(picked)
        if near is not None:
            row = np.concatenate([row, rows])
            table = Table.join([table, self.model.table(self.model.scaled(near), near)])
        self.follow(row, table, 10)

    def from_others(self, row: Indices, other: Indices, steps: int) -> None:
        """Follow designs of other heights from these heights, the arm moved as much as the rack."""
        if not len(row):
            return
        start = self.model.designs(self.best.scaled[other], self.best.like.select(other))
        values = start.values.copy()
        values[:, _ARM_HEIGHT] += self.heights[row] - values[:, _HEIGHT]
        if VARIABLES.index("arm_height_mm") not in self.model.columns:
            values[:, _ARM_HEIGHT] = start.values[:, _ARM_HEIGHT]
        values[:, _HEIGHT] = self.heights[row]
        self.follow(row, self.offer(row, Designs(start.rack, values)), steps)

    def repair(self, rows: Indices) -> None:
        """Heights that are worse than their neighbours suggest, from those; until none is."""
        for _ in range(REPAIRS):
            score = self.score(self.best)
            ends = np.concatenate([[np.inf], score, [np.inf]])
            nearest = np.fmin(ends[:-2], ends[2:])
            beside = np.fmax(0.5 * (ends[:-2] + ends[2:]), nearest)
            odd = (score > 1.02 * beside + CONVERGED_DEG) | (
                (score > _INFEASIBLE) & (nearest < _INFEASIBLE)
            )
            odd &= np.isin(np.arange(len(score)), rows)
            pairs = [(r, o) for r in np.flatnonzero(odd) for o in (r - 1, r + 1)]
            pairs = [(r, o) for r, o in pairs if 0 <= o < len(score) and np.isfinite(score[o])]
            if not pairs:
                return
            to, other = np.array(pairs, dtype=np.intp).T
            self.from_others(to, other, 8)
            better = np.flatnonzero(self.score(self.best) < score - 0.1 * CONVERGED_DEG)
            if not len(better):
                return
            self.polish(better)

    def polish(self, rows: Indices) -> None:
        """Heights again from their own best, until the programme promises nothing."""
        rows = rows[self.best.feasible[rows]]
        for trust in POLISH:
            if not len(rows):
                return
            rays = np.broadcast_to(self.ray, (len(rows), len(self.ray)))
            start = self.best.select(rows)
            found = fit(self.model, start, rays, steps=8, tolerance=1e-4, trust=trust)
            self.promised_deg[rows] = found.gain * found.level * self.ray[0]
            self.keep(rows, found.table)
            rows = rows[~(self.promised_deg[rows] < CONVERGED_DEG)]


def _apart(table: Table, score: Array, rows: Indices, count: int) -> Indices:
    """The best of some designs, and unlike ones among the better half of them."""
    order = rows[np.argsort(score[rows], kind="stable")]
    half = order[: max(count, len(order) // 2)]
    place = np.concatenate([table.scaled[half], table.like.values[half] / 1000.0], axis=1)
    return np.asarray(half[farthest_points(place, count)])
