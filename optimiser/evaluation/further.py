"""Numbers of designs that are computed only where a limit or an objective asks for them.

All are known to the report for one design (`answer.corner_numbers`, `answer.design_numbers`); here
they are of a batch, by the same functions.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from optimiser.linkage.at_rack import RightPoses, solve_right
from optimiser.linkage.mirror import across
from optimiser.metrics.gearing import GEARING_NODES, gearing
from optimiser.metrics.kinematic import (
    ackermann_percentage,
    rack_for_steer,
    roll_steer,
    wheel_attitude,
)

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from optimiser.evaluation.asked import Car
    from optimiser.evaluation.designs import Designs
    from optimiser.evaluation.solved import Solved
    from optimiser.linkage.racks import Rack
    from optimiser.linkage.vectors import Array
    from optimiser.metrics.gearing import Column

TWENTY = float(np.radians(20.0))
GEARING = (
    "inner_lock_reached_deg",
    "outer_lock_reached_deg",
    "turning_circle_m",
    "turns_lock_to_lock",
    "overall_ratio_at_centre",
    "overall_ratio_mean",
    "overall_ratio_spread",
)
AT_REST = (
    "caster_deg",
    "kingpin_inclination_deg",
    "scrub_radius_mm",
    "trail_mm",
    "roll_steer_deg_per_deg",
)
PERCENTAGES = ("ackermann_at_lock_percent", "ackermann_at_20_percent")


def further_metrics(
    names: Collection[str],
    designs: Designs,
    solved: Solved,
    racks: Sequence[Rack],
    car: Car,
    column: Column | None = None,
) -> dict[str, Array]:
    """Those of `names` that are found here, (N,) each; NaN where a pose does not exist.

    `column` as in `metrics.gearing`.
    """
    found: dict[str, Array] = {}
    if any(name in names for name in GEARING):
        found |= _geared(designs, solved, racks, car, column, whole="overall_ratio_spread" in names)
    if any(name in names for name in AT_REST):
        found |= _at_rest(solved, car)
    if any(name in names for name in PERCENTAGES):
        found |= _percentages(solved, car, at_20=PERCENTAGES[1] in names)
    return {name: found[name] for name in found if name in names}


def _geared(
    designs: Designs,
    solved: Solved,
    racks: Sequence[Rack],
    car: Car,
    column: Column | None,
    *,
    whole: bool,
) -> dict[str, Array]:
    """Where the rack or the stops end; the ratio on the way there is solved for if `whole`."""
    per_turn = [rack.travel_per_turn_mm for rack in racks]
    known = np.array([np.nan if value is None else value for value in per_turn])[designs.rack]
    geared = gearing(
        solved.points,
        car.attitude,
        solved.steering_end_mm,
        known,
        wheelbase_mm=car.wheelbase_mm,
        tyre_width_mm=car.tyre_width_mm or 0.0,
        nodes=GEARING_NODES if whole else 1,
        column=column,
    )
    return {
        "inner_lock_reached_deg": np.degrees(geared.inner_at_end),
        "outer_lock_reached_deg": np.degrees(geared.outer_at_end),
        "turning_circle_m": geared.turning_diameter_mm / 1000.0,
        "turns_lock_to_lock": geared.turns,
        "overall_ratio_at_centre": geared.ratio_at_centre,
        "overall_ratio_mean": geared.ratio_mean,
        "overall_ratio_spread": geared.ratio_spread,
    }


def _at_rest(solved: Solved, car: Car) -> dict[str, Array]:
    """Attitude of the wheel at rest; the arms move at most as a whole, so that much stays."""
    wheel = wheel_attitude(solved.rest, car.attitude.loaded_radius_mm)
    return {
        "caster_deg": np.degrees(wheel.caster[:, 0]),
        "kingpin_inclination_deg": np.degrees(wheel.kingpin_inclination[:, 0]),
        "scrub_radius_mm": wheel.scrub_radius_mm[:, 0],
        "trail_mm": wheel.trail_mm[:, 0],
        "roll_steer_deg_per_deg": roll_steer(solved.bump.gradient, across(wheel.contact[:, 0])),
    }


def _percentages(solved: Solved, car: Car, *, at_20: bool) -> dict[str, Array]:
    """Ackermann percentages, inner-referenced, see `metrics.kinematic.ackermann_percentage`."""
    angles, wheelbase = solved.ackermann, car.wheelbase_mm
    inner, outer = angles.inner[:, -1], angles.outer[:, -1]
    found = {
        PERCENTAGES[0]: ackermann_percentage(inner, outer, solved.track_mm, wheelbase),
    }
    if at_20:
        count = len(inner)
        rack = rack_for_steer(solved.points, np.full(count, TWENTY), car.attitude)
        right = solve_right(
            solved.points.with_pose_axes(1), 0.0, rack[:, None], car.attitude.with_pose_axes(1)
        )
        turned = right.steer[:, 0] - RightPoses(solved.rest).steer[:, 0]
        found[PERCENTAGES[1]] = ackermann_percentage(TWENTY, turned, solved.track_mm, wheelbase)
    return found
