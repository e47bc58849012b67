"""Clearance of designs: both sides, every pose, what may be turned, and what is not known.

The referee solves left and right corner from their constraints with scipy, places capsules of a
general-purpose collision library (python-fcl) at every pose, and knows nothing of mirrors.
"""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from fcl_shapes import box_mesh, capsule, distance, segment_mesh
from packaging_case import BOTH, BOX, RACK, RIGHT, ROOM, corner_by_constraints, problem
from scipy.spatial.transform import Rotation

from optimiser.answer.whole_sweep import on_grid, sweep_whole
from optimiser.evaluation.asked import KeepOut, Room, Travel
from optimiser.evaluation.clearance import pairs
from optimiser.evaluation.clearance.engine import poses_between
from optimiser.evaluation.clearance.metrics import (
    FAR_MM,
    clearance_metrics,
    has_pairs,
    told_apart_mm,
    unchecked_parts,
)
from optimiser.evaluation.clearance.pinion import ANGLES_DEG
from optimiser.evaluation.quantities import pair_words
from optimiser.linkage.at_rack import solve_linkage
from optimiser.linkage.racks import Rack

ROOT = Path(__file__).resolve().parents[1]
UP = np.array([0.0, 0.0, 8.0])
STAY = KeepOut("stay", "capsule", (70.0, -560.0, 250.0), (20.0, -530.0, 230.0), 5.0)


def apart(start, end, radius, other):
    """Distance by python-fcl of a capsule to a keep-out, or to another capsule's three values."""
    if isinstance(other, KeepOut) and other.kind == "box":
        return distance(segment_mesh(start, end), box_mesh(other.low, other.high)) - radius
    q0, q1, thick = (
        (other.low, other.high, other.radius_mm) if isinstance(other, KeepOut) else other
    )
    return distance(capsule(start, end, radius), capsule(q0, q1, thick))


def evaluate(asked, **options):
    """Clearance of the problem's one design; in the solved poses alone unless told otherwise."""
    design = asked.designs(0, {})
    solved = asked.solve(design)
    assert solved.reason[0] == ""
    metrics = clearance_metrics(
        design, solved, asked.racks, asked.room, arm_ahead=True,
        drive_side=asked.car.drive_side, **{"poses_between": False, **options},
    )  # fmt: skip
    return {name: float(values[0]) for name, values in metrics.items()}


@pytest.fixture(scope="module")
def both_corners():
    """Joints by side and pose, from constraints: (lower, upper, outer, wheel), inner, of 2 x E."""
    asked = problem()
    solved = asked.solve(asked.designs(0, {}))
    left = solved.points.select(0)
    half = RACK.travel_mm / 2.0
    poses = []
    for side, points in (("left", left), ("right", left.mirrored())):
        for travel, share in zip(solved.envelope_travel_mm, solved.envelope_share, strict=True):
            # The bar is one: both inner joints move to the left by the same.
            inner = points.inner_joint + np.array([0.0, share * half, 0.0])
            poses.append((side, corner_by_constraints(points, travel, inner), inner))
    return left, poses


def least_by_fcl(both_corners, part, other):
    """Least distance over both sides and all poses."""
    _, poses = both_corners
    found = []
    for side, (lower, upper, outer, _), inner in poses:
        axis = (upper - lower) / np.linalg.norm(upper - lower)
        housing = 0.5 * RACK.housing_length_mm
        end_of_housing = inner * [1.0, 0.0, 1.0]
        outward = 1.0 if side == "left" else -1.0
        end_of_housing[1] = outward * min(housing, abs(inner[1]))
        ends = {
            "tie_rod": (inner, outer, 7.0),
            "outer_joint": (outer, outer, 16.0),
            "steering_arm": (lower + axis * (axis @ (outer - lower)), outer, 11.0),
            "spacer": (end_of_housing, inner, 12.0),
        }[part]
        found.append(apart(*ends, other))
    return min(found)


