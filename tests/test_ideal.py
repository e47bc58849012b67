"""Ideal inner joints against closed forms, the full linkage, scipy and an independent referee.

All cars are invented. Those of `references.corners` are shared; the others are drawn here.
"""

import numpy as np
import pytest
from frozen_toe import fit_circle_at, frozen_toe_path, path_of
from references.corners import CORNERS, points_of, spin_axis_of
from scipy.optimize import least_squares, root
from scipy.spatial.transform import Rotation

from optimiser.linkage.at_rack import describe_arm, place_outer_joint, solve_linkage
from optimiser.linkage.attitude import Attitude
from optimiser.linkage.hardpoints import Hardpoints
from optimiser.metrics.ideal import (
    REASONS,
    Fit,
    ideal_for_motion,
    ideal_inner_joint,
    ideal_line,
    solve_for_spacing,
    trapezium_weights,
    upright_motion,
)
from optimiser.metrics.ideal.spacing import _all_roots
from optimiser.metrics.kinematic import bump_steer, trapezium_rms

TRAVEL = np.linspace(-60.0, 60.0, 41)
REACHED = [name for name in CORNERS if name != "short of travel"]
BENT = [name for name in REACHED if name != "parallel equal arms"]


def corner(name):
    """Points and the static toe and camber of an invented corner."""
    toe, camber = (CORNERS[name][f"static_{angle}_deg"] for angle in ("toe_in", "camber"))
    return Hardpoints.from_mapping(points_of(name)), Attitude(np.radians(toe), np.radians(camber))


def solutions_of_each(found):
    """Number of solutions of each question that `solve_for_spacing` was asked, (...)."""
    size = int(np.prod(found.shape, dtype=int))
    return np.bincount(found.question, minlength=size).reshape(found.shape)


def car(lower, upper, lean=0.0):
    """A corner from (pivot y, pivot z, ball y, ball z) of each arm, pivot axes along the car.

    `lean` is how far the upper ball joint stands behind the lower one.
    """
    (
        (lower_y, lower_z, lower_ball_y, lower_ball_z),
        (upper_y, upper_z, upper_ball_y, upper_ball_z),
    ) = (
        lower,
        upper,
    )
    return Hardpoints.from_mapping(
        {
            "lower_front_pivot": (140.0, lower_y, lower_z),
            "lower_rear_pivot": (-140.0, lower_y, lower_z),
            "lower_ball_joint": (0.5 * lean, lower_ball_y, lower_ball_z),
            "upper_front_pivot": (110.0, upper_y, upper_z),
            "upper_rear_pivot": (-110.0, upper_y, upper_z),
            "upper_ball_joint": (-0.5 * lean, upper_ball_y, upper_ball_z),
            "wheel_centre": (0.0, lower_ball_y + 45.0, 275.0),
            "outer_joint": (110.0, lower_ball_y - 5.0, 210.0),
            "inner_joint": (110.0, lower_y + 30.0, 210.0),
        }
    )


def arm_of(points):
    """Length, angle and side of the steering arm drawn."""
    arm = describe_arm(points)
    return float(arm.length_mm), float(arm.angle), arm.ahead


def outer_joints(points, heights):
    length, angle, ahead = arm_of(points)
    return place_outer_joint(points, length, heights, angle, ahead)


# --- the upright with its steer angle held ------------------------------------------------------


def held_upright(points, spin, travel, start=None):
    """Shift and rotation vector of the upright by scipy: four links, wheel travel, steer angle.

    Shares nothing with the package but the points: no circles, no closed form. None where scipy
    finds no pose near `start`.
    """
    arms = [
        (points.lower_ball_joint, points.lower_front_pivot),
        (points.lower_ball_joint, points.lower_rear_pivot),
        (points.upper_ball_joint, points.upper_front_pivot),
        (points.upper_ball_joint, points.upper_rear_pivot),
    ]

    def equations(unknown):
        turn = Rotation.from_rotvec(unknown[3:])
        held = [
            np.linalg.norm(
                turn.apply(ball - points.wheel_centre) + points.wheel_centre + unknown[:3] - pivot
            )
            - np.linalg.norm(ball - pivot)
            for ball, pivot in arms
        ]
        s = turn.apply(spin)
        return [*held, unknown[2] - travel, 1e3 * (s[0] * spin[1] - s[1] * spin[0])]

    start = np.r_[0.0, 0.0, travel, 0.0, 0.0, 0.0] if start is None else start
    found = root(equations, start, tol=1e-14).x
    return found if np.abs(equations(found)).max() < 1e-9 else None


def moved_by(found, points, point):
    turn = Rotation.from_rotvec(found[3:])
    return turn.apply(point - points.wheel_centre) + points.wheel_centre + found[:3]


@pytest.mark.parametrize("name", REACHED)
def test_frozen_toe_path_agrees_with_six_equations_solved_by_scipy(name):
    points, static = corner(name)
    travel = np.linspace(-45.0, 45.0, 7)
    path = frozen_toe_path(points, points.outer_joint, travel, attitude=static)
    for at, expected in zip(travel, path, strict=True):
        found = held_upright(points, spin_axis_of(name), at)
        np.testing.assert_allclose(
            moved_by(found, points, points.outer_joint), expected, rtol=0.0, atol=1e-8
        )


