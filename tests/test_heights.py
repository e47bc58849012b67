"""Can a rack be rescued by mounting it lower: optima against grids, verdicts, files, refusals.

Every car and rack here is invented. Closed forms are derived where they are used.
"""

from __future__ import annotations

import csv
import io
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from pictures import pixels
from rich.console import Console
from shared import made_once
from small_study import run_here, write_small_study

from optimiser.answer.exactness import BAND_COLUMNS, accuracy, band_rows, shim_rows
from optimiser.base.errors import InputError
from optimiser.command.heights_screen import racks_table
from optimiser.evaluation.designs import Designs, Range, Stock
from optimiser.questions.heights import rack as heights_rack
from optimiser.questions.heights.answer import HeightsAnswer, HeightsAsked, answer_heights
from optimiser.questions.heights.bump_map import bump_map
from optimiser.questions.heights.folder import rack_figures
from optimiser.questions.heights.lanes import Lanes
from optimiser.questions.heights.optima import Optima, solve_heights
from optimiser.questions.heights.rack import measured_problem, solve_rack
from optimiser.questions.heights.tables import HEIGHT_COLUMNS, height_rows, rack_columns, rack_row
from optimiser.questions.heights.ways import WAYS, arm_heights, way_problem
from optimiser.questions.heights.words import answer_of, verdict
from optimiser.study.read import read_study

ROOT = Path(__file__).resolve().parent.parent
RESCUE = ROOT / "studies" / "rescue.toml"
FIXED, FIXED_SPACED, SHAPED, SHAPED_SPACED, FREE, FREE_SPACED = WAYS

# Lower and upper arm alike, parallel and level: every point of the upright goes round the same
# circle as the ball joints, of radius 400 mm. The steering axis leans inboard as it goes up.
PARALLEL_POINTS = """name,x_mm,y_mm,z_mm
lower_front_pivot,150,240,180
lower_rear_pivot,-150,240,180
lower_ball_joint,0,640,180
upper_front_pivot,150,190,430
upper_rear_pivot,-150,190,430
upper_ball_joint,0,590,430
wheel_centre,0,690,300
outer_joint,-115,610,300
inner_joint,-115,210,300
"""
PARALLEL_RACKS = """name,inner_joint_spacing_mm,travel_mm
Stub,350,160
Exact,420,160
"""
PARALLEL_STUDY = """
[frame]
forward = "+x"
left = "+y"
up = "+z"
ground_origin_mm = [0, 0, 0]
[car]
wheelbase_mm = 2400
loaded_radius_mm = 300
static_toe_in_deg = 0
static_camber_deg = 0
[hardpoints]
file = "points.csv"
[travel]
bump_mm = 50
droop_mm = 50
step_mm = 10
[steering]
inner_lock_deg = 28
ackermann_target = 0.0
acceptable_bump_steer_deg = 0.05
acceptable_ackermann_error_deg = 4.0
[racks]
catalogue = "racks.csv"
[search.vary]
rack_height_mm = {from = 200, to = 320}
arm_height_mm = {from = 200, to = 310}
[limits]
spacer_max_mm = 5
"""


def parallel_study(folder: Path, **changes: str):
    text = PARALLEL_STUDY
    for old, new in changes.values():
        assert old in text
        text = text.replace(old, new)
    (folder / "points.csv").write_text(PARALLEL_POINTS, "utf-8")
    (folder / "racks.csv").write_text(PARALLEL_RACKS, "utf-8")
    (folder / "parallel.toml").write_text(text, "utf-8")
    return read_study(folder / "parallel.toml")


def solved(study, name: str, step: float):
    problem = study.problem()
    choice = problem.space["rack_height_mm"]
    heights = np.arange(choice.low, choice.high + 1e-9, step)
    names = [rack.name for rack in problem.racks]
    return solve_rack(problem, names.index(name), heights, study.file.limits.spacer_max_mm)


@pytest.fixture(scope="module")
def rescue():
    return read_study(RESCUE)


@pytest.fixture(scope="module")
def linnet():
    return made_once("linnet", lambda _: solved(read_study(RESCUE), "Linnet", 10.0))


