"""Follow designs down, the most expensive limit only where it matters."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimiser.evaluation.designs import Designs
from optimiser.search.linear_steps import fit

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from optimiser.evaluation.problem import Problem
    from optimiser.linkage.vectors import Array
    from optimiser.questions.heights.lanes import Bounds
    from optimiser.search.residuals import Model


@dataclass(frozen=True, slots=True)
class Followed:
    """Where N designs ended: the better of where each began and what was reached.

    Attributes:
        designs: (N,).
        level: worst ratio of objective to ray, (N,); infinite where a limit is broken.
    """

    designs: Designs
    level: Array

    def select(self, index: slice) -> Followed:
        """Some of them."""
        return Followed(self.designs.select(index), self.level[index])

    @property
    def kept(self) -> NDArray[np.intp]:
        """Rows that keep every limit, the least level first."""
        order = np.argsort(self.level, kind="stable")
        return np.asarray(order[np.isfinite(self.level[order])])


def follow(
    problem: Problem,
    designs: Designs,
    model_of: Callable[[Problem], Model],
    ray: Array,
    *,
    bounds: Bounds | None = None,
    steps: int = 14,
    tolerance: float = 1e-4,
) -> Followed:
    """Follow designs to the least worst ratio of objective to `ray` (m,).

    Clearance is left out at first: the best without a limit that it happens to keep is the best
    with it. Only designs that break it are followed again with it.

    Args:
        problem: may leave the rack height free.
        designs: within its space.
        model_of: makes the model of a problem: its objectives and limits are what counts.
        ray: what each objective may be; infinity leaves one out.
        bounds: of each design, where they are not the problem's.
        steps: linear programmes at most.
        tolerance: see `linear_steps.fit`.
    """
    judge = model_of(problem)
    whole = judge.table(judge.scaled(designs), designs)
    values = whole.like.values.copy()
    level = np.where(whole.feasible, np.max(whole.objectives / ray, axis=1), np.inf)
    rows = np.arange(len(designs))
    stages = (
        [model_of(problem.without_clearance)]
        if not {"clearance_mm", "tyre_clearance_mm"}.isdisjoint(problem.constraint_names)
        else []
    )
    for model in (*stages, judge):
        if not model.columns or not len(rows):
            break
        start = designs.select(rows)
        table = model.table(model.scaled(start), start)
        there = np.flatnonzero(np.isfinite(table.objectives).all(axis=1))
        rows, table = rows[there], table.select(there)
        if not len(rows):
            break
        rays = np.tile(ray, (len(rows), 1))
        within = bounds.select(rows).scaled(model) if bounds is not None else None
        found = fit(model, table, rays, steps=steps, tolerance=tolerance, within=within).table
        after = found if model is judge else judge.table(found.scaled, found.like)
        now = np.where(after.feasible, np.max(after.objectives / ray, axis=1), np.inf)
        better = now < level[rows]
        values[rows[better]], level[rows[better]] = after.like.values[better], now[better]
        rows = rows[found.feasible & ~after.feasible]
    ended = Designs(designs.rack, values)
    return Followed(ended if bounds is None else bounds.inside(ended), level)