@pytest.mark.parametrize("name", REACHED)
def test_frozen_toe_path_is_the_linkage_with_its_rack_moved_to_hold_the_steer_angle(name):
    points, static = corner(name)
    travel = np.linspace(*CORNERS[name]["travel_mm"], 21)
    rack = np.zeros_like(travel)
    for _ in range(8):
        poses = solve_linkage(points, travel, rack, attitude=static)
        rack = rack - (poses.steer + static.toe_in) / poses.steer_per_rack
    motion = upright_motion(points, travel, attitude=static)
    for point, moved in (
        (points.outer_joint, poses.outer_joint),
        (points.upper_ball_joint, poses.upper_ball_joint),
        (points.wheel_centre, poses.wheel_centre),
    ):
        np.testing.assert_allclose(path_of(motion, point), moved, rtol=0.0, atol=1e-9)
    # The lever of the tie rod, from the same motion, gives the linkage's own rate of steer.
    rod = path_of(motion, points.outer_joint) - poses.inner_joint
    velocity = motion.shift + np.cross(motion.turn, path_of(motion, points.outer_joint))
    np.testing.assert_allclose(
        rod[:, 1] / np.sum(rod * velocity, axis=-1), poses.steer_per_rack, rtol=1e-11
    )


def test_wheel_travel_out_of_reach_is_nan_where_the_linkage_says_so():
    points, static = corner("short of travel")
    travel = np.linspace(-150.0, 150.0, 31)
    path = frozen_toe_path(points, points.outer_joint, travel, attitude=static)
    exists = solve_linkage(points, travel, 0.0, attitude=static).exists
    assert 3 < exists.sum() < 31
    np.testing.assert_array_equal(np.isfinite(path).all(axis=-1), exists)


FAR = {
    # Two corners bent far out of shape, near the end of what their arms reach.
    "a pose near the fold that a march in small steps reaches": (
        {
            "lower_front_pivot": (168.0, 286.0, 108.0),
            "lower_rear_pivot": (-111.0, 260.0, 196.0),
            "lower_ball_joint": (31.0, 666.0, 179.0),
            "upper_front_pivot": (94.0, 335.0, 379.0),
            "upper_rear_pivot": (-110.0, 410.0, 409.0),
            "upper_ball_joint": (7.0, 586.0, 346.0),
            "wheel_centre": (14.0, 646.0, 223.0),
            "outer_joint": (92.0, 606.0, 242.0),
            "inner_joint": (151.0, 332.0, 169.0),
        },
        -65.0,
        True,
    ),
    "another pose has that travel, but no way leads to it": (
        {
            "lower_front_pivot": (147.0, 313.0, 112.0),
            "lower_rear_pivot": (-244.0, 308.0, 112.0),
            "lower_ball_joint": (79.0, 577.0, 196.0),
            "upper_front_pivot": (132.0, 342.0, 424.0),
            "upper_rear_pivot": (-98.0, 311.0, 312.0),
            "upper_ball_joint": (-73.0, 534.0, 361.0),
            "wheel_centre": (-49.0, 654.0, 238.0),
            "outer_joint": (137.0, 651.0, 191.0),
            "inner_joint": (143.0, 342.0, 230.0),
        },
        70.0,
        False,
    ),
}


@pytest.mark.parametrize("case", FAR)
def test_poses_are_those_that_a_march_from_rest_reaches(case):
    drawn, travel, reached = FAR[case]
    points = Hardpoints.from_mapping(drawn)
    found = np.zeros(6)
    for part in np.linspace(0.0, travel, 131)[1:]:
        found = held_upright(points, np.array([0.0, 1.0, 0.0]), part, found)
        if found is None:
            break
    assert (found is not None) == reached
    path = frozen_toe_path(points, points.outer_joint, [travel])[0]
    expected = moved_by(found, points, points.outer_joint) if reached else np.full(3, np.nan)
    np.testing.assert_allclose(path, expected, rtol=0.0, atol=1e-7)


def test_a_batch_of_arms_gives_what_each_gives_alone():
    names = ["front steer", "rear steer", "large caster"]
    cars = [corner(name) for name in names]
    batch = Hardpoints.from_mapping(
        {key: np.stack([getattr(p, key) for p, _ in cars]) for key, _ in cars[0][0].items()}
    )
    toe, camber = (
        np.array([getattr(static, angle) for _, static in cars]) for angle in ("toe_in", "camber")
    )
    heights = np.array([[160.0], [240.0]])
    outer = np.stack([np.stack([outer_joints(p, h) for p, _ in cars]) for h in heights[:, 0]])
    together = ideal_inner_joint(batch, outer, outer[..., 0], TRAVEL, Attitude(toe, camber))
    assert together.length_mm.shape == (2, 3)
    for row in range(2):
        for column, (points, static) in enumerate(cars):
            at = outer[row, column]
            alone = ideal_inner_joint(points, at, at[0], TRAVEL, attitude=static)
            np.testing.assert_allclose(
                together.inner_joint[row, column], alone.inner_joint, rtol=0.0, atol=1e-8
            )
            np.testing.assert_allclose(together.toe_rms[row, column], alone.toe_rms, rtol=1e-6)


# --- the fit: values known without the package --------------------------------------------------


def helix(reach, count=61):
    """Helix about the x axis: radius 100, rise 20 per radian, at y = 100 in its middle."""
    t = np.linspace(-reach, reach, count)
    return np.stack([20.0 * t, 100.0 * np.cos(t), 100.0 * np.sin(t)], axis=-1)


