"""Wanted curves from their files, and whether they go as far as the study asks."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from optimiser.base.errors import InputError
from optimiser.base.tables import read_table
from optimiser.metrics.wanted import Curve

if TYPE_CHECKING:
    from pathlib import Path

    from optimiser.study.case import Study

TOE_COLUMNS = ("travel_mm", "toe_in_change_deg")
OUTER_COLUMNS = ("inner_deg", "outer_deg")
_MOST = {"travel_mm": 500.0, "toe_in_change_deg": 10.0, "inner_deg": 89.0, "outer_deg": 89.0}
_AT_REST_DEG = 1e-3
_NEAR = 1e-9


def read_wanted_toe(path: Path) -> Curve:
    """Wanted change of toe-in from rest, radians over mm of travel.

    Raises:
        InputError: as `_rows`, or a change that is not zero at rest.
    """
    travel, change = _rows(path, TOE_COLUMNS)
    curve = Curve(tuple(travel), tuple(np.radians(change).tolist()))
    at_rest = float(np.degrees(curve(0.0)))
    if travel[0] < 0.0 < travel[-1] and abs(at_rest) > _AT_REST_DEG:
        raise InputError(
            f"{path}, column {TOE_COLUMNS[1]}",
            f"is {at_rest:.3f} deg at rest, where nothing has changed yet",
            "give the change from rest, 0 at a travel of 0, not the toe itself",
        )
    return curve


def read_wanted_outer(path: Path) -> Curve:
    """Wanted outer angle over the inner one, both in radians and counted from straight ahead.

    Raises:
        InputError: as `_rows`, angles below zero, an outer angle that does not rise, or one that
            is not zero straight ahead.
    """
    inner, outer = _rows(path, OUTER_COLUMNS)
    if inner[0] > 0.0:
        inner, outer = [0.0, *inner], [0.0, *outer]
    if inner[0] < 0.0 or abs(outer[0]) > _NEAR:
        raise InputError(
            str(path),
            f"begins at {inner[0]:g} deg inner and {outer[0]:g} deg outer",
            "count both from straight ahead, where both are 0; the first row may be left out",
        )
    if not (np.diff(outer) > 0.0).all():
        row = int(np.flatnonzero(~(np.diff(outer) > 0.0))[0]) + 1
        raise InputError(
            f"{path}, column {OUTER_COLUMNS[1]}",
            f"{outer[row]:g} at {inner[row]:g} deg inner is not above the row before",
            "the outer wheel turns further as the inner one does: check the angles",
        )
    return Curve(*(tuple(np.radians(angles).tolist()) for angles in (inner, outer)))


def _rows(path: Path, columns: tuple[str, str]) -> tuple[list[float], list[float]]:
    """Numbers of both columns, the first rising.

    Raises:
        InputError: anything `read_table` refuses, a blank or implausible cell, fewer than two
            rows, or a first column that does not rise.
    """
    found: tuple[list[float], list[float]] = ([], [])
    for row in read_table(path, columns):
        for column, values in zip(columns, found, strict=True):
            value, place = row.number(column), f"{row.where}, column {column}"
            if value is None:
                raise InputError(place, "is blank", "give a number, or remove the row")
            if not abs(value) <= _MOST[column]:
                unit = column.rpartition("_")[2]
                raise InputError(
                    place,
                    f"{value:g} is not between {-_MOST[column]:g} and {_MOST[column]:g} {unit}",
                    f"check the value, which is in {unit}",
                )
            values.append(value)
        if len(found[0]) > 1 and not found[0][-1] > found[0][-2]:
            raise InputError(
                f"{row.where}, column {columns[0]}",
                f"{found[0][-1]:g} is not above {found[0][-2]:g} in the row before",
                "sort the rows, each value once",
            )
    if len(found[0]) < 2:
        raise InputError(str(path), "holds a single row", "give two at least")
    return found


def check_wanted(study: Study, where: str) -> None:
    """Refuse wanted curves and bands that end before the travel, or the lock, that they are for.

    Raises:
        InputError: one of them does.
    """
    steering, travel, lock = study.file.steering, study.travel, study.inner_lock
    if steering is None:
        return
    place = f"{where}, [steering]"
    bands, toe, outer = steering.bump_bands, study.wanted_toe, study.wanted_outer
    if bands and travel is not None:
        most = max(travel.bump_mm, travel.droop_mm)
        if bands[-1][0] < most - _NEAR:
            raise InputError(
                f"{place} acceptable_bump_steer_deg",
                f"ends at {bands[-1][0]:g} mm of travel, the wheel moves {most:g} mm",
                f"add [{most:g}, ...] at the end of the list, with what you accept up to there",
            )
    if steering.wanted_toe is not None and toe is not None and travel is not None:
        low, high = toe.at[0], toe.at[-1]
        if low > -travel.droop_mm + _NEAR or high < travel.bump_mm - _NEAR:
            raise InputError(
                f"{place} wanted_toe",
                f"{steering.wanted_toe} goes from {low:g} to {high:g} mm, the wheel from "
                f"{-travel.droop_mm:g} to {travel.bump_mm:g} mm",
                "add rows for the rest of the travel",
            )
    if steering.wanted_outer is not None and outer is not None and lock is not None:
        end, need = np.degrees([outer.at[-1], lock])
        if end < need - _NEAR:
            raise InputError(
                f"{place} wanted_outer",
                f"{steering.wanted_outer} ends at {end:g} deg of the inner wheel, which has to "
                f"turn to {need:g} deg",
                "add rows up to the required lock",
            )
