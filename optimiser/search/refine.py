"""Refinement of what a search found: the last digit, and a front without gaps.

    F_2 |x      1  screen   many different starts along a few rays: the best basin for each part
        | .     2  sweep    rays spread between the ends of the front, each from the best start
        |  x..  3  gaps     rays into the widest gaps, started between their two ends (of a curve)
        |     'x......x     4  fill: designs between neighbours, which nearly lie on the front

Bounds and limits are kept exactly; rack and stock values are held. `linear_steps` does the fitting.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING

import numpy as np

from optimiser.base.farthest import farthest_points
from optimiser.base.front import feasible_front
from optimiser.evaluation.designs import Designs
from optimiser.search.linear_steps import fit
from optimiser.search.residuals import Model

if TYPE_CHECKING:
    from optimiser.evaluation.designs import Evaluation
    from optimiser.evaluation.problem import Problem
    from optimiser.linkage.vectors import Array
    from optimiser.search.residuals import Indices, Mask, Table

# What a ray into a gap costs in designs. A front of three or four objectives is a surface, and so
# many designs between neighbours on it gain more than the one point to which the ray leads: on five
# problems 0.03 to 0.18 per cent more of the box is beaten. With two objectives the rays gain more.
_FILL_PER_RAY = 22

EMPHASES = (0.01, 0.05, 0.15, 0.45)
"""How far the rays of the screening lean towards one objective: to its end, and part of the way."""


@dataclass(frozen=True, slots=True)
class RefineSettings:
    """How much work refinement does.

    Attributes:
        starts: designs from which each ray of the screening is followed.
        rays: rays of the sweep, about; more with three or four objectives.
        gap_rounds: rounds of rays into gaps, each of half as many rays; with three or four
            objectives as much work goes into `fill` instead.
        fill: designs placed between neighbours on the front.
    """

    starts: int = 3
    rays: int = 12
    gap_rounds: int = 3
    fill: int = 100


TOUCH_UP = RefineSettings(starts=1, rays=6, gap_rounds=1)
"""For a front that was refined before the last search: the same gain at a third of the work."""


@dataclass(frozen=True, slots=True)
class Refined:
    """Refined designs and the number of designs evaluated to find them.

    The designs are those that no other one, refined or given, dominates; when none keeps the
    limits, the ones that come nearest.
    """

    designs: Designs
    evaluated: int


def refine(
    problem: Problem,
    designs: Designs,
    evaluation: Evaluation,
    settings: RefineSettings | None = None,
) -> Refined:
    """Refine designs of one rack.

    Args:
        problem: the question.
        designs: N designs to start from.
        evaluation: of these designs.
        settings: how much work; the defaults when None.
    """
    settings = settings or RefineSettings()
    model = Model(problem)
    usable = np.flatnonzero(evaluation.assembles)
    if not len(usable) or not len(model.columns):
        return Refined(designs.select(slice(0, 0)), 0)
    known = _Known(model, designs.select(usable), evaluation.select(usable))
    _screen(known, settings)
    _sweep(known, settings)
    gap_rays = settings.rays // 2
    if len(problem.objectives.names) > 2:
        _fill(known, settings.fill + _FILL_PER_RAY * settings.gap_rounds * gap_rays)
        return Refined(known.answer(), model.evaluated)
    for _ in range(settings.gap_rounds):
        _bridge(known, gap_rays)
    _fill(known, settings.fill)
    return Refined(known.answer(), model.evaluated)


class _Known:
    """Given designs and refined ones: what rays start from, and what comes out."""

    def __init__(self, model: Model, designs: Designs, evaluation: Evaluation) -> None:
        self.model, self.given = model, len(designs)
        self.scale = _scales(model.problem, evaluation)
        self.scaled, self.designs = model.scaled(designs), designs
        self.objectives = evaluation.objectives
        self.excess = np.maximum(evaluation.constraints, 0.0).sum(axis=1)
        self.feasible = evaluation.feasible

    def add(self, table: Table) -> None:
        """Take refined designs."""
        table = table.select(np.flatnonzero(np.isfinite(table.objectives).all(axis=1)))
        self.scaled = np.concatenate([self.scaled, table.scaled])
        self.designs = Designs.join([self.designs, self.model.designs(table.scaled, table.like)])
        self.objectives = np.concatenate([self.objectives, table.objectives])
        self.excess = np.concatenate([self.excess, np.maximum(table.limits, 0.0).sum(axis=1)])
        self.feasible = np.concatenate([self.feasible, table.feasible])

    def levels(self, rays: Array) -> Array:
        """Level of every design along every ray, (rays, N); infeasible ones behind all others."""
        level = np.max(self.objectives / rays[:, None, :], axis=2)
        worst = np.max(level, axis=1, keepdims=True, initial=0.0)
        return np.asarray(np.where(self.feasible, level, worst * (1.0 + self.excess)))

    def front(self) -> Indices:
        """Rows of the feasible front."""
        return feasible_front(self.objectives, self.feasible)

    def follow(self, rows: Indices, rays: Array, steps: int, tolerance: float) -> None:
        """Follow each ray from one design."""
        start = self.model.table(self.scaled[rows], self.designs.select(rows))
        there = np.flatnonzero(np.isfinite(start.objectives).all(axis=1))
        found = fit(self.model, start.select(there), rays[there], steps=steps, tolerance=tolerance)
        self.add(found.table)

    def answer(self) -> Designs:
        """Refined designs worth telling."""
        front = self.front()
        if len(front):
            return self.designs.select(front[front >= self.given])
        refined = np.arange(self.given, len(self.designs))
        best = refined[np.argsort(self.excess[refined], kind="stable")[:10]]
        return self.designs.select(best[self.excess[best] < self.excess[: self.given].min()])


def _scales(problem: Problem, evaluation: Evaluation) -> Array:
    """What each objective is measured in: what is acceptable, else the median found."""
    scale = np.median(evaluation.objectives, axis=0)
    scale[:2] = problem.acceptable
    return np.asarray(np.maximum(scale, 1e-9))


# --- stages --------------------------------------------------------------------------------------


def _screen(known: _Known, settings: RefineSettings) -> None:
    """Rays to the ends of the front and to the middle, each from several different starts."""
    count = known.objectives.shape[1]
    leaning = [1.0 - (1.0 - emphasis) * np.eye(count) for emphasis in EMPHASES]
    rays = np.concatenate([np.ones((1, count)), *leaning]) * known.scale
    rows, chosen = [], []
    for number, level in enumerate(known.levels(rays)):
        starts = _apart(known, level, settings.starts)
        rows.append(starts)
        chosen.append(np.full(len(starts), number))
    known.follow(np.concatenate(rows), rays[np.concatenate(chosen)], 6, 1e-2)


def _apart(known: _Known, level: Array, count: int) -> Indices:
    """The best design, and others far from it and from each other among the better half."""
    order = np.argsort(level, kind="stable")
    half = order[: max(count, len(order) // 2)]
    return half[farthest_points(_places(known, half), count)]


def _places(known: _Known, rows: Indices) -> Array:
    """Variables of designs as shares of the ranges that the designs span, stock values too."""
    values = known.designs.values[rows]
    low, high = values.min(axis=0), values.max(axis=0)
    return np.asarray((values - low) / np.where(high > low, high - low, 1.0))


def _sweep(known: _Known, settings: RefineSettings) -> None:
    """Rays spread evenly, in the logarithm, between the ends of the front."""
    front = known.front()
    if not len(front):
        front = np.argsort(known.excess, kind="stable")[:1]
    values = np.maximum(known.objectives[front], 1e-3 * known.scale)
    count = values.shape[1]
    ends = np.log(values[np.argmin(values, axis=0)])
    mix = _simplex(count, settings.rays)
    rays = np.concatenate([known.scale[None, :], np.exp(mix @ ends)])
    known.follow(np.argmin(known.levels(rays), axis=1), rays, 12, 1e-6)


def _simplex(corners: int, least: int) -> Array:
    """Evenly spread shares of unit sum, (at least `least`, corners).

    Das and Dennis, 1998 (from memory).
    """
    parts = 1
    while True:
        rows = [
            (*share, parts - sum(share))
            for share in product(range(parts + 1), repeat=corners - 1)
            if sum(share) <= parts
        ]
        if len(rows) >= least:
            return np.array(rows, dtype=float) / parts
        parts += 1


def neighbours(values: Array) -> tuple[Indices, Indices, Array]:
    """Neighbours on a front (n, k), by rising first value, and the gaps between, largest first.

    Two objectives: the area of the rectangle between the two, all that a design there could gain.
    More: the distance, for each design and the three nearest to it.
    """
    if values.shape[1] == 2:
        first = np.arange(len(values) - 1)
        second = first + 1
        size = np.abs(np.prod(values[second] - values[first], axis=1))
    else:
        distance = np.linalg.norm(values[:, None, :] - values[None, :, :], axis=2)
        np.fill_diagonal(distance, np.inf)
        near = np.argsort(distance, axis=1, kind="stable")[:, : min(3, len(values) - 1)]
        links = {tuple(sorted((a, int(b)))) for a, row in enumerate(near) for b in row}
        index = np.array(sorted(links), dtype=np.intp)
        first, second = index[:, 0], index[:, 1]
        size = distance[first, second]
    order = np.argsort(-size, kind="stable")
    return first[order], second[order], size[order]


def parts_of(size: Array, count: int) -> Indices:
    """Parts into which designs cut gaps (n,), so that the sum of size over parts is least."""
    parts = np.ones(len(size), dtype=np.intp)
    for _ in range(count):
        # With one more design in it, a gap of n parts loses this much of its size.
        parts[np.argmax(size * (1.0 / parts - 1.0 / (parts + 1)))] += 1
    return parts


def _pairs(known: _Known) -> tuple[Indices, Indices, Array]:
    """Rows of neighbours on the front, and the gaps between in shares of what is acceptable."""
    front = known.front()
    if len(front) < 2:
        return front[:0], front[:0], np.empty(0)
    first, second, size = neighbours(known.objectives[front] / known.scale)
    return front[first], front[second], size


def _alike(known: _Known, first: Indices, second: Indices) -> Mask:
    """Pairs that differ in continuous variables only."""
    values = known.designs.values[:, known.model.held]
    return np.asarray((values[first] == values[second]).all(axis=1))


def _bridge(known: _Known, count: int) -> None:
    """Rays into the widest gaps, started half way between their two ends where that is better."""
    first, second, _ = _pairs(known)
    first, second = first[:count], second[:count]
    if not len(first):
        return
    rays = 0.5 * (known.objectives[first] + known.objectives[second])
    rays = np.maximum(rays, 1e-3 * known.scale)
    alike = np.flatnonzero(_alike(known, first, second))
    if len(alike):
        half = 0.5 * (known.scaled[first[alike]] + known.scaled[second[alike]])
        known.add(known.model.table(half, known.designs.select(first[alike])))
    known.follow(np.argmin(known.levels(rays), axis=1), rays, 6, 1e-6)


def _fill(known: _Known, count: int) -> None:
    """Designs between neighbours, more of them in wider gaps."""
    first, second, size = _pairs(known)
    alike = _alike(known, first, second)
    first, second, size = first[alike], second[alike], size[alike]
    if not len(first) or not count:
        return
    parts = parts_of(size, count)
    pair = np.repeat(np.arange(len(first)), parts - 1)
    share = np.concatenate([np.arange(1, n) / n for n in parts])[:, None]
    scaled = (1.0 - share) * known.scaled[first[pair]] + share * known.scaled[second[pair]]
    known.add(known.model.table(scaled, known.designs.select(first[pair])))