@pytest.mark.parametrize("part", ["tie_rod", "outer_joint", "steering_arm", "spacer"])
def test_moving_parts_of_both_sides_agree_with_fcl(both_corners, part):
    """Keep-outs on the left, on the right only, and mirrored; python-fcl, separated pairs."""
    far = Room(keep_outs=(*ROOM.keep_outs, STAY), **{
        name: getattr(ROOM, name) for name in
        ("tie_rod_diameter_mm", "joint_diameter_mm", "steering_arm_diameter_mm",
         "spacer_diameter_mm")
    })  # fmt: skip
    ours = evaluate(problem(far), limit_mm=30.0)
    compared = 0
    for item in (BOX, RIGHT, BOTH, STAY):
        shapes = [item]
        if item.mirror:
            low, high = (tuple(np.array(p) * [1.0, -1.0, 1.0]) for p in (item.low, item.high))
            shapes.append(replace(item, low=low, high=high))
        theirs = min(least_by_fcl(both_corners, part, shape) for shape in shapes)
        value = ours[f"clearance_{part}_{item.name.replace(' ', '_')}_mm"]
        if 0.0 < theirs < 30.0:
            assert value == pytest.approx(theirs, abs=1e-5)
            compared += 1
        elif theirs >= 30.0:
            assert value == 30.0
        else:
            assert value <= 0.0
    assert compared


def test_the_right_side_is_not_the_left_side_at_the_same_rack(both_corners):
    """The brake line stands on the right: a check of the left wheel against it where it is not."""
    left, poses = both_corners
    mirrored = replace(RIGHT, low=(150.0, 560.0, 190.0), high=(190.0, 420.0, 260.0))
    for part in ("tie_rod", "outer_joint"):
        on_right = least_by_fcl((left, [p for p in poses if p[0] == "right"]), part, RIGHT)
        on_left = least_by_fcl((left, [p for p in poses if p[0] == "left"]), part, mirrored)
        assert on_right == pytest.approx(on_left, abs=1e-5)


@pytest.mark.parametrize("part", ["tie_rod", "spacer"])
def test_arms_against_fcl(both_corners, part):
    left, poses = both_corners
    asked = problem(Room(tie_rod_diameter_mm=14.0, spacer_diameter_mm=24.0,
                         arm_tube_diameter_mm=25.0))  # fmt: skip
    # Far enough to see the upper arm, which is high above the bar.
    ours = evaluate(asked, limit_mm=150.0)
    for arm, ball in (("lower", 0), ("upper", 1)):
        found = []
        for side, joints, inner in poses:
            for end in ("front", "rear"):
                pivot = getattr(left, f"{arm}_{end}_pivot")
                pivot = pivot if side == "left" else pivot * [1.0, -1.0, 1.0]
                out = 0.5 * RACK.housing_length_mm * (1.0 if side == "left" else -1.0)
                begin = np.array([inner[0], out, inner[2]])
                line = (inner, joints[2], 7.0) if part == "tie_rod" else (begin, inner, 12.0)
                found.append(apart(*line, (pivot, joints[ball], 12.5)))
        assert 0.0 < min(found) < 150.0
        assert ours[f"clearance_{part}_{arm}_arm_mm"] == pytest.approx(min(found), abs=1e-5)


def test_between_poses_nothing_is_missed_by_much():
    """Every pair of random designs against 25 x 33 poses of the kernel."""
    asked = problem()
    rng = np.random.default_rng(8)
    designs = asked.designs(np.zeros(60, dtype=int), {
        "rack_height_mm": rng.uniform(180.0, 250.0, 60),
        "rack_fore_aft_mm": rng.uniform(70.0, 120.0, 60),
        "arm_length_mm": rng.uniform(100.0, 125.0, 60),
    })  # fmt: skip
    solved = asked.solve(designs)
    designs = designs.select(np.flatnonzero(solved.reason == ""))
    solved = asked.solve(designs)
    whole = on_grid(asked, solved, 25, 33)
    given = {"arm_ahead": True, "drive_side": "left"}
    ours = clearance_metrics(designs, solved, asked.racks, asked.room, **given)
    few, true = (
        clearance_metrics(designs, each, asked.racks, asked.room, poses_between=False, **given)
        for each in (solved, whole)
    )
    names = [name for name in true if name.startswith("clearance_") and "rim" not in name]
    over, before = (np.array([found[name] - true[name] for name in names]) for found in (ours, few))
    assert over.shape[1] > 40
    assert np.max(before) > 3.0
    assert np.max(over) < 1.0
    assert np.min(over) > -0.5


