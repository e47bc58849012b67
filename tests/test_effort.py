"""Effort as the search sees it: units, cases and materials, against the loads it is made of."""

from dataclasses import replace

import numpy as np
import pytest
from packaging_case import POINTS, RACK, problem

from optimiser.answer.kept_rods import kept_rod_sentences
from optimiser.evaluation.designs import Range
from optimiser.evaluation.problem import LoadAssumptions, Materials, Objectives, Room
from optimiser.linkage.at_arms import solve_held_arms
from optimiser.linkage.at_rack import RightPoses, solve_linkage
from optimiser.linkage.hardpoints import Hardpoints
from optimiser.metrics.loads import LoadCase, parking_moment, steering_loads
from optimiser.metrics.parked import parked_forces
from optimiser.metrics.strength import Rod, buckling_load, rack_overhang, spacer_capacity

LOADS = LoadAssumptions(
    wheel_load_n=3500.0,
    tyre_pressure_pa=200e3,
    friction=0.7,
    efficiency=0.9,
    steering_wheel_diameter_mm=360.0,
)
# Invented corner whose numbers can be done by hand: upright steering axis, both arms level, an
# arm of 120 mm straight ahead and the tie rod straight across.
SQUARE = Hardpoints.from_mapping(
    {
        "lower_front_pivot": (150.0, 300.0, 150.0),
        "lower_rear_pivot": (-150.0, 300.0, 150.0),
        "lower_ball_joint": (0.0, 600.0, 150.0),
        "upper_front_pivot": (150.0, 300.0, 350.0),
        "upper_rear_pivot": (-150.0, 300.0, 350.0),
        "upper_ball_joint": (0.0, 600.0, 350.0),
        "wheel_centre": (0.0, 680.0, 250.0),
        "outer_joint": (120.0, 600.0, 250.0),
        "inner_joint": (120.0, 300.0, 250.0),
    }
)


def evaluate(loads=LOADS, materials=None, rack=RACK, **more):
    asked = problem(Room(), (rack,), loads=loads, materials=materials or Materials(), **more)
    design = asked.designs(0, {})
    return asked, {name: float(v[0]) for name, v in asked.evaluate(design).metrics.items()}


def turns(asked):
    """Both wheels on the way to the required lock, solved here from the design's points."""
    solved = asked.solve(asked.designs(0, {}))
    rack = float(solved.ackermann.rack_at_lock_mm[0]) * np.arange(1, 13) / 12.0
    points = solved.points.select(0)
    return solve_linkage(points, 0.0, rack), solve_linkage(points, 0.0, -rack)


def by_image(left, image, case):
    """Loads with the right wheel given as its mirror image, a left wheel."""
    return steering_loads(left, RightPoses(image), case)


def test_effort_of_the_outside_check_in_newton_metres():
    """Recomputed: 108.03 N m by Gough (formula from memory) on two 120 mm arms, 45.58 mm per turn
    and efficiency 0.9 give 1801 N at the rack, 14.51 N m, and 80.6 N at the rim of 360 mm.

    With a lock of 3 degrees the arms are all but square to the rods up to it.
    """
    rack = replace(RACK, inner_joint_spacing_mm=600.0, travel_mm=144.0, turns=144.0 / 45.58)
    asked = problem(Room(), (rack,), loads=LOADS, steering={"inner_lock": np.radians(3.0)})
    asked = replace(asked, points=SQUARE)
    design = asked.designs(
        0, {"rack_height_mm": 250.0, "rack_fore_aft_mm": 120.0, "spacer_mm": 0.0,
            "arm_length_mm": 120.0, "arm_height_mm": 250.0, "arm_angle_deg": 0.0},
    )  # fmt: skip
    found = {name: float(v[0]) for name, v in asked.evaluate(design).metrics.items()}
    assert found["rack_force_n"] == pytest.approx(1801.0, rel=0.002)
    assert found["tie_rod_force_n"] == pytest.approx(900.3, rel=0.01)
    assert found["steering_wheel_torque_nm"] == pytest.approx(14.51, rel=0.002)
    assert found["rim_force_n"] == pytest.approx(80.6, rel=0.002)