@pytest.fixture(scope="module")
def stub_study(tmp_path_factory):
    return parallel_study(tmp_path_factory.mktemp("parallel"))


@pytest.fixture(scope="module")
def stub(stub_study):
    return made_once("stub", lambda _: solved(stub_study, "Stub", 10.0))


@pytest.fixture(scope="module")
def stuck(tmp_path_factory):
    """A study whose lock no height allows, and a rack of it."""
    lock = ("inner_lock_deg = 28", "inner_lock_deg = 50")
    study = parallel_study(tmp_path_factory.mktemp("stuck"), lock=lock)
    return study, made_once("stuck", lambda _: solved(study, "Stub", 60.0))


@pytest.fixture
def bare_ways(monkeypatch):
    """No spacers, and no other shape of the arm."""
    monkeypatch.setattr(heights_rack, "ways_of", lambda *_: (FIXED, FREE))


def solved_heights(problem, heights, rack: int = 0) -> Optima:
    """The optima of one way alone."""
    return solve_heights(Lanes.of((problem,), rack, heights))[0]


# --- converged optima against brute force --------------------------------------------------------


def brute(problem, rack: int, height: float, rounds: int = 8, parts: int = 9):
    """Least bump steer within the limits on a grid, which then closes in on its best point."""
    free = {n: c for n, c in problem.space.items() if isinstance(c, Range)}
    fixed = {
        n: c.values[0] if n != "rack_height_mm" else height
        for n, c in problem.space.items()
        if isinstance(c, Stock)
    }
    low = np.array([c.low for c in free.values()])
    high = np.array([c.high for c in free.values()])
    centre, half, best = 0.5 * (low + high), 0.5 * (high - low), np.inf
    for number in range(rounds):
        count = 15 if number == 0 and rounds > 1 else parts
        axes = [
            np.unique(np.clip(c + h * np.linspace(-1.0, 1.0, count), a, b))
            for c, h, a, b in zip(centre, half, low, high, strict=True)
        ]
        grid = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, len(free))
        values = np.zeros((len(grid), 6))
        for column, name in enumerate(problem.space):
            values[:, column] = grid[:, list(free).index(name)] if name in free else fixed[name]
        outcome = problem.evaluate(Designs(np.full(len(grid), rack), values))
        bump = np.where(outcome.feasible, outcome.objectives[:, 0], np.inf)
        if not np.isfinite(bump).any():
            return np.inf
        if bump.min() < best:
            best, centre = bump.min(), grid[np.argmin(bump)]
        half = half * 0.45
    return best


@pytest.mark.parametrize(
    ("way", "height"),
    [
        (FIXED, 270.0),
        (FIXED, 276.0),
        (FIXED_SPACED, 280.0),
        (FREE, 200.0),
        (FREE, 170.0),
    ],
)
def test_each_height_is_as_good_as_a_grid_that_closes_in(rescue, way, height):
    heights = np.array([height - 4.0, height, height + 4.0])
    problem = way_problem(measured_problem(rescue.problem()), way, heights, 60.0)
    found = solved_heights(problem, heights)
    best = brute(problem, 0, height)
    assert found.evaluation.feasible[1]
    assert found.converged[1]
    assert found.evaluation.objectives[1, 0] <= best + 1e-4
    # The grid is no better than it is: what is left of its last cell is small.
    assert found.evaluation.objectives[1, 0] == pytest.approx(best, abs=0.01)


def test_heights_called_impossible_have_no_design_on_a_fine_grid(rescue, linnet):
    curve = linnet.curve(FIXED)
    impossible = linnet.heights_mm[~curve.optima.evaluation.feasible]
    assert len(impossible) >= 3
    problem = way_problem(linnet.problem, FIXED, linnet.heights_mm, 60.0)
    for height in impossible:
        assert brute(problem, 0, float(height), rounds=1, parts=200) == np.inf


