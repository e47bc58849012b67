"""Readings of toe from their file: one row each, each wheel by itself."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimiser.base.errors import InputError
from optimiser.base.tables import read_header, read_table

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from numpy.typing import NDArray

    from optimiser.base.tables import Row
    from optimiser.linkage.vectors import Array
    from optimiser.study.measuring import MeasuringTable

SIDES = ("left", "right")
_WAYS: tuple[tuple[str, ...], ...] = (
    ("toe_in_deg",),
    ("toe_in_mm",),
    ("front_gauge_mm", "rear_gauge_mm"),
)
_OPTIONAL = ("rack_mm", "round")
_MOST = {"travel_mm": 500.0, "rack_mm": 200.0}
_MOST_TOE_DEG = 30.0
MOST_READINGS = 1000
_FEW = 3
_AT_REST_MM = 1.0
_REACHED = 0.5
_LEAST_SPARE = 10
"""Readings beyond the first of each place from which the scatter of repeated ones is told: from
four of them bands of 95 % held 86."""
_MEDIAN_OF_NORMAL = 0.6745
_ROUGHER = 1.5
"""By how much the root of the mean square may be beyond what the median tells: else a misread one
makes it."""
_LEAST_NOISE = 0.25
"""Repeated readings that all agree tell of the scale's divisions, not of so little noise."""


@dataclass(frozen=True, slots=True, eq=False)
class Readings:
    """Readings (n,); of the right wheel too travel and toe-in are those of a wheel, not of an axis.

    Attributes:
        side: 0 left, 1 right.
        travel_mm: vertical, at the wheel centre, from ride height; bump positive.
        toe_in: radians.
        rack_mm: displacement of the rack, positive to the left.
        round: 0 for the first.
        where: file and line of each.
    """

    side: NDArray[np.intp]
    travel_mm: Array
    toe_in: Array
    rack_mm: Array
    round: NDArray[np.intp]
    where: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.side)

    @property
    def own_rack_mm(self) -> Array:
        """Rack displacement as a left wheel would see it: that of the right one in the mirror."""
        return np.where(self.side == 0, self.rack_mm, -self.rack_mm)

    def of(self, side: int, round_: int | None = None) -> NDArray[np.bool_]:
        """Where readings are of a side, and of a round."""
        mine = self.side == side
        return np.asarray(mine if round_ is None else mine & (self.round == round_))

    @property
    def sides(self) -> tuple[int, ...]:
        """Sides that were measured with the rack at its centre."""
        return tuple(s for s in (0, 1) if (self.of(s) & (self.rack_mm == 0.0)).any())

    def repeated_noise(self, stated: float) -> float | None:
        """Standard deviation of a reading, radians, by those that were repeated; None if too few.

        Pooled over all places: the sum of squares about each mean over the spare readings; or what
        the median of these departures tells of normal ones, where one is misread.
        """
        places = np.stack([self.side, self.travel_mm, self.rack_mm, self.round], axis=1)
        _, group = np.unique(places, axis=0, return_inverse=True)
        counts = np.bincount(group)
        mean = np.bincount(group, self.toe_in) / counts
        spare = int(np.sum(counts - 1))
        if spare < _LEAST_SPARE:
            return None
        off, several = self.toe_in - mean[group], counts[group] > 1
        root = float(np.sqrt(np.sum(off * off) / spare))
        own = np.abs(off) * np.sqrt(counts / np.maximum(counts - 1, 1))[group]
        median = float(np.median(own[several])) / _MEDIAN_OF_NORMAL
        return max(_LEAST_NOISE * stated, min(root, max(stated, _ROUGHER * median)))

    def notes(self) -> Iterator[str]:
        """What is thin about them, a sentence each."""
        for side, name in enumerate(SIDES):
            mine = self.of(side) & (self.rack_mm == 0.0)
            travel = self.travel_mm[mine]
            if not len(travel):
                yield f"The {name} wheel was not measured: nothing is said to be right with it."
                continue
            places = len(np.unique(travel))
            if places < _FEW:
                yield (
                    f"The {name} wheel has readings at {places} travel{'s' * (places > 1)} only: "
                    "three at least tell a slope from a bend, and what is said of it rests on the "
                    "drawing and its tolerances."
                )
            for way, word in ((1.0, "bump"), (-1.0, "droop")):
                if not (way * travel > _AT_REST_MM).any():
                    yield f"The {name} wheel has no reading in {word}: there its curve is guessed."

    def reach_notes(self, travel_mm: Array) -> Iterator[str]:
        """Where they reach less than half of the study's travel either way, a sentence each."""
        low, high = float(travel_mm[0]), float(travel_mm[-1])
        for side in self.sides:
            read = self.travel_mm[self.of(side) & (self.rack_mm == 0.0)]
            ends = ((high, float(read.max())), (low, float(read.min())))
            # Where there is none at all `notes` says so.
            if any(
                _AT_REST_MM < way < _REACHED * abs(end)
                for end, most in ends
                if (way := float(np.copysign(most, end * most)))
            ):
                yield (
                    f"The {SIDES[side]} wheel was read from {read.min():+.3g} to "
                    f"{read.max():+.3g} mm, where the study goes from {low:+g} to {high:+g}: "
                    "beyond, its curve is guessed (travel_mm is in mm)."
                )


