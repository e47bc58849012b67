"""The least change of the suspension that makes a rack acceptable: as a problem, and its walk.

Bump steer and Ackermann error are limits here, each departure of toe and each extreme of the error
one row, so that what is followed is smooth; `moved_mm` is what is made small.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from optimiser.evaluation.asked import Bound, Objectives
from optimiser.evaluation.designs import JUDGED, Designs
from optimiser.evaluation.moves import MOVED_MM
from optimiser.search.least_distance import LeastDistance, StiffLeastDistance
from optimiser.search.linear_steps import fit
from optimiser.search.residuals import Model

if TYPE_CHECKING:
    from optimiser.evaluation.problem import Problem
    from optimiser.linkage.vectors import Array
    from optimiser.search.residuals import Table

PENALTY, STIFF_PENALTY = 100.0, 5000.0
"""Price of breaking a limit by what counts as a millimetre, in times of the change at the start.
Mostly a few of them are enough; where moves hardly help it takes many, and the walk is stiff."""
_STEPS, _LAST, _STARTS, _KEPT = 30, 10, 16, 3


def least_change(problem: Problem) -> Problem:
    """The problem with `moved_mm` made small, what the study accepts among its limits.

    Cars are made exactly, as in every question beside the search.
    """
    asked = problem.unmoved.measured(Objectives(extra=(MOVED_MM,)))
    asked = replace(asked, suspension=problem.suspension, room=problem.room)
    bounds = {bound.name: bound for bound in asked.limits.bounds}
    for name, most in zip(JUDGED, problem.acceptable.tolist(), strict=True):
        old = bounds.get(name, Bound(name))
        bounds[name] = replace(old, most=most if old.most is None else min(most, old.most))
    return replace(asked, limits=replace(asked.limits, bounds=tuple(bounds.values())))


def follow_least(
    model: Model,
    start: Table,
    within: tuple[Array, Array],
    *,
    steps: int,
    tolerance: float = 1e-5,
    trust: float = 0.2,
    stiff: bool = False,
) -> Table:
    """Follow designs (K,) to the least change, within bounds of their scaled variables (K, n).

    A stiff walk keeps limits at any price, and is to begin near its end.
    """
    ray = np.where(np.array(model.problem.objectives.names) == MOVED_MM, 1.0, np.inf)
    return fit(
        model,
        start,
        np.tile(ray, (len(start), 1)),
        steps=steps,
        tolerance=tolerance,
        trust=trust,
        within=within,
        penalty=STIFF_PENALTY if stiff else PENALTY,
        programme=StiffLeastDistance if stiff else LeastDistance,
    ).table


def least_changed(problem: Problem, designs: Designs) -> Designs:
    """Designs of the least change from some of these, the best of unlike stock values.

    For a search that makes the change small beside other things: the end of its front where the
    others are just acceptable. None where nothing was found.
    """
    model = Model(least_change(problem))
    # Where nothing is moved the change has no slope, and walks begin elsewhere.
    moved = designs.select(np.flatnonzero(problem.moves(designs).any(axis=1))[:_STARTS])
    start = model.table(model.scaled(moved), moved)
    start = start.select(np.flatnonzero(np.isfinite(start.objectives).all(axis=1)))
    if not len(start):
        return designs.select(slice(0, 0))
    none = np.zeros(start.scaled.shape)
    within = none, none + 1.0
    ends = follow_least(model, start, within, steps=_STEPS)
    ends = follow_least(model, ends, within, steps=_LAST, trust=0.05, stiff=True)
    found = model.designs(ends.scaled, ends.like)
    rows: list[int] = []
    for row in np.argsort(ends.objectives[:, -1], kind="stable").tolist():
        held = found.values[row, model.held]
        known = any((found.values[other, model.held] == held).all() for other in rows)
        if ends.feasible[row] and not known and len(rows) < _KEPT:
            rows.append(row)
    return found.select(np.array(rows, dtype=np.intp))
