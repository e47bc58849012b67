"""Designs to objectives, constraints and status. The cars and racks are invented."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from references.corners import points_of

from optimiser.evaluation import problem
from optimiser.evaluation.designs import VARIABLES, Designs, Evaluation, FollowsRack, Range, Stock
from optimiser.evaluation.problem import Car, Limits, Objectives, Problem, Steering, Travel
from optimiser.linkage.at_rack import describe_arm, solve_linkage
from optimiser.linkage.attitude import Attitude
from optimiser.linkage.hardpoints import Hardpoints
from optimiser.linkage.racks import Rack
from optimiser.metrics import joints
from optimiser.metrics import kinematic as metrics

RACKS = (
    Rack("Long", 664.0, 140.0, price=120.0, mass_kg=4.0, tie_rod_length_mm=296.0),
    Rack("Short", 560.0, 150.0, joint_limit_deg=28.0, tie_rod_length_mm=330.0),
    Rack("Narrow throw", 650.0, 70.0, tie_rod_length_mm=290.0, tie_rod_adjustment_mm=12.0),
)
CAR = Car(wheelbase_mm=2350.0, attitude=Attitude(0.0015, -0.01, loaded_radius_mm=276.0))
STEERING = Steering(
    inner_lock=np.radians(33.0),
    ackermann_target=0.6,
    acceptable_bump_steer=np.radians(0.1),
    acceptable_ackermann_error=np.radians(1.0),
)
SPACE = {
    "rack_height_mm": Range(180.0, 240.0),
    "rack_fore_aft_mm": Range(80.0, 130.0),
    "spacer_mm": Range(0.0, 60.0),
    "arm_length_mm": Stock((105.0, 112.0, 120.0)),
    "arm_height_mm": FollowsRack(-6.0),
    "arm_angle_deg": Stock((4.0,)),
}


def built(**changes) -> Problem:
    parts = {
        "points": Hardpoints.from_mapping(points_of("front steer")),
        "arm_ahead": True,
        "car": CAR,
        "travel": Travel(60.0, 50.0, 10.0),
        "steering": STEERING,
        "racks": RACKS,
        "space": SPACE,
    }
    return Problem(**(parts | changes))


def drawn_designs(asked: Problem, rack: int = 0, **values) -> Designs:
    """The as-drawn tie rod as a design, with some values changed."""
    arm = describe_arm(asked.points)
    inner = asked.points.inner_joint
    free = {
        "rack_height_mm": inner[2],
        "rack_fore_aft_mm": inner[0],
        "spacer_mm": inner[1] - 0.5 * asked.racks[rack].inner_joint_spacing_mm,
        "arm_length_mm": arm.length_mm,
        "arm_height_mm": arm.height_mm,
        "arm_angle_deg": np.degrees(arm.angle),
    }
    return asked.designs(rack, free | values)


def test_a_tie_rod_that_turns_the_wheels_the_other_way_is_refused():
    """An arm far outboard and a rack far behind it: lever and rod change sides."""
    asked = built(
        limits=Limits(),
        travel=Travel(5.0, 5.0, 5.0),
        steering=replace(STEERING, inner_lock=np.radians(5.0), stops="lock"),
    )
    designs = drawn_designs(asked, rack_fore_aft_mm=np.array([110.0, -900.0]), arm_angle_deg=55.0)
    solved = asked.solve(designs)
    assert (solved.reason == "").all()
    assert (np.sign(solved.steer_per_rack) == [1.0, -1.0]).all()
    found = asked.judge(designs, solved)
    assert found.status[0] == "ok"
    assert found.status[1] == f"{problem.CANNOT_ASSEMBLE}: {problem.CROSSED}"
    assert np.isnan(found.objectives[1]).all()


def random_designs(asked: Problem, count: int, seed: int = 4) -> Designs:
    """Designs far beyond what is sensible: many of them cannot assemble."""
    rng = np.random.default_rng(seed)
    free = {
        "rack_height_mm": rng.uniform(100.0, 330.0, count),
        "rack_fore_aft_mm": rng.uniform(20.0, 220.0, count),
        "spacer_mm": rng.uniform(-40.0, 90.0, count),
        "arm_length_mm": rng.uniform(40.0, 150.0, count),
        "arm_height_mm": rng.uniform(160.0, 330.0, count),
        "arm_angle_deg": rng.uniform(-40.0, 40.0, count),
    }
    return asked.designs(rng.integers(0, len(asked.racks), count), free)


# --- designs -------------------------------------------------------------------------------------


def test_fixed_variables_and_followers_are_filled_in():
    designs = built().designs(
        [0, 2],
        {
            "rack_height_mm": [200.0, 210.0],
            "rack_fore_aft_mm": 100.0,
            "spacer_mm": 5.0,
            "arm_length_mm": 112.0,
        },
    )
    np.testing.assert_array_equal(designs.rack, [0, 2])
    np.testing.assert_array_equal(designs.column("arm_height_mm"), [194.0, 204.0])
    np.testing.assert_array_equal(designs.column("arm_angle_deg"), [4.0, 4.0])
    np.testing.assert_array_equal(designs.column("rack_fore_aft_mm"), [100.0, 100.0])
    assert designs.values.shape == (2, len(VARIABLES))
    assert len(designs) == 2


def test_a_free_variable_that_is_not_given_is_named():
    with pytest.raises(ValueError, match="spacer_mm is free and was not given"):
        built().designs(0, {"rack_height_mm": 200.0, "rack_fore_aft_mm": 100.0})
    with pytest.raises(ValueError, match="arm_length_mm is free"):
        built().designs(0, {"rack_height_mm": 200.0, "rack_fore_aft_mm": 100.0, "spacer_mm": 0.0})


def test_corners_put_the_tie_rod_where_the_design_says():
    asked = built()
    designs = random_designs(asked, 30)
    points, growth = asked.corners(designs)
    np.testing.assert_array_equal(growth, np.zeros(30))
    spacing = np.array([rack.inner_joint_spacing_mm for rack in RACKS])[designs.rack]
    expected = np.stack(
        [
            designs.column("rack_fore_aft_mm"),
            spacing / 2.0 + designs.column("spacer_mm"),
            designs.column("rack_height_mm"),
        ],
        axis=-1,
    )
    np.testing.assert_array_equal(points.inner_joint, expected)
    arm = describe_arm(points)
    np.testing.assert_allclose(arm.length_mm, designs.column("arm_length_mm"), rtol=1e-12)
    np.testing.assert_allclose(arm.height_mm, designs.column("arm_height_mm"), rtol=1e-12)
    np.testing.assert_allclose(
        np.degrees(arm.angle), designs.column("arm_angle_deg"), rtol=0, atol=1e-10
    )


def test_the_drawn_car_is_a_design():
    asked = built()
    points, _ = asked.corners(drawn_designs(asked))
    np.testing.assert_allclose(points.outer_joint[0], asked.points.outer_joint, atol=1e-10)
    np.testing.assert_allclose(points.inner_joint[0], asked.points.inner_joint, atol=1e-10)


def test_travel_grid_holds_rest_and_both_ends():
    for travel in (Travel(60.0, 45.0, 5.0), Travel(61.3, 7.7, 10.0), Travel(3.0, 2.0, 50.0)):
        grid = travel.grid()
        assert (grid[0], grid[-1]) == (-travel.droop_mm, travel.bump_mm)
        assert np.sum(grid == 0.0) == 1
        assert np.all(np.diff(grid) > 0.0)


# --- own tie rods --------------------------------------------------------------------------------


def test_kept_tie_rods_move_arms_and_wheel_out_until_they_fit():
    asked = built(steering=replace(STEERING, keep_tie_rods=True))
    rack = np.array([0, 1])
    designs = Designs.join([drawn_designs(asked, int(index)) for index in rack])
    points, growth = asked.corners(designs)
    rod = np.linalg.norm(points.outer_joint - points.inner_joint, axis=-1)
    own = [RACKS[index].tie_rod_length_mm for index in rack]
    np.testing.assert_allclose(rod, own, rtol=0, atol=1e-9)
    for name, value in points.items():
        shift = 0.0 if name == "inner_joint" else growth[:, None] / 2.0 * np.eye(3)[1]
        plain = dict(built().corners(designs)[0].items())[name]
        np.testing.assert_allclose(value, plain + shift, rtol=0, atol=1e-12)
    found = asked.evaluate(designs)
    np.testing.assert_array_equal(found.metrics["track_growth_mm"], growth)
    np.testing.assert_allclose(found.metrics["tie_rod_length_mm"], own, rtol=0, atol=1e-9)
    track = built().evaluate(designs).metrics["kingpin_track_mm"] + growth
    np.testing.assert_allclose(found.metrics["kingpin_track_mm"], track, rtol=0, atol=1e-9)


def test_kept_rods_too_short_to_reach_cannot_assemble():
    asked = built(steering=replace(STEERING, keep_tie_rods=True))
    found = asked.evaluate(drawn_designs(asked, rack_fore_aft_mm=-200.0))
    assert found.status[0] == (
        "cannot assemble: the rack's own tie rods are too short to reach the steering arms"
    )
    assert np.isnan(found.objectives).all()


def test_growth_with_own_rods_is_reported_when_they_are_not_kept():
    asked = built()
    designs = drawn_designs(asked)
    assert asked.evaluate(designs).metrics["own_rods_track_growth_mm"] == pytest.approx(
        replace(asked, steering=replace(STEERING, keep_tie_rods=True)).corners(designs)[1]
    )


# --- what an evaluation holds --------------------------------------------------------------------


def test_numbers_are_those_of_the_metrics():
    asked = built(limits=Limits(toggle_margin=np.radians(25.0)))
    designs = drawn_designs(asked)
    found = asked.evaluate(designs)
    assert found.status[0] == "ok"
    got = {name: values[0] for name, values in found.metrics.items()}

    points, _ = asked.corners(designs)
    one = points.select(0)
    at_rest = CAR.attitude
    bump = metrics.bump_steer(one, asked.travel.grid(), at_rest)
    ackermann = metrics.ackermann_error(
        one,
        at_rest,
        wheelbase_mm=CAR.wheelbase_mm,
        inner_lock=STEERING.inner_lock,
        target=STEERING.ackermann_target,
        nodes=12,
    )
    rest = solve_linkage(one, 0.0, 0.0, at_rest)
    travel = np.array([-50.0, 60.0])[:, None]
    ends = solve_linkage(one, travel, RACKS[0].travel_mm * np.array([-0.5, 0.5]), at_rest)
    for name, expected in {
        "bump_steer_deg": np.degrees(bump.largest),
        "bump_steer_rms_deg": np.degrees(bump.rms),
        "bump_gradient_deg_per_m": np.degrees(bump.gradient) * 1000.0,
        "ackermann_error_deg": np.degrees(ackermann.largest),
        "ackermann_error_rms_deg": np.degrees(ackermann.rms),
        "rack_needed_mm": abs(ackermann.rack_at_lock_mm),
        "share_of_travel": abs(ackermann.rack_at_lock_mm) / 70.0,
        "toe_per_rack_mm_deg": np.degrees(abs(rest.steer_per_rack)),
        "tie_rod_length_mm": np.linalg.norm(one.outer_joint - one.inner_joint),
        "kingpin_track_mm": metrics.kingpin_track(one, at_rest),
        "track_growth_mm": 0.0,
        "price": 120.0,
        "mass_kg": 4.0,
    }.items():
        assert got[name] == pytest.approx(float(expected), rel=1e-9, abs=1e-10), name
    # The corners of travel and rack hold the extremes of the joints of this car.
    margin = np.degrees(np.min(ends.toggle_margin))
    assert got["toggle_margin_deg"] == pytest.approx(margin, abs=1e-9)
    angle = np.degrees(np.max(joints.inner_joint_angle(ends)))
    assert got["inner_joint_angle_deg"] == pytest.approx(angle, abs=1e-9)
    np.testing.assert_array_equal(
        found.objectives[0], [got["bump_steer_deg"], got["ackermann_error_deg"]]
    )
    assert asked.constraint_names[:2] == ("rack_travel_mm", "toggle_margin_deg")
    assert found.constraints[0, 0] == pytest.approx(got["rack_needed_mm"] - 70.0)
    assert found.constraints[0, 1] == pytest.approx(25.0 - got["toggle_margin_deg"])
    assert found.feasible[0]
    assert found.assembles[0]


def test_objectives_are_named_columns():
    chosen = Objectives("rms", "rms", ("price", "part_lock_bump_steer_deg"))
    asked = built(objectives=chosen)
    found = asked.evaluate(drawn_designs(asked))
    assert chosen.names == (
        "bump_steer_rms_deg",
        "ackermann_error_rms_deg",
        "price",
        "part_lock_bump_steer_deg",
    )
    columns = [found.metrics[name][0] for name in chosen.names]
    np.testing.assert_array_equal(found.objectives[0], columns)
    half = 0.5 * found.metrics["rack_needed_mm"][0]
    swept = metrics.bump_steer(
        Hardpoints.from_mapping(points_of("front steer")),
        asked.travel.grid(),
        CAR.attitude,
        rack_mm=np.array([half, -half]),
    )
    assert columns[3] == pytest.approx(np.degrees(np.max(swept.largest)), rel=1e-8)


def test_stops_at_lock_look_no_further_than_the_lock():
    short = {"arm_length_mm": 72.0}
    to_the_end = built(racks=(replace(RACKS[0], travel_mm=160.0),))
    found = to_the_end.evaluate(drawn_designs(to_the_end, **short))
    assert found.status[0].startswith("cannot assemble: tie rod and steering arm line up before")
    stopped = replace(to_the_end, steering=replace(STEERING, stops="lock"))
    found = stopped.evaluate(drawn_designs(stopped, **short))
    assert found.status[0] == "ok"
    needed = found.metrics["rack_needed_mm"]
    solved = stopped.solve(drawn_designs(stopped, **short))
    np.testing.assert_allclose(solved.steering_end_mm, needed, rtol=1e-12)


# --- statuses ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "values", "reason"),
    [
        (
            {"travel": Travel(300.0, 50.0, 10.0)},
            {},
            "the arms do not reach -50 to 300 mm of wheel travel",
        ),
        (
            {},
            {"rack_height_mm": 720.0},
            "the arms reach -50 to 60 mm of wheel travel, but a tie rod to that inner joint does "
            "not",
        ),
        (
            {"steering": replace(STEERING, inner_lock=np.radians(70.0))},
            {"rack_fore_aft_mm": 58.0, "arm_length_mm": 98.0, "arm_angle_deg": 38.5},
            "the inner wheel cannot be turned to 70.0 deg: "
            "tie rod and steering arm line up, or the rack passes its dead point, before it",
        ),
        (
            {"steering": replace(STEERING, inner_lock=np.radians(40.0), stops="lock")},
            {"arm_length_mm": 60.0, "arm_angle_deg": -40.0},
            "the outer tie rod and steering arm line up before the inner wheel is at 40.0 deg",
        ),
        (
            {"steering": replace(STEERING, inner_lock=np.radians(40.0), stops="lock")},
            {"arm_length_mm": 60.0, "rack_height_mm": 260.0},
            "tie rod and steering arm line up before the stops at 40.0 deg are reached, in droop "
            "or bump: lengthen the arm or ask for less lock",
        ),
        (
            {},
            {"arm_length_mm": 60.0},
            "tie rod and steering arm line up before the rack reaches its end: "
            "fit stops, lengthen the arm or take a rack with less travel",
        ),
    ],
)
def test_reasons_why_a_design_cannot_assemble(changes, values, reason):
    asked = built(**changes)
    found = asked.evaluate(drawn_designs(asked, **values))
    assert found.status[0] == f"cannot assemble: {reason}"
    assert np.isnan(found.objectives).all()
    assert not found.feasible[0]
    assert not found.assembles[0]
    assert found.metrics["price"][0] == 120.0  # the catalogue's, whatever the geometry
    geometry = [v[0] for k, v in found.metrics.items() if k not in ("price", "mass_kg")]
    assert np.isnan(geometry).all()


@pytest.mark.parametrize(
    ("changes", "rack", "name"),
    [
        ({}, 2, "rack_travel_mm"),
        ({"limits": Limits(rack_travel_margin_mm=9.0)}, 0, "rack_travel_mm"),
        ({"limits": Limits(toggle_margin=np.radians(60.0))}, 0, "toggle_margin_deg"),
        ({"limits": Limits(inner_joint_angle=np.radians(5.0))}, 0, "inner_joint_angle_deg"),
        ({"limits": Limits(outer_joint_angle=np.radians(2.0))}, 0, "outer_joint_angle_deg"),
        (
            {
                "limits": Limits(track_growth_mm=3.0),
                "steering": replace(STEERING, keep_tie_rods=True),
            },
            1,
            "track_growth_mm",
        ),
    ],
)
def test_limits_that_a_design_breaks_are_named(changes, rack, name):
    asked = built(**changes)
    found = asked.evaluate(drawn_designs(asked, rack))
    assert name in asked.constraint_names
    assert found.status[0].startswith("breaks ")
    assert name in found.status[0].removeprefix("breaks ").split(", ")
    assert found.constraints[0, asked.constraint_names.index(name)] > 0.0
    assert not found.feasible[0]
    assert found.assembles[0]


def test_several_broken_limits_are_all_named():
    asked = built(limits=Limits(10.0, np.radians(80.0), np.radians(1.0)))
    status = asked.evaluate(drawn_designs(asked)).status[0]
    assert status == "breaks rack_travel_mm, toggle_margin_deg, inner_joint_angle_deg"


def test_the_tighter_of_two_limits_on_the_inner_joint_counts():
    asked = built(limits=Limits(inner_joint_angle=np.radians(40.0)))
    column = asked.constraint_names.index("inner_joint_angle_deg")
    for rack, limit in ((0, 40.0), (1, 28.0)):
        found = asked.evaluate(drawn_designs(asked, rack))
        angle = found.metrics["inner_joint_angle_deg"][0]
        assert found.constraints[0, column] == pytest.approx(angle - limit)
    only_racks = built()
    found = only_racks.evaluate(drawn_designs(only_racks, 0))
    assert (
        found.constraints[0, only_racks.constraint_names.index("inner_joint_angle_deg")] == -np.inf
    )


@pytest.mark.parametrize("stops", ["rack", "lock"])
@pytest.mark.parametrize("keep", [False, True])
def test_no_nan_is_ever_feasible(stops, keep):
    asked = built(
        steering=replace(STEERING, stops=stops, keep_tie_rods=keep),
        limits=Limits(toggle_margin=np.radians(12.0)),
    )
    found = asked.evaluate(random_designs(asked, 3000))
    assert 20 < found.feasible.sum() < 2900
    assert np.isfinite(found.objectives[found.feasible]).all()
    assert np.all(found.constraints[found.feasible] <= 0.0)
    for name, values in found.metrics.items():
        if name not in ("price", "mass_kg", "own_rods_track_growth_mm"):
            assert np.isfinite(values[found.feasible]).all(), name
    np.testing.assert_array_equal(
        found.assembles, [not text.startswith("cannot assemble") for text in found.status]
    )
    assert np.isnan(found.objectives[~found.assembles]).all()
    kinds = {text.split(":")[0].split(" ")[0] for text in found.status}
    assert kinds == {"ok", "breaks", "cannot"}


# --- batches -------------------------------------------------------------------------------------


def assert_same(first: Evaluation, second: Evaluation) -> None:
    np.testing.assert_array_equal(first.objectives, second.objectives)
    np.testing.assert_array_equal(first.constraints, second.constraints)
    np.testing.assert_array_equal(first.status, second.status)
    assert first.metrics.keys() == second.metrics.keys()
    for name, values in first.metrics.items():
        np.testing.assert_array_equal(values, second.metrics[name], err_msg=name)


def test_chunks_and_order_change_no_digit(monkeypatch):
    asked = built(limits=Limits(toggle_margin=0.2))
    designs = random_designs(asked, 150)
    whole = asked.evaluate(designs)
    order = np.random.default_rng(2).permutation(150)
    assert_same(asked.evaluate(designs.select(order)), whole.select(order))
    for size in (1, 7, 64):
        monkeypatch.setattr(problem, "CHUNK_DESIGNS", size)
        assert_same(asked.evaluate(designs), whole)


def test_parts_join_and_select():
    asked = built()
    designs = random_designs(asked, 20)
    halves = [asked.evaluate(designs.select(part)) for part in (slice(0, 9), slice(9, 20))]
    assert_same(Evaluation.join(halves), asked.evaluate(designs))
    assert_same(Evaluation.join(halves).select(slice(0, 9)), halves[0])
    joined = Designs.join([designs.select(slice(0, 9)), designs.select(slice(9, 20))])
    np.testing.assert_array_equal(joined.values, designs.values)
    np.testing.assert_array_equal(joined.rack, designs.rack)


def test_no_designs_at_all():
    asked = built()
    found = asked.evaluate(drawn_designs(asked).select(slice(0, 0)))
    assert found.objectives.shape == (0, 2)
    assert len(found.status) == 0


def test_acceptable_values_are_in_degrees():
    np.testing.assert_allclose(built().acceptable, [0.1, 1.0], rtol=1e-12)
