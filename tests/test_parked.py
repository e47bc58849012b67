"""Forces of a standing car: against energy, statics, the other way to its poses, and by hand.

The corners are invented.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from packaging_case import BEHIND, POINTS
from scipy.optimize import brentq
from small_study import demo_plover, demo_with
from tolerance_cases import square

from optimiser.answer.design_numbers import drawn_designs
from optimiser.evaluation.effort import parked_up_to_lock
from optimiser.linkage.at_arms import solve_held_arms
from optimiser.linkage.at_rack import solve_linkage
from optimiser.linkage.attitude import Attitude
from optimiser.metrics.compliance.statics import (
    Wrench,
    arm_of,
    joint_forces,
    rod_direction,
    wrench_at,
)
from optimiser.metrics.kinematic import wheel_attitude
from optimiser.metrics.loads import parking_moment
from optimiser.metrics.parked import held_rates, parked_forces, parked_on_uprights, returning

RADIUS, WEIGHT = 275.0, 3500.0
STATIC = Attitude(np.radians(0.2), np.radians(-1.5), RADIUS)
RACK = np.linspace(-40.0, 40.0, 9)
MOMENT = float(parking_moment(0.7, WEIGHT, 200e3))
CORNERS = pytest.mark.parametrize("points", [POINTS, BEHIND], ids=["ahead", "behind"])


def held(points, rack):
    return solve_held_arms(points, rack, STATIC)


def parked(points, rack=RACK, moment=MOMENT, weight=WEIGHT):
    return parked_forces(held(points, rack), held(points, -rack), moment, weight, RADIUS)


@CORNERS
def test_held_arms_are_the_poses_whose_lower_ball_joint_does_not_rise(points):
    # The other way to them: the wheel travel at which the kernel leaves it where it is.
    found = held(points, RACK)
    for index, rack in enumerate(RACK):

        def rise(travel, rack=rack):
            pose = solve_linkage(points, travel, rack, STATIC)
            return float(pose.lower_ball_joint[2] - points.lower_ball_joint[2])

        pose = solve_linkage(points, brentq(rise, -20.0, 20.0, xtol=1e-12), rack, STATIC)
        for name in ("outer_joint", "wheel_centre", "spin_axis", "upper_ball_joint"):
            there = getattr(found, name)[index]
            assert there == pytest.approx(getattr(pose, name), abs=1e-8)


@CORNERS
def test_lift_is_the_energy_of_a_small_step(points):
    step, both = 1e-2, (RACK + 1e-2, RACK - 1e-2)
    ends = [
        [wheel_attitude(held(points, way * at), RADIUS).contact[:, 2] for at in both]
        for way in (1.0, -1.0)
    ]
    raised = sum(-(up - down) for up, down in ends)  # of the body, by both wheels
    found = parked(points)
    assert found.lift == pytest.approx(WEIGHT * raised / (2.0 * step), abs=1e-4)
    assert np.abs(found.lift).max() > 50.0
    assert found.lift[len(RACK) // 2] == pytest.approx(0.0, abs=1e-9)


@CORNERS
def test_rods_and_rack_keep_both_uprights_in_equilibrium(points):
    # Every force of the joints, none of them by virtual work; agreed to 5e-8 N when asked for.
    found, bars, rods = parked(points), [], []
    for way in (1.0, -1.0):
        pose = held(points, way * RACK)
        contact = np.moveaxis(wheel_attitude(pose, RADIUS).contact, -1, 0)
        weight = np.zeros((3, 1, len(RACK)))
        weight[2] = WEIGHT
        spin = pose.spin_xyz
        # About the vertical, the part about the wheel's own axle left out: it turns freely.
        tyre = np.array([0.0, 0.0, 1.0])[:, None] - spin[2] * spin
        tyre = MOMENT * (tyre / (1.0 - spin[2] ** 2))[:, None]
        lifted = joint_forces(pose, arm_of(pose, 1), wrench_at(pose, weight, contact[:, None]))
        turned = joint_forces(pose, arm_of(pose, 1), Wrench(np.zeros_like(tyre), tyre))
        bars.append([one.rod[0] * rod_direction(pose)[1] for one in (lifted, turned)])
        rods.append(np.abs(lifted.rod[0]) + np.abs(turned.rod[0]))
    (left_lift, left_tyre), (right_lift, right_tyre) = bars
    assert found.lift == pytest.approx(left_lift - right_lift, abs=5e-8)
    assert found.rubber == pytest.approx(np.abs(left_tyre) + np.abs(right_tyre), abs=5e-8)
    assert found.left_rod == pytest.approx(rods[0], abs=5e-8)
    assert found.right_rod == pytest.approx(rods[1], abs=5e-8)
    assert found.rack_force == pytest.approx(found.rubber + np.abs(found.lift), rel=1e-12)


def frame_of(pose):
    """Axes of the upright, (3, 3), from its three joints."""
    lower, link = pose.lower_ball_joint, pose.upper_ball_joint - pose.lower_ball_joint
    along = link / np.linalg.norm(link)
    arm = pose.outer_joint - lower
    across = arm - (arm @ along) * along
    across /= np.linalg.norm(across)
    return np.array([along, across, np.cross(along, across)])


@CORNERS
def test_a_spring_on_the_upright_is_the_energy_of_a_step_at_its_own_length(points):
    foot, body = np.array([15.0, 590.0, 220.0]), np.array([-5.0, 450.0, 560.0])
    rack, step = 30.0, 1e-2
    rest = held(points, 0.0)
    fixed = frame_of(rest) @ (foot - rest.lower_ball_joint)
    raised, turned, feet = 0.0, 0.0, []
    for way in (1.0, -1.0):
        start = held(points, way * rack)
        feet.append(start.lower_ball_joint + fixed @ frame_of(start))
        length = np.linalg.norm(feet[-1] - body)

        def end(at, length=length):
            def longer(travel):
                pose = solve_linkage(points, travel, at, STATIC)
                return (
                    np.linalg.norm(pose.lower_ball_joint + fixed @ frame_of(pose) - body) - length
                )

            pose = solve_linkage(points, brentq(longer, -40.0, 40.0, xtol=1e-12), at, STATIC)
            return float(wheel_attitude(pose, RADIUS).contact[2]), float(pose.steer)

        (high, left), (low, right) = (end(way * rack + sign * step) for sign in (1.0, -1.0))
        raised += -way * (high - low) / (2.0 * step)
        turned += abs(left - right) / (2.0 * step)
    sides = held(points, rack), held(points, -rack)
    found = parked_on_uprights(*sides, tuple(feet), body, MOMENT, WEIGHT, RADIUS)
    assert found.lift == pytest.approx(WEIGHT * raised, abs=1e-3)
    assert found.rubber == pytest.approx(MOMENT * turned, rel=1e-5)
    # Arms at rest, which would be the answer of a spring on one of them, is another thing.
    arms = parked_forces(*sides, MOMENT, WEIGHT, RADIUS)
    assert abs(found.lift - arms.lift) > 20.0


def test_a_vertical_axis_and_an_upright_wheel_lift_nothing():
    plain = Attitude(0.0, 0.0, RADIUS)
    poses = solve_held_arms(square(120.0), RACK, plain)
    assert held_rates(poses, RADIUS)[1] == pytest.approx(np.zeros(len(RACK)), abs=1e-12)


def test_a_leaning_axis_by_hand():
    # Axis leaning inboard by s at the top, no caster: a point d outboard of it at the ground
    # falls by d sin(s) (1 - cos t) cos(s) as the wheel turns by t about it (rotation by hand).
    points = square(120.0)
    upper = points.upper_ball_joint - [0.0, 30.0, 0.0]
    points = replace(points, upper_ball_joint=upper)
    lean = np.arctan2(30.0, float(upper[2] - points.lower_ball_joint[2]))
    plain = Attitude(0.0, 0.0, RADIUS)
    poses = solve_held_arms(points, np.array([0.0, 30.0]), plain)
    axis = np.array([0.0, -np.sin(lean), np.cos(lean)])
    wheel = points.wheel_centre - points.lower_ball_joint
    square_to = wheel - (wheel @ axis) * axis
    arms = [pose - points.lower_ball_joint for pose in poses.wheel_centre]
    turn = np.arccos((arms[1] - (arms[1] @ axis) * axis) @ square_to / (square_to @ square_to))
    rise = (1.0 - np.cos(turn)) * np.linalg.norm(square_to) * np.sin(lean)
    assert arms[0][2] - arms[1][2] == pytest.approx(rise, rel=1e-9)


def test_the_demo_s_lift_near_lock_is_what_it_was_known_to_be():
    # Rack Plover, 1.3 mm before lock: 121 N beside 596 N of Gough's moment at constant wheel
    # travel, known from a calculation of its own when this was asked for. With the arms held the
    # moment's part is a little greater.
    problem, solved = demo_plover()
    points, attitude = solved.points.select(0), problem.car.attitude
    sides = [solve_held_arms(points, np.array([rack]), attitude) for rack in (64.7, -64.7)]
    moment = float(parking_moment(0.7, 1450.0, 160e3))
    found = parked_forces(*sides, moment, 1450.0, attitude.loaded_radius_mm)
    assert found.lift == pytest.approx(121.0, abs=0.5)
    left, right = (solve_linkage(points, 0.0, rack, attitude) for rack in (64.7, -64.7))
    at_travel = moment * float(left.steer_per_rack + right.steer_per_rack)
    assert at_travel == pytest.approx(596.0, abs=0.5)
    assert found.rubber == pytest.approx(at_travel, rel=4e-3)


def test_returning_by_hand():
    lift = np.array([[10.0, 20.0, 30.0, 40.0], [10.0, 20.0, 5.0, 12.0], [1.0, 2.0, 3.0, 4.0]])
    inner = np.radians([10.0, 20.0, 30.0, 40.0])
    least, stops = returning(lift, 15.0, inner)
    # The rack is half way to lock where the inner wheel is at 20 deg.
    assert least == pytest.approx([5.0, -10.0, -13.0])
    # 15 N half way between 10 and 20 deg; never past the last place, where 12 are less than 15.
    assert np.degrees(stops) == pytest.approx([15.0, 40.0, 40.0])
    least, stops = returning(lift, 11.0, inner)
    # From 12 N at 40 deg down to 5 at 30: 11 are passed at 40 - 10 / 7 deg.
    assert np.degrees(stops)[1] == pytest.approx(40.0 - 10.0 / 7.0)
    _, stops = returning(lift, 0.0, inner)
    assert stops == pytest.approx(np.zeros(3))
    assert np.isnan(returning(np.full((1, 4), np.nan), 5.0, inner)[1]).all()


def test_a_study_that_gives_friction_has_both_numbers(tmp_path):
    change = ("tyre_pressure_kpa = 160", "tyre_pressure_kpa = 160\nfriction_at_rack_n = 60")
    problem = demo_with(tmp_path, change).problem()
    design = drawn_designs(problem).select(slice(1, 2))
    metrics = problem.evaluate(design).metrics
    assert metrics["caster_lift_n"][0] > 60.0
    assert 0.0 < metrics["stops_returning_at_deg"][0] < 34.0
    # The least from half way on is that of the twelve places of which half way is the sixth.
    halves = np.linspace(0.5, 1.0, 7)
    lift = parked_up_to_lock(problem.solve(design), problem.loads, problem.car.attitude, halves)[
        0
    ].lift
    assert metrics["returning_force_n"][0] == pytest.approx(lift.min() - 60.0, rel=1e-12)
    loads = replace(problem.loads, friction_at_rack_n=500.0)
    stuck = replace(problem, loads=loads).evaluate(design).metrics
    assert stuck["returning_force_n"][0] < 0.0
    assert stuck["stops_returning_at_deg"][0] == pytest.approx(34.0, abs=0.5)
    silent = replace(problem, loads=replace(problem.loads, friction_at_rack_n=None))
    assert "stops_returning_at_deg" not in silent.evaluate(design).metrics
