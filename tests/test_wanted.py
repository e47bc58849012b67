"""Toe that is wanted to change over travel, bands of what is accepted, a wanted outer angle.

Outside values name their source beside them. The corners are invented.
"""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from references.corners import points_of, spin_axis_of
from references.multibody import solve_corner
from search_cases import small, with_space
from tolerance_cases import conditions, corner

from optimiser.answer.corner_numbers import corner_numbers, corner_values
from optimiser.answer.remedies import rescues
from optimiser.answer.wanted import (
    accepted_bump_text,
    band_numbers,
    bump_note,
    corridors,
    wanted_outer_heading,
    wanted_outer_text,
    wanted_toe_text,
)
from optimiser.evaluation.asked import Objectives, Travel
from optimiser.evaluation.designs import Range, Stock
from optimiser.linkage.at_rack import describe_arm, solve_linkage
from optimiser.linkage.attitude import Attitude
from optimiser.linkage.hardpoints import Hardpoints
from optimiser.metrics import kinematic
from optimiser.metrics.ideal import ideal_inner_joint, ideal_line, solve_for_spacing
from optimiser.metrics.tolerance import (
    Tolerances,
    accuracy_bands,
    adjusted_corner,
    built_cars,
    linear_percentiles,
    percentile,
    solve_cars,
    tolerance_spread,
)
from optimiser.metrics.wanted import FROZEN, Curve, WantedToe
from optimiser.questions.heights import bump_map
from optimiser.questions.heights.bump_map import ArmShape
from optimiser.questions.heights.starts import height_seeds
from optimiser.search import seeds
from optimiser.search.linear_steps import fit
from optimiser.search.residuals import Model
from optimiser.search.seeds import seed_designs
from optimiser.search.starts import winners_ray

GRADIENT = WantedToe(gradient=np.radians(-2.0) / 1000.0)
GRID = np.linspace(-60.0, 60.0, 25)
BEND = Curve(tuple(GRID.tolist()), tuple(np.radians(-2e-3 * GRID - 2e-5 * GRID * GRID).tolist()))
CURVED = WantedToe(curve=BEND)
BANDS = ((20.0, np.radians(0.02)), (60.0, np.radians(0.1)))
CORNERS = ("front steer", "rear steer", "large caster", "converging arms")
every_corner = pytest.mark.parametrize("name", CORNERS)
wishes = pytest.mark.parametrize("wanted", [GRADIENT, CURVED], ids=["gradient", "curve"])


def attitude_of(name):
    spin = spin_axis_of(name)
    return Attitude(float(np.arctan2(spin[0], spin[1])), float(np.arcsin(-spin[2])), 285.0)


def asked_for(wanted, name="front steer", **changes):
    asked = small(corner=name, **changes)
    return replace(asked, steering=replace(asked.steering, wanted_toe=wanted))


# --- the wanted curve ----------------------------------------------------------------------------


def test_a_gradient_of_minus_two_is_an_eighth_of_a_degree_at_the_ends():
    # Recomputed: -2 deg/m times 0.06 m is -0.12 deg, toe-out in bump.
    np.testing.assert_allclose(
        np.degrees(GRADIENT.change([-60.0, 0.0, 30.0, 60.0])), [0.12, 0.0, -0.06, -0.12]
    )


def test_a_curve_goes_through_its_rows_and_bends_no_further():
    rows = Curve((0.0, 10.0, 20.0, 40.0), (0.0, 1.0, 1.0, 3.0))
    np.testing.assert_array_equal(rows(np.array(rows.at)), rows.value)
    between = rows(np.linspace(0.0, 40.0, 401))
    assert (np.diff(between) >= 0.0).all()
    np.testing.assert_allclose(between[100:201], 1.0)
    line = Curve((-60.0, -10.0, 60.0), (0.12, 0.02, -0.12))
    np.testing.assert_allclose(line(GRID), -2e-3 * GRID, atol=1e-15)


def test_what_is_wanted_is_counted_from_rest():
    shifted = WantedToe(curve=Curve((-50.0, 50.0), (0.3, 0.1)))
    assert shifted.change(0.0) == 0.0
    assert shifted.change(50.0) == pytest.approx(-0.1)


