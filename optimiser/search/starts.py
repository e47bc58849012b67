"""Independent starts, each followed by the winner's own rule, so that no answer hangs on luck.

The winner is the design of the least worst ratio: bump steer, Ackermann error, and what else the
study says what is acceptable of, as shares of that (`Problem.ray`). So that is what is made small
here, from far-apart starts of every combination of stock values, designs that break a limit among
them:

    many candidates -> a few of each combination, far apart -> FIRST_STEPS along the ray
                    -> the best ends that differ, and the best of each combination -> LAST_STEPS
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimiser.base.farthest import farthest_points
from optimiser.evaluation.designs import Designs, Stock
from optimiser.search.linear_steps import fit

if TYPE_CHECKING:
    from collections.abc import Sequence

    from optimiser.evaluation.designs import Evaluation
    from optimiser.evaluation.problem import Problem
    from optimiser.linkage.vectors import Array
    from optimiser.search.residuals import Indices, Model, Table

    Candidates = tuple[Designs, Evaluation]

LEAST_STARTS = 12
"""Starts in all where combinations of stock values are few."""
PER_COMBINATION = 2
MOST_COMBINATIONS = 40
"""Combinations of stock values that are followed; of more the ones with the best candidates."""
KEPT = 8
"""Ends that are followed further; more where there are more combinations of stock values."""
FIRST_STEPS, LAST_STEPS = 4, 14
APART = 0.02
"""Share of a variable's range by which ends differ."""
_BROKEN = 1e3  # of ratios: every design that keeps its limits comes before all that do not


@dataclass(frozen=True, slots=True)
class Ends:
    """Where the starts ended.

    Attributes:
        table: the ends that differ, E of them.
        starts: how many starts came to each, (E,).
    """

    table: Table
    starts: Indices


def winners_ray(problem: Problem) -> Array:
    """What of each objective is acceptable, (m,), where designs of one rack differ in it.

    Infinite where the study does not say, and for the price, which no design of a rack changes.
    """
    constant = np.array([name == "price" for name in problem.objectives.names])
    return np.where(constant, np.inf, problem.ray)


def follow_starts(model: Model, racks: Sequence[Candidates]) -> list[Ends]:
    """Follow starts of several racks at once, since many designs cost little more than a few.

    Args:
        model: of the problem; some variable is continuous.
        racks: candidates of each rack and their evaluation; some of each can be assembled.
    """
    ray = winners_ray(model.problem)
    chosen = [_spread_starts(model, *_usable(*rack), ray) for rack in racks]
    first = _follow(model, chosen, ray, FIRST_STEPS, 1e-2)
    different = [_different(model, ends, ray) for ends in first]
    kept = [ends.select(rows) for ends, (rows, _) in zip(first, different, strict=True)]
    last = _follow(model, [(ends.scaled, ends.like) for ends in kept], ray, LAST_STEPS, 1e-5)
    return [Ends(ends, starts) for ends, (_, starts) in zip(last, different, strict=True)]


def _usable(candidates: Designs, evaluation: Evaluation) -> Candidates:
    rows = np.flatnonzero(evaluation.assembles)
    return candidates.select(rows), evaluation.select(rows)


def ranked(objectives: Array, limits: Array, ray: Array) -> Array:
    """Worst ratio (N,) of designs; what breaks a limit comes behind, by how much it breaks."""
    excess = np.maximum(limits, 0.0).sum(axis=1)
    level = np.max(objectives / ray, axis=1)
    return np.asarray(np.where(excess > 0.0, _BROKEN + excess * level, level))


def _follow(
    model: Model, racks: Sequence[tuple[Array, Designs]], ray: Array, steps: int, tolerance: float
) -> list[Table]:
    """Follow the ray from designs of each rack: continuous variables, and what they are like."""
    sizes = [len(scaled) for scaled, _ in racks]
    start = model.table(
        np.concatenate([scaled for scaled, _ in racks]), Designs.join([like for _, like in racks])
    )
    rays = np.repeat(ray[None], len(start), axis=0)
    ends = fit(model, start, rays, steps=steps, tolerance=tolerance).table
    return [ends.select(rows) for rows in np.split(np.arange(len(ends)), np.cumsum(sizes)[:-1])]


def _spread_starts(
    model: Model, candidates: Designs, evaluation: Evaluation, ray: Array
) -> tuple[Array, Designs]:
    """Starts of each combination of stock values: the best, others far off in the better half."""
    levels = ranked(evaluation.objectives, evaluation.scaled_constraints, ray)
    _, place = np.unique(candidates.values[:, model.held], axis=0, return_inverse=True)
    place = place.ravel()
    best = [float(levels[place == number].min()) for number in range(place.max() + 1)]
    followed = _combinations(model, candidates, place, np.array(best))
    count = max(PER_COMBINATION, -(-LEAST_STARTS // len(followed)))
    scaled, rows = model.scaled(candidates), []
    for number in followed:
        mine = np.flatnonzero(place == number)
        order = mine[np.argsort(levels[mine], kind="stable")]
        half = order[: max(count, len(order) // 2)]
        rows.append(half[farthest_points(scaled[half], count)])
    chosen = np.concatenate(rows)
    return scaled[chosen], candidates.select(chosen)


def _combinations(model: Model, candidates: Designs, place: Indices, best: Array) -> list[int]:
    """Combinations to follow, the best first; every stock value is in one of them."""
    order = [int(number) for number in np.argsort(best, kind="stable")]
    followed = order[:MOST_COMBINATIONS]
    for column in model.held:
        choice = model.problem.space[model.problem.variables[column]]
        for value in choice.values if isinstance(choice, Stock) else ():
            with_it = set(place[candidates.values[:, column] == value].tolist())
            if with_it and not with_it & set(followed):
                followed.append(next(number for number in order if number in with_it))
    return followed


def _different(model: Model, ends: Table, ray: Array) -> tuple[Indices, Indices]:
    """Rows of ends that differ, and how many starts came to each; the best of each combination."""
    levels = ranked(ends.objectives, ends.limits, ray)
    held = ends.like.values[:, model.held]
    kept: list[int] = []
    starts: list[int] = []
    for row in np.argsort(levels, kind="stable").tolist():
        alike = [(held[row] == held[other]).all() for other in kept]
        near = [np.abs(ends.scaled[row] - ends.scaled[other]).max() <= APART for other in kept]
        same = [number for number, both in enumerate(zip(alike, near, strict=True)) if all(both)]
        if same:
            starts[same[0]] += 1
        elif len(kept) < KEPT or not any(alike):
            kept.append(row)
            starts.append(1)
    return np.array(kept, dtype=np.intp), np.array(starts, dtype=np.intp)