def test_greatest_forces_up_to_the_lock():
    asked, found = evaluate()
    solved = asked.solve(asked.designs(0, {}))
    rack = float(solved.ackermann.rack_at_lock_mm[0]) * np.arange(1, 13) / 12.0
    attitude = asked.car.attitude
    sides = [solve_held_arms(solved.points.select(0), r, attitude) for r in (rack, -rack)]
    moment = float(parking_moment(0.7, 3500.0, 200e3))
    parked = parked_forces(*sides, moment, 3500.0, attitude.loaded_radius_mm)
    rods = max(parked.left_rod.max(), parked.right_rod.max())
    assert found["tie_rod_force_n"] == pytest.approx(rods, rel=1e-9)
    assert found["rack_force_n"] == pytest.approx(parked.rack_force.max(), rel=1e-9)
    assert found["caster_lift_n"] == pytest.approx(np.sign(rack[-1]) * parked.lift[-1], rel=1e-9)
    per_turn = 110.0 / 2.8
    assert found["steering_wheel_torque_nm"] == pytest.approx(
        found["rack_force_n"] * per_turn / (2.0 * np.pi * 0.9) / 1000.0
    )
    assert found["rim_force_n"] == pytest.approx(found["steering_wheel_torque_nm"] / 0.180)


def test_work_at_the_steering_wheel_is_the_work_at_the_tyres():
    """Over a small turn: torque x angle x efficiency = both moments x their steer."""
    asked, _ = evaluate()
    points = asked.solve(asked.designs(0, {})).points.select(0)
    step, moment = 0.01, 108.03e3
    up, down = (solve_held_arms(points, s, asked.car.attitude) for s in (step, -step))
    work = 2.0 * moment * abs(float(up.steer - down.steer))
    rest = solve_held_arms(points, 0.0, asked.car.attitude)
    tyres = float(parking_moment(0.7, 3500.0, 200e3))
    parked = parked_forces(rest, rest, tyres, 3500.0, asked.car.attitude.loaded_radius_mm)
    # Straight ahead nothing is lifted.
    assert float(parked.lift) == pytest.approx(0.0, abs=1e-9)
    assert float(parked.rack_force) * 2.0 * step == pytest.approx(work, rel=1e-4)


def test_cornering_counts_where_it_is_greater():
    _, parked = evaluate()
    asked, both = evaluate(replace(LOADS, lateral_load_n=6000.0, trail_mm=60.0))
    left, right = turns(asked)
    corner = by_image(left, right, LoadCase.cornering(6000.0, 60.0, 1.0))
    assert corner.greatest_rod_force.max() > parked["tie_rod_force_n"]
    assert both["tie_rod_force_n"] == pytest.approx(corner.greatest_rod_force.max(), rel=1e-9)
    for name in ("rack_force_n", "steering_wheel_torque_nm", "rim_force_n"):
        assert both[name] == parked[name]  # those stay the parking case's
    _, gentle = evaluate(replace(LOADS, lateral_load_n=10.0, trail_mm=60.0))
    assert gentle["tie_rod_force_n"] == parked["tie_rod_force_n"]


def test_trail_of_the_drawn_corner_where_none_is_given():
    """By hand: the steering axis meets the ground ahead of the wheel centre's foot by the trail."""
    lower, upper = POINTS.lower_ball_joint, POINTS.upper_ball_joint
    ground = POINTS.wheel_centre[2] - 300.0  # loaded radius, no camber
    share = (ground - lower[2]) / (upper[2] - lower[2])
    trail = (lower + share * (upper - lower))[0] - POINTS.wheel_centre[0]
    assert trail > 5.0
    _, drawn = evaluate(replace(LOADS, lateral_load_n=60000.0))
    _, given = evaluate(replace(LOADS, lateral_load_n=60000.0, trail_mm=float(trail)))
    assert drawn["tie_rod_force_n"] == pytest.approx(given["tie_rod_force_n"], rel=1e-9)


def test_unknown_turns_leave_torque_unknown_but_not_the_forces():
    _, found = evaluate(rack=replace(RACK, turns=None))
    assert np.isnan(found["steering_wheel_torque_nm"])
    assert np.isnan(found["rim_force_n"])
    assert np.isfinite(found["tie_rod_force_n"])
    asked = problem(Room())
    assert "tie_rod_force_n" not in asked.evaluate(asked.designs(0, {})).metrics


def test_buckling_reserve_is_the_weaker_of_rod_and_spacer():
    rod, bar = Rod(14.0, 350.0), Rod(12.0, 350.0)
    _, alone = evaluate(materials=Materials(tie_rod=rod))
    length = alone["tie_rod_length_mm"]
    assert alone["buckling_reserve"] == pytest.approx(
        float(buckling_load(rod, length)) / alone["tie_rod_force_n"]
    )
    _, both = evaluate(materials=Materials(tie_rod=rod, spacer=bar))
    capacity = spacer_capacity(
        bar, 10.0, length, np.radians(both["inner_joint_angle_deg"]), rack_overhang(RACK, 55.0)
    )
    assert float(capacity) < float(buckling_load(rod, length))
    assert both["buckling_reserve"] == pytest.approx(float(capacity) / both["tie_rod_force_n"])


