"""The table of poses that `optimiser curves` writes, of the left wheel in body axes."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from optimiser.linkage.at_rack import solve_linkage
from optimiser.metrics.kinematic import wheel_attitude

if TYPE_CHECKING:
    from optimiser.linkage.attitude import Attitude
    from optimiser.linkage.hardpoints import Hardpoints
    from optimiser.linkage.vectors import Array

COLUMNS = (
    "travel_mm",
    "rack_mm",
    "feasible",
    "toe_in_deg",
    "steer_deg",
    "camber_deg",
    "caster_deg",
    "kingpin_inclination_deg",
    "scrub_radius_mm",
    "trail_mm",
    "outer_x_mm",
    "outer_y_mm",
    "outer_z_mm",
)


def pose_table(
    points: Hardpoints,
    travel_mm: Array,
    rack_mm: Array,
    attitude: Attitude,
) -> dict[str, Array]:
    """Columns of `COLUMNS` over every pair of travel (P,) and rack (R,), travel slowest.

    Scrub radius and trail are in the wheel's own axes, across and along its heading. Poses that
    do not exist are NaN with `feasible` False.
    """
    travel, rack = (
        np.asarray(value, float).ravel()
        for value in np.broadcast_arrays(travel_mm[:, None], rack_mm[None, :])
    )
    poses = solve_linkage(points, travel, rack, attitude)
    wheel = wheel_attitude(poses, attitude.loaded_radius_mm)
    columns = (
        travel,
        rack,
        poses.exists,
        -np.degrees(poses.steer),
        np.degrees(poses.steer),
        np.degrees(poses.camber),
        np.degrees(wheel.caster),
        np.degrees(wheel.kingpin_inclination),
        wheel.scrub_radius_mm,
        wheel.trail_mm,
        *np.moveaxis(poses.outer_joint, -1, 0),
    )
    return dict(zip(COLUMNS, columns, strict=True))