@every_corner
def test_a_corner_does_what_it_is_wanted_to_do(name):
    """A wish for the toe curve that a corner has leaves nothing, and its opposite twice as much."""
    points, attitude = Hardpoints.from_mapping(points_of(name)), attitude_of(name)
    plain = kinematic.bump_steer(points, GRID, attitude)
    for share, left in ((1.0, 0.0), (-1.0, 2.0)):
        curve = Curve(tuple(GRID.tolist()), tuple((share * plain.toe_change).tolist()))
        found = kinematic.bump_steer(points, GRID, attitude, wanted=WantedToe(curve=curve))
        np.testing.assert_array_equal(found.toe_change, plain.toe_change)
        assert found.largest == pytest.approx(left * plain.largest, abs=1e-15)
        assert found.rms == pytest.approx(left * plain.rms, abs=1e-15)
        assert found.gradient == plain.gradient


def test_who_wants_nothing_gets_the_same_arrays():
    change = np.array([[0.1, 0.0, -0.2]])
    assert FROZEN.departure(change, [-1.0, 0.0, 1.0]) is change
    assert FROZEN.counted(change, [-1.0, 0.0, 1.0]) is change


# --- bands ---------------------------------------------------------------------------------------


def test_the_largest_is_acceptable_exactly_where_each_is_within_its_band():
    wanted, rng = WantedToe(bands=BANDS), np.random.default_rng(1)
    curves = np.radians(rng.normal(0.0, 0.012, (400, 1)) * rng.normal(0.0, 1.5, (400, 25)))
    limits = np.where(np.abs(GRID) <= 20.0, BANDS[0][1], BANDS[1][1])
    share = (np.abs(curves) / limits).max(axis=1)
    assert 50 < (share <= 1.0).sum() < 350
    largest = np.abs(wanted.counted(curves, GRID)).max(axis=1)
    np.testing.assert_allclose(largest / BANDS[1][1], share)


def test_the_edges_of_bands_are_looked_at():
    grid = Travel(50.0, 40.0, 20.0, (33.0, 40.0, 60.0)).grid()
    assert {-33.0, 33.0, -40.0, 0.0, 40.0, 50.0} <= set(grid.tolist())
    assert (np.diff(grid) > 0.0).all()
    assert abs(grid).max() == 50.0
    assert len(Travel(50.0, 40.0, 20.0).grid()) + 3 == len(grid)


# --- the ideal inner joint -----------------------------------------------------------------------


@every_corner
@wishes
def test_the_fit_is_as_good_as_for_toe_that_stays(name, wanted):
    points, attitude = Hardpoints.from_mapping(points_of(name)), attitude_of(name)
    x = points.inner_joint[0]
    plain, found = (
        ideal_inner_joint(points, points.outer_joint, x, GRID, attitude, wanted=w)
        for w in (FROZEN, wanted)
    )
    assert plain.meaningful
    assert found.meaningful
    # The rod's length error over travel, a few hundredths of a millimetre at most, hardly grows.
    assert found.residual_mm < 1.25 * plain.residual_mm + 2e-3
    assert np.abs(found.inner_joint - plain.inner_joint).max() > 1.0


@pytest.mark.parametrize("name", ["front steer", "rear steer"])
@wishes
def test_a_rod_from_there_does_what_is_wanted_by_the_multibody_referee(name, wanted):
    """exudyn knows nothing of what is wanted; toe with the plain joint is off by a tenth."""
    points, attitude = Hardpoints.from_mapping(points_of(name)), attitude_of(name)
    travel = np.linspace(-60.0, 60.0, 7)
    joint = ideal_inner_joint(
        points, points.outer_joint, points.inner_joint[0], GRID, attitude,
        through_rest=True, wanted=wanted,
    )  # fmt: skip
    moved = points_of(name) | {"inner_joint": joint.inner_joint}
    said = solve_corner(moved, spin_axis_of(name), travel, np.array([0.0]))["toe_in_deg"][:, 0]
    change = said - said[3]
    by_hand = -2e-3 * travel - (2e-5 * travel**2 if wanted is CURVED else 0.0)
    off = np.abs(change - by_hand).max()
    assert off < 0.01
    assert np.abs(change).max() > 0.1
    # To first order what the fit itself says of the whole grid.
    assert off <= 1.05 * np.degrees(joint.toe_largest) + 1e-4


