"""How the search of a rack opens: seeds by geometry, independent starts, a first refined front.

Nothing here depends on what was told before, nor on the racks that are opened beside a rack; so
racks are opened together where one process has several to do, and one by one elsewhere.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from optimiser.evaluation.designs import Designs, Evaluation
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
        earlier: the best of the designs that were found before, none of most.
        seeds: the best of the designs placed by geometry.
        refined: designs made of them.
        starts: how many independent starts came to each of these.
    """

    earlier: Designs
    seeds: Designs
    refined: Designs
    starts: Indices


@dataclass(frozen=True, slots=True)
class _Begun:
    """What a rack's search begins with before refinement, and all of it to refine."""

    earlier: Designs
    seeds: Designs
    given: Given


def open_racks(
    problem: Problem,
    racks: Sequence[int],
    seed: int,
    size: int,
    *,
    refine: bool,
    seeds: bool = True,
    earlier: Sequence[Designs | None] | None = None,
) -> list[Opening]:
    """Openings of racks, by their index; `size` designs at most of each before refinement.

    Args:
        problem: the question.
        racks: by their index.
        seed: random seed.
        size: of each rack.
        refine: refine what is begun with.
        seeds: place designs by geometry.
        earlier: designs of each rack that were found before, within the problem's variables; of
            them as many as half of `size` are told where there are seeds too.
    """
    stock_only = stock_values(problem) is not None
    before = earlier or [None] * len(racks)
    begun = [
        _begin(problem, rack, seed, size, mine, seeds=seeds)
        for rack, mine in zip(racks, before, strict=True)
    ]
    given = [one.given for one in begun]
    if not refine:
        nothing = np.empty(0, dtype=np.intp)
        refined = [Refined(_none(one.designs), nothing, 0) for one in given]
    elif stock_only:
        refined = [_of_stock(problem, rack, one) for rack, one in zip(racks, given, strict=True)]
    else:
        how = AS_BUILT if problem.needs_cars else RefineSettings()
        refined = refine_together(problem, given, how)
        if MOVED_MM in problem.objectives.extra:
            both = zip(given, refined, strict=True)
            refined = [_with_least_change(problem, one, found) for one, found in both]
    return [
        Opening(one.earlier, one.seeds, found.designs, found.starts)
        for one, found in zip(begun, refined, strict=True)
    ]


def _begin(
    problem: Problem, rack: int, seed: int, size: int, earlier: Designs | None, *, seeds: bool
) -> _Begun:
    """What was found before and the seeds of one rack, the best of each.

    Independent starts are looked for among all of both.
    """
    # Thousands are screened, as made exactly and in the solved poses alone; the few that are
    # chosen are judged in full.
    parts: list[tuple[Designs, Evaluation]] = []
    told = []
    if earlier is not None:
        evaluation = problem.nominal.evaluate(earlier, poses_between=False)
        parts.append((earlier, evaluation))
        most = max(1, size // 2) if seeds else size
        told.append(earlier.select(choose_seeds(evaluation, most)))
    if seeds:
        candidates = _seed_candidates(problem, rack, seed)
        evaluation = problem.nominal.evaluate(candidates, poses_between=False)
        parts.append((candidates, evaluation))
        room = size - sum(map(len, told))
        told.append(candidates.select(choose_seeds(evaluation, room)))
    designs = Designs.join(told)
    joined = (
        Designs.join([candidates for candidates, _ in parts]),
        Evaluation.join([evaluation for _, evaluation in parts]),
    )
    given = Given(designs, problem.evaluate(designs), joined)
    none = _none(designs)
    return _Begun(
        none if earlier is None else told[0],
        told[-1] if seeds else none,
        given,
    )


def _none(designs: Designs) -> Designs:
    return designs.select(slice(0, 0))


def _seed_candidates(problem: Problem, rack: int, seed: int) -> Designs:
    """Designs placed by geometry, also in cars whose points are moved where these may move."""
    candidates = seed_designs(problem, rack, SEED_CANDIDATES, seed)
    if problem.suspension is not None:
        moved = moved_seeds(problem, rack, MOVED_CARS, SEED_CANDIDATES // MOVED_CARS, seed)
        candidates = Designs.join([candidates, moved])
    return candidates


def _with_least_change(problem: Problem, given: Given, refined: Refined) -> Refined:
    """What refinement found, and the least change that makes the rack acceptable."""
    least = least_changed(problem, Designs.join([refined.designs, given.designs]))
    none = np.zeros(len(least), dtype=np.intp)
    return replace(
        refined,
        designs=Designs.join([refined.designs, least]),
        starts=np.concatenate([refined.starts, none]),
    )


def _of_stock(problem: Problem, rack: int, given: Given) -> Refined:
    """The front of all that stock values allow, and the best design with each of them."""
    near = given.designs if given.candidates is None else given.candidates[0]
    best = best_of_stock(problem, rack, near)
    told = {tuple(values) for values in given.designs.values.tolist()}
    new = [tuple(values) not in told for values in best.designs.values.tolist()]
    # Where starts ended is told of that very row, so that its count is not lost.
    rows = np.array(new, dtype=bool) | (best.starts > 0)
    return Refined(best.designs.select(rows), best.starts[rows], 0)
