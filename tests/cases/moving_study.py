"""The demo with other parts that move, another tyre and a space frame; all of it invented."""

from __future__ import annotations

import random
from typing import TYPE_CHECKING

from small_study import demo_with, still_text

if TYPE_CHECKING:
    from pathlib import Path

MOVING = """
[[keep_out]]
name = "brake disc"
kind = "cylinder"
from_mm = [850, -640, 160]
to_mm = [850, -652, 160]
radius_mm = 120
on = "upright"

[[keep_out]]
name = "damper"
kind = "capsule"
from_mm = [858, -320, 420]
to_mm = [850, -500, 55]
radius_mm = 28
from_on = "body"
to_on = "lower_arm"
length_mm = 240

[[keep_out]]
name = "drop link"
kind = "capsule"
from_mm = [672, -420, 90]
to_mm = [775, -430, 60]
radius_mm = 5
from_on = "body"
to_on = "lower_arm"

"""
TYRE = """[wheel]
tyre_diameter_mm = 570
tyre_shoulder_mm = 20
"""
FRAME = '[[keep_out]]\nfile = "frame.csv"\n\n'
FEW = "trials = 20\npopulation = 10\nseeds = false\nrefine = false"


def write_frame(path: Path, count: int, seed: int = 1) -> None:
    """Invented tubes about the front of the car, both sides of it, none near the rod's middle."""
    rng = random.Random(seed)
    rows = ["name,x1_mm,y1_mm,z1_mm,x2_mm,y2_mm,z2_mm,diameter_mm"]
    for number in range(count):
        start = [rng.uniform(200, 1500), rng.uniform(-330, 330), rng.uniform(-60, 700)]
        end = [v + rng.uniform(-250, 250) for v in start]
        if abs(start[0] - 740) < 160 and start[2] < 330:
            start[2], end[2] = start[2] + 400, end[2] + 400
        numbers = ",".join(f"{v:.1f}" for v in (*start, *end))
        rows.append(f"tube {number},{numbers},{rng.choice([19, 25])}")
    path.write_text("\n".join(rows) + "\n", "utf-8")


def bare_demo(folder: Path, *changes: tuple[str, str], **options):
    """The demo without what moves and without its tyre, with some of its lines replaced."""
    return demo_with(folder, *changes, text=still_text(), **options)


def moving_study(folder: Path, *changes: tuple[str, str], tubes: int = 0, **options):
    """The bare demo with all of that; `tubes` of a frame."""
    folder.mkdir(exist_ok=True)
    frame = ""
    if tubes:
        write_frame(folder / "frame.csv", tubes)
        frame = FRAME
    given = [("[wheel]\n", f"{frame}{MOVING.lstrip()}{TYRE}")]
    return bare_demo(folder, *given, *changes, **options)
