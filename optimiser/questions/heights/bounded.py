"""One number made small while bump steer and Ackermann error keep bounds, which become limits.

Three questions are asked of it, each within the study's limits:

    the least bump steer          where the Ackermann error is acceptable
    the least Ackermann error     where bump steer stays below a bound
    the least change of the car   where both are acceptable

**Change** is counted in millimetres from the arm and rack as drawn, a plain sum: how far the outer
joint moves, plus how far the rack moves (fore-aft and height together), plus the length of one
spacer. A sum, not the root of a sum of squares, because the root would rather move everything a
little, and each thing that is moved is a part that is made anew.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np

from optimiser.linkage.at_rack import place_outer_joint
from optimiser.questions.heights.follow import follow
from optimiser.search.residuals import Model, Table

if TYPE_CHECKING:
    from optimiser.evaluation.designs import Designs
    from optimiser.evaluation.problem import Problem
    from optimiser.linkage.vectors import Array
    from optimiser.questions.heights.follow import Followed
    from optimiser.questions.heights.lanes import Bounds

Least = Literal["bump steer", "Ackermann error", "change"]
_ROUNDING_MM = 0.3
"""The corner of each distance at zero is rounded off by as much, so that it has a slope."""
_AIM = 0.998
"""Share of a bound that is aimed at: a walk ends beside what it aims at, by curvature."""
_BASE_MM = 50.0
"""Added to the change, so that the price of breaking a limit, a multiple of it, is never small."""


def change_mm(problem: Problem, designs: Designs, rounding_mm: float = 0.0) -> Array:
    """How much designs change of the car as drawn, (N,) in mm; the head of this module says how."""
    points = problem.points
    outer = place_outer_joint(
        points,
        designs.column("arm_length_mm"),
        designs.column("arm_height_mm"),
        np.radians(designs.column("arm_angle_deg")),
        problem.arm_ahead,
    )
    arm = np.sum((outer - points.outer_joint) ** 2, axis=-1)
    rack = (designs.column("rack_fore_aft_mm") - points.inner_joint[0]) ** 2
    rack += (designs.column("rack_height_mm") - points.inner_joint[2]) ** 2
    total = designs.column("spacer_mm").copy()
    for square in (arm, rack):
        total += np.sqrt(square + rounding_mm**2) - rounding_mm
    return total


def least_within(
    problem: Problem,
    starts: Designs,
    least: Least,
    bounds_deg: Array,
    *,
    bounds: Bounds | None = None,
    steps: int = 20,
) -> Followed:
    """Follow designs to the least of something within bounds (2,) on the two objectives.

    Args:
        problem: may leave the rack height free.
        starts: (n,), within its space.
        least: what is made small.
        bounds_deg: of bump steer and Ackermann error, in the study's measure; infinity for none.
        bounds: of the variables of each design, where they are not the problem's.
        steps: linear programmes at most.
    """
    return follow(
        problem,
        starts,
        lambda stage: _Bounded(stage, least, bounds_deg),
        np.ones(1),
        bounds=bounds,
        steps=steps,
        tolerance=1e-3 if least == "change" else 1e-4,
    )


class _Bounded(Model):
    """Residuals of one objective alone, the bounds among the limits, as shares of themselves."""

    def __init__(self, problem: Problem, least: Least, bounds: Array) -> None:
        super().__init__(problem)
        self.plain = Model(problem)
        self.least, self.bounds = least, bounds
        self.bounded = np.flatnonzero(np.isfinite(bounds)).tolist()
        if least == "change":
            self.kinds = ("value",)
        else:
            self.kinds = (self.plain.kinds[0 if least == "bump steer" else 1],)

    def table(self, scaled: Array, like: Designs) -> Table:
        """Evaluate designs."""
        found = self.plain.table(scaled, like)
        parts = self.plain.parts
        if self.least == "change":
            change = change_mm(self.problem, found.like, _ROUNDING_MM)[:, None] + _BASE_MM
            change[~np.isfinite(found.objectives).all(axis=1)] = np.nan
            rows, objectives = [change], change
        else:
            number = 0 if self.least == "bump steer" else 1
            rows = [found.rows[:, parts[number]]]
            objectives = found.objectives[:, [number]]
        limits = [found.limits]
        rows += [found.rows[:, part] for part in parts[len(self.plain.kinds) :]]
        for number in self.bounded:
            share = found.rows[:, parts[number]] / self.bounds[number]
            if self.plain.kinds[number] == "rms":
                share = np.sqrt(np.sum(share**2, axis=1, keepdims=True))
            rows.append(np.concatenate([share - _AIM, -share - _AIM], axis=1))
            limits.append(found.objectives[:, [number]] / self.bounds[number] - _AIM)
        kept = (found.objectives[:, self.bounded] <= self.bounds[self.bounded]).all(axis=1)
        return Table(
            found.scaled,
            found.like,
            self.stacked(rows),
            objectives,
            np.concatenate(limits, axis=1),
            found.feasible & kept,
        )
