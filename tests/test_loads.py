"""Steering loads against energy, the equilibrium of the upright, and the outside checks.

The corners are invented.
"""

import numpy as np
import pytest
from packaging_case import BEHIND, POINTS
from scipy.integrate import dblquad
from search_cases import case, random_designs
from tolerance_cases import square

from optimiser.linkage.at_arms import solve_held_arms
from optimiser.linkage.at_rack import RightPoses, solve_linkage
from optimiser.linkage.at_steer import pose_at_rest
from optimiser.linkage.attitude import Attitude
from optimiser.linkage.hardpoints import Hardpoints
from optimiser.linkage.racks import Rack
from optimiser.metrics.loads import (
    LoadCase,
    cornering_moment,
    parking_moment,
    rim_force,
    steering_loads,
    steering_wheel_torque,
)
from optimiser.metrics.parked import held_rates, parked_forces

# Everything square: vertical steering axis, equal parallel arms, tie rod along the bar and
# square to a steering arm of 120 mm.
SQUARE = square(120.0, rod_mm=300.0)
STATIC = Attitude(np.radians(0.2), np.radians(-1.5))
RACK = np.linspace(-40.0, 40.0, 9)
CORNERS = pytest.mark.parametrize("points", [POINTS, BEHIND], ids=["ahead", "behind"])
UP = np.array([0.0, 0.0, 1.0])
MOMENT = float(parking_moment(0.7, 3500.0, 200e3))


def both(points, travel, rack):
    """Left wheel, and right wheel as the left wheel's mirror image."""
    return (
        solve_linkage(points, travel, rack, STATIC),
        solve_linkage(points, travel, -np.asarray(rack), STATIC),
    )


def rubbing(left, image, moment):
    """Each wheel resists whichever way it turns as the rack goes to the left."""
    ways = [np.sign(poses.steer_per_rack) for poses in (left, image)]
    return LoadCase(*(moment * way for way in ways))


def by_image(left, image, case):
    """Loads with the right wheel given as its mirror image, a left wheel."""
    return steering_loads(left, RightPoses(image), case)


# --- the road's moments --------------------------------------------------------------------------


def test_parking_moment_of_gough():
    # Gough, as quoted by Sharp and Granger (abstract read, formula from memory); recomputed, N mm.
    assert parking_moment(0.7, 3500.0, 200e3) == pytest.approx(108.03e3, abs=5.0)
    ratio = parking_moment(0.7, 1.1 * 3500.0, 200e3) / parking_moment(0.7, 3500.0, 200e3)
    assert ratio == pytest.approx(1.1537, abs=5e-5)
    assert parking_moment(0.7, [[3000.0], [4000.0]], [1.5e5, 2e5, 2.5e5]).shape == (2, 3)


def test_even_pressure_on_a_round_patch_gives_more():
    # Friction of an evenly loaded disc, integrated in metres: 2 / (3 sqrt(pi)) = 0.3761 in place
    # of Gough's 1/3, 12.8 % more (recomputed).
    mu, load, pressure = 0.7, 3500.0, 200e3
    radius = np.sqrt(load / (np.pi * pressure))
    disc = dblquad(lambda r, _: mu * pressure * r * r, 0.0, 2.0 * np.pi, 0.0, radius)[0]
    assert disc / (mu * np.sqrt(load**3 / pressure)) == pytest.approx(0.3761, abs=5e-5)
    assert disc * 1000.0 / parking_moment(mu, load, pressure) == pytest.approx(1.128, abs=5e-4)


def test_cornering_moment_and_its_shares():
    assert cornering_moment(2500.0, 35.0) == pytest.approx(87500.0)
    case = LoadCase.cornering(2500.0, 35.0, outer_share=0.7)
    # A left turn: the right wheel is the outer one.
    assert (case.left_moment, case.right_moment) == pytest.approx((26250.0, 61250.0))
    assert LoadCase.cornering(2500.0, 35.0).left_moment == 0.0


# --- virtual work --------------------------------------------------------------------------------


