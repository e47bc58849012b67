"""Percentiles over build tolerances, against a plain Monte Carlo and closed forms."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from scipy.stats import norm as normal
from tolerance_cases import GRID, NONE, ONLY_BRACKET, conditions, corner, some_corners, square

from optimiser.linkage.at_rack import solve_linkage
from optimiser.linkage.attitude import Attitude
from optimiser.linkage.hardpoints import Hardpoints
from optimiser.metrics.kinematic import (
    ackermann_error,
    bump_steer,
    kingpin_track,
    rack_for_steer,
    wanted_outer,
)
from optimiser.metrics.tolerance import (
    Conditions,
    Tolerances,
    percentile,
    tolerance_spread,
)

# --- spread --------------------------------------------------------------------------------------


@some_corners
def test_without_tolerances_every_car_is_the_design(name):
    at = conditions(name)
    points = corner(name)
    bump = bump_steer(points, GRID, at.attitude).largest
    error = ackermann_error(
        points, at.attitude, wheelbase_mm=2500.0, inner_lock=at.inner_lock, nodes=12
    ).largest
    spread = tolerance_spread(points, NONE, at)
    assert spread.bump_steer.shape == spread.ackermann_error.shape == (256,)
    np.testing.assert_allclose(spread.bump_steer, bump, rtol=0.0, atol=1e-12)
    np.testing.assert_allclose(spread.ackermann_error, error, rtol=0.0, atol=1e-12)
    assert spread.bump_steer_p95 == pytest.approx(float(bump), abs=1e-12)
    assert spread.ackermann_error_p95 == pytest.approx(float(error), abs=1e-12)


def test_many_designs_in_one_call_are_each_judged_by_the_same_cars():
    points, at = corner(), conditions()
    inner = points.inner_joint + np.array([[0.0, 0.0, 0.0], [0.0, -15.0, 2.0], [4.0, 6.0, -3.0]])
    batch = points.with_tie_rod(points.outer_joint, inner)
    together = tolerance_spread(batch, Tolerances(samples=500), at)
    assert together.bump_steer.shape == (3, 500)
    for row in range(3):
        alone = tolerance_spread(
            points.with_tie_rod(points.outer_joint, inner[row]), Tolerances(samples=500), at
        )
        np.testing.assert_allclose(together.bump_steer[row], alone.bump_steer, rtol=0, atol=1e-13)
        np.testing.assert_allclose(
            together.ackermann_error_p95[row], alone.ackermann_error_p95, rtol=0, atol=1e-12
        )
    again = tolerance_spread(batch, Tolerances(samples=500), at)
    np.testing.assert_array_equal(together.bump_steer, again.bump_steer)
    np.testing.assert_array_equal(together.ackermann_error, again.ackermann_error)


def plain_monte_carlo(points, tolerances, at, count, seed):
    """Cars by independent draws and a plain loop over chunks; nothing of the package's own."""
    rng = np.random.default_rng(seed)

    def off(size, *shape):
        if tolerances.distribution == "normal":
            return rng.normal(0.0, size, shape)
        return rng.uniform(-size, size, shape)

    def one_side(sideways):
        n = len(sideways)
        made = {name: value + off(tolerances.hardpoints_mm, n, 3) for name, value in points.items()}
        made["outer_joint"] = points.outer_joint + off(tolerances.arm_mm, n, 3)
        inner = points.inner_joint + off(tolerances.bracket_mm, n, 3)
        inner[:, 1] = points.inner_joint[1] + sideways + off(tolerances.spacer_mm, n)
        made["inner_joint"] = inner
        wanted = at.attitude.toe_in + off(tolerances.toe, n)
        axis = made["upper_ball_joint"] - made["lower_ball_joint"]
        axis /= np.linalg.norm(axis, axis=1)[:, None]
        spin0, psi = at.attitude.spin_axis, np.zeros(n)
        for _ in range(10):  # a turn to the left takes toe-in away, nearly one for one
            turn = Rotation.from_rotvec(axis * psi[:, None])
            spin = turn.apply(np.tile(spin0, (n, 1)))
            psi += np.arctan2(spin[:, 0], spin[:, 1]) - wanted
        for name in ("outer_joint", "wheel_centre"):
            base = made["lower_ball_joint"]
            made[name] = base + turn.apply(made[name] - base)
        return Hardpoints.from_mapping(made), Attitude(wanted, np.arcsin(-spin[:, 2]), 280.0)

    bump, ackermann = [], []
    for _ in range(count // 2000):
        sideways = off(tolerances.bracket_mm, 2000)
        sides = [one_side(sideways), one_side(-sideways)]
        toe = []
        for made, static in sides:
            column = static.with_pose_axes(1)
            poses = solve_linkage(made.with_pose_axes(1), at.travel_mm, 0.0, column)
            toe.append(np.max(np.abs(poses.steer + column.toe_in), axis=1))
        bump.append(np.maximum(*toe))
        track = sum(0.5 * kingpin_track(made, static) for made, static in sides)
        worst = np.zeros(2000)
        for (inner, s_inner), (outer, s_outer) in (sides, sides[::-1]):
            lock = rack_for_steer(inner, at.inner_lock, s_inner)[:, None]
            rack = lock * np.linspace(0.0, 1.0, at.nodes + 1)
            angle_in, angle_out = (
                solve_linkage(
                    made.with_pose_axes(1), 0.0, sign * rack, static.with_pose_axes(1)
                ).steer
                + static.toe_in[:, None]
                for made, static, sign in ((inner, s_inner, 1.0), (outer, s_outer, -1.0))
            )
            wanted = wanted_outer(angle_in, track[:, None], at.wheelbase_mm, at.ackermann_target)
            worst = np.maximum(worst, np.max(np.abs(-angle_out - wanted), axis=1))
        ackermann.append(worst)
    return np.concatenate(bump), np.concatenate(ackermann)


@pytest.mark.parametrize("distribution", ["rectangular", "normal"])
def test_percentile_against_a_plain_large_monte_carlo(distribution):
    """Of 20,000 independent cars 95 % must be within the percentile, as closely as draws allow.

    The share of S draws below a 95th percentile has a standard deviation of sqrt(0.0475 / S);
    both samples count, quasi-random draws are no worse, and three of them are allowed.
    """
    count = 20_000
    points = corner("rear steer")
    at = replace(conditions("rear steer"), travel_mm=np.linspace(-50.0, 50.0, 7), nodes=6)
    made = Tolerances(1.0, 0.2, 0.5, 0.8, np.radians(0.1), distribution)
    bump, ackermann = plain_monte_carlo(points, made, at, count, seed=11)
    assert np.isfinite(bump).all()
    assert np.isfinite(ackermann).all()
    for samples in (256, 4096):
        numbers = Tolerances(1.0, 0.2, 0.5, 0.8, np.radians(0.1), distribution, samples)
        spread = tolerance_spread(points, numbers, at)
        allowed = 3.0 * np.sqrt(0.0475 / samples + 0.0475 / count)
        assert np.mean(bump <= spread.bump_steer_p95) == pytest.approx(0.95, abs=allowed)
        assert np.mean(ackermann <= spread.ackermann_error_p95) == pytest.approx(0.95, abs=allowed)


@pytest.mark.parametrize(
    ("distribution", "worst_of_two"),
    [
        # The worse of two wheels is within x with the square of one wheel's probability.
        ("rectangular", np.sqrt(0.95)),
        ("normal", normal.ppf(0.5 + 0.5 * np.sqrt(0.95))),
    ],
)
def test_percentile_in_closed_form_where_rack_height_alone_bends_the_toe_curve(
    distribution, worst_of_two
):
    """Inner joint h too high: gradient h / (l_t r), a rule of design geometry (recomputed)."""
    at = Conditions(
        np.linspace(-4.0, 4.0, 5), 2500.0, Attitude(loaded_radius_mm=280.0), np.radians(25.0)
    )
    made = Tolerances(0.01, **ONLY_BRACKET, distribution=distribution, samples=4096)
    spread = tolerance_spread(square(120.0), made, at)
    gradient = 0.01 / (350.0 * 120.0)
    assert spread.bump_steer_p95 / (4.0 * gradient) == pytest.approx(worst_of_two, rel=0.01)
    few = tolerance_spread(
        square(120.0), Tolerances(0.01, **ONLY_BRACKET, distribution=distribution), at
    )
    assert few.bump_steer_p95 / (4.0 * gradient) == pytest.approx(worst_of_two, rel=0.05)


def test_two_designs_of_one_nominal_value_are_told_apart_by_their_tolerance():
    """Parallel equal arms and rod: no bump steer at all with either steering arm."""
    at = conditions(None, lock_deg=25.0)
    long, short = square(120.0), square(60.0)
    for points in (long, short):
        assert tolerance_spread(points, NONE, at).bump_steer_p95 < 1e-14
    outer, inner = (
        np.stack([getattr(p, name) for p in (long, short)])
        for name in ("outer_joint", "inner_joint")
    )
    made = Tolerances(1.0, **ONLY_BRACKET)
    p95 = tolerance_spread(long.with_tie_rod(outer, inner), made, at).bump_steer_p95
    assert p95[0] > np.radians(0.05)
    # Half the arm, twice the toe for the same error of the rack's height.
    assert p95[1] / p95[0] == pytest.approx(2.0, rel=0.02)


def test_normal_and_rectangular_tolerances_of_one_standard_deviation_differ_in_their_tails():
    points, at = square(120.0), conditions(None, lock_deg=25.0)
    flat = tolerance_spread(points, Tolerances(np.sqrt(3.0), **ONLY_BRACKET), at)
    bell = tolerance_spread(points, Tolerances(1.0, **ONLY_BRACKET, distribution="normal"), at)
    expected = normal.ppf(0.5 + 0.5 * np.sqrt(0.95)) / np.sqrt(3.0 * 0.95)
    assert bell.bump_steer_p95 / flat.bump_steer_p95 == pytest.approx(expected, rel=0.05)
    assert bell.bump_steer_p95 > 1.2 * flat.bump_steer_p95


# --- the rule of the percentile, and cars that cannot be built -----------------------------------


def test_percentile_is_the_value_that_nineteen_of_twenty_do_not_exceed():
    values = np.random.default_rng(3).permutation(20).astype(float)
    assert percentile(values) == 18.0
    assert percentile(values, 1.0) == 19.0
    assert percentile(values[:1]) == values[0]
    many = np.random.default_rng(4).normal(size=(3, 256))
    # numpy's name for the same rule
    reference = np.quantile(many, 0.95, axis=-1, method="inverted_cdf")
    np.testing.assert_array_equal(percentile(many), reference)


def test_percentile_counts_failing_cars_as_the_worst():
    values = np.arange(256.0)
    few, many = values.copy(), values.copy()
    few[:12] = np.nan  # 4.7 %
    many[:13] = np.nan  # 5.1 %
    assert percentile(few) == 255.0  # the worst of those that can be built
    assert np.isnan(percentile(many))
    np.testing.assert_array_equal(np.isnan(percentile(np.stack([few, many]))), [False, True])


def test_a_design_close_to_its_toggle_fails_with_a_reason():
    name = "toggle"
    points = corner(name)
    locks = np.linspace(25.0, 60.0, 141)
    reach = rack_for_steer(points, np.radians(locks), conditions(name).attitude)
    last = locks[np.isfinite(reach)][-1]
    assert last < 60.0
    rough = Tolerances(3.0, 0.1, 3.0, 1.0)
    near = tolerance_spread(points, rough, conditions(name, lock_deg=float(last)))
    failing = int(near.failing)
    assert 0.05 * 256 < failing < 256
    assert np.isnan(near.bump_steer_p95)
    assert np.isnan(near.ackermann_error_p95)
    assert near.reasons()[()] == (
        f"{failing} of 256 cars built to the stated tolerances cannot be assembled or steered to "
        "the required lock, more than 5 %: build more exactly, or keep more toggle margin"
    )
    # A car that fails in one respect fails altogether.
    np.testing.assert_array_equal(np.isnan(near.bump_steer), np.isnan(near.ackermann_error))
    far = tolerance_spread(points, rough, conditions(name, lock_deg=25.0))
    assert int(far.failing) == 0
    assert far.reasons()[()] == ""
    assert np.isfinite([far.bump_steer_p95, far.ackermann_error_p95]).all()


def test_a_design_that_cannot_assemble_is_nan_among_others_that_can():
    points, at = corner(), conditions()
    inner = points.inner_joint + np.array([[0.0, 0.0, 0.0], [900.0, 0.0, 0.0]])
    spread = tolerance_spread(points.with_tie_rod(points.outer_joint, inner), Tolerances(), at)
    np.testing.assert_array_equal(np.isnan(spread.bump_steer_p95), [False, True])
    assert spread.failing.tolist() == [0, 256]
    assert [bool(text) for text in spread.reasons()] == [False, True]
