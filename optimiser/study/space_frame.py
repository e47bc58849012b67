"""A space frame from its file: tubes as keep-outs, a row each."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimiser.base.errors import InputError
from optimiser.base.tables import read_table

if TYPE_CHECKING:
    from pathlib import Path

_ENDS = ("x1_mm", "y1_mm", "z1_mm", "x2_mm", "y2_mm", "z2_mm")
FRAME_COLUMNS = ("name", *_ENDS, "diameter_mm")
_FARTHEST_MM = 1e5
_DIAMETERS_MM = (0.2, 2000.0)
MOST_TUBES = 5000


@dataclass(frozen=True, slots=True)
class Tube:
    """A tube of a frame in the CAD frame, mm."""

    name: str
    start: tuple[float, float, float]
    end: tuple[float, float, float]
    diameter_mm: float


def read_frame(path: Path) -> tuple[Tube, ...]:
    """Tubes of a file `name,x1_mm,...,z2_mm,diameter_mm` in the CAD frame.

    Raises:
        InputError: anything `read_table` refuses, a blank or implausible cell, a tube without a
            length, or too many of them.
    """
    rows = read_table(path, FRAME_COLUMNS)
    if len(rows) > MOST_TUBES:
        raise InputError(
            str(path), f"holds {len(rows)} tubes", f"leave out what is far away, up to {MOST_TUBES}"
        )
    tubes = []
    for row in rows:
        name = row.text("name")
        if not name or not name.isprintable():
            raise InputError(f"{row.where}, column name", "is blank", "name the tube")
        numbers = []
        for column in FRAME_COLUMNS[1:]:
            value, place = row.number(column), f"{row.where}, column {column}"
            low, high = _DIAMETERS_MM if column == "diameter_mm" else (-_FARTHEST_MM, _FARTHEST_MM)
            if value is None:
                raise InputError(place, "is blank", "give a number in mm, or remove the row")
            if not low <= value <= high:
                raise InputError(
                    place,
                    f"{value:g} is not between {low:g} and {high:g} mm",
                    "check the value, which is in mm",
                )
            numbers.append(value)
        if np.array_equal(numbers[:3], numbers[3:6]):
            raise InputError(
                row.where,
                f"tube {name!r:.70} has no length: both ends are one point",
                "give its two ends, or remove the row",
            )
        x1, y1, z1, x2, y2, z2, diameter = numbers
        tubes.append(Tube(name, (x1, y1, z1), (x2, y2, z2), diameter))
    return tuple(tubes)
