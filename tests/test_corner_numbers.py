"""Numbers of one corner for the report, against the car that they speak of."""

from __future__ import annotations

import pytest
from scipy.optimize import brentq
from search_cases import case

from optimiser.answer.corner_numbers import corner_numbers
from optimiser.linkage.at_rack import solve_linkage
from optimiser.metrics.kinematic import wheel_attitude


@pytest.mark.parametrize("name", ["front steer", "rear steer", "large caster"])
def test_roll_steer_is_of_a_body_that_rolls_on_its_contact_points(name):
    """The wheels go to where both stand on a road that is tilted by the angle of roll.

    The rack stays in the middle of the car. The right wheel is the mirror image of the left.
    """
    asked = case(name)
    points, attitude, roll = asked.points, asked.car.attitude, 1e-4

    def contact(travel_mm):
        poses = solve_linkage(points, travel_mm, 0.0, attitude)
        return wheel_attitude(poses, attitude.loaded_radius_mm).contact

    def tilt(travel_mm):
        left, right = contact(-travel_mm), contact(travel_mm)
        return (right[2] - left[2]) / (left[1] + right[1]) - roll

    travel = brentq(tilt, 0.0, 1.0, xtol=1e-12)
    rest, left, right = solve_linkage(points, [0.0, -travel, travel], 0.0, attitude).steer
    # Half a track on either side counts as the road's tilt; the steer is the mean of the wheels.
    mean = 0.5 * ((left - rest) - (right - rest)) / roll
    found = corner_numbers(asked, points)
    assert found.roll_steer == pytest.approx(mean, rel=1e-2)
    # The steering axes meet the ground closer together, which is another number.
    wide = 2.0 * float(contact(0.0)[1])
    assert wide / found.track_mm > 1.02