def test_helix_centre_of_curvature():
    # Radius of curvature (a^2 + b^2) / a = 104 and, as it is constant, centre of the osculating
    # sphere on the principal normal at radius a - 104 = -4. Struik, Differential Geometry (value
    # from memory; recomputed).
    fit = fit_circle_at(helix(0.01), 0.0)
    np.testing.assert_allclose(fit.centre, [0.0, -4.0, 0.0], rtol=0.0, atol=0.01)
    assert fit.radius_mm == pytest.approx(104.0, abs=0.01)


def test_helix_residual_falls_with_the_fourth_power_on_the_sphere_and_the_third_off_it():
    # The osculating sphere touches to third order. Elsewhere on the line through its centre
    # along the binormal (100, 0, -20) / 102 only to second: at x = 50 the centre is z = -10.
    reach = np.array([0.4, 0.2, 0.1, 0.05])
    on = np.array([float(fit_circle_at(helix(r), 0.0).residual_mm) for r in reach])
    off = [fit_circle_at(helix(r), 50.0) for r in reach]
    np.testing.assert_allclose(off[-1].centre, [50.0, -4.0, -10.0], rtol=0.0, atol=0.1)
    order_on = np.log2(on[:-1] / on[1:])
    order_off = np.log2(
        np.divide(*(np.array([float(f.residual_mm) for f in s]) for s in (off[:-1], off[1:])))
    )
    np.testing.assert_allclose(order_on, 4.0, atol=0.05)
    np.testing.assert_allclose(order_off, 3.0, atol=0.05)


def test_circle_in_a_sloping_plane_is_found_on_its_axis_at_any_x():
    rng = np.random.default_rng(4)
    axis = np.array([0.9, 0.3, -0.2]) / np.linalg.norm([0.9, 0.3, -0.2])
    u = np.cross(axis, [0.0, 0.0, 1.0])
    u /= np.linalg.norm(u)
    v = np.cross(axis, u)
    angle = np.sort(rng.uniform(-0.3, 0.3, 25))[:, None]
    path = np.array([10.0, 300.0, 200.0]) + 280.0 * (np.cos(angle) * u + np.sin(angle) * v)
    x = np.array([-200.0, 10.0, 150.0])
    fit = fit_circle_at(path, x)
    on_axis = np.array([10.0, 300.0, 200.0]) + ((x - 10.0) / axis[0])[:, None] * axis
    np.testing.assert_allclose(fit.centre, on_axis, rtol=0.0, atol=1e-8)
    np.testing.assert_allclose(fit.residual_mm, 0.0, atol=1e-11)
    np.testing.assert_allclose(fit.radius_mm, np.hypot(280.0, (x - 10.0) / axis[0]), rtol=1e-12)


@pytest.mark.parametrize("name", BENT)
@pytest.mark.parametrize("pinned", [False, True])
def test_linear_fit_agrees_with_a_geometric_fit_by_scipy(name, pinned):
    # The linear fit weighs d^2 - l^2 where the tie rod's error is d - l. Measured here: the place
    # moves by less than 0.02 mm and the RMS error by less than one part in ten thousand.
    points, static = corner(name)
    weights = trapezium_weights(TRAVEL)
    outer = outer_joints(points, 240.0)
    path = frozen_toe_path(points, outer, TRAVEL, attitude=static)
    x = outer[0] + 30.0
    fit = fit_circle_at(path, x, weights=weights, through=outer if pinned else None)

    def error(unknown):
        at = np.array([x, unknown[0], unknown[1]])
        length = np.linalg.norm(outer - at) if pinned else unknown[2]
        return np.sqrt(weights) * (np.linalg.norm(path - at, axis=-1) - length)

    start = [*fit.centre[1:], fit.radius_mm][: 2 if pinned else 3]
    best = least_squares(error, start, xtol=1e-15, ftol=1e-15, gtol=1e-15)
    np.testing.assert_allclose(fit.centre[1:], best.x[:2], rtol=0.0, atol=0.02)
    assert fit.residual_mm == pytest.approx(np.sqrt(2.0 * best.cost), rel=1e-4)
    assert fit.residual_mm >= np.sqrt(2.0 * best.cost) * (1.0 - 1e-9)


@pytest.mark.parametrize("name", BENT)
def test_a_fit_free_in_x_is_ill_conditioned_and_one_at_given_x_is_not(name):
    # Singular values of the centred path: extent, bend, and departure from a plane. The order of
    # 1e-4 is recomputed; these corners give 2e-6 to 4e-5, and the bend 0.04 to 0.06.
    points, static = corner(name)
    path = frozen_toe_path(points, points.outer_joint, TRAVEL, attitude=static)
    centred = path - path.mean(axis=0)
    free = np.linalg.svd(centred, compute_uv=False)
    given = np.linalg.svd(centred[:, 1:], compute_uv=False)
    assert free[2] / free[0] < 2e-4
    assert given[1] / given[0] > 0.02
    fit = fit_circle_at(path, points.inner_joint[0])
    assert fit.condition == pytest.approx(given[0] / given[1], rel=1e-9)
    assert fit.bend_mm == pytest.approx(given[1] / np.sqrt(TRAVEL.size), rel=1e-9)


