"""`try`: a design changed line by line, at a prompt and through a pipe."""

from __future__ import annotations

import contextlib
import io
import json
import os
import re
import subprocess
import sys
from dataclasses import replace
from unittest import mock

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from search_cases import best_known, inside_space, random_designs, small, with_space
from small_study import ROOT, SHOWN, command, demo_with, files_of, run_here, small_study

from optimiser.answer.choosing import worst_ratios
from optimiser.answer.design_numbers import closest_pair
from optimiser.answer.limits_and_growth import limit_rows
from optimiser.answer.run_result import CAUTION, Chosen, RunResult
from optimiser.base.errors import InputError, NothingFeasibleError, OptimiserError
from optimiser.base.front import NO_MATTER
from optimiser.evaluation.designs import VARIABLES, FollowsRack, Stock
from optimiser.evaluation.problem import Objectives, Problem
from optimiser.folder.choose import choose
from optimiser.folder.pick import cost_lines, write_pick
from optimiser.folder.read import read_results
from optimiser.questions.what_if import best as what_if_best
from optimiser.questions.what_if import state as what_if_state
from optimiser.questions.what_if.best import best_from
from optimiser.questions.what_if.lines import COMMANDS, SETTINGS, Line, parse
from optimiser.questions.what_if.session import Session
from optimiser.questions.what_if.state import State, evaluated, open_design
from optimiser.questions.what_if.words import help_lines, limits_block, nearest_first
from optimiser.study.read import read_study
from optimiser.study.toml import with_keys

DEMO = ROOT / "results" / "example" / "demo"
NAMES = ("Short", "Middle", "Middling", "=Odd one", "Two  words")


def asked(text, racks=NAMES):
    line = parse(text, racks)
    assert line is not None
    return line.name, line.value, line.is_step


@pytest.fixture(scope="module")
def demo():
    """The winner of the kept example; a session of its own may be made of it at no cost."""
    return open_design(DEMO, ROOT)


@pytest.fixture(scope="module")
def opened(stored):
    """The winner of the shared run."""
    return open_design(stored.folder, ROOT)


@pytest.fixture
def session(demo):
    return Session(demo)


def after(session, *lines):
    """The block of the last of some lines, as one text."""
    for line in lines:
        block = session.answer(line)
    return "\n".join(block)


# --- what is typed -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "meant"),
    [
        ("rack_height +5", ("rack_height_mm", 5.0, True)),
        ("rack_height_mm +5", ("rack_height_mm", 5.0, True)),
        ("rack_height 218", ("rack_height_mm", 218.0, False)),
        ("rack height 218 mm", ("rack_height_mm", 218.0, False)),
        ("Rack_H -5mm", ("rack_height_mm", -5.0, True)),
        ("rack_height \N{MINUS SIGN}5", ("rack_height_mm", -5.0, True)),
        ("rack-fore-aft = -90", ("rack_fore_aft_mm", -90.0, False)),
        ("rack_fore_aft -90", ("rack_fore_aft_mm", -90.0, True)),
        ("spacer_mm+=2.5", ("spacer_mm", 2.5, True)),
        ("spacer -= .5", ("spacer_mm", -0.5, True)),
        ("sp + 5", ("spacer_mm", 5.0, True)),
        ("arm_a 1e1", ("arm_angle_deg", 10.0, False)),
        ("rack short", ("rack", "Short", False)),
        ("rack = middle", ("rack", "Middle", False)),
        ("rack middli", ("rack", "Middling", False)),
        ("rack =Odd one", ("rack", "=Odd one", False)),
        ("rack = =odd", ("rack", "=Odd one", False)),
        ("rack two words", ("rack", "Two  words", False)),
        ("travel 70", ("travel_mm", 70.0, False)),
        ("wheelbase 2300", ("wheelbase_mm", 2300.0, False)),
        ("lock +1", ("lock_deg", 1.0, True)),
        ("clearance off", ("clearance_mm", "off", False)),
        ("toggle = OFF", ("toggle_margin_deg", "off", False)),
        ("BEST", ("best", None, False)),
        ("lim", ("limits", None, False)),
    ],
)
def test_what_a_line_asks(text, meant):
    assert asked(text) == meant


