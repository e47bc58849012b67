"""A column and a rack that rolls, with play, break-even and free lock in the same study."""

from __future__ import annotations

import csv
import re
from dataclasses import replace

import numpy as np
import pytest
from bolted_study import COLUMN, PINION, WHOLE, ZONES, bolted_demo
from fcl_shapes import distance
from moving_case import round_bar
from test_driven import directions, driven_of
from test_universal_joint import chain_at

from optimiser.answer.break_even import from_table, table_columns
from optimiser.answer.design_numbers import closest_pair, drawn_designs
from optimiser.answer.effort_curve import effort_curve
from optimiser.answer.free_lock import free_lock
from optimiser.answer.giving_way import giving_way
from optimiser.answer.pose_margins import PoseMargins
from optimiser.answer.run_result import Chosen
from optimiser.evaluation.asked import Bound, Limits, Room, Travel
from optimiser.evaluation.clearance.parts import rod_diameter
from optimiser.folder.design import write_design
from optimiser.linkage.at_rack import solve_linkage
from optimiser.report.page import _clearances
from optimiser.search.break_even.evens import BreakEven, End

PLAY = "\n[play]\nrack_mm = 0.2\ninner_joint_mm = 0.05\ncolumn_deg = 1.0\n"
STIFF = "\n[stiffness]\ncolumn_nm_per_deg = 15\n"
ROLL = ("[search.vary]\n", "[search.vary]\nrack_roll_deg = {from = 20, to = 60}\n")
LIGHT, HEAVY = (f'{COLUMN}straight_ahead = "{way}"\n' for way in ("light", "heavy"))


def drawn(problem):
    return drawn_designs(problem).select(slice(0, 1))


def test_play_at_the_steering_wheel_goes_through_the_column(tmp_path):
    found = []
    for column in ("", LIGHT, HEAVY):
        problem = bolted_demo(tmp_path, extra=ZONES + column + PLAY).problem()
        design, rate = drawn(problem), 1.0
        if column:
            driven = problem.drive(design, problem.solve(design))
            rate = float(driven.of_pinion(np.zeros((1, 1)))[1][0, 0])
        metrics = problem.evaluate(design).metrics
        found.append((rate, float(metrics["steering_wheel_play_deg"][0])))
    (_, bare), *joined = found
    assert joined[0][0] < 0.999 < 1.001 < joined[1][0]
    for rate, play in joined:
        # One degree is the column's own; the rest comes through the joints.
        assert play - 1.0 == pytest.approx((bare - 1.0) / rate, rel=1e-9)


