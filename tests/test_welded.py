"""Forces on what is welded: every body in equilibrium, hand cases, and the files.

The corners are invented.
"""

from __future__ import annotations

import csv
from dataclasses import replace

import numpy as np
import pytest
from adapt_cases import PIVOTS, moving_demo
from packaging_case import BEHIND, POINTS
from small_study import demo_with
from tolerance_cases import square

from optimiser.answer.bolted import bolted_points
from optimiser.answer.design_numbers import drawn_designs
from optimiser.answer.forces import (
    FEET,
    FIXED_FOOT,
    FOOT,
    ROOT,
    TWIST,
    _moved_spring,
    asked_forces,
    force_notes,
    point_forces,
)
from optimiser.answer.run_result import Chosen
from optimiser.base.errors import InputError
from optimiser.evaluation.designs import Designs
from optimiser.evaluation.effort import parked_up_to_lock
from optimiser.folder.design import write_design
from optimiser.linkage.at_arms import solve_held_arms
from optimiser.linkage.attitude import Attitude
from optimiser.metrics.rack_feet import HALF_EACH, LEFT_ALONE, feet_forces
from optimiser.metrics.welded import Load, Spring, corner_forces
from optimiser.report.under_load import forces_part

STATIC = Attitude(np.radians(0.2), np.radians(-1.5), 275.0)
STANDS = ("lower_arm", "upper_arm", "upright")
SPRING = """
[spring]
arm_point_mm = [848, -480, 60]
body_point_mm = [860, -360, 420]
on = "lower_arm"

[tolerance]"""
LOADS = (
    "tyre_pressure_kpa = 160",
    "tyre_pressure_kpa = 160\nlateral_load_n = 2610\ntrail_mm = 45\nouter_share = 0.7\n"
    "braking_load_n = 2000\nkerb_load_n = 3000",
)


def spring_on(points, part):
    place = {
        "lower_arm": 0.7 * points.lower_ball_joint + 0.3 * points.lower_rear_pivot,
        "upper_arm": 0.6 * points.upper_ball_joint + 0.4 * points.upper_front_pivot,
        "upright": points.wheel_centre - [20.0, 60.0, -30.0],
    }[part]
    return Spring(tuple(place.tolist()), tuple(np.add(place, [15.0, -60.0, 300.0]).tolist()), part)


def net(parts):
    """Sum of forces, and of their moments about the origin in N m, of (force, point) pairs."""
    force = np.sum([f for f, _ in parts], axis=0)
    return np.concatenate([force, np.sum([np.cross(p, f) for f, p in parts], axis=0) / 1e3])


@pytest.mark.parametrize("part", STANDS)
@pytest.mark.parametrize("rack", [0.0, 35.0])
@pytest.mark.parametrize("points", [POINTS, BEHIND], ids=["ahead", "behind"])
def test_every_body_is_in_equilibrium(points, rack, part):
    pose = solve_held_arms(points, rack, STATIC)
    rng = np.random.default_rng(5)
    force, moment = rng.normal(size=3) * 3e3, rng.normal(size=3) * 1e5
    place, spring = pose.wheel_centre - [10, 0, 275], spring_on(points, part)
    found = corner_forces(pose, points, [Load(force, place, moment)], spring)
    pivots = [f"{arm}_{end}_pivot" for arm in ("lower", "upper") for end in ("front", "rear")]
    joints = ("lower_ball_joint", "upper_ball_joint", "outer_joint", "inner_joint")
    at = {name: getattr(points, name) for name in pivots}
    at |= {name: getattr(pose, name) for name in joints}
    upright = [(-found[name], at[name]) for name in joints[:2]]
    bodies = {"upright": [*upright, (found["outer_joint"], at["outer_joint"]), (force, place)]}
    for which in ("lower", "upper"):
        ends = [(-found[name], at[name]) for name in pivots if name.startswith(which)]
        joint = f"{which}_ball_joint"
        bodies[f"{which}_arm"] = [*ends, (found[joint], at[joint])]
    # Of the spring on its part: along its line, at whichever end it is taken.
    bodies[part].append((-found["spring"], np.array(spring.body_point)))
    for name, forces in bodies.items():
        total = net(forces)
        if name == "upright":
            total[3:] += moment / 1e3
        size = max(float(np.linalg.norm(one)) for one, _ in forces)
        assert total == pytest.approx(np.zeros(6), abs=1e-9 * size), name
    rod = net([(found[name], at[name]) for name in joints[2:]])
    assert rod == pytest.approx(np.zeros(6), abs=1e-9)