@pytest.mark.parametrize("text", ["", "   ", "# rack_height +5"])
def test_empty_lines_and_comments_ask_nothing(text, session):
    assert parse(text, NAMES) is None
    assert session.answer(text) == []


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("rack_hieght 5", "'rack_hieght' is not known; the nearest is rack_height"),
        ("spacre", "'spacre' is not known; the nearest is spacer"),
        ("height 5", "the nearest are rack_height, arm_height"),
        ("arm 5", "'arm' may be arm_length, arm_height, arm_angle"),
        ("s", "'s' may be show, save, spacer"),
        ("rack_height", "no number stands there; type rack_height 20 for a place"),
        ("rack", "no rack is named; the study has Short, Middle"),
        ("rack Middel", "no rack 'Middel'; the nearest is Middle"),
        ("rack mid", "'mid' may be Middle, Middling"),
        ("rack 5", "no rack '5'"),
        ("best 5", "best stands alone"),
        ("rack_height five", "is not one name and one number"),
        ("rack_height=218 spacer=20", "is not one name and one number; type one change a line"),
        ("+5", "is not one name and one number"),
        ("spacer 1,5", "1,5 is not a plausible number; type it plainly"),
        ("spacer 1_5", "1_5 is not a plausible number"),
        ("spacer 1e400", "1e400 is not a plausible number"),
        ("spacer nan", "is not one name and one number"),
        ("spacer = +5", "may mean a place or a step; type spacer = 5 for the place"),
        ("spacer += -5", "may mean a place or a step"),
        ("spacer 5 deg", "spacer_mm is not in deg"),
        ("spacer off", "spacer cannot be off"),
        ("wheelbase off", "wheelbase cannot be off"),
    ],
)
def test_a_line_that_cannot_be_used_says_why_in_one_line(text, words):
    with pytest.raises(InputError, match=re.escape(words)) as raised:
        parse(text, NAMES)
    assert str(raised.value).startswith(text)
    assert "\n" not in str(raised.value)


def test_help_names_all_that_can_be_typed():
    text = " ".join(help_lines(VARIABLES))
    for name in (*COMMANDS, *VARIABLES, *SETTINGS):
        if name != "inner_lock_deg":  # which is the lock
            assert re.search(rf"\b{name.removesuffix('_mm').removesuffix('_deg')}", text), name


@given(
    st.one_of(
        st.text(max_size=30),
        st.lists(
            st.sampled_from(
                [*VARIABLES, *SETTINGS, *COMMANDS, "rack", "=", "+=", "-5", "+1", "12", "off", "mm"]
            ),
            max_size=4,
        ).map(" ".join),
    )
)
@settings(max_examples=300, deadline=None)
def test_no_line_can_do_worse_than_be_refused(text):
    """Not what is slow: the answers themselves are tested below."""
    with contextlib.suppress(InputError):
        line = parse(text, NAMES)
        assert line is None or isinstance(line, Line)


# --- the numbers ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "lines",
    [
        ["rack_height 230"],
        ["rack_height +5", "spacer_mm 15"],
        ["arm_length -2.5", "arm_angle = -3", "rack_fore_aft -4"],
        ["rack Mid", "arm_height 260"],
        ["spacer 33", "rack =short"],
    ],
)
def test_the_numbers_are_those_of_pick(stored, opened, lines):
    session = Session(opened)
    text = after(session, *lines)
    chosen = session.state.chosen
    at = [f"{name}={float(chosen.design.column(name)[0])!r}" for name in VARIABLES]
    picked = choose(stored, None, None, [f"rack={chosen.rack.name}", *at])
    assert (picked.chosen.design.values == chosen.design.values).all()
    assert picked.chosen.outcome.status[0] == chosen.outcome.status[0]
    for name, values in picked.chosen.outcome.metrics.items():
        np.testing.assert_array_equal(values, chosen.outcome.metrics[name], err_msg=name)
    # What `pick` prints of it stands in the answer too, but for the change, which is another.
    plain = [line.split(" (")[0] for line in text.splitlines()]
    for line in cost_lines(picked):
        if line.startswith(("BREAKS", "NOT ACC", "It ", "WRONG")):
            assert line in text.splitlines()
        elif ": " in line and line.startswith("  ") and not _is_variable(line):
            assert line.split(" (")[0] in plain


def _is_variable(line):
    words = ("rack height", "rack fore-aft", "spacer length", "arm length", "arm height")
    return line.strip().startswith((*words, "arm angle"))


def test_a_session_begins_with_the_winner_and_its_caution(demo, session):
    text = session.opening()
    assert text[0].startswith("Demo: seven racks for a light two-seater: design ")
    assert "the winner: rack Finch" in text[0]
    assert CAUTION in text
    assert session.state.chosen.label == demo.state.start.label
    height = session.state.values["rack_height_mm"]
    assert f"  rack height: {height:.1f} mm" in text
    assert "It keeps every limit and is acceptable." in text


