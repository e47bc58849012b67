"""How the search of a rack opens: seeds by geometry, independent starts, a first refined front.

Nothing here depends on what was told before, nor on the racks that are opened beside a rack; so
racks are opened together where one process has several to do, and one by one elsewhere.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from optimiser.evaluation.designs import Designs
from optimiser.evaluation.moves import MOVED_MM
from optimiser.search.least_change import least_changed
from optimiser.search.refine import AS_BUILT, Given, Refined, RefineSettings, refine_together
from optimiser.search.seeds import choose_seeds, moved_seeds, seed_designs
from optimiser.search.stock import best_of_stock, stock_values

if TYPE_CHECKING:
    from collections.abc import Sequence

    from optimiser.evaluation.problem import Problem
    from optimiser.search.residuals import Indices

SEED_CANDIDATES = 2000
MOVED_CARS = 10
"""Cars with points moved at random that seeds are placed in, where points may move."""


@dataclass(frozen=True, slots=True)
class Opening:
    """What a rack's search begins with.

    Attributes:
        seeds: the best of the designs placed by geometry.
        refined: designs made of them.
        starts: how many independent starts came to each of these.
    """

    seeds: Designs
    refined: Designs
    starts: Indices


def open_racks(
    problem: Problem, racks: Sequence[int], seed: int, size: int, *, refine: bool
) -> list[Opening]:
    """Openings of racks, by their index; `size` seeds at most of each."""
    stock_only = stock_values(problem) is not None
    given = []
    for rack in racks:
        candidates = seed_designs(problem, rack, SEED_CANDIDATES, seed)
        if problem.suspension is not None:
            moved = moved_seeds(problem, rack, MOVED_CARS, SEED_CANDIDATES // MOVED_CARS, seed)
            candidates = Designs.join([candidates, moved])
        # Thousands are screened, as made exactly and in the solved poses alone; the few that are
        # chosen are judged in full.
        evaluation = problem.nominal.evaluate(candidates, poses_between=False)
        chosen = candidates.select(choose_seeds(evaluation, size))
        given.append(Given(chosen, problem.evaluate(chosen), (candidates, evaluation)))
    if not refine:
        nothing = np.empty(0, dtype=np.intp)
        return [Opening(one.designs, one.designs.select(slice(0, 0)), nothing) for one in given]
    if stock_only:
        return [_of_stock(problem, rack, one) for rack, one in zip(racks, given, strict=True)]
    how = AS_BUILT if problem.needs_cars else RefineSettings()
    found = refine_together(problem, given, how)
    if MOVED_MM in problem.objectives.extra:
        found = [_with_least_change(problem, *both) for both in zip(given, found, strict=True)]
    return [
        Opening(one.designs, refined.designs, refined.starts)
        for one, refined in zip(given, found, strict=True)
    ]


def _with_least_change(problem: Problem, given: Given, refined: Refined) -> Refined:
    """What refinement found, and the least change that makes the rack acceptable."""
    least = least_changed(problem, Designs.join([refined.designs, given.designs]))
    none = np.zeros(len(least), dtype=np.intp)
    return replace(
        refined,
        designs=Designs.join([refined.designs, least]),
        starts=np.concatenate([refined.starts, none]),
    )


def _of_stock(problem: Problem, rack: int, given: Given) -> Opening:
    """The front of all that stock values allow, and the best design with each of them."""
    near = given.designs if given.candidates is None else given.candidates[0]
    best = best_of_stock(problem, rack, near)
    told = {tuple(values) for values in given.designs.values.tolist()}
    new = [tuple(values) not in told for values in best.designs.values.tolist()]
    # Where starts ended is told of that very row, so that its count is not lost.
    rows = np.array(new, dtype=bool) | (best.starts > 0)
    return Opening(given.designs, best.designs.select(rows), best.starts[rows])