@CORNERS
@pytest.mark.parametrize("travel", [-30.0, 0.0, 40.0])
def test_rack_force_is_the_work_of_a_small_step(points, travel):
    # A central difference of steer itself, right wheel by its own mirror image.
    step = 1e-3
    case = LoadCase(70e3, 110e3)
    force = by_image(*both(points, travel, RACK), case).rack_force
    ahead, back = both(points, travel, RACK + step), both(points, travel, RACK - step)
    turned_left = ahead[0].steer - back[0].steer
    turned_right = -(ahead[1].steer - back[1].steer)
    work = 70e3 * turned_left + 110e3 * turned_right
    assert force * 2.0 * step == pytest.approx(work, rel=1e-7)


@CORNERS
def test_energy_over_the_whole_stroke(points):
    nodes, weights = np.polynomial.legendre.leggauss(24)
    case = LoadCase(90e3, 60e3)
    force = by_image(*both(points, 15.0, 45.0 * nodes), case).rack_force
    ends = both(points, 15.0, np.array([-45.0, 45.0]))
    left, right = np.diff(ends[0].steer)[0], -np.diff(ends[1].steer)[0]
    assert 45.0 * weights @ force == pytest.approx(90e3 * left + 60e3 * right, rel=1e-10)


def upright_balance(points, poses, index, moment):
    """Tie-rod compression and the vertical force at the wheel centre, by statics alone.

    An arm without a moment about its pivots gives its ball joint no force along its path. The
    road's moment lies in the plane of the wheel and has `moment` about the vertical. Unknown are
    two components at each ball joint, the tie rod and the force that holds the wheel's height.
    """
    at = {
        name: getattr(poses, name)[index]
        for name in ("lower_ball_joint", "upper_ball_joint", "outer_joint", "inner_joint")
    }
    lower, upper = at["lower_ball_joint"], at["upper_ball_joint"]
    forces, places = [], []
    for arm, ball in (("lower", lower), ("upper", upper)):
        rear = getattr(points, f"{arm}_rear_pivot")
        axis = getattr(points, f"{arm}_front_pivot") - rear
        path = np.cross(axis, ball - rear)
        for across in np.linalg.svd(path[None])[2][1:]:
            forces.append(across)
            places.append(ball)
    rod = at["outer_joint"] - at["inner_joint"]
    forces += [rod / np.linalg.norm(rod), UP]
    places += [at["outer_joint"], poses.wheel_centre[index]]
    spin = poses.spin_axis[index]
    tyre = moment * (UP - spin[2] * spin) / (1.0 - spin[2] ** 2)
    assert tyre[2] == pytest.approx(moment)
    assert tyre @ spin == pytest.approx(0.0, abs=1e-9)
    lever = [np.cross(p - lower, f) / 100.0 for p, f in zip(places, forces, strict=True)]
    matrix = np.vstack([np.array(forces).T, np.array(lever).T])
    *_, compression, hold = np.linalg.solve(matrix, np.r_[0.0, 0.0, 0.0, -tyre / 100.0])
    # Without that vertical force: moments about the steering axis alone.
    k = (upper - lower) / np.linalg.norm(upper - lower)
    alone = -(tyre @ k) / (np.cross(at["outer_joint"] - lower, forces[-2]) @ k)
    return compression, hold, alone


@CORNERS
@pytest.mark.parametrize("travel", [-35.0, 0.0, 35.0])
def test_rod_forces_keep_the_upright_in_equilibrium(points, travel):
    left, right = both(points, travel, RACK)
    loads = by_image(left, right, LoadCase(80e3, 120e3))
    for index in range(len(RACK)):
        # Resisting steering to the left is a moment clockwise from above, and in the mirror
        # image of the right wheel the other way.
        on_left, _, _ = upright_balance(points, left, index, -80e3)
        on_right, _, _ = upright_balance(points, right, index, 120e3)
        assert loads.left_rod_force[index] == pytest.approx(on_left, rel=1e-9)
        assert loads.right_rod_force[index] == pytest.approx(on_right, rel=1e-9)


@CORNERS
def test_rod_and_rack_forces_agree_along_the_bar(points):
    left, right = both(points, 10.0, RACK)
    loads = by_image(left, right, rubbing(left, right, MOMENT))
    bar = 0.0
    for poses, force, side in (
        (left, loads.left_rod_force, 1.0),
        (right, loads.right_rod_force, -1.0),
    ):
        rod = poses.outer_joint - poses.inner_joint
        bar = bar + side * force * rod[:, 1] / np.linalg.norm(rod, axis=-1)
    assert bar == pytest.approx(loads.rack_force, rel=1e-12)
    assert np.all(loads.rack_force > 0.0)
    # Moving left pushes on the left rod and pulls on the right one.
    assert np.all(loads.left_rod_force > 0.0)
    assert np.all(loads.right_rod_force < 0.0)
    assert loads.greatest_rod_force == pytest.approx(
        np.maximum(loads.left_rod_force, -loads.right_rod_force)
    )


