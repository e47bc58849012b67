"""What may move, and the limits of the least change kept by a margin."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from optimiser.evaluation.moves import KEPT
from optimiser.search.least_change import follow_least as follow_least
from optimiser.search.least_change import least_change as least_change
from optimiser.search.residuals import Model

if TYPE_CHECKING:
    from optimiser.evaluation.designs import Designs
    from optimiser.evaluation.moves import Suspension
    from optimiser.evaluation.problem import Problem
    from optimiser.linkage.vectors import Array
    from optimiser.search.residuals import Table


def suspension_of(problem: Problem) -> Suspension:
    """What may move.

    Raises:
        ValueError: nothing may.
    """
    if problem.suspension is None:
        raise ValueError("nothing may move")
    return problem.suspension


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


def is_band(name: str) -> bool:
    """Whether a limit is a band of `[suspension.keep]`."""
    return name in KEPT
