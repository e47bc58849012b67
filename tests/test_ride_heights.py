"""Bump steer at half lock and at other ride heights: numbers, limits, and what is said of them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from drawn_case import as_drawn, chosen_of
from references import constraints, corners
from search_cases import case, random_designs, small
from small_study import demo_with, small_study

from optimiser.answer.as_drawn import describe_study
from optimiser.answer.corner_numbers import corner_numbers, corner_values
from optimiser.answer.limits_and_growth import binding_sentences, limit_rows
from optimiser.answer.one_off import one_off
from optimiser.base.errors import InputError
from optimiser.evaluation.asked import Bound
from optimiser.evaluation.quantities import QUANTITIES, quantity
from optimiser.folder.pick import verdict_lines
from optimiser.jobs.start import run_study
from optimiser.linkage.at_rack import solve_linkage
from optimiser.linkage.mirror import mirrored_rack
from optimiser.metrics.kinematic import bump_steer
from optimiser.metrics.ride_heights import solve_heights
from optimiser.metrics.wanted import WantedToe
from optimiser.report.ride_and_roll import height_table
from optimiser.search.linear_steps import fit
from optimiser.search.residuals import Model
from optimiser.study.read import read_study

HEIGHTS = (-20.0, 15.0)
NEW = (
    "part_lock_bump_steer_deg",
    "ride_height_bump_steer_deg",
    "ride_height_ackermann_error_deg",
    "ride_height_part_lock_bump_steer_deg",
)


def asking(asked, heights=HEIGHTS, part_lock_deg: float | None = 0.3):
    """The same, to be acceptable at half lock and at these heights; in place of what it asks."""
    turned = None if part_lock_deg is None else float(np.radians(part_lock_deg))
    bump, error = asked.acceptable.tolist()
    most = dict(zip(NEW, (part_lock_deg, bump, error, part_lock_deg), strict=True))
    wanted = NEW if heights else NEW[:1]
    bounds = (Bound(name, None, most[name]) for name in wanted if most[name] is not None)
    return replace(
        asked,
        car=replace(asked.car, ride_heights_mm=heights),
        steering=replace(asked.steering, acceptable_part_lock=turned),
        limits=replace(asked.limits, bounds=tuple(bounds)),
    )


# --- against a referee that shares no code -------------------------------------------------------


def ground_track(points, spin, said, at) -> float:
    """Twice the y of where the steering axis meets the ground of a referee's pose."""
    turn, centre = said["rotation"][at], said["wheel_centre"][at]
    lower, upper = (
        centre + turn @ (points[name] - points["wheel_centre"])
        for name in ("lower_ball_joint", "upper_ball_joint")
    )
    axle = turn @ spin
    down = np.array([0.0, 0.0, -1.0]) + axle[2] * axle
    contact = centre + 285.0 * down / np.linalg.norm(down)
    share = (contact[2] - lower[2]) / (upper[2] - lower[2])
    return 2.0 * float((lower + share * (upper - lower))[1])