def test_what_changed_is_said_against_the_line_before(session):
    first = session.state.chosen
    after(session, "rack_height +5")
    before = session.state.chosen
    block = after(session, "spacer 15")
    now = session.state.chosen
    assert block.splitlines()[0] == "spacer length 15.0 mm (-5.0)"
    change = now.metric("tie_rod_length_mm") - before.metric("tie_rod_length_mm")
    length = now.metric("tie_rod_length_mm")
    assert f"  tie-rod length: {length:.1f} mm ({change:+.1f})" in block
    assert change != pytest.approx(length - first.metric("tie_rod_length_mm"), abs=0.04)
    assert after(session, "spacer 15").splitlines()[0] == "nothing changed"
    after(session, "arm_length 120")
    assert "arm length 120.0 mm (+0.001)" in after(session, "arm_length +0.001")


def test_what_breaks_and_what_is_left_nearest_first(session):
    block = after(session, "rack_height 280").splitlines()
    rows = limit_rows(session.state.chosen)
    broken, kept = ([row for row in rows if (row.left < 0.0) is low] for low in (True, False))
    assert broken
    assert kept
    for row in broken:
        assert f"BREAKS {row.words} by {-row.left:.2f} {row.unit}." in block
    (left,) = (line for line in block if line.startswith("Left of the limits, nearest first: "))
    place = [left.index(row.words.removeprefix("the ")) for row in kept]
    order = np.argsort([row.left for row in kept])
    assert (np.diff(np.array(place)[order]) > 0).all()
    assert any(line.startswith("NOT ACCEPTABLE: bump steer") for line in block)


def test_limits_has_each_limit_with_what_is_wanted(session):
    after(session, "rack_height 215")
    block, chosen = after(session, "limits"), session.state.chosen
    margin, needed, room = (
        chosen.metric(f"{name}") for name in ("toggle_margin_deg", "rack_needed_mm", "clearance_mm")
    )
    assert f"toggle margin {margin:.1f} deg, at least 25 wanted: {margin - 25:.2f} deg" in block
    # Half of the 128 mm that the rack travels, less the margin of 1 mm.
    left = 63.0 - needed
    how = f"{left:.2f} mm left" if left >= 0.01 else "BROKEN" if left < 0.0 else "below 0.01 mm"
    assert f"rack used each way {needed:.1f} mm, at most 63 wanted: {how}" in block
    pair = closest_pair(chosen.outcome, 0)
    assert f"clearance {room:.1f} mm ({pair}), at least 5 wanted: {room - 5:.2f} mm" in block
    assert "at most 0.75 accepted" in block
    after(session, "clearance 25")
    assert f"at least 25 wanted: BROKEN by {25 - room:.2f} mm" in after(session, "limits")
    after(session, "rack_height 280")
    assert "NOT ACCEPTABLE by" in after(session, "limits")
    # Further off than 20 mm is not told apart.
    after(session, "clearance 5", "rack_height 218", "rack_fore_aft 40")
    far = "clearance of the tyre 20.0 mm or more, at least 8 wanted: 12.00 mm or more left"
    assert far in after(session, "limits")


def test_a_limit_that_a_rack_does_not_have_is_not_listed():
    """One rack's maker gives a limit for its joints, the other's does not."""
    problem = small()
    (rack,) = problem.racks
    limits = replace(problem.limits, inner_joint_angle=None)
    racks = (replace(rack, joint_limit_deg=None), replace(rack, name="other"))
    state = _state(replace(problem, racks=racks, limits=limits), random_designs(problem, 60))
    assert "inner_joint_angle_deg" in state.chosen.problem.constraint_names
    assert "inner_joint_angle_deg" not in [row.name for row in nearest_first(state.chosen)]
    assert "inf" not in " ".join(limits_block(state))


def test_a_design_that_cannot_be_assembled_is_said_to_be_none(session):
    session.answer("rack_height 215")
    block = after(session, "travel 300")
    status = str(session.state.chosen.outcome.status[0])
    assert status.startswith("cannot assemble: ")
    assert f"It {status}." in block
    assert "nan" not in block
    assert "BREAKS" not in block
    assert f"It {status}." in after(session, "limits")
    assert "nan" not in after(session, "show")
    with pytest.raises(NothingFeasibleError, match="nothing was written"):
        session.answer("save")
    with pytest.raises(InputError, match="needs a place that can be assembled"):
        session.answer("best")
    assert "It keeps every limit" in after(session, "undo", "undo")