def test_the_line_and_its_reverse_want_the_same():
    points, attitude = corner(), conditions().attitude
    arm = describe_arm(points)
    shape = float(arm.length_mm), float(arm.angle)
    common = {"ahead": bool(arm.ahead), "travel_mm": GRID, "attitude": attitude}
    line = ideal_line(points, 100.0, float(arm.height_mm) - 20.0, *shape, **common, wanted=GRADIENT)
    back = solve_for_spacing(
        points, line.joint.spacing_mm, 100.0, *shape, **common, wanted=GRADIENT,
        height_range_mm=(float(arm.height_mm) - 60.0, float(arm.height_mm) + 20.0),
    )  # fmt: skip
    gap = np.abs(back.line.arm_height_mm - line.arm_height_mm)
    assert gap.min() < 1e-4


# --- the search ----------------------------------------------------------------------------------


@wishes
@pytest.mark.parametrize("reverse", [False, True], ids=["forward", "in reverse"])
def test_seeds_aim_at_the_wanted_curve(wanted, reverse):
    """Every seed where nothing hems it in, asked either way; those for toe that stays miss."""
    roomy = {"spacer_mm": Range(0.0, 250.0), "rack_height_mm": Range(50.0, 400.0)}
    if not reverse:
        roomy["arm_height_mm"] = Stock((205.0,))
    found = []
    for aimed_at in (wanted, FROZEN):
        problem = with_space(asked_for(aimed_at, spacing_mm=300.0), **roomy)
        if reverse:
            height = problem.space["arm_height_mm"]
            designs = seeds._reverse(problem, 0, np.random.default_rng(1), 600, height)
        else:
            designs = seed_designs(problem, 0, 100, 1)
        asked = with_space(asked_for(wanted, spacing_mm=300.0), **roomy)
        found.append(asked.evaluate(designs).metrics["bump_steer_deg"])
        assert len(designs) > 10
    assert np.nanpercentile(found[0], 90) < 0.03
    assert np.nanpercentile(found[1], 10) > 0.05


def test_a_design_found_for_it_is_verified_by_the_multibody_referee():
    wanted = replace(GRADIENT, bands=((20.0, np.radians(0.005)), (90.0, np.radians(0.05))))
    asked = asked_for(wanted)
    steering = replace(asked.steering, acceptable_bump_steer=wanted.bands[-1][1])
    travel = replace(asked.travel, also_mm=(20.0,))
    asked = replace(asked, steering=steering, travel=travel)
    model, first = Model(asked), seed_designs(asked, 0, 60, 1)
    start = model.table(model.scaled(first), first)
    start = start.select(np.flatnonzero(np.isfinite(start.objectives).all(axis=1))[:8])
    rays = np.repeat(winners_ray(asked)[None], len(start), axis=0)
    ends = fit(model, start, rays, steps=10, tolerance=1e-4).table
    ratio = np.where(ends.feasible, (ends.objectives / asked.acceptable).max(axis=1), np.inf)
    best = np.array([int(np.argmin(ratio))])
    design = model.designs(ends.scaled[best], ends.like.select(best))
    found = asked.evaluate(design)
    assert found.feasible[0]
    points = asked.corners(design)[0].select(0)
    grid = asked.travel.grid()
    said = solve_corner(
        dict(points.items()), spin_axis_of("front steer"), grid, np.array([0.0])
    )["toe_in_deg"][:, 0]  # fmt: skip
    change = said - said[grid == 0.0]
    departure = np.abs(change + 2e-3 * grid)  # less -2 deg/m
    inside = np.abs(grid) <= 20.0
    counted = max(10.0 * departure[inside].max(), departure.max())
    assert counted == pytest.approx(found.metrics["bump_steer_deg"][0], abs=1e-8)
    assert departure[inside].max() < 0.005
    assert departure.max() < 0.05
    # Toe itself changes by more than is accepted of a departure.
    assert np.abs(change).max() > 0.08