@pytest.mark.parametrize(("travel", "step"), [(60.0, 30.0), (60.0, 5.0), (110.0, 10.0)])
def test_a_coarse_grid_or_a_long_travel_misses_no_more(travel, step):
    """Small capsules where the outer joint and the rod come by, against poses of the kernel."""
    asked = replace(problem(), travel=Travel(travel, travel, step))
    one = asked.designs(0, {})
    solved = asked.solve(one)
    assert solved.reason[0] == ""
    rng = np.random.default_rng(9)
    at_t = rng.uniform(-travel, travel, 40)
    there = solve_linkage(solved.points.select(0), at_t, rng.uniform(-55.0, 55.0, 40))
    spots = there.inner_joint + rng.uniform(0.5, 1.0, 40)[:, None] * (
        there.outer_joint - there.inner_joint
    )
    keep_outs = tuple(
        KeepOut(f"bolt {i}", "capsule", tuple(spot), tuple(spot + UP), 4.0)
        for i, spot in enumerate(spots)
    )
    room = Room(keep_outs=keep_outs, tie_rod_diameter_mm=14.0)
    whole = on_grid(asked, solved, 61, 45)
    given = {"arm_ahead": True, "drive_side": "left"}
    ours = clearance_metrics(one, solved, asked.racks, room, **given)
    true = clearance_metrics(one, whole, asked.racks, room, poses_between=False, **given)
    over = np.array([ours[n][0] - true[n][0] for n in true if n.startswith("clearance_tie_rod")])
    assert len(over) == 40
    assert np.max(over) < 2.5
    assert np.min(over) > -0.5


def test_rounding_does_not_break_a_limit():
    """Sums of thicknesses that leave a little less than what was added are no overlap."""
    found = []
    for radius in np.linspace(9.0, 16.0, 60):
        pipe = KeepOut("pipe", "capsule", (118.0, 560.0, 306.0), (118.0, 700.0, 306.0), 9.8)
        room = Room(keep_outs=(pipe,), tie_rod_diameter_mm=10.0, joint_diameter_mm=2.0 * radius)
        asked = problem(room, clearance=25.0)
        found.append(asked.evaluate(asked.designs(0, {})).metrics["clearance_mm"][0])
    clear = np.array(found) > 24.999
    assert 10 < clear.sum() < 60
    assert set(np.array(found)[clear]) == {25.0}


def test_whole_sweep_tells_apart_what_is_wanted():
    away = KeepOut("far", "box", (-900.0, -100.0, 300.0), (-800.0, 100.0, 400.0))
    asked = problem(Room(keep_outs=(away,), tie_rod_diameter_mm=14.0), clearance=30.0)
    assert sweep_whole(asked, asked.designs(0, {})).clearance_mm == 30.0


def test_joints_of_known_size_are_enough():
    block = KeepOut("block", "box", (-100.0, 300.0, 50.0), (300.0, 800.0, 500.0))
    bare = Rack("bare", inner_joint_spacing_mm=630.0, travel_mm=110.0, turns=2.8)
    asked = problem(Room(keep_outs=(block,), joint_diameter_mm=30.0), (bare,))
    assert "outer joints" not in unchecked_parts(bare, asked.room)
    outcome = asked.evaluate(asked.designs(0, {}))
    assert outcome.status[0] == "breaks clearance_mm"


