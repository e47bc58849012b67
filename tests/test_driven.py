"""Columns of designs: their numbers, what they make of torque and gearing, and what is near."""

from dataclasses import replace

import numpy as np
import pytest
from bolted_study import COLUMN, ZONES, bolted_demo
from test_universal_joint import chain_at

from optimiser.answer.bolted import silent_notes
from optimiser.answer.design_numbers import design_numbers, drawn_designs
from optimiser.base.errors import InputError
from optimiser.evaluation.quantities import pair_words


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    folder = tmp_path_factory.mktemp("driven")
    return bolted_demo(folder, extra=ZONES + COLUMN, blank=("Stork",))


@pytest.fixture(scope="module")
def problem(study):
    return study.problem()


def one(problem, name):
    index = [rack.name for rack in problem.racks].index(name)
    return drawn_designs(problem).select(slice(index, index + 1))


def driven_of(problem, design):
    solved = problem.solve(design)
    return problem.drive(design, solved), solved


def directions(driven, problem, design):
    """Unit vectors of the three shafts from the wheel to the pinion, from the joints' places."""
    lies = problem.lay(design)
    middle = driven.places.lower[0] - driven.places.upper[0]
    wheel = np.array(problem.bolting.column.axis)
    return wheel, middle / np.linalg.norm(middle), -lies.pinion[0]


@pytest.mark.parametrize("ahead", ["light", "heavy"])
def test_wheel_and_torque_over_lock_are_those_of_a_chain_of_pins(problem, ahead):
    column = replace(problem.bolting.column, straight_ahead=ahead)
    problem = replace(problem, bolting=replace(problem.bolting, column=column))
    design = one(problem, "Wren")
    driven, solved = driven_of(problem, design)
    shafts = directions(driven, problem, design)
    metrics = problem.evaluate(design).metrics
    assert metrics["column_ripple_percent"][0] > 20.0  # bends that differ, so that it matters
    # Pinion turns up to the lock, and the wheel's by the chain, from the fork straight ahead.
    rack, per_turn = problem.racks[int(design.rack[0])], None
    per_turn = rack.travel_per_turn_mm
    lock = float(solved.ackermann.rack_at_lock_mm[0])
    turned = np.linspace(-1.0, 1.0, 25)[None] * 2.0 * np.pi * lock / per_turn
    wheel, rate = driven.of_pinion(turned)
    fork = np.radians(metrics["column_fork_deg"][0])
    phase = np.radians(metrics["column_phase_stepped_deg"][0])
    at = chain_at(shafts, phase, fork + np.r_[0.0, wheel[0]])
    np.testing.assert_allclose(at[1:] - at[0], turned[0], atol=1e-9)
    # Straight ahead the rate is least where it is light, greatest where it is heavy.
    around = driven.of_pinion(np.linspace(-np.pi, np.pi, 721)[None])[1][0]
    extreme = around.min() if ahead == "light" else around.max()
    assert rate[0, 12] == pytest.approx(extreme, abs=1e-6)
    # Torque at the wheel by virtual work: the pinion's times d(pinion)/d(wheel).
    bare = replace(problem, bolting=replace(problem.bolting, column=None)).evaluate(design).metrics
    ratio = metrics["steering_wheel_torque_nm"] / bare["steering_wheel_torque_nm"]
    assert around.min() - 1e-9 <= ratio[0] <= around.max() + 1e-9
    assert metrics["rim_force_n"] / bare["rim_force_n"] == pytest.approx(ratio)
    assert metrics["rack_force_n"] == bare["rack_force_n"]


@pytest.mark.parametrize("joints", [1, 2])
def test_a_joint_bent_beyond_a_right_angle_turns_nothing(tmp_path, joints):
    """A pinion that looks away from the column: no torque is negative, none is small."""
    single = COLUMN.replace("shaft_length_mm = {from = 120, to = 700}", "joints = 1")
    single = single.replace("to = 450", "to = 900").replace("-330", "-150")
    column = single if joints == 1 else COLUMN
    away = bolted_demo(tmp_path, extra=column, cells=WHOLE_LOW | {"pinion_angle_deg": -80.0})
    problem = away.problem()
    found = problem.evaluate(one(problem, "Finch"))
    bare = replace(problem, bolting=replace(problem.bolting, column=None))
    plain = bare.evaluate(one(problem, "Finch")).metrics
    names = ("column_upper_angle_deg", "column_lower_angle_deg")[:joints]
    worst = max(names, key=lambda name: found.metrics[name][0])
    assert found.metrics[worst][0] > 90.0
    assert worst in found.status[0]
    assert found.metrics["column_ripple_percent"][0] > 1e4
    assert found.metrics["rim_force_n"][0] > 10.0 * plain["rim_force_n"][0]