def test_what_is_differentiated_has_the_objectives_as_its_largest():
    for measure in ("largest", "rms"):
        asked = replace(
            asked_for(replace(CURVED, bands=BANDS)), objectives=Objectives(bump_steer=measure)
        )
        model, designs = Model(asked), seed_designs(asked, 0, 20, 1)
        table = model.table(model.scaled(designs), designs)
        rows = table.rows[:, model.parts[0]]
        size = np.abs(rows).max(axis=1) if measure == "largest" else np.sqrt((rows**2).sum(axis=1))
        there = np.isfinite(table.objectives[:, 0])
        assert there.sum() > 5
        np.testing.assert_allclose(size[there], table.objectives[there, 0], rtol=1e-12)


def test_bump_steer_at_half_lock_is_a_departure_too():
    plain, asked = (
        replace(asked_for(w), objectives=Objectives(extra=("part_lock_bump_steer_deg",)))
        for w in (FROZEN, replace(GRADIENT, bands=BANDS))
    )
    design = seed_designs(plain, 0, 20, 1).select(np.array([0]))
    points, _ = plain.corners(design)
    grid, half = plain.travel.grid(), 0.5 * plain.solve(design).ackermann.rack_at_lock_mm
    changes = []
    for way in (half, -half):
        steer = solve_linkage(
            points.with_pose_axes(1), grid, way[:, None], plain.car.attitude
        ).steer
        changes.append(np.degrees(steer[:, grid == 0.0] - steer))
    for problem, slope in ((plain, 0.0), (asked, 2e-3)):
        # All travel alike, bands or not.
        expected = np.abs(np.array(changes) + slope * grid).max()
        metrics = problem.evaluate(design).metrics
        assert metrics["part_lock_bump_steer_deg"][0] == pytest.approx(expected, abs=1e-9)
        # The report's numbers of one corner are the same ones.
        said = corner_values(corner_numbers(problem, points.select(0)))
        for name in ("part_lock_bump_steer_deg", "bump_steer_deg", "bump_steer_rms_deg"):
            assert said[name] == pytest.approx(metrics[name][0], abs=1e-9)


# --- built cars ----------------------------------------------------------------------------------

TOLERANCES = Tolerances(1.0, 0.5, 0.5, 0.5, float(np.radians(0.05)), samples=256)


def ideal_corner(wanted, under):
    points = corner()
    x = points.inner_joint[0]
    joint = ideal_inner_joint(
        points, points.outer_joint, x, under.travel_mm, under.attitude, wanted=wanted
    )
    return points.with_tie_rod(points.outer_joint, joint.inner_joint)


@pytest.mark.parametrize("bands", [(), ((20.0, np.radians(0.02)), (50.0, np.radians(0.1)))])
def test_built_cars_are_judged_by_their_departure(bands):
    wanted = replace(GRADIENT, bands=bands)
    under = replace(conditions(), wanted_toe=wanted)
    points = ideal_corner(wanted, under)
    left, right = built_cars(points, TOLERANCES, under.attitude)
    toe = np.degrees(solve_cars(left, right, under).toe_change)
    counts = np.where(np.abs(under.travel_mm) <= 20.0, 5.0 if bands else 1.0, 1.0)
    by_hand = (np.abs(toe + 2e-3 * under.travel_mm) * counts).max(axis=(1, 2))
    spread = tolerance_spread(points, TOLERANCES, under)
    np.testing.assert_allclose(np.degrees(spread.bump_steer), by_hand, atol=1e-12)
    many = replace(TOLERANCES, samples=4096)
    batch = Hardpoints.from_mapping({name: p[None] for name, p in points.items()})
    quick = linear_percentiles(batch, many, under)
    assert not quick.full[0]
    exact = percentile(tolerance_spread(points, many, under).bump_steer)
    assert quick.bump_steer[0] == pytest.approx(float(exact), rel=0.02)