def test_weights_are_the_trapezium_rule_of_the_metrics():
    travel = np.array([-60.0, -31.0, -12.0, 0.0, 7.0, 22.0, 60.0])
    values = np.sin(travel)
    expected = trapezium_rms(values, travel)
    assert np.sqrt(trapezium_weights(travel) @ values**2) == pytest.approx(expected, rel=1e-14)


@pytest.mark.parametrize("travel", [[0.0, 10.0], [-10.0, 0.0, 0.0, 10.0], [10.0, 0.0, -10.0]])
def test_wheel_travel_that_gives_no_circle_is_refused(travel):
    with pytest.raises(ValueError, match="at least three values, each above the one before"):
        trapezium_weights(travel)


# --- where there is no ideal joint --------------------------------------------------------------


def trailing():
    """Arms that swing about axes across the car: every path is an arc in a plane y = constant."""
    return Hardpoints.from_mapping(
        {
            "lower_front_pivot": (-300.0, 650.0, 200.0),
            "lower_rear_pivot": (-300.0, 450.0, 200.0),
            "lower_ball_joint": (0.0, 620.0, 180.0),
            "upper_front_pivot": (-300.0, 620.0, 400.0),
            "upper_rear_pivot": (-300.0, 430.0, 400.0),
            "upper_ball_joint": (0.0, 600.0, 380.0),
            "wheel_centre": (0.0, 680.0, 280.0),
            "outer_joint": (120.0, 600.0, 240.0),
            "inner_joint": (-180.0, 300.0, 260.0),
        }
    )


def test_straight_path_beside_its_centre_suits_any_length():
    points = trailing()
    # The outer joint's circle has its centre 300 mm behind and 20 mm above it.
    joint = ideal_inner_joint(points, points.outer_joint, -180.0, TRAVEL)
    assert joint.status == Fit.ANY_LENGTH
    assert not joint.meaningful
    assert np.isnan(joint.inner_joint).all()
    assert np.isnan([joint.length_mm, joint.residual_mm, joint.toe_largest, joint.toe_rms]).all()
    assert "any tie-rod length along the line square to it" in REASONS[Fit(int(joint.status))]
    np.testing.assert_allclose(np.abs(joint.fit.line_direction), [0.0, 1.0, 0.0], atol=1e-9)
    for distance in (150.0, 400.0):
        inner = joint.fit.line_point - np.array([0.0, distance, 0.0])
        change = bump_steer(points.with_tie_rod(points.outer_joint, inner), TRAVEL)
        assert np.degrees(change.largest) < 1e-6


def test_straight_path_away_from_its_centre_suits_no_length_and_longer_is_better():
    points = trailing()
    joint = ideal_inner_joint(points, points.outer_joint, 0.0, TRAVEL)
    assert joint.status == Fit.NO_LENGTH
    assert np.isnan(joint.inner_joint).all()
    assert "no tie rod keeps toe" in REASONS[Fit(int(joint.status))]
    largest = [
        bump_steer(
            points.with_tie_rod(
                points.outer_joint, joint.fit.line_point - np.array([0.0, distance, 0.0])
            ),
            TRAVEL,
        ).largest
        for distance in (200.0, 400.0)
    ]
    assert np.degrees(largest[1]) > 0.5
    assert largest[1] < 0.6 * largest[0]


@pytest.mark.parametrize(
    ("reach", "radius", "expected"),
    [
        (60.0, 19_000.0, Fit.GOOD),
        (60.0, 21_000.0, Fit.NO_LENGTH),
        (5.0, 19_000.0, Fit.GOOD),
        # Within +-5 mm a 100 mm rod is 0.037 mm RMS off a straight path, less than the limit.
        (5.0, 21_000.0, Fit.ANY_LENGTH),
    ],
)
def test_straightness_is_told_by_the_radius_whatever_the_travel(reach, radius, expected):
    z = np.linspace(-reach, reach, 31)
    fit = fit_circle_at(np.stack([0 * z, 600.0 - z**2 / (2.0 * radius), z], axis=-1), 0.0)
    assert fit.status == expected
    if expected == Fit.GOOD:
        assert fit.radius_mm == pytest.approx(radius, rel=1e-3)


def test_condition_beyond_rounding_counts_as_straight():
    t = np.linspace(-1e-5, 1e-5, 31)  # +-0.003 mm on a radius of 300 mm
    fit = fit_circle_at(np.stack([0 * t, 300.0 * np.cos(t), 300.0 * np.sin(t)], axis=-1), 0.0)
    assert fit.condition > 1e5
    tiny = fit_circle_at(
        np.stack([0 * t, 300.0 * np.cos(t / 100), 300.0 * np.sin(t / 100)], axis=-1), 0.0
    )
    assert tiny.status == Fit.ANY_LENGTH


def test_path_that_bends_both_ways_has_no_joint():
    z = np.linspace(-60.0, 60.0, 41)
    fit = fit_circle_at(np.stack([0 * z, 600.0 + 5.0 * (z / 60.0) ** 3, z], axis=-1), 0.0)
    assert fit.status == Fit.NO_ARC
    assert np.isnan(fit.centre).all()
    assert "bends both ways" in REASONS[Fit(int(fit.status))]


def test_travel_out_of_reach_has_no_joint_and_says_so():
    points, static = corner("short of travel")
    travel = np.linspace(-150.0, 150.0, 31)
    for pinned in (False, True):
        joint = ideal_inner_joint(
            points, points.outer_joint, 100.0, travel, through_rest=pinned, attitude=static
        )
        assert joint.status == Fit.NO_PATH
        assert np.isnan(joint.inner_joint).all()
    assert "does not reach the whole" in REASONS[Fit(int(joint.status))]