def test_a_spacer_of_a_hair_does_not_change_the_reserve():
    """The bar that stands out of the housing is judged with spacers and without."""
    rod, bar = Rod(14.0, 350.0), Rod(12.0, 350.0)
    asked, _ = evaluate(materials=Materials(tie_rod=rod, spacer=bar))
    asked = replace(asked, space=asked.space | {"spacer_mm": Range(0.0, 20.0)})
    designs = asked.designs([0, 0, 0], {"spacer_mm": [0.0, 0.01, 10.0]})
    none, hair, ten = asked.evaluate(designs).metrics["buckling_reserve"]
    assert none == pytest.approx(hair, rel=1e-3)
    assert none > hair > ten


# --- price, mass and force as objectives ---------------------------------------------------------


def test_price_mass_and_force_can_be_made_small():
    asked, found = evaluate(
        materials=Materials(spacer_kg_per_mm=0.002, tie_rod_kg_per_mm=0.001),
        objectives=Objectives(extra=("mass_kg", "tie_rod_force_n")),
    )
    outcome = asked.evaluate(asked.designs(0, {}))
    assert asked.objectives.names[2:] == ("mass_kg", "tie_rod_force_n")
    assert outcome.objectives[0, 2] == pytest.approx(
        5.0 + 2 * 10.0 * 0.002 + 2 * found["tie_rod_length_mm"] * 0.001
    )
    assert outcome.objectives[0, 3] == found["tie_rod_force_n"]
    asked, _ = evaluate(objectives=Objectives(extra=("price",)))
    assert asked.evaluate(asked.designs(0, {})).objectives[0, 2] == 120.0


def test_rods_of_the_catalogue_weigh_what_it_says():
    _, found = evaluate(
        materials=Materials(tie_rod_kg_per_mm=0.001), rack=replace(RACK, tie_rod_mass_kg=0.8)
    )
    assert found["mass_kg"] == pytest.approx(5.0 + 1.6)


# --- the rack's own tie rods ---------------------------------------------------------------------


def kept(rack=RACK, limit=None, **steering):
    asked = problem(Room(), (rack,), steering={"keep_tie_rods": True, **steering})
    return replace(asked, limits=replace(asked.limits, track_growth_mm=limit))


def test_kept_rods_move_the_evaluated_geometry():
    rack = replace(RACK, tie_rod_length_mm=330.0)
    asked = kept(rack)
    design = asked.designs(0, {})
    outcome = asked.evaluate(design)
    drawn = problem(Room(), (rack,))
    before = drawn.evaluate(design).metrics
    growth = outcome.metrics["track_growth_mm"][0]
    # By Pythagoras, from the points of the design that are not moved.
    free = drawn.corners(design)[0].select(0)
    dx, dy, dz = free.outer_joint - free.inner_joint
    assert growth == pytest.approx(2.0 * (np.sqrt(330.0**2 - dx**2 - dz**2) - dy), abs=1e-9)
    assert growth == pytest.approx(before["own_rods_track_growth_mm"][0], abs=1e-9)
    assert outcome.metrics["tie_rod_length_mm"][0] == pytest.approx(330.0, abs=1e-9)
    # The track that Ackermann is judged by grows by as much.
    wider = outcome.metrics["kingpin_track_mm"][0] - before["kingpin_track_mm"][0]
    assert wider == pytest.approx(growth, abs=1e-9)
    # Bump steer is that of the moved points, by the kernel, and not of the drawn ones.
    moved = free.arms_moved(0.5 * growth)
    toe = -solve_linkage(moved, asked.travel.grid(), 0.0).steer
    largest = np.degrees(np.abs(toe - toe[asked.travel.grid() == 0.0]).max())
    assert outcome.metrics["bump_steer_deg"][0] == pytest.approx(largest, abs=1e-9)
    assert abs(largest - before["bump_steer_deg"][0]) > 1e-3


