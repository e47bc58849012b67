"""The two referees against each other, and against what is known without either.

They share the order in which poses are visited and the reading of angles, not the
mathematics: one is a general-purpose multibody library, the other six distance
equations for Newton's steps and scipy.  Reached on these corners: steer within 1e-12 deg, camber
within 4e-13 deg, outer joint within 1e-12 mm, and the same poses refused.
"""

from __future__ import annotations

import numpy as np
import pytest
from references import corners
from references.answers import REFEREES, answer, grid

AGREEMENT_DEG = 1e-10
AGREEMENT_MM = 1e-10

both_referees = pytest.mark.parametrize("referee", REFEREES)
every_corner = pytest.mark.parametrize("corner", corners.CORNERS)


@every_corner
def test_referees_agree_on_every_pose(corner: str) -> None:
    first, second = answer("multibody", corner), answer("constraints", corner)
    np.testing.assert_array_equal(first["feasible"], second["feasible"])
    there = first["feasible"]
    assert there.sum() > there.size / 2
    for angle in ("steer_deg", "toe_in_deg", "camber_deg"):
        np.testing.assert_allclose(
            first[angle][there], second[angle][there], rtol=0.0, atol=AGREEMENT_DEG
        )
    for point in ("outer_joint", "wheel_centre"):
        np.testing.assert_allclose(
            first[point][there], second[point][there], rtol=0.0, atol=AGREEMENT_MM
        )


@every_corner
@both_referees
def test_a_pose_keeps_every_length_and_the_travel(referee: str, corner: str) -> None:
    said, points = answer(referee, corner), corners.points_of(corner)
    travel, rack = grid(corner)
    shape = said["feasible"].shape

    def carried(name: str) -> np.ndarray:
        """A point of the upright, moved by the pose."""
        return said["wheel_centre"] + said["rotation"] @ (points[name] - points["wheel_centre"])

    inner = np.broadcast_to(points["inner_joint"], (*shape, 3)).copy()
    inner[..., 1] += rack
    links = [("outer_joint", "inner_joint", inner)]
    for arm in ("lower", "upper"):
        for pivot in (f"{arm}_front_pivot", f"{arm}_rear_pivot"):
            links.append((f"{arm}_ball_joint", pivot, points[pivot]))
    there = said["feasible"]
    for moving, fixed, at in links:
        length = np.linalg.norm(carried(moving) - at, axis=-1)
        built = np.linalg.norm(points[moving] - points[fixed])
        np.testing.assert_allclose(length[there], built, rtol=0.0, atol=AGREEMENT_MM)
    height = said["wheel_centre"][..., 2] - points["wheel_centre"][2]
    asked = np.broadcast_to(travel[:, None], shape)
    np.testing.assert_allclose(height[there], asked[there], rtol=0.0, atol=AGREEMENT_MM)
    np.testing.assert_allclose(carried("outer_joint"), said["outer_joint"], rtol=0.0, atol=1e-12)


@every_corner
@both_referees
def test_rest_has_the_static_angles_and_the_wheel_turns_the_right_way(
    referee: str, corner: str
) -> None:
    said, built = answer(referee, corner), corners.CORNERS[corner]
    travel, rack = grid(corner)
    rest = int(np.argmin(np.abs(travel))), int(np.argmin(np.abs(rack)))
    assert said["toe_in_deg"][rest] == pytest.approx(built["static_toe_in_deg"], abs=1e-12)
    assert said["camber_deg"][rest] == pytest.approx(built["static_camber_deg"], abs=1e-12)
    # a rack moved to the left pushes the front of the wheel outboard when the outer joint is
    # ahead of the steering axis: that is to the left, positive; behind it, the other way
    ahead = built["points"]["outer_joint"][0] > 0.0
    turn = said["steer_deg"][rest[0], rest[1] + 1] - said["steer_deg"][rest]
    assert (turn > 0.0) == ahead


