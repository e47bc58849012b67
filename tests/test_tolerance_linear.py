"""Percentiles at first order, against thousands of full cars; where they do not hold they are full.

What is compared with is `tolerance_spread` of 8,192 cars, whose own error against other draws is
some tenths of a per cent.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from search_cases import random_designs, small
from tolerance_cases import NONE, conditions, corner, some_corners

from optimiser.evaluation.problem import Objectives
from optimiser.linkage.hardpoints import Hardpoints
from optimiser.metrics.tolerance import Tolerances, linear_percentiles, tolerance_spread

MADE = Tolerances(1.0, 0.2, 0.5, 0.5, float(np.radians(0.05)))
TRUE = 8192


def batch(*points):
    return Hardpoints.from_mapping(
        {name: np.stack([p[name] for p in map(dict, (q.items() for q in points))])
         for name, _ in points[0].items()}
    )  # fmt: skip


def scaled(made, factor):
    return replace(
        made,
        bracket_mm=factor * made.bracket_mm,
        spacer_mm=factor * made.spacer_mm,
        arm_mm=factor * made.arm_mm,
        hardpoints_mm=factor * made.hardpoints_mm,
        toe=factor * made.toe,
    )


@some_corners
@pytest.mark.parametrize("distribution", ["rectangular", "normal"])
def test_percentiles_are_those_of_thousands_of_full_cars(name, distribution):
    made = replace(MADE, distribution=distribution)
    at, points = conditions(name), corner(name)
    found = linear_percentiles(batch(points), made, at)
    assert not found.full.any()
    assert found.reasons.tolist() == [""]
    full = tolerance_spread(points, replace(made, samples=TRUE), at)
    assert found.bump_steer[0] == pytest.approx(float(full.bump_steer_p95), rel=0.025)
    assert found.ackermann_error[0] == pytest.approx(float(full.ackermann_error_p95), rel=0.01)


def test_with_four_times_the_tolerances_they_hold_or_are_full():
    """Whatever way it went: within 5 % of the truth, which 256 full cars are not always."""
    asked = small()
    designs = random_designs(asked, 60)
    fine = np.flatnonzero(asked.evaluate(designs).assembles)[:12]
    points, _ = asked.corners(designs.select(fine))
    made, at = scaled(MADE, 4.0), asked.conditions
    found = linear_percentiles(points, made, at)
    full = tolerance_spread(points, replace(made, samples=2048), at)
    sums = ~found.full
    assert sums.sum() >= 4
    for ours, theirs in (
        (found.bump_steer, full.bump_steer_p95),
        (found.ackermann_error, full.ackermann_error_p95),
    ):
        np.testing.assert_allclose(ours[sums], theirs[sums], rtol=0.05)


def near_toggle(at):
    """The inner joint brought so near that the lock is hardly reached."""
    points = corner()
    for ahead in np.arange(20.0, 400.0, 2.0):
        moved = points.with_tie_rod(
            points.outer_joint, points.inner_joint + np.array([ahead, 0.0, 0.0])
        )
        spread = tolerance_spread(moved, replace(MADE, samples=64), at)
        if np.isfinite(spread.ackermann_error_p95) and spread.failing > 0:
            return moved
        if not np.isfinite(spread.ackermann_error_p95):
            break
    return moved


def test_near_the_toggle_and_where_cars_fail_full_cars_are_judged():
    at = conditions(lock_deg=36.0)
    made = scaled(MADE, 3.0)
    hard = near_toggle(at)
    found = linear_percentiles(batch(corner(), hard), made, at)
    full = tolerance_spread(hard, made, at)
    assert found.full[1]
    np.testing.assert_array_equal(
        [found.bump_steer[1], found.ackermann_error[1]],
        [full.bump_steer_p95, full.ackermann_error_p95],
    )
    assert found.reasons[1] == full.reasons()[()]


def test_a_design_comes_to_the_same_in_any_batch():
    at = conditions()
    three = [corner(name) for name in ("front steer", "large caster", "parallel equal arms")]
    together = linear_percentiles(batch(*three), MADE, at)
    for index, points in enumerate(three):
        alone = linear_percentiles(batch(points), MADE, at)
        assert alone.bump_steer[0] == together.bump_steer[index]
        assert alone.ackermann_error[0] == together.ackermann_error[index]


def test_without_any_tolerance_the_percentile_is_the_design():
    at, points = conditions(), corner()
    found = linear_percentiles(batch(points), NONE, at)
    full = tolerance_spread(points, NONE, at)
    assert found.bump_steer[0] == pytest.approx(float(full.bump_steer_p95), rel=1e-9)
    assert found.ackermann_error[0] == pytest.approx(float(full.ackermann_error_p95), rel=2e-3)


def test_the_search_takes_them_and_screens_as_made_exactly():
    asked = replace(
        small(), objectives=Objectives("with tolerances", "with tolerances"), tolerances=MADE
    )
    assert asked.nominal.objectives == Objectives()
    designs = random_designs(asked, 20)
    found = asked.evaluate(designs)
    fine = np.flatnonzero(found.assembles)
    points, _ = asked.corners(designs.select(fine))
    ours = linear_percentiles(points, MADE, asked.conditions)
    np.testing.assert_array_equal(found.objectives[fine, 0], np.degrees(ours.bump_steer))
    plain = asked.nominal.evaluate(designs)
    assert plain.objectives[fine, 0] == pytest.approx(found.metrics["bump_steer_deg"][fine])