def test_a_band_of_accuracy_ends_where_the_departure_is_too_much():
    wanted = replace(GRADIENT, bands=((20.0, np.radians(0.02)), (50.0, np.radians(0.1))))
    under = replace(conditions(), wanted_toe=wanted)
    points = ideal_corner(wanted, under)
    (band,) = accuracy_bands(points, under, float(np.radians(0.1)), which=("rack height",))
    assert band.high_end == band.low_end == "limit"
    for edge in (band.low_mm, band.high_mm):
        moved = adjusted_corner(points, "rack height", np.array([edge]), under)
        toe = -np.degrees(moved.solve(under.travel_mm, 0.0).steer)[0]
        departure = np.abs(toe - toe[under.travel_mm == 0.0] + 2e-3 * under.travel_mm)
        inside = np.abs(under.travel_mm) <= 20.0
        share = max(departure[inside].max() / 0.02, departure.max() / 0.1)
        assert share == pytest.approx(1.0, abs=1e-6)


# --- the outer wheel -----------------------------------------------------------------------------


def test_a_curve_of_the_target_s_own_angles_wants_the_same():
    asked = small(target=0.6)
    design = seed_designs(asked, 0, 20, 1)
    solved = asked.solve(design)
    inner = np.radians(np.arange(0.0, 36.0, 2.0))
    track = float(solved.track_mm[0])
    outer = kinematic.wanted_outer(inner, track, asked.car.wheelbase_mm, 0.6)
    curve = Curve(tuple(inner.tolist()), tuple(outer.tolist()))
    other = replace(asked, steering=replace(asked.steering, ackermann_target=curve))
    same = np.abs(solved.track_mm - track) < 1e-9
    for name in ("ackermann_error_deg", "ackermann_error_rms_deg"):
        mine, theirs = (p.evaluate(design).metrics[name][same] for p in (other, asked))
        assert len(mine)
        np.testing.assert_allclose(mine, theirs, atol=3e-3)


def test_the_error_is_what_the_wheel_does_less_what_the_rows_say():
    """Rows far from any share of pure rolling; the peak against a curve of 400 nodes."""
    rows = Curve(*(tuple(np.radians(v)) for v in ((0.0, 10.0, 20.0, 35.0), (0.0, 9.6, 17.0, 33.0))))
    points, attitude = corner(), conditions().attitude
    common = {"wheelbase_mm": 2500.0, "inner_lock": np.radians(28.0), "target": rows}
    fine, coarse = (
        kinematic.ackermann_error(points, attitude, **common, nodes=n) for n in (400, 12)
    )
    np.testing.assert_allclose(fine.error, fine.outer - rows(fine.inner), atol=1e-15)
    assert coarse.largest == pytest.approx(np.abs(fine.error).max(), rel=0.01)
    assert coarse.rms == pytest.approx(kinematic.trapezium_rms(fine.error, fine.inner), rel=0.01)


def test_the_lock_for_an_outer_angle_is_read_off_the_curve():
    rows = Curve(*(tuple(np.radians(v)) for v in ((0.0, 35.0), (0.0, 28.0))))
    inner = kinematic.inner_for_outer(np.radians(20.0), 1400.0, 2500.0, rows)
    assert np.degrees(inner) == pytest.approx(25.0)
    assert np.isnan(kinematic.inner_for_outer(np.radians(29.0), 1400.0, 2500.0, rows))


# --- words and pictures --------------------------------------------------------------------------


def test_what_is_asked_is_said_and_nothing_where_nothing_is():
    plain = small(target=0.6)
    assert bump_note(plain) == wanted_toe_text(plain) == ""
    assert accepted_bump_text(plain) == "0.1 deg"
    assert wanted_outer_text(plain) == "0.6 (1 pure rolling, 0 parallel)"
    heading = "Ackermann target 0.6: 1 is pure rolling, 0 parallel wheels"
    assert wanted_outer_heading(plain) == heading
    travel = Travel(60.0, 60.0, 5.0)
    asked = replace(asked_for(replace(GRADIENT, bands=BANDS)), travel=travel)
    assert wanted_toe_text(asked) == (
        "-2 deg/m of toe-in, +0.120 deg at -60 mm and -0.120 deg at +60 mm"
    )
    assert accepted_bump_text(asked) == "0.02 deg to 20 mm and 0.1 deg to 60 mm from rest"
    assert "5 times to 20 mm" in bump_note(asked)


