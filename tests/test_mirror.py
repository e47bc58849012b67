"""The right side of the car against a referee that solves the real right corner, unmirrored."""

import ast

import numpy as np
import pytest
from references import constraints
from references.corners import CORNERS, points_of, spin_axis_of
from small_study import ROOT

from optimiser.linkage.at_rack import RightPoses, solve_linkage, solve_right
from optimiser.linkage.attitude import Attitude
from optimiser.linkage.hardpoints import RIGHT_PREFIX, Hardpoints
from optimiser.linkage.mirror import across, mirrored, mirrored_rack, mirrored_steer

WHOLE = ["front steer", "rear steer", "large caster"]
TRAVEL, RACK = np.linspace(-40.0, 40.0, 5), np.array([-30.0, -8.0, 0.0, 11.0, 30.0])
FLIP = np.array([1.0, -1.0, 1.0])


def corner(name):
    toe, camber = (CORNERS[name][f"static_{angle}_deg"] for angle in ("toe_in", "camber"))
    attitude = Attitude(np.radians(toe), np.radians(camber))
    return Hardpoints.from_mapping(points_of(name)), attitude


@pytest.mark.parametrize("name", WHOLE)
def test_the_right_corner_is_what_distances_alone_make_of_the_real_one(name):
    points, attitude = corner(name)
    right = {point: at * FLIP for point, at in points_of(name).items()}
    # The referee's spin axis points to the left on both sides, as ISO 8855 measures steer.
    said = constraints.solve_corner(right, -spin_axis_of(name) * FLIP, TRAVEL, RACK)
    ours = solve_right(points, TRAVEL[:, None], RACK, attitude)
    np.testing.assert_allclose(np.degrees(ours.steer), said["steer_deg"], rtol=0, atol=1e-9)
    np.testing.assert_allclose(ours.outer_joint, said["outer_joint"], rtol=0, atol=1e-9)
    # The bar carries both inner joints the same way.
    np.testing.assert_allclose(
        ours.inner_joint[..., 1] + points.inner_joint[1], np.broadcast_to(RACK, (5, 5)), atol=1e-9
    )


@pytest.mark.parametrize("name", WHOLE)
def test_its_steer_per_rack_is_the_slope_of_its_steer(name):
    points, attitude = corner(name)
    up, here, down = (solve_right(points, 10.0, RACK + step, attitude) for step in (1e-3, 0, -1e-3))
    np.testing.assert_allclose((up.steer - down.steer) / 2e-3, here.steer_per_rack, rtol=1e-6)


def test_an_even_sweep_holds_the_right_side_in_reverse():
    points, attitude = corner("front steer")
    rack = np.linspace(-33.0, 33.0, 49)
    left = solve_linkage(points, 5.0, rack, attitude)
    right = RightPoses.of_even_sweep(left)
    np.testing.assert_array_equal(right.steer, -left.steer[::-1])  # to the last bit
    alone = solve_right(points, 5.0, rack, attitude)
    np.testing.assert_allclose(right.steer, alone.steer, rtol=0, atol=1e-13)
    np.testing.assert_allclose(right.steer_per_rack, alone.steer_per_rack, rtol=0, atol=1e-13)
    np.testing.assert_allclose(right.outer_joint, alone.outer_joint, rtol=0, atol=1e-10)


def test_the_image_of_an_image_is_the_thing_itself():
    points, _ = corner("rear steer")
    for name, at in points.mirrored().mirrored().items():
        np.testing.assert_array_equal(at, getattr(points, name))
    assert mirrored([3.0, 4.0, -5.0]).tolist() == [3.0, -4.0, -5.0]
    assert mirrored_rack(mirrored_rack(7.5)) == 7.5
    assert mirrored_steer([0.1, -0.2]).tolist() == [-0.1, 0.2]
    assert across(np.array([[0.0, 310.0, 1.0], [5.0, -2.0, 0.0]])).tolist() == [620.0, -4.0]


def test_both_sides_have_the_names_of_files():
    points, _ = corner("front steer")
    (left_name, left), (right_name, right) = points.both_sides()
    assert (left_name, right_name) == ("", RIGHT_PREFIX)
    assert left is points
    np.testing.assert_array_equal(right.outer_joint, points.outer_joint * FLIP)


def test_nothing_else_of_the_package_flips_a_side():
    """(1, -1, 1), by which points are mirrored, is written in one module."""

    def flips(source):
        for node in ast.walk(ast.parse(source)):
            if isinstance(node, ast.List | ast.Tuple):
                try:
                    values = ast.literal_eval(node)
                except ValueError:
                    continue
                if list(values) == [1.0, -1.0, 1.0]:
                    return True
        return False

    found = [
        p.name for p in sorted((ROOT / "optimiser").rglob("*.py")) if flips(p.read_text("utf-8"))
    ]
    assert found == ["mirror.py"]
