"""The drawing that moves: its poses against solved ones, and moved in a browser."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from drawn_case import chosen_of
from search_cases import small

from optimiser.linkage.at_rack import solve_linkage
from optimiser.report.html import template
from optimiser.report.moving_view import moving_data

BROWSER = (
    shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
)


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


def page_of(data, script):
    fragment = template("moving.html.j2").render(moving=data, chosen={"word": "chosen"})
    return f"<!doctype html><meta charset='utf-8'><body>{fragment}<script>{script}</script></body>"


@pytest.mark.skipif(BROWSER is None, reason="no browser here")
def test_sliders_move_it_in_a_browser(chosen, data, tmp_path):
    """What the page then says and draws is what is solved for that pose."""
    travel, rack = -33.0, 21.5
    move = "".join(
        f"document.getElementById('move-{name}').value = {value};"
        for name, value in (("travel", travel), ("rack", rack))
    )
    move += "document.getElementById('move-rack').dispatchEvent(new Event('input'));"
    path = tmp_path / "page.html"
    path.write_text(page_of(data, move), "utf-8")
    command = [BROWSER, "--headless", "--no-sandbox", "--disable-gpu",
               f"--user-data-dir={tmp_path / 'profile'}", "--dump-dom", path.as_uri()]  # fmt: skip
    dom = subprocess.run(command, capture_output=True, text=True, timeout=60, check=True).stdout
    assert '<div id="moving" class="moving">' in dom  # hidden until it works
    attitude = chosen.problem.car.attitude
    left, right = (solve_linkage(chosen.points, travel, way * rack, attitude) for way in (1, -1))
    said = re.search(
        r'id="move-text"[^>]*>Toe-in: left wheel (\S+) deg, right wheel (\S+) deg\.', dom
    )
    assert said is not None
    for text, pose in zip(said.groups(), (left, right), strict=True):
        assert float(text.replace("−", "-")) == pytest.approx(
            -np.degrees(float(pose.steer)), abs=0.02
        )
    above = dom.split('id="move-above"')[1].split("</svg>")[0]
    rod = re.search(r'class="rod" d="M(\S+) (\S+)L(\S+) (\S+)M', above)
    assert rod is not None
    ends = [
        (-left.inner_joint[1], -left.inner_joint[0]),
        (-left.outer_joint[1], -left.outer_joint[0]),
    ]
    np.testing.assert_allclose([float(v) for v in rod.groups()], np.ravel(ends), atol=0.25)
