"""Where the least change is looked for from: the car as drawn, and cars moved here and there.

drawn    the ends of independent starts with nothing moved, by the winner's rule
moved    cars with points moved at random: seeds placed by their own ideal inner joints
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from optimiser.evaluation.designs import Designs
from optimiser.questions.adapt.asked import suspension_of, unmoved
from optimiser.search.residuals import Model
from optimiser.search.seeds import moved_seeds, seed_designs
from optimiser.search.starts import follow_starts, ranked, winners_ray

if TYPE_CHECKING:
    from optimiser.evaluation.problem import Problem
    from optimiser.linkage.vectors import Array

_CANDIDATES, _MOVED_CARS, _OF_EACH, _CAR_SEEDS = 1000, 8, 2, 120
_TAG = 0xADA7


@dataclass(frozen=True, slots=True)
class Starts:
    """Designs of one rack to start from.

    Attributes:
        drawn: the best with nothing moved, the best first; at least one of each combination of
            stock values that was followed.
        moved: designs of moved cars.
    """

    drawn: Designs
    moved: Designs


def find_starts(problem: Problem, rack: int) -> Starts:
    """Starts of a rack; none where no design of it can be assembled.

    Args:
        problem: the study's, with what may move.
        rack: its index.
    """
    drawn = _drawn(problem, rack)
    return Starts(_with_moves(drawn, problem), _moved(problem, rack))


def _with_moves(designs: Designs, problem: Problem) -> Designs:
    count = len(suspension_of(problem).columns)
    values = designs.values[:, : len(problem.variables)]
    return Designs(designs.rack, np.concatenate([values, np.zeros((len(values), count))], axis=1))


def _drawn(problem: Problem, rack: int) -> Designs:
    plain = unmoved(problem)
    candidates = seed_designs(plain, rack, _CANDIDATES, 0)
    found = plain.evaluate(candidates, poses_between=False)
    if not found.assembles.any():
        return candidates.select(slice(0, 0))
    model = Model(plain)
    if not model.columns:
        order = np.argsort(
            ranked(found.objectives, found.scaled_constraints, winners_ray(plain)), kind="stable"
        )
        return candidates.select(order[found.assembles[order]][:12])
    ends = follow_starts(model, [(candidates, found)])[0].table
    levels = ranked(ends.objectives, ends.limits, winners_ray(plain))
    order = np.argsort(levels, kind="stable")
    designs = model.designs(ends.scaled, ends.like)
    return designs.select(order)


def _moved(problem: Problem, rack: int) -> Designs:
    """Seeds of cars whose points are moved at random; the best few of each."""
    plain, suspension = unmoved(problem), suspension_of(problem)
    seeds = moved_seeds(problem, rack, _MOVED_CARS, _CAR_SEEDS, 0)
    car = replace(plain, suspension=suspension, room=problem.room)
    outcome = car.evaluate(seeds, poses_between=False)
    levels = ranked(outcome.objectives, outcome.scaled_constraints, winners_ray(car))
    levels = np.where(outcome.assembles, levels, np.inf)
    rows: list[int] = []
    every = problem.moves(seeds)
    for moves in np.unique(every, axis=0):
        mine = np.flatnonzero((every == moves).all(axis=1))
        rows += mine[np.argsort(levels[mine], kind="stable")[:_OF_EACH]].tolist()
    return seeds.select(np.array(sorted(rows), dtype=np.intp))


def scattered(problem: Problem, designs: Designs, share: float, salt: int) -> Array:
    """Random moves (N, M) for designs, so that a walk does not start where nothing has a slope."""
    room = suspension_of(problem).room_mm
    rng = np.random.default_rng([_TAG, salt])
    return np.asarray(share * room * rng.uniform(-1.0, 1.0, (len(designs), len(room))))
