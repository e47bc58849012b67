"""What would make a failing rack work: spacers, a lower place, a shorter arm. Estimates.

The ideal inner joint gives the spacing that the arm wants, and the place that the spacing wants;
both leave the other limits aside, so that a rescue is a hint to widen the study, not a result.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from optimiser.designs import Range, Stock
from optimiser.ideal import ideal_inner_joint, solve_for_spacing

if TYPE_CHECKING:
    from collections.abc import Iterator

    from optimiser.designs import Choice, Designs
    from optimiser.problem import Problem

_NEAR_MM = 1.0
# The search for another arm height looks this far beyond both ball joints.
_BEYOND_MM = 20.0


def rescues(problem: Problem, design: Designs, numbers: dict[str, float | None]) -> Iterator[str]:
    """Sentences for one rack's best design (a batch of one), most direct first.

    `numbers` holds at least `rack_needed_mm` and `bump_steer_deg` of the design.
    """
    rack = problem.racks[int(design.rack[0])]
    needed = numbers.get("rack_needed_mm")
    half = 0.5 * rack.travel_mm - problem.limits.rack_travel_margin_mm
    if needed is not None and needed > half:
        arm = float(design.column("arm_length_mm")[0])
        yield (
            f"steering arms about {arm * half / needed:.0f} mm long instead of {arm:.0f} mm would "
            "reach the lock with its travel (shorter arms raise the rod force and the toe per mm "
            "of play)"
        )
    bump = numbers.get("bump_steer_deg")
    if bump is not None and bump > problem.acceptable[0]:
        yield from _better_places(problem, design)


def _better_places(problem: Problem, design: Designs) -> Iterator[str]:
    rack = problem.racks[int(design.rack[0])]
    car, grid = problem.car, problem.travel.grid()
    points, _ = problem.corners(design)
    corner = points.select(0)
    spacer = float(design.column("spacer_mm")[0])
    fore_aft = float(design.column("rack_fore_aft_mm")[0])
    joint = ideal_inner_joint(
        corner,
        corner.outer_joint,
        fore_aft,
        grid,
        static_toe_in=car.static_toe_in,
        static_camber=car.static_camber,
    )
    if joint.meaningful.all():
        wanted = 0.5 * (float(joint.spacing_mm) - rack.inner_joint_spacing_mm)
        height = float(joint.rack_height_mm)
        residual = float(np.degrees(joint.toe_largest))
        if wanted > _longest(problem.space["spacer_mm"]) + _NEAR_MM:
            yield (
                f"with {wanted:.0f} mm spacers and the rack at {height:.0f} mm its bump steer "
                f"would be {residual:.3f} deg with this arm"
            )
        elif wanted < -_NEAR_MM:
            yield (
                f"it is {-2.0 * wanted:.0f} mm too long for this arm: the inner joints would have "
                f"to be {float(joint.spacing_mm):.0f} mm apart"
            )
    yield from _other_arm_heights(problem, design, rack.inner_joint_spacing_mm + 2.0 * spacer)


def _other_arm_heights(problem: Problem, design: Designs, spacing: float) -> Iterator[str]:
    """The places where the spacing that the rack has is the ideal one."""
    car, points = problem.car, problem.points
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
        static_toe_in=car.static_toe_in,
        static_camber=car.static_camber,
    ).line
    now = float(design.column("arm_height_mm")[0])
    for arm, height, toe in zip(
        found.arm_height_mm,
        found.joint.rack_height_mm,
        np.degrees(found.joint.toe_largest),
        strict=True,
    ):
        if abs(arm - now) > _NEAR_MM and toe <= problem.acceptable[0]:
            yield (
                f"mounted {'lower' if arm < now else 'higher'}, the arm at {arm:.0f} mm and the "
                f"rack at {height:.0f} mm, its bump steer would be {toe:.3f} deg with the same spacers"
            )


def _longest(choice: Choice) -> float:
    if isinstance(choice, Range):
        return choice.high
    return max(choice.values) if isinstance(choice, Stock) else 0.0
