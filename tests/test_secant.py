"""The secant method on functions whose roots are known."""

import numpy as np
import pytest

from optimiser.linkage.roots import find_root, secant_step


def test_many_roots_at_once_each_by_itself():
    roots = np.linspace(0.1, 2.0, 7)
    calls = []

    def function(x):
        calls.append(x)
        return np.exp(x) - np.exp(roots)

    x, slope, error = find_root(function, np.ones(7), np.full(7, 2.0), function(np.ones(7)), 1e-13)
    np.testing.assert_allclose(x, roots, rtol=0, atol=1e-13)
    assert np.max(np.abs(error)) <= 1e-13
    assert np.all(slope > 0.0)
    assert len(calls) < 15
    alone = [
        find_root(
            lambda x, r=r: np.exp(x) - np.exp([r]),
            np.ones(1),
            np.full(1, 2.0),
            np.exp(np.ones(1)) - np.exp([r]),
            1e-13,
        )[0]
        for r in roots
    ]
    np.testing.assert_array_equal(x, np.concatenate(alone))


def test_a_step_is_that_of_the_secant_through_two_points():
    # f = x^2 - 2 from 1 with slope 2: the step leads to 1.5, f = 0.25; the secant has slope 2.5.
    x, slope, error = secant_step(
        lambda x: x * x - 2.0, np.array([1.0]), np.array([2.0]), np.array([-1.0])
    )
    assert (x[0], slope[0], error[0]) == (1.5, 2.5, 0.25)


def test_the_slope_stays_positive_and_bounded_where_errors_are_rounding():
    for left in (1e-16, -1e-16, 1e-13, -1e-13):
        _, slope, _ = secant_step(
            lambda x, left=left: np.full(1, left), np.ones(1), np.ones(1), np.array([1e-16])
        )
        assert 0.25 <= slope[0] <= 5.0
    _, slope, _ = secant_step(lambda x: np.zeros(1), np.ones(1), np.ones(1), np.zeros(1))
    assert slope[0] == 1.0


def test_a_step_out_of_the_domain_is_halved():
    with np.errstate(invalid="ignore"):
        x, _, error = find_root(
            lambda x: 0.5 - np.sqrt(1.0 - x), np.zeros(1), np.full(1, 0.2), np.full(1, -0.5), 1e-12
        )
    assert x[0] == pytest.approx(0.75, abs=1e-11)
    assert abs(error[0]) <= 1e-12


def test_no_value_to_begin_with_stays_no_value():
    with np.errstate(invalid="ignore"):
        x, _, error = find_root(
            np.sqrt, np.array([-1.0, 4.0]), np.ones(2), np.array([np.nan, 2.0]), 1e-12
        )
    assert np.isnan(error[0])
    assert x[0] == -1.0


def test_no_root_ends_with_the_error_that_is_left():
    _, _, error = find_root(
        lambda x: np.cos(x) + 2.0, np.ones(1), np.ones(1), np.full(1, 2.5), 1e-9
    )
    assert error[0] >= 1.0
