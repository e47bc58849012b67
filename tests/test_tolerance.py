"""Draws and cars as built, against a referee that knows only distances."""

import numpy as np
import pytest
from references.constraints import _Corner, solve_corner
from scipy.stats import norm as normal
from tolerance_cases import conditions, corner, one_deviation, some_corners, square

from optimiser.linkage.attitude import STRAIGHT, Attitude
from optimiser.linkage.hardpoints import Hardpoints
from optimiser.linkage.vectors import norm
from optimiser.metrics.kinematic import (
    kingpin_track,
    rack_for_steer,
    wanted_outer,
)
from optimiser.metrics.tolerance import (
    DIMENSIONS,
    NAMES,
    AsBuilt,
    Tolerances,
    build_corner,
    built_cars,
    draw_cars,
    set_rod_length,
    set_toe,
    solve_cars,
)

# --- draws ---------------------------------------------------------------------------------------


def test_every_dimension_of_a_corner_is_named_once():
    assert len(set(NAMES)) == len(NAMES) == 9 * 3 + 1 + 1
    assert NAMES[:4] == ("rack fore-aft", "rack sideways", "rack height", "spacer length")
    assert {d.kind for d in DIMENSIONS if d.point == "outer_joint"} == {"arm"}
    assert {d.point for d in DIMENSIONS if d.kind == "bracket"} == {"inner_joint"}


def test_draws_are_the_same_each_time_and_touch_no_shared_generator():
    before = np.random.get_state()[1].copy()  # noqa: NPY002 - it must be left alone
    first, second = draw_cars(Tolerances()), draw_cars(Tolerances())
    np.testing.assert_array_equal(first.left, second.left)
    np.testing.assert_array_equal(first.right, second.right)
    np.testing.assert_array_equal(np.random.get_state()[1], before)  # noqa: NPY002
    fewer = draw_cars(Tolerances(samples=200))
    assert len(fewer) == 200
    np.testing.assert_array_equal(fewer.left, first.left[:200])


@pytest.mark.parametrize("distribution", ["rectangular", "normal"])
def test_draws_have_the_stated_distribution(distribution):
    tolerances = Tolerances(1.5, 0.2, 0.7, 0.9, 0.001, distribution, samples=4096)
    cars = draw_cars(tolerances)
    both = np.concatenate([cars.left, cars.right])
    sizes = tolerances.sizes()
    assert set(sizes) == {1.5, 0.2, 0.7, 0.9, 0.001}
    if distribution == "rectangular":
        assert np.all(np.abs(both) < sizes)
        np.testing.assert_allclose(np.abs(both).max(axis=0), sizes, rtol=2e-3)
        expected = sizes / np.sqrt(3.0)
    else:
        expected = sizes
        # One in 370 lies beyond three standard deviations: the distribution is not cut off.
        beyond = np.mean(np.abs(both) > 3.0 * sizes)
        assert beyond == pytest.approx(2.0 * normal.sf(3.0), rel=0.1)
    np.testing.assert_allclose(both.std(axis=0), expected, rtol=0.01)
    np.testing.assert_allclose(tolerances.standard_deviations(), expected, rtol=1e-12)
    np.testing.assert_allclose(both.mean(axis=0) / expected, 0.0, atol=0.02)


def test_only_the_place_of_the_rack_across_the_car_is_shared_by_the_two_corners():
    cars = draw_cars(Tolerances(samples=4096))
    together = np.corrcoef(np.concatenate([cars.left, cars.right], axis=1).T)
    count, shared = len(DIMENSIONS), NAMES.index("rack sideways")
    assert together[shared, count + shared] == pytest.approx(-1.0, abs=1e-12)
    together[shared, count + shared] = together[count + shared, shared] = 0.0
    # 4,096 independent draws would correlate by some 1 / 64, chance takes it to four of those.
    assert np.max(np.abs(together - np.eye(2 * count))) < 4.0 / 64.0


@pytest.mark.parametrize(
    "bad",
    [{"bracket_mm": -0.1}, {"toe": np.nan}, {"arm_mm": np.inf}, {"samples": 0}],
)
def test_tolerances_that_cannot_be_are_refused(bad):
    with pytest.raises(ValueError, match=r"tolerance must be|samples at least 1"):
        Tolerances(**bad)


