"""The command `adapt`: its folder, the study in it, its refusals, and clearance of what moves."""

from __future__ import annotations

import csv
import json
import tomllib

import numpy as np
import pytest
from adapt_cases import PIVOTS, bare, moving_demo
from small_study import ROOT, demo_with, run_here

from optimiser.evaluation.clearance.moved import MOVED_PAIR
from optimiser.evaluation.designs import Designs
from optimiser.evaluation.moves import MOVED_CLEARANCE
from optimiser.linkage.at_rack import solve_linkage
from optimiser.questions.adapt.asked import least_change
from optimiser.questions.adapt.moved_study import copied_files, moved_study_text
from optimiser.study.read import read_study

BARE = tuple(
    (part, "")
    for part in (
        'name = "pedal box"\nkind = "box"\nfrom_mm = [660, -190, 140]\nto_mm = [810, 190, 330]\n',
        'name = "front anti-roll bar"\nkind = "capsule"\nfrom_mm = [655, -330, 30]\n'
        "to_mm = [655, 330, 30]\nradius_mm = 10\n",
        "[[keep_out]]\n",
        "[[keep_out]]\n",
        "[wheel]\nrim_inside_radius_mm = 170\nrim_inner_width_mm = 130\n",
        "tube_diameter_mm = 22\n",
    )
)


def rows_of(path) -> list[dict[str, str]]:
    lines = [line for line in path.read_text("utf-8").splitlines() if not line.startswith("#")]
    return list(csv.DictReader(lines))


@pytest.fixture(scope="module")
def answered(tmp_path_factory):
    folder = tmp_path_factory.mktemp("adapt")
    study = moving_demo(folder, PIVOTS, *BARE)
    code, out, err = run_here("adapt", "mine.toml", "--rack", "Stork", cwd=folder)
    return study, folder / "results" / "mine-adapt-Stork", code, out, err


def test_the_folder_has_everything(answered) -> None:
    _, folder, code, out, err = answered
    assert code == 0, err
    names = {path.name for path in folder.iterdir()}
    assert names >= {
        "ways.csv", "moves.csv", "hardpoints.csv", "study.toml", "racks.csv", "verdict.txt",
        "report.html", "moved.svg", "curves.svg",
    }  # fmt: skip
    assert "Not checked: pick-ups of spring, damper and anti-roll bar" in out
    assert "not an approval" in out
    assert json.loads((folder / "state.json").read_text("utf-8"))["finished"]


def test_ways_and_moves_agree(answered) -> None:
    _, folder, *_ = answered
    ways = {row["way"]: row for row in rows_of(folder / "ways.csv")}
    assert next(iter(ways)) == "nothing"
    assert len(ways) == 10
    assert ways["nothing"]["acceptable"] == "no"
    for name, row in ways.items():
        moves = [one for one in rows_of(folder / "moves.csv") if one["way"] == name]
        square = sum(float(one["distance_mm"]) ** 2 for one in moves)
        if row["moved_mm"]:
            assert float(row["moved_mm"]) == pytest.approx(np.sqrt(square), abs=1e-9)
        if row["acceptable"] == "yes":
            assert float(row["bump_steer_deg"]) <= 0.1
            assert float(row["ackermann_error_deg"]) <= 0.75
            assert float(row["camber_departure_deg"]) <= 0.25
        if ", rounded" in name:
            steps = [float(one[f"{way}_mm"]) for one in moves for way in ("forward", "outboard")]
            assert all(step == round(step) for step in steps)


def test_the_study_beside_the_points_runs_and_is_acceptable(answered) -> None:
    before, folder, *_ = answered
    study = read_study(folder / "study.toml")
    ways = {row["way"]: row for row in rows_of(folder / "ways.csv")}
    moved = {
        row["point"]: row for row in rows_of(folder / "moves.csv") if row["way"] == "one bracket"
    }
    assert moved
    for name, at in study.points.items():
        if name in moved:
            shift = [float(moved[name][f"{way}_mm"]) for way in ("forward", "outboard", "up")]
            np.testing.assert_allclose(at - getattr(before.points, name), shift, atol=1e-9)
    problem = study.problem()
    row = ways["one bracket"]
    free = {name: [float(row[name])] for name in problem.space}
    outcome = problem.evaluate(problem.designs([0], free))
    assert outcome.feasible[0], outcome.status
    assert (problem.ratios(outcome) <= 1.0).all()
    assert study.file.suspension is None
    assert [rack.name for rack in study.racks] == ["Stork"]


def test_the_points_say_which_of_them_moved(answered) -> None:
    _, folder, *_ = answered
    text = (folder / "hardpoints.csv").read_text("utf-8")
    assert "MOVED upper_front_pivot: forward 0.0000, outboard 12.5" in text
    assert "MOVED lower_front_pivot" not in text
    page = (folder / "report.html").read_text("utf-8")
    assert "Before anything is cut or bolted" in page
    assert "http://" not in page.replace("http://www.w3.org", "")


