"""Bump steer over rack height and inner-joint spacing, and the line of ideal inner joints.

Twice: with the steering arm fixed, where the least bump steer lies along the tie rod's own line
through one ideal point, and with the arm free in height, where it lies along the line of ideal
joints.
Kinematics only: the map knows no limits, and tie rods are made to length.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimiser.evaluation.designs import ends
from optimiser.linkage.at_rack import describe_arm, place_outer_joint
from optimiser.metrics.ideal import ideal_line
from optimiser.metrics.kinematic import bump_steer
from optimiser.questions.heights.ways import WAYS, arm_heights, between_ball_joints

if TYPE_CHECKING:
    from optimiser.evaluation.problem import Problem
    from optimiser.linkage.vectors import Array
    from optimiser.metrics.ideal import IdealLine
    from optimiser.questions.heights.places import Place, RackHeights

FIXED, FIXED_SPACED, FREE, FREE_SPACED = (way for way in WAYS if way.arm != "drawn height")
MAP_HEIGHTS, MAP_SPACINGS = 49, 41
FIXED_HEIGHTS = 241
"""More of them with the arm fixed, where what is acceptable is only a few millimetres high."""
_ARMS = 41
_ZOOMS = (5.0, 1.3, 0.33)
"""Half widths in mm within which the best arm height is looked for, one after the other."""
_SPAN_MM = 40.0


@dataclass(frozen=True, slots=True)
class ArmShape:
    """Rack fore-aft, and length and angle (rad) of a steering arm."""

    fore_aft_mm: float
    length_mm: float
    angle: float


@dataclass(frozen=True, slots=True)
class BumpMap:
    """Bump steer in degrees over rack heights (Z,) and spacings (Y,), in the study's measure.

    Attributes:
        fixed_heights_mm: finer heights, (F,).
        fixed: with the arm as drawn, (F, Y).
        free: with the arm at the height that suits best, within its range, (Z, Y).
        fixed_line: ideal inner joint of the drawn arm, batch (1,).
        free_line: ideal inner joints of arm heights between the ball joints, (A,).
        arm_range_mm: least and greatest arm height of `free`.
    """

    heights_mm: Array
    spacings_mm: Array
    fixed_heights_mm: Array
    fixed: Array
    free: Array
    fixed_line: IdealLine
    free_line: IdealLine
    arm_range_mm: tuple[float, float]


def bump_map(found: RackHeights) -> BumpMap:
    """The map for one rack: wide enough for every rack of the catalogue with its spacers."""
    problem = found.problem
    drawn = describe_arm(problem.points)
    fixed_arm = _shape(problem, found.place(FIXED_SPACED) or found.place(FIXED))
    fixed_arm = ArmShape(fixed_arm.fore_aft_mm, float(drawn.length_mm), float(drawn.angle))
    free_arm = _shape(problem, found.place(FREE) or found.place(FREE_SPACED))
    racks = [rack.inner_joint_spacing_mm for rack in problem.racks]
    spacings = np.linspace(min(racks) - _SPAN_MM, max(racks) + _SPAN_MM, MAP_SPACINGS)
    heights = np.linspace(found.heights_mm[0], found.heights_mm[-1], MAP_HEIGHTS)
    arms = np.linspace(*ends(between_ball_joints(problem)), _ARMS)
    z, y = np.meshgrid(heights, 0.5 * spacings, indexing="ij")
    fixed_line = _ideal(problem, fixed_arm, np.array([float(drawn.height_mm)]))
    line = _ideal(problem, free_arm, arms)
    low, high = ends(arm_heights(problem))
    finer = np.linspace(heights[0], heights[-1], FIXED_HEIGHTS)
    at, across = np.meshgrid(finer, 0.5 * spacings, indexing="ij")
    fixed = _bump(found, fixed_arm, np.full(at.shape, float(drawn.height_mm)), at, across)
    best = np.clip(_square_arm(line, arms, z, y), low, high)
    for width in _ZOOMS:
        tries = np.clip(best + width * np.linspace(-1.0, 1.0, 5)[:, None, None], low, high)
        bump = _bump(found, free_arm, tries, z, y)
        pick = np.argmin(np.where(np.isnan(bump), np.inf, bump), axis=0)
        best = np.take_along_axis(tries, pick[None], axis=0)[0]
    free = _bump(found, free_arm, best, z, y)
    return BumpMap(heights, spacings, finer, fixed, free, fixed_line, line, (low, high))


def _shape(problem: Problem, place: Place | None) -> ArmShape:
    arm = describe_arm(problem.points)
    if place is None:
        return ArmShape(
            float(problem.points.inner_joint[0]), float(arm.length_mm), float(arm.angle)
        )
    return ArmShape(
        place.at("rack_fore_aft_mm"),
        place.at("arm_length_mm"),
        float(np.radians(place.at("arm_angle_deg"))),
    )


def _ideal(problem: Problem, arm: ArmShape, heights: Array) -> IdealLine:
    return ideal_line(
        problem.points,
        arm.fore_aft_mm,
        heights,
        arm.length_mm,
        arm.angle,
        ahead=problem.arm_ahead,
        travel_mm=problem.travel.grid(),
        attitude=problem.car.attitude,
        wanted=problem.steering.wanted_toe,
    )


def _square_arm(line: IdealLine, arms: Array, z: Array, y: Array) -> Array:
    """Arm heights whose line square to the path passes nearest to the inner joints (y, z)."""
    fit = line.joint.fit
    with np.errstate(invalid="ignore", divide="ignore"):
        slope = fit.line_direction[:, 2] / fit.line_direction[:, 1]
        at = fit.line_point[:, 2] + slope * (y[..., None] - fit.line_point[:, 1])
    miss = np.abs(at - z[..., None])
    return np.asarray(arms[np.argmin(np.where(np.isnan(miss), np.inf, miss), axis=-1)])


def _bump(found: RackHeights, arm: ArmShape, arm_height: Array, z: Array, y: Array) -> Array:
    """Bump steer in degrees for arm heights (...) and inner joints (y, z) that broadcast."""
    problem = found.problem
    z, y = np.broadcast_to(z, arm_height.shape), np.broadcast_to(y, arm_height.shape)
    outer = place_outer_joint(
        problem.points, arm.length_mm, arm_height, arm.angle, problem.arm_ahead
    )
    inner = np.stack([np.full(z.shape, arm.fore_aft_mm), y, z], axis=-1)
    bump = bump_steer(
        problem.points.with_tie_rod(outer, inner),
        problem.travel.grid(),
        problem.car.attitude,
        wanted=problem.steering.wanted_toe,
    )
    rms = problem.objectives.bump_steer == "rms"
    return np.degrees(bump.rms if rms else bump.largest)
