"""Bump steer, Ackermann, gearing and wheel attitude against outside values and hand geometry.

Each outside value names its source; 'recomputed' is arithmetic that anyone can redo from the
formula beside it. The corners are invented.
"""

from __future__ import annotations

import numpy as np
import pytest
from references.corners import CORNERS, points_of
from scipy.optimize import brentq

from optimiser.linkage.at_rack import place_outer_joint, solve_linkage
from optimiser.linkage.attitude import STRAIGHT, Attitude
from optimiser.linkage.hardpoints import Hardpoints
from optimiser.metrics import kinematic as metrics


def cot(degrees: float) -> float:
    return 1.0 / np.tan(np.radians(degrees))


def planar(
    arm_mm: float = 350.0,
    rod_mm: float = 300.0,
    steering_arm_mm: float = -120.0,
    rise_mm: float = 0.0,
) -> Hardpoints:
    """Vertical steering axis on parallel, equal, level arms, and a tie rod square to the car.

    `steering_arm_mm` is negative behind the axle; `rise_mm` lifts the inner joint.
    """
    y = 640.0
    return Hardpoints.from_mapping(
        {
            "lower_front_pivot": (130.0, y - arm_mm, 160.0),
            "lower_rear_pivot": (-130.0, y - arm_mm, 160.0),
            "lower_ball_joint": (0.0, y, 160.0),
            "upper_front_pivot": (110.0, y - arm_mm, 390.0),
            "upper_rear_pivot": (-110.0, y - arm_mm, 390.0),
            "upper_ball_joint": (0.0, y, 390.0),
            "wheel_centre": (0.0, 690.0, 275.0),
            "outer_joint": (steering_arm_mm, y, 230.0),
            "inner_joint": (steering_arm_mm, y - rod_mm, 230.0 + rise_mm),
        }
    )


def corner(name: str) -> Hardpoints:
    return Hardpoints.from_mapping(points_of(name))


# --- Ackermann and turning -----------------------------------------------------------------------


def test_outer_angle_of_pure_rolling():
    # Recomputed from cot d_o = cot d_i + t / l with t / l = 0.6.
    assert np.degrees(metrics.ideal_outer(np.radians(20.0), 0.6, 1.0)) == pytest.approx(
        16.633, abs=5e-4
    )


@pytest.mark.parametrize(
    ("track", "wheelbase", "inner_deg"),
    [(40.0, 80.0, 23.986), (60.0, 100.0, 24.970), (94.0, 80.0, 32.454)],
)
def test_table_of_inner_angles_for_20_degrees(track, wheelbase, inner_deg):
    # Recomputed from cot d_i = cot 20 deg - t / l: 2.2475, 2.1475 and 1.5725.
    inner = metrics.inner_for_outer(np.radians(20.0), track, wheelbase)
    assert np.degrees(inner) == pytest.approx(inner_deg, abs=5e-4)


def test_textbook_example_in_inches():
    # Jazar, Vehicle Dynamics, chapter on steering: value from memory.
    outer = metrics.ideal_outer(np.radians(12.0), 61.6, 103.1)
    assert np.degrees(outer) == pytest.approx(10.681, abs=5e-4)


def test_ideal_outer_is_exact_at_zero_and_solves_the_cotangent_rule():
    assert metrics.ideal_outer(0.0, 1400.0, 2500.0) == 0.0
    inner = np.radians(np.array([1e-3, 1.0, 20.0, 45.0]))
    outer = metrics.ideal_outer(inner, 1400.0, 2500.0)
    np.testing.assert_allclose(1.0 / np.tan(outer) - 1.0 / np.tan(inner), 0.56, rtol=1e-8)


def test_turning_circle():
    # SAE J695 (read): wheelbase 2500, steering axes 1400 apart at the ground, offset 25 mm, outer
    # 30 deg.
    diameter = metrics.turning_diameter(np.radians(30.0), 2500.0, 25.0)
    assert diameter == pytest.approx(10_050.0, abs=1e-9)
    inner = metrics.inner_for_outer(np.radians(30.0), 1400.0, 2500.0)
    assert np.degrees(inner) == pytest.approx(40.471, abs=5e-4)
    assert np.degrees(metrics.outer_for_diameter(10_050.0, 2500.0, 25.0)) == pytest.approx(30.0)


