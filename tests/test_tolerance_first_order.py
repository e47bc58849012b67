"""First-order sensitivities, against the full kernel and closed forms."""

import numpy as np
import pytest
from tolerance_cases import GRID, NONE, conditions, corner, some_corners, square

from optimiser.linkage.attitude import Attitude
from optimiser.linkage.hardpoints import Hardpoints
from optimiser.metrics.kinematic import (
    bump_steer,
)
from optimiser.metrics.tolerance import (
    NAMES,
    Conditions,
    Tolerances,
    built_cars,
    draw_cars,
    importance_table,
    matters_most,
    sensitivities,
    tolerance_spread,
)
from optimiser.metrics.tolerance.draws import SIDEWAYS
from optimiser.metrics.tolerance.spread import CarCurves, Spread


@some_corners
def test_rates_against_the_metrics_of_moved_points(name):
    at, points = conditions(name), corner(name)
    rates = sensitivities(points, at)
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
                at.attitude,
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
    at = Conditions(
        np.linspace(-1.0, 1.0, 3), 2500.0, Attitude(loaded_radius_mm=280.0), np.radians(20.0)
    )
    rates = sensitivities(square(120.0, rod_mm=300.0), at)
    rate = rates.toe_rate[NAMES.index("rack height")]
    assert np.degrees(rate[2] - rate[0]) / 0.002 == pytest.approx(
        np.sign(rate[2]) * 1.592, abs=1e-3
    )


def test_rate_of_the_largest_bump_steer_is_that_of_its_own_travel():
    at, points = conditions(), corner()
    rates = sensitivities(points, at)
    worst = int(np.argmax(np.abs(rates.toe_change)))
    rate = np.sign(rates.toe_change[worst]) * rates.toe_rate[NAMES.index("rack height"), worst]
    up, down = (
        bump_steer(
            points.with_tie_rod(points.outer_joint, points.inner_joint + np.array([0.0, 0.0, h])),
            GRID,
            at.attitude,
        ).largest
        for h in (0.01, -0.01)
    )
    assert rate == pytest.approx(float(up - down) / 0.02, rel=1e-5)


def toe_deviation(rates, tolerances):
    """Standard deviation of one wheel's toe change over travel, (P,): root sum of squares."""
    return np.linalg.norm(rates.toe_rate * tolerances.standard_deviations()[:, None], axis=0)


def first_order_spread(rates, tolerances):
    """Spread over the cars of `draw_cars`, with curves that bend at constant rate."""
    cars = draw_cars(tolerances)
    own = cars.right.copy()
    own[:, SIDEWAYS] = 0.0  # its rate of a turn, taken on whole cars, is in the left corner's
    toe = np.stack([cars.left @ rates.toe_rate, cars.right @ rates.toe_rate], axis=1)
    # What the left corner does in a left turn, the right one does in a right turn.
    error = np.tensordot(cars.left, rates.ackermann_rate, 1)
    error += np.tensordot(own, rates.ackermann_rate, 1)[:, ::-1]
    change = rates.toe_change + toe
    curves = CarCurves(change, change, rates.ackermann_error + error)
    return Spread.of(curves.bump_steer, curves.largest_ackermann_error)


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
        bend = np.max(toe_deviation(rates, made))
        assert linear.bump_steer_p95 == pytest.approx(float(full.bump_steer_p95), abs=0.02 * bend)
    np.testing.assert_allclose(np.divide(*differences), 4.0, rtol=0.1)


def test_root_sum_of_squares_is_the_deviation_of_the_drawn_toe_curves():
    points, at = corner(), conditions()
    made = Tolerances(0.1, 0.02, 0.05, 0.1, np.radians(0.01), samples=2048)
    left, _ = built_cars(points, made, at.attitude)
    toe = -left.solve(GRID, 0.0).steer
    drawn = np.std(toe - toe[:, 6:7], axis=0)
    expected = toe_deviation(sensitivities(points, at), made)
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


def test_a_design_that_cannot_be_steered_to_lock_has_no_rates_and_says_so():
    points = corner()
    apart = points.with_tie_rod(points.outer_joint, points.inner_joint + np.array([900.0, 0, 0]))
    rates = sensitivities(apart, conditions())
    # The inner joint is so far ahead that the travel can be reached and the lock cannot.
    assert np.isfinite(rates.bump_per_unit).all()
    assert np.isnan(rates.ackermann_per_unit).all()
    assert np.isnan(rates.ackermann_importance(Tolerances())).all()
    assert matters_most(rates, Tolerances()) == (
        "What matters most cannot be told: the design, or a car hardly different from it, cannot "
        "be assembled or steered to the required lock."
    )
    assert int(first_order_spread(rates, Tolerances()).failing) == 256