def test_a_change_evaluates_one_design_and_a_look_none(session):
    """What a line costs: it may not become more without a thought."""
    looked, judge = [], Problem.judge

    def counted(self, designs, solved, **options):
        looked.append(len(designs))
        return judge(self, designs, solved, **options)

    with mock.patch.object(Problem, "judge", counted):
        for line in ("rack_height +5", "rack Plover", "wheelbase 2300"):
            session.answer(line)
        assert looked == [1, 1, 1]
        for line in ("limits", "show", "help", "undo"):
            session.answer(line)
        assert looked == [1, 1, 1]
        session.answer("best")
        assert 10 < sum(looked) < 400


# --- outside the study, and the study asked otherwise --------------------------------------------


def test_outside_the_study_is_computed_and_said(session):
    block = after(session, "rack_height 270")
    assert "outside the study: rack height 270 mm is outside the study's range, 130 to" in block
    assert "  bump steer: " in block
    block = after(session, "spacer 30")
    assert "outside the study: rack height 270 mm" in block
    assert "spacer length 30 mm is not on the study's list, 0, 10, 20 mm." in block
    assert "outside the study: [limits] spacer_max_mm is 25 mm." in block
    assert "outside the study" not in after(session, "spacer 20", "rack_height 200")


def test_a_place_that_no_study_takes_is_refused_and_nothing_changes(session):
    before = session.state
    for line in ("rack_height 2000", "rack_height -300", "arm_length 5", "wheelbase 10", "lock 89"):
        with pytest.raises(InputError, match="is not between") as raised:
            session.answer(line)
        assert str(raised.value).startswith(line)
    assert session.state is before


def test_a_minus_is_a_step_and_the_place_is_offered():
    session = Session(open_design(ROOT / "studies" / "rescue.toml", ROOT))
    block = after(session, "rack_fore_aft -100")
    assert "-100 was taken as a step; for the place type rack_fore_aft_mm = -100." in block
    assert session.state.values["rack_fore_aft_mm"] == -218.0
    after(session, "rack_fore_aft_mm = -100")
    assert session.state.values["rack_fore_aft_mm"] == -100.0
    assert "taken as a step" not in after(session, "rack_height -10")


@pytest.mark.parametrize(
    ("lines", "changes"),
    [
        (["wheelbase 2300"], [("wheelbase_mm = 2250", "wheelbase_mm = 2300")]),
        (["lock +2"], [("inner_lock_deg = 34", "inner_lock_deg = 36")]),
        (["travel 75"], [("bump_mm = 60", "bump_mm = 75"), ("droop_mm = 60", "droop_mm = 75")]),
        (
            ["bump 40", "droop +9"],
            [("bump_mm = 60", "bump_mm = 40"), ("droop_mm = 60", "droop_mm = 69")],
        ),
        (["clearance 8"], [("clearance_mm = 5", "clearance_mm = 8")]),
        (["toggle off"], [("toggle_margin_deg = 25", 'toggle_margin_deg = "off"')]),
        (["ackermann 1"], [("ackermann_target = 0.6", "ackermann_target = 1")]),
    ],
)  # fmt: skip
def test_the_study_asked_otherwise_is_as_if_it_were_written_so(tmp_path, lines, changes):
    session = Session(open_design(ROOT / "studies" / "demo.toml", ROOT))
    block = after(session, "rack Finch", "rack_height 215", "spacer 20", *lines)
    written = demo_with(tmp_path, *changes)
    chosen = session.state.chosen
    found = written.problem().evaluate(chosen.design)
    assert found.status[0] == chosen.outcome.status[0]
    np.testing.assert_array_equal(found.constraints, chosen.outcome.constraints)
    for name, values in found.metrics.items():
        np.testing.assert_array_equal(values, chosen.outcome.metrics[name], err_msg=name)
    assert chosen.study.file == written.file.model_copy(
        update={"hardpoints": chosen.study.file.hardpoints, "racks": chosen.study.file.racks}
    )
    (before, now) = changes[-1]
    key, value = now.split(" = ")
    text = f"] {key} is {value.strip(chr(34))}, in the study {before.split(' = ')[1]}."
    assert block.count("outside the study: [") == len(changes)
    assert text in block