def test_columns_are_there_when_nothing_can_be_assembled():
    asked = problem()
    designs = asked.designs([0, 0], {"arm_length_mm": [112.0, 5.0]})
    both = asked.evaluate(designs)
    assert both.assembles.tolist() == [True, False]
    for row in (0, 1):
        alone = asked.evaluate(designs.select(slice(row, row + 1)))
        assert list(alone.metrics) == list(both.metrics)


# --- housings ------------------------------------------------------------------------------------


def test_rack_housing_by_hand_and_only_where_keep_outs_are():
    """Housing of 420 by 44 mm at z 215; a box above its left end and one 2 mm into it."""
    above = KeepOut("lid", "box", (50.0, 150.0, 250.0), (140.0, 190.0, 300.0))
    below = KeepOut("floor", "box", (50.0, -190.0, 100.0), (140.0, -150.0, 195.0))
    room = Room(keep_outs=(above, below), tie_rod_diameter_mm=14.0)
    ours = evaluate(problem(room))
    assert ours["clearance_rack_housing_lid_mm"] == pytest.approx(250.0 - 215.0 - 22.0)
    assert ours["clearance_rack_housing_floor_mm"] == pytest.approx(20.0 - 22.0)
    assert ours["clearance_mm"] == pytest.approx(-2.0)
    # The bar's place is the same on both sides, and so is the housing.
    flipped = [replace(k, low=(50.0, -k.high[1], k.low[2]), high=(140.0, -k.low[1], k.high[2]))
               for k in (above, below)]  # fmt: skip
    other = evaluate(problem(replace(room, keep_outs=tuple(flipped))))
    assert other["clearance_rack_housing_lid_mm"] == ours["clearance_rack_housing_lid_mm"]


PINION_BOX = KeepOut("footwell", "box", (-80.0, 90.0, 225.0), (60.0, 170.0, 340.0))


def pinion_by_sampling(angle_deg, sign, item):
    """Distance of a pinion housing to a box from points on its centre line, directly."""
    turn = Rotation.from_rotvec([0.0, -np.radians(angle_deg), 0.0])  # up leans rearward: -y
    axis = turn.apply([0.0, 0.0, 1.0])
    line = np.array([95.0, sign * 130.0, 215.0]) + np.linspace(0, 95.0, 3001)[:, None] * axis
    over = np.maximum(np.array(item.low) - line, line - np.array(item.high))
    outside = np.linalg.norm(np.maximum(over, 0.0), axis=1)
    signed = np.where((over < 0.0).all(axis=1), over.max(axis=1), outside)
    return signed.min() - 24.0


def pinion_problem(rack=RACK, item=PINION_BOX, drive_side="left"):
    asked = problem(Room(keep_outs=(item,), tie_rod_diameter_mm=14.0), (rack,))
    return replace(asked, car=replace(asked.car, drive_side=drive_side))


def test_free_pinion_angle_is_the_best_of_those_tried():
    values = {a: min(FAR_MM, pinion_by_sampling(a, 1.0, PINION_BOX)) for a in ANGLES_DEG}
    ours = evaluate(pinion_problem())
    assert ours["clearance_pinion_housing_footwell_mm"] == pytest.approx(
        max(values.values()), abs=0.01
    )
    assert values[ours["pinion_angle_deg"]] == pytest.approx(max(values.values()), abs=0.01)
    assert max(values.values()) - min(values.values()) > 10.0


def test_with_room_all_round_the_pinion_faces_half_way_up_the_rear():
    far_away = KeepOut("bulkhead", "box", (900.0, -400.0, 100.0), (950.0, 400.0, 500.0))
    ours = evaluate(pinion_problem(item=far_away))
    assert ours["pinion_angle_deg"] == 45.0
    assert ours["clearance_pinion_housing_bulkhead_mm"] == FAR_MM
    # The others are tried outward from there.
    assert ANGLES_DEG.tolist()[:3] in ([45.0, 30.0, 60.0], [45.0, 60.0, 30.0])
    assert np.all(np.diff(np.abs(ANGLES_DEG - 45.0)) >= 0.0)