def test_every_outcome_has_a_reason():
    assert set(REASONS) == set(Fit)


# --- ideal joints of known cars -----------------------------------------------------------------


@pytest.mark.parametrize("fore_aft", [-115.0, -40.0, 80.0])
def test_parallel_equal_arms(fore_aft):
    # Both arms, their pivot axes along x, are the one vector w = ball - pivot in (y, z). Then the
    # upright only shifts, by the motion of w's end on its circle, and every point of it draws
    # that circle about the point -w from its place at rest. So the ideal inner joint is the outer
    # joint less w at any x: spacing 2 (O_y - w_y), rack height O_z - w_z; here w = (330, -15).
    points, static = corner("parallel equal arms")
    outer = outer_joints(points, np.array([155.0, 220.0, 300.0, 360.0]))
    joint = ideal_inner_joint(points, outer, fore_aft, TRAVEL, attitude=static)
    assert joint.meaningful.all()
    np.testing.assert_allclose(joint.spacing_mm, 2.0 * (outer[:, 1] - 330.0), atol=1e-8)
    np.testing.assert_allclose(joint.rack_height_mm, outer[:, 2] + 15.0, atol=1e-8)
    np.testing.assert_allclose(
        joint.length_mm, np.sqrt(330.0**2 + 15.0**2 + (outer[:, 0] - fore_aft) ** 2), rtol=1e-12
    )
    np.testing.assert_allclose(joint.residual_mm, 0.0, atol=1e-10)
    np.testing.assert_allclose(joint.toe_largest, 0.0, atol=1e-12)


@pytest.mark.parametrize("name", REACHED)
def test_outer_joint_on_a_ball_joint_has_its_ideal_on_that_arms_pivot_axis(name):
    # A ball joint runs on its arm's circle whatever the upright does, and only the points of the
    # pivot axis are equally far from all of it.
    points, static = corner(name)
    for ball, front, rear in (
        (points.lower_ball_joint, points.lower_front_pivot, points.lower_rear_pivot),
        (points.upper_ball_joint, points.upper_front_pivot, points.upper_rear_pivot),
    ):
        motion = upright_motion(points, TRAVEL, attitude=static)
        fit = fit_circle_at(path_of(motion, ball), 60.0)
        on_axis = rear + (60.0 - rear[0]) / (front[0] - rear[0]) * (front - rear)
        np.testing.assert_allclose(fit.centre, on_axis, rtol=0.0, atol=1e-7)
        assert fit.residual_mm < 1e-10


LAYOUTS = {
    "upper arm shorter": car((300.0, 165.0, 640.0, 150.0), (385.0, 375.0, 605.0, 400.0)),
    "upper arm longer": car((410.0, 165.0, 640.0, 150.0), (290.0, 375.0, 630.0, 400.0)),
}


@pytest.mark.parametrize("layout", LAYOUTS)
def test_ideal_tie_rod_points_at_the_pole(layout):
    # Outer joint, pole and inner joint are collinear: Reimpell, Stoll, Betzler, The Automotive
    # Chassis, 4.7.3. The pole is where the lines of the two arms meet seen from ahead.
    points = LAYOUTS[layout]
    lines = []
    for pivot, ball in (
        (points.lower_front_pivot[1:], points.lower_ball_joint[1:]),
        (points.upper_front_pivot[1:], points.upper_ball_joint[1:]),
    ):
        along = (ball - pivot) / np.linalg.norm(ball - pivot)
        lines.append((np.array([-along[1], along[0]]), np.array([-along[1], along[0]]) @ pivot))
    pole = np.linalg.solve(np.stack([n for n, _ in lines]), np.array([c for _, c in lines]))
    outer = outer_joints(points, np.array([180.0, 260.0, 340.0]))
    misses = []
    for reach in (8.0, 4.0, 2.0):
        joint = ideal_inner_joint(points, outer, outer[:, 0], np.linspace(-reach, reach, 21))
        rod = outer[:, 1:] - joint.inner_joint[:, 1:]
        rod /= np.linalg.norm(rod, axis=-1)[:, None]
        to_pole = pole - outer[:, 1:]
        misses.append(np.abs(rod[:, 0] * to_pole[:, 1] - rod[:, 1] * to_pole[:, 0]))
    assert (misses[-1] < 1e-3 * np.linalg.norm(pole - outer[:, 1:], axis=-1)).all()
    np.testing.assert_allclose(np.log2(np.divide(misses[1], misses[2])), 2.0, atol=0.2)


def test_higher_outer_joint_wants_a_longer_rod_where_the_upper_arm_is_longer():
    # Direction of the effect: Reimpell, Stoll, Betzler, The Automotive Chassis, 4.7.3; the
    # opposite layout follows from the ball joints, whose ideal rods are the arms themselves.
    heights = np.linspace(160.0, 390.0, 12)
    lengths = {}
    for name, points in LAYOUTS.items():
        length, angle, ahead = arm_of(points)
        line = ideal_line(
            points, points.outer_joint[0], heights, length, angle, ahead=ahead, travel_mm=TRAVEL
        )
        lengths[name] = line.joint.length_mm
    assert (np.diff(lengths["upper arm longer"]) > 0.0).all()
    assert (np.diff(lengths["upper arm shorter"]) < 0.0).all()