def test_turning_circle_too_small_or_angle_too_large_is_nan():
    assert np.isnan(metrics.outer_for_diameter(5_000.0, 2500.0, 25.0))
    assert np.isnan(metrics.inner_for_outer(np.radians(62.0), 1400.0, 2500.0))


def test_three_definitions_of_the_percentage_differ_and_ours_is_inner_referenced():
    # Recomputed: l 2.5 m, t 1.4 m, inner 30, outer 26 deg. That common measures differ is the
    # warning of SAE 2006-01-3638 (abstract read).
    inner, outer, ratio = 30.0, 26.0, 1.4 / 2.5
    ours = metrics.ackermann_percentage(np.radians(inner), np.radians(outer), 1.4, 2.5)
    ideal_inner = np.degrees(metrics.inner_for_outer(np.radians(outer), 1.4, 2.5))
    outer_referenced = 100.0 * (inner - outer) / (ideal_inner - outer)
    by_cotangents = 100.0 * (cot(outer) - cot(inner)) / ratio
    assert ours == pytest.approx(62.2, abs=0.05)
    assert outer_referenced == pytest.approx(50.9, abs=0.05)
    assert by_cotangents == pytest.approx(56.8, abs=0.05)


def test_percentage_is_100_at_pure_rolling_and_0_when_parallel():
    inner = np.radians([10.0, 30.0])
    ideal = metrics.ideal_outer(inner, 1300.0, 2400.0)
    np.testing.assert_allclose(
        metrics.ackermann_percentage(inner, ideal, 1300.0, 2400.0), 100.0, rtol=1e-12
    )
    np.testing.assert_array_equal(
        metrics.ackermann_percentage(inner, inner, 1300.0, 2400.0), [0.0, 0.0]
    )
    assert np.isnan(metrics.ackermann_percentage(0.0, 0.0, 1300.0, 2400.0))


@pytest.mark.parametrize("target", [1.0, 0.6, 0.0, -0.4])
def test_wanted_outer_runs_from_reversed_through_parallel_to_pure_rolling(target):
    inner = np.radians(32.0)
    wanted = metrics.wanted_outer(inner, 1300.0, 2400.0, target)
    share = metrics.ackermann_percentage(inner, wanted, 1300.0, 2400.0)
    assert share == pytest.approx(100.0 * target, abs=1e-10)
    back = metrics.inner_for_outer(float(wanted), 1300.0, 2400.0, target)
    assert back == pytest.approx(inner, abs=1e-12)


def test_wheel_angles_of_a_planar_linkage():
    # Vertical steering axes and level rods leave a planar four-bar chain, solved here by bracketing
    # the rod's length for each wheel; the arms point inboard, as for a trapezium behind the axle.
    axis, arm = np.array([0.0, 640.0]), np.array([-115.0, -24.0])
    inner_joint = np.array([-130.0, 315.0])
    length = np.linalg.norm(axis + arm - inner_joint)

    def angle(rack: float) -> float:
        def gap(turn: float) -> float:
            c, s = np.cos(turn), np.sin(turn)
            outer = axis + np.array([c * arm[0] - s * arm[1], s * arm[0] + c * arm[1]])
            return float(np.linalg.norm(outer - inner_joint - [0.0, rack]) - length)

        return brentq(gap, -0.9, 0.9, xtol=1e-14)

    points = planar(rod_mm=325.0)
    points = points.with_tie_rod((*(axis + arm), 230.0), (*inner_joint, 230.0))
    found = metrics.ackermann_error(
        points,
        Attitude(loaded_radius_mm=275.0),
        wheelbase_mm=2400.0,
        inner_lock=np.radians(33.0),
        nodes=8,
    )
    at_lock = brentq(lambda rack: angle(rack) - np.radians(33.0), -70.0, 0.0, xtol=1e-13)
    assert found.rack_at_lock_mm == pytest.approx(at_lock, abs=1e-9)
    rack = at_lock * np.linspace(0.0, 1.0, 9)
    inner, outer = np.array([(angle(r), -angle(-r)) for r in rack]).T
    np.testing.assert_allclose(found.inner, inner, rtol=0, atol=1e-11)
    np.testing.assert_allclose(found.outer, outer, rtol=0, atol=1e-11)
    wanted = np.arctan2(np.sin(inner), np.cos(inner) + 1280.0 / 2400.0 * np.sin(inner))
    np.testing.assert_allclose(found.error, outer - wanted, rtol=0, atol=1e-11)
    # Between the nodes too: here it is the curve of four hundred.
    rack = at_lock * np.linspace(0.0, 1.0, 401)
    inner, outer = np.array([(angle(r), -angle(-r)) for r in rack]).T
    error = outer - np.arctan2(np.sin(inner), np.cos(inner) + 1280.0 / 2400.0 * np.sin(inner))
    assert found.largest == pytest.approx(np.max(np.abs(error)), rel=1e-3)
    square = np.trapezoid(error**2, inner)
    assert found.rms == pytest.approx(np.sqrt(square / inner[-1]), rel=1e-3)