def test_a_standing_wheel_by_hand():
    # Everything square: arms level, 300 mm from axis to ball joint, wheel 80 mm further out, ball
    # joints 200 mm apart. The spring stands up half way along the lower arm: it has twice the
    # weight, and the couple of 80 mm tips the upright inward at the top with 0.4 of the weight.
    points, weight = square(120.0), 1000.0
    lower, upper = points.lower_ball_joint, points.upper_ball_joint
    reach = lower[1] - points.lower_rear_pivot[1]
    foot = np.array([lower[0], lower[1] - 0.5 * reach, lower[2]])
    spring = Spring(
        tuple(foot.tolist()), tuple(np.add(foot, [0.0, 0.0, 300.0]).tolist()), "lower_arm"
    )
    plain = Attitude(0.0, 0.0, 275.0)
    pose = solve_held_arms(points, 0.0, plain)
    place = np.array([lower[0], lower[1] + 80.0, 0.0])
    load = Load(np.array([0.0, 0.0, weight]), place, np.zeros(3))
    found = corner_forces(pose, points, [load], spring)
    pull = weight * 80.0 / (upper[2] - lower[2])
    assert found["spring"] == pytest.approx([0.0, 0.0, 2.0 * weight], abs=1e-9)
    assert found["upper_ball_joint"] == pytest.approx([0.0, -pull, 0.0], abs=1e-9)
    assert found["lower_ball_joint"] == pytest.approx([0.0, pull, weight], abs=1e-9)
    assert found["outer_joint"] == pytest.approx(np.zeros(3), abs=1e-9)
    down = found["lower_front_pivot"] + found["lower_rear_pivot"]
    assert down == pytest.approx([0.0, pull, -weight], abs=1e-9)


def test_where_the_spring_stands_is_felt_at_the_pivots_alone():
    points = POINTS
    pose = solve_held_arms(points, 0.0, STATIC)
    load = Load(np.array([0.0, 0.0, 3500.0]), pose.wheel_centre - [0, 0, 275], np.zeros(3))
    inner = 0.5 * (points.lower_front_pivot + points.lower_rear_pivot)
    found = []
    for share in (0.4, 0.9):
        foot = inner + share * (points.lower_ball_joint - inner)
        body = np.add(foot, [0.0, -40.0, 300.0])
        spring = Spring(tuple(foot.tolist()), tuple(body.tolist()), "lower_arm")
        found.append(corner_forces(pose, points, [load], spring))
    for name in ("lower_ball_joint", "upper_ball_joint", "outer_joint", "upper_front_pivot"):
        assert found[0][name] == pytest.approx(found[1][name], rel=1e-12)
    near, far = (np.linalg.norm(one["lower_rear_pivot"]) for one in found)
    assert near > 2.0 * far


def test_nothing_holds_an_upright_whose_spring_goes_nowhere():
    points = square(120.0)
    pose = solve_held_arms(points, 0.0, Attitude(0.0, 0.0, 275.0))
    foot = points.wheel_centre
    flat = Spring(tuple(foot.tolist()), tuple((foot - [0.0, 200.0, 0.0]).tolist()), "upright")
    load = Load(np.array([0.0, 0.0, 1000.0]), foot, np.zeros(3))
    assert np.isnan(corner_forces(pose, points, [load], flat)["spring"]).all()


# --- the rack's feet -----------------------------------------------------------------------------


def test_feet_by_hand():
    # 1,200 N to the left at the left end of a bar 40 mm above and 15 mm ahead of feet 240 mm apart:
    # 1,200 x 40 / 240 = 200 N down on the left foot and up on the right one, 75 N rearward on the
    # left foot and ahead on the right. 300 N up there, 400 mm from the left foot, 640 from the
    # right, are 800 N up on the left foot and 500 N down on the right.
    feet = np.array([[85.0, 120.0, 160.0], [85.0, -120.0, 160.0]])
    at = np.array([100.0, 520.0, 200.0])
    along, up = np.array([0.0, 1200.0, 0.0]), np.array([0.0, 0.0, 300.0])
    left, right, twist = feet_forces([(along, at)], feet, HALF_EACH)
    assert left == pytest.approx([-75.0, 600.0, -200.0])
    assert right == pytest.approx([75.0, 600.0, 200.0])
    assert twist == pytest.approx(0.0, abs=1e-9)
    left, right, _ = feet_forces([(along, at)], feet, LEFT_ALONE)
    assert left == pytest.approx([-75.0, 1200.0, -200.0])
    assert right == pytest.approx([75.0, 0.0, 200.0])
    left, right, twist = feet_forces([(up, at)], feet, HALF_EACH)
    assert left == pytest.approx([0.0, 0.0, 800.0])
    assert right == pytest.approx([0.0, 0.0, -500.0])
    assert twist == pytest.approx(-300.0 * 15.0)  # about y: up, ahead of it


