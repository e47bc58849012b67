"""General-purpose optimisers asked the same questions as our search, for the benchmarks.

All of them get the same vectorised problem with its variables from 0 to 1, stock values by equal
shares. `polish` is our own `fit`, since the largest of many numbers has kinks, at which the
gradient methods of scipy stop.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from optuna.distributions import CategoricalDistribution
from pymoo.algorithms.moo.nsga2 import NSGA2
from pymoo.algorithms.moo.nsga3 import NSGA3
from pymoo.core.problem import Problem as PymooProblem
from pymoo.optimize import minimize
from pymoo.util.ref_dirs import get_reference_directions
from scipy.optimize import differential_evolution

from optimiser.search.linear_steps import fit
from optimiser.search.residuals import Model
from optimiser.search.sampler import free_variables, resolve

if TYPE_CHECKING:
    from collections.abc import Callable

    from optimiser.evaluation.designs import Designs, Evaluation
    from optimiser.evaluation.problem import Problem

    Note = Callable[[Designs, Evaluation], object]

_BROKEN, _LOST = 1e3, 1e9  # designs that break a limit, and such as cannot be assembled


class Shares:
    """A problem's free variables as shares (N, n) from 0 to 1, of one rack."""

    def __init__(self, problem: Problem, rack: int = 0) -> None:
        self.problem, self.rack = problem, rack
        self.space = free_variables(problem)

    def designs(self, shares: np.ndarray) -> Designs:
        """Designs of shares."""
        params = [
            {
                name: item.choices[min(int(share * len(item.choices)), len(item.choices) - 1)]
                if isinstance(item, CategoricalDistribution)
                else item.low + share * (item.high - item.low)
                for share, (name, item) in zip(row, self.space.items(), strict=True)
            }
            for row in shares
        ]
        return resolve(self.problem, self.rack, params)


class ForPymoo(PymooProblem):
    """The problem as pymoo wants it; `note` is told of every batch."""

    def __init__(self, problem: Problem, rack: int, note: Note) -> None:
        self.shares, self.note = Shares(problem, rack), note
        super().__init__(
            n_var=len(self.shares.space),
            n_obj=len(problem.objectives.names),
            n_ieq_constr=len(problem.constraint_names),
            xl=0.0,
            xu=1.0,
        )

    def _evaluate(self, x, out, *_args, **_more) -> None:
        designs = self.shares.designs(x)
        found = self.shares.problem.evaluate(designs)
        self.note(designs, found)
        out["F"] = np.nan_to_num(found.objectives, nan=1e3)
        out["G"] = np.nan_to_num(found.scaled_constraints, nan=1e3)


def nsga2(problem: Problem, seed: int, evaluations: int, note: Note) -> None:
    """NSGA-II with a population of 100."""
    asked = ForPymoo(problem, 0, note)
    minimize(asked, NSGA2(pop_size=100), ("n_eval", evaluations), seed=seed, verbose=False)


def nsga3(problem: Problem, seed: int, evaluations: int, note: Note, rack: int = 0) -> None:
    """NSGA-III with a population of about 100, a reference direction for each."""
    asked = ForPymoo(problem, rack, note)
    parts = {2: 99, 3: 12}[asked.n_obj]
    directions = get_reference_directions("das-dennis", asked.n_obj, n_partitions=parts)
    algorithm = NSGA3(directions, pop_size=len(directions))
    minimize(asked, algorithm, ("n_eval", evaluations), seed=seed, verbose=False)


def evolve(
    problem: Problem, seed: int, evaluations: int, ray: np.ndarray, note: Note, rack: int = 0
) -> Designs:
    """Differential evolution of scipy to the least level along a ray; the best design.

    A design that breaks a limit comes behind all that do not, by the sum of what it breaks.
    """
    shares = Shares(problem, rack)

    def level(x: np.ndarray) -> np.ndarray:
        designs = shares.designs(x.T)
        found = problem.evaluate(designs)
        note(designs, found)
        excess = np.maximum(found.scaled_constraints, 0.0).sum(axis=1)
        value = np.max(found.objectives / ray, axis=1)
        value = np.where(excess > 0.0, _BROKEN * (1.0 + excess), value)
        return np.where(found.assembles, value, _LOST)

    size = 15 * len(shares.space)
    found = differential_evolution(
        level,
        [(0.0, 1.0)] * len(shares.space),
        vectorized=True,
        updating="deferred",
        popsize=15,
        maxiter=max(1, evaluations // size - 1),
        tol=1e-8,
        rng=seed,
        polish=False,
    )
    return shares.designs(found.x[None])


def polish(problem: Problem, designs: Designs, ray: np.ndarray, steps: int = 40) -> Designs:
    """Designs followed down a ray to the last digit; as they are where nothing is continuous."""
    model = Model(problem)
    if not model.columns:
        return designs
    there = np.flatnonzero(problem.evaluate(designs).assembles)
    start = model.table(model.scaled(designs.select(there)), designs.select(there))
    rays = np.repeat(ray[None], len(start), axis=0)
    table = fit(model, start, rays, steps=steps, tolerance=1e-9).table
    return model.designs(table.scaled, table.like)
