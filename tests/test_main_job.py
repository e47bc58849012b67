"""The main job end to end: a study in, a front, the winning hardpoints and the figures out."""

from __future__ import annotations

import contextlib
import csv
import io
import json
import re

import numpy as np
import pandas as pd
import pytest
from shared import made_once
from small_study import nothing_drawn, run_here, write_small_study

from optimiser.base.front import non_dominated
from optimiser.evaluation.problem import VARIABLES
from optimiser.linkage.hardpoints import POINT_NAMES, CadFrame, read_hardpoints
from optimiser.metrics.pose_table import COLUMNS as CURVE_COLUMNS
from optimiser.study.read import read_study

# Each frame turns up, left and forward into one another; the origin is off all axes.
FRAMES = {
    "as ISO 8855": CadFrame(),
    "x rearward, y right": CadFrame("-x", "-y", "+z", (850.0, -12.5, 33.0)),
    "y up, z rearward": CadFrame("-z", "-x", "+y", (5.0, -700.0, 1234.5)),
    "z forward, x down": CadFrame("+z", "+y", "-x", (-20.0, 0.25, 17.0)),
}


def _in_frame(folder, frame: CadFrame):
    """The small study with its hardpoints drawn in another CAD frame."""
    # So few trials find nothing better; exit code 0 asks for a rack that is acceptable.
    path = write_small_study(
        folder, trials=40, search='seeds = false\nrefine = false\nprefer = "best"'
    )
    study = read_study(path)
    rows = ["name,x_mm,y_mm,z_mm"]
    for name, point in study.points.items():
        rows.append(f"{name},{','.join(repr(float(v)) for v in frame.to_cad(point))}")
    (folder / study.file.hardpoints.file).write_text("\n".join(rows), "utf-8")
    text = path.read_text("utf-8")
    for old, new in (("steer_deg = 0.12", "steer_deg = 2"), ("error_deg = 1.0", "error_deg = 8")):
        assert old in text
        text = text.replace(old, new)
    kept, skipping = [], False
    for line in text.splitlines():
        if line.startswith("["):
            skipping = line.startswith("[frame]")
        if not skipping:
            kept.append(line)
    origin = list(frame.ground_origin_mm)
    kept.append(
        f'[frame]\nforward = "{frame.forward}"\nleft = "{frame.left}"\nup = "{frame.up}"\n'
        f"ground_origin_mm = {origin}\n"
    )
    path.write_text("\n".join(kept), "utf-8")
    return path


def _runs(folder):
    folders = {}
    for name, frame in FRAMES.items():
        place = folder / name
        place.mkdir()
        path = _in_frame(place, frame)
        # The figures of one frame are those of all.
        with contextlib.nullcontext() if name == "as ISO 8855" else nothing_drawn():
            code, out, err = run_here("run", path, "--workers", 1, cwd=place)
        assert code == 0, err
        folders[name] = (place / "results" / path.stem, out)
    return folders


@pytest.fixture(scope="module")
def finished():
    """Result folders of the same car drawn in each frame, by frame."""
    return made_once("frames", _runs)


@pytest.fixture(scope="module")
def result(finished):
    return finished["as ISO 8855"][0]


def _read(path):
    return pd.read_csv(path, comment="#")


def test_every_file_is_there_and_says_what_it_is(result):
    names = {path.name for path in result.iterdir()}
    assert {
        "trials.csv",
        "front.csv",
        "racks.csv",
        "hardpoints.csv",
        "curves.csv",
        "run.json",
    } <= names
    for name in ("front.svg", "bump_steer.svg", "wheel_angles.svg", "linkage.svg"):
        assert (result / name).read_bytes().endswith(b"</svg>\n"), name
    for name in ("trials.csv", "front.csv", "racks.csv", "hardpoints.csv", "curves.csv"):
        assert "not an approval" in (result / name).read_text("utf-8"), name


def test_the_trials_hold_every_design_with_its_status(result):
    trials = _read(result / "trials.csv")
    record = json.loads((result / "run.json").read_text("utf-8"))
    assert len(trials) == record["designs"]
    assert list(trials["design"]) == list(range(1, len(trials) + 1))
    wanted = {"rack", *VARIABLES, "bump_steer_deg", "ackermann_error_deg", "status", "origin"}
    assert wanted <= set(trials.columns)
    limits = [name for name in trials.columns if name.startswith("limit_")]
    kept = (trials[limits] <= 0.0).all(axis=1)
    assert list(kept) == list(trials["status"] == "ok")
    failed = trials["status"].str.startswith("cannot assemble")
    assert trials.loc[failed, "bump_steer_deg"].isna().all()


