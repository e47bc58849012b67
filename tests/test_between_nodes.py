"""Curves between solved nodes, above all Ackermann error, against curves of a thousand nodes."""

from __future__ import annotations

from dataclasses import replace
from unittest import mock

import numpy as np
import pytest
from search_cases import case, random_designs
from tolerance_cases import NONE

from optimiser.evaluation.designs import VARIABLES, Range
from optimiser.evaluation.problem import Objectives
from optimiser.metrics import kinematic
from optimiser.metrics.between_nodes import between_nodes, extremes, largest_between
from optimiser.metrics.tolerance import tolerance_spread
from optimiser.search.residuals import Model

FINE = 1200


def test_a_polynomial_of_the_fifth_degree_is_met_exactly():
    rng = np.random.default_rng(0)
    for nodes in (6, 9, 13):
        polynomial = np.polynomial.Polynomial(rng.normal(size=6), [0.0, nodes - 1.0])
        at = between_nodes(np.arange(nodes, dtype=float))
        assert at[0] == 0.0
        assert at[-1] == pytest.approx(nodes - 1.0)
        assert np.all(np.diff(at) >= -1e-12)
        curve = between_nodes(polynomial(np.arange(nodes)))
        np.testing.assert_allclose(curve, polynomial(at), rtol=0, atol=1e-11)


def test_few_nodes_and_missing_ones():
    np.testing.assert_allclose(between_nodes(np.array([1.0, 3.0]))[[0, 8, 16]], [1.0, 2.0, 3.0])
    # A parabola through three nodes has its peak where no node is.
    assert largest_between(np.array([0.0, 0.75, 0.5])) == pytest.approx(0.78125)
    assert np.isnan(largest_between(np.array([0.0, np.nan, 0.0, 0.0])))
    both = np.array([[0.0, -2.0, 0.5, 0.0], [0.0, 1.0, 0.0, 0.0]])
    np.testing.assert_array_equal(largest_between(both), [largest_between(one) for one in both])
    assert extremes(both).shape == (2, 6)


def true_error(asked, solved, rows):
    """Peak and RMS of many nodes, degrees; nothing is blended between so many."""
    with (
        mock.patch.object(kinematic, "between_nodes", lambda values: values),
        mock.patch.object(kinematic, "largest_between", lambda values: np.abs(values).max(-1)),
    ):
        fine = kinematic.ackermann_error(
            solved.points.select(rows),
            asked.car.attitude,
            wheelbase_mm=asked.car.wheelbase_mm,
            inner_lock=asked.steering.inner_lock,
            target=asked.steering.ackermann_target,
            nodes=FINE,
        )
    largest = np.degrees(np.max(np.abs(fine.error), axis=-1))
    square = np.trapezoid(fine.error**2, fine.inner, axis=-1)
    return largest, np.degrees(np.sqrt(square / fine.inner[:, -1])), fine.error


@pytest.mark.parametrize("corner", ["front steer", "rear steer", "large caster"])
@pytest.mark.parametrize("target", [1.0, 0.4])
def test_ackermann_error_is_right_to_a_thousandth(corner, target):
    asked = case(corner, target=target)
    designs = random_designs(asked, 150, seed=4)
    solved = asked.solve(designs)
    rows = np.flatnonzero(solved.reason == "")
    largest, rms, error = true_error(asked, solved, rows)
    # Some of them have their peak between the ends, where the twelve nodes would miss it.
    missed = np.degrees(np.max(np.abs(error[:, :: FINE // 12]), axis=1)) / largest - 1.0
    assert missed.min() < -2e-3 or (corner, target) == ("front steer", 1.0)
    found = asked.judge(designs, solved).metrics
    np.testing.assert_allclose(found["ackermann_error_deg"][rows], largest, rtol=1e-3)
    np.testing.assert_allclose(found["ackermann_error_rms_deg"][rows], rms, rtol=1e-3)


@pytest.mark.parametrize("measure", ["largest", "rms"])
def test_refinement_minimises_what_is_evaluated(measure):
    asked = case("rear steer", target=0.4, objectives=Objectives("largest", measure))
    model, designs = Model(asked), random_designs(asked, 40)
    free = [name for name in VARIABLES if isinstance(asked.space[name], Range)]
    low = np.array([asked.space[name].low for name in free])
    high = np.array([asked.space[name].high for name in free])
    values = np.stack([designs.column(name) for name in free], axis=1)
    table = model.table((values - low) / (high - low), designs)
    fine = np.isfinite(table.objectives[:, 1])
    rows = table.rows[fine, model.parts[1]]
    size = np.abs(rows).max(axis=1) if measure == "largest" else np.sqrt((rows**2).sum(axis=1))
    np.testing.assert_allclose(size, table.objectives[fine, 1], rtol=1e-12)


def test_cars_built_to_tolerances_are_judged_by_the_same_peak():
    asked = replace(case("rear steer", target=0.4), tolerances=replace(NONE, samples=1))
    designs = random_designs(asked, 40)
    solved = asked.solve(designs)
    rows = np.flatnonzero(solved.reason == "")
    spread = tolerance_spread(solved.points.select(rows), asked.tolerances, asked.conditions)
    found = asked.judge(designs, solved).metrics["ackermann_error_deg"][rows]
    np.testing.assert_allclose(np.degrees(spread.ackermann_error[:, 0]), found, rtol=1e-9)
