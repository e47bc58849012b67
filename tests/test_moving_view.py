"""The poses of the drawing that moves against solved ones; `test_report` moves it in a browser."""

from __future__ import annotations

import json
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from drawn_case import chosen_of
from search_cases import small

from optimiser.linkage.at_rack import solve_linkage
from optimiser.report.moving_view import moving_data


@pytest.fixture(scope="module")
def chosen():
    return chosen_of(small())


@pytest.fixture(scope="module")
def data(chosen):
    return json.loads(json.dumps(moving_data(chosen), allow_nan=False))


def interpolated(values, data, travel, rack, width):
    """Bilinear, by numpy: what the page does by hand."""
    shape = len(data["travel"]), len(data["rack"]), width
    grid = np.array(values, float).reshape(shape)
    over_rack = np.array(
        [[np.interp(rack, data["rack"], row[:, c]) for c in range(width)] for row in grid]
    )
    return np.array([np.interp(travel, data["travel"], over_rack[:, c]) for c in range(width)])


@pytest.mark.parametrize("name", ["chosen", "drawn"])
def test_poses_between_the_nodes_are_within_a_fifth_of_a_millimetre(chosen, data, name):
    """Where a pose between is worst known, in the middle of cells, and anywhere."""
    rng = np.random.default_rng(3)
    travel = np.array(data["travel"])
    rack = np.array(data["rack"])
    points = chosen.points if name == "chosen" else chosen.problem.points
    cells = ((rack[0], rack[1]), (rack[-2], rack[-1]), (rack[3], rack[4]), (0.0, 0.0))
    places = [
        (0.5 * (low + high), 0.5 * (left + right))
        for low, high in pairwise(travel)
        for left, right in cells
    ]
    anywhere = rng.uniform((travel[0], rack[0]), (travel[-1], rack[-1]), (20, 2))
    places += [(float(at), float(to)) for at, to in anywhere]
    car, looked_at = data["cars"][name], 0
    for at, to in places:
        pose = solve_linkage(points, at, to, chosen.problem.car.attitude)
        true = {"lower": pose.lower_ball_joint, "upper": pose.upper_ball_joint,
                "outer": pose.outer_joint, "centre": pose.wheel_centre}  # fmt: skip
        for part, where in true.items():
            found = interpolated(car["moving"][part], data, at, to, 3)
            if np.isfinite(where).all() and np.isfinite(found).all():
                looked_at += 1
                assert np.linalg.norm(found - where) < 0.2, part
        toe = interpolated(car["toe"], data, at, to, 1)[0]
        if np.isfinite(toe):
            near = 0.05 if to else 0.002  # straight ahead bump steer is looked at
            assert toe == pytest.approx(-np.degrees(float(pose.steer)), abs=near)
    assert looked_at > 100


def test_short_arms_near_toggle_are_drawn_as_nearly(chosen):
    """Steps of 5 mm of rack are out by up to 0.8 mm, and by half a degree of toe, on such cars."""
    values = chosen.design.values.copy()
    values[0, chosen.problem.variables.index("arm_length_mm")] = 95.0
    design = replace(chosen.design, values=values)
    short = replace(chosen, design=design, outcome=chosen.problem.evaluate(design))
    data = moving_data(short)
    plain = moving_data(chosen)
    assert len(data["rack"]) > len(plain["rack"])
    points, attitude = short.points, short.problem.car.attitude
    rng = np.random.default_rng(4)
    worst, looked_at = np.zeros(2), 0
    low, high = ([data[of][end] for of in ("travel", "rack")] for end in (0, -1))
    for at, to in rng.uniform(low, high, (60, 2)):
        pose = solve_linkage(points, at, to, attitude)
        outer = interpolated(data["cars"]["chosen"]["moving"]["outer"], data, at, to, 3)
        toe = interpolated(data["cars"]["chosen"]["toe"], data, at, to, 1)[0]
        if np.isfinite(toe) and np.isfinite(pose.steer):
            off = np.linalg.norm(outer - pose.outer_joint), abs(toe + np.degrees(pose.steer))
            worst, looked_at = np.maximum(worst, off), looked_at + 1
    assert looked_at > 30
    assert worst[0] < 0.2
    assert worst[1] < 0.08


def test_a_design_without_a_pose_at_lock_has_no_drawing(chosen):
    outcome = replace(chosen.outcome, objectives=np.full((1, 2), np.nan))
    assert moving_data(replace(chosen, outcome=outcome)) is None


def test_wheels_at_lock_are_drawn_whole(chosen, data):
    """Seen from above a wheel that is turned reaches further out than one straight ahead."""
    attitude, half = chosen.problem.car.attitude, 0.5 * (chosen.problem.car.tyre_width_mm or 0.0)
    left, _, width, _ = data["boxes"]["above"]
    for to in (data["rack"][0], data["rack"][-1]):
        pose = solve_linkage(chosen.points, 0.0, to, attitude)
        steer = abs(float(pose.steer))
        reach = attitude.loaded_radius_mm * np.sin(steer) + half * np.cos(steer)
        assert float(pose.wheel_centre[1]) + reach < -left == width / 2.0
