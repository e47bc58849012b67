"""What `heights` says of the ways: alternatives asked first, least change, keys, hand.

Cars and racks are invented. The referee is scipy's differential evolution.
"""

from __future__ import annotations

import re
from dataclasses import replace
from typing import TYPE_CHECKING
from unittest import mock

import numpy as np
import pytest
from heights_referee import least_change
from search_cases import best_known
from shared import made_once
from small_study import ROOT

from optimiser.evaluation.designs import Range
from optimiser.questions.heights import rack
from optimiser.questions.heights.bounded import change_mm
from optimiser.questions.heights.known import NEAR_LEAST
from optimiser.questions.heights.rack import solve_rack
from optimiser.questions.heights.tables import HEIGHT_COLUMNS, height_rows
from optimiser.questions.heights.ways import WAYS, way_problem, ways_of
from optimiser.questions.heights.words import answer_of, verdict
from optimiser.study.read import read_study

if TYPE_CHECKING:
    from pathlib import Path

FIXED, FIXED_SPACED, SHAPED, SHAPED_SPACED, FREE, FREE_SPACED = WAYS
HEIGHTS = np.arange(150.0, 341.0, 10.0)
FEW_HEIGHTS = np.arange(150.0, 341.0, 38.0)
"""Enough where it is asked what is said of a rack: between them the program looks by itself."""


def rescue_study(folder: Path, *changes: tuple[str, str]):
    """The rescue study with some of its text changed."""
    for name in ("rescue_hardpoints.csv", "rescue_racks.csv"):
        (folder / name).write_text((ROOT / "studies" / name).read_text("utf-8"), "utf-8")
    text = (ROOT / "studies" / "rescue.toml").read_text("utf-8")
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    path = folder / "changed.toml"
    path.write_text(text, "utf-8")
    return read_study(path)


LENGTH = "arm_length_mm = {from = 105, to = 130}"
FREER = (LENGTH, "arm_length_mm = {from = 90, to = 140}\narm_angle_deg = {from = -25, to = 15}")
NO_SHAPE = (LENGTH, "")
HEIGHT = "arm_height_mm = {from = 180, to = 360}"


def of_spacing(study, spacing: float, spacers: float = 0.0, heights=HEIGHTS):
    problem = study.problem()
    racks = (replace(problem.racks[0], inner_joint_spacing_mm=spacing),)
    return solve_rack(replace(problem, racks=racks), 0, heights, spacers)


def of_long_rack(study, spacing: float):
    """Solved once for all tests; with spacers as well for the shortest rack.

    What those tests look at alone is solved, and what it starts from.
    """
    spacers = 60.0 if spacing == 450.0 else 0.0
    wanted = [way for way in WAYS if way.within(FREE) or way == FIXED_SPACED]

    def make(_):
        with mock.patch.object(
            rack, "ways_of", lambda *asked: tuple(w for w in ways_of(*asked) if w in wanted)
        ):
            return of_spacing(study, spacing, spacers)

    return made_once(f"rack of {spacing:g} mm", make)


# --- necessity -----------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def long_rack(tmp_path_factory):
    study = rescue_study(tmp_path_factory.mktemp("long"), FREER)
    return study, of_long_rack(study, 600.0)


def test_an_arm_of_another_shape_at_its_drawn_height_is_asked_before_only_is_said(long_rack):
    # With the arm free in height it and the rack would go up for the least bump steer; at its
    # drawn height an arm of another shape does it too, with the rack 20 mm LOWER.
    study, found = long_rack
    drawn = float(study.points.inner_joint[2])
    assert found.place(FIXED).acceptable is False
    shaped = found.nearest(SHAPED)
    assert shaped.at("arm_height_mm") == float(study.points.outer_joint[2])
    assert shaped.at("rack_height_mm") < drawn - 15.0
    assert found.place(FREE).at("rack_height_mm") > drawn - 10.0
    outcome = found.problem.evaluate(shaped.design)
    assert outcome.feasible[0]
    assert (outcome.objectives[0] <= found.problem.acceptable).all()
    first = next(iter(verdict(found, study)))
    assert first.endswith(
        "Not by itself, at heights from 150 to 340 mm only with another steering arm."
    )
    assert "another height" not in first


