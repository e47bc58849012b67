"""What is closest in each pose, against distances worked out pose by pose by code of its own."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from drawn_case import chosen_of
from packaging_case import BOX, RACK, RIGHT, ROOM, problem
from references.clear import to_box, to_segment
from search_cases import small

from optimiser.answer.closest_by_pose import TOLD_MM, closest_by_pose
from optimiser.answer.pose_margins import PoseMargins
from optimiser.evaluation.asked import KeepOut, Tyre
from optimiser.report.moving_view import moving_data

TRAVEL = np.array([-40.0, -15.0, 0.0, 30.0, 50.0])
RACK_MM = np.array([-54.0, -40.0, -21.0, 0.0, 21.0, 40.0, 54.0])
SIDES = {"left": 1.0, "right": -1.0}


def found_of(room, **more):
    asked = problem(room, **more)
    design = asked.designs(0, {})
    return asked, design, closest_by_pose(asked, design, TRAVEL, RACK_MM)


def one_by_one(asked, design, distance):
    """`distance` of the parts of either side, points of the car as it stands, in each pose."""
    margins, least = PoseMargins.of(asked, design), []
    for sign in SIDES.values():
        image = np.array([1.0, sign, 1.0])
        grid = np.meshgrid(TRAVEL, sign * RACK_MM, indexing="ij")
        pose = margins.poses(*(each.ravel() for each in grid))
        rod = pose.inner_joint * image, pose.outer_joint * image
        balls = pose.lower_ball_joint * image, pose.upper_ball_joint * image
        least.append(distance(rod, balls, image).reshape(grid[0].shape))
    return np.stack(least)


def check(closest, least, words):
    """Distances and the side they are on; what is farther than is told has no name."""
    gap = np.minimum(least.min(axis=0), TOLD_MM)
    np.testing.assert_allclose(closest.gap_mm, gap, atol=1e-3)
    for index in np.ndindex(gap.shape):
        if gap[index] == TOLD_MM:
            assert closest.pair[index] == -1
            continue
        left, right = least[(slice(None), *index)]
        if abs(abs(left - right) - 0.05) > 0.01:
            where = "" if abs(left - right) < 0.05 else f" on the {tuple(SIDES)[int(left > right)]}"
            assert closest.names[closest.pair[index]] == words + where


def rods_alone(*keep_outs, **more):
    blank = replace(
        ROOM, keep_outs=keep_outs, rim=None, joint_diameter_mm=0.0, steering_arm_diameter_mm=None,
        arm_tube_diameter_mm=None, spacer_diameter_mm=None,
    )  # fmt: skip
    plain = replace(RACK, housing_length_mm=None, pinion_offset_mm=None)
    return found_of(replace(blank, **more), racks=(plain,))


def test_a_box_on_one_side_counts_for_the_rod_that_meets_it():
    asked, design, found = rods_alone(BOX)
    low, high = np.array(BOX.low), np.array(BOX.high)
    least = one_by_one(asked, design, lambda rod, _, __: to_box(*rod, low, high) - 7.0)
    assert (least[1] > 100.0).all()  # the right rod is on the other side of the car
    check(found.steering, least, "tie rod to sump")
    assert np.abs(least[0] - least[0, :, ::-1]).max() > 1.0  # so that it matters which side it is


def test_a_tube_on_the_right_counts_for_the_right_rod():
    asked, design, found = rods_alone(RIGHT)
    ends = np.array(RIGHT.low), np.array(RIGHT.high)
    least = one_by_one(asked, design, lambda rod, _, __: to_segment(*rod, *ends) - 13.0)
    assert (least[0] > 100.0).all()
    check(found.steering, least, "tie rod to brake line")


def test_arms_are_on_both_sides():
    asked, design, found = rods_alone(arm_tube_diameter_mm=25.0)

    def to_arms(rod, balls, image):
        tubes = [
            (getattr(asked.points, f"{arm}_{end}_pivot") * image, ball)
            for arm, ball in zip(("lower", "upper"), balls, strict=True)
            for end in ("front", "rear")
        ]
        return np.min([to_segment(*rod, *tube) for tube in tubes], axis=0) - 7.0 - 12.5

    least = one_by_one(asked, design, to_arms)
    np.testing.assert_allclose(least[0], least[1][:, ::-1], atol=1e-6)
    check(found.steering, least, "tie rod to lower arm")


def test_the_least_of_both_sides_is_what_the_search_measures():
    """Of all parts and keep-outs, of which the search has each pose stand for either side."""
    tyre = Tyre(300.0, 170.0, 190.0, 20.0)
    asked, design, found = found_of(replace(ROOM, tyre=tyre))
    margins = PoseMargins.of(asked, design)
    grid = np.meshgrid(TRAVEL, RACK_MM, indexing="ij")
    pairs = margins.pairs(margins.poses(*(each.ravel() for each in grid)), told_mm=TOLD_MM)
    of_tyre = [v for name, v in pairs.items() if name.startswith("clearance_tyre")]
    others = [v for name, v in pairs.items() if not name.startswith("clearance_tyre")]
    for values, one in ((others, found.steering), (of_tyre, found.tyre)):
        merged = np.min(values, axis=0).reshape(grid[0].shape)
        ours = one.gap_mm
        if values is others and found.same is not None:
            ours = np.minimum(ours, found.same[1])
        np.testing.assert_allclose(
            np.minimum(merged, merged[:, ::-1]), np.minimum(ours, ours[:, ::-1]), atol=1e-9
        )
    assert found.same[0] in {"rack housing to sump", "pinion housing to sump",
                             "steering arm to rim", "outer joint to rim"}  # fmt: skip


def test_a_pinion_housing_counts_for_its_own_side():
    """A disc that steers is before it on that side alone."""
    disc = KeepOut(
        "disc", "capsule", (95.0, 380.0, 300.0), (95.0, 150.0, 300.0), 10.0, on="upright"
    )
    bare = {"keep_outs": (disc,), "tie_rod_diameter_mm": None, "joint_diameter_mm": None}
    for side in SIDES:
        room = replace(
            ROOM, rim=None, arm_tube_diameter_mm=None, spacer_diameter_mm=None,
            steering_arm_diameter_mm=None, **bare,
        )  # fmt: skip
        rack = replace(RACK, pinion_side=side, pinion_angle_deg=0.0, housing_length_mm=None)
        _, _, found = found_of(room, racks=(rack,))
        assert set(found.steering.names) == {f"pinion housing to disc on the {side}"}
        gap = found.steering.gap_mm
        assert np.abs(gap - gap[:, ::-1]).max() > 1.0


def test_nothing_is_said_without_clearance():
    chosen = chosen_of(small())
    assert closest_by_pose(chosen.problem, chosen.design, TRAVEL, RACK_MM) is None
    assert moving_data(chosen)["near"] is None


def test_the_page_gets_every_pose_of_the_drawing_and_those_half_way():
    asked = problem(ROOM)
    chosen = chosen_of(asked, asked.designs(0, {}))
    data = moving_data(chosen)
    near = data["near"]
    assert set(data["travel"]) <= set(near["travel"])
    assert set(data["rack"]) <= set(near["rack"])
    travel, rack = np.array(near["travel"]), np.array(near["rack"])
    np.testing.assert_allclose(rack, -rack[::-1], atol=0.011)
    found = closest_by_pose(asked, chosen.design, travel, rack)
    ((kind,),) = (near["kinds"],)
    np.testing.assert_allclose(kind["gap"], found.steering.gap_mm.ravel(), atol=0.06)
    assert [kind["names"][i] for i in kind["pair"]] == [
        found.steering.names[i] for i in found.steering.pair.ravel()
    ]
    assert near["same"][0] == found.same[0]
    assert near["same"][1] == pytest.approx(found.same[1], abs=0.06)