def test_a_limit_in_force_is_kept_exactly_and_is_what_stops_the_rack(rescue):
    problem = measured_problem(rescue.problem())
    tight = replace(problem, limits=replace(problem.limits, toggle_margin=np.radians(48.5)))
    heights = np.array([196.0, 200.0, 204.0])
    way = way_problem(tight, FREE, heights, 60.0)
    found = solved_heights(way, heights)
    loose = solved_heights(way_problem(problem, FREE, heights, 60.0), heights)
    assert found.evaluation.feasible.all()
    assert (found.evaluation.constraints <= 0.0).all()
    toggle = way.constraint_names.index("toggle_margin_deg")
    assert found.evaluation.constraints[1, toggle] == pytest.approx(0.0, abs=0.01)
    assert (found.evaluation.objectives[:, 0] >= loose.evaluation.objectives[:, 0] - 1e-4).all()
    best = brute(way, 0, 200.0)
    assert found.evaluation.objectives[1, 0] <= best + 1e-4
    assert found.evaluation.objectives[1, 0] == pytest.approx(best, abs=0.01)


def test_every_reported_number_is_what_the_problem_says_of_the_design(linnet):
    for curve in linnet.curves:
        again = linnet.problem.evaluate(curve.all_designs)
        assert np.array_equal(again.feasible, curve.all_evaluations.feasible)
        assert np.allclose(again.objectives, curve.all_evaluations.objectives, equal_nan=True)
        assert np.array_equal(curve.optima.designs.column("rack_height_mm"), linnet.heights_mm)


def test_more_freedom_is_never_worse(linnet):
    def bump(way):
        outcome = linnet.curve(way).optima.evaluation
        return np.where(outcome.feasible, outcome.objectives[:, 0], np.inf)

    assert (bump(FIXED_SPACED) <= bump(FIXED) + 1e-9).all()
    assert (bump(SHAPED) <= bump(FIXED) + 1e-9).all()
    assert (bump(FREE) <= bump(SHAPED) + 1e-9).all()
    assert (bump(FREE_SPACED) <= np.minimum(bump(FREE), bump(FIXED_SPACED)) + 1e-9).all()


def test_fixed_leaves_the_arm_as_drawn_and_bare_has_no_spacers(rescue, linnet):
    arm = rescue.arm
    for way in WAYS:
        designs = linnet.curve(way).all_designs
        if way.arm != "free in height":
            assert np.allclose(designs.column("arm_height_mm"), arm.height_mm)
        if way.arm == "fixed":
            assert np.allclose(designs.column("arm_length_mm"), arm.length_mm)
            assert np.allclose(np.radians(designs.column("arm_angle_deg")), arm.angle)
        low, high = (0.0, 60.0) if way.spacers else (0.0, 0.0)
        assert ((designs.column("spacer_mm") >= low) & (designs.column("spacer_mm") <= high)).all()


def test_an_arm_that_the_study_does_not_free_is_free_between_the_ball_joints(tmp_path):
    study = parallel_study(tmp_path, arm=("arm_height_mm = {from = 200, to = 310}\n", ""))
    assert arm_heights(study.problem()) == Range(180.0, 430.0)


def test_the_best_height_between_two_steps_is_found(rescue, linnet):
    # Bump steer falls by some 0.08 deg per mm towards its least: steps of 10 mm cannot see it.
    fine = np.arange(272.0, 282.0, 0.25)
    problem = way_problem(linnet.problem, FIXED, fine, 60.0)
    outcome = solved_heights(problem, fine).evaluation
    curve = linnet.curve(FIXED)
    least = np.min(curve.between_evaluation.objectives[curve.between_evaluation.feasible, 0])
    assert least <= outcome.objectives[:, 0].min() + 1e-3
    on_grid = curve.optima.evaluation
    assert np.min(on_grid.objectives[on_grid.feasible, 0]) > least + 0.05


# --- verdicts ------------------------------------------------------------------------------------


