"""Designs to start from: physics first, numpy only.

Steering arm and rack fore-aft are sampled; where the inner joint belongs is then one linear solve
(`metrics.ideal`). It is asked both ways:

    forward   arm height sampled; rack height and spacer from the ideal inner joint
    reverse   spacer sampled, so the spacing is what the rack makes it; arm height and rack
              height from the line of ideal inner joints

What the study does not allow is moved to the nearest value that it does. With the rack's own
tie rods kept, the rod's length picks the point on the line square to the path instead, since the
arms then move outboard by what is missing.
"""

from __future__ import annotations

import zlib
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from optimiser.base.front import crowding_distance, non_dominated_ranks
from optimiser.evaluation.designs import (
    ROLL,
    Designs,
    FollowsRack,
    Range,
    Stock,
    nearest_allowed,
)
from optimiser.evaluation.quantities import excess_words
from optimiser.linkage.at_rack import place_outer_joint
from optimiser.metrics.ideal import Fit, ideal_for_motion, solve_for_spacing, upright_motion

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from optimiser.evaluation.designs import Choice, Evaluation
    from optimiser.evaluation.problem import Problem
    from optimiser.linkage.vectors import Array
    from optimiser.metrics.ideal import CircleFit

AT_BOUNDS = 0.5
"""Share of the samples of a variable that lie on its bounds, where the best designs often are."""
_SEED_TAG = 0x5EED
_MOVED_TAG = 0xADA7
_SPREAD = 0.6
"""How far points are moved at random, as a share of their room."""
_FOLLOW_STEPS = 8
_FOLLOW_MM = 1e-6