@pytest.mark.parametrize("share", [HALF_EACH, LEFT_ALONE])
def test_a_rack_on_two_feet_is_in_equilibrium(share):
    # Feet at unlike heights and fore-aft places, as of a rack that is rolled.
    feet = np.array([[80.0, 140.0, 150.0], [95.0, -90.0, 171.0]])
    rng = np.random.default_rng(8)
    pushes = [
        (rng.normal(size=3) * 1e3, np.array([100.0, way * 310.0, 190.0])) for way in (1.0, -1.0)
    ]
    left, right, twist = feet_forces(pushes, feet, share)
    line = (feet[0] - feet[1]) / np.linalg.norm(feet[0] - feet[1])
    total = net([*pushes, (-left, feet[0]), (-right, feet[1])])
    total[3:] -= twist * line / 1e3
    assert total == pytest.approx(np.zeros(6), abs=1e-9 * 1e3)
    assert left[1] == pytest.approx(share * (left + right)[1])


# --- the cases of a study ------------------------------------------------------------------------


def chosen_of(study, problem=None):
    problem = study.problem() if problem is None else problem
    design = drawn_designs(problem).select(slice(1, 2))
    return Chosen(study, problem, "the drawn place", design, problem.evaluate(design))


@pytest.fixture(scope="module")
def chosen(tmp_path_factory):
    straight = ("static_toe_in_deg = 0.1", "static_toe_in_deg = 0.0")
    folder = tmp_path_factory.mktemp("spring")
    study = demo_with(folder, straight, ("\n[tolerance]", SPRING), LOADS)
    return chosen_of(study)


def by_place(chosen):
    return {(one.case, one.side, one.point): one for one in point_forces(chosen)}


def test_the_cases_are_the_study_s(chosen):
    found = by_place(chosen)
    cases = list(dict.fromkeys(case for case, *_ in found))
    assert cases == ["parked", "parked_other_way", "cornering", "braking", "kerb"]
    # CAD of the demo: x rearward, y to the right, z up. The road carries the car by its springs
    # and pivots: up on the body, all of the weight.
    for case, sideways, rearward in (
        ("parked", 0.0, 0.0),
        ("parked_other_way", 0.0, 0.0),
        ("cornering", -2610.0, 0.0),  # to the left
        ("braking", 0.0, 2000.0),
        ("kerb", 0.0, 3000.0),
    ):
        names = [f"{a}_{p}_pivot" for a in ("lower", "upper") for p in ("front", "rear")]
        on_body = [found[case, s, n].force_n for s in ("left", "right") for n in (*names, "spring")]
        total = np.sum([*on_body, found[case, "both", FEET].force_n], axis=0)
        assert total == pytest.approx([rearward, sideways, 2900.0], abs=1e-6)


def test_parked_rods_and_feet_are_those_of_the_effort(chosen):
    found = by_place(chosen)
    rods = {
        (case, side): found[case, side, "outer_joint"].size_n
        for case in ("parked", "parked_other_way")
        for side in ("left", "right")
    }
    # Each rod by itself, whichever way is harder on it.
    problem = chosen.problem
    at_lock, _ = parked_up_to_lock(
        problem.solve(chosen.design), problem.loads, problem.car.attitude, np.ones(1)
    )
    for side, most in (("left", at_lock.left_rod), ("right", at_lock.right_rod)):
        ways = [rods[case, side] for case in ("parked", "parked_other_way")]
        assert max(ways) == pytest.approx(most[0, 0], rel=1e-9)
    assert rods["parked_other_way", "right"] > 1.01 * rods["parked", "right"]
    # The rack force of the demo is greatest at lock, and is all of what the feet hold across.
    across = abs(found["parked", "both", FEET].force_n[1])
    assert across == pytest.approx(chosen.metric("rack_force_n"), rel=1e-9)
    arm = chosen.design.column("arm_length_mm")[0]
    for side in ("left", "right"):
        moment = found["parked", side, ROOT].moment_nm
        size = found["parked", side, "outer_joint"].size_n
        assert 0.5 * size * arm < 1e3 * moment <= size * arm * (1.0 + 1e-9)


