"""The line of ideal inner joints as the steering arm is raised, and its reverse."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optimiser.linkage.at_rack import place_outer_joint
from optimiser.linkage.attitude import STRAIGHT
from optimiser.linkage.vectors import Array
from optimiser.metrics.ideal.joints import IdealJoint, ideal_for_motion
from optimiser.metrics.ideal.upright import upright_motion
from optimiser.metrics.wanted import FROZEN

if TYPE_CHECKING:
    from optimiser.linkage.attitude import Attitude
    from optimiser.linkage.hardpoints import Hardpoints
    from optimiser.metrics.wanted import WantedToe

SPACING_TOLERANCE_MM = 1e-7
"""Looser than the rounding of the fit, which grows as travel shrinks: 6e-8 mm within +-1 mm."""
_SECANT_STEPS = 60
_FINE_SAMPLES = 65


@dataclass(frozen=True, slots=True)
class IdealLine:
    """Ideal inner joints as the outer joint is raised along the steering axis; batch shape (...).

    Attributes:
        arm_height_mm: z of the outer joint.
        outer_joint: (..., 3).
        joint: its ideal inner joint, with rack height, spacing and the toe that remains.
    """

    arm_height_mm: Array
    outer_joint: Array
    joint: IdealJoint


def ideal_line(
    points: Hardpoints,
    fore_aft_mm: ArrayLike,
    arm_heights_mm: ArrayLike,
    arm_length_mm: ArrayLike,
    arm_angle: ArrayLike,
    *,
    ahead: bool,
    travel_mm: ArrayLike,
    attitude: Attitude = STRAIGHT,
    through_rest: bool = False,
    wanted: WantedToe = FROZEN,
) -> IdealLine:
    """Ideal inner joints for steering arms of given length, angle (rad) and heights.

    The batch of `points` and the four numbers broadcast: heights (H,) draw one line, with the
    others of shape (Q, 1) a line for each of Q questions. The rest as `ideal_inner_joint` and
    `place_outer_joint`.
    """
    motion = upright_motion(points, travel_mm, attitude, wanted)
    outer = place_outer_joint(points, arm_length_mm, arm_heights_mm, arm_angle, ahead)
    joint = ideal_for_motion(motion, outer, fore_aft_mm, through_rest=through_rest)
    shape = joint.length_mm.shape
    return IdealLine(
        np.broadcast_to(np.asarray(arm_heights_mm, float), shape),
        np.broadcast_to(outer, (*shape, 3)),
        joint,
    )


@dataclass(frozen=True, slots=True)
class SpacingSolutions:
    """All K solutions of a batch of questions, in the order of question and arm height.

    Attributes:
        question: (K,) index of the question that each answers, in C order of `shape`. A question
            without a solution does not occur, one with two occurs twice.
        shape: batch shape of the questions.
        line: the solutions, batch shape (K,).
    """

    question: NDArray[np.intp]
    shape: tuple[int, ...]
    line: IdealLine


def solve_for_spacing(
    points: Hardpoints,
    spacing_mm: ArrayLike,
    fore_aft_mm: ArrayLike,
    arm_length_mm: ArrayLike,
    arm_angle: ArrayLike,
    *,
    ahead: bool,
    height_range_mm: tuple[float, float],
    travel_mm: ArrayLike,
    step_mm: float = 5.0,
    attitude: Attitude = STRAIGHT,
    through_rest: bool = False,
    wanted: WantedToe = FROZEN,
) -> SpacingSolutions:
    """Arm heights that make a given inner-joint spacing ideal, and the rack heights they want.

    The line of ideal joints is sampled every `step_mm` of arm height; where its spacing crosses
    the wanted one, the height is found by a bracketed secant. Where the line turns towards the
    wanted spacing between samples it is sampled 32 times finer, so that two solutions nearer to
    each other than `step_mm` / 32 may be missed together.

    Args:
        points: one set of arms; the next four broadcast into the batch of questions (...).
        spacing_mm: wanted distance between the inner joints: rack and both spacers.
        fore_aft_mm: x of the inner joint.
        arm_length_mm: steering arm length.
        arm_angle: radians, as `place_outer_joint`.
        ahead: True when the outer joint is ahead of the steering axis.
        height_range_mm: least and greatest arm height.
        travel_mm: wheel travels, (P,).
        step_mm: greatest distance between samples.
        attitude: of the wheel at rest.
        through_rest: as `ideal_inner_joint`.
        wanted: likewise.

    Raises:
        ValueError: more than one set of arms, an empty height range, or as `trapezium_weights`.
    """
    low, high = height_range_mm
    if not low < high:
        raise ValueError("the height range needs its lower end first")
    motion = upright_motion(points, travel_mm, attitude, wanted)
    if motion.shape:
        raise ValueError("solve_for_spacing takes one set of arms")
    numbers = [np.asarray(v, float) for v in (spacing_mm, fore_aft_mm, arm_length_mm, arm_angle)]
    shape = np.broadcast_shapes(*(v.shape for v in numbers))
    spacing, x, length, angle = (np.broadcast_to(v, shape).ravel() for v in numbers)

    def line(question: NDArray[np.intp], height: Array) -> IdealLine:
        outer = place_outer_joint(points, length[question], height, angle[question], ahead)
        joint = ideal_for_motion(motion, outer, x[question], through_rest=through_rest)
        return IdealLine(height, outer, joint)

    def gap(question: NDArray[np.intp], height: Array) -> Array:
        found = line(question, height).joint.spacing_mm - spacing[question]
        return np.asarray(np.where(np.abs(found) <= SPACING_TOLERANCE_MM, 0.0, found))

    count = max(3, int(np.ceil((high - low) / step_mm)) + 1)
    samples = np.broadcast_to(np.linspace(low, high, count), (spacing.size, count))
    asked, height = _all_roots(gap, np.arange(spacing.size), samples)
    order = np.lexsort((height, asked))
    return SpacingSolutions(asked[order], shape, line(asked[order], height[order]))


Gap = Callable[[NDArray[np.intp], Array], Array]


def _all_roots(
    gap: Gap, question: NDArray[np.intp], samples: Array
) -> tuple[NDArray[np.intp], Array]:
    """Questions and heights of all roots that samples (Q, H) of `question` (Q,) give away."""
    value = _sampled(gap, question, samples)
    turn, fine = _turns(value, samples)
    found = [_crossings(gap, question, samples, value)]
    if turn.size:
        found.append(_crossings(gap, question[turn], fine, _sampled(gap, question[turn], fine)))
    asked, height = (np.concatenate(parts) for parts in zip(*found, strict=True))
    return asked, height


def _sampled(gap: Gap, question: NDArray[np.intp], samples: Array) -> Array:
    return gap(np.repeat(question, samples.shape[1]), samples.ravel()).reshape(samples.shape)


def _turns(value: Array, samples: Array) -> tuple[NDArray[np.intp], Array]:
    """Where three values of one sign bend towards zero: T rows and a finer sampling of each.

    Their parabola turns at `vertex` steps from the middle one. Turns within half a step of the
    middle are its own; at either end of the range the outer half step is too.
    """
    left, middle, right = value[:, :-2], value[:, 1:-1], value[:, 2:]
    bend = left - 2.0 * middle + right
    one_sign = (left * middle > 0.0) & (middle * right > 0.0) & (bend * middle > 0.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        vertex = 0.5 * (left - right) / bend
    least = np.full(value.shape[1] - 2, -0.5)
    most = -least
    least[0], most[-1] = -1.0, 1.0
    row, column = np.nonzero(one_sign & (vertex > least) & (vertex <= most))
    start, stop = samples[row, column], samples[row, column + 2]
    return row, start[:, None] + (stop - start)[:, None] * np.linspace(0.0, 1.0, _FINE_SAMPLES)


def _crossings(
    gap: Gap, question: NDArray[np.intp], samples: Array, value: Array
) -> tuple[NDArray[np.intp], Array]:
    """Roots at samples and between neighbours of opposite sign."""
    row, column = np.nonzero(value == 0.0)
    at_samples = question[row], samples[row, column]
    row, column = np.nonzero(value[:, :-1] * value[:, 1:] < 0.0)
    asked = question[row]
    low, high = samples[row, column], samples[row, column + 1]
    height, reached = _bracketed_secant(
        gap, asked, (low, high), (value[row, column], value[row, column + 1])
    )
    # The spacing also changes sign where the path is straight and the joint passes infinity.
    return (
        np.concatenate([at_samples[0], asked[reached]]),
        np.concatenate([at_samples[1], height[reached]]),
    )


def _bracketed_secant(
    gap: Gap, question: NDArray[np.intp], ends: tuple[Array, Array], values: tuple[Array, Array]
) -> tuple[Array, NDArray[np.bool_]]:
    """Roots between `ends`, and where they were reached: Illinois variant of regula falsi.

    Source: Dowell and Jarratt, BIT 11 (1971): halving the value at an end that was kept twice
    makes the convergence superlinear (from memory).
    """
    (a, b), (f_a, f_b) = ends, values
    reached = np.zeros(a.shape, dtype=bool)
    for _ in range(_SECANT_STEPS):
        middle = b - f_b * (b - a) / (f_b - f_a)
        f = gap(question, middle)
        crossed = f * f_b < 0.0
        a, f_a = np.where(crossed, b, a), np.where(crossed, f_b, 0.5 * f_a)
        b, f_b = middle, f
        reached = f == 0.0
        if reached.all():
            break
    return b, reached
