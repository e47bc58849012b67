"""Everything a report says of one chosen design, or of the car as drawn."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from optimiser.evaluation.further import TWENTY
from optimiser.linkage.at_rack import RightPoses, solve_linkage, solve_right
from optimiser.linkage.mirror import across, mirrored_rack
from optimiser.metrics.kinematic import (
    Ackermann,
    BumpSteer,
    WheelAttitude,
    ackermann_error,
    ackermann_percentage,
    bump_steer,
    kingpin_track,
    rack_for_steer,
    roll_steer,
    wheel_attitude,
)
from optimiser.metrics.ride_heights import AtHeights, solve_heights, worst_height

if TYPE_CHECKING:
    from optimiser.evaluation.problem import Problem
    from optimiser.linkage.hardpoints import Hardpoints
    from optimiser.linkage.vectors import Array

REPORT_NODES = 24


@dataclass(frozen=True, slots=True)
class CornerNumbers:
    """Curves and numbers of one corner, whatever rack it has; angles in radians.

    Attributes:
        travel_mm: travel grid (P,).
        bump: bump steer with the rack at centre.
        part_lock: the same with the rack half way to the required lock, either way: the worse.
        ackermann: wheel angles to the required lock.
        wanted_outer: outer angles wanted, (n,).
        percentage_at_lock: inner-referenced Ackermann percentage at the required lock.
        percentage_at_20: the same at 20 deg at the inner wheel; NaN when lock is less.
        track_mm: between the steering axes at the ground.
        roll_steer: steer per roll.
        attitude: caster and the rest at rest.
        heights: at the car's other ride heights, a batch of one; None without them.
    """

    points: Hardpoints
    travel_mm: Array
    bump: BumpSteer
    part_lock: float
    ackermann: Ackermann
    wanted_outer: Array
    percentage_at_lock: float
    percentage_at_20: float
    track_mm: float
    roll_steer: float
    attitude: WheelAttitude
    heights: AtHeights | None


def corner_numbers(problem: Problem, points: Hardpoints) -> CornerNumbers:
    """Numbers of an unbatched corner for the study's travel, lock and Ackermann target."""
    car, steering = problem.car, problem.steering
    attitude, grid = car.attitude, problem.travel.grid()
    bump = bump_steer(points, grid, attitude, wanted=steering.wanted_toe)
    plain = replace(steering.wanted_toe, bands=())  # what is accepted of bump steer at centre
    ackermann = ackermann_error(
        points,
        attitude,
        wheelbase_mm=car.wheelbase_mm,
        inner_lock=steering.inner_lock,
        target=steering.ackermann_target,
        nodes=REPORT_NODES,
    )
    half = 0.5 * float(ackermann.rack_at_lock_mm)
    turned = [
        bump_steer(points, grid, attitude, rack_mm=r, wanted=plain)
        for r in (half, mirrored_rack(half))
    ]
    part_lock = [float(one.largest) for one in turned]
    track = float(kingpin_track(points, attitude))
    rest = solve_linkage(points, 0.0, 0.0, attitude)
    wheel = wheel_attitude(rest, attitude.loaded_radius_mm)
    at_20 = np.nan
    if steering.inner_lock >= TWENTY:
        rack = float(rack_for_steer(points, TWENTY, attitude))
        right = solve_right(points, 0.0, rack, attitude)
        outer = float(right.steer) - float(RightPoses(rest).steer)
        at_20 = float(ackermann_percentage(TWENTY, outer, track, car.wheelbase_mm))
    return CornerNumbers(
        points=points,
        travel_mm=grid,
        bump=bump,
        part_lock=max(part_lock) if np.isfinite(part_lock).all() else float("nan"),
        ackermann=ackermann,
        wanted_outer=ackermann.outer - ackermann.error,
        percentage_at_lock=float(
            ackermann_percentage(ackermann.inner[-1], ackermann.outer[-1], track, car.wheelbase_mm)
        ),
        percentage_at_20=at_20,
        track_mm=track,
        roll_steer=float(roll_steer(bump.gradient, across(wheel.contact))),
        attitude=wheel,
        heights=_at_heights(problem, points, bump, turned, ackermann.rack_at_lock_mm),
    )


def _at_heights(
    problem: Problem,
    points: Hardpoints,
    bump: BumpSteer,
    turned: list[BumpSteer],
    rack_at_lock_mm: Array,
) -> AtHeights | None:
    car, asked = problem.car, problem.steering.acceptable_part_lock is not None
    if not car.ride_heights_mm:
        return None
    part_lock = np.stack([one.departure for one in turned])[None] if asked else None
    return solve_heights(
        points.with_pose_axes(1),
        car.attitude,
        car.ride_heights_mm,
        problem.travel.grid(),
        bump.departure[None],
        part_lock,
        np.atleast_1d(rack_at_lock_mm),
        wheelbase_mm=car.wheelbase_mm,
        target=problem.steering.ackermann_target,
        wanted=problem.steering.wanted_toe,
    )


def corner_values(numbers: CornerNumbers) -> dict[str, float]:
    """Numbers of one corner by the names of `quantities.shown("corner")`, in their units.

    Those of other ride heights are there where the study has some.
    """
    heights = {} if numbers.heights is None else worst_height(numbers.heights)
    attitude, bump, ackermann = numbers.attitude, numbers.bump, numbers.ackermann
    return {
        "bump_steer_deg": float(np.degrees(bump.largest)),
        "bump_steer_rms_deg": float(np.degrees(bump.rms)),
        "bump_gradient_deg_per_m": float(np.degrees(bump.gradient)) * 1000.0,
        "part_lock_bump_steer_deg": float(np.degrees(numbers.part_lock)),
        "roll_steer_deg_per_deg": numbers.roll_steer,
        "ackermann_error_deg": float(np.degrees(ackermann.largest)),
        "ackermann_error_rms_deg": float(np.degrees(ackermann.rms)),
        "ackermann_at_lock_percent": numbers.percentage_at_lock,
        "ackermann_at_20_percent": numbers.percentage_at_20,
        "rack_needed_mm": float(abs(ackermann.rack_at_lock_mm)),
        "kingpin_track_mm": numbers.track_mm,
        "caster_deg": float(np.degrees(attitude.caster)),
        "kingpin_inclination_deg": float(np.degrees(attitude.kingpin_inclination)),
        "scrub_radius_mm": float(attitude.scrub_radius_mm),
        "trail_mm": float(attitude.trail_mm),
        **{name: float(value[0]) for name, value in heights.items()},
    }