def test_a_car_on_which_lowering_alone_does_not_rescue(rescue, linnet):
    assert answer_of(linnet) == "not by itself: with spacers"
    fixed, free, spaced = (linnet.place(way) for way in (FIXED, FREE, FIXED_SPACED))
    assert not fixed.bump_acceptable
    assert not linnet.place(SHAPED).acceptable
    assert free.acceptable
    assert free.at("arm_height_mm") < float(rescue.points.outer_joint[2]) - 80.0
    lines = list(verdict(linnet, rescue))
    # Spacers do it too, so that nothing is 'only'.
    assert lines[0] == "Can Linnet be rescued by mounting it lower? Not by itself."
    level = fixed.at("rack_height_mm") - 300.0
    assert lines[1].startswith(
        "With the arm left where it is, no height from 150 to 340 mm brings this rack within "
        f"0.10 deg; the best is {fixed.bump_steer_deg:.2f} deg at {fixed.at('rack_height_mm'):.0f} "
        f"mm, {-level:.0f} mm lower than level; Ackermann error {fixed.ackermann_error_deg:.3f} deg"
    )
    near = linnet.nearest(FIXED_SPACED)
    assert linnet.remedy == near
    lowered = 300.0 - near.at("rack_height_mm")
    assert lines[2].startswith(
        f"What changes least is {near.at('spacer_mm'):.0f} mm spacers, the rack {lowered:.0f} mm "
        "lower and "
    )
    assert f", the arm left as drawn, {near.change_mm:.0f} mm in all: 0.100 deg, " in lines[2]
    assert f"The best in this way with {spaced.at('spacer_mm'):.0f} mm spacers: " in lines[2]
    assert lines[3].startswith(
        "With an arm of another shape at its drawn height and no spacers the nearest is "
    )
    assert lines[3].endswith(": not enough.")
    assert lines[4].startswith(
        "With the arm free in height, from 180 to 360 mm, and no spacers it takes the rack "
    )
    assert f", the arm lowered {300.0 - free.at('arm_height_mm'):.0f} mm" in lines[4]
    assert linnet.chosen == spaced


def test_a_car_on_which_lowering_makes_it_worse(stub, stub_study):
    # The ideal joint is 400 mm inboard of the outer joint, so the spacing is twice its y less
    # 400 mm: 420 at the drawn arm, and longer the lower the arm is. A short rack wants to go up.
    heights = np.array([220.0, 260.0, 300.0])
    lower = solved_heights(way_problem(stub.problem, FREE, heights, 5.0), heights)
    bump = lower.evaluation.objectives[:, 0]
    assert bump[0] > bump[1] > bump[2] > stub.problem.acceptable[0]
    assert answer_of(stub) == "no"
    place = stub.place(FREE)
    assert place.at("arm_height_mm") == pytest.approx(310.0, abs=0.5)
    lines = list(verdict(stub, stub_study))
    assert lines[0] == "Can Stub be rescued by mounting it lower? No."
    assert "no height from 200 to 320 mm brings this rack within 0.05 deg" in lines[1]
    assert lines[2].startswith(
        "With the arm left where it is and spacers up to 5 mm the nearest is "
    )
    assert lines[3].startswith(
        "With the arm free in height, from 200 to 310 mm, and no spacers the nearest is "
    )
    assert lines[4].startswith(
        "With the arm free in height, from 200 to 310 mm, and spacers up to 5 mm the nearest is "
    )
    assert " with 5 mm spacers, the arm raised 10 mm; " in lines[4]
    assert all(line.endswith(": not enough.") for line in lines[2:5])
    # With the drawn arm the ideal spacing is 420 mm: 35 mm spacers.
    assert re.match(
        r"Beyond what was asked \(\[limits\] spacer_max_mm = 5\): with spacer length (2\d|3\d)\.\d "
        r"mm it would be acceptable, 0\.0\d\d deg bump steer and \d\.\d\d\d deg Ackermann error\. "
        r"Change that, then: optimiser heights .*parallel\.toml --rack Stub$",
        lines[5],
    )