# --- corners as built ----------------------------------------------------------------------------


@some_corners
def test_toe_is_reset_on_both_wheels_but_for_the_error_in_setting_it(name):
    at, tolerances = conditions(name), Tolerances(3.0, 1.0, 2.0, 3.0, np.radians(0.3))
    cars = draw_cars(tolerances)
    sides = built_cars(corner(name), tolerances, at.attitude)
    for side, deviations in zip(sides, (cars.left, cars.right), strict=True):
        wanted = at.attitude.toe_in + deviations[:, NAMES.index("toe setting")]
        np.testing.assert_allclose(side.attitude.toe_in, wanted, rtol=0.0, atol=1e-14)
        np.testing.assert_allclose(-side.solve([0.0], 0.0).steer[:, 0], wanted, rtol=0, atol=1e-12)
        # The error in toe leans the wheel a little as it turns about the inclined axis, no more.
        leant = np.abs(side.attitude.camber - at.attitude.camber)
        assert np.max(leant) < 0.3 * np.radians(0.3)


def test_without_the_reset_the_same_errors_would_show_as_static_toe():
    points, at = corner(), conditions()
    drawn = float(norm(points.outer_joint - points.inner_joint))
    moved = build_corner(points, one_deviation("spacer length", 1.0)).points
    left_alone = set_rod_length(moved, at.attitude, drawn)
    assert abs(np.degrees(left_alone.attitude.toe_in - at.attitude.toe_in)) > 0.4
    np.testing.assert_allclose(
        norm(left_alone.points.outer_joint - left_alone.points.inner_joint), drawn, rtol=1e-14
    )


def test_a_spacer_and_the_sideways_place_of_the_rack_move_the_inner_joint():
    points = corner()
    for name, expected in {
        "rack fore-aft": (0.7, 0.0, 0.0),
        "rack sideways": (0.0, 0.7, 0.0),
        "rack height": (0.0, 0.0, 0.7),
        "spacer length": (0.0, 0.7, 0.0),
    }.items():
        built = build_corner(points, one_deviation(name, 0.7))
        for point, value in built.points.items():
            shift = expected if point == "inner_joint" else (0.0, 0.0, 0.0)
            np.testing.assert_allclose(value - getattr(points, point), shift, rtol=0, atol=1e-12)


@some_corners
def test_a_toe_error_is_a_tie_rod_of_another_length_for_a_referee_of_distances(name):
    """The referee is told the drawn points and the new rod length alone, and finds the toe."""
    at, points = conditions(name), corner(name)
    wanted = at.attitude.toe_in + np.radians(0.4)
    built = set_toe(points, at.attitude, wanted)
    referee = _Corner(dict(points.items()))
    referee.lengths[4] = norm(built.points.outer_joint - built.points.inner_joint)
    lift = float(built.points.wheel_centre[2] - points.wheel_centre[2])
    spin = at.attitude.spin_axis
    poses = built.solve(np.array([0.0, 20.0, -20.0]), 0.0)
    memory = np.zeros(6)
    for i, travel in enumerate((0.0, 20.0, -20.0)):
        pose = referee.solve(memory, travel + lift, 0.0)
        if i == 0:
            memory = np.asarray(pose.memory)
        turned = pose.rotation @ spin
        assert np.arctan2(turned[0], turned[1]) == pytest.approx(-poses.steer[i], abs=1e-10)
        assert np.arcsin(-turned[2]) == pytest.approx(poses.camber[i], abs=1e-10)
    assert -poses.steer[0] == pytest.approx(wanted, abs=1e-12)


def test_half_a_millimetre_of_rod_on_a_120_mm_arm():
    # 0.239 deg: recomputed, 0.5 / 120 rad.
    points = square(120.0)
    longer, shorter = (
        set_rod_length(points, STRAIGHT, length).attitude.toe_in for length in (350.5, 349.5)
    )
    assert np.degrees(longer) == pytest.approx(-np.degrees(shorter), abs=1e-4)
    assert np.degrees(abs(longer)) == pytest.approx(0.239, abs=5e-4)
    # A longer rod ahead of the axis toes the wheel out, by 1 mm on the arm's 120.
    assert longer - shorter == pytest.approx(-1.0 / 120.0, rel=1e-5)