def test_adjustable_rods_keep_the_track():
    free = problem(Room()).evaluate(problem(Room()).designs(0, {})).metrics["tie_rod_length_mm"][0]
    near = replace(RACK, tie_rod_length_mm=free + 8.0, tie_rod_adjustment_mm=10.0)
    asked = kept(near)
    outcome = asked.evaluate(asked.designs(0, {}))
    assert outcome.metrics["track_growth_mm"][0] == 0.0
    assert outcome.metrics["tie_rod_length_mm"][0] == pytest.approx(free)
    asked = kept(replace(near, tie_rod_adjustment_mm=3.0))
    outcome = asked.evaluate(asked.designs(0, {}))
    assert outcome.metrics["tie_rod_length_mm"][0] == pytest.approx(free + 5.0)
    assert outcome.metrics["track_growth_mm"][0] == pytest.approx(10.0, abs=0.2)


def test_growth_beyond_the_limit_is_named():
    rack = replace(RACK, tie_rod_length_mm=335.0)
    asked = kept(rack, limit=20.0)
    outcome = asked.evaluate(asked.designs(0, {}))
    growth = outcome.metrics["track_growth_mm"][0]
    assert growth > 20.0
    assert "track_growth_mm" in outcome.status[0]
    at = asked.constraint_names.index("track_growth_mm")
    assert outcome.constraints[0, at] == growth - 20.0
    roomy = kept(rack, limit=100.0)
    assert "track_growth_mm" not in roomy.evaluate(roomy.designs(0, {})).status[0]


def test_a_track_that_gets_narrower_is_bounded_as_a_wider_one():
    """Issue 12: limits on growth took a track that is 65 mm narrower without a word."""
    rack = replace(RACK, tie_rod_length_mm=280.0)
    asked = kept(rack, limit=20.0)
    outcome = asked.evaluate(asked.designs(0, {}))
    growth = outcome.metrics["track_growth_mm"][0]
    assert growth < -20.0
    assert "track_growth_mm" in outcome.status[0]
    at = asked.constraint_names.index("track_growth_mm")
    assert outcome.constraints[0, at] == -growth - 20.0
    roomy = kept(rack, limit=100.0)
    assert "track_growth_mm" not in roomy.evaluate(roomy.designs(0, {})).status[0]


def said_of(asked):
    design = asked.designs(0, {})
    outcome = asked.evaluate(design)
    return outcome, list(kept_rod_sentences(asked, design, outcome))


@pytest.mark.parametrize(("sold", "words"), [(280.0, "narrower"), (330.0, "wider")])
def test_kept_rods_say_the_new_track_and_how_far_the_pivots_move(sold, words):
    asked = kept(replace(RACK, tie_rod_length_mm=sold, tie_rod_adjustment_mm=2.0))
    outcome, (track, thread) = said_of(asked)
    growth = outcome.metrics["track_growth_mm"][0]
    # At no static toe and camber the contact point lies under the wheel centre.
    drawn, moved = (
        2.0 * p.wheel_centre[..., 1]
        for p in (asked.points, asked.corners(asked.designs(0, {}))[0].select(0))
    )
    pivots = moved / 2.0 - drawn / 2.0
    assert f"becomes {moved:.1f} mm, {abs(growth):.1f} mm {words} than drawn: " in track
    way = "outboard" if pivots > 0.0 else "inboard"
    assert track.endswith(f"wheel move {abs(pivots):.1f} mm {way}.")
    out = "in" if sold > 300.0 else "out"
    assert f"screwed {out} to the end of their thread, " in thread
    assert f"{sold + (2.0 if out == 'out' else -2.0):.1f} mm between the joints" in thread


def test_kept_rods_within_their_thread_or_without_one():
    free = problem(Room()).evaluate(problem(Room()).designs(0, {})).metrics["tie_rod_length_mm"][0]
    rack = replace(RACK, tie_rod_length_mm=free + 3.0, tie_rod_adjustment_mm=10.0)
    _, (only,) = said_of(kept(rack))
    assert only.endswith("stays 1330.0 mm, as drawn.")
    _, lines = said_of(kept(replace(rack, tie_rod_adjustment_mm=None)))
    assert "no thread is counted on to set toe" in lines[1]
    # The last turn of the thread reaches just as far as is wanted.
    _, (_, last) = said_of(kept(replace(rack, tie_rod_adjustment_mm=3.0)))
    assert "screwed in to the end of their thread" in last
    assert said_of(problem(Room(), (rack,)))[1] == []


def test_rods_that_cannot_reach_are_a_reason():
    asked = kept(replace(RACK, tie_rod_length_mm=20.0))
    outcome = asked.evaluate(asked.designs(0, {}))
    assert "own tie rods are too short to reach" in outcome.status[0]
    assert np.isnan(outcome.objectives).all()
