"""Build tolerances against Monte Carlo, closed forms and a referee that knows only distances.

The corners are invented.
"""

import numpy as np
import pytest
from references.constraints import _Corner, solve_corner
from references.corners import CORNERS
from scipy.spatial.transform import Rotation
from scipy.stats import norm as normal

from optimiser.hardpoints import Hardpoints
from optimiser.linkage import solve_linkage, spin_axis
from optimiser.loads import toe_in_per_rod_length
from optimiser.metrics import (
    ackermann_error,
    bump_steer,
    kingpin_track,
    rack_for_steer,
    wanted_outer,
)
from optimiser.tolerance import (
    DIMENSIONS,
    NAMES,
    AsBuilt,
    Conditions,
    Tolerances,
    build_corner,
    built_cars,
    draw_cars,
    first_order_spread,
    importance_table,
    matters_most,
    percentile,
    sensitivities,
    set_rod_length,
    set_toe,
    solve_cars,
    tolerance_spread,
)
from optimiser.vectors import norm

GRID = np.linspace(-50.0, 50.0, 13)
NONE = Tolerances(0.0, 0.0, 0.0, 0.0, 0.0)
ONLY_BRACKET = {"spacer_mm": 0.0, "arm_mm": 0.0, "hardpoints_mm": 0.0, "toe": 0.0}


def conditions(name="front steer", lock_deg=28.0, **more):
    static = {"static_toe_in": 0.0, "static_camber": 0.0}
    if name is not None:
        static = {key: np.radians(CORNERS[name][f"{key}_deg"]) for key in static}
    return Conditions(GRID, 2500.0, 280.0, np.radians(lock_deg), **(static | more))


def corner(name="front steer"):
    return Hardpoints.from_mapping(CORNERS[name]["points"])


def square(arm_mm, rod_mm=350.0):
    """Vertical steering axis, equal parallel arms; the tie rod as long and as level as they are."""
    return Hardpoints.from_mapping(
        {
            "lower_front_pivot": (100.0, 250.0, 150.0),
            "lower_rear_pivot": (-100.0, 250.0, 150.0),
            "lower_ball_joint": (0.0, 600.0, 150.0),
            "upper_front_pivot": (100.0, 250.0, 350.0),
            "upper_rear_pivot": (-100.0, 250.0, 350.0),
            "upper_ball_joint": (0.0, 600.0, 350.0),
            "wheel_centre": (0.0, 650.0, 250.0),
            "outer_joint": (arm_mm, 600.0, 250.0),
            "inner_joint": (arm_mm, 600.0 - rod_mm, 250.0),
        }
    )


def one_deviation(name, amount):
    deviations = np.zeros(len(DIMENSIONS))
    deviations[NAMES.index(name)] = amount
    return deviations


