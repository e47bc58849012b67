"""Parts that move with arms, upright and rack, and parts between two bodies."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from fcl_shapes import distance
from moving_case import PARTS, ROOMY, fcl_shape, placements, random_moving, round_bar
from packaging_case import POINTS, RACK, problem
from test_clearance import least_along, random_segments

from optimiser.answer.whole_sweep import on_grid
from optimiser.evaluation.asked import KeepOut
from optimiser.evaluation.clearance.engine import (
    Picked,
    components,
    cylinder_apart,
    minimum_segment_cylinder,
    segment_cylinder_distance,
)
from optimiser.evaluation.clearance.metrics import FAR_MM
from optimiser.evaluation.clearance.pairs import column
from optimiser.evaluation.clearance.parts import moving_parts

ROUNDING_MM = 1e-9
SOLVER_MM = 1e-3  # of python-fcl's shape solver, which has no setting for it


def solved_design(room):
    asked = problem(room)
    design = asked.designs(np.zeros(1, dtype=int), {})
    return asked, design, asked.solve(design)


# --- cylinders -----------------------------------------------------------------------------------


def random_cylinders(rng, count, reach=80.0):
    start = rng.uniform(-reach, reach, (count, 3))
    end = start + rng.uniform(-reach, reach, (count, 3)) * rng.choice([0.05, 1.0], (count, 1))
    return start, end, rng.uniform(2.0, 60.0, count)


def point_to_cylinder(points, start, end, radius):
    """Signed distance of points, straight from the definition."""
    half = 0.5 * np.linalg.norm(end - start, axis=-1)
    axis = 0.5 * (end - start) / half[:, None]
    off = points - 0.5 * (start + end)
    along = np.sum(off * axis, axis=-1)
    side = np.linalg.norm(off - along[:, None] * axis, axis=-1) - radius
    beyond = np.abs(along) - half
    outside = np.hypot(np.maximum(side, 0.0), np.maximum(beyond, 0.0))
    return np.where((side < 0.0) & (beyond < 0.0), np.maximum(side, beyond), outside)


def test_segment_to_cylinder_is_the_least_signed_distance_along_it():
    rng = np.random.default_rng(71)
    (p0, p1), (start, end, radius) = random_segments(rng, 5000, 80.0), random_cylinders(rng, 5000)
    p1[:500] = p0[:500]
    ours = segment_cylinder_distance(p0, p1, start, end, radius)
    assert 0.05 < np.mean(ours < 0.0) < 0.9
    wanted = least_along(lambda x: point_to_cylinder(x, start, end, radius), p0, p1)
    np.testing.assert_allclose(ours, wanted, rtol=0.0, atol=ROUNDING_MM)


def test_least_of_many_poses_to_a_cylinder_and_the_bound_that_spares_measuring():
    rng = np.random.default_rng(72)
    start, end, radius = random_cylinders(rng, 60)
    ends = rng.uniform(-80.0, 80.0, (2, 60, 1, 3)) + rng.uniform(-30.0, 30.0, (2, 60, 25, 3))
    ours = minimum_segment_cylinder(*ends, start[:, None], end[:, None], radius[:, None])
    each = segment_cylinder_distance(*ends, start[:, None], end[:, None], radius[:, None])
    np.testing.assert_allclose(ours, each.min(axis=1), rtol=0.0, atol=2e-9)
    picked = [Picked(np.moveaxis(e, -1, 0), np.arange(60)) for e in ends]
    again = minimum_segment_cylinder(*picked, start[:, None], end[:, None], radius[:, None])
    np.testing.assert_array_equal(again, ours)
    low, high = (components.split(e[:, 3]) for e in ends)
    boxes = [(components.split(e.min(axis=1)), components.split(e.max(axis=1))) for e in ends]
    shapes = [components.split(x) for x in (start, end, radius[:, None] * np.ones(3))]
    bound = cylinder_apart((low, high, *boxes), *shapes)
    assert np.all(bound <= ours + ROUNDING_MM)
    assert np.mean(bound > 0.0) > 0.2


# --- in moved poses ------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_moving_parts_agree_with_fcl(seed):
    """python-fcl: boxes, cylinders and capsules turned into each pose by scipy's rotations."""
    parts = random_moving(seed)
    asked, design, solved = solved_design(replace(ROOMY, keep_outs=parts))
    swept = on_grid(asked, solved, 4, 5)
    ours = asked.clearances(design, swept, poses_between=False)
    moving = {part[0]: part for part in moving_parts(design, swept, asked.racks, asked.room)}
    theirs = {(part, item.name): np.inf for part in PARTS for item in parts}
    for pose in range(20):
        bodies = placements(swept, 0, pose)
        shapes = {item.name: fcl_shape(item, bodies) for item in parts}
        for name in PARTS:
            _, start, end, radius = moving[name]
            at = [np.broadcast_to(p, (3, 1, 20))[:, 0, pose] for p in (start, end)]
            bar = round_bar(*at, float(radius[0]))
            for other, shape in shapes.items():
                theirs[name, other] = min(theirs[name, other], distance(bar, shape))
    touching = measured = 0
    for (part, other), apart in theirs.items():
        on_rack = next("rack" in (i.on, i.to_on) for i in parts if i.name == other)
        assert (column(part, other) in ours) == (part != "spacer" or not on_rack)
        if column(part, other) not in ours:
            continue
        found = float(ours[column(part, other)][0])
        if apart <= 0.0:  # the library's distance of what overlaps is no distance
            assert found < SOLVER_MM
            touching += 1
        elif found < FAR_MM:
            assert found == pytest.approx(apart, abs=SOLVER_MM)
            measured += 1
        else:
            assert apart > FAR_MM - SOLVER_MM
    assert touching > 3
    assert measured > 3


