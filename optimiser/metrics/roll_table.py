"""The table of both wheels over rack displacement and roll of the body, in body axes."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from optimiser.linkage.at_rack import solve_linkage, solve_right
from optimiser.linkage.mirror import across
from optimiser.metrics.kinematic import wheel_attitude

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike

    from optimiser.linkage.attitude import Attitude
    from optimiser.linkage.hardpoints import Hardpoints
    from optimiser.linkage.vectors import Array

COLUMNS = (
    "roll_deg",
    "rack_mm",
    "left_travel_mm",
    "right_travel_mm",
    "feasible",
    "left_steer_deg",
    "right_steer_deg",
    "mean_steer_deg",
    "difference_deg",
    "mean_change_deg",
    "difference_change_deg",
)


def roll_travel_mm(points: Hardpoints, attitude: Attitude, roll_deg: ArrayLike) -> Array:
    """Wheel travel of the left side, (...) like `roll_deg`; the right has the opposite.

    The body rolls about the middle between the contact points; ISO 8855 has roll positive where
    the left side goes up, so that its wheel droops by half the track times the tangent of it.
    """
    rest = solve_linkage(points, 0.0, 0.0, attitude)
    track = across(wheel_attitude(rest, attitude.loaded_radius_mm).contact)
    return np.asarray(0.5 * track * np.tan(np.radians(np.negative(roll_deg))))


def both_ways(roll_deg: Sequence[float]) -> Array:
    """Angles to either side, and the car upright, from the least to the greatest."""
    angles = np.asarray(sorted(roll_deg), float)
    return np.concatenate([-angles[::-1], [0.0], angles])


def roll_table(
    points: Hardpoints, rack_mm: Array, roll_deg: Array, attitude: Attitude
) -> dict[str, Array]:
    """Columns of `COLUMNS` over every pair of rack (R,) and roll (K,), rack slowest.

    Steer angles are about the body's own vertical, positive to the left for both wheels. The mean
    is where the axle steers; the difference, left less right, is negative for toe-in. What roll
    makes of the two is their change against the car upright, `roll_deg` 0, which it must hold, with
    the rack in the same place. Poses that do not exist are NaN with `feasible` False.
    """
    rack, angle = (
        np.asarray(value, float)
        for value in np.broadcast_arrays(rack_mm[:, None], roll_deg[None, :])
    )
    travel = roll_travel_mm(points, attitude, angle)
    left = solve_linkage(points, travel, rack, attitude).steer
    right = solve_right(points, -travel, rack, attitude).steer
    mean, difference = 0.5 * (left + right), left - right
    upright = int(np.flatnonzero(roll_deg == 0.0)[0])
    columns = (
        angle,
        rack,
        travel + 0.0,  # no zero with a sign
        -travel + 0.0,
        np.isfinite(mean),
        *(np.degrees(value) for value in (left, right, mean, difference)),
        *(np.degrees(value - value[:, upright : upright + 1]) for value in (mean, difference)),
    )
    return {name: np.ravel(column) for name, column in zip(COLUMNS, columns, strict=True)}