def test_a_rod_or_toe_that_cannot_be_is_nan_and_no_exception():
    points = square(120.0)
    assert np.isnan(set_rod_length(points, STRAIGHT, 900.0).attitude.toe_in)
    lengths, straight = np.array([900.0, 350.0]), Attitude(loaded_radius_mm=280.0)
    failed, made = np.isnan(largest_ackermann(set_rod_length(points, straight, lengths)))
    assert failed
    assert not made


def largest_ackermann(built):
    built = AsBuilt(
        Hardpoints.from_mapping(
            {name: np.broadcast_to(v, (2, 3)) for name, v in built.points.items()}
        ),
        built.attitude,
    )
    return solve_cars(built, built, conditions(None)).largest_ackermann_error


# --- a car whose corners differ ------------------------------------------------------------------


STANDING = Attitude(0.001, -0.01, 280.0)


def asymmetric():
    tolerances = Tolerances(3.0, 1.0, 2.0, 3.0, np.radians(0.2), samples=4)
    return built_cars(corner(), tolerances, STANDING)


def referee_steer(built, index, rack_mm, side):
    """Steer of the real wheel, by distance equations: the right corner is not mirrored here."""
    flip = np.array([1.0, side, 1.0])
    points = {name: value[index] * flip for name, value in built.points.items()}
    # The referee's spin axis points to the left on both sides, as ISO 8855 measures steer.
    toe, camber = built.attitude.toe_in[index], built.attitude.camber[index]
    spin = Attitude(side * toe, side * camber).spin_axis
    said = solve_corner(points, spin, np.array([0.0]), rack_mm)
    assert said["feasible"].all()
    return np.radians(said["steer_deg"][0])


def attitude_of(built, index):
    at = built.attitude
    return Attitude(at.toe_in[index], at.camber[index], at.loaded_radius_mm)


@pytest.mark.parametrize("turn", [0, 1], ids=["left", "right"])
def test_ackermann_error_of_an_asymmetric_car_against_two_referees_corners(turn):
    left, right = asymmetric()
    at = conditions(attitude=STANDING)
    error = solve_cars(left, right, at).ackermann_error
    for car in range(2):
        inner, outer = ((left, 1.0), (right, -1.0))[:: 1 if turn == 0 else -1]
        index = np.full(1, car)
        chosen = Hardpoints.from_mapping({n: v[car] for n, v in inner[0].points.items()})
        lock = float(rack_for_steer(chosen, at.inner_lock, attitude_of(inner[0], car)))
        rack = inner[1] * np.linspace(0.0, lock, at.nodes + 1)
        angles = [
            inner[1] * (steer - steer[0])
            for steer in (referee_steer(built, car, rack, side) for built, side in (inner, outer))
        ]
        assert angles[0][-1] == pytest.approx(at.inner_lock, abs=1e-9)
        track = sum(
            0.5 * kingpin_track(built.points.select(index), attitude_of(built, index))
            for built in (left, right)
        )
        expected = angles[1] - wanted_outer(angles[0], track, at.wheelbase_mm, 1.0)
        np.testing.assert_allclose(error[car, turn], expected, rtol=0.0, atol=1e-9)


def test_a_car_seen_in_a_mirror_changes_wheels_and_turns():
    left, right = asymmetric()
    there, back = (solve_cars(*sides, conditions()) for sides in ((left, right), (right, left)))
    np.testing.assert_allclose(there.toe_change, back.toe_change[:, ::-1], rtol=0, atol=1e-13)
    np.testing.assert_allclose(
        there.ackermann_error, back.ackermann_error[:, ::-1], rtol=0, atol=1e-13
    )
    assert np.max(np.abs(np.diff(there.ackermann_error, axis=1))) > 1e-3
    assert np.all(there.bump_steer >= np.abs(there.toe_change[:, 1]).max(axis=1))
