"""A column and a rack that rolls, with play, break-even and free lock in the same study."""

from __future__ import annotations

import numpy as np
import pytest
from bolted_study import COLUMN, PINION, WHOLE, ZONES, bolted_demo
from test_driven import directions, driven_of
from test_universal_joint import chain_at

from optimiser.answer.break_even import from_table, table_columns
from optimiser.answer.design_numbers import drawn_designs
from optimiser.answer.giving_way import giving_way
from optimiser.answer.pose_margins import PoseMargins
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