def seed_designs(problem: Problem, rack: int, count: int, seed: int) -> Designs:
    """At most about `count` different designs of one rack, all within the study's variables.

    Half forward and half in reverse when the arm height is free; a reverse question may have no
    answer or two. The same arguments give the same designs.
    """
    name = problem.racks[rack].name
    rng = np.random.default_rng([_SEED_TAG, seed, zlib.crc32(name.encode())])
    height = problem.space["arm_height_mm"]
    reverse = (
        isinstance(height, Range)
        and height.low < height.high
        and not problem.steering.keep_tie_rods
    )
    forward = count - count // 2 if reverse else count
    spacers = problem.space["spacer_mm"]
    # The ideal spacer is of few lengths only; each length that is sold is asked about as well.
    stock = forward // 2 if isinstance(spacers, Stock) and len(spacers.values) > 1 else 0
    parts = [_forward(problem, rack, rng, forward - stock)]
    if stock:
        parts.append(_forward(problem, rack, rng, stock, any_spacer=True))
    if reverse and isinstance(height, Range):
        parts.append(_reverse(problem, rack, rng, count // 2, height))
    designs = Designs.join(parts)
    _, first = np.unique(designs.values, axis=0, return_index=True)
    return designs.select(np.sort(first))


def moved_seeds(problem: Problem, rack: int, cars: int, count: int, seed: int) -> Designs:
    """Seeds of cars whose points are moved at random, about `count` of each car.

    Where the ideal inner joint of a car is moves with its points.

    Raises:
        ValueError: nothing may move.
    """
    suspension = problem.suspension
    if suspension is None:
        raise ValueError("nothing may move")
    plain = problem.unmoved
    rng = np.random.default_rng([_MOVED_TAG, seed])
    width = len(suspension.columns)
    parts = [Designs(np.empty(0, np.intp), np.empty((0, len(problem.columns))))]
    for _ in range(cars):
        moves = _SPREAD * suspension.room_mm * rng.uniform(-1.0, 1.0, width)
        car = replace(plain, points=suspension.moved(plain.points, moves))
        seeds = seed_designs(car, rack, count, seed)
        values = np.broadcast_to(moves, (len(seeds), width))
        parts.append(Designs(seeds.rack, np.concatenate([seeds.values, values], axis=1)))
    return Designs.join(parts)


def choose_seeds(evaluation: Evaluation, size: int) -> NDArray[np.intp]:
    """Rows worth telling: the feasible front, then the fronts behind it, `size` in all at most.

    Without any feasible row, those that break their limits by the least sum.
    """
    feasible = np.flatnonzero(evaluation.feasible)
    if len(feasible):
        values = evaluation.objectives[feasible]
        ranks = non_dominated_ranks(values)
        crowding = np.zeros(len(feasible))
        for rank in np.unique(ranks):
            crowding[ranks == rank] = crowding_distance(values[ranks == rank])
        return feasible[np.lexsort((-crowding, ranks))[:size]]
    assembles = np.flatnonzero(evaluation.assembles)
    return assembles[np.argsort(evaluation.excess[assembles], kind="stable")[:size]]


def early_drop(problem: Problem, rack: int, evaluation: Evaluation) -> str:
    """Why a rack is given up after these designs, or an empty string while it has a chance.

    It is given up when no design keeps every limit: the text says what the nearest one breaks, or,
    when none can be assembled, what stands in the way most often.
    """
    if evaluation.feasible.any():
        return ""
    size = len(evaluation.status)
    start = f"{problem.racks[rack].name}: none of {size} designs keeps the limits; "
    nearest = evaluation.nearest
    if nearest is None:
        text, count = evaluation.commonest_status
        return f"{start}{text} ({count} of them)"
    broken = [
        excess_words(name, value, ".3g")
        for name, value in zip(
            problem.constraint_names, evaluation.constraints[nearest], strict=True
        )
        if value > 0.0
    ]
    return f"{start}the nearest one breaks {', '.join(broken)}"


# --- sampling ------------------------------------------------------------------------------------


def _sample(choice: Choice, rng: np.random.Generator, size: int) -> Array:
    """One stratified sample of a variable: each of `size` equal parts of it once, shuffled.

    The parts of a range stick out at both ends, and what falls there is moved to the bound.
    """
    share = (rng.permutation(size) + rng.random(size)) / size
    if isinstance(choice, Range):
        share = np.clip((share - 0.5) * (1.0 + AT_BOUNDS / (1.0 - AT_BOUNDS)) + 0.5, 0.0, 1.0)
        inside = choice.low + share * (choice.high - choice.low)
        return np.asarray(np.clip(inside, choice.low, choice.high))
    if isinstance(choice, Stock):
        values = np.array(choice.values)
        return np.asarray(values[np.minimum((share * len(values)).astype(int), len(values) - 1)])
    raise TypeError("a variable that follows another is not sampled")


# --- forward and reverse -------------------------------------------------------------------------


def _forward(
    problem: Problem, rack: int, rng: np.random.Generator, size: int, *, any_spacer: bool = False
) -> Designs:
    """Arm heights sampled; the spacer too with `any_spacer`, else the ideal one of the arm."""
    space = problem.space
    free = {
        name: _sample(space[name], rng, size)
        for name in ("rack_fore_aft_mm", "arm_length_mm", "arm_angle_deg", "spacer_mm")
    }
    motion = upright_motion(
        problem.points,
        problem.travel.grid(),
        problem.car.attitude,
        problem.steering.wanted_toe,
    )
    bare = 0.5 * problem.racks[rack].inner_joint_spacing_mm
    angle = np.radians(free["arm_angle_deg"])

    def ask(arm_height: Array) -> tuple[CircleFit, Array]:
        """Fit and outer joint for arms of given height."""
        outer = place_outer_joint(
            problem.points, free["arm_length_mm"], arm_height, angle, problem.arm_ahead
        )
        joint = ideal_for_motion(motion, outer, free["rack_fore_aft_mm"], through_rest=True)
        return joint.fit, outer

    def place(arm_height: Array) -> tuple[Array, Array]:
        """Spacer and rack height for arms of given height."""
        fit, outer = ask(arm_height)
        if problem.steering.keep_tie_rods:
            rod = problem.racks[rack].tie_rod_length_mm or np.nan
            return free["spacer_mm"], _height_at_length(fit, outer, rod)
        if any_spacer:
            return free["spacer_mm"], _on_line(fit, 1, bare + free["spacer_mm"])
        ideal = np.where(fit.status == Fit.GOOD, fit.centre[:, 1], bare + free["spacer_mm"])
        spacer = nearest_allowed(space["spacer_mm"], ideal - bare)
        return spacer, _on_line(fit, 1, bare + spacer)

    arm = space["arm_height_mm"]
    if isinstance(arm, FollowsRack):
        height = _follow(place, _sample(space["rack_height_mm"], rng, size), arm.offset_mm)
    else:
        height = _sample(arm, rng, size)
    spacer, wanted = place(height)
    rack_height = nearest_allowed(space["rack_height_mm"], wanted)
    if isinstance(arm, FollowsRack) and not problem.steering.keep_tie_rods:
        height = rack_height + arm.offset_mm
    if not (problem.steering.keep_tie_rods or any_spacer):
        # A rack that cannot be as high as it should be is given another spacer instead.
        again = _on_line(ask(height)[0], 2, rack_height) - bare
        use = (rack_height != wanted) & np.isfinite(again)
        spacer = np.where(use, nearest_allowed(space["spacer_mm"], again), spacer)
    free["spacer_mm"] = spacer
    return _finish(problem, rack, free, np.where(np.isfinite(wanted), rack_height, np.nan), height)


def _reverse(
    problem: Problem, rack: int, rng: np.random.Generator, size: int, height: Range
) -> Designs:
    free = {
        name: _sample(problem.space[name], rng, size)
        for name in ("rack_fore_aft_mm", "arm_length_mm", "arm_angle_deg", "spacer_mm")
    }
    found = solve_for_spacing(
        problem.points,
        problem.racks[rack].inner_joint_spacing_mm + 2.0 * free["spacer_mm"],
        free["rack_fore_aft_mm"],
        free["arm_length_mm"],
        np.radians(free["arm_angle_deg"]),
        ahead=problem.arm_ahead,
        height_range_mm=(height.low, height.high),
        travel_mm=problem.travel.grid(),
        step_mm=max(1.0, (height.high - height.low) / 8.0),
        attitude=problem.car.attitude,
        through_rest=True,
        wanted=problem.steering.wanted_toe,
    )
    free = {name: values[found.question] for name, values in free.items()}
    line = found.line
    return _finish(problem, rack, free, line.joint.rack_height_mm, line.arm_height_mm)


def _on_line(fit: CircleFit, axis: int, at: Array) -> Array:
    """Of the line square to the path: z where y is `at` (axis 1), or y where z is (axis 2)."""
    other = 3 - axis
    with np.errstate(invalid="ignore", divide="ignore"):
        slope = fit.line_direction[:, other] / fit.line_direction[:, axis]
        return np.asarray(fit.line_point[:, other] + slope * (at - fit.line_point[:, axis]))


def _height_at_length(fit: CircleFit, outer: Array, length: float) -> Array:
    """Height of the point on that line which is `length` from the outer joint, inboard of it."""
    start = fit.line_point - outer
    direction = fit.line_direction * -np.sign(fit.line_direction[:, 1:2])
    along = np.sum(start * direction, axis=1)
    with np.errstate(invalid="ignore"):
        root = np.sqrt(along**2 - np.sum(start * start, axis=1) + length**2)
    return np.asarray(fit.line_point[:, 2] + (root - along) * direction[:, 2])


def _follow(
    place: Callable[[Array], tuple[Array, Array]], rack_height: Array, offset_mm: float
) -> Array:
    """Arm heights that stand `offset_mm` above the rack height they lead to, by secant steps."""
    old = rack_height + offset_mm
    old_error = place(old)[1] + offset_mm - old
    new = old + old_error
    for _ in range(_FOLLOW_STEPS):
        error = place(new)[1] + offset_mm - new
        with np.errstate(invalid="ignore", divide="ignore"):
            step = -error * (new - old) / (error - old_error)
        step = np.where(np.isfinite(step) & (np.abs(error) > _FOLLOW_MM), step, 0.0)
        old, old_error, new = new, error, new + np.clip(step, -50.0, 50.0)
    return np.asarray(new)


def _finish(
    problem: Problem, rack: int, free: dict[str, Array], rack_height: Array, arm_height: Array
) -> Designs:
    """Designs with heights moved to what the study allows; those without a path are left out."""
    there = np.isfinite(rack_height)
    space = problem.space
    free = {name: values[there] for name, values in free.items()}
    free["rack_height_mm"] = nearest_allowed(space["rack_height_mm"], rack_height[there])
    if not isinstance(space["arm_height_mm"], FollowsRack):
        free["arm_height_mm"] = nearest_allowed(space["arm_height_mm"], arm_height[there])
    if ROLL in space:
        # Feet and pinion do not move the linkage: the roll that the rack has without a word.
        lies = np.full(int(there.sum()), problem.default_rolls_deg[rack])
        free[ROLL] = nearest_allowed(space[ROLL], lies)
    order = {name: free[name] for name in ("rack_height_mm", *free)}
    return problem.designs(np.full(int(there.sum()), rack), dict(order))