LOWERING = {
    # name: (car, whether the ideal spacing falls as rack and arm go down together)
    "pivots 40 mm further in below": (
        car((310.0, 165.0, 640.0, 150.0), (350.0, 370.0, 605.0, 395.0), 18.0),
        True,
    ),
    "pivots 70 mm further in below": (
        car((290.0, 170.0, 645.0, 145.0), (360.0, 365.0, 610.0, 405.0), 25.0),
        True,
    ),
    "pivots 130 mm further in below": (
        car((250.0, 180.0, 650.0, 150.0), (380.0, 350.0, 600.0, 410.0), 30.0),
        True,
    ),
    "pivots 95 mm further in below": (
        car((280.0, 160.0, 630.0, 155.0), (375.0, 372.0, 598.0, 380.0), 8.0),
        True,
    ),
    "parallel equal arms, leaning in": (
        car((310.0, 175.0, 640.0, 150.0), (270.0, 420.0, 600.0, 395.0), 20.0),
        False,
    ),
    "parallel equal arms, leaning more": (
        car((300.0, 160.0, 640.0, 150.0), (250.0, 410.0, 590.0, 400.0), 12.0),
        False,
    ),
}


@pytest.mark.parametrize("name", LOWERING)
def test_lowering_rack_and_arm_together(name):
    # The ideal spacing falls where the lower pivots are further inboard than the upper ones, and
    # grows with parallel equal arms: at the ball joints the ideal joints are the pivots.
    points, falls = LOWERING[name]
    inboard = points.lower_front_pivot[1] < points.upper_front_pivot[1]
    assert inboard == falls
    length, angle, ahead = arm_of(points)
    heights = np.linspace(points.lower_ball_joint[2], points.upper_ball_joint[2], 13)
    line = ideal_line(
        points, points.outer_joint[0], heights, length, angle, ahead=ahead, travel_mm=TRAVEL
    )
    change = np.diff(line.joint.spacing_mm)
    assert (change > 0.0).all() if falls else (change < 0.0).all()
    assert abs(line.joint.spacing_mm[-1] - line.joint.spacing_mm[0]) > 50.0
    np.testing.assert_array_equal(line.arm_height_mm, heights)
    np.testing.assert_allclose(line.outer_joint[:, 2], heights, rtol=1e-14)


# --- the toe that remains -----------------------------------------------------------------------


@pytest.mark.parametrize("name", BENT)
@pytest.mark.parametrize("pinned", [False, True])
def test_residual_toe_is_what_the_linkage_gives_with_that_inner_joint(name, pinned):
    points, static = corner(name)
    outer = outer_joints(points, np.array([160.0, 220.0, 300.0, 370.0]))
    joint = ideal_inner_joint(
        points, outer, outer[:, 0] + 25.0, TRAVEL, through_rest=pinned, attitude=static
    )
    change = bump_steer(points.with_tie_rod(outer, joint.inner_joint), TRAVEL, attitude=static)
    assert (np.degrees(change.largest) > 3e-4).all()
    np.testing.assert_allclose(joint.toe_largest, change.largest, rtol=2e-4)
    np.testing.assert_allclose(joint.toe_rms, change.rms, rtol=2e-4)
    np.testing.assert_allclose(
        joint.length_mm, np.linalg.norm(outer - joint.inner_joint, axis=-1), rtol=1e-14
    )


@pytest.mark.parametrize("name", BENT)
def test_no_neighbour_has_less_bump_steer_than_the_fit_through_rest(name):
    # 0.2 mm is well beyond the place's own error against the geometric optimum (0.02 mm).
    points, static = corner(name)
    outer = outer_joints(points, 250.0)
    joint = ideal_inner_joint(points, outer, outer[0], TRAVEL, through_rest=True, attitude=static)
    angle = np.linspace(0.0, 2.0 * np.pi, 16, endpoint=False)
    around = np.stack([0 * angle, np.cos(angle), np.sin(angle)], axis=-1)
    for distance in (0.2, 3.0):
        inner = joint.inner_joint + distance * around
        change = bump_steer(points.with_tie_rod(outer, inner), TRAVEL, attitude=static)
        assert (change.rms > joint.toe_rms).all()


@pytest.mark.parametrize("name", BENT)
def test_fit_through_rest_has_less_bump_steer_than_the_free_fit(name):
    points, static = corner(name)
    outer = outer_joints(points, np.array([180.0, 250.0]))
    travel = np.linspace(-60.0, 40.0, 41)
    free, pinned = (
        ideal_inner_joint(points, outer, outer[:, 0], travel, through_rest=through, attitude=static)
        for through in (False, True)
    )
    rms = [
        bump_steer(points.with_tie_rod(outer, joint.inner_joint), travel, attitude=static).rms
        for joint in (free, pinned)
    ]
    assert (rms[1] < rms[0] * (1.0 - 1e-4)).all()
    assert (free.residual_mm < pinned.residual_mm * (1.0 - 1e-6)).all()