def test_a_spring_on_the_upright_is_in_the_effort_as_in_the_forces(chosen):
    standing = replace(chosen.problem.spring, on="upright")
    problem = replace(chosen.problem, spring=standing)
    other = chosen_of(chosen.study, problem)
    at_lock, _ = parked_up_to_lock(
        problem.solve(other.design), problem.loads, problem.car.attitude, np.ones(1), standing
    )
    found = by_place(other)
    across = [abs(found[case, "both", FEET].force_n[1]) for case in ("parked", "parked_other_way")]
    assert across[0] == pytest.approx(at_lock.rack_force[0, 0], rel=1e-9)
    assert across[0] > across[1]
    assert other.metric("caster_lift_n") == pytest.approx(at_lock.lift[0, 0], rel=1e-9)
    assert abs(other.metric("caster_lift_n") - chosen.metric("caster_lift_n")) > 20.0


def test_sides_mirror_each_other_where_the_loads_do(chosen):
    found = by_place(chosen)
    for (case, side, point), one in found.items():
        # The feet of the demo's racks do not mirror each other.
        if case == "braking" and side == "left" and point not in (FOOT, FIXED_FOOT):
            other = found[case, "right", point]
            assert other.force_n == pytest.approx(one.force_n * [1.0, -1.0, 1.0], nan_ok=True)
    feet = found["braking", "both", FEET].force_n
    assert feet[1] == pytest.approx(0.0, abs=1e-9)


def test_feet_hold_the_whole_rack_and_the_moment_of_its_height(chosen):
    # The demo's CAD: x rearward, y to the right, z up, from its own origin.
    found, problem, frame = by_place(chosen), chosen.problem, chosen.study.frame
    feet = bolted_points(problem, chosen.design)
    at = {side: frame.to_cad(feet[f"rack_foot_{side}"]) for side in ("left", "right")}
    corner = frame.to_cad(chosen.points.inner_joint)
    joints = {"left": corner, "right": corner * [1.0, -1.0, 1.0]}
    lock = float(problem.solve(chosen.design).ackermann.rack_at_lock_mm[0])
    line = at["left"] - at["right"]
    line /= np.linalg.norm(line)
    for case in dict.fromkeys(case for case, *_ in found):
        moved = np.array([0.0, -lock if case.startswith("parked") else 0.0, 0.0])
        pushes = [(found[case, s, "inner_joint"].force_n, joints[s] + moved) for s in joints]
        held = [(-found[case, s, FOOT].force_n, at[s]) for s in at]
        total = net([*pushes, *held])
        total[3:] -= found[case, "both", TWIST].moment_nm * line
        assert total == pytest.approx(np.zeros(6), abs=1e-6)
        whole = found[case, "both", FEET].force_n
        for side in at:
            assert found[case, side, FOOT].force_n[1] == pytest.approx(0.5 * whole[1], abs=1e-9)
            assert found[case, side, FIXED_FOOT].force_n[1] == pytest.approx(whole[1], abs=1e-9)
    # Braking pushes both rods alike: the bar holds that, and the feet only what the rods lift.
    foot, rod = (found["braking", "left", name].size_n for name in (FOOT, "outer_joint"))
    assert foot < 0.05 * rod


