"""Points that cannot be the left front corner of a car: a wrong unit, sign, name or row."""

from __future__ import annotations

from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from optimiser.base.errors import InputError
from optimiser.linkage.vectors import Array, norm

if TYPE_CHECKING:
    from collections.abc import Mapping

MM_PER_UNIT = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4}
# No two of these joints can be closer and still be made; nearer ones are a slip of the keyboard.
LEAST_DISTANCE_MM = 1.0
# The corner of a car, wheel centre to pivots: smaller is metres or inches, larger is not a car.
LEAST_EXTENT_MM, GREATEST_EXTENT_MM = 120.0, 3000.0
# A row that lies further than this from the box of all others may be in another unit than they are.
_STRAY_MM = 150.0


def check_units(found: Mapping[str, Array], places: Mapping[str, str], unit: str) -> None:
    """Refuse a row in another unit: far from all others, and near them once it is converted.

    Only a minority of rows is suspected, and only of a factor so great that no origin of the CAD
    axes explains it: metres or inches among millimetres, not centimetres. An inner joint may well
    lie alone near the origin, so that of it only metres are believed.

    Args:
        found: numbers (3,) of each point as the file has them, in CAD axes.
        places: file and line of each, for the message.
        unit: unit of the file.

    Raises:
        InputError: a row seems to be in another unit than the rest.
    """
    values = np.array(list(found.values()))
    size = np.max(np.abs(values), axis=1)
    here, strays = MM_PER_UNIT[unit], []
    for other, mm in MM_PER_UNIT.items():
        factor = mm / here
        share = factor * size / np.median(size)
        suspects = (share > 1.0 / 3.0) & (share < 3.0)
        if 0.05 < factor < 20.0 or suspects.sum() > len(size) // 2:
            continue
        for (name, value), suspect in zip(found.items(), suspects, strict=True):
            if not suspect or (name == "inner_joint" and 0.01 < factor < 100.0):
                continue
            stray, near = (here * _outside(values[~suspects], at) for at in (value, factor * value))
            if stray > _STRAY_MM and near < 0.5 * stray:
                strays.append((near, name, stray, other))
    for _, name, stray, other in sorted(strays)[:1]:
        raise InputError(
            places[name],
            f"{name} lies {stray:.0f} mm from all other points, and near them if its numbers "
            f"are in {other}",
            f"write every row in {unit}",
        )


def _outside(points: Array, at: Array) -> float:
    """Distance of a point (3,) from the box along the axes that holds some points (n, 3)."""
    low, high = points.min(axis=0), points.max(axis=0)
    return float(norm(np.maximum(np.maximum(low - at, at - high), 0.0)))


def check_corner(points: Mapping[str, Array], where: str) -> None:
    """Refuse points (3,) in body axes that cannot be a left corner.

    Raises:
        InputError: on the right side, coincident, an arm with no axis, upside down, inside out,
            or of an implausible size.
    """
    _check_size(points, where)
    for name, value in points.items():
        if value[1] <= 0.0:
            raise InputError(
                where,
                f"{name} lies at y = {value[1]:.1f} mm, on the right of the car or on its "
                "middle plane",
                "give the LEFT corner, and check left and ground_origin_mm in [frame]",
            )
    for (first, a), (second, b) in combinations(points.items(), 2):
        if norm(a - b) < LEAST_DISTANCE_MM:
            same_arm = {first, second} in (
                {"lower_front_pivot", "lower_rear_pivot"},
                {"upper_front_pivot", "upper_rear_pivot"},
            )
            problem = (
                "so the arm has no axis to turn about" if same_arm else "which is one point twice"
            )
            raise InputError(
                where,
                f"{first} and {second} are less than {LEAST_DISTANCE_MM:g} mm apart, {problem}",
                "check both rows",
            )
    if points["upper_ball_joint"][2] <= points["lower_ball_joint"][2]:
        raise InputError(
            where,
            "upper_ball_joint is not above lower_ball_joint",
            "check up in [frame] and the names of the two arms",
        )
    for arm in ("lower", "upper"):
        _check_arm(points, arm, where)
    _check_order(points, where)


def _check_size(points: Mapping[str, Array], where: str) -> None:
    values = np.array(list(points.values()))
    extent = float(np.max(np.ptp(values, axis=0)))
    if extent < LEAST_EXTENT_MM:
        guess = "metres" if extent < 3.0 else "inches"
        raise InputError(
            where,
            f"the points span only {extent:.3g} mm, which looks like {guess}",
            'write millimetres, or state the unit with unit = "m" or "in" in [hardpoints]',
        )
    furthest = max(extent, float(np.max(np.abs(values))))
    if extent > GREATEST_EXTENT_MM or furthest > 10.0 * GREATEST_EXTENT_MM:
        raise InputError(
            where,
            f"the points reach {furthest:.4g} mm, which is no front corner",
            "check the unit, ground_origin_mm and each row",
        )


def _check_arm(points: Mapping[str, Array], arm: str, where: str) -> None:
    front, rear = points[f"{arm}_front_pivot"], points[f"{arm}_rear_pivot"]
    ball = points[f"{arm}_ball_joint"]
    if front[0] <= rear[0]:
        raise InputError(
            where,
            f"{arm}_front_pivot is not ahead of {arm}_rear_pivot",
            "check forward in [frame] and the two names",
        )
    axis = (front - rear) / norm(front - rear)
    if float(norm(np.cross(ball - rear, axis))) < LEAST_DISTANCE_MM:
        raise InputError(
            where,
            f"{arm}_ball_joint lies on the axis of its own arm",
            "check the pivots and the ball joint",
        )


def _check_order(points: Mapping[str, Array], where: str) -> None:
    """The wheel is outboard of its arms and the tie rod's ends are the right way round."""
    inboard = max(points["lower_front_pivot"][1], points["lower_rear_pivot"][1])
    if points["wheel_centre"][1] <= inboard:
        raise InputError(
            where,
            "wheel_centre is not outboard of the lower pivots",
            "check left in [frame] and the rows",
        )
    if points["outer_joint"][1] <= points["inner_joint"][1]:
        raise InputError(
            where,
            "outer_joint is not outboard of inner_joint",
            "check whether the two are exchanged",
        )