def test_uneven_travel_is_weighed_so_that_the_fit_is_that_of_even_travel():
    points, static = corner("inclined arm axes")
    outer = outer_joints(points, 220.0)
    crowded = np.r_[np.linspace(-60.0, -50.0, 101), np.linspace(-48.0, 60.0, 55)]
    at = {
        key: ideal_inner_joint(points, outer, outer[0], travel, attitude=static).inner_joint
        for key, travel in (("even", np.linspace(-60.0, 60.0, 241)), ("crowded", crowded))
    }
    path = frozen_toe_path(points, outer, crowded, attitude=static)
    unweighted = fit_circle_at(path, outer[0]).centre
    assert np.linalg.norm(unweighted - at["even"]) > 0.5
    np.testing.assert_allclose(at["crowded"], at["even"], rtol=0.0, atol=0.02)


@pytest.mark.parametrize("name", BENT)
def test_remaining_bump_steer_falls_at_least_with_the_third_power_of_travel(name):
    # A sphere about the ideal joint touches the path to second order, so the full linkage is left
    # with an error of third order.
    points, static = corner(name)
    outer = outer_joints(points, 250.0)
    reaches = np.array([40.0, 20.0, 10.0])
    largest = []
    for reach in reaches:
        travel = np.linspace(-reach, reach, 41)
        joint = ideal_inner_joint(points, outer, outer[0] + 20.0, travel, attitude=static)
        pinned = points.with_tie_rod(outer, joint.inner_joint)
        largest.append(float(bump_steer(pinned, travel, attitude=static).largest))
    order = np.log2(np.divide(largest[:-1], largest[1:]))
    assert (order > 2.9).all(), order


# --- line and reverse ---------------------------------------------------------------------------


QUESTION = {"ahead": True, "travel_mm": TRAVEL}


def test_reverse_returns_what_the_line_started_from():
    points, static = corner("front steer")
    length, angle, ahead = arm_of(points)
    heights = np.array([150.0, 163.7, 211.0, 288.123, 402.0])
    lengths = np.array([[95.0], [length], [140.0]])
    fore_aft = np.array([[110.0], [60.0], [150.0]])
    common = {"ahead": ahead, "travel_mm": TRAVEL, "attitude": static}
    line = ideal_line(points, fore_aft, heights, lengths, angle, **common)
    back = solve_for_spacing(
        points,
        line.joint.spacing_mm,
        fore_aft,
        lengths,
        angle,
        height_range_mm=(150.0, 402.0),
        **common,
    )
    assert back.shape == (3, 5)
    np.testing.assert_array_equal(solutions_of_each(back), 1)
    np.testing.assert_array_equal(back.question, np.arange(15))
    np.testing.assert_allclose(
        back.line.arm_height_mm.reshape(3, 5), np.tile(heights, (3, 1)), rtol=0.0, atol=1e-5
    )
    np.testing.assert_allclose(
        back.line.joint.rack_height_mm.reshape(3, 5),
        line.joint.rack_height_mm,
        rtol=0.0,
        atol=1e-5,
    )
    np.testing.assert_allclose(back.line.joint.toe_rms.reshape(3, 5), line.joint.toe_rms, rtol=1e-5)


def turning():
    """A car whose ideal spacing grows, turns and falls again as the arm is raised."""
    return car((300.0, 165.0, 650.0, 150.0), (300.0, 390.0, 570.0, 400.0), 15.0)


def test_all_solutions_are_found_where_the_line_turns():
    points = turning()
    length, angle, _ = arm_of(points)
    heights = np.linspace(150.0, 400.0, 2001)
    spacing = ideal_line(points, 100.0, heights, length, angle, **QUESTION).joint.spacing_mm
    top = int(np.argmax(spacing))
    assert 0 < top < 2000
    wanted = spacing[top] + np.array([5.0, 0.01, -0.001, -0.5, -7.0, -8.6])
    found = solve_for_spacing(
        points,
        wanted,
        100.0,
        length,
        angle,
        height_range_mm=(150.0, 400.0),
        step_mm=25.0,
        **QUESTION,
    )
    np.testing.assert_array_equal(solutions_of_each(found), [0, 0, 2, 2, 2, 1])
    np.testing.assert_array_equal(found.question, [2, 2, 3, 3, 4, 4, 5])
    expected = []
    for value in wanted[2:]:
        expected.append(np.interp(value, spacing[: top + 1], heights[: top + 1]))
        if value > spacing[-1]:
            expected.append(np.interp(value, spacing[:top:-1], heights[:top:-1]))
    np.testing.assert_allclose(found.line.arm_height_mm, expected, rtol=0.0, atol=0.15)
    np.testing.assert_allclose(
        found.line.joint.spacing_mm, wanted[found.question], rtol=0.0, atol=1e-7
    )


def test_line_and_reverse_pass_on_which_fit_is_wanted():
    """Through rest or free: the joints of both are those of the very fit that was asked for."""
    points, static = corner("front steer")
    length, angle, ahead = arm_of(points)
    heights, x = np.array([180.0, 230.0, 290.0]), 100.0
    travel = np.linspace(-60.0, 40.0, 41)  # uneven, so that the two fits part
    places = []
    for through in (False, True):
        asked = {"travel_mm": travel, "attitude": static, "through_rest": through}
        line = ideal_line(points, x, heights, length, angle, ahead=ahead, **asked)
        one = ideal_inner_joint(points, line.outer_joint, x, **asked)
        np.testing.assert_array_equal(line.joint.inner_joint, one.inner_joint)
        back = solve_for_spacing(
            points,
            one.spacing_mm[1],
            x,
            length,
            angle,
            ahead=ahead,
            height_range_mm=(150.0, 400.0),
            **asked,
        )
        assert np.min(np.abs(back.line.arm_height_mm - heights[1])) < 1e-4
        places.append(one.inner_joint)
    assert np.linalg.norm(places[0] - places[1], axis=-1).min() > 0.05