def read_readings(path: Path, table: MeasuringTable) -> Readings:
    """Read them; columns `side`, `travel_mm` and one way of measuring toe.

    Toe-in is `toe_in_deg`; or `toe_in_mm` over `[measuring] toe_over_mm`; or of two gauges at one
    height outboard of the wheel, `front_gauge_mm` and `rear_gauge_mm`, `gauge_distance_mm` apart:
    atan((rear - front) / distance), since a plate that toes in leaves the front one and comes to
    the rear one.

    Raises:
        InputError: anything `read_table` refuses, total toe, no or two ways of measuring, a blank
            or implausible cell, a round whose shims are not known, or too many rows.
    """
    columns = _way(path, table)
    rows = read_table(path, ("side", "travel_mm", *columns), _OPTIONAL)
    if len(rows) > MOST_READINGS:
        raise InputError(
            str(path),
            f"holds {len(rows)} readings, more than {MOST_READINGS}",
            "keep the mean of those that were repeated",
        )
    found = [_reading(row, columns, table) for row in rows]
    side, travel, toe, rack, rounds, where = zip(*found, strict=True)
    readings = Readings(
        np.array(side, dtype=np.intp),
        np.array(travel),
        np.array(toe),
        np.array(rack),
        np.array(rounds, dtype=np.intp),
        where,
    )
    if not readings.sides:
        raise InputError(
            str(path),
            "has no reading with the rack at its centre",
            "leave rack_mm empty where the rack was centred and locked",
        )
    return readings


def _way(path: Path, table: MeasuringTable) -> tuple[str, ...]:
    """Columns of the one way in which toe was measured."""
    header = read_header(path)
    if any("total" in name for name in header):
        _refuse_total(f"{path}, first line")
    used = [way for way in _WAYS if any(name in header for name in way)]
    if len(used) != 1:
        raise InputError(
            f"{path}, first line",
            "names no column of toe" if not used else "measures toe in two ways",
            "name one of toe_in_deg; toe_in_mm; front_gauge_mm and rear_gauge_mm",
        )
    needs = {"toe_in_mm": "toe_over_mm", "front_gauge_mm": "gauge_distance_mm"}
    needed = needs.get(used[0][0])
    if needed is not None and getattr(table, needed) is None:
        raise InputError(
            f"{path}, column {used[0][0]}",
            f"is an angle only with [measuring] {needed}",
            f"give {needed} in the study, or toe_in_deg here",
        )
    return used[0]


def _refuse_total(where: str) -> None:
    raise InputError(
        where,
        "is total toe, of both wheels together",
        "measure each wheel by itself, against the car's middle: left and right in rows of theirs",
    )


def _reading(
    row: Row, columns: tuple[str, ...], table: MeasuringTable
) -> tuple[int, float, float, float, int, str]:
    side = row.text("side").lower()
    if side in ("total", "both"):
        _refuse_total(f"{row.where}, column side")
    if side not in SIDES:
        raise InputError(f"{row.where}, column side", f"{side!r} is no side", "write left or right")
    values = [_number(row, name) for name in columns]
    toe = _toe(columns, values, table)
    if not abs(toe) <= np.radians(_MOST_TOE_DEG):
        raise InputError(
            f"{row.where}, column {columns[0]}",
            f"makes {np.degrees(toe):.3g} deg of toe-in",
            f"at most {_MOST_TOE_DEG:g} deg is plausible: check the value and [measuring]",
        )
    rack = 0.0 if not row.text("rack_mm") else _number(row, "rack_mm")
    return (
        SIDES.index(side),
        _number(row, "travel_mm"),
        toe,
        rack,
        _round(row, table),
        row.where,
    )


def _number(row: Row, column: str) -> float:
    value, place = row.number(column), f"{row.where}, column {column}"
    if value is None:
        raise InputError(place, "is blank", "give a number, or remove the row")
    most = _MOST.get(column)
    if most is not None and not abs(value) <= most:
        raise InputError(
            place, f"{value:g} is not between {-most:g} and {most:g} mm", "it is in mm: check it"
        )
    return value


def _toe(columns: tuple[str, ...], values: list[float], table: MeasuringTable) -> float:
    """Toe-in in radians."""
    if columns == ("toe_in_deg",):
        return float(np.radians(values[0]))
    if columns == ("toe_in_mm",):
        return float(np.arctan2(values[0], table.toe_over_mm or np.nan))
    front, rear = values
    way = 1.0 if table.gauges_read == "outboard" else -1.0
    return float(np.arctan2(way * (rear - front), table.gauge_distance_mm or np.nan))


def _round(row: Row, table: MeasuringTable) -> int:
    number = 1.0 if not row.text("round") else _number(row, "round")
    place, known = f"{row.where}, column round", len(table.fitted_shims_mm)
    if number != int(number) or not 1 <= number <= 99:
        raise InputError(place, f"{number:g} is no round", "write 1 for the first, then 2")
    if number > known:
        raise InputError(
            place,
            f"is round {number:g}, but [measuring] fitted_shims_mm tells of {known}",
            "give it a list of four for each round, with the shims fitted when it was measured",
        )
    return int(number) - 1