def test_raised_far_enough_the_same_rack_works(tmp_path):
    wider = parallel_study(
        tmp_path,
        arm=("arm_height_mm = {from = 200, to = 310}", "arm_height_mm = {from = 200, to = 430}"),
        rack=("rack_height_mm = {from = 200, to = 320}", "rack_height_mm = {from = 300, to = 430}"),
        racks=("spacer_max_mm = 5", "spacer_max_mm = 0\nclearance_mm = 'off'".replace("'", '"')),
    )
    # The axis leans 50 mm inboard in 250 mm: 7 mm shorter each side needs the arm 35 mm higher
    # for 14 mm of spacing; 420 - 350 = 70 mm of spacing would need 175 mm, beyond the ball joint.
    racks = tuple(replace(rack, inner_joint_spacing_mm=392.0) for rack in wider.racks[:1])
    problem = replace(wider.problem(), racks=racks)
    found = solve_rack(problem, 0, np.arange(300.0, 431.0, 10.0), 0.0)
    assert answer_of(found) == "not by itself: with the arm higher"
    curve = found.curve(FREE)
    bump = np.where(curve.all_evaluations.feasible, curve.all_evaluations.objectives[:, 0], np.inf)
    best = int(np.argmin(bump))
    raised = 14.0 * 250.0 / 50.0
    assert curve.all_designs.column("arm_height_mm")[best] == pytest.approx(300.0 + raised, abs=2.0)
    assert bump[best] < 1e-3
    first, _, least = list(verdict(found, wider))[:3]
    assert first.endswith(
        "Not by itself, at heights from 300 to 430 mm only with the steering arm at another height."
    )
    # The curvature error goes with what the spacing lacks: a small part of that is enough.
    drawn = found.place(FIXED).bump_steer_deg
    enough = raised * (1.0 - 0.05 / drawn)
    assert found.remedy.at("arm_height_mm") == pytest.approx(300.0 + enough, abs=0.3)
    raised = found.remedy.at("arm_height_mm") - 300.0
    assert f", the arm raised {raised:.0f} mm, " in least
    assert f" best is {drawn:.3f} deg at 300 mm" in list(verdict(found, wider))[1]


def test_a_rack_that_fits_needs_no_rescue(tmp_path):
    study = parallel_study(tmp_path)
    found = solved(study, "Exact", 60.0)
    assert answer_of(found) == "no rescue needed"
    first, second, hand = list(verdict(found, study))
    assert first == "Can Exact be rescued by mounting it lower? It needs no rescue."
    assert second.startswith(
        "With the arm left where it is it needs no spacer: below 0.001 deg at 300 mm, level, "
        "as high as drawn; Ackermann error "
    )
    assert hand == (
        "Hand: unknown: the catalogue does not say on which side of the axle its steering arms "
        "were."
    )


def test_where_no_height_keeps_the_limits_the_limit_is_named(stuck):
    study, found = stuck
    assert found.place(FIXED) is None
    assert found.chosen is None
    text = list(verdict(found, study))
    assert text[0].endswith("No.")
    assert "no height from 200 to 320 mm keeps the limits: " in text[1]
    assert re.search(r"the rack's travel|cannot assemble|the toggle margin", text[1])
    rows = [dict(zip(HEIGHT_COLUMNS, row, strict=True)) for row in height_rows(found)]
    assert all(row["within_limits"] == "no" and row["stopped_by"] for row in rows)
    assert all(row["bump_steer_deg"] is None for row in rows)


@pytest.mark.usefixtures("bare_ways")
def test_the_root_mean_square_is_asked_where_the_study_asks_it(rescue):
    problem = rescue.problem()
    asked = replace(problem.objectives, bump_steer="rms")
    plain = measured_problem(replace(problem, objectives=asked))
    assert plain.objectives.names == ("bump_steer_rms_deg", "ackermann_error_deg")
    built = measured_problem(
        replace(problem, objectives=replace(problem.objectives, bump_steer="with tolerances"))
    )
    assert built.objectives.names == ("bump_steer_deg", "ackermann_error_deg")
    heights = np.array([270.0, 278.0])
    found = solve_rack(replace(problem, objectives=asked), 0, heights, 0.0)
    assert " deg RMS at " in list(verdict(found, rescue))[1]


# --- the map and exactness -----------------------------------------------------------------------


