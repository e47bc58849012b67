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


def test_a_design_without_a_pose_at_lock_has_no_drawing(chosen):
    outcome = replace(chosen.outcome, objectives=np.full((1, 2), np.nan))
    assert moving_data(replace(chosen, outcome=outcome)) is None
