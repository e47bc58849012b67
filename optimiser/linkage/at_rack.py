"""Poses of the left corner at given wheel travel and rack displacement, or steer angle.

Both loops of the corner close in closed form, see `loops`. What is left is one number a pose,
the rise of the lower ball joint that gives the wanted wheel travel: a polynomial through twelve
poses of the corner guesses it, and the secant method corrects it.

Any input may have any batch shape; all of them broadcast as numpy arrays do. Every pose is solved
by itself, so that the numbers of a corner do not depend on the batch it is in.
"""

from __future__ import annotations

from math import prod
from typing import TYPE_CHECKING

import numpy as np

from optimiser.linkage.attitude import STRAIGHT
from optimiser.linkage.constants import first_guess, fit_guess, inner_joint, prepare
from optimiser.linkage.loops import (
    POSE_ROWS,
    Corner,
    close_loops,
    is_shared,
    place_upright,
    wheel_height,
)
from optimiser.linkage.mirror import mirrored_rack
from optimiser.linkage.poses import Poses, RightPoses, hinges
from optimiser.linkage.roots import find_root, secant_step
from optimiser.linkage.steering_arm import (
    ArmPlacement,
    describe_arm,
    place_outer_joint,
    steering_frame,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import ArrayLike

    from optimiser.linkage.attitude import Attitude
    from optimiser.linkage.hardpoints import Hardpoints
    from optimiser.linkage.vectors import Array

__all__ = [
    "ArmPlacement",
    "Poses",
    "RightPoses",
    "describe_arm",
    "place_outer_joint",
    "solve_linkage",
    "solve_right",
    "steering_frame",
]

TRAVEL_TOLERANCE_MM = 1e-10
ACCEPTED_MM = 1e-9  # near the toggle rounding errors grow, and no pose is better than this
BLOCK_POSES = 8192  # measured: fewer poses spend more on numpy's calls, more win nothing
_LEAST_POSES_TO_FIT = 8
# Steps of the way from rest to a pose, as shares of it.
_LONGEST_STEP, _SHORTEST_STEP, _MOST_STEPS = 1.0 / 24.0, 1e-5, 120
_RISING_STEP_MM = 1e-4


def solve_linkage(
    points: Hardpoints,
    travel_mm: ArrayLike,
    rack_mm: ArrayLike,
    attitude: Attitude = STRAIGHT,
    *,
    thorough: bool = True,
) -> Poses:
    """Solve the left corner at given wheel travel and rack displacement.

    Args:
        points: batch of corners in body axes. For N designs over P poses give the points the
            batch shape (N, 1), see `Hardpoints.with_pose_axes`.
        travel_mm: vertical displacement of the wheel centre, bump positive.
        rack_mm: displacement of the rack, positive to the left. For the right corner see
            `solve_right`.
        attitude: of the wheel at rest.
        thorough: follow a pose that Newton's method misses in small steps from rest. False
            gives such a pose up as NaN, which is only ever one close to the toggle or to the
            end of the suspension's reach, and is much faster over many poor designs.

    Returns:
        Poses of the broadcast shape; NaN where the linkage cannot reach the pose.
    """
    corner, batch = prepare(points, attitude.spin_axis)
    travel, rack = np.asarray(travel_mm, float), np.asarray(rack_mm, float)
    shape = np.broadcast_shapes(batch, travel.shape, rack.shape)
    axes = shape or (1,)
    out = np.empty((POSE_ROWS, prod(axes)))
    with np.errstate(invalid="ignore", divide="ignore"):
        if out.shape[1] >= _LEAST_POSES_TO_FIT * max(1, prod(batch)):
            corner = fit_guess(corner)
        constants = [_pose_axes(value, batch, len(axes)) for value in corner.arrays()]
        travel, rack = np.broadcast_to(travel, axes), np.broadcast_to(rack, axes)
        _solve_in_blocks(constants, travel, rack, out, thorough)
    solved = out.reshape(POSE_ROWS, *shape)
    lower, upper, outer, inner, wheel, spin = (solved[row : row + 3] for row in range(0, 18, 3))
    return Poses(lower, upper, outer, inner, wheel, spin, solved[18], hinges(points, shape))


def solve_right(
    points: Hardpoints,
    travel_mm: ArrayLike,
    rack_mm: ArrayLike,
    attitude: Attitude = STRAIGHT,
) -> RightPoses:
    """The right corner of a symmetric car, whose left one `points` draw, as `solve_linkage`."""
    return RightPoses(solve_linkage(points, travel_mm, mirrored_rack(rack_mm), attitude))


# --- blocks of poses that fit the cache ----------------------------------------------------------


def _pose_axes(constant: Array, batch: tuple[int, ...], count: int) -> Array:
    """A constant of `Corner` (k, n) with its batch as the last of `count` axes after the first."""
    if is_shared(constant):
        return constant
    return constant.reshape(len(constant), *(1,) * (count - len(batch)), *batch)


def _solve_in_blocks(
    constants: list[Array], travel: Array, rack: Array, out: Array, thorough: bool
) -> None:
    """Solve poses of shape (R, ...) a few rows at a time, into `out` (POSE_ROWS, size)."""
    rows, row = len(travel), prod(travel.shape[1:])
    if row > BLOCK_POSES and travel.ndim > 1:
        for index in range(rows):
            some = [value if is_shared(value) else _cut(value, index) for value in constants]
            flat = out[:, index * row : (index + 1) * row]
            _solve_in_blocks(some, travel[index], rack[index], flat, thorough)
        return
    step = max(1, BLOCK_POSES // max(1, row))
    for start in range(0, rows, step):
        block = slice(start, min(rows, start + step))
        shape = travel[block].shape
        corner = Corner(*(v if is_shared(v) else _spread(_cut(v, block), shape) for v in constants))
        flat = out[:, start * row : (start + shape[0]) * row]
        _solve_block(corner, travel[block].ravel(), rack[block].ravel(), flat, thorough)


def _cut(value: Array, at: int | slice) -> Array:
    """Some of the rows along the second axis, which may be one to broadcast."""
    if isinstance(at, slice):
        return value[:, at] if value.shape[1] > 1 else value
    row = value[:, at if value.shape[1] > 1 else 0]
    return row.reshape(-1, 1) if is_shared(row) else row


def _spread(value: Array, shape: tuple[int, ...]) -> Array:
    out = np.empty((len(value), *shape))
    out[...] = value
    return out.reshape(len(value), -1)


# --- wheel travel to rise of the lower ball joint -------------------------------------------------


def _solve_block(corner: Corner, travel: Array, rack: Array, out: Array, thorough: bool) -> None:
    """Poses (n,) into `out` (rows, n): guess, two secant steps, and more where those miss."""
    inner = inner_joint(corner, rack)
    error = _error(corner, inner, travel)
    guess, slope = first_guess(corner, travel, rack)
    first = error(guess)
    rise, slope, second = secant_step(error, guess, slope, first)
    last = rise - second / slope
    _place(corner, inner, last, out)
    third = out[14] - corner.wheel[3] - travel
    # The error must have fallen as it does on a rising branch, see `_converge`.
    rising = (slope > 0.0) & (np.abs(second) <= 0.5 * np.abs(first) + TRAVEL_TOLERANCE_MM)
    missed = ~((np.abs(third) <= TRAVEL_TOLERANCE_MM) & rising)
    if missed.any():
        out[:, missed] = np.nan
        again = np.flatnonzero(missed if thorough else missed & np.isfinite(second))
        lost = np.isnan(third)
        start = (np.where(lost, rise, last), slope, np.where(lost, second, third))
        out[:, again] = _solve_again(
            corner.pick(again), travel[again], rack[again], [x[again] for x in start], thorough
        )


def _solve_again(
    corner: Corner, travel: Array, rack: Array, start: list[Array], thorough: bool
) -> Array:
    """Poses (rows, n) that two secant steps miss, on from the rise, slope and error they left."""
    inner = inner_joint(corner, rack)
    rise, _ = _converge(_error(corner, inner, travel), *start)
    slow = np.flatnonzero(np.isnan(rise))
    if thorough and slow.size:
        rise[slow] = _from_rest(corner.pick(slow), travel[slow], rack[slow])
    out = np.empty((POSE_ROWS, len(travel)))
    _place(corner, inner, rise, out)
    out[:, np.isnan(rise)] = np.nan
    return out


def _error(corner: Corner, inner: Array, travel: Array) -> Callable[[Array], Array]:
    return lambda rise: wheel_height(corner, close_loops(corner, rise, inner)) - travel


def _place(corner: Corner, inner: Array, rise: Array, out: Array) -> None:
    place_upright(corner, close_loops(corner, rise, inner), inner, out)


def _converge(
    error: Callable[[Array], Array], rise: Array, slope: Array, left: Array
) -> tuple[Array, Array]:
    """Rise that meets the travel, and slope there; NaN where there is none on the rising branch.

    Starts at a rise whose error is `left`. Beyond a fold the wheel sinks as the ball joint rises,
    which is not continuous with rest.
    """
    rise, slope, left = find_root(error, rise, slope, left, TRAVEL_TOLERANCE_MM)
    good = (np.abs(left) <= ACCEPTED_MM) & (error(rise + _RISING_STEP_MM) > left)
    return np.where(good, rise, np.nan), slope


def _from_rest(corner: Corner, travel: Array, rack: Array) -> Array:
    """Rise for poses near the end of what the linkage reaches, by small steps from rest.

    The way leads straight there or, where that is broken, to the wheel travel first and then to
    the rack displacement. What neither way reaches is NaN.
    """
    rest = np.zeros_like(travel)
    rise = _walk(corner, rest, (rest, rest), (travel, rack))
    lost = np.flatnonzero(np.isnan(rise))
    if lost.size:
        corner, rest, travel, rack = corner.pick(lost), rest[lost], travel[lost], rack[lost]
        turn = _walk(corner, rest, (rest, rest), (travel, rest))
        rise[lost] = _walk(corner, turn, (travel, rest), (travel, rack))
    return rise


def _walk(
    corner: Corner, rise: Array, start: tuple[Array, Array], goal: tuple[Array, Array]
) -> Array:
    """Follow the rise (n,) from `start` to `goal`, (travel, rack); a step that fails is halved."""
    slope = corner.guess[0] * np.ones_like(rise)
    part, step, rate = np.zeros_like(rise), np.full_like(rise, _LONGEST_STEP), np.zeros_like(rise)
    for _ in range(_MOST_STEPS):
        walking = (part < 1.0) & (step > _SHORTEST_STEP) & np.isfinite(rise)
        if not walking.any():
            break
        ahead = np.minimum(part + step, 1.0)
        travel, rack = (a + ahead * (b - a) for a, b in zip(start, goal, strict=True))
        error = _error(corner, inner_joint(corner, rack), travel)
        guess = rise + rate * (ahead - part)
        new, new_slope = _converge(error, guess, slope, error(guess))
        good = walking & np.isfinite(new)
        step = np.where(good, np.minimum(2.0 * step, _LONGEST_STEP), 0.5 * step)
        rate = np.where(good, (new - rise) / (ahead - part), rate)
        rise, slope, part = (
            np.where(good, now, old)
            for now, old in ((new, rise), (new_slope, slope), (ahead, part))
        )
    return np.where(part < 1.0, np.nan, rise)