def test_the_map_has_its_valley_on_the_line_of_ideal_joints(stub):
    chart = bump_map(stub)
    line = chart.free_line
    # Closed form of parallel equal arms: the ideal joint is one arm's length inboard.
    assert line.joint.spacing_mm == pytest.approx(2.0 * (line.outer_joint[:, 1] - 400.0), abs=1e-6)
    assert chart.fixed_line.joint.spacing_mm == pytest.approx([420.0])
    row = int(np.argmin(np.abs(chart.heights_mm - 280.0)))
    best = chart.spacings_mm[np.argmin(chart.free[row])]
    step = chart.spacings_mm[1] - chart.spacings_mm[0]
    wanted = np.interp(280.0, line.joint.rack_height_mm, line.joint.spacing_mm)
    assert best == pytest.approx(wanted, abs=1.1 * step)
    at = np.unravel_index(np.argmin(chart.fixed), chart.fixed.shape)
    assert chart.fixed_heights_mm[at[0]] == pytest.approx(300.0, abs=1.0)
    assert chart.spacings_mm[at[1]] == pytest.approx(420.0, abs=step)


def test_the_map_agrees_with_the_optima_where_no_limit_is_in_force(linnet):
    chart = bump_map(linnet)
    # The map keeps fore-aft and the arm's shape, those of the best place; so do these optima.
    place = linnet.place(FREE)
    kept = ("rack_fore_aft_mm", "arm_length_mm", "arm_angle_deg")
    way = way_problem(linnet.problem, FREE, linnet.heights_mm, 60.0)
    same = replace(way, space=way.space | {name: Stock((place.at(name),)) for name in kept})
    optima = solved_heights(same, linnet.heights_mm)
    column = int(np.argmin(np.abs(chart.spacings_mm - 450.0)))
    for row in (5, 8, 12):
        height = float(linnet.heights_mm[row])
        bump = np.interp(height, chart.heights_mm, chart.free[:, column])
        # Spacing and height are not on the map's grid.
        assert bump == pytest.approx(optima.evaluation.objectives[row, 0], abs=0.03)


def test_exactness_says_what_the_problem_says_one_millimetre_off(linnet):
    place = linnet.chosen
    found = accuracy(linnet.problem, place.design, cars=False)
    band = found.bands[0]
    assert band.adjustment == "rack height"
    kept = []
    for sign, said in ((1.0, band.up), (-1.0, band.down)):
        values = place.design.values.copy()
        values[:, 0] += sign
        moved = linnet.problem.evaluate(Designs(place.design.rack, values))
        assert np.degrees(said) == pytest.approx(moved.metrics["bump_steer_deg"][0], abs=1e-9)
        kept.append(bool(moved.feasible[0]))
    for edge in (band.low_mm, band.high_mm):
        values = place.design.values.copy()
        values[:, 0] += edge
        moved = linnet.problem.evaluate(Designs(place.design.rack, values))
        assert moved.metrics["bump_steer_deg"][0] == pytest.approx(0.10, abs=1e-6)
    rows = [dict(zip(BAND_COLUMNS, row, strict=True)) for row in band_rows(found)]
    assert rows[0]["change_per_mm_more_deg"] == pytest.approx(np.degrees(band.up - band.bump_steer))
    shims = [row for row in shim_rows(found) if row[0] == "rack height"]
    assert [row[1] for row in shims] == list(range(-4, 5))
    assert shims[5][3] == pytest.approx(np.degrees(band.up), abs=1e-9)
    lines = list(found.sentences())
    assert len(lines) == 7
    said = re.fullmatch(
        r"rack height: within \+\d+\.\d\d / -\d+\.\d\d mm(; but at [^;]+)*; "
        r"1 mm more: 0\.\d{3} deg( \(breaks [^)]+\))?, 1 mm less: 0\.\d{3} deg( \(breaks [^)]+\))?",
        lines[0],
    )
    assert said is not None
    assert [mark is None for mark in said.groups()[1:]] == kept


# --- tables, figures, files ----------------------------------------------------------------------


def test_every_label_of_the_heights_lies_in_the_picture(linnet):
    figure = rack_figures(linnet)["heights"]
    figure.canvas.draw()
    frame = figure.bbox
    texts = [text for axes in figure.axes for text in axes.texts if text.get_text()]
    assert len(texts) >= len(linnet.ways)
    for text in texts:
        box = text.get_window_extent()
        assert frame.x0 <= box.x0, text.get_text()
        assert box.x1 <= frame.x1, text.get_text()