@pytest.mark.parametrize("angle", [0.0, 30.0, 90.0])
def test_fixed_pinion_angle_is_kept(angle):
    ours = evaluate(pinion_problem(replace(RACK, pinion_angle_deg=angle)))
    assert ours["pinion_angle_deg"] == angle
    wanted = min(FAR_MM, pinion_by_sampling(angle, 1.0, PINION_BOX))
    assert ours["clearance_pinion_housing_footwell_mm"] == pytest.approx(wanted, abs=0.01)


@pytest.mark.parametrize(
    ("made_for", "side", "signs"),
    [
        ("ahead", "left", (1.0,)),
        ("ahead", "right", (-1.0,)),
        ("behind", "left", (-1.0,)),  # turned end for end, the pinion lands on the other side
        ("behind", "right", (1.0,)),
        (None, "left", (1.0, -1.0)),  # not known: both
        ("ahead", None, (1.0, -1.0)),
    ],
)
def test_pinion_side_follows_the_hand(made_for, side, signs):
    rack = replace(RACK, made_for=made_for, pinion_side=side, pinion_angle_deg=30.0)
    ours = evaluate(pinion_problem(rack))["clearance_pinion_housing_footwell_mm"]
    wanted = min(FAR_MM, *(pinion_by_sampling(30.0, sign, PINION_BOX) for sign in signs))
    assert ours == pytest.approx(wanted, abs=0.01)
    there = evaluate(pinion_problem(rack, replace(PINION_BOX, mirror=True)))
    assert there["clearance_pinion_housing_footwell_mm"] == pytest.approx(
        min(pinion_by_sampling(30.0, sign, PINION_BOX) for sign in (1.0,)), abs=0.01
    )


@pytest.mark.parametrize("side", ["left", "right", None])
def test_a_pinion_in_the_middle_is_measured_there(side):
    """Straight up from the middle of the bar, 95 mm long and 48 thick, under a shelf."""
    shelf = KeepOut("shelf", "box", (50.0, -40.0, 340.0), (140.0, 15.0, 400.0))
    rack = replace(RACK, pinion_offset_mm=0.0, pinion_side=side, pinion_angle_deg=0.0)
    found = evaluate(pinion_problem(rack, shelf))
    gap = 340.0 - (215.0 + 95.0) - 24.0
    assert found["clearance_pinion_housing_shelf_mm"] == pytest.approx(gap)
    # Of one side only, beside the middle.
    beside = replace(shelf, low=(50.0, 20.0, 340.0), high=(140.0, 60.0, 400.0))
    found = evaluate(pinion_problem(rack, beside))
    apart = np.hypot(20.0, 30.0) - 24.0
    assert found["clearance_pinion_housing_shelf_mm"] == pytest.approx(apart)


def test_pinion_housing_meets_the_arms_of_its_side(both_corners):
    """Straight up at 345 mm from the middle, beside the front pivot of the upper arm."""
    wide = replace(RACK, pinion_offset_mm=345.0, pinion_angle_deg=0.0)
    left, poses = both_corners
    for name, sign in (("left", 1.0), ("right", -1.0)):
        asked = problem(Room(arm_tube_diameter_mm=25.0), (replace(wide, pinion_side=name),))
        ours = evaluate(asked)["clearance_pinion_housing_upper_arm_mm"]
        start = np.array([95.0, sign * 345.0, 215.0])
        pivot = left.upper_front_pivot * [1.0, sign, 1.0]
        theirs = min(
            apart(start, start + np.array([0.0, 0.0, 95.0]), 24.0, (pivot, joints[1], 12.5))
            for side, joints, _ in poses
            if side == name
        )
        assert 0.0 < theirs < FAR_MM
        assert ours == pytest.approx(theirs, abs=1e-5)


# --- limits, and what is not known ---------------------------------------------------------------


