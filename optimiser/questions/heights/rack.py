"""Can a shorter rack be rescued by mounting it lower? The best of every height, in every way.

The rack is moved through a range of heights. At each, and in each of the `ways`, the least bump
steer found that the study's limits allow, with the Ackermann error that goes with it. Then, with
the rack height free as well, each way's best place, and the acceptable one that changes least.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from optimiser.evaluation.asked import Objectives
from optimiser.evaluation.designs import Designs, ends
from optimiser.questions.heights.follow import follow
from optimiser.questions.heights.known import Known, look_for_nearest
from optimiser.questions.heights.lanes import Bounds, Lanes, between_ends, bounds_of
from optimiser.questions.heights.optima import Optima, solve_heights
from optimiser.questions.heights.places import RackHeights, WayCurve
from optimiser.questions.heights.rows import INFEASIBLE
from optimiser.questions.heights.ways import way_problem, ways_of
from optimiser.search.residuals import Model

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimiser.evaluation.designs import Evaluation
    from optimiser.evaluation.problem import Problem
    from optimiser.linkage.vectors import Array

    Indices = NDArray[np.intp]

DIPS = 3
"""Lowest dips of a curve that are followed with the rack height free."""


def measured_problem(problem: Problem) -> Problem:
    """The problem with bump steer and Ackermann error alone, as built exactly to the drawing."""
    asked = problem.objectives
    plain = Objectives(
        "rms" if asked.bump_steer == "rms" else "largest",
        "rms" if asked.ackermann_error == "rms" else "largest",
    )
    return problem.measured(plain)


def solve_rack(problem: Problem, rack: int, heights_mm: Array, spacer_max_mm: float) -> RackHeights:
    """The best of every height for one rack, in every way that the study has.

    Args:
        problem: the study's.
        rack: which rack.
        heights_mm: (H,), increasing.
        spacer_max_mm: longest spacer, each end.
    """
    plain = measured_problem(problem)
    ways = ways_of(plain, spacer_max_mm)
    problems = tuple(way_problem(plain, way, heights_mm, spacer_max_mm) for way in ways)
    lanes = Lanes.of(problems, rack, heights_mm)
    optima = solve_heights(lanes)
    both = _both(lanes, optima)
    between = _between(lanes, optima)
    known = [
        Known(
            replace(mine, space={**mine.space, "rack_height_mm": between_ends(heights_mm)}),
            Designs.join([one.designs, other[0], more]),
            one.evaluation.join([one.evaluation, other[1], mine.evaluate(more)]),
        )
        for mine, one, other, more in zip(problems, optima, both, between, strict=True)
    ]
    for here in known:
        here.look_for_best()
    look_for_nearest(known)
    extra = slice(2 * len(heights_mm), None)
    curves = tuple(
        WayCurve(
            way,
            one,
            *other,
            here.designs.select(extra),
            here.outcome.select(extra),
            here.place(way),
            here.place(way, nearest=True),
        )
        for way, one, other, here in zip(ways, optima, both, known, strict=True)
    )
    longest = max(ends(mine.space["spacer_mm"])[1] for mine in problems)
    return RackHeights(plain, rack, heights_mm, longest, curves)


def _both(lanes: Lanes, optima: tuple[Optima, ...]) -> list[tuple[Designs, Evaluation]]:
    """Designs and outcome of each way, where the optima spoil the Ackermann error balanced."""
    designs = Designs.join([one.designs for one in optima])
    outcome = optima[0].evaluation.join([one.evaluation for one in optima])
    bump_is, ackermann_is = (outcome.objectives <= lanes.problem.acceptable).T
    lane = np.flatnonzero(outcome.feasible & bump_is & ~ackermann_is)
    if len(lane):
        start, bounds = designs.select(lane), lanes.bounds.select(lane)
        values = designs.values.copy()
        ray = lanes.problem.acceptable
        values[lane] = follow(lanes.problem, start, Model, ray, bounds=bounds).designs.values
        designs = Designs(designs.rack, values)
        outcome = lanes.problem.evaluate(designs)
    ways = [lanes.of_way(way) for way in range(len(optima))]
    return [(designs.select(way), outcome.select(way)) for way in ways]


def _between(lanes: Lanes, optima: tuple[Optima, ...]) -> list[Designs]:
    """Designs of each way with the least bump steer with the rack height free, from the best rows.

    Between two heights of a grid there may be a much better one: bump steer falls towards the
    best height as steeply as it rises beyond it.
    """
    starts = [one.designs.select(_dips(one.evaluation)) for one in optima]
    if not any(len(some) for some in starts):  # at no height does anything assemble
        return starts
    bounds = [bounds_of(mine, len(some)) for mine, some in zip(lanes.problems, starts, strict=True)]
    free = Bounds.join(bounds)
    ray = np.full(optima[0].evaluation.objectives.shape[1], np.inf)
    ray[0] = lanes.problem.acceptable[0]
    found = follow(lanes.problem, Designs.join(starts), Model, ray, bounds=free).designs
    last = np.cumsum([0, *(len(some) for some in starts)]).tolist()
    return [found.select(part) for part in map(slice, last[:-1], last[1:])]


def _dips(outcome: Evaluation) -> Indices:
    """Rows of the lowest dips of a curve and those beside them."""
    score = np.where(outcome.feasible, outcome.objectives[:, 0], INFEASIBLE + outcome.excess)
    score = np.where(outcome.assembles, score, np.inf)
    ends = np.concatenate([[np.inf], score, [np.inf]])
    dips = np.flatnonzero((score <= ends[:-2]) & (score <= ends[2:]) & np.isfinite(score))
    dips = dips[np.argsort(score[dips], kind="stable")[:DIPS]]
    rows = np.unique([r for dip in dips for r in (dip - 1, dip, dip + 1) if 0 <= r < len(score)])
    rows = rows.astype(np.intp)
    return np.asarray(rows[np.isfinite(score[rows])])