def test_the_table_has_every_height_of_every_way(linnet):
    rows = [dict(zip(HEIGHT_COLUMNS, row, strict=True)) for row in height_rows(linnet)]
    for way in WAYS:
        mine = [
            row
            for row in rows
            if row["arm"] == way.arm and row["spacers"] == ("yes" if way.spacers else "no")
        ]
        at = [row["rack_height_mm"] for row in mine]
        assert at == sorted(at)
        assert set(linnet.heights_mm.tolist()) <= set(at)
        for row in mine:
            assert (row["within_limits"] == "yes") is (row["stopped_by"] == "")
            if row["within_limits"] == "yes":
                good = row["bump_steer_deg"] <= 0.10 and row["ackermann_error_deg"] <= 1.0
                assert row["acceptable"] == ("yes" if good else "no")
                assert row["inner_joints_apart_mm"] == 450.0 + 2.0 * row["spacer_mm"]
    cells = dict(zip(rack_columns(linnet.ways), rack_row(linnet), strict=True))
    assert cells["rescued_by_mounting_lower"] == "not by itself: with spacers"
    assert cells["least_change_mm"] == linnet.remedy.change_mm
    assert cells["free_in_height_bump_steer_deg"] == linnet.place(FREE).bump_steer_deg
    assert cells["fixed_spacers_least_change_mm"] == linnet.nearest(FIXED_SPACED).change_mm
    assert cells["hand"].startswith("steers the right way as made")


def test_figures_show_something(linnet):
    figures = rack_figures(linnet)
    assert list(figures) == ["heights", "map", "from_behind"]
    for name, figure in figures.items():
        grey = pixels(figure)
        assert min(grey.shape) > 500, name
        assert 0.01 < np.mean(grey < 230.0) < 0.95
    behind = figures["from_behind"].axes[0]
    assert behind.get_aspect() == 1.0
    texts = [text.get_text() for text in behind.texts]
    assert any(text.startswith("no spacers\n") for text in texts)


def test_a_rack_without_any_place_still_has_figures(stuck):
    _, found = stuck
    figures = rack_figures(found)
    texts = [text.get_text() for text in figures["from_behind"].axes[0].texts]
    assert texts.count("no height keeps the limits") == 2
    words = [text.get_text() for text in figures["heights"].axes[0].texts]
    assert "no design keeps the limits" in words


@pytest.mark.usefixtures("bare_ways")
def test_the_command_writes_its_folder_and_prints_the_verdict(tmp_path):
    # What it prints of the rescue study is compared with the README.
    parallel_study(tmp_path)
    code, out, err = run_here(
        "heights", tmp_path / "parallel.toml", "--rack", "Exact", "--from", 210, "--to", 310,
        "--step", 50, "--out", tmp_path, cwd=tmp_path,
    )  # fmt: skip
    assert (code, err) == (0, "")
    assert out.startswith("Can Exact be rescued by mounting it lower? It needs no rescue.")
    assert "How exact must it be made? Rack at " in out
    assert "\nrack height: within +" in out
    folder = tmp_path / "parallel-heights-Exact"
    assert f"Written to {folder}" in out.replace("\n", "")
    assert "not an approval" in out
    assert sorted(path.name for path in folder.iterdir()) == [
        "exactness.csv", "from_behind.svg", "hardpoints.csv", "heights.csv", "heights.svg",
        "map.svg", "shims.csv", "state.json", "verdict.txt",
    ]  # fmt: skip
    lines = (folder / "heights.csv").read_text("utf-8").splitlines()
    rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    assert list(rows[0]) == list(HEIGHT_COLUMNS)
    assert {row["rack_height_mm"] for row in rows} >= {"210.0", "260.0", "310.0"}


def asked(study: Path, out: Path, **changes) -> HeightsAsked:
    plain = {"rack": None, "every": False, "low_mm": None, "high_mm": None, "step_mm": 120.0}
    return HeightsAsked(study=study, out=out, **(plain | changes))