def test_limit_stops_a_design_and_is_named():
    block = KeepOut("block", "box", (90.0, 400.0, 190.0), (130.0, 440.0, 230.0))
    asked = problem(Room(keep_outs=(block,), tie_rod_diameter_mm=14.0))
    outcome = asked.evaluate(asked.designs(0, {}))
    assert outcome.metrics["clearance_mm"][0] < 0.0
    assert "clearance_mm" in outcome.status[0]
    at = asked.constraint_names.index("clearance_mm")
    assert outcome.constraints[0, at] == 5.0 - outcome.metrics["clearance_mm"][0]
    assert "clearance_mm" not in problem(asked.room, clearance=None).constraint_names


def test_keep_out_far_away_is_given_as_far():
    away = KeepOut("boot", "box", (-3000.0, -300.0, 300.0), (-2500.0, 300.0, 600.0))
    ours = evaluate(problem(Room(keep_outs=(away,), tie_rod_diameter_mm=14.0)))
    assert set(v for k, v in ours.items() if k.startswith("clearance")) == {FAR_MM}


def test_clearances_are_told_apart_up_to_what_is_wanted():
    away = KeepOut("pipe", "capsule", (95.0, 600.0, 300.0), (95.0, 650.0, 300.0), 5.0)
    for wanted, most in ((None, 20.0), (8.0, 20.0), (35.0, 35.0), (90.0, 90.0)):
        asked = problem(Room(keep_outs=(away,), tie_rod_diameter_mm=14.0), clearance=wanted)
        assert told_apart_mm(wanted) == most
        found = asked.evaluate(asked.designs(0, {})).metrics["clearance_tie_rod_pipe_mm"][0]
        assert found == min(most, asked_far(asked))
    for name in ("README.md", "example/demo/report.html"):
        page = (ROOT / "results" / name).read_text("utf-8")
        assert f"{FAR_MM:g} means {FAR_MM:g} or more" in page


def test_what_lies_far_is_never_measured(monkeypatch):
    boxes = (BOX, replace(BOX, low=(5000.0, 0.0, 0.0), high=(5100.0, 50.0, 50.0)))
    tubes = (RIGHT, replace(RIGHT, low=(5000.0, 0.0, 0.0), high=(5100.0, 50.0, 50.0)))
    measured = []
    for name in ("segment_box", "segment_segment"):
        real = getattr(pairs, f"minimum_{name}")

        def counted(*points, real=real, **options):
            measured.append(len(points[0].rows))
            return real(*points, **options)

        monkeypatch.setattr(pairs, f"minimum_{name}", counted)
    for near, far in (boxes, tubes):
        room = replace(ROOM, keep_outs=(near,), rim=None, arm_tube_diameter_mm=None)
        evaluate(problem(room), limit_mm=5.0)
        assert sum(measured) > 0
        measured.clear()
        evaluate(problem(replace(room, keep_outs=(far,))), limit_mm=5.0)
        assert sum(measured) == 0


def asked_far(asked):
    """The tie rod's clearance with nothing left out."""
    return evaluate(asked, limit_mm=1000.0, poses_between=True)["clearance_tie_rod_pipe_mm"]


def test_parts_of_unknown_size_are_left_out_and_named():
    bare = replace(RACK, housing_length_mm=None, housing_diameter_mm=None, pinion_diameter_mm=None)
    asked = problem(Room(keep_outs=(BOX,), tie_rod_diameter_mm=14.0), (RACK, bare))
    designs = asked.designs([0, 1], {})
    metrics = asked.evaluate(designs).metrics
    for column in ("clearance_rack_housing_sump_mm", "clearance_pinion_housing_sump_mm"):
        assert np.isfinite(metrics[column]).tolist() == [True, False]
    assert metrics["clearance_mm"][1] == metrics["clearance_tie_rod_sump_mm"][1]
    assert unchecked_parts(bare, asked.room) == (
        "steering arms", "spacers", "rack housing", "pinion housing",
    )  # fmt: skip
    assert unchecked_parts(bare, Room()) == ()


