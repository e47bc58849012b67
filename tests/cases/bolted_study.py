"""The demo with racks that have feet and pinions, zones for the feet, and a column if wanted."""

from __future__ import annotations

import csv
import re
from typing import TYPE_CHECKING

from small_study import ROOT, still_text

from optimiser.study.read import Study, read_study

if TYPE_CHECKING:
    from pathlib import Path

FEET = {
    "left_foot_along_mm": 150.0,
    "left_foot_forward_mm": -20.0,
    "left_foot_up_mm": -32.0,
    "right_foot_along_mm": -120.0,
    "right_foot_forward_mm": -24.0,
    "right_foot_up_mm": -28.0,
    "foot_bolt": "0.1 0 1",
}
PINION = {"pinion_angle_deg": 40.0, "pinion_lean_deg": 12.0, "pinion_bar_offset_mm": 9.0}
WHOLE = FEET | PINION
# Wide enough for every height and fore-aft that the demo allows; CAD x is rearward, y to the right.
ZONES = """
[[mount_zone]]
from_mm = [680, -190, -40]
to_mm = [860, -80, 190]
foot = "left"
[[mount_zone]]
from_mm = [680, 80, -40]
to_mm = [860, 190, 190]
foot = "right"
"""
COLUMN = """
[column]
steering_wheel_mm = [1500, -330, 560]
steering_wheel_axis = [-0.93, 0, -0.37]
shaft_diameter_mm = 20
lower_joint_mm = {from = 15, to = 60}
upper_joint_mm = {from = 150, to = 450}
shaft_length_mm = {from = 120, to = 700}
"""


def bolted_demo(
    folder: Path,
    *changes: tuple[str, str],
    extra: str = ZONES,
    cells: dict[str, object] = WHOLE,
    blank: tuple[str, ...] = (),
    **options,
) -> Study:
    """The still demo as FOLDER/mine.toml: every rack has `cells`, but those in `blank` none."""
    source = ROOT / "studies"
    lines = [
        line
        for line in (source / "demo_racks.csv").read_text("utf-8").splitlines()
        if not line.startswith("#")
    ]
    # The demo's own feet, pinions, zones and column make way for what is given.
    own = (*FEET, *PINION)
    rows = [{n: v for n, v in row.items() if n not in own} for row in csv.DictReader(lines)]
    with (folder / "demo_racks.csv").open("w", encoding="utf-8", newline="") as out:
        table = csv.DictWriter(out, [*dict.fromkeys((*rows[0], *cells))])
        table.writeheader()
        table.writerows(row | ({} if row["name"] in blank else cells) for row in rows)
    text = (source / "demo_hardpoints.csv").read_text("utf-8")
    (folder / "demo_hardpoints.csv").write_text(text, "utf-8")
    text = still_text()
    text = re.sub(r"\n\[\[mount_zone\]\].*?(?=\n\[wheel\])", "", text, flags=re.DOTALL)
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new, 1)
    path = folder / "mine.toml"
    path.write_text(text + extra, "utf-8")
    return read_study(path, **options)