@both_referees
def test_parallel_equal_links_never_change_toe(referee: str) -> None:
    # geometry: arms and tie rod are the same vector, so the upright only shifts
    said = answer(referee, "parallel equal arms")
    centre = said["toe_in_deg"][:, np.argmin(np.abs(grid("parallel equal arms")[1]))]
    np.testing.assert_allclose(centre, 0.1, rtol=0.0, atol=1e-11)


def test_the_corners_that_should_run_out_do() -> None:
    for corner in corners.CORNERS:
        runs_out = corner in ("toggle", "toggle ahead", "short of travel")
        assert answer("multibody", corner)["feasible"].all() != runs_out, corner


def vertical_axis_corner() -> dict[str, np.ndarray]:
    """Steering axis upright and tie rod level, so that steering at rest is plane geometry.

    A  steering axis, seen from above           x
    |                                           ^
    O------- rod -------I  on the rack     y <--+     A-O the arm, O and I the joints
    """
    points = corners.points_of("parallel equal arms")
    points["upper_ball_joint"] = np.array([0.0, 630.0, 360.0])
    points["outer_joint"] = np.array([-75.0, 612.0, 225.0])
    points["inner_joint"] = np.array([-92.0, 301.0, 225.0])
    return points


def plane_steer_deg(points: dict[str, np.ndarray], rack: np.ndarray) -> np.ndarray:
    """Steer by the law of cosines in plan view; NaN beyond the toggle."""
    axis = points["lower_ball_joint"][:2]
    outer, inner = points["outer_joint"][:2] - axis, points["inner_joint"][:2] - axis
    arm, rod = np.linalg.norm(outer), np.linalg.norm(outer - inner)
    moved = inner + np.stack([np.zeros_like(rack), rack], axis=-1)
    reach = np.linalg.norm(moved, axis=-1)
    with np.errstate(invalid="ignore"):
        between = np.arccos((arm**2 + reach**2 - rod**2) / (2.0 * arm * reach))
    bearing = np.arctan2(moved[:, 1], moved[:, 0])
    rest_bearing = np.arctan2(outer[1], outer[0])
    # the side of the line to the inner joint on which the arm lies at rest
    side = np.sign(np.cross(np.array([*inner, 0.0]), np.array([*outer, 0.0]))[2])
    turn = bearing + side * between - rest_bearing
    return np.degrees(np.arctan2(np.sin(turn), np.cos(turn)))


@both_referees
def test_vertical_steering_axis_against_the_law_of_cosines(referee: str) -> None:
    points = vertical_axis_corner()
    rack = np.linspace(-60.0, 60.0, 49)
    expected = plane_steer_deg(points, rack)
    said = REFEREES[referee](points, np.array([0.0, 1.0, 0.0]), np.zeros(1), rack)
    there = np.isfinite(expected)
    assert there.any()
    assert not there.all()
    np.testing.assert_array_equal(said["feasible"][0], there)
    np.testing.assert_allclose(said["steer_deg"][0][there], expected[there], rtol=0, atol=1e-10)


@both_referees
def test_poses_are_refused_from_the_toggle_on_and_not_before(referee: str) -> None:
    # arm and rod in line, in plan view: the inner joint is arm + rod away from the axis
    points = vertical_axis_corner()
    axis = points["lower_ball_joint"][:2]
    outer, inner = points["outer_joint"][:2] - axis, points["inner_joint"][:2] - axis
    longest = np.linalg.norm(outer) + np.linalg.norm(outer - inner)
    toggle = -np.sqrt(longest**2 - inner[0] ** 2) - inner[1]
    rack = np.array([toggle - 1.0, toggle - 1e-3, toggle + 1e-3, toggle + 1.0, 0.0])
    said = REFEREES[referee](points, np.array([0.0, 1.0, 0.0]), np.zeros(1), np.sort(rack))
    np.testing.assert_array_equal(said["feasible"][0], [False, False, True, True, True])


@both_referees
def test_a_grid_away_from_anything_that_exists_is_an_error(referee: str) -> None:
    points = corners.points_of("toggle")
    with pytest.raises(ValueError, match="pose near rest"):
        REFEREES[referee](points, np.array([0.0, 1.0, 0.0]), np.zeros(1), np.array([-150.0]))
