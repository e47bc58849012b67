"""Numbers of `check --numbers`: what needs no rack, what a rack that does not assemble keeps, why
the others are missing."""

from __future__ import annotations

from dataclasses import replace
from itertools import takewhile

import numpy as np
import pytest
from small_study import ROOT, demo_with, run_here, small_study

from optimiser.answer.as_drawn import numbers_text
from optimiser.answer.design_numbers import NOT_THERE, drawn_numbers, drawn_reason
from optimiser.base.errors import InputError
from optimiser.evaluation.quantities import QUANTITIES, closest_names, is_pair, quantity
from optimiser.evaluation.quantity import FRICTION, MOVES, PLAY, RACK, RIDE, STIFFNESS
from optimiser.linkage.at_rack import solve_linkage
from optimiser.metrics.joints import inner_joint_angle, tie_rod_swing
from optimiser.metrics.strength import buckling_load
from optimiser.metrics.tolerance import tolerance_spread
from optimiser.study.read import read_study

NO_RACKS = ('[racks]\ncatalogue = "demo_racks.csv"\n', "")
DROOP = ("droop_mm = 60", "droop_mm = 300")  # past the end of the arms
REST = ("caster_deg", "kingpin_inclination_deg", "scrub_radius_mm", "trail_mm", "kingpin_track_mm")


@pytest.fixture(scope="module")
def problem():
    return read_study(ROOT / "studies" / "demo.toml").problem()


def of_rack(problem, name=None):
    """Numbers by their column of the rack of that name; of the tie rod as drawn without one."""
    if name is not None:
        problem = replace(problem, racks=tuple(r for r in problem.racks if r.name == name))
        return {one.name: one for one in drawn_numbers(problem) if one.rack}
    return {one.name: one for one in takewhile(lambda one: not one.rack, drawn_numbers(problem))}


# --- the tie rod as drawn ------------------------------------------------------------------------


@pytest.fixture(scope="module")
def bare(problem):
    return of_rack(problem)


def test_joints_and_toggle_of_the_tie_rod_as_drawn_are_those_up_to_the_lock(problem, bare):
    """Against each pose of a fine grid; the greatest stand at its corners."""
    lock = bare["rack_needed_mm"].value
    travel = np.linspace(-60.0, 60.0, 41)[:, None]
    poses = solve_linkage(
        problem.points, travel, np.linspace(-lock, lock, 41), problem.car.attitude
    )
    rest = solve_linkage(problem.points, 0.0, 0.0, problem.car.attitude)
    for name, radians in (
        ("toggle_margin_deg", np.min(poses.toggle_margin)),
        ("inner_joint_angle_deg", np.max(inner_joint_angle(poses))),
        ("inner_joint_swing_deg", np.max(tie_rod_swing(poses, rest))),
    ):
        assert bare[name].value == pytest.approx(np.degrees(radians), rel=1e-9), name
    left, right = solve_linkage(problem.points, 0.0, [-0.01, 0.01], problem.car.attitude).steer
    play = np.degrees(abs(right - left)) / 0.02
    assert bare["toe_per_rack_mm_deg"].value == pytest.approx(play, rel=1e-6)


def test_forces_and_built_cars_of_the_tie_rod_as_drawn(problem, bare):
    """As with a rack of the drawn spacing, and of cars built to the drawing."""
    middle = 2.0 * problem.points.inner_joint[1]
    rack = replace(problem.racks[0], inner_joint_spacing_mm=middle)
    same = of_rack(replace(problem, racks=(rack,)), rack.name)
    for name in ("tie_rod_force_n", "rack_force_n", "bump_steer_deg", "tie_rod_length_mm"):
        assert bare[name].value == pytest.approx(same[name].value, rel=1e-9), name
    spread = tolerance_spread(problem.points, problem.tolerances, problem.conditions)
    for name, radians in (
        ("bump_steer_p95_deg", spread.bump_steer_p95),
        ("ackermann_error_p95_deg", spread.ackermann_error_p95),
    ):
        assert bare[name].value == pytest.approx(np.degrees(float(radians)), rel=1e-9)


def test_only_what_needs_a_rack_is_missing_for_the_want_of_one(bare):
    wanting = {name for name, one in bare.items() if RACK.words in one.missing}
    needing = {one.name for one in QUANTITIES if RACK in one.needs}
    assert wanting == needing | {"buckling_reserve"}  # the demo's [spacer] has the bar counted
    assert all(one.missing for name, one in bare.items() if name in wanting)
    # The demo has one ride height, nothing that may move, and neither [play], [stiffness] nor
    # friction.
    lacking = {FRICTION, MOVES, PLAY, RIDE, STIFFNESS}
    unasked = {one.name for one in QUANTITIES if lacking & {*one.needs}}
    assert {name for name, one in bare.items() if one.value is None} == wanting | unasked