def test_bump_steer_up_to_each_band_is_as_it_is():
    asked = replace(asked_for(replace(GRADIENT, bands=BANDS)), travel=Travel(60.0, 60.0, 5.0))
    grid = asked.travel.grid()
    bump = kinematic.bump_steer(
        asked.points, grid, asked.car.attitude, wanted=asked.steering.wanted_toe
    )
    departure = np.abs(np.degrees(bump.toe_change) + 2e-3 * grid)
    near, far = band_numbers(asked, bump)
    assert near.value == pytest.approx(departure[np.abs(grid) <= 20.0].max())
    assert far.value == pytest.approx(departure.max())
    assert (near.accepted, far.accepted) == pytest.approx((0.02, 0.1))
    assert list(band_numbers(small(), bump)) == []


def test_the_picture_shades_what_is_accepted_about_what_is_wanted():
    asked = replace(asked_for(replace(GRADIENT, bands=BANDS)), travel=Travel(60.0, 60.0, 5.0))
    pieces = corridors(asked)
    ends = sorted((at[0], at[-1]) for at, _, _ in pieces)
    assert ends == [(-60.0, -20.0), (-20.0, 20.0), (20.0, 60.0)]
    for at, low, high in pieces:
        half = 0.02 if abs(at).max() <= 20.0 else 0.1
        np.testing.assert_allclose(0.5 * (low + high), -2e-3 * at, atol=1e-12)
        np.testing.assert_allclose(0.5 * (high - low), half)


# --- what else looks for ideal joints ------------------------------------------------------------


def test_the_starts_of_heights_aim_at_the_wanted_curve():
    heights = np.array([float(corner().inner_joint[2])])
    found = []
    for wanted in (GRADIENT, FROZEN):
        problem = asked_for(wanted)
        _, starts = height_seeds(problem, 0, heights, np.array([0]))
        bump = asked_for(GRADIENT).evaluate(starts).metrics["bump_steer_deg"]
        found.append(np.nanmin(bump))
    assert found[0] < 0.5 * found[1]


def test_a_remedy_names_the_arm_of_the_wanted_curve():
    """A rack as long as is ideal with the arm 15 mm lower than drawn."""
    asked = asked_for(GRADIENT, spacers=(0.0,))
    arm, drawn = describe_arm(asked.points), asked.points.inner_joint
    shape, low = (float(arm.length_mm), float(arm.angle)), float(arm.height_mm) - 15.0
    line = ideal_line(
        asked.points, drawn[0], np.array([low]), *shape, ahead=bool(arm.ahead),
        travel_mm=asked.travel.grid(), attitude=asked.car.attitude, wanted=GRADIENT,
    )  # fmt: skip
    rack = replace(asked.racks[0], inner_joint_spacing_mm=float(line.joint.spacing_mm[0]))
    asked = replace(asked, racks=(rack,))
    place = {
        "rack_height_mm": drawn[2], "rack_fore_aft_mm": drawn[0], "arm_length_mm": shape[0],
        "arm_height_mm": float(arm.height_mm), "arm_angle_deg": np.degrees(shape[1]),
    }  # fmt: skip
    numbers = {"bump_steer_deg": 1.0, "rack_needed_mm": 0.0}
    texts = list(rescues(asked, asked.designs([0], place), numbers))
    assert any(f"arm free in height, at {low:.1f} mm (15.0 lower)" in text for text in texts)


def test_the_map_shows_departures_and_the_line_of_the_wanted_curve():
    asked, plain = asked_for(GRADIENT), asked_for(FROZEN)
    arm = describe_arm(asked.points)
    shape = ArmShape(float(asked.points.inner_joint[0]), float(arm.length_mm), float(arm.angle))
    line = bump_map._ideal(asked, shape, np.array([float(arm.height_mm)]))
    y, z = line.joint.inner_joint[:, 1], line.joint.inner_joint[:, 2]
    at = np.array([float(arm.height_mm)])
    mine, other = (
        bump_map._bump(SimpleNamespace(problem=p), shape, at, z, y)[0] for p in (asked, plain)
    )
    assert mine < 0.01
    assert other > 0.05
