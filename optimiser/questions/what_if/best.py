"""From a design to the best one near it: the fit of the search, from this one place.

The winner's rule asks for the least worst ratio, then, within what does not matter, for the least
sum. The first of three rays makes the worst ratio small; the others lean to one side, so that
among their ends there is one that gives nothing up for next to nothing.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from optimiser.base.errors import InputError
from optimiser.base.front import NO_MATTER, best_ratio
from optimiser.evaluation.designs import Designs, FollowsRack, Stock
from optimiser.search.linear_steps import fit
from optimiser.search.residuals import Model
from optimiser.search.starts import winners_ray

if TYPE_CHECKING:
    from optimiser.evaluation.problem import Evaluation, Problem
    from optimiser.questions.what_if.state import State

STEPS = 18
"""Linear programmes at most, as many as the search gives an independent start."""
_SHARES = np.array([[1.0, 1.0], [0.03, 1.0], [1.0, 0.03]])
_WORTH = 1e-3
"""Share of what is acceptable, or mm or degrees of a broken limit, that is worth a change."""


def best_from(state: State, text: str) -> Designs | None:
    """The best design (a batch of one) that the fit meets, None when it is no better.

    Every variable that has a range in the study moves within it; stock values stay, and so does an
    arm height that was typed. `text` is what was typed, for messages.

    Raises:
        InputError: nothing may move, or the design cannot be assembled.
    """
    problem, here = state.chosen.problem, state.chosen.design
    asked = _judged(problem, state)
    model = Model(asked)
    if not model.columns:
        raise InputError(
            text, "every variable has stock values only", "give one a range in [search.vary]"
        )
    like = here.select(np.zeros(len(_SHARES), dtype=np.intp))
    start = model.table(model.scaled(like), like)
    if not np.isfinite(start.objectives).all():
        raise InputError(
            text, "it needs a place that can be assembled, within the study", "undo, or move it"
        )
    ends = fit(model, start, winners_ray(asked) * _SHARES, steps=STEPS).table
    found = Designs.join([here, ends.like])
    row = _best_row(problem, problem.evaluate(found))
    return found.select(slice(row, row + 1)) if row else None


def _judged(problem: Problem, state: State) -> Problem:
    """The same question, minimising what designs are judged by and nothing beside it."""
    asked = problem.objectives
    bump, error = (
        "largest" if one == "rms" else one for one in (asked.bump_steer, asked.ackermann_error)
    )
    space = dict(problem.space)
    if state.arm_alone and isinstance(space["arm_height_mm"], FollowsRack):
        space["arm_height_mm"] = Stock((state.values["arm_height_mm"],))
    objectives = replace(asked, bump_steer=bump, ackermann_error=error, extra=())
    return replace(problem, objectives=objectives, space=space)


def _best_row(problem: Problem, outcome: Evaluation) -> int:
    """Row of the best by the rule for the winner; 0, the first, unless another is worth it."""
    feasible = np.flatnonzero(outcome.feasible)
    if not len(feasible):
        excess = np.nan_to_num(outcome.excess, nan=np.inf)
        least = int(np.argmin(excess))
        return least if excess[least] < excess[0] - _WORTH else 0
    best = int(feasible[best_ratio(outcome.judged[feasible], problem.acceptable)])
    if not outcome.feasible[0]:
        return best
    ratios = outcome.judged[[0, best]] / problem.acceptable
    worst, total = ratios.max(axis=1), ratios.sum(axis=1)
    worth = worst[0] > worst[1] + NO_MATTER or total[0] > total[1] + _WORTH
    return best if worth or worst[0] > 1.0 >= worst[1] else 0
