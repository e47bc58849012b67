"""What may be changed to make a rack work: the ways that are compared at every height.

    arm fixed            the steering arm stays as drawn: length, height and angle
    arm at drawn height  its length and angle are as free as the study leaves them; where the study
                         leaves neither free there is no such way
    arm free in height   its height is free as well: within the study's range for it, or, when the
                         study gives none, between the two ball joints
    no spacers           the bare rack
    spacers              any length up to `[limits] spacer_max_mm`, or the study's stock lengths

The rack's fore-aft position is as free as the study leaves it, always. An arm that 'follows the
rack' is another thing: it keeps its drawn height over the rack (`arm_height_mm = "follows rack"`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from optimiser.evaluation.designs import Range, Stock, ends
from optimiser.linkage.at_rack import describe_arm

if TYPE_CHECKING:
    from optimiser.evaluation.designs import Choice
    from optimiser.evaluation.problem import Problem
    from optimiser.linkage.vectors import Array

Arm = Literal["fixed", "drawn height", "free in height"]
ARMS: tuple[Arm, ...] = ("fixed", "drawn height", "free in height")
_SAME = 0.05  # mm or degrees: a study that types the drawn value leaves the arm as drawn


@dataclass(frozen=True, slots=True)
class Way:
    """One of the ways."""

    arm: Arm
    spacers: bool

    @property
    def name(self) -> str:
        """The way in words."""
        where = "at drawn height" if self.arm == "drawn height" else self.arm
        return f"arm {where}, {'spacers' if self.spacers else 'no spacers'}"

    @property
    def column(self) -> str:
        """The way as the beginning of a column's name."""
        return self.arm.replace(" ", "_") + ("_spacers" if self.spacers else "")

    def within(self, other: Way) -> bool:
        """Whether whatever this way allows the other allows too, ranges of the study aside."""
        return ARMS.index(self.arm) <= ARMS.index(other.arm) and self.spacers <= other.spacers


WAYS = tuple(Way(arm, spacers) for arm in ARMS for spacers in (False, True))
"""All that there may be, fewer freedoms first."""


def ways_of(problem: Problem, spacer_max_mm: float) -> tuple[Way, ...]:
    """The ways that a study has, in the order of `WAYS`; spacers of up to 0 mm are none."""
    shaped = False
    for name, (drawn,) in _drawn_shape(problem).items():
        low, high = ends(problem.space[name])
        shaped |= max(high - drawn, drawn - low) > _SAME
    return tuple(
        way
        for way in WAYS
        if (shaped or way.arm != "drawn height") and (spacer_max_mm > 0.0 or not way.spacers)
    )


def way_problem(problem: Problem, way: Way, heights_mm: Array, spacer_max_mm: float) -> Problem:
    """The problem of one way: the space is the study's but for rack height, arm and spacers."""
    space: dict[str, Choice] = dict(problem.space)
    space["rack_height_mm"] = Stock(tuple(heights_mm.tolist()))
    if way.arm == "fixed":
        space |= {name: Stock(value) for name, value in _drawn_shape(problem).items()}
    if way.arm == "free in height":
        space["arm_height_mm"] = arm_heights(problem)
    else:
        space["arm_height_mm"] = Stock((float(problem.points.outer_joint[2]),))
    space["spacer_mm"] = _spacers(problem.space["spacer_mm"], way, spacer_max_mm)
    return replace(problem, space=space)


def _drawn_shape(problem: Problem) -> dict[str, tuple[float]]:
    arm = describe_arm(problem.points)
    return {
        "arm_length_mm": (float(arm.length_mm),),
        "arm_angle_deg": (float(np.degrees(arm.angle)),),
    }


def arm_heights(problem: Problem) -> Choice:
    """Where the outer joint may go when the arm is free in height."""
    choice = problem.space["arm_height_mm"]
    if isinstance(choice, Range) or (isinstance(choice, Stock) and len(choice.values) > 1):
        return choice
    return between_ball_joints(problem)


def between_ball_joints(problem: Problem) -> Range:
    """Heights from the lower ball joint to the upper one."""
    points = problem.points
    low, high = sorted(
        float(ball[2]) for ball in (points.lower_ball_joint, points.upper_ball_joint)
    )
    return Range(low, high)


def _spacers(choice: Choice, way: Way, longest: float) -> Choice:
    if not way.spacers:
        return Stock((0.0,))
    if isinstance(choice, Stock) and len(choice.values) > 1:
        return Stock(tuple(sorted({0.0, *choice.values})))
    return Range(0.0, longest)
