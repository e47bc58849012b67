"""Percentiles at first order, against thousands of full cars; where they do not hold they are full.

What is compared with is `tolerance_spread` of 8,192 cars, whose own error against other draws is
some tenths of a per cent.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from search_cases import case, random_designs, small
from tolerance_cases import NONE, conditions, corner, some_corners

from optimiser.evaluation.problem import Objectives
from optimiser.linkage.at_rack import solve_linkage
from optimiser.linkage.at_steer import solve_steer
from optimiser.linkage.hardpoints import Hardpoints
from optimiser.metrics.kinematic import rack_for_steer
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
    assert found.bump_steer[0] == pytest.approx(float(full.bump_steer_p95), rel=0.01)
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


def reached(points, at, kind):
    """Greatest bump in mm, or inner angle in deg, that a corner reaches."""
    if kind == "travel":
        return last_of(
            lambda tried: np.isfinite(solve_linkage(points, tried, 0.0, at.attitude).steer),
            0.0, 400.0, 0.25,
        )  # fmt: skip
    return last_of(
        lambda tried: np.isfinite(rack_for_steer(points, np.radians(tried), at.attitude)),
        20.0, 80.0, 0.05,
    )  # fmt: skip


def last_of(there, low, high, step):
    """The last place before the first that is not there, on a grid of that step."""
    coarse = np.linspace(low, high, 101)
    first = np.argmin(there(coarse))
    assert first > 0
    fine = np.arange(coarse[first - 1], coarse[first] + step, step)
    return fine[np.argmin(there(fine)) - 1]


def short_of(at, kind, end):
    """Conditions that end there."""
    if kind == "travel":
        return replace(at, travel_mm=np.sort(np.append(np.linspace(-50.0, end, 13), 0.0)))
    return replace(at, inner_lock=float(np.radians(end)))


@pytest.mark.parametrize(
    ("name", "kind", "factor"),
    [
        ("front steer", "travel", 3.0),
        ("rear steer", "travel", 0.5),
        ("rear steer", "lock", 3.0),
        ("large caster", "lock", 0.5),
        ("parallel equal arms", "lock", 3.0),
    ],
)
def test_short_of_what_a_corner_reaches_no_car_that_fails_is_taken_for_a_sum(name, kind, factor):
    """A sum has a number for a car that cannot be assembled, and nothing in it tells.

    Toe hardly changes where the suspension's reach ends, so that no full car about the percentile
    need part from its sum: designs of which a third of the cars fail had numbers.
    """
    at, points, made = conditions(name), corner(name), scaled(MADE, factor)
    end = reached(points, at, kind)
    numbers, failures = 0, 0
    for left in (0.2, 1.0, 4.0, 16.0):
        near = short_of(at, kind, end - left)
        found = linear_percentiles(batch(points), made, near)
        full = tolerance_spread(points, replace(made, samples=2048), near)
        if found.full[0]:
            failures += int(full.failing) > 0
            continue
        numbers += 1
        assert int(full.failing) == 0
        assert found.bump_steer[0] == pytest.approx(float(full.bump_steer_p95), rel=0.05)
        assert found.ackermann_error[0] == pytest.approx(float(full.ackermann_error_p95), rel=0.05)
    assert numbers > 0
    assert failures > 0


@pytest.mark.parametrize("moved", ["bump", "rack"])
def test_squares_of_what_is_left_fall_evenly_to_nothing(moved):
    """Twice as far from the end one of them is twice as large, within a few per cent."""
    at, points = conditions("rear steer"), corner("rear steer")

    def poses(by):
        places = (by, 0.0) if moved == "bump" else (0.0, -by)
        return solve_linkage(points, *places, at.attitude)

    end = last_of(lambda tried: poses(tried).exists, 0.0, 400.0, 0.01)
    reach = poses(end - np.array([1.0, 2.0, 4.0])).reach
    least = np.argmin(reach[:, 0] / reach[:, 2])
    assert least == {"bump": 2, "rack": 0}[moved]
    np.testing.assert_allclose(reach[least, 1:] / reach[least, :-1], 2.0, rtol=0.05)
    assert (poses(0.0).reach > 0.1).all()


def test_one_square_is_nothing_at_the_dead_point_of_the_rack():
    """There the tie rod is square to the rack: with a rod that leads far ahead, soon reached."""
    at, points = conditions(), corner()
    moved = points.with_tie_rod(points.outer_joint, points.outer_joint - [-220.0, 150.0, 0.0])
    poses = solve_steer(moved, 0.0, np.radians(np.linspace(0.0, 80.0, 8001)), at.attitude)
    last = poses.reach[:, np.argmin(poses.exists) - 1]
    assert np.argmin(last) == 3
    assert last[3] < 1e-3 < poses.reach[3, 0]


def test_tie_rods_that_are_kept_move_arms_and_wheel_as_well():
    asked = case()
    kept = replace(asked, steering=replace(asked.steering, keep_tie_rods=True))
    kept = replace(kept, racks=(replace(kept.racks[0], tie_rod_length_mm=330.0),))
    designs = random_designs(kept, 40)
    points, growth = kept.corners(designs)
    fine = np.flatnonzero(kept.evaluate(designs).assembles & (np.abs(growth) > 1.0))[:6]
    assert len(fine) == 6
    points = points.select(fine)
    found = linear_percentiles(points, MADE, kept.conditions)
    full = tolerance_spread(points, replace(MADE, samples=2048), kept.conditions)
    assert not found.full.any()
    np.testing.assert_allclose(found.bump_steer, full.bump_steer_p95, rtol=0.03)
    np.testing.assert_allclose(found.ackermann_error, full.ackermann_error_p95, rtol=0.02)


def test_where_no_design_of_a_batch_assembles_there_is_nothing_to_judge():
    asked = replace(
        small(), objectives=Objectives("with tolerances", "with tolerances"), tolerances=MADE
    )
    designs = random_designs(asked, 60)
    broken = designs.select(np.flatnonzero(~asked.nominal.evaluate(designs).assembles)[:5])
    assert len(broken) == 5
    found = asked.evaluate(broken)
    assert np.isnan(found.objectives).all()
    assert all("cannot assemble" in text for text in found.status)


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
