"""Both wheels over rack position and roll: against a referee, roll steer, and what is printed."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from drawn_case import chosen_of
from references import constraints, corners
from search_cases import case

from optimiser.answer.corner_numbers import corner_numbers
from optimiser.metrics.roll_table import COLUMNS, both_ways, roll_table
from optimiser.report.ride_and_roll import roll_rows


def table_of(asked, rack, roll):
    table = roll_table(asked.points, np.array(rack), np.array(roll), asked.car.attitude)
    assert tuple(table) == COLUMNS
    shape = len(rack), len(roll)
    return SimpleNamespace(**{name: column.reshape(shape) for name, column in table.items()})


@pytest.mark.parametrize("corner", ["front steer", "rear steer"])
def test_both_wheels_are_where_the_referee_has_them(corner):
    """The distance-equation referee; its right wheel is a left one in the mirror, by hand."""
    asked, rack, roll = case(corner), np.array([-20.0, 0.0, 20.0]), np.array([-2.5, 0.0, 2.5])
    found = table_of(asked, rack, roll)
    travel = found.left_travel_mm[0]
    said = constraints.solve_corner(
        corners.points_of(corner), corners.spin_axis_of(corner), np.sort(travel), rack
    )
    steer = said["steer_deg"][np.searchsorted(np.sort(travel), travel)]
    left = steer.T
    # The right wheel has the travel of the left one in the opposite roll, and rack and steer turn
    # round in the mirror.
    right = -left[::-1, ::-1]
    for column, value in (
        (found.left_steer_deg, left),
        (found.right_steer_deg, right),
        (found.mean_steer_deg, 0.5 * (left + right)),
        (found.difference_deg, left - right),
        (found.mean_change_deg, 0.5 * (left + right) - (0.5 * (left + right))[:, 1:2]),
        (found.difference_change_deg, left - right - (left - right)[:, 1:2]),
    ):
        np.testing.assert_allclose(column, value, atol=1e-8)
    # Half the track of a wheel that stands 285 mm high, a degree of camber moves it by 5 mm.
    half = corners.points_of(corner)["wheel_centre"][1]
    np.testing.assert_allclose(travel, -half * np.tan(np.radians(roll)), atol=0.3)
    assert found.feasible.all()


def test_a_little_roll_is_the_roll_steer_of_the_corner():
    asked = case("front steer")
    found = table_of(asked, [0.0], [-0.01, 0.0, 0.01])
    rate = (found.mean_steer_deg[0, 2] - found.mean_steer_deg[0, 0]) / 0.02
    assert rate == pytest.approx(corner_numbers(asked, asked.points).roll_steer, rel=1e-5)
    assert abs(rate) > 1e-3


def test_upright_and_straight_ahead_there_is_static_toe_and_nothing_else():
    asked = case("rear steer")
    found = table_of(asked, [0.0], both_ways((1.0, 2.0)))
    toe_in = np.degrees(asked.car.attitude.toe_in)
    assert found.roll_deg.tolist() == [[-2.0, -1.0, 0.0, 1.0, 2.0]]
    assert found.mean_steer_deg[0, 2] == pytest.approx(0.0, abs=1e-12)
    assert found.difference_deg[0, 2] == pytest.approx(-2.0 * toe_in, abs=1e-9)
    # The car is symmetrical: rolled the other way the axle steers the other way.
    np.testing.assert_allclose(found.mean_steer_deg[0], -found.mean_steer_deg[0, ::-1], atol=1e-10)


def test_a_pose_that_is_not_there_is_marked():
    found = table_of(case("front steer"), [0.0, 300.0], [0.0, 1.0])
    assert found.feasible.tolist() == [[True, True], [False, False]]
    assert np.isnan(found.mean_steer_deg[1]).all()


def test_the_report_has_a_row_for_each_position_and_roll():
    asked = case("front steer")
    asked = replace(asked, car=replace(asked.car, roll_angles_deg=(2.0, 1.0)))
    rows = roll_rows(chosen_of(asked))
    assert [row[1] for row in rows[:5]] == ["−2", "−1", "0", "+1", "+2"]
    assert [row[0] for row in rows[::5]] == [
        "at centre",
        "half way to lock",
        "at the required lock",
    ]
    # The left wheel is the inner one: at lock it is there, but for the 0.1 deg of static toe-in.
    assert float(rows[12][2]) == pytest.approx(32.0 - 0.1, abs=1e-3)
    assert not roll_rows(chosen_of(case("front steer")))