def test_static_toe_does_not_count_in_wheel_angles():
    drawn = corner("rear steer")
    toe = np.radians(0.4)
    plain, toed = (
        metrics.ackermann_error(
            drawn,
            Attitude(toe_in, loaded_radius_mm=268.0),
            wheelbase_mm=2400.0,
            inner_lock=0.5,
            target=0.5,
        )
        for toe_in in (0.0, toe)
    )
    for found in (plain, toed):
        assert found.inner[..., 0] == pytest.approx(0.0, abs=1e-15)
        assert found.inner[..., -1] == pytest.approx(0.5, abs=1e-11)
    assert abs(plain.rack_at_lock_mm - toed.rack_at_lock_mm) < 0.05


# --- lock and gearing ----------------------------------------------------------------------------


@pytest.mark.parametrize("name", CORNERS)
@pytest.mark.parametrize("toe_deg", [0.0, 0.5])
def test_rack_for_steer_turns_the_wheel_that_far(name, toe_deg):
    toe = np.radians(toe_deg)
    wanted = np.radians([2.0, 15.0, 30.0])
    rack = metrics.rack_for_steer(corner(name), wanted, Attitude(toe))
    assert rack.shape == (3,)
    ahead = points_of(name)["outer_joint"][0] > points_of(name)["lower_ball_joint"][0]
    assert np.all(rack > 0.0) if ahead else np.all(rack < 0.0)
    turned = solve_linkage(corner(name), 0.0, rack, Attitude(toe)).steer + toe
    np.testing.assert_allclose(turned, wanted, rtol=0, atol=1e-11)


def test_no_rack_displacement_turns_the_wheel_past_the_toggle():
    rack = metrics.rack_for_steer(corner("toggle"), np.radians([30.0, 80.0]))
    assert np.isfinite(rack[0])
    assert np.isnan(rack[1])


def test_lock_of_a_batch_with_its_own_toe():
    drawn = corner("front steer")
    many = drawn.with_tie_rod(drawn.outer_joint + np.arange(4.0)[:, None], drawn.inner_joint)
    toe = np.radians([0.0, 0.1, 0.2, 0.3])
    rack, rest, rate = metrics.solve_lock(many, np.asarray(0.5), Attitude(toe))
    np.testing.assert_allclose(rest, -toe, rtol=0, atol=1e-15)
    for index in range(4):
        one = metrics.rack_for_steer(many.select(index), 0.5, Attitude(float(toe[index])))
        assert rack[index] == pytest.approx(float(one), abs=1e-10)
    near = metrics.rack_for_steer(many, 1e-5, Attitude(toe))
    np.testing.assert_allclose(1e-5 / near, rate, rtol=1e-4)


def test_overall_ratio_of_an_ordinary_car():
    # 12:1 to 20:1: common practice, no source. Recomputed: a 120 mm arm square to the rod turns by
    # 1/120 rad per mm, and 45.58 mm of rack are one turn: 2 pi x 120 / 45.58 = 16.54.
    rate = solve_linkage(planar(), 0.0, 0.0).steer_per_rack
    assert rate == pytest.approx(-1.0 / 120.0, rel=1e-12)
    ratio = metrics.overall_ratio(rate, 45.58)
    assert ratio == pytest.approx(16.54, abs=5e-3)
    assert 12.0 < ratio < 20.0


def test_half_a_millimetre_on_a_120_mm_arm():
    # Recomputed: atan(0.5 / 120) = 0.239 deg of toe.
    turned = solve_linkage(planar(), 0.0, 0.5).steer
    assert abs(np.degrees(turned)) == pytest.approx(0.239, abs=5e-4)


