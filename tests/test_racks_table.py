"""Every column of `racks.csv` against a recomputation that shares no code with the package.

The referee (`references.rack_row`) reads the files that the run left; the text columns and the
verdict have tests of their own.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import numpy as np
import pytest
from references import rack_row
from small_study import ROOT, nothing_drawn

from optimiser.answer.break_even import COLUMNS
from optimiser.evaluation.quantities import shown
from optimiser.jobs.start import run_study
from optimiser.study.read import read_study

if TYPE_CHECKING:
    from pathlib import Path

# Any design will do, so that one of the studies with refined ones is enough.
UNREFINED = "\nrefine = false\n"
STUDIES = {
    "arms ahead": ("demo", 'use = ["Finch", "Heron"]', UNREFINED, ""),
    "arms behind": (
        "rescue",
        'use = ["Linnet"]',
        UNREFINED,
        """
[tie_rod]
diameter_mm = 16
wall_mm = 2

[arms]
outer_bolt = [0.1, -0.2, 1.0]

[loads]
tyre_pressure_kpa = 180
lateral_load_n = 9000
outer_share = 0.8

[wheel]
rim_inside_radius_mm = 160
rim_inner_width_mm = 120
rim_offset_mm = 10

[[keep_out]]
name = "tray"
kind = "box"
from_mm = [-260, 100, 260]
to_mm = [-110, 300, 300]
""",
    ),
    "kept rods": ("demo", 'use = ["Plover"]', "\n", ""),
}
CHANGES = {
    "arms behind": (
        ("loaded_radius_mm = 290", "loaded_radius_mm = 290\nfront_axle_load_n = 3300"),
        ("[racks]", 'stops = "lock"\n\n[racks]'),
    ),
    "kept rods": (("ackermann_target = 0.6", "ackermann_target = 0.6\nkeep_tie_rods = true"),),
}
# No number of a design; `test_break_even` and its benchmark look for what lies outside these ends.
BREAK_EVEN = {column for columns in COLUMNS.values() for column in columns}
# Numbers that these studies cannot have.
NOT_THERE: dict[str, set[str]] = {
    "arms ahead": set(),
    "arms behind": {"own_rods_track_growth_mm"},
    "kept rods": {"own_rods_track_growth_mm"},
}
# Where the program works with less than the referee: Ackermann error to a thousandth, clearance in
# poses that are blended; the referee's rim is made of points of the rod.
RELATIVE = {"ackermann_error_deg": 1e-3, "overall_ratio_spread": 1e-4}
ABSOLUTE = {
    "clearance_mm": 1.5,
    "tyre_clearance_mm": 1.5,
    "clearance_whole_sweep_mm": 0.05,
    "bump_steer_deg": 1e-7,
}
WORDS = {"rack", "verdict", "stopped_by", "design", "hand", "rescue", "notes", "chosen"}
LEAST = {"best_bump_steer_deg": "bump_steer_deg", "best_ackermann_error_deg": "ackermann_error_deg"}


@pytest.fixture(scope="module", params=STUDIES)
def finished(request, tmp_path_factory) -> tuple[str, Path]:
    """A short run of one of the studies, in whose folder the files lie as they were read."""
    base, use, search, more = STUDIES[request.param]
    folder = tmp_path_factory.mktemp(base)
    text = (ROOT / "studies" / f"{base}.toml").read_text("utf-8")
    text = text.replace("[search]\n", f"{use}\n\n[search]{search}", 1) + more
    for old, new in CHANGES.get(request.param, ()):
        assert old in text
        text = text.replace(old, new, 1)
    text = re.sub(r"\[tolerance\].*?(?=\n\[|\Z)", "", text, flags=re.DOTALL)
    # Feet and column have referees of their own, in tests of theirs.
    text = re.sub(r"\[\[mount_zone\]\].*?(?=\n\[wheel\])", "", text, flags=re.DOTALL)
    for name in (f"{base}_hardpoints.csv", f"{base}_racks.csv"):
        (folder / name).write_bytes((ROOT / "studies" / name).read_bytes())
    path = folder / f"{base}.toml"
    path.write_text(text, "utf-8")
    with nothing_drawn():
        outcome = run_study(read_study(path), out=folder / "results", trials=100)
    assert outcome.folder is not None
    return request.param, outcome.folder


def test_every_column_of_every_rack(finished):
    name, folder = finished
    study_file = next(folder.parents[1].glob("*.toml"))
    study = rack_row.Study(study_file)
    trials = rack_row.rows_of(folder / "trials.csv")
    by_number = {row["design"]: row for row in trials}
    rows = rack_row.rows_of(folder / "racks.csv")
    assert len(rows) == STUDIES[name][1].count(",") + 1
    compared: set[str] = set()
    for row in rows:
        trial = by_number[row["design"]]
        variables = {key: float(trial[key]) for key in (
            "rack_height_mm", "rack_fore_aft_mm", "spacer_mm",
            "arm_length_mm", "arm_height_mm", "arm_angle_deg")}  # fmt: skip
        theirs = rack_row.Row(study, row["rack"], variables).numbers()
        own = [t for t in trials if t["rack"] == row["rack"] and t["status"] == "ok"]
        for column, of in LEAST.items():
            theirs[column] = min((float(t[of]) for t in own), default=np.nan)
        for column in row.keys() - WORDS - BREAK_EVEN:
            ours, wanted = rack_row.value(row[column]), theirs.get(column, np.nan)
            assert ours == pytest.approx(
                wanted,
                rel=RELATIVE.get(column, 1e-6),
                abs=ABSOLUTE.get(column, 1e-6),
                nan_ok=True,
            ), (row["rack"], column)
            if np.isfinite(wanted):
                compared.add(column)
    everything = {one.name for one in shown("racks")} - BREAK_EVEN
    compared.discard("tyre_clearance_mm")  # of studies with a tyre alone
    assert everything - compared == NOT_THERE[name]