@pytest.mark.parametrize("ahead", ["light", "heavy"])
def test_the_columns_stiffness_is_felt_through_its_joints(tmp_path, ahead):
    """By energy: a torque on the pinion winds the column up by what reaches the steering wheel."""
    found = []
    for column in ("", f'{COLUMN}straight_ahead = "{ahead}"\n'):
        problem = bolted_demo(tmp_path, extra=ZONES + column + STIFF).problem()
        design = drawn(problem)
        found.append((problem, design, giving_way(problem, design)))
    (plain, design, bare), (problem, _, joined) = found
    driven, solved = driven_of(problem, design)
    metrics = problem.evaluate(design).metrics
    per_turn = problem.racks[0].travel_per_turn_mm
    lock = 2.0 * np.pi * float(solved.ackermann.rack_at_lock_mm[0]) / per_turn
    turned = np.array([[0.0, lock, -lock]])
    wheel = driven.of_pinion(turned)[0][0]
    # Pinion turned and wheel turned of a chain of pins, either way by a thousandth of a radian.
    fork, phase = (np.radians(metrics[f"column_{n}_deg"][0]) for n in ("fork", "phase_stepped"))
    shafts, step = directions(driven, problem, design), 1e-3
    ends = chain_at(shafts, phase, fork + np.concatenate([wheel - step, wheel + step]))
    rate = (ends[3:] - ends[:3]) / (2.0 * step)
    gives = [problem.yielding.flexibility(design, solved, problem.racks, np.zeros(1), way)
             for way in (None, driven.of_pinion)]  # fmt: skip
    # T at the pinion is T rate at the wheel, which winds up by T rate / C: energy T^2 rate^2 / 2 C.
    at_rest = float(gives[1]["column"][0] / gives[0]["column"][0])
    assert at_rest == pytest.approx(rate[0] ** 2, rel=1e-5)
    assert (at_rest < 1.0) == (ahead == "light")
    springs = {row.name: row for row in joined.springs}
    assert springs["column"].stiffness == pytest.approx(1.0 / gives[1]["column"][0])
    # The steering arms give way too, as without joints.
    before = {row.name: row for row in bare.springs}
    assert springs["column"].lost == pytest.approx(before["column"].lost * at_rest, rel=1e-9)
    assert springs["steering arms"].lost == pytest.approx(before["steering arms"].lost, rel=1e-9)
    name = "steer_lost_per_kn_deg"
    lost = metrics[name][0] - plain.evaluate(design).metrics[name][0]
    assert lost == pytest.approx(before["column"].lost * (at_rest - 1.0), rel=1e-9)
    of_column = float(problem.yielding.at_lock(design, solved, plain.racks)["column"][-1, 0])
    locked = joined.at_lock[name] - bare.at_lock[name]
    assert locked == pytest.approx(of_column * (max(rate[1:]) ** 2 - 1.0), rel=1e-4)


def test_break_even_of_a_rack_that_rolls_is_read_back(tmp_path):
    problem = bolted_demo(tmp_path, ROLL).problem()
    design = drawn(problem)
    ends = End(1.0, design), End(2.0, design, ("mount_mm",))
    written = table_columns(problem, (BreakEven(0, "inner_joint_spacing_mm", (ends,)),))
    assert "from_rack_roll_deg" in written
    read = from_table(problem, written)
    again = next(one for one in read if one.stretches)
    np.testing.assert_array_equal(again.stretches[0][1].design.values, design.values)


@pytest.mark.parametrize("ahead", [LIGHT, HEAVY], ids=["light", "heavy"])
def test_the_rim_over_lock_has_the_ripple_in_it(tmp_path, ahead):
    """`effort.csv`: by virtual work of a chain of pins, of the two ways the harder."""
    curves = []
    for column in ("", ahead):
        study = bolted_demo(tmp_path, extra=ZONES + column)
        problem = study.problem()
        design = drawn(problem)
        chosen = Chosen(study, problem, "drawn", design, problem.evaluate(design))
        curves.append(effort_curve(chosen))
    bare, joined = curves
    driven, _ = driven_of(problem, design)
    metrics = chosen.outcome.metrics
    turned = 2.0 * np.pi * joined["rack_mm"] / problem.racks[0].travel_per_turn_mm
    wheel = driven.of_pinion(np.concatenate([turned, -turned])[None])[0][0]
    fork, phase = (np.radians(metrics[f"column_{n}_deg"][0]) for n in ("fork", "phase_stepped"))
    step, count = 1e-3, 2 * len(turned)
    ends = fork + np.concatenate([wheel - step, wheel + step])
    pinion = chain_at(directions(driven, problem, design), phase, ends)
    rate = (pinion[count:] - pinion[:count]) / (2.0 * step)
    worse = rate.reshape(2, -1).max(axis=0)
    assert np.ptp(worse) > 0.02
    for name in ("steering_wheel_torque_nm", "rim_force_n"):
        np.testing.assert_allclose(joined[name], bare[name] * worse, rtol=1e-5)
        assert joined[name].max() == pytest.approx(metrics[name][0], rel=0.01)
    np.testing.assert_array_equal(joined["rack_force_out_n"], bare["rack_force_out_n"])
    assert (worse[0] == worse.min()) == (ahead == LIGHT)
    write_design(tmp_path, chosen)
    with (tmp_path / "effort.csv").open(encoding="utf-8") as lines:
        rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    written = [float(row["steering_wheel_torque_nm"]) for row in rows]
    np.testing.assert_allclose(written, joined["steering_wheel_torque_nm"], rtol=1e-4)


