"""What is made small, and what is kept: the least change of the suspension as a problem.

Bump steer and Ackermann error are limits here, each departure of toe and each extreme of the error
one row, so that what is followed is smooth; `moved_mm` is what is made small.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from optimiser.evaluation.asked import Bound, Objectives
from optimiser.evaluation.designs import JUDGED
from optimiser.evaluation.moves import KEPT, MOVED_MM
from optimiser.search.least_distance import LeastDistance
from optimiser.search.linear_steps import fit
from optimiser.search.residuals import Model

if TYPE_CHECKING:
    from optimiser.evaluation.designs import Designs
    from optimiser.evaluation.moves import Suspension
    from optimiser.evaluation.problem import Problem
    from optimiser.linkage.vectors import Array
    from optimiser.search.residuals import Table

PENALTY = 2000.0
"""Price of breaking a limit by a millimetre or degree, in times of the change at the start. It
takes up to hundreds of millimetres of moves for a degree of bump steer."""


def suspension_of(problem: Problem) -> Suspension:
    """What may move.

    Raises:
        ValueError: nothing may.
    """
    if problem.suspension is None:
        raise ValueError("nothing may move")
    return problem.suspension


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


def unmoved(problem: Problem) -> Problem:
    """The problem of the suspension as drawn, by the rule that the winner is chosen by."""
    plain = problem.unmoved
    return plain.measured(plain.objectives.judged_only)


class Tightened(Model):
    """Residuals of a problem whose limits are to be kept by a margin (c,), in scaled units."""

    def __init__(self, problem: Problem, margin: Array | None = None) -> None:
        super().__init__(problem)
        count = len(problem.constraint_names)
        self.margin = np.zeros(count) if margin is None else margin

    def table(self, scaled: Array, like: Designs) -> Table:
        """Evaluate designs."""
        found = super().table(scaled, like)
        if not self.margin.any():
            return found
        rows = found.rows.copy()
        for part, margin in zip(self.parts[len(self.kinds) :], self.margin, strict=True):
            rows[:, part] += margin
        limits = found.limits + self.margin
        kept = (limits <= 0.0).all(axis=1)
        return replace(found, rows=rows, limits=limits, feasible=found.feasible & kept)


def follow_least(
    model: Model,
    start: Table,
    within: tuple[Array, Array],
    *,
    steps: int,
    tolerance: float = 1e-5,
    trust: float = 0.2,
) -> Table:
    """Follow designs (K,) to the least change, within bounds of their scaled variables (K, n)."""
    ray = np.where(np.array(model.problem.objectives.names) == MOVED_MM, 1.0, np.inf)
    return fit(
        model,
        start,
        np.tile(ray, (len(start), 1)),
        steps=steps,
        tolerance=tolerance,
        trust=trust,
        within=within,
        penalty=PENALTY,
        programme=LeastDistance,
    ).table


def is_band(name: str) -> bool:
    """Whether a limit is a band of `[suspension.keep]`."""
    return name in KEPT