def test_the_rod_alone_may_buckle_without_a_rack_where_no_bar_is_counted(problem):
    materials = replace(problem.materials, spacer=None)
    found = of_rack(replace(problem, materials=materials))
    load = buckling_load(materials.tie_rod, found["tie_rod_length_mm"].value)
    reserve = float(load) / found["tie_rod_force_n"].value
    assert found["buckling_reserve"].value == pytest.approx(reserve, rel=1e-12)


def test_the_tie_rod_as_drawn_lacks_what_the_study_does_not_give(tmp_path):
    found = of_rack(small_study(tmp_path).problem())
    for name in ("tie_rod_force_n", "rack_force_n"):
        assert found[name].missing == "[loads] tyre_pressure_kpa and [car] front_axle_load_n"
    assert found["bump_steer_p95_deg"].missing == "[tolerance]"
    assert found["clearance_mm"].missing.startswith("something to touch")
    assert found["toggle_margin_deg"].value is not None


def test_nothing_of_a_bar_is_in_the_clearance_without_a_rack(problem):
    still = replace(problem.room, keep_outs=problem.room.still, tyre=None)
    problem = replace(problem, room=still)
    bare = of_rack(problem)
    parts = [name for name in bare if is_pair(name)]
    assert parts
    assert all("spacer" not in name and "housing" not in name for name in parts)
    assert bare["clearance_mm"].value == min(bare[name].value for name in parts)
    # A keep-out on the drawn tie rod is met.
    middle = 0.5 * (problem.points.inner_joint + problem.points.outer_joint)
    box = replace(
        problem.room.keep_outs[0],
        name="post",
        kind="box",
        low=tuple(middle - 5.0),
        high=tuple(middle + 5.0),
    )
    found = of_rack(replace(problem, room=replace(problem.room, keep_outs=(box,))))
    assert found["clearance_tie_rod_post_mm"].value < 0.0
    assert found["clearance_whole_sweep_mm"].value < 0.0


@pytest.mark.parametrize("keeps", [False, True])
def test_rods_of_the_racks_are_said_to_be_what_they_are(tmp_path, keeps):
    steering = "[steering]\n" + ("keep_tie_rods = true\n" if keeps else "")
    study = demo_with(tmp_path, ("[steering]\n", steering))
    problem, text = study.problem(), numbers_text(study).splitlines()[0]
    assert ("the tie rods sold with it, arms and wheels moved" in text) == keeps
    assert ("tie rods as long as that asks" in text) == (not keeps)
    finch = next(rack for rack in problem.racks if rack.name == "Finch")
    found = of_rack(problem, "Finch")
    assert (found["tie_rod_length_mm"].value == pytest.approx(finch.tie_rod_length_mm)) == keeps
    assert (found["track_growth_mm"].value != 0.0) == keeps
    assert of_rack(problem)["track_growth_mm"].value == 0.0


# --- a rack that does not assemble ---------------------------------------------------------------


def test_a_rack_that_does_not_assemble_keeps_what_can_be_computed(problem):
    """Its end lies past the toggle: all that is asked up to the lock is as with less travel."""
    plain = next(rack for rack in problem.racks if rack.name == "Finch")
    long = replace(plain, travel_mm=390.0)
    found, less = (of_rack(replace(problem, racks=(rack,)), "Finch") for rack in (long, plain))
    reason = found["toggle_margin_deg"].missing
    assert reason.startswith("cannot assemble: tie rod and steering arm line up before the rack")
    for name in (
        *REST,
        "tie_rod_length_mm",
        "bump_steer_deg",
        "ackermann_error_deg",
        "rack_force_n",
    ):
        assert found[name].value == pytest.approx(less[name].value, rel=1e-12), name
    travel = found["rack_needed_mm"].value + problem.limits.rack_travel_margin_mm - 195.0
    assert found["rack_travel_mm"].value == pytest.approx(travel, rel=1e-12)
    # What is said of the end, or of every pose, is not there.
    lost = {name for name, one in found.items() if one.missing == reason and not is_pair(name)}
    assert lost == {
        "inner_lock_reached_deg",
        "outer_lock_reached_deg",
        "turning_circle_m",
        "turns_lock_to_lock",
        "overall_ratio_mean",
        "overall_ratio_spread",
        "buckling_reserve",
        "clearance_mm",
        "clearance_whole_sweep_mm",
        *(column for _, column in closest_names()),
        "tyre_clearance_mm",
        "pinion_angle_deg",
        "toggle_margin_deg",
        "inner_joint_angle_deg",
        "inner_joint_swing_deg",
        "outer_joint_angle_deg",
    }