def test_smaller_arm_gives_more_toe_per_millimetre_and_needs_less_rack():
    # Direction of both effects: common practice, no source.
    drawn = corner("rear steer")
    length = np.array([90.0, 110.0, 130.0])
    arms = drawn.with_tie_rod(
        place_outer_joint(drawn, length, 241.0, 0.1, False), drawn.inner_joint
    )
    per_mm = np.abs(solve_linkage(arms, 0.0, 0.0).steer_per_rack)
    assert np.all(np.diff(per_mm) < 0.0)
    needed = np.abs(metrics.rack_for_steer(arms, np.radians(33.0)))
    assert np.all(np.diff(needed) > 0.0)


# --- bump steer ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("travel_mm", "toe_deg"), [(50.0, 0.2894), (-50.0, 0.2894), (25.0, 0.0714)]
)
def test_planar_mismatch_of_a_rod_shorter_than_the_arms(travel_mm, toe_deg):
    # Recomputed: arms 350, rod 300, steering arm 120 mm. At 50 mm the rod's outer end is drawn
    # 0.6062 mm further inboard than the arms' ends: asin(0.6062 / 120) = 0.2894 deg.
    found = metrics.bump_steer(planar(350.0, 300.0), [0.0, travel_mm])
    # Behind the axle that turns the wheel's front outboard: toe-out; ahead of it toe-in.
    assert np.degrees(found.toe_change[1]) == pytest.approx(-toe_deg, abs=1e-4)
    ahead = metrics.bump_steer(planar(350.0, 300.0, 120.0), [0.0, travel_mm])
    assert np.degrees(ahead.toe_change[1]) == pytest.approx(toe_deg, abs=1e-4)
    assert found.gradient == pytest.approx(0.0, abs=1e-15)


def test_inner_joint_too_high():
    # Recomputed: gradient about h / (l_t r); 1 mm, 300 mm, 120 mm give 1.592 deg/m. The rod of a
    # high inner joint slopes down to the outer joint, which a bump therefore pushes outboard.
    travel = np.linspace(-40.0, 40.0, 9)
    found = metrics.bump_steer(planar(300.0, 300.0, -120.0, rise_mm=1.0), travel)
    assert np.degrees(found.gradient) * 1000.0 == pytest.approx(1.592, abs=5e-4)
    low = metrics.bump_steer(planar(300.0, 300.0, -120.0, rise_mm=-1.0), travel)
    assert low.gradient == pytest.approx(-found.gradient, rel=1e-12)


def test_rod_that_points_at_the_pole_has_no_gradient():
    # Reimpell, Stoll, Betzler, The Automotive Chassis, 4.7.3: outer joint, pole of the upright and
    # inner joint are collinear. Pivot axes along the car make the front view planar.
    points = points_of("converging arms")
    for arm in ("lower", "upper"):
        pivot = points[f"{arm}_rear_pivot"]
        points[f"{arm}_front_pivot"] = np.array([120.0, pivot[1], pivot[2]])
        points[f"{arm}_ball_joint"][0] = 0.0
    lower, upper = points["lower_ball_joint"][1:], points["upper_ball_joint"][1:]
    along = np.column_stack(
        [lower - points["lower_rear_pivot"][1:], upper - points["upper_rear_pivot"][1:]]
    )
    pole = lower + along[:, 0] * np.linalg.solve(along * [1.0, -1.0], upper - lower)[0]
    outer = points["outer_joint"]
    share = 0.45
    points["inner_joint"] = np.array([outer[0], *(outer[1:] + share * (pole - outer[1:]))])
    drawn = Hardpoints.from_mapping(points)
    assert abs(metrics.bump_steer(drawn, [-1.0, 0.0, 1.0]).gradient) < 1e-15
    off = drawn.with_tie_rod(drawn.outer_joint, drawn.inner_joint + np.eye(3)[2])
    assert abs(metrics.bump_steer(off, [-1.0, 0.0, 1.0]).gradient) > 1e-5


def test_parallel_equal_bars_have_no_bump_steer():
    drawn = corner("parallel equal arms")
    found = metrics.bump_steer(drawn, np.linspace(-60.0, 60.0, 25), Attitude(0.002))
    assert found.largest < 1e-12
    assert found.rms < 1e-12
    assert abs(found.gradient) < 1e-14