@CORNERS
def test_moments_about_the_steering_axis_alone_hold_the_arms_not_the_height(points):
    # The statement for held arms: virtual work with d steer / d rack at constant arm angle. It
    # parts from the one at constant travel by the moment of the force that holds the height.
    step, travel = 1e-3, 25.0
    poses = solve_linkage(points, travel, RACK, STATIC)
    lift, shift = (
        [solve_linkage(points, travel + s * a, RACK + s * b, STATIC) for s in (step, -step)]
        for a, b in ((1.0, 0.0), (0.0, 1.0))
    )
    ball_per_travel, ball_per_rack = (
        (pair[0].lower_ball_joint[:, 2] - pair[1].lower_ball_joint[:, 2]) / (2.0 * step)
        for pair in (lift, shift)
    )
    held = poses.steer_per_rack - poses.steer_per_travel * ball_per_rack / ball_per_travel
    rod = poses.outer_joint - poses.inner_joint
    by_work = 80e3 * held / (rod[:, 1] / np.linalg.norm(rod, axis=-1))
    parts = []
    for index in range(len(RACK)):
        force, hold, alone = upright_balance(points, poses, index, -80e3)
        assert by_work[index] == pytest.approx(alone, rel=1e-6)
        parts.append((alone - force) / force)
        assert abs(hold) > 1e-3
    # Small, and not nothing: under one part in a hundred here.
    assert 1e-3 < np.max(np.abs(parts)) < 0.01


@CORNERS
def test_lift_by_differences_of_other_poses(points):
    # At constant spring length (held arms) the contact patch moves against the body as the
    # wheels are steered, and the wheel load works on it. Here of poses at constant wheel travel,
    # with the travel that puts the lower ball joint back.
    load, radius, step = 3500.0, 275.0, 1e-3

    def lift_force(rack):
        """Rack force of one wheel's load, left wheel."""
        rates = {}
        for name, (a, b) in {"travel": (step, 0.0), "rack": (0.0, step)}.items():
            up, down = (solve_linkage(points, s * a, rack + s * b, STATIC) for s in (1.0, -1.0))
            ball = up.lower_ball_joint[:, 2] - down.lower_ball_joint[:, 2]
            rates[name] = ball, radius * (np.cos(up.camber) - np.cos(down.camber))
        travel = -rates["rack"][0] / rates["travel"][0]
        patch = 2.0 * step * travel - rates["rack"][1] - rates["travel"][1] * travel
        return -load * patch / (2.0 * step)

    # Straight ahead both kinds of poses are the same one.
    left, centre = lift_force(RACK), len(RACK) // 2
    sides = [solve_held_arms(points, way * RACK, STATIC) for way in (1.0, -1.0)]
    drop = held_rates(sides[0], radius)[1]
    assert left[centre] == pytest.approx(-load * drop[centre], rel=1e-6)
    # Of one rod some 28 % of the tyre's part, of the rack less than 7 %.
    parked = parked_forces(*sides, float(parking_moment(0.7, load, 200e3)), load, radius)
    share = load * np.abs(drop[centre]) / (0.5 * parked.rubber[centre])
    assert share == pytest.approx(0.28, abs=0.01)
    assert 0.03 < np.max(np.abs(parked.lift) / parked.rubber) < 0.07


def test_vertical_steering_axis_needs_no_force_to_hold_the_height():
    poses = solve_linkage(SQUARE, 0.0, RACK, STATIC)
    loads = by_image(poses, poses, LoadCase(80e3, 80e3))
    for index in range(len(RACK)):
        _, _, alone = upright_balance(SQUARE, poses, index, -80e3)
        assert loads.left_rod_force[index] == pytest.approx(alone, rel=1e-9)


@CORNERS
def test_right_turn_mirrors_left_turn(points):
    left, right = both(points, 0.0, RACK)
    loads = by_image(left, right, rubbing(left, right, MOMENT))
    swapped = by_image(right, left, rubbing(right, left, MOMENT))
    assert swapped.rack_force == pytest.approx(loads.rack_force, rel=1e-12)
    assert swapped.left_rod_force == pytest.approx(-loads.right_rod_force, rel=1e-12)


