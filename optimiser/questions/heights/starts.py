"""Designs to start the search of `optima` from: where the ideal inner joint wants them.

For steering arms of some lengths and angles, at some fore-aft positions, the line square to the
outer joint's path is known for every arm height. A rack of given height and spacing wants the arm
whose line passes through its inner joint; its spacers, the length that reaches the ideal joint.
"""

from __future__ import annotations

from itertools import product
from math import gcd
from typing import TYPE_CHECKING

import numpy as np

from optimiser.evaluation.designs import Designs, Range, Stock, nearest_allowed
from optimiser.linkage.at_rack import place_outer_joint
from optimiser.metrics.ideal import ideal_for_motion, upright_motion

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimiser.evaluation.designs import Choice
    from optimiser.evaluation.problem import Problem
    from optimiser.linkage.vectors import Array
    from optimiser.metrics.ideal import IdealJoint

    Indices = NDArray[np.intp]

SEEDS = 48
"""Seeds at one height, about."""
_ARM_SAMPLES = 25


def height_seeds(
    problem: Problem, rack: int, heights_mm: Array, rows: Indices
) -> tuple[Indices, Designs]:
    """Starting designs of the heights `rows`, and the row of each."""
    space = problem.space
    arms = [
        _samples(space[name], count)
        for name, count in (
            ("rack_fore_aft_mm", 5), ("arm_length_mm", 3), ("arm_angle_deg", 3),
        )
    ]  # fmt: skip
    sets = _at_most(np.array(list(product(*arms))), SEEDS // 3)
    height = space["arm_height_mm"]
    arm_heights = _samples(height, _ARM_SAMPLES)
    motion = upright_motion(
        problem.points,
        problem.travel.grid(),
        problem.car.attitude,
        problem.steering.wanted_toe,
    )
    x, length, angle = (sets[:, i, None] for i in range(3))
    outer = place_outer_joint(
        problem.points, length, arm_heights, np.radians(angle), problem.arm_ahead
    )
    joint = ideal_for_motion(motion, outer, x, through_rest=True)
    bare = 0.5 * problem.racks[rack].inner_joint_spacing_mm
    found_rows, values = [], []
    for number, chosen in enumerate(sets):
        line = _line(joint, number)
        for row in rows:
            z = float(heights_mm[row])
            places = _places(space["spacer_mm"], height, arm_heights, line, bare, z)
            for spacer, arm in dict.fromkeys(places):
                values.append([z, chosen[0], spacer, chosen[1], arm, chosen[2]])
                found_rows.append(row)
    return (
        np.array(found_rows, dtype=np.intp),
        Designs(np.full(len(values), rack), np.array(values)),
    )


def _samples(choice: Choice, count: int) -> Array:
    """Values of a variable: the stock ones, or some from its range."""
    if isinstance(choice, Stock):
        return np.array(choice.values)
    if not isinstance(choice, Range):
        raise TypeError("a variable that follows another has no values of its own")
    return np.linspace(choice.low, choice.high, count)


def _at_most(sets: Array, count: int) -> Array:
    """At most `count` of the sets, spread over all of them."""
    if len(sets) <= count:
        return sets
    # Sizes of the factors are 1, 3 and 5 or of stock lists: the next stride near the golden section
    # without a common factor with their product visits all values of each in turn.
    stride = next(s for s in range(int(0.618 * len(sets)), len(sets)) if gcd(s, len(sets)) == 1)
    return np.asarray(sets[np.sort(np.arange(count) * stride % len(sets))])


_Line = tuple["Array", "Array", "Array"]


def _line(joint: IdealJoint, number: int) -> _Line:
    """Points and slopes dz/dy of the line square to the path, and ideal (y, z), for each height."""
    fit = joint.fit
    with np.errstate(invalid="ignore", divide="ignore"):
        slope = fit.line_direction[number, :, 2] / fit.line_direction[number, :, 1]
    return fit.line_point[number], slope, fit.centre[number]


def _places(
    spacers: Choice, heights: Choice, arm_heights: Array, line: _Line, bare: float, z: float
) -> list[tuple[float, float]]:
    """Spacers and arm heights that the ideal inner joint wants of a rack at height z."""
    point, slope, centre = line
    found: list[tuple[float, float]] = []
    for spacer in (None, *_samples(spacers, 2).tolist()):
        length = spacer
        if spacer is None:
            # The ideal joint at this height, and its spacing as far as spacers reach.
            gap = np.abs(centre[:, 2] - z)
            if not np.isfinite(gap).any():
                continue
            at = int(np.nanargmin(gap))
            length = float(nearest_allowed(spacers, float(centre[at, 1]) - bare))
        on_line = point[:, 2] + slope * (bare + length - point[:, 1]) - z
        if not np.isfinite(on_line).any():
            continue
        at = int(np.nanargmin(np.abs(on_line)))
        arm = float(arm_heights[at])
        if isinstance(heights, Range):
            beside = at + 1 if at + 1 < len(arm_heights) else at - 1
            rise = on_line[beside] - on_line[at]
            if np.isfinite(rise) and rise != 0.0:
                arm -= float(on_line[at] * (arm_heights[beside] - arm) / rise)
            arm = float(np.clip(arm, heights.low, heights.high))
        elif isinstance(spacers, Range) and spacer is None:
            # With the arm fixed the spacer can still put the joint onto the line at this height.
            with np.errstate(invalid="ignore", divide="ignore"):
                y = point[at, 1] + (z - point[at, 2]) / slope[at]
            if np.isfinite(y):
                found.append((float(nearest_allowed(spacers, y - bare)), arm))
        found.append((float(length), arm))
    return found or [(float(_samples(spacers, 2)[0]), float(arm_heights[len(arm_heights) // 2]))]