@pytest.mark.usefixtures("bare_ways")
def test_all_racks_come_in_one_table_and_nothing_is_overwritten(tmp_path):
    parallel_study(tmp_path)
    told = []
    path = tmp_path / "parallel.toml"
    first = answer_heights(asked(path, tmp_path / "out", every=True), told.append)
    assert [found.rack for found in first.found] == [0, 1]
    assert first.exact is None
    assert first.folder.name == "parallel-heights-all"
    assert {text.split(":")[0] for text in told} == {"Stub", "Exact"}
    text = (first.folder / "racks.csv").read_text("utf-8")
    assert text.splitlines()[3].startswith("Stub,350.0,no,")
    before = {p: p.read_bytes() for p in first.folder.rglob("*") if p.is_file()}
    assert {p.name for p in before} >= {"Stub.svg", "Exact.svg", "heights.csv", "verdict.txt"}
    second = answer_heights(asked(path, tmp_path / "out", every=True), told.append)
    assert second.folder.name == "parallel-heights-all-2"
    assert {p: p.read_bytes() for p in before} == before
    again = {p.name: p.read_bytes() for p in second.folder.rglob("*.csv")}
    assert again == {p.name: b for p, b in before.items() if p.suffix == ".csv"}


def test_the_table_of_all_racks_fits_a_narrow_terminal(tmp_path, linnet, rescue):
    answer = HeightsAnswer(rescue, (linnet,), None, tmp_path)
    console = Console(width=80, file=io.StringIO(), color_system=None)
    console.print(racks_table(answer))
    text = console.file.getvalue()
    place = linnet.place(FREE)
    assert "…" not in text
    assert f"{place.bump_steer_deg:.3f}*" in text
    assert f"{place.bump_steer_deg:.3f}* {place.at('rack_height_mm'):.0f} " in text
    assert "not by itself: " in text
    assert "with spacers" in text


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({}, "--rack: no rack is named; name one of Stub, Exact, or give --all"),
        (
            {"rack": "Stubb"},
            "--rack: 'Stubb' is not in {study}; name one of Stub, Exact, or give --all",
        ),
        (
            {"rack": "Stub", "every": True},
            "--rack, --all: both are given; give one of the two",
        ),
        (
            {"rack": "Stub", "low_mm": 300.0, "high_mm": 250.0},
            "--from, --to: 300 to 250 mm does not run upwards; give the lower first",
        ),
        (
            {"rack": "Stub", "high_mm": 2500.0},
            "--to: 2500 mm is not between 0 and 1500; heights count from the ground, in mm",
        ),
        (
            {"rack": "Stub", "low_mm": float("nan")},
            "--from: nan mm is not between 0 and 1500; heights count from the ground, in mm",
        ),
        (
            {"rack": "Stub", "step_mm": 0.0},
            "--step: 0 mm is not above 0; give a step such as 2",
        ),
        (
            {"rack": "Stub", "step_mm": 0.01},
            "--step: 0.01 mm makes 12001 heights; take a coarser step",
        ),
    ],
)
def test_refusals(tmp_path, changes, message):
    parallel_study(tmp_path)
    study = tmp_path / "parallel.toml"
    with pytest.raises(InputError) as caught:
        answer_heights(asked(study, tmp_path / "out", **changes), lambda _: None)
    assert str(caught.value) == message.format(study=study)
    assert not (tmp_path / "out").exists()


def test_a_study_with_a_fixed_rack_height_asks_for_the_range(tmp_path):
    parallel_study(tmp_path, rack=("rack_height_mm = {from = 200, to = 320}\n", ""))
    study = tmp_path / "parallel.toml"
    with pytest.raises(InputError, match="gives no range of rack heights; give both in mm"):
        answer_heights(asked(study, tmp_path / "out", rack="Stub"), lambda _: None)


def test_the_command_refuses_an_unknown_rack_in_one_line(tmp_path):
    path = write_small_study(tmp_path)
    code, out, err = run_here("heights", path, "--rack", "Nobody", cwd=tmp_path)
    assert (code, out) == (2, "")
    assert err.startswith("optimiser: --rack: 'Nobody' is not in ")
    assert err.rstrip().endswith("; name one of Short, Middle, or give --all")
    assert err.count("\n") == 1
