"""Whether a column points forward, and whether its shafts can reach any rack of the study."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from optimiser.base.errors import InputError
from optimiser.evaluation.bolting import GREATEST_MISS_MM, missing_for_pinion
from optimiser.evaluation.clearance.engine import segment_box_distance
from optimiser.evaluation.designs import ends
from optimiser.study.bolting_parts import bolting_of

if TYPE_CHECKING:
    from optimiser.evaluation.bolting import Column
    from optimiser.linkage.racks import Rack
    from optimiser.linkage.vectors import Array
    from optimiser.study.case import Study


def check_bolting(study: Study, where: str) -> None:
    """Refuse zones for one foot alone, and a column that cannot be or that no pinion can reach.

    Raises:
        InputError: it does.
    """
    bolting = bolting_of(study.file, study.frame)
    for foot, other in (("left", "right"), ("right", "left")):
        if bolting.zones and all(zone.foot == other for zone in bolting.zones):
            raise InputError(
                f"{where}, [[mount_zone]]",
                f"none is for the {foot} foot, so that no rack could be bolted down",
                f'add one for it, or write foot = "either" in place of "{other}"',
            )
    column = bolting.column
    if column is None:
        return
    place = f"{where}, [column]"
    if not column.axis[0] > 0.0:
        raise InputError(
            f"{place} steering_wheel_axis",
            "points backwards, or square to the car",
            "give the direction of the steering wheel's shaft away from the driver; [frame] says "
            "which CAD axis is forward",
        )
    known = [rack for rack in study.racks if not missing_for_pinion(rack)]
    if not known:
        return
    least, most = _apart(study, column, known)
    low, high = column.length_mm if column.joints == 2 else (0.0, GREATEST_MISS_MM)
    if least > high:
        raise InputError(
            place,
            f"the upper joint is at least {least:.0f} mm from where any lower joint can be, and "
            f"{f'shaft_length_mm ends at {high:g}' if column.joints == 2 else 'one joint is both'}",
            "check steering_wheel_mm, steering_wheel_axis and the ranges of the joints, or widen "
            "them",
        )
    if most < low:
        raise InputError(
            f"{place} shaft_length_mm",
            f"begins at {low:g} mm, and no two places of the joints are more than {most:.0f} mm "
            "apart",
            "check the ranges of the joints, or give a smaller from",
        )


def _apart(study: Study, column: Column, racks: list[Rack]) -> tuple[float, float]:
    """Bounds on the least and greatest distance of upper and lower joint of any design, mm."""
    reach = column.lower_mm[1] + max(map(_from_bar, racks))
    space = study.space
    (x0, x1), (z0, z1) = ends(space["rack_fore_aft_mm"]), ends(space["rack_height_mm"])
    low, high = np.array([x0, 0.0, z0]), np.array([x1, 0.0, z1])
    wheel, axis = np.array(column.wheel), np.array(column.axis)
    upper = wheel + axis * np.array(column.upper_mm)[:, None]
    nearest = float(segment_box_distance(upper[0], upper[1], low, high))
    farthest = max(float(_farthest(end, low, high)) for end in upper)
    return max(nearest, 0.0) - reach, farthest + reach


def _farthest(point: Array, low: Array, high: Array) -> Array:
    gap = np.maximum(np.abs(point - low), np.abs(point - high))
    return np.asarray(np.sqrt(np.sum(gap**2)))


def _from_bar(rack: Rack) -> float:
    """How far the end of a pinion housing can be from the middle of the bar, mm."""
    aside = abs(rack.pinion_bar_offset_mm or 0.0)
    return (rack.pinion_offset_mm or 0.0) + (rack.pinion_length_mm or 0.0) + aside