def test_every_value_of_a_study_goes_through_the_written_text(tmp_path) -> None:
    study = demo_with(tmp_path, ('name = "pedal box"', r'name = "pedal \"box\" \\ \u00e9"'))
    tables = tomllib.loads(moved_study_text(study, "Finch", "two\nlines"))
    raw = tomllib.loads(study.text)
    for name in raw:
        if name not in ("title", "hardpoints", "racks"):
            assert tables[name] == raw[name], name
    assert tables["racks"]["use"] == ["Finch"]


def test_a_study_that_bounds_the_change_is_written_without_that_bound(tmp_path) -> None:
    asked = (
        ("clearance_mm = 5\n", "clearance_mm = 5\n[limits.at_most]\nmoved_mm = 30\n"),
        ("[travel]\n", '[objectives]\nalso = ["moved_mm"]\n[travel]\n'),
    )
    study = moving_demo(tmp_path, PIVOTS, *asked)
    assert study.file.limits.at_most == {"moved_mm": 30.0}
    written = tmp_path / "written"
    written.mkdir()
    (written / "study.toml").write_text(moved_study_text(study, "Stork", "asked"), "utf-8")
    (written / "hardpoints.csv").write_bytes(study.inputs["hardpoints"].read_bytes())
    for name, kind in copied_files(study).items():
        (written / name).write_bytes(study.inputs[kind].read_bytes())
    again = read_study(written / "study.toml")
    assert "moved_mm" not in (*again.file.limits.at_most, *again.file.objectives.also)
    assert again.problem().suspension is None


# --- refusals ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "names nothing that may move; add for example lower_pivots"),
        ("[suspension.may_move]\nlower_pivot = {up = 5}\n", "'lower_pivot' is nothing that may"),
        ("[suspension.may_move]\nwheel_centre = {up = 5}\n", "'wheel_centre' is nothing that"),
        ("[suspension.may_move]\nlower_pivots = {up = 0}\n", "may move nowhere"),
        ("[suspension.may_move]\nlower_pivots = {down = 5}\n", "unknown key down"),
        ("[suspension.may_move]\nlower_pivots = {up = -5}\n", "up: -5 is not between 0 and 200"),
        (
            "[suspension.may_move]\nlower_pivots = {up = 5}\nlower_rear_pivot = {up = 5}\n",
            "lower_rear_pivot stands in two entries; name it once",
        ),
        (f"{PIVOTS}[suspension.keep]\ncamber = 1\n", "unknown key camber"),
        (f"{PIVOTS}[suspension.keep]\ncamber_deg = 0\n", "camber_deg: 0 is not between 0.001"),
    ],
)
def test_what_cannot_be_asked_is_refused_in_a_line(tmp_path, text: str, words: str) -> None:
    study = demo_with(tmp_path)
    study.path.write_text(f"{study.text}\n{text}", "utf-8")
    code, out, err = run_here("adapt", "mine.toml", "--rack", "Finch", cwd=tmp_path)
    assert (code, out) == (2, "")
    assert words in err
    assert err.count("\n") == 1


def test_own_tie_rods_kept_are_refused(tmp_path) -> None:
    keeping = ("ackermann_target = 0.6", "ackermann_target = 0.6\nkeep_tie_rods = true")
    study = demo_with(tmp_path, keeping)
    study.path.write_text(study.text + PIVOTS, "utf-8")
    code, _, err = run_here("adapt", "mine.toml", "--rack", "Finch", cwd=tmp_path)
    assert code == 2
    assert "[steering] keep_tie_rods: moves arms and wheels out" in err
    assert not (tmp_path / "results").exists()


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ((), "no rack is named"),
        (("--rack", "Ostrich"), "'Ostrich' is not in"),
        (("--rack", "Finch", "--all"), "both are given"),
    ],
)
def test_racks_are_named_or_all(tmp_path, options, words: str) -> None:
    moving_demo(tmp_path)
    code, _, err = run_here("adapt", "mine.toml", *options, cwd=tmp_path)
    assert code == 2
    assert words in err


def test_a_study_without_it_says_nothing_of_it() -> None:
    study = read_study(ROOT / "studies" / "demo.toml")
    assert "suspension" not in study.resolved()
    assert "bracket_diameter_mm" not in study.resolved()["arms"]
    problem = study.problem()
    assert problem.suspension is None
    names = problem.evaluate(problem.designs([0], _free(problem))).metrics
    assert not [name for name in names if "moved" in name or "departure" in name]


def _free(problem) -> dict[str, list[float]]:
    return {
        "rack_height_mm": [204.0],
        "rack_fore_aft_mm": [72.0],
        "spacer_mm": [20.0],
        "arm_length_mm": [116.0],
        "arm_height_mm": [206.0],
        "arm_angle_deg": [6.0],
    }


# --- clearance of what moves ---------------------------------------------------------------------


def moved_design(problem, **moves: float) -> Designs:
    plain = problem.designs([0], _free(problem))
    values = plain.values.copy()
    for name, value in moves.items():
        values[0, 6 + problem.suspension.names.index(f"{name}_mm")] = value
    return Designs(plain.rack, values)


