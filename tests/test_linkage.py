"""Poses of the corner: symmetries, rates, continuity, reach. The corners are invented.

Whether the poses are the right ones is the business of `test_linkage_referee`.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from references import constraints
from references.corners import CORNERS, points_of, spin_axis_of

from optimiser.linkage import at_rack as linkage
from optimiser.linkage.at_rack import (
    Poses,
    describe_arm,
    place_outer_joint,
    solve_linkage,
    steering_frame,
)
from optimiser.linkage.at_steer import pose_at_rest, solve_steer
from optimiser.linkage.attitude import Attitude
from optimiser.linkage.constants import ball_joint_circle
from optimiser.linkage.hardpoints import CadFrame, Hardpoints
from optimiser.linkage.steering_arm import arm_foot

every_corner = pytest.mark.parametrize("name", CORNERS)
# Corners whose whole range of travel and rack can be reached.
WHOLE = [name for name in CORNERS if "toggle" not in name and "short" not in name]
TOGGLES = ["toggle", "toggle ahead"]
TRAVEL, RACK = np.linspace(-50.0, 50.0, 11), np.linspace(-40.0, 40.0, 9)


def corner(name: str) -> Hardpoints:
    return Hardpoints.from_mapping(points_of(name))


def attitude_of(name: str) -> Attitude:
    toe, camber = (CORNERS[name][f"static_{angle}_deg"] for angle in ("toe_in", "camber"))
    return Attitude(np.radians(toe), np.radians(camber))


def solve(name: str, travel=TRAVEL[:, None], rack=RACK, **options) -> Poses:
    return solve_linkage(corner(name), travel, rack, attitude_of(name), **options)


def random_tie_rods(name: str, count: int, spread_mm: float = 12.0) -> Hardpoints:
    rng = np.random.default_rng(8)
    points = points_of(name)
    return corner(name).with_tie_rod(
        points["outer_joint"] + rng.uniform(-spread_mm, spread_mm, (count, 3)),
        points["inner_joint"] + rng.uniform(-spread_mm, spread_mm, (count, 3)),
    )


def random_corners(count: int, spread_mm: float = 12.0) -> Hardpoints:
    rng = np.random.default_rng(9)
    return Hardpoints.from_mapping(
        {
            name: at + rng.uniform(-spread_mm, spread_mm, (count, 3))
            for name, at in points_of("rear steer").items()
        }
    )


def assert_same_bits(first: Poses, second: Poses) -> None:
    for name in ("lower_ball_xyz", "upper_ball_xyz", "outer_xyz", "inner_xyz", "spin_xyz"):
        np.testing.assert_array_equal(getattr(first, name), getattr(second, name))
    for name in ("steer", "camber", "toggle_sine", "steer_per_travel", "steer_per_rack"):
        np.testing.assert_array_equal(getattr(first, name), getattr(second, name))


# --- what geometry alone demands -----------------------------------------------------------------


@every_corner
def test_rest_is_as_drawn(name):
    poses, points = solve(name, 0.0, 0.0), points_of(name)
    for attribute, point in (
        ("lower_ball_joint", "lower_ball_joint"),
        ("upper_ball_joint", "upper_ball_joint"),
        ("outer_joint", "outer_joint"),
        ("inner_joint", "inner_joint"),
        ("wheel_centre", "wheel_centre"),
    ):
        np.testing.assert_allclose(getattr(poses, attribute), points[point], rtol=0, atol=1e-11)
    np.testing.assert_allclose(poses.spin_axis, spin_axis_of(name), rtol=0, atol=1e-14)
    assert -np.degrees(poses.steer) == pytest.approx(CORNERS[name]["static_toe_in_deg"], abs=1e-12)
    assert np.degrees(poses.camber) == pytest.approx(CORNERS[name]["static_camber_deg"], abs=1e-12)


@every_corner
def test_lengths_are_kept_and_the_wheel_is_at_its_travel(name):
    poses, rest = solve(name), points_of(name)
    moved = {
        "lower_ball_joint": poses.lower_ball_joint,
        "upper_ball_joint": poses.upper_ball_joint,
        "outer_joint": poses.outer_joint,
        "inner_joint": poses.inner_joint,
        "wheel_centre": poses.wheel_centre,
    }
    here = poses.exists
    assert here.mean() > 0.5
    for first, second in (
        ("lower_ball_joint", "lower_front_pivot"),
        ("lower_ball_joint", "lower_rear_pivot"),
        ("upper_ball_joint", "upper_front_pivot"),
        ("upper_ball_joint", "upper_rear_pivot"),
        ("upper_ball_joint", "lower_ball_joint"),
        ("outer_joint", "inner_joint"),
        ("outer_joint", "lower_ball_joint"),
        ("outer_joint", "upper_ball_joint"),
        ("wheel_centre", "lower_ball_joint"),
        ("wheel_centre", "upper_ball_joint"),
        ("wheel_centre", "outer_joint"),
    ):
        drawn = np.linalg.norm(rest[first] - rest[second])
        gap = np.linalg.norm(moved[first] - moved.get(second, rest[second]), axis=-1)
        np.testing.assert_allclose(gap[here], drawn, rtol=0, atol=1e-9)
    risen = poses.wheel_centre[..., 2] - rest["wheel_centre"][2] - TRAVEL[:, None]
    assert np.max(np.abs(risen[here])) < 1e-9
    slid = poses.inner_joint - rest["inner_joint"] - RACK[:, None] * np.array([0.0, 1.0, 0.0])
    assert np.max(np.abs(slid[here])) < 1e-12


def test_tie_rod_parallel_and_equal_to_parallel_equal_arms_holds_toe_exactly():
    # Geometry: the three bars are opposite sides of parallelograms, so the upright only shifts.
    poses = solve("parallel equal arms", np.linspace(-70.0, 70.0, 141), 0.0)
    rest = np.radians(CORNERS["parallel equal arms"]["static_toe_in_deg"])
    assert np.max(np.abs(-poses.steer - rest)) < 1e-12
    assert np.max(np.abs(poses.camber - poses.camber[70])) < 1e-12
    assert np.max(np.abs(poses.steer_per_travel)) < 1e-14
    longer = corner("parallel equal arms").with_tie_rod(
        points_of("parallel equal arms")["outer_joint"],
        points_of("parallel equal arms")["inner_joint"] - [0.0, 1.0, 0.0],
    )
    assert np.ptp(solve_linkage(longer, TRAVEL, 0.0).steer) > 1e-5


@pytest.mark.parametrize("name", WHOLE)
def test_right_wheel_at_r_is_minus_left_wheel_at_minus_r(name):
    # The right-hand corner is solved for itself, with its own points, by six distance equations;
    # its spin axis too is given pointing to the left, so that steer reads alike on both sides.
    flip = np.array([1.0, -1.0, 1.0])
    right = {point: at * flip for point, at in points_of(name).items()}
    travel, rack = np.array([-35.0, 0.0, 40.0]), np.array([-30.0, -11.0, 0.0, 24.0])
    said = constraints.solve_corner(right, -spin_axis_of(name) * flip, travel, rack)
    assert said["feasible"].all()
    ours = solve(name, travel[:, None], -rack)
    np.testing.assert_allclose(said["steer_deg"], -np.degrees(ours.steer), rtol=0, atol=1e-9)
    np.testing.assert_allclose(said["outer_joint"], ours.outer_joint * flip, rtol=0, atol=1e-9)


@pytest.mark.parametrize("name", WHOLE)
def test_fore_aft_mirror_image_steers_the_other_way(name):
    # Reflected in the axle's plane the rack moves as before, and left turns become right turns.
    flip = np.array([-1.0, 1.0, 1.0])
    points = {point: at * flip for point, at in points_of(name).items()}
    for arm in ("lower", "upper"):
        front, rear = points[f"{arm}_front_pivot"], points[f"{arm}_rear_pivot"]
        points[f"{arm}_front_pivot"], points[f"{arm}_rear_pivot"] = rear, front
    rest = attitude_of(name)
    image = solve_linkage(
        Hardpoints.from_mapping(points),
        TRAVEL[:, None],
        RACK,
        Attitude(-rest.toe_in, rest.camber),
    )
    ours = solve(name)
    np.testing.assert_allclose(image.steer, -ours.steer, rtol=0, atol=1e-12)
    np.testing.assert_allclose(image.camber, ours.camber, rtol=0, atol=1e-12)
    np.testing.assert_allclose(image.toggle_sine, ours.toggle_sine, rtol=0, atol=1e-12)
    np.testing.assert_allclose(image.steer_per_rack, -ours.steer_per_rack, rtol=0, atol=1e-12)


@settings(deadline=None, max_examples=40)
@given(name=st.sampled_from(WHOLE), scale=st.floats(0.05, 20.0))
def test_scaling_leaves_angles_unchanged(name, scale):
    points = {point: scale * at for point, at in points_of(name).items()}
    ours = solve(name)
    scaled = solve_linkage(
        Hardpoints.from_mapping(points), scale * TRAVEL[:, None], scale * RACK, attitude_of(name)
    )
    # Travel is met to a fixed 1e-10 mm, so a small car's angles are that much less exact.
    np.testing.assert_allclose(scaled.steer, ours.steer, rtol=0, atol=1e-12 / min(scale, 1.0))
    np.testing.assert_allclose(scaled.camber, ours.camber, rtol=0, atol=1e-12 / min(scale, 1.0))


@settings(deadline=None, max_examples=40)
@given(name=st.sampled_from(WHOLE), shift=st.tuples(*[st.floats(-2000.0, 2000.0)] * 3))
def test_shifting_the_origin_leaves_angles_unchanged(name, shift):
    points = {point: at + np.array(shift) for point, at in points_of(name).items()}
    ours = solve(name)
    moved = solve_linkage(Hardpoints.from_mapping(points), TRAVEL[:, None], RACK, attitude_of(name))
    np.testing.assert_allclose(moved.steer, ours.steer, rtol=0, atol=1e-11)


FRAMES = [
    (forward, left, up)
    for forward in ("+x", "-x", "+y", "-y", "+z", "-z")
    for left in ("+x", "-x", "+y", "-y", "+z", "-z")
    for up in ("+x", "-x", "+y", "-y", "+z", "-z")
    if len({forward[1], left[1], up[1]}) == 3
    and np.linalg.det(
        [np.eye(3)["xyz".index(a[1])] * float(a[0] + "1") for a in (forward, left, up)]
    )
    > 0.0
]


@settings(deadline=None, max_examples=40)
@given(
    name=st.sampled_from(WHOLE),
    axes=st.sampled_from(FRAMES),
    origin=st.tuples(*[st.floats(-3000.0, 3000.0)] * 3),
)
def test_cad_frame_leaves_angles_unchanged(name, axes, origin):
    assert len(FRAMES) == 24
    frame = CadFrame(*axes, ground_origin_mm=origin)
    in_cad = {point: frame.to_cad(at) for point, at in points_of(name).items()}
    back = {point: frame.to_iso(at) for point, at in in_cad.items()}
    ours = solve(name)
    mapped = solve_linkage(Hardpoints.from_mapping(back), TRAVEL[:, None], RACK, attitude_of(name))
    np.testing.assert_allclose(mapped.steer, ours.steer, rtol=0, atol=1e-11)


# --- rates ---------------------------------------------------------------------------------------


@every_corner
def test_rates_against_central_differences(name):
    step, travel, rack = 1e-3, TRAVEL[1:-1, None], RACK[1:-1]
    here = solve(name, travel, rack)
    by_travel = solve(name, travel + step, rack).steer - solve(name, travel - step, rack).steer
    by_rack = solve(name, travel, rack + step).steer - solve(name, travel, rack - step).steer
    # The difference of order step^2 is large where the toggle is near.
    away = here.exists & (here.toggle_margin > np.radians(20.0))
    assert away.sum() > 20
    for rate, difference in ((here.steer_per_travel, by_travel), (here.steer_per_rack, by_rack)):
        np.testing.assert_allclose(rate[away], difference[away] / (2 * step), rtol=2e-6, atol=1e-9)


def test_lift_against_central_differences():
    step = 1e-3
    (rest, up, down) = (solve("large caster", TRAVEL + s, 21.0) for s in (0.0, step, -step))
    rise = (up.lower_ball_xyz[2] - down.lower_ball_xyz[2]) / (2.0 * step)
    np.testing.assert_allclose(rest.rates()[2], 1.0 / rise, rtol=1e-7)


# --- continuity and reach ------------------------------------------------------------------------


def sweep_to_the_end(name: str, travel: float, towards: float) -> tuple[np.ndarray, Poses]:
    rack = towards * np.arange(0.0, 130.0, 0.02)
    return rack, solve(name, travel, rack)


@pytest.mark.parametrize("name", TOGGLES)
@pytest.mark.parametrize("towards", [1.0, -1.0])
@pytest.mark.parametrize("travel", [-45.0, 0.0, 45.0])
def test_steer_never_jumps_and_ends_at_the_toggle(name, travel, towards):
    rack, poses = sweep_to_the_end(name, travel, towards)
    count = int(poses.exists.sum())
    assert 100 < count < len(rack)
    assert poses.exists[:count].all()
    assert np.isnan(poses.steer[count:]).all()
    # Near the toggle steer grows as the square root of what is left of the rack's way.
    rate = np.abs(poses.steer_per_rack[:count])
    steps = np.abs(np.diff(poses.steer[:count]))
    assert np.all(steps <= 0.02 * np.maximum(rate[1:], rate[:-1]) * (1.0 + 1e-9))
    turning = np.diff(poses.steer[:count])
    assert np.all(turning > 0.0) or np.all(turning < 0.0)
    assert np.degrees(poses.toggle_margin[count - 1]) < 3.0
    assert np.all(np.diff(poses.toggle_margin[count // 2 : count]) < 0.0)


def test_the_root_nearest_in_angle_would_be_the_wrong_one():
    # Close to the toggle the other assembly of the same pose turns the wheel less far from rest
    # than a design with its own sign kept: following the sign is what keeps the branch.
    _, poses = sweep_to_the_end("toggle ahead", 0.0, -1.0)
    last = int(poses.exists.sum()) - 1
    points = points_of("toggle ahead")
    drawn = np.cross(
        points["upper_ball_joint"] - points["lower_ball_joint"],
        points["outer_joint"] - points["lower_ball_joint"],
    ) @ (points["inner_joint"] - points["outer_joint"])
    for at in (last // 2, last):
        link = poses.upper_ball_joint[at] - poses.lower_ball_joint[at]
        arm = poses.outer_joint[at] - poses.lower_ball_joint[at]
        volume = np.cross(link, arm) @ (poses.inner_joint[at] - poses.outer_joint[at])
        assert np.sign(volume) == np.sign(drawn)


def test_travel_out_of_reach_is_nan_and_the_rest_is_kept():
    travel = np.linspace(-150.0, 150.0, 601)
    poses = solve("short of travel", travel, 0.0)
    reached = travel[poses.exists]
    assert -150.0 < reached.min() < -60.0
    assert 60.0 < reached.max() <= 150.0
    assert poses.exists[(travel >= reached.min()) & (travel <= reached.max())].all()
    assert np.isnan(poses.lower_ball_joint[~poses.exists]).all()
    assert np.isnan(poses.inner_joint[~poses.exists]).all()
    assert np.isnan(poses.steer_per_rack[~poses.exists]).all()
    assert np.isnan(poses.toggle_margin[~poses.exists]).all()


@every_corner
def test_quick_solution_has_the_same_poses_but_for_a_few_at_the_edge(name):
    ranges = CORNERS[name]
    travel, rack = (np.linspace(*ranges[key], 41) for key in ("travel_mm", "rack_mm"))
    thorough = solve(name, travel[:, None], rack)
    quick = solve(name, travel[:, None], rack, thorough=False)
    assert not np.any(quick.exists & ~thorough.exists)
    lost = thorough.exists & ~quick.exists
    assert lost.mean() < 0.005
    both = quick.exists
    np.testing.assert_allclose(quick.steer[both], thorough.steer[both], rtol=0, atol=1e-11)
    # What is given up lies next to a pose that does not exist.
    padded = np.pad(thorough.exists, 1, constant_values=False)
    inside = np.all(
        [
            padded[1 + i : padded.shape[0] - 1 + i, 1 + j : padded.shape[1] - 1 + j]
            for i in (-1, 0, 1)
            for j in (-1, 0, 1)
        ],
        axis=0,
    )
    assert not np.any(lost & inside)


def test_quick_solution_of_random_corners_is_never_another_branch():
    # Far beyond the reach of most of them; a tenth of the poses and more do not exist.
    corners = random_corners(60, 35.0).with_pose_axes(2)
    travel, rack = np.linspace(-110.0, 110.0, 12)[:, None], np.linspace(-120.0, 120.0, 13)
    thorough = solve_linkage(corners, travel, rack)
    quick = solve_linkage(corners, travel, rack, thorough=False)
    assert 0.5 < thorough.exists.mean() < 0.95
    assert not np.any(quick.exists & ~thorough.exists)
    assert np.mean(thorough.exists & ~quick.exists) < 0.01
    here = quick.exists
    np.testing.assert_allclose(quick.steer[here], thorough.steer[here], rtol=0, atol=1e-10)
    assert np.all(quick.rates()[2][here] > 0.0)


def test_impossible_geometry_is_nan_in_a_batch_that_survives():
    points = {name: np.stack([at] * 5) for name, at in points_of("front steer").items()}
    points["lower_front_pivot"][0] = points["lower_rear_pivot"][0]
    points["upper_ball_joint"][1] = points["lower_ball_joint"][1]
    points["outer_joint"][2] = points["lower_ball_joint"][2]
    points["inner_joint"][3] = np.nan
    poses = solve_linkage(Hardpoints.from_mapping(points).with_pose_axes(1), TRAVEL, 10.0)
    np.testing.assert_array_equal(poses.exists.all(axis=1), [False] * 4 + [True])
    assert not poses.exists[:4].any()
    alone = solve_linkage(corner("front steer"), TRAVEL, 10.0)
    np.testing.assert_array_equal(poses.steer[4], alone.steer)


# --- batches -------------------------------------------------------------------------------------


def test_shapes_broadcast():
    one = corner("front steer")
    assert solve_linkage(one, 0.0, 0.0).shape == ()
    assert solve_linkage(one, TRAVEL, 0.0).shape == (11,)
    assert solve_linkage(one, TRAVEL[:, None], RACK).shape == (11, 9)
    many = random_tie_rods("front steer", 6)
    assert solve_linkage(many, 0.0, 0.0).shape == (6,)
    poses = solve_linkage(many.with_pose_axes(2), TRAVEL[:, None], RACK)
    assert poses.shape == (6, 11, 9)
    assert poses.outer_joint.shape == (6, 11, 9, 3)
    assert solve_linkage(many.with_pose_axes(1), TRAVEL[:0], 0.0).shape == (6, 0)


def test_every_point_may_have_its_own_batch_shape():
    drawn = random_corners(12)
    grid = Hardpoints.from_mapping(
        {
            name: at[:4, None] if "pivot" in name else at[4:7] if "joint" in name else at[0]
            for name, at in drawn.items()
        }
    )
    toe = np.radians([[0.1], [0.2], [-0.3], [0.0]])
    poses = solve_linkage(grid, 12.0, -7.0, Attitude(toe))
    assert poses.shape == (4, 3)
    for row in range(4):
        for column in range(3):
            points = {
                name: at[row] if "pivot" in name else at[4 + column] if "joint" in name else at[0]
                for name, at in drawn.items()
            }
            alone = solve_linkage(
                Hardpoints.from_mapping(points), 12.0, -7.0, Attitude(float(toe[row, 0]))
            )
            assert poses.steer[row, column] == alone.steer


@pytest.mark.parametrize("batch", [random_tie_rods("rear steer", 40), random_corners(40)])
def test_a_design_has_the_same_bits_in_any_batch(batch, monkeypatch):
    whole = solve_linkage(batch.with_pose_axes(1), TRAVEL, 20.0)
    order = np.random.default_rng(1).permutation(40)
    shuffled = solve_linkage(batch.select(order).with_pose_axes(1), TRAVEL, 20.0)
    assert_same_bits(whole.select(slice(None)), whole)
    for name in ("steer", "camber", "toggle_sine", "steer_per_rack"):
        np.testing.assert_array_equal(getattr(shuffled, name), getattr(whole, name)[order])
    alone = solve_linkage(batch.select(slice(7, 8)).with_pose_axes(1), TRAVEL, 20.0)
    np.testing.assert_array_equal(alone.steer[0], whole.steer[7])
    for size in (1, 25, 100):
        monkeypatch.setattr(linkage, "BLOCK_POSES", size)
        assert_same_bits(solve_linkage(batch.with_pose_axes(1), TRAVEL, 20.0), whole)


def test_long_rows_are_cut_into_blocks_too(monkeypatch):
    batch = random_corners(3).with_pose_axes(2)
    whole = solve_linkage(batch, TRAVEL[:, None], RACK)
    monkeypatch.setattr(linkage, "BLOCK_POSES", 20)
    assert_same_bits(solve_linkage(batch, TRAVEL[:, None], RACK), whole)


def test_some_of_the_poses():
    poses = solve("rear steer")
    some = poses.select(np.array([2, 5]))
    assert some.shape == (11, 2)
    np.testing.assert_array_equal(some.steer, poses.steer[:, [2, 5]])
    np.testing.assert_array_equal(some.steer_per_rack, poses.steer_per_rack[:, [2, 5]])


# --- steered poses -------------------------------------------------------------------------------


@every_corner
def test_steer_and_rack_lead_to_the_same_pose(name):
    travel = np.array([-30.0, 0.0, 35.0])[:, None]
    angle = np.radians(np.linspace(-24.0, 24.0, 9))
    steered = solve_steer(corner(name), travel, angle, attitude_of(name))
    assert steered.exists.mean() > 0.8
    np.testing.assert_allclose(
        steered.steer[steered.exists], np.broadcast_to(angle, (3, 9))[steered.exists], atol=1e-12
    )
    rack = steered.inner_xyz[1] - points_of(name)["inner_joint"][1]
    racked = solve(name, travel, np.where(steered.exists, rack, 0.0))
    here = steered.exists
    for attribute in ("outer_joint", "wheel_centre", "upper_ball_joint", "spin_axis"):
        np.testing.assert_allclose(
            getattr(racked, attribute)[here], getattr(steered, attribute)[here], rtol=0, atol=2e-9
        )
    np.testing.assert_allclose(
        racked.toggle_margin[here], steered.toggle_margin[here], rtol=0, atol=1e-10
    )


@pytest.mark.parametrize("name", TOGGLES)
@pytest.mark.parametrize("side", [1.0, -1.0])
def test_steer_ends_where_the_rack_does(name, side):
    angle = side * np.radians(np.linspace(0.0, 160.0, 641))
    steered = solve_steer(corner(name), 0.0, angle, attitude_of(name))
    count = int(steered.exists.sum())
    assert 200 < count < 641
    assert steered.exists[:count].all()
    rack = steered.inner_xyz[1] - points_of(name)["inner_joint"][1]
    turning = np.diff(rack[:count])
    assert np.all(turning > 0.0) or np.all(turning < 0.0)
    last = rack[count - 1]
    around = last + np.sign(last) * np.array([-0.02, 0.02])
    np.testing.assert_array_equal(solve(name, 0.0, around).exists, [True, False])


def test_no_steer_past_the_dead_point_of_the_rack():
    # A rod square to the rack moves the wheel no further; the rack that goes on turns it back.
    points = points_of("front steer")
    points["outer_joint"] = points["lower_ball_joint"] + [60.0, 80.0, 60.0]
    points["inner_joint"] = points["outer_joint"] + [90.0, -60.0, 5.0]
    drawn = Hardpoints.from_mapping(points)
    angle = np.radians(np.linspace(-60.0, 60.0, 121))
    steered = solve_steer(drawn, 0.0, angle)
    assert steered.exists[60]
    assert not steered.exists.all()
    rod = steered.outer_joint - steered.inner_joint
    assert np.all(rod[steered.exists][:, 1] > 0.0)
    rates = np.abs(steered.steer_per_rack[steered.exists])
    assert rates[-1] < 0.2 * rates[0]
    rack = steered.inner_xyz[1, steered.exists]
    assert np.all(np.diff(rack) > 0.0)


def test_steer_beyond_the_suspension_is_nan():
    poses = solve_steer(corner("short of travel"), np.array([0.0, 250.0]), 0.1)
    np.testing.assert_array_equal(poses.exists, [True, False])
    assert np.isnan(poses.inner_joint[1]).all()


@every_corner
def test_pose_at_rest_is_the_solved_one(name):
    drawn, solved = pose_at_rest(corner(name), attitude_of(name)), solve(name, 0.0, 0.0)
    assert drawn.shape == ()
    assert drawn.steer == pytest.approx(float(solved.steer), abs=1e-13)
    assert drawn.toggle_margin == pytest.approx(float(solved.toggle_margin), abs=1e-12)
    assert drawn.steer_per_rack == pytest.approx(float(solved.steer_per_rack), rel=1e-11)
    assert drawn.steer_per_travel == pytest.approx(float(solved.steer_per_travel), abs=1e-15)
    many = pose_at_rest(random_tie_rods(name, 5), attitude_of(name))
    assert many.shape == many.steer.shape == many.steer_per_rack.shape == (5,)


# --- where the outer joint sits ------------------------------------------------------------------


def test_spin_axis_of_toe_and_camber():
    # ISO 8855: toe-in turns the left wheel's front inboard, positive camber leans its top out.
    toe, camber = np.radians([2.0, 0.0]), np.radians([0.0, 3.0])
    axes = Attitude(toe, camber).spin_axis
    np.testing.assert_allclose(axes[0], [np.sin(toe[0]), np.cos(toe[0]), 0.0], atol=1e-16)
    np.testing.assert_allclose(axes[1], [0.0, np.cos(camber[1]), -np.sin(camber[1])], atol=1e-16)
    heading = np.array([axes[0][1], -axes[0][0]])
    assert heading[1] < 0.0  # the left wheel's front points to the right, inboard


@every_corner
def test_the_arm_begins_on_the_steering_axis_square_to_it(name):
    drawn = random_tie_rods(name, 20)
    for at in (drawn, solve_linkage(drawn.with_pose_axes(1), TRAVEL, 5.0, thorough=False)):
        foot, low, up = arm_foot(at), at.lower_ball_joint, at.upper_ball_joint
        axis = (up - low) / np.linalg.norm(up - low, axis=-1, keepdims=True)
        there = np.isfinite(foot).all(axis=-1)
        off_axis = np.linalg.norm(np.cross(foot - low, np.broadcast_to(axis, foot.shape)), axis=-1)
        assert np.max(off_axis[there]) < 1e-10
        square = np.sum((at.outer_joint - foot) * axis, axis=-1)
        assert np.max(np.abs(square[there])) < 1e-10
    # Its length is the arm's, at rest and in every pose: the upright is rigid.
    length = np.linalg.norm(at.outer_joint - foot, axis=-1)
    wanted = np.broadcast_to(describe_arm(drawn).length_mm[:, None], length.shape)
    np.testing.assert_allclose(length[there], wanted[there], rtol=0, atol=1e-8)
    assert there.mean() > 0.2


@every_corner
def test_arm_goes_there_and_back(name):
    points = random_tie_rods(name, 20)
    arm = describe_arm(points)
    assert arm.ahead == (points_of(name)["outer_joint"][0] > points_of(name)["lower_ball_joint"][0])
    again = place_outer_joint(points, arm.length_mm, arm.height_mm, arm.angle, arm.ahead)
    np.testing.assert_allclose(again, points.outer_joint, rtol=0, atol=1e-11)


def test_arm_is_measured_square_to_the_steering_axis():
    points = points_of("large caster")
    outer = place_outer_joint(Hardpoints.from_mapping(points), 100.0, 190.0, np.radians(12.0), True)
    axis = points["upper_ball_joint"] - points["lower_ball_joint"]
    arm = outer - points["lower_ball_joint"]
    square = np.linalg.norm(np.cross(axis / np.linalg.norm(axis), arm))
    assert square == pytest.approx(100.0, abs=1e-11)
    assert outer[2] == pytest.approx(190.0, abs=1e-11)
    axis, ahead, outboard = steering_frame(Hardpoints.from_mapping(points))
    assert np.degrees(np.arctan2(arm @ outboard, arm @ ahead)) == pytest.approx(12.0, abs=1e-11)
    np.testing.assert_allclose(np.linalg.det([axis, ahead, outboard]), 1.0, atol=1e-14)
    assert ahead[0] > 0.0
    assert outboard[1] > 0.0


def test_arm_behind_points_back_and_positive_angle_is_outboard():
    points = corner("rear steer")
    straight, outward = place_outer_joint(points, 120.0, 240.0, np.radians([0.0, 10.0]), False)
    assert straight[0] < points.lower_ball_joint[0] - 100.0
    assert outward[1] > straight[1] + 15.0
    assert place_outer_joint(points, np.full((3, 1), 120.0), 240.0, np.zeros(4), False).shape == (
        3,
        4,
        3,
    )


@every_corner
def test_ball_joint_circle(name):
    points = points_of(name)
    rear, front, ball = (
        points[f"upper_{name}"] for name in ("rear_pivot", "front_pivot", "ball_joint")
    )
    at = (point[:, None] for point in (rear, front, ball))
    centre, u, v = (vector[:, 0] for vector in ball_joint_circle(*at))
    axis = front - rear
    np.testing.assert_allclose(centre + u, ball, rtol=0, atol=1e-11)
    assert np.linalg.norm(v) == pytest.approx(np.linalg.norm(u), rel=1e-14)
    u, v = u / np.linalg.norm(u), v / np.linalg.norm(v)
    for first, second in ((u, v), (u, axis), (v, axis), (ball - centre, axis)):
        assert abs(first @ second) < 1e-9
    assert np.cross(centre - rear, axis) == pytest.approx(0.0, abs=1e-9)
    assert v[2] > 0.0