def test_a_turning_circle_gives_way_to_a_lock_and_follows_the_wheelbase(tmp_path):
    changes = (("inner_lock_deg = 34", "turning_circle_m = 8.5"),)
    session = Session(open_design(demo_with(tmp_path, *changes).path, tmp_path))
    lock = session.state.chosen.study.inner_lock
    block = after(session, "wheelbase 2300")
    moved = session.state.chosen.study.inner_lock
    assert moved > lock
    shown = f"{np.degrees(moved):g}"
    assert f"[steering] inner_lock_deg is {shown}, in the study {np.degrees(lock):g}." in block
    after(session, "lock 33")
    assert session.state.chosen.study.inner_lock == pytest.approx(np.radians(33.0))
    assert session.state.chosen.study.file.steering.turning_circle_m is None


def test_a_limit_that_is_off_has_no_step(session):
    session.answer("clearance off")
    assert "clearance_mm" not in session.state.chosen.problem.constraint_names
    with pytest.raises(InputError, match=r"\[limits\] clearance_mm is off; type a place"):
        session.answer("clearance +1")


def test_replaced_keys_leave_the_rest_of_a_study_as_it_is(stored):
    for study in (
        stored.study,
        *(read_study(ROOT / "studies" / f"{n}.toml") for n in ("demo", "rescue")),
    ):
        assert with_keys(study.file, {}, "here") == study.file  # fmt: skip


def test_an_arm_that_follows_the_rack_does_so_until_it_is_typed(tmp_path):
    arm = "arm_height_mm = {from = 180, to = 255} # the arm may be lowered together with the rack"
    study = demo_with(tmp_path, (arm, 'arm_height_mm = "follows rack"'))
    session = Session(open_design(study.path, tmp_path))
    offset = study.space["arm_height_mm"].offset_mm
    session.answer("rack_height 215")
    assert session.state.values["arm_height_mm"] == 215.0 + offset
    session.answer("rack Finch")
    assert "arm height 224.0 mm" in after(session, "arm_height 224")
    block = after(session, "rack_height 213")
    assert session.state.values["arm_height_mm"] == 224.0
    assert "arm height 224 mm stands by itself: in the study it follows the rack." in block
    assert "and arm height 224.0 mm" in after(session, "best").splitlines()[0]
    assert session.state.values["arm_height_mm"] == 224.0


def test_a_rack_says_that_the_place_was_anothers(session):
    block = after(session, "rack Plover")
    assert block.startswith("rack Plover (before Finch)")
    assert "All else is as it was with Finch" in block
    assert "WRONG HAND" in after(session, "rack Wren")


# --- best ----------------------------------------------------------------------------------------


def _state(problem, designs, *, alone=False):
    """A state of the first of some designs that keeps every limit."""
    row = int(np.argmax(problem.evaluate(designs).feasible))
    one = designs.select(slice(row, row + 1))
    chosen = evaluated(None, problem, "it", one)
    return State(chosen, chosen, alone)


def _worst(problem, designs):
    return float(worst_ratios(problem.evaluate(designs), problem)[0])


@pytest.mark.parametrize("corner", ["front steer", "rear steer", "inclined arm axes"])
def test_best_is_what_differential_evolution_finds(corner):
    """From the middle of the space; the rule lets a hundredth go for a lower sum."""
    problem = small(corner=corner, spacing_mm=610.0, fixed_arm=True)
    known = best_known(problem)
    for seed in range(2):
        state = _state(problem, random_designs(problem, 200, seed))
        found = best_from(state, "best")
        assert problem.evaluate(found).feasible[0]
        assert inside_space(problem, found)
        assert _worst(problem, found) <= 1.01 * known + NO_MATTER


def test_best_keeps_stock_values_and_the_rack():
    problem = small(corner="inclined arm axes", spacing_mm=610.0, spacers=(0.0, 16.0, 32.0))
    designs = random_designs(problem, 300)
    for spacer in (16.0, 7.0):  # the last is on nobody's list
        designs.values[:, VARIABLES.index("spacer_mm")] = spacer
        found = best_from(_state(problem, designs), "best")
        assert found.column("spacer_mm")[0] == spacer
        alone = with_space(problem, spacer_mm=Stock((spacer,)))
        assert _worst(problem, found) <= 1.02 * best_known(alone) + NO_MATTER


