"""One finished run for the tests of what can be done with a result, its names full of markup."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from small_study import write_small_study

from optimiser.jobs.start import run_study
from optimiser.study.read import read_study

if TYPE_CHECKING:
    from pathlib import Path

    from optimiser.answer.run_result import RunResult

TITLE = "<script>alert(1)</script> & {{ 7 * 7 }} $\\frac{a$ 'x'"
RACKS = ("=Short <b>", "Mid#dle & $y$", "Long;\u00e9\u4e2d")
TRIALS = 150

EXTRA = """
[[keep_out]]
name = "<sump> & 'pan'"
kind = "box"
from_mm = [432.5, -160, 140]
to_mm = [222.5, 160, 380]

[[keep_out]]
name = "chassis tube"
kind = "capsule"
from_mm = [-147.5, -265, 380]
to_mm = [202.5, -265, 380]
radius_mm = 16
mirror = true

[wheel]
rim_inside_radius_mm = 185
rim_inner_width_mm = 150

[tie_rod]
diameter_mm = 15

[spacer]
diameter_mm = 24

[arms]
tube_diameter_mm = 25

[loads]
tyre_pressure_kpa = 200

[tolerance]
bracket_mm = 1.0
samples = 64
"""


def write_study(folder: Path) -> Path:
    """The small study with hostile names, a permuted CAD frame and every optional table."""
    path = write_small_study(folder, trials=TRIALS, extra=EXTRA, racks=RACKS)
    text = path.read_text("utf-8")
    for old, new in (
        ('title = "My car: which rack, and where?"', f"title = {json.dumps(TITLE)}"),
        ("acceptable_bump_steer_deg = 0.12", "acceptable_bump_steer_deg = 0.4"),
        ("acceptable_ackermann_error_deg = 1.0", "acceptable_ackermann_error_deg = 2.0"),
        ("# front_axle_load_n = 4200", "front_axle_load_n = 4200"),
        ("# tyre_width_mm = 195", "tyre_width_mm = 195"),
        ('forward = "+x"', 'forward = "-x"'),
        ('left = "+y"', 'left = "-y"'),
        ("ground_origin_mm = [0, 0, 0]", "ground_origin_mm = [12.5, 0, -40]"),
    ):
        assert old in text, old
        text = text.replace(old, new, 1)
    path.write_text(text, "utf-8")
    racks = (folder / "racks.csv").read_text("utf-8")
    for old, new in zip(("Short,", "Middle,", "Long,"), RACKS, strict=True):
        assert old in racks
        racks = racks.replace(old, f"{new},", 1)
    (folder / "racks.csv").write_text(racks, "utf-8")
    _turn_points(folder / "hardpoints.csv")
    return path


def _turn_points(path: Path) -> None:
    """Hardpoints of the starter, which are in body axes, in the CAD frame of `write_study`."""
    lines = path.read_text("utf-8").splitlines()
    for index, line in enumerate(lines):
        name, *values = line.split(",")
        if line.startswith("#") or name == "name" or not values:
            continue
        x, y, z = map(float, values)
        lines[index] = f"{name},{12.5 - x!r},{-y!r},{-40.0 + z!r}"
    path.write_text("\n".join(lines) + "\n", "utf-8")


def make_run(folder: Path) -> tuple[Path, RunResult]:
    """Result folder and what the run had in memory."""
    outcome = run_study(read_study(write_study(folder / "study")), out=folder / "results")
    assert outcome.finished, outcome.problems
    assert outcome.result is not None
    return outcome.folder, outcome.result
