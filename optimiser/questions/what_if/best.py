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
from optimiser.search.starts import FIRST_STEPS, LAST_STEPS, winners_ray

if TYPE_CHECKING:
    from optimiser.evaluation.problem import Evaluation, Problem
    from optimiser.linkage.vectors import Array
    from optimiser.questions.what_if.state import State
    from optimiser.search.residuals import Table

_LEAN = 0.03
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
    asked = _made_exactly(problem, state)
    # As drawn even where cars as built are judged, which cost many times as much and whose number
    # has kinks: of the ends the best as built is taken, and from there little is to be had (of
    # seven cases of the demo at most 0.8 % by eight more steps, which take as long again).
    found = Designs.join([here, _followed(asked, here, text)])
    row = _best_row(problem, problem.evaluate(found))
    return found.select(slice(row, row + 1)) if row else None


def _followed(asked: Problem, here: Designs, text: str) -> Designs:
    """Where the rays lead from a design.

    The second walk begins with a fresh trust region, as those of the search's own starts do: that
    of the first can collapse on its way along a narrow valley.
    """
    model, start = _start(asked, here, text)
    shares = _shares(model.problem)
    near = _fitted(model, start, shares[:1], FIRST_STEPS)
    return _fitted(model, near, shares, LAST_STEPS).like


def _shares(problem: Problem) -> Array:
    """Shares of what is acceptable, a row for each ray: even, then leaning to each objective."""
    count = len(problem.objectives.names)
    return np.concatenate([np.ones((1, count)), np.where(np.eye(count) > 0.0, _LEAN, 1.0)])


def _start(asked: Problem, here: Designs, text: str) -> tuple[Model, Table]:
    model = Model(asked)
    if not model.columns:
        raise InputError(
            text, "every variable has stock values only", "give one a range in [search.vary]"
        )
    start = model.table(model.scaled(here), here)
    if not np.isfinite(start.objectives).all():
        raise InputError(
            text, "it needs a place that can be assembled, within the study", "undo, or move it"
        )
    return model, start


def _fitted(model: Model, start: Table, shares: Array, steps: int) -> Table:
    """Ends of the rays of these shares of what is acceptable from one design."""
    starts = start.select(np.zeros(len(shares), dtype=np.intp))
    return fit(model, starts, winners_ray(model.problem) * shares, steps=steps).table


def _made_exactly(problem: Problem, state: State) -> Problem:
    """The same question of cars made exactly, minimising what the winner is chosen by."""
    space = dict(problem.space)
    if state.arm_alone and isinstance(space["arm_height_mm"], FollowsRack):
        space["arm_height_mm"] = Stock((state.values["arm_height_mm"],))
    return replace(problem, objectives=problem.nominal.objectives.judged_only, space=space)


def _best_row(problem: Problem, outcome: Evaluation) -> int:
    """Row of the best by the rule for the winner; 0, the first, unless another is worth it."""
    feasible = np.flatnonzero(outcome.feasible)
    if not len(feasible):
        excess = np.nan_to_num(outcome.excess, nan=np.inf)
        least = int(np.argmin(excess))
        return least if excess[least] < excess[0] - _WORTH else 0
    shares = problem.ratios(outcome)
    best = int(feasible[best_ratio(shares[feasible], np.ones(shares.shape[1]))])
    if not outcome.feasible[0]:
        return best
    ratios = shares[[0, best]]
    worst, total = ratios.max(axis=1), ratios.sum(axis=1)
    worth = worst[0] > worst[1] + NO_MATTER or total[0] > total[1] + _WORTH
    return best if worth or worst[0] > 1.0 >= worst[1] else 0
