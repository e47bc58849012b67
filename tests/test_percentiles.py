"""The percentile of cars built to tolerances: how sure it is, and how it is said."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from search_cases import case
from tolerance_cases import NONE

from optimiser.answer.exactness import (
    CHOSEN_CARS,
    Percentile,
    built_percentiles,
    built_to_tolerances,
)
from optimiser.metrics.tolerance import Tolerances, percentile, percentile_error


@pytest.mark.parametrize("count", [256, 4096])
@pytest.mark.parametrize("kind", ["normal", "exponential"])
def test_the_error_is_that_of_drawing_so_many_cars(count, kind):
    """Against the scatter of the percentile over two thousand samples."""
    rng = np.random.default_rng(7)
    samples = getattr(rng, kind)(size=(2000, count))
    scatter = float(np.std(percentile(samples)))
    assert float(np.mean(percentile_error(samples))) == pytest.approx(scatter, rel=0.1)


def test_failing_cars_leave_the_error_unknown():
    values = np.linspace(0.0, 1.0, 400)
    assert percentile_error(values) == pytest.approx(np.sqrt(400 * 0.05 * 0.95) / 399.0, rel=0.3)
    values[-18:] = np.nan  # 4.5 % fail: there is a percentile, but not a band around it
    assert np.isfinite(percentile(values))
    assert np.isnan(percentile_error(values))


@pytest.mark.parametrize(
    ("value", "error", "text"),
    [
        (0.10387, 0.0012, "0.104 ± 0.002 deg"),
        (0.10387, 0.00002, "0.104 ± 0.001 deg"),
        (0.3661, 0.012, "0.37 ± 0.02 deg"),
        (0.3661, 0.1, "0.4 ± 0.1 deg"),
        (2.41, 0.0, "2.410 ± 0.001 deg"),
        (12.3, 1.4, "12 ± 2 deg"),
    ],
)
def test_no_more_digits_than_are_known(value, error, text):
    assert Percentile(value, error).text == text


def test_what_is_within_the_error_is_not_called_acceptable():
    found = Percentile(0.1, 0.002)
    assert found.against(0.105) == ""
    assert found.against(0.103) == "cannot be told from the 0.103 deg that you accept"
    assert found.against(0.097) == "cannot be told from the 0.097 deg that you accept"
    assert found.against(0.095) == "is above the 0.095 deg that you accept"


def test_a_chosen_design_is_judged_by_four_thousand_cars():
    asked = replace(case("front steer"), tolerances=Tolerances())
    assert CHOSEN_CARS >= 4096
    (bump, ackermann), reason = built_percentiles(asked, asked.points)
    assert reason == ""
    many = replace(asked, tolerances=Tolerances(samples=CHOSEN_CARS))
    columns, _ = many.spread(asked.points)
    assert bump.value_deg == float(columns["bump_steer_p95_deg"])
    assert ackermann.value_deg == float(columns["ackermann_error_p95_deg"])
    # Within a few of its errors of what eight times as many cars come to.
    more = replace(asked, tolerances=Tolerances(samples=8 * CHOSEN_CARS))
    columns, _ = more.spread(asked.points)
    assert abs(bump.value_deg - columns["bump_steer_p95_deg"]) < 3.0 * bump.error_deg
    assert 0.0 < bump.error_deg < 0.02 * bump.value_deg
    built = built_to_tolerances(asked, asked.points)
    assert built is not None
    assert built.cars == CHOSEN_CARS
    assert built.percentiles == (bump, ackermann)
    exact = built_to_tolerances(replace(asked, tolerances=NONE), asked.points)
    assert exact is not None
    assert exact.percentiles[0].error_deg == 0.0