def test_arms_that_do_not_reach_the_travel_still_have_their_caster(tmp_path, problem):
    asked = demo_with(tmp_path, DROOP).problem()
    for name in (None, "Finch"):
        found, before = of_rack(asked, name), of_rack(problem, name)
        for column in (*REST, "tie_rod_length_mm", "ackermann_error_deg", "tie_rod_force_n"):
            assert found[column].value == before[column].value, column
        assert "the arms do not reach -300 to 60 mm" in found["bump_steer_deg"].missing
        assert found["bump_steer_p95_deg"].value is None


# --- why a number is missing ---------------------------------------------------------------------


def test_the_tie_rod_that_cannot_reach_says_why_as_check_does(tmp_path):
    for change, name in (
        (DROOP, "bump_steer_deg"),
        (("inner_lock_deg = 34", "inner_lock_deg = 69"), "toggle_margin_deg"),
    ):
        asked = demo_with(tmp_path, change).problem()
        reason = drawn_reason(asked)
        assert reason
        assert of_rack(asked)[name].missing.endswith(reason)


def test_a_lock_of_less_than_20_deg_is_said(tmp_path):
    asked = demo_with(tmp_path, ("inner_lock_deg = 34", "inner_lock_deg = 18")).problem()
    for one in drawn_numbers(asked):
        if one.name == "ackermann_at_20_percent":
            assert one.missing == "the required lock is less"
        assert one.missing != NOT_THERE, one


def test_cars_that_cannot_be_built_are_counted(problem):
    """The drawn car turns to 70 deg with little to spare; too many built ones do not."""
    asked = replace(
        problem,
        travel=replace(problem.travel, bump_mm=5.0, droop_mm=5.0),
        steering=replace(problem.steering, inner_lock=np.radians(70.0)),
        tolerances=replace(problem.tolerances, bracket_mm=5.0),
    )
    found = of_rack(asked)
    assert found["toggle_margin_deg"].value > 0.0
    for name in ("bump_steer_p95_deg", "ackermann_error_p95_deg"):
        assert "cars built to the stated tolerances cannot be assembled" in found[name].missing


def test_own_rods_that_are_too_short_are_said(problem):
    rack = replace(problem.racks[0], tie_rod_length_mm=5.0)
    asked = replace(problem, racks=(rack,))
    found = of_rack(asked, rack.name)["own_rods_track_growth_mm"]
    assert found.missing == "the rack's own tie rods are too short to reach the steering arms"


# --- a study without racks -----------------------------------------------------------------------


def test_a_study_without_racks_is_checked(tmp_path, problem):
    with pytest.raises(InputError, match=r"table \[racks\] is missing"):
        demo_with(tmp_path, NO_RACKS)
    path, file = tmp_path / "mine.toml", tmp_path / "n.csv"
    code, out, err = run_here("check", path, "--numbers", file, cwd=tmp_path)
    assert (code, err) == (0, "")
    assert "Table [racks] is missing: optimiser run needs it" in " ".join(out.split())
    assert "Each rack in the drawn place" not in out
    study = read_study(path, racks=False)
    text = file.read_text("utf-8")
    assert text == numbers_text(study)
    assert "with each rack" not in text
    found, before = of_rack(study.problem(racks=False)), of_rack(problem)
    assert {n: one.value for n, one in found.items()} == {n: o.value for n, o in before.items()}
    rows = [line for line in text.splitlines() if line.startswith(",")]
    assert len(rows) == sum(one.value is not None for one in found.values())
    code, _, err = run_here("run", path, cwd=tmp_path)
    assert code == 2
    assert "table [racks] is missing; a search needs it" in err


def test_a_study_without_racks_still_needs_what_its_numbers_do(tmp_path):
    text = (ROOT / "studies" / "demo.toml").read_text("utf-8")
    travel = text[text.index("[travel]") : text.index("[steering]")]
    with pytest.raises(InputError, match=r"table \[travel\] is missing"):
        demo_with(tmp_path, NO_RACKS, (travel, ""), racks=False)
    with pytest.raises(InputError, match="the wheel would stand"):
        demo_with(
            tmp_path, NO_RACKS, ("loaded_radius_mm = 280", "loaded_radius_mm = 120"), racks=False
        )


def test_toe_per_mm_of_rack_is_in_degrees_per_mm(tmp_path):
    text = numbers_text(demo_with(tmp_path))
    rows = [line for line in text.splitlines() if ",toe_per_rack_mm_deg," in line]
    assert len(rows) == 8
    assert all(row.endswith(",deg/mm") for row in rows)
    assert quantity("toe_per_rack_mm_deg").text(0.5) == "0.500 deg/mm"
