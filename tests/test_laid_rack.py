"""A rack laid into the car as one rigid body, against rotations composed by scipy."""

from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from packaging_case import RACK, problem
from scipy.spatial.transform import Rotation

from optimiser.base.errors import InputError
from optimiser.evaluation.clearance.pinion import pinion_housings
from optimiser.linkage.racks import bolt_direction, read_racks
from optimiser.metrics.laid_rack import (
    angle_in_car_deg,
    beside_bar,
    default_roll_deg,
    distance_to_boxes,
    facing_deg,
    feet_in_car,
    laid,
    own_feet,
    pinion_axis,
    tilt,
)

PLACEMENTS = list(product((False, True), (0.0, 63.0, 180.0, -117.0)))
"""As made and turned end for end, each at four rolls: eight ways of laying a rack."""
WHOLE = replace(
    RACK,
    pinion_angle_deg=38.0,
    pinion_lean_deg=14.0,
    pinion_bar_offset_mm=11.0,
    left_foot_along_mm=155.0,
    left_foot_forward_mm=-21.0,
    left_foot_up_mm=-34.0,
    right_foot_along_mm=-120.0,
    right_foot_forward_mm=-25.0,
    right_foot_up_mm=-30.0,
    foot_bolt="0.1 0 1",
)


def rotation(turned, roll_deg):
    """The mounting as scipy composes it: about the vertical, then about the bar, y.

    A right-handed turn about y, which points left, brings up forward; ours rearward is positive.
    """
    half_turn = Rotation.from_euler("z", 180.0 if turned else 0.0, degrees=True)
    return Rotation.from_euler("y", -roll_deg, degrees=True) * half_turn


@pytest.mark.parametrize(("turned", "roll_deg"), PLACEMENTS)
def test_feet_bolts_and_pinion_move_as_one_body(turned, roll_deg):
    roll, way = np.radians(roll_deg), rotation(turned, roll_deg)
    feet = feet_in_car(own_feet(WHOLE), turned, roll)
    left, right = way.apply([(-21.0, 155.0, -34.0), (-25.0, -120.0, -30.0)])
    np.testing.assert_allclose(feet, [right, left] if turned else [left, right], atol=1e-12)
    assert feet[0, 1] > 0.0 > feet[1, 1]
    bolt = laid(bolt_direction("0.1 0 1"), turned, roll)
    np.testing.assert_allclose(bolt, way.apply([0.1, 0.0, 1.0]), atol=1e-12)
    # The pinion's axis and how it misses the bar, by angles alone and by the whole rotation.
    own = pinion_axis(np.radians(38.0), np.radians(14.0))
    a, lean = np.radians([38.0, 14.0])
    expected = [-np.sin(a) * np.cos(lean), np.sin(lean), np.cos(a) * np.cos(lean)]
    np.testing.assert_allclose(own, expected, atol=1e-15)
    sign = -1.0 if turned else 1.0
    angle = np.radians(angle_in_car_deg(38.0, turned, roll_deg))
    np.testing.assert_allclose(pinion_axis(angle, sign * lean), way.apply(own), atol=1e-12)
    np.testing.assert_allclose(sign * beside_bar(angle), way.apply(beside_bar(a)), atol=1e-12)
    assert beside_bar(a) @ own == pytest.approx(0.0, abs=1e-15)