def test_summary_of_a_batch_at_part_lock():
    drawn = corner("rear steer")
    many = drawn.with_tie_rod(
        drawn.outer_joint, drawn.inner_joint + np.array([[0.0, 0.0, 0.0], [0.0, 0.0, 6.0]])
    )
    travel, rack = np.array([-50.0, -20.0, 0.0, 35.0, 60.0]), np.array([10.0, -25.0])
    found = metrics.bump_steer(many, travel, rack_mm=rack)
    for index in range(2):
        poses = solve_linkage(many.select(index), travel, rack[index])
        change = -(poses.steer - poses.steer[2])
        np.testing.assert_allclose(found.toe_change[index], change, rtol=0, atol=1e-12)
        assert found.largest[index] == np.max(np.abs(found.toe_change[index]))
        mean = np.trapezoid(change**2, travel) / 110.0
        assert found.rms[index] == pytest.approx(np.sqrt(mean), rel=1e-9)
        assert found.gradient[index] == pytest.approx(-poses.steer_per_travel[2], rel=1e-10)


def test_corner_that_does_not_reach_the_travel_is_nan():
    found = metrics.bump_steer(corner("short of travel"), [-150.0, 0.0, 20.0])
    assert np.isnan(found.largest)
    assert np.isnan(found.rms)
    np.testing.assert_array_equal(np.isnan(found.toe_change), [True, False, False])


def test_trapezium_rms():
    assert metrics.trapezium_rms([3.0, -3.0, 3.0], [0.0, 1.0, 10.0]) == 3.0
    # Uneven nodes are weighted by their distance: (1/2) (0 + 4) 1 / 4 from 0 to 1, 4 from 1 to 4.
    assert metrics.trapezium_rms([0.0, 2.0, 2.0], [0.0, 1.0, 4.0]) == pytest.approx(np.sqrt(3.5))
    x = np.linspace(0.0, 1.0, 2001)
    assert metrics.trapezium_rms(x, x) == pytest.approx(1.0 / np.sqrt(3.0), rel=1e-6)


def test_roll_steer_is_the_mean_steer_of_both_wheels():
    # Roll that lifts the left side: the left wheel droops, the right one rises as much.
    drawn, track, roll = corner("front steer"), 1330.0, 1e-5
    shift = 0.5 * track * roll
    left = solve_linkage(drawn, [0.0, -shift], 0.0).steer
    right = -solve_linkage(drawn, [0.0, shift], 0.0).steer
    mean = 0.5 * ((left[1] - left[0]) + (right[1] - right[0])) / roll
    gradient = metrics.bump_steer(drawn, [-1.0, 0.0, 1.0]).gradient
    assert metrics.roll_steer(gradient, track) == pytest.approx(mean, rel=1e-6)
    assert abs(mean) > 1e-3


# --- wheel attitude -------------------------------------------------------------------------------


LEANING = {
    "lower_front_pivot": (150.0, 310.0, 150.0),
    "lower_rear_pivot": (-150.0, 310.0, 150.0),
    "lower_ball_joint": (10.0, 600.0, 150.0),
    "upper_front_pivot": (110.0, 340.0, 390.0),
    "upper_rear_pivot": (-150.0, 340.0, 390.0),
    "upper_ball_joint": (-25.0, 570.0, 400.0),
    "wheel_centre": (0.0, 660.0, 280.0),
    "outer_joint": (-120.0, 590.0, 220.0),
    "inner_joint": (-120.0, 320.0, 220.0),
}


def test_attitude_by_hand():
    # The axis rises 250 mm, leans 35 mm back and 30 mm inboard; 150 mm below its lower joint it
    # has come 0.6 times as far the other way: (10 + 21, 600 + 18) against the contact (0, 660).
    found = metrics.wheel_attitude(solve_linkage(Hardpoints.from_mapping(LEANING), 0, 0), 280.0)
    assert found.caster == pytest.approx(np.arctan(35.0 / 250.0), abs=1e-12)
    assert found.kingpin_inclination == pytest.approx(np.arctan(30.0 / 250.0), abs=1e-12)
    np.testing.assert_allclose(found.contact, [0.0, 660.0, 0.0], atol=1e-10)
    np.testing.assert_allclose(found.axis_at_ground, [31.0, 618.0, 0.0], atol=1e-10)
    assert found.scrub_radius_mm == pytest.approx(42.0, abs=1e-10)
    assert found.trail_mm == pytest.approx(31.0, abs=1e-10)