def test_best_from_what_breaks_limits_keeps_them(session):
    block = after(session, "rack_height 250", "best")
    assert block.startswith("The best found from here with spacer length 20.0 mm; optimiser run")
    assert session.state.chosen.outcome.feasible[0]
    problem = session.state.chosen.problem
    start = _worst(problem, session.state.start.design)
    assert _worst(problem, session.state.chosen.design) <= start + NO_MATTER
    assert "It keeps every limit and is acceptable." in block
    before = session.state
    assert after(session, "best").startswith("Nothing better was found from here with spacer")
    assert session.state is before


def test_best_does_not_give_up_one_number_for_next_to_nothing_of_the_other(demo):
    """The winner's own rule: the least of the worst alone would raise its bump steer tenfold."""
    for lines in (["best"], ["rack_height +3", "best"]):
        session = Session(demo)
        after(session, *lines)
        assert session.state.chosen.metric("bump_steer_deg") < 0.005
        ray = fit_alone(session.opened.state)
        assert ray.metric("bump_steer_deg") > 0.01


def fit_alone(state):
    """What the first ray alone leads to."""
    with mock.patch.object(what_if_best, "_shares", return_value=np.ones((1, 2))):
        design = what_if_best._followed(what_if_best._made_exactly(state.chosen.problem, state),
                                        state.chosen.design, "best")  # fmt: skip
    return evaluated(None, state.chosen.problem, "", design)


def test_best_comes_back_into_the_study(session):
    session.answer("rack_height 275")
    block = after(session, "best")
    assert 130.0 <= session.state.values["rack_height_mm"] <= 260.0
    assert "outside the study: rack height" not in block


def test_best_says_so_where_limits_cannot_be_kept(session):
    block = after(session, "rack Heron", "best")
    assert block.startswith("No place that keeps every limit was found from here with spacer")
    assert "BREAKS the rack's travel" in block
    assert "It still breaks limits." in after(session, "best")


def test_best_answers_what_is_asked_now(session):
    before = after(session, "wheelbase 2450")
    assert "[car] wheelbase_mm is 2450" in before
    worse = _worst(session.state.chosen.problem, session.state.chosen.design)
    session.answer("best")
    problem, design = session.state.chosen.problem, session.state.chosen.design
    assert problem.car.wheelbase_mm == 2450.0
    assert _worst(problem, design) < 0.5 * worse
    assert "[car] wheelbase_mm is 2450, in the study 2250" in after(session, "show")


@pytest.mark.parametrize(
    "objectives",
    [
        Objectives("rms", "rms"),
        Objectives(extra=("part_lock_bump_steer_deg",)),
    ],
)
def test_best_makes_small_what_designs_are_judged_by(objectives):
    problem = small(fixed_arm=True, spacing_mm=600.0)
    known = best_known(problem)
    asked_so = replace(problem, objectives=objectives)
    found = best_from(_state(asked_so, random_designs(problem, 200)), "best")
    assert _worst(problem, found) <= 1.01 * known + NO_MATTER


def test_best_as_built_is_no_worse_than_the_best_as_drawn(tmp_path):
    built = '\n[objectives]\nbump_steer = "with tolerances"\nackermann_error = "with tolerances"\n'
    study = demo_with(tmp_path)
    study.path.write_text(study.text + built, "utf-8")
    lines = ("rack Finch", "spacer 20", "best")
    drawn = Session(open_design(ROOT / "studies" / "demo.toml", tmp_path))
    session = Session(open_design(study.path, tmp_path))
    drawn_block, block = after(drawn, *lines), after(session, *lines)
    problem = session.state.chosen.problem
    ratio = _worst(problem, session.state.chosen.design)
    assert ratio <= _worst(problem, drawn.state.chosen.design)
    assert "bump steer of one in twenty cars: " in block
    assert "one in twenty" not in drawn_block
    assert "the last of one in twenty built cars" in after(session, "limits")
    assert "how built cars scatter, optimiser run says" in after(drawn, "limits")


def test_best_needs_a_variable_with_a_range():
    problem = small()
    designs = random_designs(problem, 100)
    state = _state(problem, designs)
    fixed = {name: Stock((state.values[name],)) for name in VARIABLES}
    state = _state(with_space(problem, **fixed), state.chosen.design)
    with pytest.raises(InputError, match="every variable has stock values only"):
        best_from(state, "best")


def test_best_leaves_an_arm_height_that_was_typed():
    problem = small()
    arm = FollowsRack(10.0)
    problem = with_space(problem, arm_height_mm=arm)
    designs = random_designs(problem, 200)
    followed = best_from(_state(problem, designs), "best")
    assert followed.column("arm_height_mm")[0] == followed.column("rack_height_mm")[0] + 10.0
    state = _state(problem, designs, alone=True)
    assert best_from(state, "best").column("arm_height_mm")[0] == state.values["arm_height_mm"]