@pytest.mark.parametrize("on", ["lower_arm", "upper_arm", "upright", "rack"])
def test_in_the_drawn_pose_a_part_stands_where_it_was_drawn(on):
    """The drawn car itself: what a part carries it makes no difference."""
    box = KeepOut("part", "box", (60.0, 380.0, 220.0), (90.0, 460.0, 300.0), on=on)
    asked, design, solved = solved_design(replace(ROOMY, keep_outs=(box,)))
    values = design.values.copy()
    drawn = POINTS.inner_joint
    values[:, 0], values[:, 1] = drawn[2], drawn[0]
    values[:, 2] = drawn[1] - 0.5 * RACK.inner_joint_spacing_mm
    design = replace(design, values=values)
    solved = asked.solve(design)
    solved = replace(
        solved,
        envelope=solved.rest,
        envelope_travel_mm=np.zeros(1),
        envelope_share=np.zeros(1),
    )
    still = replace(asked, room=replace(ROOMY, keep_outs=(replace(box, on="body"),)))
    before, now = (one.clearances(design, solved, poses_between=False) for one in (still, asked))
    name = column("tie_rod", "part")
    assert before[name][0] < FAR_MM
    assert now[name][0] == pytest.approx(before[name][0], abs=1e-8)


def test_a_part_moves_with_its_arm_and_not_with_the_other():
    """A block over the rod, which rises towards it in bump."""
    block = KeepOut("block", "box", (80.0, 470.0, 245.0), (110.0, 500.0, 300.0))
    found = {}
    for on in ("body", "lower_arm", "upright"):
        asked, design, solved = solved_design(replace(ROOMY, keep_outs=(replace(block, on=on),)))
        found[on] = float(asked.clearances(design, solved)[column("tie_rod", "block")][0])
    assert found["body"] < found["lower_arm"] - 5.0
    assert found["body"] < found["upright"] - 5.0


def test_the_fixed_length_is_cut_from_the_first_end():
    """A damper's body: all of a link that long hits the rod, its upper 40 mm do not."""
    link = KeepOut(
        "damper", "capsule", (105.0, 430.0, 420.0), (105.0, 480.0, 160.0), 10.0,
        on="body", to_on="lower_arm",
    )  # fmt: skip
    found = []
    for length in (None, 230.0, 40.0):
        parts = (replace(link, length_mm=length),)
        asked, design, solved = solved_design(replace(ROOMY, keep_outs=parts))
        found.append(float(asked.clearances(design, solved)[column("tie_rod", "damper")][0]))
    assert found[0] < 0.0
    assert found[1] < 0.0
    assert found[2] == FAR_MM


def test_what_is_carried_does_not_depend_on_the_batch():
    asked, design, _ = solved_design(replace(ROOMY, keep_outs=random_moving(4)))
    rng = np.random.default_rng(5)
    values = np.repeat(design.values, 9, axis=0)
    values[1:, :2] += rng.uniform(-15.0, 15.0, (8, 2))
    many = replace(design, rack=np.zeros(9, dtype=np.intp), values=values)
    together = asked.evaluate(many).metrics
    for row in range(9):
        alone = asked.evaluate(many.select(slice(row, row + 1))).metrics
        for name, value in alone.items():
            np.testing.assert_array_equal(together[name][row], value[0], err_msg=name)