def test_attitude_with_camber_and_toe_by_hand():
    # Camber -2 deg moves the contact outboard by 280 sin 2 and up by 280 (1 - cos 2); toe-in of
    # 10 deg turns heading and outboard direction about the vertical.
    camber, toe = np.radians(-2.0), np.radians(10.0)
    poses = solve_linkage(Hardpoints.from_mapping(LEANING), 0, 0, Attitude(toe, camber))
    found = metrics.wheel_attitude(poses, 280.0)
    outboard, heading = np.array([np.sin(toe), np.cos(toe)]), np.array([np.cos(toe), -np.sin(toe)])
    contact = np.array([0.0, 660.0]) + 280.0 * np.sin(2.0 * np.pi / 180.0) * outboard
    height = 280.0 * (1.0 - np.cos(camber))
    np.testing.assert_allclose(found.contact, [*contact, height], atol=1e-10)
    share = (height - 150.0) / 250.0
    ground = np.array([10.0 - 35.0 * share, 600.0 - 30.0 * share])
    np.testing.assert_allclose(found.axis_at_ground, [*ground, height], atol=1e-10)
    assert found.scrub_radius_mm == pytest.approx((contact - ground) @ outboard, abs=1e-10)
    assert found.trail_mm == pytest.approx((ground - contact) @ heading, abs=1e-10)


@pytest.mark.parametrize("rack", [-35.0, 30.0])
def test_contact_is_the_lowest_point_of_the_tyre_circle(rack):
    poses = solve_linkage(corner("large caster"), 20.0, rack, Attitude(camber=-0.03))
    found = metrics.wheel_attitude(poses, 280.0)
    spin = poses.spin_axis
    one = np.cross(spin, [0.0, 0.0, 1.0])
    one /= np.linalg.norm(one)
    turn = np.linspace(-np.pi, np.pi, 100_001)[:, None]
    circle = poses.wheel_centre + 280.0 * (np.cos(turn) * one + np.sin(turn) * np.cross(spin, one))
    lowest = circle[np.argmin(circle[:, 2])]
    np.testing.assert_allclose(found.contact, lowest, atol=0.01)
    assert found.contact[2] <= lowest[2] + 1e-12
    axis = poses.upper_ball_joint - poses.lower_ball_joint
    assert np.cross(found.axis_at_ground - poses.lower_ball_joint, axis) == pytest.approx(
        0, abs=1e-8
    )
    assert found.axis_at_ground[2] == pytest.approx(found.contact[2], abs=1e-10)


def test_upright_axis_keeps_scrub_and_trail_when_steered():
    poses = solve_linkage(planar(), 0.0, [-30.0, 0.0, 30.0])
    found = metrics.wheel_attitude(poses, 275.0)
    np.testing.assert_allclose(found.scrub_radius_mm, 50.0, atol=1e-10)
    np.testing.assert_allclose(found.trail_mm, 0.0, atol=1e-10)
    np.testing.assert_allclose(poses.camber, 0.0, atol=1e-14)


def test_kingpin_track_by_hand():
    drawn, standing = Hardpoints.from_mapping(LEANING), Attitude(loaded_radius_mm=280.0)
    assert metrics.kingpin_track(drawn, standing) == pytest.approx(2.0 * 618.0, abs=1e-10)
    wider = drawn.arms_moved(np.array([0.0, 15.0]))
    wide = metrics.kingpin_track(wider, standing)
    np.testing.assert_allclose(wide, [1236.0, 1266.0], atol=1e-10)
    # Without a loaded radius nobody knows where the ground is.
    assert np.isnan(metrics.kingpin_track(drawn, STRAIGHT))


def test_projected_camber():
    # Recomputed: at steer 30 deg an inclination of 5.00 deg projects to 5.7686 deg.
    projected = np.arctan(np.tan(np.radians(5.0)) / np.cos(np.radians(30.0)))
    assert np.degrees(projected) == pytest.approx(5.7686, abs=5e-5)
    # The program's camber is the inclination; the trace of the wheel plane in the transverse
    # plane leans by it projected.
    poses = solve_linkage(corner("large caster"), 0.0, 40.0)
    spin = poses.spin_axis
    trace = np.cross(spin, [1.0, 0.0, 0.0])
    lean = np.arctan(trace[1] / trace[2])
    assert np.tan(poses.camber) / np.cos(poses.steer) == pytest.approx(np.tan(lean), abs=1e-12)
    assert abs(lean - poses.camber) > 1e-3


def test_lock_fractions():
    np.testing.assert_array_equal(metrics.lock_fractions(4), [0.0, 0.25, 0.5, 0.75, 1.0])