def measured(problem, design) -> dict[str, float]:
    metrics = problem.evaluate(design).metrics
    return {n: float(v[0]) for n, v in metrics.items() if n.startswith(MOVED_PAIR)}


def test_a_moved_arm_is_measured_to_keep_outs_and_rim_over_the_sweep(tmp_path) -> None:
    """The lower arm's tubes to a bar below it, by points along them in many poses."""
    bar = (
        "[wheel]",
        '[[keep_out]]\nname = "floor rail"\nkind = "capsule"\nfrom_mm = [500, -400, 0]\n'
        "to_mm = [1200, -400, 0]\nradius_mm = 8\n\n[wheel]",
    )
    problem = least_change(moving_demo(tmp_path, PIVOTS, bar).moving_problem())
    assert MOVED_CLEARANCE in problem.constraint_names
    design = moved_design(problem, lower_pivots_up=-12.0)
    found = measured(problem, design)
    points = problem.corners(design)[0].select(0)
    end = float(problem.steering_end_mm(design)[0])
    travel, rack = np.linspace(-60.0, 60.0, 61), np.linspace(-end, end, 21)
    ball = solve_linkage(points, travel[:, None], rack, problem.car.attitude).lower_ball_joint
    share = np.linspace(0.0, 1.0, 801)[:, None, None, None]
    least = np.inf
    for name in ("lower_front_pivot", "lower_rear_pivot"):
        pivot = getattr(points, name)
        line = pivot + share * (ball - pivot)
        # The rail runs fore and aft at y = 400, z = 120 of the body.
        least = min(least, float(np.hypot(line[..., 1] - 400.0, line[..., 2] - 120.0).min()))
    column = "moved_clearance_lower_arm_floor_rail_mm"
    assert found[column] == pytest.approx(least - 8.0 - 11.0, abs=0.05)
    assert found[column] < 20.0
    # The upper arm has not moved, and is left alone.
    assert found["moved_clearance_upper_arm_floor_rail_mm"] == 20.0


def test_what_had_less_as_drawn_may_keep_that(tmp_path) -> None:
    bar = (
        "[wheel]",
        '[[keep_out]]\nname = "floor rail"\nkind = "capsule"\nfrom_mm = [500, -400, 15]\n'
        "to_mm = [1200, -400, 15]\nradius_mm = 8\n\n[wheel]",
    )
    problem = least_change(moving_demo(tmp_path, PIVOTS, bar).moving_problem())
    drawn = dict(problem.suspension.drawn_clearance_mm)
    column = "moved_clearance_lower_arm_floor_rail_mm"
    assert drawn[column] < 5.0
    number = problem.constraint_names.index(MOVED_CLEARANCE)
    limits = {
        up: float(
            problem.evaluate(moved_design(problem, lower_pivots_up=up)).constraints[0, number]
        )
        for up in (0.0, 1.0, -1.0)
    }
    assert limits[0.0] < 0.0
    assert limits[1.0] <= 0.0
    assert limits[-1.0] > 0.1


def test_a_bracket_stands_at_a_moved_pivot_alone(tmp_path) -> None:
    box = (
        "[wheel]",
        '[[keep_out]]\nname = "sill"\nkind = "box"\nfrom_mm = [690, -190, 40]\n'
        "to_mm = [710, -170, 70]\n\n[wheel]",
    )
    bracket = ("tube_diameter_mm = 22", "bracket_diameter_mm = 60")
    problem = least_change(moving_demo(tmp_path, PIVOTS, box, bracket).moving_problem())
    column = "moved_clearance_moved_pivot_sill_mm"
    still = measured(problem, moved_design(problem))
    assert still[column] == 20.0
    # The pivot at y = 235 of the body, 10 mm inboard; the sill's side at 190; half of 60 mm.
    moved = measured(problem, moved_design(problem, lower_pivots_outboard=-10.0))
    assert moved[column] == pytest.approx(225.0 - 190.0 - 30.0, abs=1e-9)
    steering = problem.evaluate(moved_design(problem, lower_pivots_outboard=-10.0)).metrics
    assert "clearance_tie_rod_moved_pivot_mm" in steering


def test_without_clearance_nothing_of_it_is_asked(tmp_path) -> None:
    problem = least_change(bare(moving_demo(tmp_path)))
    assert MOVED_CLEARANCE not in problem.constraint_names


def test_files_of_keep_outs_go_with_the_study(tmp_path) -> None:
    (tmp_path / "tubes of the frame.csv").write_text(
        "name,x1_mm,y1_mm,z1_mm,x2_mm,y2_mm,z2_mm,diameter_mm\nrail,500,-400,0,1200,-400,0,30\n",
        "utf-8",
    )
    frame = '[[keep_out]]\nfile = "tubes of the frame.csv"\n\n[wheel]\n'
    study = moving_demo(tmp_path, PIVOTS, ("[wheel]\n", frame))
    assert copied_files(study) == {"racks.csv": "catalogue", "frame.csv": "frame"}
    tables = tomllib.loads(moved_study_text(study, "Finch", ""))
    assert tables["keep_out"][-1] == {"file": "frame.csv"}
