"""What would make a failing rack work: spacers, a lower place, a shorter arm.

The ideal inner joint says where to look: it gives the spacing that the arm wants, and the places
where the spacing that the rack has is the ideal one. Every number in a sentence is then that of
`Problem.evaluate` for the very lengths that the sentence names, and the sentence says which
limits that design breaks.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from optimiser.evaluation.designs import VARIABLES, Designs, ends
from optimiser.evaluation.quantities import limit_words
from optimiser.metrics.ideal import ideal_inner_joint, solve_for_spacing

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import ArrayLike

    from optimiser.evaluation.designs import Evaluation
    from optimiser.evaluation.problem import Problem

_NEAR_MM = 1.0
# The search for another arm height looks this far beyond both ball joints.
_BEYOND_MM = 20.0
_SHORTEST_ARM = 0.5  # of the arm that does not reach


def rescues(problem: Problem, design: Designs, numbers: dict[str, float | None]) -> Iterator[str]:
    """Sentences for one rack's best design (a batch of one), most direct first.

    `numbers` holds at least `rack_needed_mm` and `bump_steer_deg` of the design.
    """
    rack = problem.racks[int(design.rack[0])]
    needed = numbers.get("rack_needed_mm")
    usable = rack.travel_each_way_mm - problem.limits.rack_travel_margin_mm
    if needed is not None and needed > usable:
        yield from _shorter_arm(problem, design, usable)
    bump = numbers.get("bump_steer_deg")
    if bump is not None and bump > problem.acceptable[0]:
        yield from _better_places(problem, design)


def _shorter_arm(problem: Problem, design: Designs, usable: float) -> Iterator[str]:
    """The longest arm, in whole mm, that needs no more than `usable` of rack displacement."""
    arm = float(design.column("arm_length_mm")[0])
    lengths = np.arange(np.ceil(arm) - 1.0, _SHORTEST_ARM * arm, -1.0)
    tried = _changed(design, {"arm_length_mm": lengths})
    outcome = problem.evaluate(tried)
    reaching = np.flatnonzero(outcome.metrics["rack_needed_mm"] <= usable)
    if len(reaching):
        first = int(reaching[0])
        bump = outcome.metrics["bump_steer_deg"][first]
        error = outcome.metrics["ackermann_error_deg"][first]
        yield (
            f"steering arms {lengths[first]:.0f} mm long instead of {arm:.0f} mm would reach the "
            f"lock with its travel, at {bump:.3f} deg bump steer and {error:.2f} deg Ackermann "
            f"error{_limits(problem, outcome, first)}; shorter arms raise the rod force and the "
            "toe per mm of play"
        )


def _better_places(problem: Problem, design: Designs) -> Iterator[str]:
    rack = problem.racks[int(design.rack[0])]
    points, _ = problem.corners(design)
    corner = points.select(0)
    spacer = float(design.column("spacer_mm")[0])
    fore_aft = float(design.column("rack_fore_aft_mm")[0])
    joint = ideal_inner_joint(
        corner,
        corner.outer_joint,
        fore_aft,
        problem.travel.grid(),
        problem.car.attitude,
    )
    if joint.meaningful.all():
        wanted = 0.5 * (float(joint.spacing_mm) - rack.inner_joint_spacing_mm)
        if wanted > ends(problem.space["spacer_mm"])[1] + _NEAR_MM:
            yield from _longer_spacers(problem, design, wanted, float(joint.rack_height_mm))
        elif wanted < -_NEAR_MM:
            yield (
                f"it is {-2.0 * wanted:.0f} mm too long for this arm: the inner joints would have "
                f"to be {float(joint.spacing_mm):.0f} mm apart"
            )
    yield from _other_arm_heights(problem, design, rack.inner_joint_spacing_mm + 2.0 * spacer)


def _longer_spacers(
    problem: Problem, design: Designs, spacer: float, height: float
) -> Iterator[str]:
    spacer, height = round(spacer, 1), round(height, 1)
    tried = _changed(design, {"spacer_mm": [spacer], "rack_height_mm": [height]})
    outcome = problem.evaluate(tried)
    bump, before = outcome.metrics["bump_steer_deg"][0], problem.evaluate(design)
    if bump < before.metrics["bump_steer_deg"][0]:
        longest = ends(problem.space["spacer_mm"])[1]
        yield (
            f"with {spacer:.1f} mm spacers (the study allows {longest:g}) and the rack at "
            f"{height:.1f} mm its bump steer would be {bump:.3f} deg with this arm"
            f"{_limits(problem, outcome, 0)}"
        )


def _other_arm_heights(problem: Problem, design: Designs, spacing: float) -> Iterator[str]:
    """The places where the spacing that the rack has is the ideal one."""
    points = problem.points
    low = float(points.lower_ball_joint[2]) - _BEYOND_MM
    high = float(points.upper_ball_joint[2]) + _BEYOND_MM
    found = solve_for_spacing(
        points,
        spacing,
        float(design.column("rack_fore_aft_mm")[0]),
        float(design.column("arm_length_mm")[0]),
        np.radians(float(design.column("arm_angle_deg")[0])),
        ahead=problem.arm_ahead,
        height_range_mm=(low, high),
        travel_mm=problem.travel.grid(),
        attitude=problem.car.attitude,
    ).line
    arms = np.round(np.atleast_1d(found.arm_height_mm), 1)
    heights = np.round(np.atleast_1d(found.joint.rack_height_mm), 1)
    known = np.isfinite(arms) & np.isfinite(heights)
    arms, heights = arms[known], heights[known]
    if not len(arms):
        return
    outcome = problem.evaluate(_changed(design, {"arm_height_mm": arms, "rack_height_mm": heights}))
    now = float(design.column("arm_height_mm")[0])
    for index, (arm, height) in enumerate(zip(arms, heights, strict=True)):
        toe = outcome.metrics["bump_steer_deg"][index]
        if abs(arm - now) > _NEAR_MM and toe <= problem.acceptable[0]:
            yield (
                f"mounted {'lower' if arm < now else 'higher'}, the arm at {arm:.1f} mm and the "
                f"rack at {height:.1f} mm, its bump steer would be {toe:.3f} deg with the same "
                f"spacers{_limits(problem, outcome, index)}"
            )


def _changed(design: Designs, columns: dict[str, ArrayLike]) -> Designs:
    """The design again with other values (n,) of some variables."""
    given = {name: np.asarray(values, float) for name, values in columns.items()}
    count = len(next(iter(given.values())))
    values = np.repeat(design.values, count, axis=0)
    for name, column in given.items():
        values[:, VARIABLES.index(name)] = column
    return Designs(np.repeat(design.rack, count), values)


def _limits(problem: Problem, outcome: Evaluation, index: int) -> str:
    """Words on the limits that a design breaks."""
    names = zip(problem.constraint_names, outcome.constraints[index], strict=True)
    broken = [limit_words(name) for name, excess in names if not excess <= 0.0]
    return f", breaking {', '.join(broken)}" if broken else ""