def test_any_batch_shape_and_missing_poses():
    arm = np.array([100.0, 110.0, 120.0])
    outer = np.stack([arm, np.full(3, 600.0), np.full(3, 250.0)], axis=-1)
    batch = SQUARE.with_tie_rod(outer, outer - [0.0, 300.0, 0.0]).with_pose_axes(2)
    travel, rack = np.array([[-20.0], [20.0]]), np.array([-30.0, 0.0, 30.0, 400.0])
    left, right = solve_linkage(batch, travel, rack), solve_linkage(batch, travel, -rack)
    moment = parking_moment(0.7, np.array([3000.0, 3500.0, 4000.0]), 200e3)[:, None, None]
    loads = by_image(left, right, rubbing(left, right, moment))
    assert loads.rack_force.shape == loads.left_rod_force.shape == (3, 2, 4)
    assert np.all(np.isnan(loads.rack_force[..., 3]))
    assert np.all(np.isfinite(loads.rack_force[..., :3]))
    assert np.all(np.isfinite(loads.greatest_rod_force[..., :3]))


def test_rod_square_to_the_bar_has_no_force_by_this_way():
    # At a dead point the rack moves nothing and holds nothing, while the rod still carries load.
    points = Hardpoints.from_mapping(
        dict(SQUARE.items()) | {"outer_joint": (0.0, 480.0, 250.0), "inner_joint": (250, 480, 250)}
    )
    poses = pose_at_rest(points)
    assert poses.steer_per_rack == pytest.approx(0.0, abs=1e-15)
    loads = by_image(poses, poses, rubbing(poses, poses, MOMENT))
    assert loads.rack_force == pytest.approx(0.0, abs=1e-9)
    assert np.isnan(loads.left_rod_force)


# --- to the driver's hands -----------------------------------------------------------------------


def test_effort_of_a_whole_car():
    # Recomputed: Gough's 108.03 N m on two wheels, 120 mm arms square to the rods, 45.58 mm per
    # turn and efficiency 0.9 give 1801 N at the rack, 14.51 N m, 80.6 N at 180 mm radius.
    poses = solve_linkage(SQUARE, 0.0, 0.0)
    loads = by_image(poses, poses, rubbing(poses, poses, MOMENT))
    assert loads.rack_force == pytest.approx(1801.0, abs=0.6)
    assert loads.left_rod_force == pytest.approx(108.03e3 / 120.0, abs=0.1)
    torque = steering_wheel_torque(loads.rack_force, 45.58, 0.9)
    assert torque == pytest.approx(14.51e3, abs=5.0)
    assert rim_force(torque, 360.0) == pytest.approx(80.6, abs=0.05)
    # UN R79 (value from memory): 150 N at the rim, intact, passenger cars.
    assert rim_force(torque, 360.0) < 150.0


def test_torque_and_force_do_the_same_work():
    turn = steering_wheel_torque(1000.0, 50.0, 1.0) * 2.0 * np.pi
    assert turn == pytest.approx(1000.0 * 50.0)
    assert steering_wheel_torque(1000.0, 50.0, 0.5) * 2.0 * np.pi == pytest.approx(2.0 * turn)


def test_rack_displacement_of_one_turn_is_the_pinions_circumference():
    # Barton and Fieldhouse, Automotive Chassis Engineering, chapter on steering (value from
    # memory): a pinion of 7 teeth, module 3, turns 2.55 times over 168.5 mm. The rack moves by
    # pi times 21 mm a turn, and the turns are rounded to a hundredth.
    rack = Rack("invented", inner_joint_spacing_mm=600.0, travel_mm=168.5, turns=2.55)
    assert rack.travel_per_turn_mm == pytest.approx(np.pi * 7.0 * 3.0, rel=0.006 / 2.55)


def planar(margin_deg):
    """The square corner with its tie rod at `margin_deg` to the steering arm."""
    margin = np.radians(margin_deg)
    outer = np.array([120.0, 600.0, 250.0])
    inner = outer - 300.0 * np.array([np.cos(margin), np.sin(margin), 0.0])
    return solve_linkage(SQUARE.with_tie_rod(outer, inner), 0.0, 0.0)