@pytest.mark.parametrize("share", [0.0, 0.25, 0.5, 0.75, -0.5, -1.0])
@pytest.mark.parametrize("middle", [1, 4, 7])
def test_a_line_that_only_touches_the_wanted_spacing_gives_one_solution(share, middle):
    """A double root, where the finer samples meet it: found once, in the middle and at the ends.

    So are two roots closer together than the samples, on either side of it.
    """
    samples = np.linspace(100.0, 180.0, 9)[None]
    touch = samples[0, middle] + 10.0 * share
    if not samples[0, 0] <= touch <= samples[0, -1]:
        return

    def roots(sign, below):
        def gap(_, height):
            value = sign * ((height - touch) ** 2 - below)
            return np.where(np.abs(value) <= 1e-9, 0.0, value)

        return np.sort(_all_roots(gap, np.array([0]), samples)[1])

    for sign in (1.0, -1.0):
        np.testing.assert_allclose(roots(sign, 0.0), [touch], rtol=0, atol=1e-4)
        near = [h for h in (touch - 0.2, touch + 0.2) if samples[0, 0] <= h <= samples[0, -1]]
        np.testing.assert_allclose(roots(sign, 0.04), near, rtol=0, atol=1e-6)
        assert roots(sign, -0.04).size == 0


def test_no_solution_in_the_height_range_gives_empty_arrays():
    points = LAYOUTS["upper arm shorter"]
    length, angle, _ = arm_of(points)
    found = solve_for_spacing(
        points, [100.0, 2000.0], 110.0, length, angle, height_range_mm=(150.0, 400.0), **QUESTION
    )
    np.testing.assert_array_equal(solutions_of_each(found), [0, 0])
    assert found.question.shape == (0,)
    assert found.line.joint.inner_joint.shape == (0, 3)


def test_reverse_takes_one_question_without_a_batch():
    points = LAYOUTS["upper arm shorter"]
    length, angle, _ = arm_of(points)
    line = ideal_line(points, 110.0, 222.0, length, angle, **QUESTION)
    found = solve_for_spacing(
        points,
        line.joint.spacing_mm,
        110.0,
        length,
        angle,
        height_range_mm=(150.0, 400.0),
        **QUESTION,
    )
    assert found.shape == ()
    assert solutions_of_each(found) == 1
    np.testing.assert_allclose(found.line.arm_height_mm, [222.0], atol=1e-5)


def test_joint_passing_infinity_is_no_solution():
    # The upper pivots stand outboard of the wheel, so low paths bend one way and high ones the
    # other; in between, at about z = 265, the ideal joint goes out to infinity on one side and
    # comes back from the other. Samples 10 mm apart step over it.
    points = car((300.0, 165.0, 640.0, 165.0), (900.0, 390.0, 620.0, 390.0))
    length, angle, _ = arm_of(points)
    heights = np.linspace(171.0, 381.0, 22)
    line = ideal_line(points, 110.0, heights, length, angle, **QUESTION)
    spacing = line.joint.spacing_mm
    jump = int(np.argmax(np.diff(spacing)))
    assert line.joint.meaningful.all()
    assert spacing[jump] < -9e3
    assert spacing[jump + 1] > 9e3
    found = solve_for_spacing(
        points,
        [600.0, 0.0, 2500.0],
        110.0,
        length,
        angle,
        height_range_mm=(171.0, 381.0),
        step_mm=10.0,
        **QUESTION,
    )
    np.testing.assert_array_equal(solutions_of_each(found), [0, 1, 1])
    np.testing.assert_allclose(found.line.joint.spacing_mm, [0.0, 2500.0], rtol=0.0, atol=1e-7)


def test_reverse_refuses_what_it_cannot_answer():
    points = LAYOUTS["upper arm shorter"]
    with pytest.raises(ValueError, match="needs its lower end first"):
        solve_for_spacing(
            points, 600.0, 110.0, 110.0, 0.0, height_range_mm=(300.0, 300.0), **QUESTION
        )
    with pytest.raises(ValueError, match="one set of arms"):
        solve_for_spacing(
            points.arms_moved(np.array([0.0, 5.0])),
            600.0,
            110.0,
            110.0,
            0.0,
            height_range_mm=(150.0, 300.0),
            **QUESTION,
        )


def test_ten_thousand_in_one_call_are_each_what_they_are_alone():
    points, static = corner("large caster")
    rng = np.random.default_rng(7)
    outer = place_outer_joint(
        points,
        rng.uniform(80.0, 140.0, 10_000),
        rng.uniform(150.0, 390.0, 10_000),
        rng.uniform(-0.3, 0.3, 10_000),
        False,
    )
    motion = upright_motion(points, TRAVEL, attitude=static)
    joints = ideal_for_motion(motion, outer, outer[:, 0])
    assert joints.meaningful.all()
    for index in (0, 199, 200, 4321, 9_999):
        alone = ideal_for_motion(motion, outer[index], outer[index, 0])
        np.testing.assert_allclose(
            joints.inner_joint[index], alone.inner_joint, rtol=0.0, atol=1e-8
        )
        np.testing.assert_allclose(joints.toe_largest[index], alone.toe_largest, rtol=1e-6)