@pytest.mark.parametrize("corner", ["front steer", "rear steer"])
def test_numbers_at_ride_heights_are_those_of_the_referee(corner):
    """Toe and wheel angles of the distance-equation referee, summed up here by hand."""
    asked = asking(case(corner, step_mm=15.0, target=0.7))
    solved = asked.solve(as_drawn(asked))
    heights = solved.heights
    points, spin = corners.points_of(corner), corners.spin_axis_of(corner)
    lock = float(solved.ackermann.rack_at_lock_mm[0])
    travel = np.sort(
        [*asked.travel.grid(), *(-h for h in HEIGHTS if -h not in asked.travel.grid())]
    )
    rack = lock * np.array([-1.0, -0.5, 0.0, 0.5, 1.0])
    order = np.argsort(rack)
    said = constraints.solve_corner(points, spin, travel, rack[order])
    assert said["feasible"].all()
    back = np.argsort(order)
    toe = said["toe_in_deg"][:, back]
    grid = np.isin(travel, asked.travel.grid())
    worst = dict.fromkeys(NEW[1:], 0.0)
    for number, height in enumerate(HEIGHTS):
        row = int(np.flatnonzero(travel == -height)[0])
        about = np.abs(toe - toe[row])[grid]
        worst[NEW[1]] = max(worst[NEW[1]], about[:, 2].max())
        worst[NEW[3]] = max(worst[NEW[3]], about[:, [1, 3]].max())
        np.testing.assert_allclose(
            np.degrees(heights.toe_at_rest[0, number]),
            toe[row, 2] - toe[int(np.flatnonzero(travel == 0.0)[0]), 2],
            atol=1e-8,
        )
        # cot d_o = cot d_i + t / l, at full and at half of lock; the right wheel in the mirror.
        place = (row, int(back[2]))
        track = ground_track(points, spin, said, place)
        for share, node in ((4, -1), (3, heights.ackermann.inner.shape[-1] // 2)):
            inner = np.radians(-(toe[row, share] - toe[row, 2]))
            outer = np.radians(toe[row, 4 - share] - toe[row, 2])
            ideal = np.arctan(1.0 / (1.0 / np.tan(inner) + track / asked.car.wheelbase_mm))
            error = outer - (inner - 0.7 * (inner - ideal))
            assert heights.ackermann.inner[0, number, node] == pytest.approx(inner, abs=1e-9)
            assert heights.ackermann.error[0, number, node] == pytest.approx(error, abs=1e-9)
    metrics = asked.metrics(as_drawn(asked), solved)
    for name in (NEW[1], NEW[3]):
        assert metrics[name][0] == pytest.approx(worst[name], abs=1e-8), name
    greatest = np.degrees(np.abs(heights.ackermann.error).max())
    assert greatest <= metrics[NEW[2]][0] + 1e-12 <= 1.01 * greatest


def test_a_height_that_is_the_drawn_one_has_its_numbers():
    asked = asking(small(), (1e-9,))
    metrics = asked.evaluate(random_designs(asked, 40)).metrics
    for plain, other in (
        ("bump_steer_deg", NEW[1]),
        ("ackermann_error_deg", NEW[2]),
        (NEW[0], NEW[3]),
    ):
        there = np.isfinite(metrics[plain])
        assert there.sum() > 5
        np.testing.assert_allclose(metrics[other][there], metrics[plain][there], atol=1e-8)


def test_bump_steer_about_a_height_is_at_most_twice_that_about_the_drawn_one():
    """What lets it be a limit, and the toe at rest be left to bump steer itself."""
    asked = asking(small(), (-32.0, -16.0, 16.0))  # nodes of the grid, so that both see the same
    found = asked.evaluate(random_designs(asked, 60, seed=2)).metrics
    there = np.isfinite(found["bump_steer_deg"])
    plain, other = found["bump_steer_deg"][there], found[NEW[1]][there]
    assert (other <= 2.0 * plain + 1e-12).all()
    assert (other > 1.2 * plain).any()
    at_rest = asked.solve(random_designs(asked, 60, seed=2)).heights.toe_at_rest[there]
    assert (np.degrees(np.abs(at_rest)).max(axis=1) <= plain + 1e-12).all()


def test_a_straight_toe_curve_by_hand():
    """2 deg/m over 60 mm either way is 0.12 deg; from 20 mm up its way it is 80 mm down: 0.16.

    A straight toe curve is one that two points tell: the corner that is solved here has, at 20 mm,
    what its own curve says, and the curve over travel is laid straight through it.
    """
    asked = small()
    points, attitude = asked.points, asked.car.attitude
    at_20 = float(bump_steer(points, [0.0, 20.0], attitude).toe_change[1])
    travel = np.array([-60.0, 0.0, 60.0])
    found = solve_heights(
        points.with_pose_axes(1), attitude, (-20.0,), travel, (at_20 / 20.0 * travel)[None], None,
        np.array([30.0]), wheelbase_mm=2300.0, target=1.0,
    )  # fmt: skip
    scale = 2.0e-3 * 20.0 / np.degrees(abs(at_20))  # to 2 deg/m
    assert scale * np.degrees(np.abs(at_20 / 20.0 * travel).max()) == pytest.approx(0.12)
    assert scale * np.degrees(found.bump_steer[0, 0]) == pytest.approx(0.16, abs=1e-12)


def test_what_is_wanted_of_toe_is_counted_from_rest_at_each_height():
    """From the toe of every pose: less what is wanted from there, three times that within 20 mm."""
    asked = small()
    gradient = float(np.radians(-4.0)) / 1000.0
    wanted = WantedToe(gradient, bands=((20.0, 0.001), (60.0, 0.003)))
    asked = asking(
        replace(asked, steering=replace(asked.steering, wanted_toe=wanted)), part_lock_deg=0.3
    )
    solved = asked.solve(as_drawn(asked))
    grid, lock = asked.travel.grid(), float(solved.ackermann.rack_at_lock_mm[0])
    bump, turned = [], []
    for height in HEIGHTS:
        for rack, into in ((0.0, bump), (0.5 * lock, turned), (mirrored_rack(0.5 * lock), turned)):
            travel = np.array([*grid, -height])
            toe = -solve_linkage(asked.points, travel, rack, asked.car.attitude).steer
            astray = np.abs(toe[:-1] - toe[-1] - gradient * (grid + height))
            if into is bump:
                astray = astray * np.where(np.abs(grid + height) <= 20.0, 3.0, 1.0)
            into.append(np.degrees(astray.max()))
    found = asked.metrics(as_drawn(asked), solved)
    assert found[NEW[1]][0] == pytest.approx(max(bump), abs=1e-9)
    assert found[NEW[3]][0] == pytest.approx(max(turned), abs=1e-9)
    values = corner_values(corner_numbers(asked, asked.points))
    assert values[NEW[1]] == pytest.approx(max(bump), abs=1e-7)
    assert values[NEW[3]] == pytest.approx(max(turned), abs=1e-7)


def test_a_band_about_a_ride_height_ends_on_the_grid(tmp_path):
    study = demo_with(
        tmp_path,
        (TYRE, f"{TYRE}ride_heights_mm = [-17]\n"),
        ("bump_steer_deg = 0.10", "bump_steer_deg = [[30, 0.05], [90, 0.15]]"),
    )
    grid = study.travel.grid()
    assert {-30.0, 30.0, -13.0, 47.0} <= set(grid.tolist())


# --- limits --------------------------------------------------------------------------------------


def test_limits_are_there_where_they_are_asked_and_cost_nothing_elsewhere():
    plain = small()
    assert not plain.bounds
    solved = plain.solve(random_designs(plain, 3))
    assert solved.part_lock is None
    assert solved.heights is None
    assert not set(NEW) & set(plain.evaluate(random_designs(plain, 3)).metrics)


def test_a_design_is_judged_by_them_and_by_nothing_else():
    plain = small()
    asked, designs = asking(plain), random_designs(plain, 200, seed=5)
    before, after = plain.evaluate(designs), asked.evaluate(designs)
    np.testing.assert_array_equal(before.objectives, after.objectives)
    kept = np.column_stack([after.metrics[n] <= b.most for n, b in asked.bounds.items()])
    both = before.assembles & after.assembles
    np.testing.assert_array_equal(after.feasible[both], (before.feasible & kept.all(axis=1))[both])
    row = int(np.flatnonzero(both & ~kept[:, 0])[0])
    assert NEW[0] in after.status[row]


def test_a_ride_height_at_which_the_lock_is_not_reached_is_said():
    asked = asking(small(limits=replace(small().limits, toggle_margin=None)), (40.0,))
    designs = random_designs(asked, 300, seed=4)
    plain = replace(asked, car=replace(asked.car, ride_heights_mm=()))
    lost = plain.evaluate(designs).assembles & ~asked.evaluate(designs).assembles
    for reason in asked.evaluate(designs).status[lost]:
        assert reason.endswith("at one of the ride heights")
    # A wheel that cannot turn there: the same corners with a body far from its stops.
    far = asking(asked, (260.0,))
    status = far.evaluate(as_drawn(far)).status[0]
    assert status.startswith("cannot assemble")
    assert status.endswith("at one of the ride heights")


def test_refinement_sees_each_limit_as_the_largest_of_its_rows():
    asked = asking(small())
    model = Model(asked)
    designs = random_designs(asked, 60, seed=1)
    table = model.table(model.scaled(designs), designs)
    there = np.isfinite(table.objectives).all(axis=1)
    assert there.sum() > 5
    first = len(model.kinds) + asked.constraint_names.index(NEW[0])
    for number in range(first, first + len(NEW)):
        part = table.rows[there][:, model.parts[number]]
        assert part.shape[1] > 1
        limit = table.limits[there][:, number - len(model.kinds)]
        np.testing.assert_allclose(part.max(axis=1), limit, atol=1e-12)


def test_no_designs_at_all_are_judged_too():
    """A rack of which no start assembles leaves the search with none."""
    asked = asking(small())
    none = asked.evaluate(random_designs(asked, 3).select(slice(0, 0)))
    assert none.constraints.shape == (0, len(asked.constraint_names))
    assert all(none.metrics[name].shape == (0,) for name in NEW)


def test_the_search_keeps_a_limit_at_half_lock_that_it_would_break():
    plain = small()
    model = Model(plain)
    designs = random_designs(plain, 200, seed=3)
    found = plain.evaluate(designs)
    start = designs.select(np.flatnonzero(found.feasible)[:6])
    rays = np.repeat(plain.acceptable[None], len(start), axis=0)
    free = fit(model, model.table(model.scaled(start), start), rays, steps=25)
    turned = asking(plain, part_lock_deg=0.3).evaluate(free.table.like).metrics[NEW[0]]
    most = 0.9 * float(turned.min())  # what no end of theirs keeps
    asked = asking(plain, part_lock_deg=most)
    held = Model(asked)
    ends = fit(held, held.table(held.scaled(start), start), rays, steps=40)
    assert ends.table.feasible.all()
    best = asked.evaluate(ends.table.like)
    assert (best.metrics[NEW[0]] <= most).all()
    assert (best.metrics[NEW[3]] <= most).all()
    assert (best.metrics[NEW[1]] <= plain.acceptable[0]).all()


# --- what is said --------------------------------------------------------------------------------


def test_what_is_left_is_told_in_thousandths_and_is_near_by_the_share():
    asked = asking(small(), ())
    value = float(asked.evaluate(as_drawn(asked)).metrics[NEW[0]][0])
    wide = chosen_of(asking(asked, (), value / 0.9))
    row = next(row for row in limit_rows(wide) if row.name == NEW[0])
    assert not row.binding
    assert row.amount(row.left) == f"{value / 9.0:.3f} deg"
    tight = chosen_of(asking(asked, (), value / 0.98))
    assert any("half lock is at its limit" in text for text in binding_sentences(tight))
    over = chosen_of(asking(asked, (), value / 1.1))
    broken = value - value / 1.1
    assert f"BREAKS the bump steer at half lock by {broken:.3f} deg." in list(verdict_lines(over))


def test_bands_and_shims_mark_where_a_ride_height_is_no_longer_acceptable():
    asked = asking(small())
    start = random_designs(asked, 400, seed=3)
    found = asked.evaluate(start)
    design = start.select(np.flatnonzero(found.assembles)[:1])
    loose = asking(asked, HEIGHTS, 60.0)
    loose = replace(
        loose,
        steering=replace(loose.steering, acceptable_bump_steer=1.0, acceptable_ackermann_error=1.0),
    )
    value = float(loose.evaluate(design).metrics[NEW[0]][0])
    close = asking(loose, HEIGHTS, 1.02 * value)
    texts = [text for name in one_off(close, design).wrong.values() for text in name]
    assert any("the bump steer at half lock" in text for text in texts)
    assert not any("half lock" in text for n in one_off(loose, design).wrong.values() for text in n)


def test_the_corner_has_every_number_of_its_heights_and_the_report_a_row_each():
    asked = asking(small())
    numbers = corner_numbers(asked, asked.points)
    values = corner_values(numbers)
    solved = asked.metrics(as_drawn(asked), asked.solve(as_drawn(asked)))
    for name in NEW:
        assert values[name] == pytest.approx(float(solved[name][0]), abs=1e-7)
    headings, rows = height_table(chosen_of(asked))
    assert [cells[0][0] for cells in rows] == ["as drawn", "−20", "+15"]
    assert len(headings) == len(rows[0]) == 5
    worst = max(float(cells[2][0]) for cells in rows[1:])
    assert worst == pytest.approx(values[NEW[1]], abs=6e-4)
    assert rows[0][1][0] == f"{np.degrees(asked.car.attitude.toe_in):.3f}"
    kept = np.degrees(numbers.heights.bump_steer[0]) <= asked.acceptable[0]
    assert [cells[2][1] for cells in rows[1:]] == kept.tolist()
    assert height_table(chosen_of(small())) is None


def test_every_new_number_names_the_key_that_gives_it():
    for name in NEW[1:]:
        assert "[car] ride_heights_mm" in quantity(name).missing(small(), None)
        assert not quantity(name).missing(asking(small()), None)
    assert {one.name for one in QUANTITIES if one.name.startswith("ride_height_")} == set(NEW[1:])


# --- the study file ------------------------------------------------------------------------------

TYRE = "tyre_width_mm = 175\n"


def test_the_keys_are_read_and_checked_says_them(tmp_path):
    study = demo_with(
        tmp_path,
        (TYRE, f"{TYRE}ride_heights_mm = [-20, 0, 15]\n"),
        (
            "ackermann_target = 0.6",
            "ackermann_target = 0.6\nacceptable_part_lock_bump_steer_deg = 0.3",
        ),
    )
    problem = study.problem()
    assert problem.car.ride_heights_mm == HEIGHTS  # the drawn height is always judged
    most = {name: bound.most for name, bound in problem.bounds.items() if name in NEW}
    assert most == dict(
        zip(NEW, (0.3, 0.1, study.file.steering.acceptable_ackermann_error_deg, 0.3), strict=True)
    )
    parts = dict(describe_study(study))
    car = dict(parts[next(iter(parts))])
    assert car["also driven at"] == "-20, +15 mm ride height, toe as set at the drawn one"
    assert f"{NEW[0]} at most 0.3 deg" in car["limits"]
    drawn = parts["The car as drawn"]
    words = quantity(NEW[1]).words
    assert dict(drawn)[f"{words}, limit"].endswith("at most 0.1 deg wanted: BREAKS THE LIMIT")


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("ride_heights_mm = [-70]", "10 mm beyond its bump stop, [travel] bump_mm = 60"),
        ("ride_heights_mm = [65, -10]", "5 mm beyond its droop stop, [travel] droop_mm = 60"),
        ("ride_heights_mm = [10, 10]", "a value stands twice"),
        ("ride_heights_mm = [0.6, 300]", "300 is not between -200 and 200 mm"),
        ("ride_heights_mm = -20", "ride_heights_mm"),
        (f"ride_heights_mm = {list(range(-13, 0))}", "lists 13 values; list at most 12"),
        ("roll_angles_deg = [2, 7]", "7 deg of roll moves each wheel by 80 mm, and [travel] has"),
        ("roll_angles_deg = [0, 2]", "0 is not between 0.1 and 20 deg"),
    ],
)
def test_heights_and_angles_beyond_the_stops_are_refused(tmp_path, line, says):
    with pytest.raises(InputError) as refused:
        demo_with(tmp_path, (TYRE, f"{TYRE}{line}\n"))
    text = str(refused.value)
    assert says in text
    assert "[car]" in text
    assert "\n" not in text