some_corners = pytest.mark.parametrize(
    "name", ["front steer", "rear steer", "large caster", "parallel equal arms"]
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
    static = {"static_toe_in": at.static_toe_in, "static_camber": at.static_camber}
    cars = draw_cars(tolerances)
    sides = built_cars(corner(name), tolerances, **static)
    for side, deviations in zip(sides, (cars.left, cars.right), strict=True):
        wanted = at.static_toe_in + deviations[:, NAMES.index("toe setting")]
        np.testing.assert_allclose(side.toe_in, wanted, rtol=0.0, atol=1e-14)
        np.testing.assert_allclose(-side.solve([0.0], 0.0).steer[:, 0], wanted, rtol=0, atol=1e-12)
        # The error in toe leans the wheel a little as it turns about the inclined axis, no more.
        assert np.max(np.abs(side.camber - at.static_camber)) < 0.3 * np.radians(0.3)


def test_without_the_reset_the_same_errors_would_show_as_static_toe():
    points, at = corner(), conditions()
    drawn = float(norm(points.outer_joint - points.inner_joint))
    moved = build_corner(points, one_deviation("spacer length", 1.0)).points
    left_alone = set_rod_length(moved, at.static_toe_in, at.static_camber, drawn)
    assert abs(np.degrees(left_alone.toe_in - at.static_toe_in)) > 0.4
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
    wanted = at.static_toe_in + np.radians(0.4)
    built = set_toe(points, at.static_toe_in, at.static_camber, wanted)
    referee = _Corner(dict(points.items()))
    referee.lengths[4] = norm(built.points.outer_joint - built.points.inner_joint)
    lift = float(built.points.wheel_centre[2] - points.wheel_centre[2])
    spin = spin_axis(at.static_toe_in, at.static_camber)
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
    longer = set_rod_length(points, 0.0, 0.0, 350.5)
    shorter = set_rod_length(points, 0.0, 0.0, 349.5)
    assert np.degrees(longer.toe_in) == pytest.approx(-np.degrees(shorter.toe_in), abs=1e-4)
    assert np.degrees(abs(longer.toe_in)) == pytest.approx(0.239, abs=5e-4)
    rate = toe_in_per_rod_length(solve_linkage(points, 0.0, 0.0))
    assert longer.toe_in - shorter.toe_in == pytest.approx(float(rate), rel=1e-5)


def test_a_rod_or_toe_that_cannot_be_is_nan_and_no_exception():
    points = square(120.0)
    assert np.isnan(set_rod_length(points, 0.0, 0.0, 900.0).toe_in)
    assert np.isnan(
        largest_ackermann(set_rod_length(points, 0.0, 0.0, np.array([900.0, 350.0])))[0]
    )


def largest_ackermann(built):
    built = AsBuilt(
        Hardpoints.from_mapping(
            {name: np.broadcast_to(v, (2, 3)) for name, v in built.points.items()}
        ),
        built.toe_in,
        built.camber,
    )
    return solve_cars(built, built, conditions(None)).largest_ackermann_error


# --- a car whose corners differ ------------------------------------------------------------------


def asymmetric():
    tolerances = Tolerances(3.0, 1.0, 2.0, 3.0, np.radians(0.2), samples=4)
    return built_cars(corner(), tolerances, static_toe_in=0.001, static_camber=-0.01)


def referee_steer(built, index, rack_mm, side):
    """Steer of the real wheel, by distance equations: the right corner is not mirrored here."""
    flip = np.array([1.0, side, 1.0])
    points = {name: value[index] * flip for name, value in built.points.items()}
    # The referee's spin axis points to the left on both sides, as ISO 8855 measures steer.
    spin = spin_axis(side * built.toe_in[index], side * built.camber[index])
    said = solve_corner(points, spin, np.array([0.0]), rack_mm)
    assert said["feasible"].all()
    return np.radians(said["steer_deg"][0])


@pytest.mark.parametrize("turn", [0, 1], ids=["left", "right"])
def test_ackermann_error_of_an_asymmetric_car_against_two_referees_corners(turn):
    left, right = asymmetric()
    at = conditions(static_toe_in=0.001, static_camber=-0.01)
    error = solve_cars(left, right, at).ackermann_error
    for car in range(2):
        inner, outer = ((left, 1.0), (right, -1.0))[:: 1 if turn == 0 else -1]
        index = np.full(1, car)
        chosen = Hardpoints.from_mapping({n: v[car] for n, v in inner[0].points.items()})
        lock = float(
            rack_for_steer(
                chosen,
                at.inner_lock,
                static_toe_in=inner[0].toe_in[car],
                static_camber=inner[0].camber[car],
            )
        )
        rack = inner[1] * np.linspace(0.0, lock, at.nodes + 1)
        angles = [
            inner[1] * (steer - steer[0])
            for steer in (referee_steer(built, car, rack, side) for built, side in (inner, outer))
        ]
        assert angles[0][-1] == pytest.approx(at.inner_lock, abs=1e-9)
        track = sum(
            0.5
            * kingpin_track(
                built.points.select(index), at.loaded_radius_mm, built.toe_in[index],
                built.camber[index],
            )
            for built in (left, right)
        )  # fmt: skip
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


# --- spread --------------------------------------------------------------------------------------


@some_corners
def test_without_tolerances_every_car_is_the_design(name):
    at = conditions(name)
    points = corner(name)
    static = {"static_toe_in": at.static_toe_in, "static_camber": at.static_camber}
    bump = bump_steer(points, GRID, **static).largest
    error = ackermann_error(
        points, wheelbase_mm=2500.0, inner_lock=at.inner_lock, loaded_radius_mm=280.0, nodes=12,
        **static,
    ).largest  # fmt: skip
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
    """Cars by independent draws and a plain loop over chunks; nothing of `tolerance` is used."""
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
        wanted = at.static_toe_in + off(tolerances.toe, n)
        axis = made["upper_ball_joint"] - made["lower_ball_joint"]
        axis /= np.linalg.norm(axis, axis=1)[:, None]
        spin0, psi = spin_axis(at.static_toe_in, at.static_camber), np.zeros(n)
        for _ in range(30):  # a turn to the left takes toe-in away, nearly one for one
            turn = Rotation.from_rotvec(axis * psi[:, None])
            spin = turn.apply(np.tile(spin0, (n, 1)))
            psi += np.arctan2(spin[:, 0], spin[:, 1]) - wanted
        for name in ("outer_joint", "wheel_centre"):
            base = made["lower_ball_joint"]
            made[name] = base + turn.apply(made[name] - base)
        static = {"static_toe_in": wanted, "static_camber": np.arcsin(-spin[:, 2])}
        return Hardpoints.from_mapping(made), static

    bump, ackermann = [], []
    for _ in range(count // 2000):
        sideways = off(tolerances.bracket_mm, 2000)
        sides = [one_side(sideways), one_side(-sideways)]
        toe = []
        for made, static in sides:
            columns = {key: value[:, None] for key, value in static.items()}
            poses = solve_linkage(made.with_pose_axes(1), GRID, 0.0, **columns)
            toe.append(np.max(np.abs(poses.steer + static["static_toe_in"][:, None]), axis=1))
        bump.append(np.maximum(*toe))
        track = sum(0.5 * kingpin_track(made, 280.0, *static.values()) for made, static in sides)
        worst = np.zeros(2000)
        for (inner, s_inner), (outer, s_outer) in (sides, sides[::-1]):
            lock = rack_for_steer(inner, at.inner_lock, **s_inner)[:, None]
            rack = lock * np.linspace(0.0, 1.0, at.nodes + 1)
            angle_in, angle_out = (
                solve_linkage(
                    made.with_pose_axes(1), 0.0, sign * rack,
                    **{key: value[:, None] for key, value in static.items()},
                ).steer + static["static_toe_in"][:, None]
                for made, static, sign in ((inner, s_inner, 1.0), (outer, s_outer, -1.0))
            )  # fmt: skip
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
    points, at = corner("rear steer"), conditions("rear steer")
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
    at = Conditions(np.linspace(-4.0, 4.0, 5), 2500.0, 280.0, np.radians(25.0))
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
    static = conditions(name)
    reach = rack_for_steer(
        points, np.radians(locks), static_toe_in=static.static_toe_in,
        static_camber=static.static_camber,
    )  # fmt: skip
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


# --- first order ---------------------------------------------------------------------------------


@some_corners
def test_rates_against_the_metrics_of_moved_points(name):
    at, points = conditions(name), corner(name)
    rates = sensitivities(points, at)
    static = {"static_toe_in": at.static_toe_in, "static_camber": at.static_camber}
    for point, dimension in (
        ("inner_joint", "rack height"),
        ("inner_joint", "spacer length"),
        ("outer_joint", "outer joint fore-aft"),
        ("lower_ball_joint", "lower ball joint height"),
        ("upper_rear_pivot", "upper rear pivot sideways"),
    ):
        axis = ("fore-aft", "sideways", "height").index(
            "sideways" if dimension == "spacer length" else dimension.split()[-1]
        )
        step = 0.1 * np.eye(3)[axis]
        values = dict(points.items())
        moved = [
            bump_steer(
                Hardpoints.from_mapping(values | {point: values[point] + sign * step}),
                GRID,
                **static,
            ).toe_change
            for sign in (1.0, -1.0)
        ]
        expected = (moved[0] - moved[1]) / 0.2
        row = NAMES.index(dimension)
        scale = np.max(np.abs(expected))
        np.testing.assert_allclose(
            rates.toe_rate[row], expected, rtol=0.0, atol=1e-3 * scale + 1e-12
        )
        assert rates.bump_per_unit[row] == pytest.approx(scale, rel=1e-3, abs=1e-12)


def test_rate_of_rack_height_in_closed_form():
    # 1.592 deg/m: 1 mm, rod 300 mm, arm 120 mm (recomputed).
    at = Conditions(np.linspace(-1.0, 1.0, 3), 2500.0, 280.0, np.radians(20.0))
    rates = sensitivities(square(120.0, rod_mm=300.0), at)
    rate = rates.toe_rate[NAMES.index("rack height")]
    assert np.degrees(rate[2] - rate[0]) / 0.002 == pytest.approx(
        np.sign(rate[2]) * 1.592, abs=1e-3
    )


def test_rate_of_the_largest_bump_steer_is_that_of_its_own_travel():
    at, points = conditions(), corner()
    rate = sensitivities(points, at).largest_bump_rate[NAMES.index("rack height")]
    static = {"static_toe_in": at.static_toe_in, "static_camber": at.static_camber}
    up, down = (
        bump_steer(
            points.with_tie_rod(points.outer_joint, points.inner_joint + np.array([0.0, 0.0, h])),
            GRID,
            **static,
        ).largest
        for h in (0.01, -0.01)
    )
    assert rate == pytest.approx(float(up - down) / 0.02, rel=1e-5)


@some_corners
def test_first_order_parts_from_the_full_kernel_with_the_square_of_the_tolerances(name):
    points, at = corner(name), conditions(name)
    rates = sensitivities(points, at)
    differences = []
    for scale in (0.2, 0.1):
        made = Tolerances(
            scale, 0.1 * scale, 0.5 * scale, scale, scale * np.radians(0.05), samples=64
        )
        full, linear = tolerance_spread(points, made, at), first_order_spread(rates, made)
        differences.append(
            [
                np.max(np.abs(full.bump_steer - linear.bump_steer)),
                np.max(np.abs(full.ackermann_error - linear.ackermann_error)),
            ]
        )
        bend = np.max(rates.toe_deviation(made))
        assert linear.bump_steer_p95 == pytest.approx(float(full.bump_steer_p95), abs=0.02 * bend)
    np.testing.assert_allclose(np.divide(*differences), 4.0, rtol=0.1)


def test_root_sum_of_squares_is_the_deviation_of_the_drawn_toe_curves():
    points, at = corner(), conditions()
    made = Tolerances(0.1, 0.02, 0.05, 0.1, np.radians(0.01), samples=2048)
    left, _ = built_cars(
        points, made, static_toe_in=at.static_toe_in, static_camber=at.static_camber
    )
    toe = -left.solve(GRID, 0.0).steer
    drawn = np.std(toe - toe[:, 6:7], axis=0)
    expected = sensitivities(points, at).toe_deviation(made)
    assert expected[6] == pytest.approx(0.0, abs=1e-14)
    np.testing.assert_allclose(drawn, expected, rtol=0.03, atol=1e-14)


def test_importance_shares_sum_to_one_and_follow_the_tolerances():
    points, at = corner(), conditions()
    rates = sensitivities(points, at)
    made = Tolerances()
    for shares in (rates.bump_importance(made), rates.ackermann_importance(made)):
        assert shares.sum() == pytest.approx(1.0, abs=1e-12)
    table = importance_table(rates, made)
    assert [row.bump_share for row in table] == sorted((r.bump_share for r in table), reverse=True)
    rack = next(row for row in table if row.name == "rack height")
    index = NAMES.index("rack height")
    assert rack.bump_per_unit == pytest.approx(np.degrees(rates.bump_per_unit[index]), rel=1e-12)
    assert rack.ackermann_per_unit == pytest.approx(
        np.degrees(rates.ackermann_per_unit[index]), rel=1e-12
    )
    toe = next(row for row in table if row.name == "toe setting")
    assert toe.tolerance == pytest.approx(0.05)
    assert toe.bump_per_unit == pytest.approx(rates.bump_per_unit[NAMES.index("toe setting")])
    alone = rates.bump_importance(Tolerances(0.0, 0.0, 0.0, 0.0, 0.001))
    assert alone[NAMES.index("toe setting")] == 1.0
    assert not rates.bump_importance(NONE).any()


def test_what_matters_most_is_said_in_plain_words():
    rates = sensitivities(corner(), conditions())
    table = importance_table(rates, Tolerances())
    assert matters_most(rates, Tolerances()) == (
        f"For bump steer the rack height matters most: it makes {100 * table[0].bump_share:.0f} % "
        f"of the spread, {table[0].bump_per_unit:.3f} deg per mm at ±1 mm; for Ackermann error it "
        f"is the lower ball joint fore-aft, {100 * max(r.ackermann_share for r in table):.0f} %."
    )
    bell = matters_most(rates, Tolerances(0.5, 0.0, 0.0, 0.0, 0.0, "normal"))
    assert "rack height matters most" in bell
    assert "at ±0.5 mm as standard deviation" in bell
    toe = matters_most(rates, Tolerances(0.0, 0.0, 0.0, 0.0, np.radians(0.1)))
    assert "toe setting matters most: it makes 100 % of the spread" in toe
    assert "deg per deg at ±0.1 deg;" in toe
    assert matters_most(rates, NONE) == "No stated tolerance changes bump steer or Ackermann error."