def test_gearing_is_the_steering_wheels(problem):
    design = one(problem, "Wren")
    # Whole half turns either way would be as many of the wheel as of the pinion.
    problem = replace(problem, racks=tuple(replace(rack, turns=2.6) for rack in problem.racks))
    driven, _ = driven_of(problem, design)
    numbers = design_numbers(problem, design, problem.evaluate(design))
    plain = replace(problem, bolting=replace(problem.bolting, column=None))
    bare = design_numbers(plain, design, plain.evaluate(design))
    straight = driven.of_pinion(np.zeros((1, 1)))[1][0, 0]
    at_centre = bare["overall_ratio_at_centre"] / straight
    assert numbers["overall_ratio_at_centre"] == pytest.approx(at_centre)
    turns = bare["turns_lock_to_lock"]
    ends = driven.of_pinion(np.pi * turns * np.array([[-1.0, 1.0]]))[0][0]
    assert numbers["turns_lock_to_lock"] == pytest.approx(np.ptp(ends) / (2.0 * np.pi))
    assert numbers["turns_lock_to_lock"] != pytest.approx(turns, abs=1e-4)
    share = numbers["overall_ratio_mean"] / bare["overall_ratio_mean"]
    assert share == pytest.approx(numbers["turns_lock_to_lock"] / turns)


def test_a_limit_on_gearing_is_on_the_steering_wheels(tmp_path):
    extra = ZONES + COLUMN + "[limits.at_most]\noverall_ratio_spread = 5\n"
    problem = bolted_demo(tmp_path, extra=extra).problem()
    design = one(problem, "Wren")
    outcome = problem.evaluate(design)
    mine = design_numbers(problem, design, outcome)["overall_ratio_spread"]
    assert outcome.metrics["overall_ratio_spread"][0] == pytest.approx(mine)


def test_a_rack_without_a_known_pinion_is_searched_without_the_column(problem):
    stork = next(rack for rack in problem.racks if rack.name == "Stork")
    assert list(silent_notes(problem, stork)) == [
        "where its feet stand is not judged: the catalogue gives no left_foot_along_mm",
        "its column is not judged: the catalogue gives no pinion_angle_deg",
    ]
    design = one(problem, "Stork")
    outcome = problem.evaluate(design)
    named = dict(zip(problem.constraint_names, outcome.constraints[0], strict=True))
    assert all(np.isneginf(value) for name, value in named.items() if name.startswith("column"))
    plain = replace(problem, bolting=replace(problem.bolting, column=None)).evaluate(design)
    assert outcome.metrics["rim_force_n"] == plain.metrics["rim_force_n"]
    assert outcome.metrics["clearance_mm"] == plain.metrics["clearance_mm"]


def test_clearance_of_the_shafts_by_points_along_them(problem):
    """Distances of many points of each shaft to boxes and to points of both rods in every pose."""
    design = one(problem, "Finch")
    driven, solved = driven_of(problem, design)
    metrics = problem.metrics(design, solved, poses_between=False)
    share = np.linspace(0.0, 1.0, 401)[:, None]
    points = np.concatenate([a[0] + share * (b[0] - a[0]) for a, b in driven.shafts()])
    box = next(item for item in problem.room.keep_outs if item.name == "pedal box")
    low, high = np.array(box.low), np.array(box.high)
    outside = np.linalg.norm(np.maximum(np.maximum(low - points, points - high), 0.0), axis=1)
    inside = np.minimum(points - low, high - points).min(axis=1)
    depth = np.where(outside > 0.0, outside, -inside).min()
    found = metrics["clearance_column_pedal_box_mm"][0]
    assert found == pytest.approx(depth - 10.0, abs=0.6)
    assert found < 0.0
    assert metrics["clearance_mm"][0] <= found
    inner, outer = solved.envelope.inner_joint[0], solved.envelope.outer_joint[0]
    rods = (inner[:, None] + share[::8] * (outer - inner)[:, None]).reshape(-1, 3)
    rods = np.concatenate([rods, rods * [1.0, -1.0, 1.0]])
    apart = np.linalg.norm(points[::4, None] - rods, axis=-1).min() - 10.0 - 7.0
    assert metrics["clearance_column_tie_rod_mm"][0] == pytest.approx(min(apart, 20.0), abs=2.0)
    assert pair_words("clearance_column_tie_rod_mm") == "column to tie rod"