def test_the_front_is_what_no_feasible_design_beats(result):
    trials, front = _read(result / "trials.csv"), _read(result / "front.csv")
    good = trials[trials["status"] == "ok"]
    mask = non_dominated(good[["bump_steer_deg", "ackermann_error_deg"]].to_numpy())
    assert sorted(good.loc[mask, "design"]) == sorted(front["design"])


def test_the_winner_has_the_least_worst_ratio_to_what_is_acceptable(result):
    record = json.loads((result / "run.json").read_text("utf-8"))
    front = _read(result / "front.csv")
    steering = record["study"]["steering"]
    worst = np.maximum(
        front["bump_steer_deg"] / steering["acceptable_bump_steer_deg"],
        front["ackermann_error_deg"] / steering["acceptable_ackermann_error_deg"],
    )
    assert record["winner"]["design"] == front.loc[worst.idxmin(), "design"]
    assert "as a share of what you accept" in record["winner"]["how_chosen"]


def test_the_hardpoints_are_the_winners_and_keep_to_its_lengths(result):
    record = json.loads((result / "run.json").read_text("utf-8"))
    row = _read(result / "trials.csv").set_index("design").loc[record["winner"]["design"]]
    points = read_hardpoints(result / "hardpoints.csv")
    length = np.linalg.norm(points.outer_joint - points.inner_joint)
    assert length == pytest.approx(row["tie_rod_length_mm"], abs=1e-9)
    assert points.inner_joint[2] == pytest.approx(row["rack_height_mm"], abs=1e-9)
    assert points.inner_joint[0] == pytest.approx(row["rack_fore_aft_mm"], abs=1e-9)
    rows = [
        line
        for line in (result / "hardpoints.csv").read_text("utf-8").splitlines()
        if not line.startswith("#")
    ]
    names = [cells[0] for cells in csv.reader(io.StringIO("\n".join(rows[1:])))]
    assert names == [*POINT_NAMES, *(f"right_{name}" for name in POINT_NAMES)]


def test_lengths_that_people_read_are_to_a_ten_thousandth(result):
    """The comments of the points; the rows below them are in full, for programs."""
    lines = (result / "hardpoints.csv").read_text("utf-8").splitlines()
    comments = [line for line in lines if line.startswith("#")]
    points = read_hardpoints(result / "hardpoints.csv")
    for name, at in points.items():
        assert f"# {name}: {', '.join(f'{v:.4f}' for v in at)}" in comments
    assert all(re.search(r"= -?\d+\.\d{4}$", line) for line in comments if "_mm = " in line)


def test_another_cad_frame_gives_the_same_car(finished, result):
    """Designs, and points mapped back, agree to 1e-9 mm in four CAD frames."""
    base = _read(result / "trials.csv")
    points = read_hardpoints(result / "hardpoints.csv", FRAMES["as ISO 8855"])
    for name, frame in FRAMES.items():
        folder = finished[name][0]
        trials = _read(folder / "trials.csv")
        assert list(trials["status"]) == list(base["status"]), name
        for column in (*VARIABLES, "bump_steer_deg", "ackermann_error_deg"):
            np.testing.assert_allclose(trials[column], base[column], atol=1e-9, err_msg=name)
        again = read_hardpoints(folder / "hardpoints.csv", frame)
        for (point, mine), (_, theirs) in zip(points.items(), again.items(), strict=True):
            np.testing.assert_allclose(theirs, mine, atol=1e-9, err_msg=f"{name}, {point}")


def test_curves_are_of_the_winner(result):
    curves, record = _read(result / "curves.csv"), json.loads((result / "run.json").read_text())
    assert tuple(curves.columns) == CURVE_COLUMNS
    centre = curves[(curves["rack_mm"] == 0.0) & curves["feasible"]]
    rest = float(centre.loc[centre["travel_mm"] == 0.0, "toe_in_deg"].iloc[0])
    largest = float((centre["toe_in_deg"] - rest).abs().max())
    row = _read(result / "trials.csv").set_index("design").loc[record["winner"]["design"]]
    assert largest == pytest.approx(row["bump_steer_deg"], abs=1e-9)


def test_the_terminal_says_the_answer(finished):
    out = finished["as ISO 8855"][1]
    assert "Chosen: " in out
    assert "as a share of what you accept, is least" in out
    assert "not an approval" in out
    assert "Short" in out
    assert "Middle" in out


def test_impossible_limits_end_with_exit_code_1_and_the_nearest_design(tmp_path):
    path = write_small_study(tmp_path, trials=40, racks=("Short",))
    text = path.read_text("utf-8")
    lock = next(line for line in text.splitlines() if line.startswith("inner_lock_deg"))
    path.write_text(text.replace(lock, "inner_lock_deg = 60"), "utf-8")
    code, out, err = run_here("run", path, cwd=tmp_path)
    assert code == 1, err
    assert "No design keeps every limit" in out or "cannot" in out
