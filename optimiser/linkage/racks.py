"""The rack catalogue: what can be bought, read from CSV."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Literal

from optimiser.base.errors import InputError
from optimiser.base.tables import Row, read_table

if TYPE_CHECKING:
    from pathlib import Path

Placement = Literal["ahead", "behind"]
Side = Literal["left", "right"]

REQUIRED_COLUMNS = ("name", "inner_joint_spacing_mm", "travel_mm")
_BOLTS = {"forward": (1.0, 0.0, 0.0), "up": (0.0, 0.0, 1.0)}
_TEXT_COLUMNS = {"made_for": ("ahead", "behind"), "pinion_side": ("left", "right")}
# Least and greatest value that can be a steering rack for a car; beyond it the unit is wrong.
_PLAUSIBLE = {
    "inner_joint_spacing_mm": (100.0, 1500.0),
    "travel_mm": (20.0, 400.0),
    "turns": (0.3, 10.0),
    "mass_kg": (0.2, 60.0),
    "price": (0.0, 1e7),
    "housing_length_mm": (50.0, 1500.0),
    "housing_diameter_mm": (10.0, 200.0),
    "tie_rod_length_mm": (50.0, 1000.0),
    "tie_rod_adjustment_mm": (0.0, 200.0),
    "tie_rod_diameter_mm": (4.0, 60.0),
    "tie_rod_mass_kg": (0.05, 10.0),
    "joint_limit_deg": (2.0, 90.0),
    "pinion_offset_mm": (0.0, 700.0),
    "pinion_length_mm": (5.0, 400.0),
    "pinion_diameter_mm": (5.0, 250.0),
    "pinion_angle_deg": (-360.0, 360.0),
    "inner_joint_spacing_plus_minus_mm": (0.0, 200.0),
    "travel_plus_minus_mm": (0.0, 200.0),
    "pinion_lean_deg": (-60.0, 60.0),
    "pinion_bar_offset_mm": (-100.0, 100.0),
    "left_foot_along_mm": (-700.0, 700.0),
    "left_foot_forward_mm": (-300.0, 300.0),
    "left_foot_up_mm": (-300.0, 300.0),
    "right_foot_along_mm": (-700.0, 700.0),
    "right_foot_forward_mm": (-300.0, 300.0),
    "right_foot_up_mm": (-300.0, 300.0),
}
PLUS_MINUS = ("inner_joint_spacing_plus_minus_mm", "travel_plus_minus_mm")
"""Columns that say how sure others are; no design hangs on them."""


@dataclass(frozen=True, slots=True)
class Rack:
    """One rack of the catalogue; None where the catalogue is silent.

    Attributes:
        inner_joint_spacing_mm: distance between the inner joints of the bare rack.
        travel_mm: end to end.
        turns: turns of the pinion over that travel.
        made_for: side of the front axle it was made for.
        pinion_side: side of the car its pinion sits on when used as made.
        tie_rod_length_mm: inner to outer joint of the rods sold with it.
        tie_rod_adjustment_mm: how far that length can be screwed either way.
        joint_limit_deg: greatest angle of its inner joints from the rack axis.
        pinion_offset_mm: distance of the pinion housing from the middle, along the rack.
        pinion_angle_deg: direction of the pinion housing about the bar, from straight up,
            positive rearward, as the rack lies in its own car; None: free to choose when it is
            mounted.
        inner_joint_spacing_plus_minus_mm: how far the spacing may really be off either way.
        travel_plus_minus_mm: likewise the travel.
        pinion_lean_deg: lean of that direction along the bar, positive when the outer end is nearer
            the left of its own car.
        pinion_bar_offset_mm: by how much the pinion's axis misses the bar's, positive forward
            where the pinion points straight up; see `metrics.laid_rack`.
        left_foot_along_mm: where the left foot meets what it is bolted to, in the frame of
            `metrics.laid_rack`: along the bar to the left; then forward and up, and the right foot.
        foot_bolt: direction of the feet's bolts, `up`, `forward` or `x y z`, in that frame.
    """

    name: str
    inner_joint_spacing_mm: float
    travel_mm: float
    turns: float | None = None
    mass_kg: float | None = None
    price: float | None = None
    made_for: Placement | None = None
    pinion_side: Side | None = None
    housing_length_mm: float | None = None
    housing_diameter_mm: float | None = None
    tie_rod_length_mm: float | None = None
    joint_limit_deg: float | None = None
    pinion_offset_mm: float | None = None
    pinion_length_mm: float | None = None
    pinion_diameter_mm: float | None = None
    pinion_angle_deg: float | None = None
    tie_rod_adjustment_mm: float | None = None
    tie_rod_diameter_mm: float | None = None
    tie_rod_mass_kg: float | None = None
    inner_joint_spacing_plus_minus_mm: float | None = None
    travel_plus_minus_mm: float | None = None
    pinion_lean_deg: float | None = None
    pinion_bar_offset_mm: float | None = None
    left_foot_along_mm: float | None = None
    left_foot_forward_mm: float | None = None
    left_foot_up_mm: float | None = None
    right_foot_along_mm: float | None = None
    right_foot_forward_mm: float | None = None
    right_foot_up_mm: float | None = None
    foot_bolt: str | None = None

    @property
    def travel_each_way_mm(self) -> float:
        """Rack displacement from the middle to either end."""
        return 0.5 * self.travel_mm

    @property
    def travel_per_turn_mm(self) -> float | None:
        """Rack displacement of one turn of the pinion; None when the turns are unknown."""
        return None if self.turns is None else self.travel_mm / self.turns


COLUMNS = tuple(field.name for field in fields(Rack))


def read_racks(path: Path) -> tuple[Rack, ...]:
    """Read a catalogue.

    Raises:
        InputError: anything `read_table` refuses, a blank or double name, a blank spacing or
            travel, an implausible number, or a word that is not one of the allowed ones.
    """
    optional = tuple(name for name in COLUMNS if name not in REQUIRED_COLUMNS)
    racks: dict[str, Rack] = {}
    for row in read_table(path, REQUIRED_COLUMNS, optional):
        rack = _rack(row)
        if rack.name in racks:
            raise InputError(
                row.where, f"rack {rack.name!r} stands twice", "give each rack one row and one name"
            )
        racks[rack.name] = rack
    return tuple(racks.values())


def bolt_direction(text: str) -> tuple[float, float, float] | None:
    """Direction of feet's bolts in the rack's frame, x forward, y left, z up; None of no such.

    Args:
        text: `up`, `forward` or three numbers.
    """
    if text in _BOLTS:
        return _BOLTS[text]
    try:
        x, y, z = map(float, text.split())
    except ValueError:
        return None
    return (x, y, z) if math.isfinite(x + y + z) and any((x, y, z)) else None


def _check_feet(row: Row, values: dict[str, float | None], bolt: str | None) -> None:
    if bolt is not None and bolt_direction(bolt) is None:
        raise InputError(
            f"{row.where}, column foot_bolt",
            f"{row.text('foot_bolt')!r} is no direction",
            "write up, forward, or x y z as in 0 0.2 1: forward, left and up in its own car",
        )
    left, right = values["left_foot_along_mm"], values["right_foot_along_mm"]
    if left is not None and right is not None and left <= right:
        raise InputError(
            f"{row.where}, column left_foot_along_mm",
            f"{left:g} is not to the left of the right foot's {right:g}",
            "count both along the bar from midway between the inner joints, positive to the left "
            "of the car that the rack was made for",
        )


def _rack(row: Row) -> Rack:
    name = row.text("name")
    if not name:
        raise InputError(f"{row.where}, column name", "is blank", "give the rack a name")
    if len(name) > 80 or not name.isprintable():
        raise InputError(
            f"{row.where}, column name",
            "is too long or holds control characters",
            "use up to 80 plain characters",
        )
    values: dict[str, float | None] = {}
    for column, (least, greatest) in _PLAUSIBLE.items():
        value = row.number(column)
        if value is not None and not least <= value <= greatest:
            raise InputError(
                f"{row.where}, column {column}",
                f"{value:g} is not between {least:g} and {greatest:g}",
                "check the value and its unit (lengths in mm, travel end to end)",
            )
        if value is None and column in REQUIRED_COLUMNS:
            raise InputError(
                f"{row.where}, column {column}",
                "is blank",
                f"measure it: every search needs {' and '.join(REQUIRED_COLUMNS[1:])}",
            )
        values[column] = value
    words: dict[str, str | None] = {}
    for column, allowed in _TEXT_COLUMNS.items():
        word = row.text(column).lower() or None
        if word is not None and word not in allowed:
            raise InputError(
                f"{row.where}, column {column}",
                f"{row.text(column)!r} is not known",
                f"write {' or '.join(allowed)}, or leave it empty",
            )
        words[column] = word
    words["foot_bolt"] = row.text("foot_bolt").lower() or None
    _check_feet(row, values, words["foot_bolt"])
    return Rack(name=name, **values, **words)  # type: ignore[arg-type]  # checked above