def test_a_spring_goes_out_with_the_arms_and_not_with_a_single_point(chosen, tmp_path):
    moved = moving_demo(tmp_path, PIVOTS, ("\n[tolerance]", SPRING), LOADS).moving_problem()
    drawn = chosen.design.values
    more = np.full((1, len(moved.columns) - drawn.shape[1]), 7.0)
    design = Designs(chosen.design.rack, np.hstack([drawn, more]))
    other = Chosen(chosen.study, moved, "moved", design, chosen.outcome)
    pivots = [one.points.lower_rear_pivot for one in (other, chosen)]
    assert np.abs(pivots[0] - pivots[1]).max() > 1.0
    assert _moved_spring(other) == moved.spring == chosen.problem.spring
    assert any("where it is drawn" in note for note in force_notes(other))
    keeping = replace(chosen.problem.steering, keep_tie_rods=True)
    racks = tuple(replace(rack, tie_rod_length_mm=350.0) for rack in chosen.problem.racks)
    wider = chosen_of(chosen.study, replace(chosen.problem, steering=keeping, racks=racks))
    out = wider.points.wheel_centre[1] - chosen.points.wheel_centre[1]
    assert abs(out) > 1.0
    ahead, left, up = chosen.problem.spring.arm_point
    assert _moved_spring(wider).arm_point == pytest.approx((ahead, left + out, up))


def test_without_feet_their_sum_alone_is_given(chosen):
    bare = [replace(rack, left_foot_up_mm=None) for rack in chosen.problem.racks]
    other = chosen_of(chosen.study, replace(chosen.problem, racks=tuple(bare)))
    points = {one.point for one in point_forces(other)}
    assert FEET in points
    assert not points & {FOOT, FIXED_FOOT, TWIST}
    assert any("only the sum" in note for note in force_notes(other))
    assert not any("only the sum" in note for note in force_notes(chosen))
    same, mine = by_place(other), by_place(chosen)
    for key, one in same.items():
        assert one.force_n == pytest.approx(mine[key].force_n, nan_ok=True)


def test_without_a_spring_the_pivots_are_left_out(chosen):
    bare = chosen_of(chosen.study, replace(chosen.problem, spring=None))
    points = {one.point for one in point_forces(bare)}
    joints = {"lower_ball_joint", "upper_ball_joint", "outer_joint", "inner_joint"}
    assert points == {*joints, ROOT, FEET, FOOT, FIXED_FOOT, TWIST}
    assert any("without [spring]" in note for note in force_notes(bare))
    same, mine = by_place(bare), by_place(chosen)
    for key, one in same.items():
        assert one.force_n == pytest.approx(mine[key].force_n, nan_ok=True)


def test_the_file_and_the_report(tmp_path, chosen):
    write_design(tmp_path, chosen)
    text = (tmp_path / "forces.csv").read_text()
    rows = list(csv.DictReader(line for line in text.splitlines() if line[0] != "#"))
    assert len(rows) == 5 * (2 * 12 + 2)
    assert "not an approval" in text
    table = forces_part(chosen)
    assert table["cases"] == ["parked", "parked other way", "cornering", "braking", "kerb"]
    assert len(table["rows"]) == 14
    assert all(cell != "–" for _, _, cells in table["rows"] for cell in cells)


def test_a_study_that_does_not_ask_has_none(tmp_path):
    plain = chosen_of(demo_with(tmp_path))
    assert not asked_forces(plain)
    assert point_forces(plain) == []
    assert forces_part(plain) is None
    write_design(tmp_path / "out", plain)
    assert not (tmp_path / "out" / "forces.csv").exists()


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("[860, -360, 420]", "[848, -480, 60]", "both ends are one point"),
        ('"lower_arm"', '"roof"', "on"),
        ("[848, -480, 60]", "[850, -235, 52.5]", "cannot hold it"),
        ("[848, -480, 60]", "[848, 480, 60]", "left side"),
        ("[848, -480, 60]", "[33.4, -18.9, 2.4]", "away from the lower arm"),
        (
            '[860, -360, 420]\non = "lower_arm"',
            '[848, -250, 60]\non = "upright"',
            "across the path",
        ),
    ],
)
def test_a_spring_that_cannot_be_is_one_line(tmp_path, old, new, words):
    with pytest.raises(InputError) as refused:
        demo_with(tmp_path, ("\n[tolerance]", SPRING.replace(old, new)))
    assert words in str(refused.value)
    assert "[spring]" in str(refused.value)


def test_a_spring_without_loads_is_one_line(tmp_path):
    study = demo_with(tmp_path, ("\n[tolerance]", SPRING)).path
    text = study.read_text("utf-8")
    start = text.index("[loads]")
    study.write_text(text[:start] + text[text.index("[spring]") :], "utf-8")
    from optimiser.study.read import read_study

    with pytest.raises(InputError, match=r"\[spring\].*add \[loads\]"):
        read_study(study)