def test_shafts_end_the_free_lock_where_a_rod_comes_too_near(tmp_path):
    """Against python-fcl in the poses of the linkage; both ways and sides are the same here."""
    problem = bolted_demo(tmp_path, extra=COLUMN).problem()
    # Nothing else is in the way, for the sake of time.
    bare = Room(tie_rod_diameter_mm=problem.room.tie_rod_diameter_mm)
    problem = replace(problem, travel=Travel(1.0, 1.0, 1.0), limits=Limits(), room=bare)
    design = drawn(problem)
    driven, solved = driven_of(problem, design)
    rack, points = problem.racks[0], solved.points.select(0)
    rods = 0.5 * rod_diameter(rack, problem.room)
    bars = [round_bar(a[0] * side, b[0] * side, 10.0) for a, b in driven.shafts()
            for side in (1.0, (1.0, -1.0, 1.0))]  # fmt: skip

    def gap(travel, at):
        pose = solve_linkage(points, travel, at, problem.car.attitude)
        rod = round_bar(pose.inner_joint, pose.outer_joint, rods)
        return min(distance(rod, bar) for bar in bars)

    def least(at):
        return min(gap(travel, way * at) for travel in (-1.0, 0.0, 1.0) for way in (-1.0, 1.0))

    # So much as is left at two thirds of the rack's way is asked for.
    middle, end = (share * rack.travel_each_way_mm for share in (0.67, 1.0))
    wanted = least(middle)
    assert least(0.0) > wanted + 0.5
    assert least(end) < wanted - 0.5
    bound = Bound("clearance_column_tie_rod_mm", least=wanted)
    found = free_lock(replace(problem, limits=Limits(bounds=(bound,))), design)
    assert found.least.stopped_by == "column to tie rod"
    assert found.least.rack_mm == pytest.approx(middle, abs=0.1)


def test_the_list_of_closest_pairs_has_the_shafts(tmp_path):
    study = bolted_demo(tmp_path, extra=COLUMN)
    problem = study.problem()
    design = drawn(problem)
    outcome = problem.evaluate(design)
    rows = _clearances(Chosen(study, problem, "drawn", design, outcome))
    listed = {words: float(text.replace("\N{MINUS SIGN}", "-")) for words, text in rows}
    mine = [words for words in listed if words.startswith("column to ")]
    assert mine
    for words in mine:
        pair = re.sub("[ -]", "_", words.replace(" to ", "_"))
        found = outcome.metrics[f"clearance_{pair}_mm"][0]
        assert listed[words] == pytest.approx(found, abs=0.051)
    first = next(iter(listed))
    assert first == closest_pair(outcome, 0)
    assert listed[first] == pytest.approx(outcome.metrics["clearance_mm"][0], abs=0.051)


@pytest.mark.parametrize("angle", [40.0, ""], ids=["as made", "free"])
@pytest.mark.parametrize("turned", [False, True])
def test_free_lock_leaves_a_rolled_pinion_where_it_is(tmp_path, angle, turned):
    cells = WHOLE | PINION | {"pinion_angle_deg": angle}
    problem = bolted_demo(tmp_path, ROLL, cells=cells).problem()
    mine = [hand.turn_end_for_end for hand in problem.hands].index(turned)
    design = drawn_designs(problem).select(slice(mine, mine + 1))
    solved = problem.solve(design)
    margins = PoseMargins.of(problem, design)
    before, after = (
        asked.clearances(one, solved)["pinion_angle_deg"]
        for asked, one in ((problem, design), (margins.problem, margins.design))
    )
    np.testing.assert_allclose(after, before, atol=1e-9)