# --- undo, show, save ----------------------------------------------------------------------------


def test_undo_goes_back_line_by_line(session):
    states = [session.state]
    for line in ("rack_height +5", "rack Plover", "wheelbase 2300", "best"):
        session.answer(line)
        states.append(session.state)
    for expected in states[-2::-1]:
        block = session.answer("undo")
        assert session.state is expected
        assert block[0] != "nothing changed"
    with pytest.raises(InputError, match="nothing was changed yet"):
        session.answer("undo")


def test_show_is_against_where_it_began(session):
    after(session, "rack_height 220", "rack_height 221", "clearance 6")
    block = after(session, "show")
    label = "(rack_height_mm = 221, [limits] clearance_mm = 6)"
    assert block.splitlines()[0].endswith(f"{label}: rack Finch")
    change = 221.0 - float(session.state.start.design.column("rack_height_mm")[0])
    assert f"  rack height: 221.0 mm ({change:+.1f})" in block
    assert "  spacer length: 20.0 mm (the same)" in block


def test_save_writes_what_pick_writes_and_nothing_over(copy):
    stored = read_results(copy)
    session = Session(open_design(copy, copy.parent / "elsewhere"))
    session.answer("rack_height 231")
    before = files_of(copy)
    answer = session.answer("save")
    folder = copy / "picked" / "tried-1"
    assert answer == [f"written to {folder}", CAUTION]
    picked = choose(stored, None, None, ["rack_height_mm=231"])
    other = write_pick(stored, picked)
    mine, theirs = files_of(folder), files_of(other)
    assert set(mine) == set(theirs)
    for name in ("hardpoints.csv", "curves.csv"):
        for one, two in zip(mine[name].splitlines(), theirs[name].splitlines(), strict=True):
            assert one == two or b"rack_height_mm = 231" in one
    record, same = (json.loads(files["pick.json"]) for files in (mine, theirs))
    assert record["metrics"] == same["metrics"]
    assert record["variables"] == same["variables"]
    assert record["study_changed"] == {}
    assert record["label"] == f"tried from {picked.base.label} (rack_height_mm = 231)"
    session.answer("wheelbase 2500")
    assert session.answer("save")[0] == f"written to {copy / 'picked' / 'tried-2'}"
    after_all = files_of(copy)
    assert {name: after_all[name] for name in before} == before
    assert {name: after_all[f"picked/tried-1/{name}"] for name in mine} == mine
    record = json.loads(after_all["picked/tried-2/pick.json"])
    assert record["study_changed"] == {"car": {"wheelbase_mm": 2500.0}}
    head = after_all["picked/tried-2/hardpoints.csv"].decode().splitlines()[0]
    assert "[car] wheelbase_mm = 2500)" in head


def test_a_study_is_saved_among_the_results(tmp_path):
    study = small_study(tmp_path / "mine")
    lines = "rack_height 260\nsave\n"
    with (
        mock.patch("optimiser.folder.pick._write_figures"),
        mock.patch("sys.stdin", io.StringIO(lines)),
    ):
        code, out, _ = run_here("try", study.path, "--out", "there", cwd=tmp_path)  # fmt: skip
    assert code == 0
    assert "the drawn place of" in out
    assert f"written to {os.path.join('there', 'small-tried-1')}" in out
    record = json.loads((tmp_path / "there" / "small-tried-1" / "pick.json").read_text("utf-8"))
    assert record["compared_with"] == "the drawn place"
    assert record["variables"]["rack_height_mm"] == 260.0


def test_a_folder_that_cannot_be_made_is_one_line(tmp_path):
    study = small_study(tmp_path / "mine")
    (tmp_path / "file").write_text("", "utf-8")
    session = Session(open_design(study.path, tmp_path / "file"))
    with pytest.raises(OptimiserError, match="cannot be made"):
        session.answer("save")


# --- where it begins -----------------------------------------------------------------------------


def test_a_study_begins_in_the_drawn_place_with_its_first_rack():
    study = read_study(ROOT / "studies" / "demo.toml")
    session = Session(open_design(study.path, ROOT))
    assert session.state.chosen.rack.name == study.racks[0].name
    assert session.state.values["rack_height_mm"] == study.points.inner_joint[2]
    assert session.state.values["rack_fore_aft_mm"] == study.points.inner_joint[0]
    assert session.state.values["spacer_mm"] == 0.0
    assert "the drawn place of" in session.opening()[0]


