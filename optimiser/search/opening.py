"""How the search of a rack opens: seeds by geometry, independent starts, a first refined front.

Nothing here depends on what was told before, nor on the racks that are opened beside a rack; so
racks are opened together where one process has several to do, and one by one elsewhere.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimiser.search.refine import Given, refine_together
from optimiser.search.seeds import choose_seeds, seed_designs

if TYPE_CHECKING:
    from collections.abc import Sequence

    from optimiser.evaluation.designs import Designs
    from optimiser.evaluation.problem import Problem
    from optimiser.search.residuals import Indices

SEED_CANDIDATES = 2000


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
    given = []
    for rack in racks:
        candidates = seed_designs(problem, rack, SEED_CANDIDATES, seed)
        evaluation = problem.evaluate(candidates)
        rows = choose_seeds(evaluation, size)
        given.append(
            Given(candidates.select(rows), evaluation.select(rows), (candidates, evaluation))
        )
    if not refine:
        nothing = np.empty(0, dtype=np.intp)
        return [Opening(one.designs, one.designs.select(slice(0, 0)), nothing) for one in given]
    found = refine_together(problem, given)
    return [
        Opening(one.designs, refined.designs, refined.starts)
        for one, refined in zip(given, found, strict=True)
    ]