def test_a_place_that_is_clear_is_taken_where_there_is_one(tmp_path):
    # A bar across the place that is best without it, of a car whose pinion is clear of the rest.
    clear_box = ("from_mm = [660, -190, 140]", "from_mm = [660, -190, 320]")
    free = bolted_demo(tmp_path, clear_box, extra=COLUMN, cells=WHOLE_LOW).problem()
    design = one(free, "Finch")
    before, _ = driven_of(free, design)
    middle = 0.5 * (before.places.upper[0] + before.places.lower[0])
    study = bolted_demo(tmp_path, clear_box, extra=COLUMN + _bar(free, middle), cells=WHOLE_LOW)
    after, _ = driven_of(study.problem(), design)
    metrics = study.problem().evaluate(design).metrics
    assert metrics["clearance_column_bar_mm"][0] >= 5.0 - 1e-6
    assert max(after.places.upper_bend[0], after.places.lower_bend[0]) <= np.radians(30.0) + 1e-9
    moved = np.linalg.norm(after.places.upper[0] - before.places.upper[0])
    assert moved > 1.0


WHOLE_LOW = {"pinion_angle_deg": 60.0, "pinion_lean_deg": 5.0}


def _bar(problem, middle):
    # CAD: x rearward from 850 mm ahead of the axle, y to the right, z from 120 mm above ground.
    x, y, z = 850.0 - middle[0], -middle[1], middle[2] - 120.0
    return (
        f'[[keep_out]]\nname = "bar"\nkind = "capsule"\nradius_mm = 1\n'
        f"from_mm = [{x}, {y - 200}, {z + 11}]\nto_mm = [{x}, {y + 200}, {z + 11}]\n"
    )


# --- refusals ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (("[-0.93, 0, -0.37]", "[0.93, 0, -0.37]"), "steering_wheel_axis: points backwards"),
        (("[-0.93, 0, -0.37]", "[0, 0, 0]"), "[0, 0, 0] is no direction"),
        (("[-0.93, 0, -0.37]", "[-1e-300, 0, 0]"), "[-1e-300, 0, 0] is no direction"),
        (("[-0.93, 0, -0.37]", "[0, 0, -1]"), "steering_wheel_axis: points backwards, or square"),
        (("steering_wheel_mm = [1500, -330, 560]", ""), "[column]: steering_wheel_mm is missing"),
        (("[1500, -330, 560]", "[1500, -330]"), "steering_wheel_mm: does not hold three numbers"),
        (("[1500, -330, 560]", "[1500, -3300, 560]"), "the upper joint is at least"),
        (
            ("to = 700", "to = 130"),
            "where any lower joint can be, and shaft_length_mm ends at 130",
        ),
        (("{from = 120, to = 700}", "{from = 2000, to = 2500}"), "begins at 2000 mm, and no two"),
        (("shaft_diameter_mm = 20", "joints = 1"), "with one joint there is no middle shaft"),
        (("shaft_diameter_mm = 20", "joints = 3"), "joints"),
        (("{from = 15, to = 60}", "{from = 60, to = 15}"), "from = 60 is above to = 15"),
        (("{from = 15, to = 60}", "{from = 15}"), "[column] lower_joint_mm: to is missing"),
        (("{from = 15, to = 60}", "15"), "write {from = LOW, to = HIGH}"),
    ],
)
def test_refusals_in_one_line(tmp_path, change, said):
    with pytest.raises(InputError) as caught:
        bolted_demo(tmp_path, extra=COLUMN.replace(*change))
    assert said in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_wheel_on_the_other_side_than_the_driver_is_noted(tmp_path):
    study = bolted_demo(tmp_path, extra=COLUMN.replace("-330", "330"))
    assert any("the steering wheel is not on the left" in note for note in study.notes())
    assert not any("steering wheel" in note for note in bolted_demo(tmp_path, extra=COLUMN).notes())


def test_a_limit_on_the_shafts_needs_racks_whose_pinion_is_known(tmp_path):
    """Without it such a rack would break the limit whatever it did."""
    limit = "[limits.at_least]\nclearance_column_tie_rod_mm = 8\n"
    use = ("catalogue =", 'use = ["Finch", "Wren"]\ncatalogue =')
    known = bolted_demo(tmp_path, use, extra=COLUMN + limit).problem()
    assert "clearance_column_tie_rod_mm" in known.constraint_names
    with pytest.raises(InputError, match="rack 'Wren' has no pinion_angle_deg") as caught:
        bolted_demo(tmp_path, use, extra=COLUMN + limit, blank=("Wren",))
    assert "\n" not in str(caught.value)
    with pytest.raises(InputError, match="no pair clearance_tyre_column_mm"):
        bolted_demo(tmp_path, use, extra=COLUMN + limit.replace("column_tie_rod", "tyre_column"))