def test_a_rack_of_which_nothing_is_known_is_not_judged():
    bare = replace(RACK, housing_diameter_mm=None, pinion_diameter_mm=None, pinion_offset_mm=None)
    asked = problem(Room(keep_outs=(BOX,)), (RACK, bare))
    outcome = asked.evaluate(asked.designs([0, 1], {}))
    assert np.isnan(outcome.metrics["clearance_mm"][1])
    assert "clearance_mm" not in outcome.status[1]
    assert not has_pairs(Room(keep_outs=(BOX,)), (bare,))
    assert not has_pairs(ROOM.__class__(), (RACK,))


def test_pair_in_words():
    assert pair_words("clearance_tie_rod_pedal_box_mm") == "tie rod to pedal box"
    assert pair_words("clearance_rack_housing_lower_arm_mm") == "rack housing to lower arm"


# --- between the solved poses --------------------------------------------------------------------


def blended_and_solved(steps=None):
    asked = problem()
    solved = asked.solve(asked.designs(0, {}))
    grid = poses_between(solved.envelope_travel_mm, solved.envelope_share)
    exact = solve_linkage(solved.points.select(0), grid.travel_mm, 55.0 * grid.share)
    return solved, grid, exact


def test_blended_poses_are_close_to_the_kernel():
    solved, grid, exact = blended_and_solved()
    for name, most in (("inner_xyz", 1e-9), ("lower_ball_xyz", 0.1), ("outer_xyz", 0.5)):
        blend = grid.blend(getattr(solved.envelope, name))[:, 0]
        error = np.linalg.norm(blend - getattr(exact, name), axis=0)
        assert np.max(error) < most
    corner = (np.abs(grid.share) == 1.0) & np.isin(grid.travel_mm, (-40.0, 0.0, 50.0))
    blend = grid.blend(solved.envelope.outer_xyz)[:, 0]
    np.testing.assert_allclose(blend[:, corner], exact.outer_xyz[:, corner], atol=1e-9)


def test_small_keep_out_between_the_solved_poses_is_found():
    """A bolt head where the outer joint is at a quarter of the rack's travel and 25 mm of bump."""
    asked = problem()
    there = solve_linkage(asked.corners(asked.designs(0, {}))[0].select(0), 25.0, 0.75 * 55.0)
    spot = tuple(there.outer_joint + np.array([0.0, 0.0, 4.0]))
    bolt = KeepOut("bolt", "capsule", spot, spot, 3.0)
    asked = problem(Room(keep_outs=(bolt,), tie_rod_diameter_mm=8.0))
    seen = evaluate(asked, limit_mm=5.0, poses_between=True)["clearance_mm"]
    missed = evaluate(asked)["clearance_mm"]
    whole = sweep_whole(asked, asked.designs(0, {}))
    # The search looks again where a design keeps every other limit.
    outcome = asked.evaluate(asked.designs(0, {}))
    assert outcome.metrics["clearance_mm"][0] == seen
    assert outcome.status[0] == "breaks clearance_mm"
    assert missed > 5.0 > seen
    assert whole.clearance_mm == pytest.approx(seen, abs=3.0)
    assert whole.closest in ("tie rod to bolt", "outer joint to bolt")


def test_clearance_does_not_depend_on_the_batch():
    asked = problem()
    rng = np.random.default_rng(5)
    designs = asked.designs(np.zeros(40, dtype=int), {
        "rack_height_mm": rng.uniform(190.0, 240.0, 40),
        "arm_length_mm": rng.uniform(105.0, 125.0, 40),
    })  # fmt: skip
    together = asked.evaluate(designs).metrics
    for row in (0, 17, 39):
        alone = asked.evaluate(designs.select(slice(row, row + 1))).metrics
        for name, values in together.items():
            if name.startswith("clearance"):
                assert alone[name][0] == values[row], name