def test_variants_are_left_aside_and_said(tmp_path):
    text = '\n[[variant]]\nname = "longer"\n[variant.car]\nwheelbase_mm = 2400\n'
    study = small_study(tmp_path, extra=text)
    opening = Session(open_design(study.path, tmp_path)).opening()
    assert "The study's variants are left aside: this is the study itself." in opening


def test_a_result_without_a_winner_begins_with_the_nearest(stored):
    result = RunResult(stored.study, stored.problem, stored.result.units)
    row = int(np.flatnonzero(result.evaluation.assembles)[3])
    result.__dict__.update(winner=None, nearest=row)
    with mock.patch.object(
        what_if_state, "read_results", return_value=replace(stored, result=result)
    ):
        opened = open_design(stored.folder, ROOT)
        assert "breaks its limits least: there is no winner" in opened.words
        assert (opened.state.chosen.design.values == result.designs.values[row]).all()
        result.__dict__.update(nearest=None)
        opened = open_design(stored.folder, ROOT)
    assert "the drawn place" in opened.words
    assert isinstance(opened.state.chosen, Chosen)


@pytest.mark.parametrize("path", ["nothing.toml", "."])
def test_what_is_neither_a_study_nor_a_result_is_one_line(tmp_path, path):
    code, out, err = run_here("try", path, cwd=tmp_path)
    assert (code, out) == (2, "")
    assert len(err.splitlines()) == 1


# --- a pipe and a prompt -------------------------------------------------------------------------


def piped(lines: bytes, *arguments, cwd):
    """Exit code, standard output and standard error of the program with lines on a pipe."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT), **SHOWN}
    done = subprocess.run(
        command("try", *arguments), input=lines, cwd=cwd, env=environment, capture_output=True,
        timeout=300,
    )  # fmt: skip
    return done.returncode, done.stdout.decode(), done.stderr.decode()


def test_a_pipe_gets_one_block_for_each_line(demo, tmp_path):
    lines = ["rack_height +5", "spacer 15", "limits", "undo", "wheelbase 2300"]
    text = "\n".join(["# what if", lines[0], "", *lines[1:]])  # the last without a line feed
    code, out, err = piped(text.encode(), DEMO, cwd=tmp_path)
    assert (code, err) == (0, "")
    session = Session(demo)
    blocks = [session.opening(), *(session.answer(line) for line in lines)]
    expected = "".join("\n".join((*block, "", "")) for block in blocks)
    assert out == expected
    assert "> " not in out


def test_a_bad_line_is_answered_where_it_stands_and_the_rest_goes_on(tmp_path):
    text = b"rack_hieght 5\n\xff\xfe\x00 5\nbest 3\nspacer 10\nquit\nspacer 0\n"
    code, out, err = piped(text, DEMO, cwd=tmp_path)
    assert (code, err) == (2, "")
    _, *blocks = out.rstrip("\n").split("\n\n")
    assert len(blocks) == 4
    assert "the nearest is rack_height" in blocks[0]
    assert all(len(block.splitlines()) == 1 for block in blocks[:3])
    assert blocks[3].startswith("spacer length 10.0 mm (-10.0)")
    assert "Traceback" not in out


def test_in_process_a_pipe_is_the_same(tmp_path):
    for lines, code in (("spacer 10\n", 0), ("spacre 10\n", 2), ("", 0)):
        with mock.patch.object(sys, "stdin", io.StringIO(lines)):
            found, out, err = run_here("try", DEMO, cwd=tmp_path)
        assert (found, err) == (code, "")
        assert out.count("\n\n") == (2 if lines else 1)


@pytest.mark.skipif(os.name == "nt", reason="no pseudo-terminals")
def test_at_a_prompt_a_bad_line_does_not_count(tmp_path):
    import pty

    main, end = pty.openpty()
    environment = {**os.environ, "PYTHONPATH": str(ROOT), **SHOWN, "TERM": "dumb"}
    with subprocess.Popen(
        command("try", DEMO), stdin=end, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        cwd=tmp_path, env=environment,
    ) as process:  # fmt: skip
        os.close(end)
        os.write(main, b"spacre 5\nquit\n")
        out, err = process.communicate(timeout=120)
    os.close(main)
    assert process.returncode == 0, err
    shown = (out + err).decode()
    assert shown.count("> ") == 2
    assert "the nearest is spacer" in shown