@pytest.mark.parametrize("margin_deg", [90.0, 40.0, 30.0])
def test_rod_force_grows_as_the_transmission_angle_closes(margin_deg):
    # A mechanisms text: at least 40 deg in general, 30 deg for light duty. Force times arm times
    # sine of that angle is the moment, so these are 1.56 and 2 times the least force.
    poses = planar(margin_deg)
    assert np.degrees(poses.toggle_margin) == pytest.approx(margin_deg)
    loads = by_image(poses, poses, rubbing(poses, poses, 108e3))
    factor = {90.0: 1.0, 40.0: 1.5557, 30.0: 2.0}[margin_deg]
    assert loads.left_rod_force == pytest.approx(factor * 900.0, rel=1e-4)


def test_smaller_steering_arm_means_more_force_and_more_toe_per_play():
    # Direction of the effect: common practice, no source.
    arm = np.array([80.0, 100.0, 120.0])
    outer = np.stack([arm, np.full(3, 600.0), np.full(3, 250.0)], axis=-1)
    poses = solve_linkage(SQUARE.with_tie_rod(outer, outer - [0.0, 300.0, 0.0]), 0.0, 0.0)
    loads = by_image(poses, poses, rubbing(poses, poses, MOMENT))
    assert np.all(np.diff(loads.left_rod_force) < 0.0)
    assert np.all(np.diff(poses.steer_per_rack) < 0.0)
    assert poses.steer_per_rack == pytest.approx(1.0 / arm, rel=1e-12)


# --- toe of play and of rod length ---------------------------------------------------------------


def toe_in_per_rod_length(poses):
    """Change of toe-in per mm that the tie rod is made longer, rad/mm.

    From (O - I) . (dO - dI) = l dl: a rod longer by dl turns the wheel as a rack displacement
    of dl / e_y does, with e the rod's direction.
    """
    rod = poses.outer_xyz - poses.inner_xyz
    return -poses.steer_per_rack * np.linalg.norm(rod, axis=0) / rod[1]


def test_length_error_of_half_a_millimetre():
    # Recomputed: 0.5 mm on a 120 mm arm is 0.239 deg of toe.
    poses = solve_linkage(SQUARE, 0.0, 0.0)
    assert np.degrees(0.5 * abs(toe_in_per_rod_length(poses))) == pytest.approx(0.239, abs=5e-4)
    assert np.degrees(0.5 * poses.steer_per_rack) == pytest.approx(0.239, abs=5e-4)


@CORNERS
def test_toe_of_rod_length_by_a_longer_rod(points):
    # The same upright turned by a rod that is longer by dl: with arms, height and inner joint as
    # they are, solve the closure for the turn, here from the kernel at another rack displacement
    # at which the old rod's end is dl nearer to the joint it should reach.
    poses = solve_linkage(points, 0.0, 0.0, STATIC)
    step = 1e-3
    toe = {}
    for sign in (1.0, -1.0):
        shift = 0.0
        for _ in range(20):
            moved = solve_linkage(points, 0.0, shift, STATIC)
            length = np.linalg.norm(moved.outer_joint - points.inner_joint)
            wanted = np.linalg.norm(points.outer_joint - points.inner_joint) + sign * step
            rod = moved.outer_joint - points.inner_joint
            shift = shift + (wanted - length) * length / rod[1]
        assert length == pytest.approx(wanted, abs=1e-10)
        toe[sign] = -moved.steer
    change = (toe[1.0] - toe[-1.0]) / (2.0 * step)
    assert toe_in_per_rod_length(poses) == pytest.approx(change, rel=1e-7)
    # Longer rods ahead of the axis toe the wheels out, behind it they toe them in.
    assert (change < 0.0) == (points is POINTS)


@pytest.mark.parametrize(("name", "ahead"), [("front steer", True), ("rear steer", False)])
def test_play_has_no_sign(name, ahead):
    asked = case(name)
    designs = random_designs(asked, 5)
    poses = solve_linkage(asked.corners(designs)[0], 0.0, 0.0, asked.car.attitude)
    rate = poses.steer_per_rack
    assert ((rate > 0.0) == ahead).all()
    play = asked.evaluate(designs).metrics["toe_per_rack_mm_deg"]
    there = np.isfinite(play)
    assert there.sum() >= 2
    np.testing.assert_allclose(play[there], np.degrees(np.abs(rate[there])), rtol=1e-9)