@pytest.mark.parametrize(("turned", "roll_deg"), PLACEMENTS)
def test_housing_of_clearance_is_that_of_the_body(turned, roll_deg):
    rack = replace(WHOLE, made_for="behind" if turned else "ahead")
    asked = problem(racks=(rack,))
    designs = asked.designs(0, {})
    given = {"arm_ahead": True, "drive_side": "left"}
    solved = asked.solve(designs)
    found = pinion_housings(designs, solved, (rack,), roll_deg=np.array([roll_deg]), **given)
    (part,) = found.sides(slice(None))
    way, middle = rotation(turned, roll_deg), np.array([95.0, 0.0, 215.0])
    start = np.array([0.0, 130.0, 0.0]) + 11.0 * beside_bar(np.radians(38.0))
    axis = pinion_axis(np.radians(38.0), np.radians(14.0))
    begin, end = middle + way.apply([start, start + 95.0 * axis])
    np.testing.assert_allclose(part[1][:, 0, 0], begin, atol=1e-9)
    np.testing.assert_allclose(part[2][:, 0, 0], end, atol=1e-9)
    # As if on the left, for the arms: the mirror image where it lies on the right.
    mirror = np.array([1.0, -1.0 if turned else 1.0, 1.0])
    _, near, far, _ = found.at_left(slice(None))
    np.testing.assert_allclose(near[:, 0, 0], begin * mirror, atol=1e-9)
    np.testing.assert_allclose(far[:, 0, 0], end * mirror, atol=1e-9)


def test_without_a_roll_the_pinion_keeps_its_angle():
    for turned in (False, True):
        roll = default_roll_deg(WHOLE, turned)
        assert angle_in_car_deg(38.0, turned, roll) == 38.0
    assert default_roll_deg(WHOLE, True) == 76.0
    assert default_roll_deg(replace(WHOLE, pinion_angle_deg=None), True) == 0.0
    assert default_roll_deg(WHOLE, None) == 0.0


@pytest.mark.parametrize(
    ("angle", "facing"), [(-45.0, -45.0), (135.0, 135.0), (300.0, -60.0), (-136.0, 224.0), (45, 45)]
)
def test_facing_is_the_angle_nearest_to_half_way_up_the_rear(angle, facing):
    assert facing_deg(angle) == pytest.approx(facing)


def test_tilt_is_to_the_nearest_axis():
    assert np.degrees(tilt((0.0, 0.0, -3.0))) == 0.0
    assert np.degrees(tilt((0.2, 0.0, 1.0))) == pytest.approx(np.degrees(np.arctan(0.2)))
    assert np.degrees(tilt((-1.0, 1.0, 0.0))) == pytest.approx(45.0)


def test_distance_to_the_nearest_box():
    low, high = np.array([[0.0, 0, 0], [10.0, 0, 0]]), np.array([[1.0, 1, 1], [11.0, 1, 1]])
    points = np.array([[0.5, 0.5, 0.5], [4.0, 5.0, 1.0], [8.0, 1.0, 1.0]])
    np.testing.assert_allclose(distance_to_boxes(points, low, high), [0.0, 5.0, 2.0])
    assert np.isinf(distance_to_boxes(points, low[:0], high[:0])).all()


# --- the catalogue -------------------------------------------------------------------------------

COLUMNS = "name,inner_joint_spacing_mm,travel_mm,left_foot_along_mm,right_foot_along_mm,foot_bolt\n"


def test_feet_and_bolts_of_the_catalogue(tmp_path):
    path = tmp_path / "racks.csv"
    path.write_text(COLUMNS + "A,500,120,150,-140,Up\nB,500,120,,,0 0.2 1\n", "utf-8")
    one, other = read_racks(path)
    assert bolt_direction(one.foot_bolt) == (0.0, 0.0, 1.0)
    assert bolt_direction(other.foot_bolt) == (0.0, 0.2, 1.0)
    assert np.isnan(own_feet(one)).all()  # not all of where they are is known


@pytest.mark.parametrize(
    ("row", "column", "said"),
    [
        ("A,500,120,150,-140,sideways", "foot_bolt", "is no direction"),
        ("A,500,120,150,-140,0 0 0", "foot_bolt", "is no direction"),
        ("A,500,120,-150,140,up", "left_foot_along_mm", "not to the left of"),
        ("A,500,120,1500,-140,up", "left_foot_along_mm", "is not between"),
    ],
)
def test_bad_feet_are_refused(tmp_path, row, column, said):
    path = tmp_path / "racks.csv"
    path.write_text(COLUMNS + row + "\n", "utf-8")
    with pytest.raises(InputError) as caught:
        read_racks(path)
    assert column in caught.value.where
    assert said in caught.value.problem
