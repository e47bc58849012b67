"""The least bump steer at each of many rack heights, every other free variable re-optimised.

    bump |  .        .        seeds     at every eighth height, placed by the ideal inner joint
    steer|    .    .   <----- coarse    several of them followed to their minimum
         |      ..            carry     each minimum along the row, both ways, while it is worth it
         +------------ height fill      every height, from the best on both sides of it
                              polish    every height once more, until nothing is promised
                              meet      where two basins meet, each further into the other

All heights of all ways are one batch, see `lanes`. What fewer freedoms reached is offered to more
of them. What is made small is bump steer alone, the study's limits kept exactly.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimiser.base.farthest import farthest_points
from optimiser.evaluation.designs import VARIABLES, Designs, Stock
from optimiser.questions.heights.lanes import HEIGHT, Lanes
from optimiser.questions.heights.rows import INFEASIBLE, Minima, Rows
from optimiser.search.residuals import Model, Table

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimiser.evaluation.designs import Evaluation
    from optimiser.linkage.vectors import Array

    Indices = NDArray[np.intp]

COARSE, COARSE_CLEAR = 8, 3
"""Every so many heights one is started from seeds; the others start from their neighbours. With
clearance, which cuts the space into pieces, more of them."""
STARTS = 4
BLENDED, BLENDED_DEG = 1.2, 0.01
"""The blend of two designs of one basin has no more bump steer than so many times theirs."""
MEETINGS = 6
ODD = 8
"""Random designs for each free variable where no seed comes to a design within the limits."""
POLISH = (0.05, 0.05, 0.02, 0.01)
"""First trust regions of the rounds of polishing."""
CONVERGED_DEG = 2e-4
"""A height is converged when a linear programme of trust region `FRESH` promises less than this."""
FRESH = 0.02


@dataclass(frozen=True, slots=True)
class Optima:
    """The best design of each of H rack heights, by the least bump steer within the limits.

    Where no design keeps the limits it is the one found that breaks them least; where none
    assembles, one of those tried.

    Attributes:
        designs: (H,).
        evaluation: of these designs, (H,).
        promised_deg: bump steer that a linear programme still promised to take off, (H,); NaN
            where no design keeps the limits.
    """

    designs: Designs
    evaluation: Evaluation
    promised_deg: Array

    @property
    def converged(self) -> NDArray[np.bool_]:
        """Where no step would gain `CONVERGED_DEG` any more, (H,)."""
        return np.asarray(~(self.promised_deg >= CONVERGED_DEG))


def solve_heights(lanes: Lanes) -> tuple[Optima, ...]:
    """Least bump steer at each height of each way; the optima of each way, in their order."""
    problem, every = lanes.problem, lanes.every
    rows = Rows(Model(problem.without_clearance), lanes)
    solve(rows, every, COARSE)
    designs, promised = rows.designs(every), rows.promised_deg
    outcome = problem.evaluate(designs)
    # The optimum without a limit that it happens to keep is the optimum with it.
    broken = np.flatnonzero(rows.best.feasible & ~outcome.feasible)
    if len(broken):
        full = Rows(Model(problem), lanes)
        full.offer(every, designs)
        solve(full, broken, COARSE_CLEAR, rows.minima)
        designs = full.designs(every)
        outcome = problem.evaluate(designs)
        promised[broken] = full.promised_deg[broken]
    ways = [lanes.of_way(way) for way in range(len(lanes.problems))]
    return tuple(Optima(designs.select(w), outcome.select(w), promised[w]) for w in ways)


def solve(rows: Rows, lane: Indices, stride: int, near: Minima | None = None) -> None:
    """All stages for some lanes, every `stride`th of a way started from seeds.

    `near` are designs of these lanes that just break a limit, to be followed as well.
    """
    way = rows.lanes.way(lane)
    parts = [lane[way == one] for one in np.unique(way)]
    coarse = np.concatenate([np.unique(np.append(part[::stride], part[-1])) for part in parts])
    start(rows, coarse, near)
    carry(rows, coarse)
    share(rows, coarse)
    fill(rows, np.setdiff1d(lane, coarse), coarse)
    share(rows, lane)
    polish(rows, lane)
    meet(rows, lane)


def start(rows: Rows, coarse: Indices, near: Minima | None) -> None:
    """Seeds in some lanes, the best of them and unlike ones followed."""
    lane, designs = rows.seeds(coarse)
    if near is not None:
        mine = np.isin(near.lane, coarse)
        lane = np.concatenate([lane, near.lane[mine]])
        designs = Designs.join([designs, near.table.like.select(mine)])
    table = rows.offer(lane, designs)
    lost = coarse[~rows.best.feasible[coarse]]
    if len(lost):
        # No seed comes to a design within the limits: designs from anywhere as well.
        more, anywhere = odd(rows, lost)
        lane, table = np.concatenate([lane, more]), Table.join([table, rows.offer(more, anywhere)])
    score = rows.score(table)
    picked = [_unlike(rows, table, score, np.flatnonzero(lane == one)) for one in coarse]
    chosen = np.concatenate(picked)
    followed = rows.follow(lane[chosen], table.select(chosen), 10)
    rows.remember(Minima(coarse, rows.best.select(coarse)))
    rows.remember(followed)


def _unlike(rows: Rows, table: Table, score: Array, among: Indices) -> Indices:
    """The best of some designs, unlike ones of the better half, and the best of each stock."""
    order = among[np.argsort(score[among], kind="stable")]
    half = order[: max(STARTS, len(order) // 2)]
    place = np.concatenate([table.scaled[half], table.like.values[half] / 1000.0], axis=1)
    picked = half[farthest_points(place, STARTS)]
    stock = table.like.values[order][:, rows.model.held]
    _, first = np.unique(stock, axis=0, return_index=True)
    return np.unique(np.concatenate([picked, order[first]]))


def odd(rows: Rows, lost: Indices) -> tuple[Indices, Designs]:
    """Designs from anywhere within the bounds of some lanes, and the lane of each."""
    lane = np.repeat(lost, ODD * np.maximum(rows.free[lost].sum(axis=1), 1))
    low, high = (bound[lane] for bound in rows.within)
    scaled = low + (high - low) * np.random.default_rng(0).uniform(size=low.shape)
    like = rows.designs(lane).values.copy()
    for way in np.unique(rows.lanes.way(lost)).tolist():
        mine = np.flatnonzero(rows.lanes.way(lane) == way)
        for column, name in enumerate(VARIABLES):
            choice = rows.lanes.problems[way].space[name]
            if column != HEIGHT and isinstance(choice, Stock):
                like[mine, column] = np.resize(choice.values, len(mine))
    rack = np.full(len(lane), rows.lanes.rack)
    return lane, rows.model.designs(scaled, Designs(rack, like))


def carry(rows: Rows, coarse: Indices) -> None:
    """Follow each local minimum along its row, from height to height, both ways.

    A minimum that comes to one already known there ends.
    """
    fresh = rows.minima
    for _ in range(len(coarse)):
        if not len(fresh.lane):
            return
        at = np.searchsorted(coarse, fresh.lane)
        to, begin = [], []
        for step in (-1, 1):
            there = np.clip(at + step, 0, len(coarse) - 1)
            inside = (there != at) & (rows.lanes.way(coarse[there]) == rows.lanes.way(fresh.lane))
            to.append(coarse[there[inside]])
            begin.append(rows.lanes.moved(fresh.table.like.select(inside), to[-1]))
        lane, designs = np.concatenate(to), Designs.join(begin)
        unknown = ~rows.known(lane, designs)
        lane, designs = lane[unknown], designs.select(unknown)
        fresh = rows.remember(rows.follow(lane, rows.offer(lane, designs), 6))


def share(rows: Rows, lane: Indices) -> Indices:
    """Offer the best of some lanes to the ways that have more freedom; returns whose is better."""
    before = rows.score(rows.best)
    some = lane[rows.best.feasible[lane]]
    rows.offer(*rows.lanes.in_wider_ways(some, rows.designs(some)))
    return np.flatnonzero(rows.score(rows.best) < before)


def fill(rows: Rows, others: Indices, coarse: Indices) -> None:
    """The lanes between, each from the best on both sides of it.

    Where their blend is about as good as they are it is polished later. Where it is not they are in
    different basins, and both are followed.
    """
    if not len(others):
        return
    at = np.searchsorted(coarse, others)
    low, high = coarse[at - 1], coarse[at]
    below, above = rows.designs(low), rows.designs(high)
    height = rows.lanes.bounds.low[:, HEIGHT]
    share = (height[others] - height[low]) / (height[high] - height[low])
    blend = below.values + share[:, None] * (above.values - below.values)
    blend[:, rows.model.held] = below.values[:, rows.model.held]
    blended = rows.lanes.bounds.select(others).inside(Designs(below.rack, blend))
    score = rows.score(rows.best)
    worst = np.maximum(score[low], score[high])
    here = rows.score(rows.offer(others, blended))
    lost = ~(here <= BLENDED * worst + BLENDED_DEG) | (here >= INFEASIBLE)
    lane = np.concatenate([others[lost], others[lost]])
    both = Designs.join([below.select(lost), above.select(lost)])
    hope = np.tile((worst < INFEASIBLE)[lost], 2)
    table = rows.offer(lane, rows.lanes.moved(both, lane))
    for some, steps in ((hope, 6), (~hope, 3)):
        rows.follow(lane[some], table.select(some), steps)


def polish(rows: Rows, lane: Indices) -> None:
    """Lanes again from their own best, until the programme promises nothing."""
    lane = lane[rows.best.feasible[lane]]
    for trust in POLISH:
        if not len(lane):
            return
        best = rows.best.select(lane)
        found = rows.fit(lane, best, 8, tolerance=1e-4, trust=trust, fresh=FRESH)
        rows.promised_deg[lane] = found.gain * found.level * rows.ray[0]
        lane = lane[~(rows.promised_deg[lane] < CONVERGED_DEG)]


def meet(rows: Rows, lane: Indices) -> None:
    """Where two heights beside each other are in different basins, each goes on into the other.

    Until that makes no height better. Others may be worse than their neighbour's design, moved
    there, and are polished from that.
    """
    changed = lane
    for _ in range(MEETINGS):
        before = rows.score(rows.best)
        to, begin = [], []
        for step in (-1, 1):
            there, inside = rows.lanes.beside(changed, step)
            inside &= np.isin(there, lane) & rows.best.feasible[changed]
            to.append(there[inside])
            begin.append(rows.lanes.moved(rows.designs(changed[inside]), to[-1]))
        target, designs = np.concatenate(to), Designs.join(begin)
        table = rows.offer(target, designs)
        other = ~rows.alike(designs, rows.designs(target)) | ~rows.best.feasible[target]
        rows.follow(target[other], table.select(other), 8)
        share(rows, changed)
        after = rows.score(rows.best)
        changed = np.flatnonzero(after < before - 0.05 * CONVERGED_DEG)
        changed = changed[np.isin(changed, lane)]
        if not len(changed):
            return
        polish(rows, changed)