def test_only_the_height_of_the_arm_is_said_when_no_other_shape_does_it(tmp_path):
    study = rescue_study(tmp_path)
    found = of_spacing(study, 600.0, heights=FEW_HEIGHTS)
    assert not found.place(SHAPED).acceptable
    first = next(iter(verdict(found, study)))
    assert first.endswith(
        "Not by itself, at heights from 150 to 340 mm only with the steering arm at another height."
    )


def test_a_study_that_frees_no_shape_has_no_such_way_and_no_such_words(tmp_path):
    study = rescue_study(tmp_path, NO_SHAPE)
    found = of_spacing(study, 450.0, 60.0, FEW_HEIGHTS)
    assert found.ways == (FIXED, FIXED_SPACED, FREE, FREE_SPACED)
    assert ways_of(found.problem, 0.0) == (FIXED, FREE)
    arm = HEIGHT_COLUMNS.index("arm")
    assert {row[arm] for row in height_rows(found)} == {"fixed", "free in height"}
    assert "shape" not in " ".join(verdict(found, study))


def test_spacers_are_only_said_to_be_needed_when_no_bare_rack_is_acceptable(tmp_path):
    study = rescue_study(tmp_path, NO_SHAPE, (HEIGHT, "arm_height_mm = {from = 290, to = 310}"))
    found = of_spacing(study, 450.0, 60.0, FEW_HEIGHTS)
    assert [curve.nearest is None for curve in found.curves] == [True, False, True, False]
    assert next(iter(verdict(found, study))).endswith(
        "Not by itself, at heights from 150 to 340 mm only with spacers."
    )


# --- least change --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("spacing", "way", "spacers"),
    [
        (450.0, FIXED_SPACED, 60.0),
        (450.0, FREE, 0.0),
        (600.0, SHAPED, 0.0),
        (600.0, FREE, 0.0),
    ],
)
def test_no_search_over_the_whole_space_changes_less(long_rack, spacing, way, spacers):
    study, _ = long_rack
    found = of_long_rack(study, spacing)
    near = found.nearest(way)
    problem = way_problem(found.problem, way, HEIGHTS, spacers)
    free = replace(problem, space=problem.space | {"rack_height_mm": Range(150.0, 340.0)})
    assert near.change_mm <= 1.02 * least_change(free, 0) + 0.5
    outcome = found.problem.evaluate(near.design)
    assert outcome.feasible[0]
    assert (outcome.objectives[0] <= found.problem.acceptable).all()
    # It is not the place with the least bump steer, and changes less than that one.
    assert near.change_mm < found.place(way).change_mm


def test_change_is_the_sum_of_what_the_joints_move_and_of_one_spacer(long_rack):
    study, found = long_rack
    place = found.nearest(FREE)
    values = place.design.values.copy()
    values[:, 2] = 7.0
    points = found.problem.corners(place.design)[0].select(0)
    outer = np.linalg.norm(points.outer_joint - study.points.outer_joint)
    inner = np.linalg.norm((points.inner_joint - study.points.inner_joint)[[0, 2]])
    changed = replace(place.design, values=values)
    assert change_mm(found.problem, changed)[0] == pytest.approx(outer + inner + 7.0)


def test_of_the_acceptable_ways_that_which_changes_least_is_named(long_rack):
    study, found = long_rack
    changes = [curve.nearest.change_mm for curve in found.curves if curve.nearest is not None]
    assert found.remedy.change_mm <= 1.02 * min(changes) + 1.0
    assert found.chosen == found.place(found.remedy.way)
    line = list(verdict(found, study))[2]
    assert f", {found.remedy.change_mm:.0f} mm in all: " in line
    assert answer_of(found) == "not by itself: with the arm higher"


# --- an Ackermann error that costs next to nothing is not quoted ----------------------------------