def test_a_part_lock_that_is_not_plausible_is_refused(tmp_path):
    with pytest.raises(InputError, match=r"acceptable_part_lock_bump_steer_deg.*0\.001 and 5 deg"):
        demo_with(
            tmp_path,
            ("ackermann_target = 0.6", "acceptable_part_lock_bump_steer_deg = 0"),
        )


def test_a_run_of_such_a_study_says_all_of_it(tmp_path):
    study = small_study(
        tmp_path, trials=30, racks=("Middle",), search="seeds = true\nrefine = false"
    )
    text = study.path.read_text("utf-8")
    for old, new in (
        ("[car]\n", "[car]\nride_heights_mm = [-20, 15]\nroll_angles_deg = [1, 2]\n"),
        ("[steering]\n", "[steering]\nacceptable_part_lock_bump_steer_deg = 1.5\n"),
    ):
        assert old in text
        text = text.replace(old, new, 1)
    study.path.write_text(text, "utf-8")
    outcome = run_study(read_study(study.path), out=tmp_path / "results")
    folder = outcome.folder
    trials = (folder / "trials.csv").read_text("utf-8")
    for name in NEW:
        assert f",limit_{name}" in trials
    page = (folder / "report.html").read_text("utf-8")
    assert "At each ride height" in page
    assert "Both wheels over rack position and roll" in page
    assert "1.5 accepted" in page
    assert any("bump steer at half lock, " in text for text in outcome.sentences)
    assert (folder / "roll.csv").read_text("utf-8").count("\n") == 3 + 1 + 13 * 5