def test_where_bump_steer_fails_the_least_ackermann_error_near_it_is_quoted(tmp_path):
    study = rescue_study(tmp_path, NO_SHAPE)
    problem = study.problem()
    found = solve_rack(problem, 0, np.arange(262.0, 291.0, 4.0), 0.0)
    place, curve = found.place(FIXED), found.curve(FIXED)
    outcome = curve.all_evaluations
    bump = np.where(outcome.feasible, outcome.objectives[:, 0], np.inf)
    least = int(np.argmin(bump))
    assert bump[least] > problem.acceptable[0]
    assert outcome.objectives[least, 1] > problem.acceptable[1]
    # A fine grid of the two variables that the way leaves.
    height, fore_aft = np.meshgrid(np.arange(272.0, 281.0, 0.05), np.arange(-150.0, -89.9, 1.0))
    values = np.tile(place.design.values, (height.size, 1))
    values[:, 0], values[:, 1] = height.ravel(), fore_aft.ravel()
    grid = found.problem.evaluate(
        replace(place.design, rack=np.zeros(height.size, int), values=values)
    )
    near = grid.feasible & (grid.objectives[:, 0] <= NEAR_LEAST * bump[least])
    assert place.bump_steer_deg <= NEAR_LEAST * bump[least] + 1e-6
    assert place.ackermann_error_deg <= np.min(grid.objectives[near, 1]) + 0.01
    line = list(verdict(found, study))[1]
    assert f"Ackermann error {place.ackermann_error_deg:.3f} deg." in line
    assert "above" not in line


def test_what_comes_nearest_in_both_is_quoted_where_nothing_is_acceptable(tmp_path):
    """The least Ackermann error beside the least bump steer would be twice as far from it."""
    study = rescue_study(
        tmp_path,
        NO_SHAPE,
        ("acceptable_ackermann_error_deg = 1.0", "acceptable_ackermann_error_deg = 0.12"),
    )
    found = of_spacing(study, 600.0, heights=FEW_HEIGHTS)
    place, acceptable = found.place(FIXED), found.problem.acceptable
    problem = way_problem(found.problem, FIXED, FEW_HEIGHTS, 0.0)
    free = replace(problem, space=problem.space | {"rack_height_mm": Range(150.0, 340.0)})
    values = np.array([place.bump_steer_deg, place.ackermann_error_deg])
    assert np.max(values / acceptable) <= 1.03 * best_known(free)
    assert not place.acceptable


# --- keys that stand in the way, and the hand -----------------------------------------------------


def test_a_cure_that_the_study_does_not_allow_names_the_keys_and_the_command(tmp_path):
    follows = rescue_study(tmp_path, NO_SHAPE, (HEIGHT, 'arm_height_mm = "follows rack"'))
    found = of_spacing(follows, 450.0, heights=FEW_HEIGHTS)
    assert found.remedy.way == FREE
    line = next(line for line in verdict(found, follows) if "does not allow" in line)
    assert line == (
        'The study itself does not allow this: [search.vary] arm_height_mm = "follows rack". Free '
        f"it there, then: optimiser run {follows.path}"
    )


def test_a_cure_within_the_study_names_no_key(long_rack):
    study, found = long_rack
    assert not any("does not allow" in line or "Beyond" in line for line in verdict(found, study))


def test_a_cure_beyond_the_default_of_spacers_names_it(tmp_path):
    study = rescue_study(
        tmp_path,
        NO_SHAPE,
        (HEIGHT, "arm_height_mm = {from = 298, to = 302}"),
        ("spacer_max_mm = 60", ""),
        ("spacer_mm = {from = 0, to = 60} ", "spacer_mm = 0 "),
    )
    found = of_spacing(study, 360.0, study.file.limits.spacer_max_mm, FEW_HEIGHTS)
    assert answer_of(found) == "no"
    line = next(line for line in verdict(found, study) if line.startswith("Beyond"))
    said = re.search(r"spacer_max_mm = 50, the default\): with spacer length ([\d.]+) mm", line)
    assert 70 < float(said[1]) < 130
    assert line.endswith(f"optimiser heights {study.path} --rack {found.problem.racks[0].name}")
    longer = of_spacing(study, 360.0, float(said[1]) + 1.0, FEW_HEIGHTS)
    assert longer.remedy is not None


@pytest.mark.parametrize(
    ("side", "words"),
    [
        ("left", "its pinion is then on the left, the driver's side"),
        ("right", "but the driver sits on the right: the opposite hand is needed"),
    ],
)
def test_the_hand_is_said(tmp_path, side, words):
    study = rescue_study(tmp_path, NO_SHAPE, ("[car]\n", f'[car]\ndrive_side = "{side}"\n'))
    found = of_spacing(study, 570.0, 0.0, np.array([270.0, 280.0]))
    last = list(verdict(found, study))[-1]
    assert last.startswith("Hand: steers the right way as made; ")
    assert words in last
