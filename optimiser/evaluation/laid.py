"""Where feet, bolts and pinion of the racks of designs come to lie in the car."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimiser.evaluation.bolting import missing_for_pinion
from optimiser.linkage.racks import bolt_direction
from optimiser.metrics.laid_rack import (
    angle_in_car_deg,
    beside_bar,
    distance_to_boxes,
    facing_deg,
    feet_in_car,
    laid,
    own_feet,
    pinion_axis,
    tilt,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from optimiser.evaluation.bolting import Bolting
    from optimiser.evaluation.designs import Designs
    from optimiser.linkage.racks import Rack
    from optimiser.linkage.vectors import Array


LAID = ("mount_mm", "foot_bolt_tilt_deg", "pinion_facing_deg")
"""Quantities of `laid_metrics`."""


@dataclass(frozen=True, slots=True)
class LaidRacks:
    """The racks of N designs in body axes; NaN where the catalogue does not say enough.

    Attributes:
        turned: whether it is turned end for end, (N,).
        roll_deg: about its bar, positive when what was up goes rearward, (N,).
        feet: where they meet what they stand on, that on the left of this car first, (N, 2, 3).
        bolt: direction of their bolts, (N, 3).
        pinion_begin: where the pinion's axis passes the bar, (N, 3).
        pinion_end: outer end of its housing, (N, 3).
        pinion: direction of its axis, outward, (N, 3).
        pinion_angle_deg: of that direction about the bar from straight up, positive rearward, (N,).
    """

    turned: NDArray[np.bool_]
    roll_deg: Array
    feet: Array
    bolt: Array
    pinion_begin: Array
    pinion_end: Array
    pinion: Array
    pinion_angle_deg: Array


def lay_racks(
    designs: Designs,
    origin: Array,
    racks: Sequence[Rack],
    turned: Sequence[bool | None],
    roll_deg: Array,
) -> LaidRacks:
    """Lay the racks of N designs, see `metrics.laid_rack`.

    Args:
        designs: N designs.
        origin: midway between the inner joints with the rack centred, (N, 3).
        racks: candidate racks.
        turned: whether each is turned end for end; None where that is not known.
        roll_deg: of each design's rack, (N,).
    """
    index, known = designs.rack, np.array([way is not None for way in turned])
    turn = np.array([bool(way) for way in turned])[index]
    roll = np.radians(roll_deg)
    own = np.array([own_feet(rack) for rack in racks]).reshape(-1, 2, 3)
    own[~known] = np.nan
    bolts = np.array([_bolt(rack) for rack in racks]).reshape(-1, 3)
    bolts[~known] = np.nan
    numbers = np.array([_pinion(rack) for rack in racks]).reshape(-1, 5)
    along, length, own_angle, lean, beside = numbers[index].T
    sign = np.where(turn, -1.0, 1.0)
    angle_deg = angle_in_car_deg(own_angle, turn, roll_deg)
    angle = np.radians(angle_deg)
    axis = pinion_axis(angle, sign * np.radians(lean))
    begin = origin + (sign * beside)[:, None] * beside_bar(angle)
    begin[:, 1] += sign * along
    return LaidRacks(
        turned=turn,
        roll_deg=roll_deg,
        feet=origin[:, None] + feet_in_car(own[index], turn, roll),
        bolt=laid(bolts[index], turn, roll),
        pinion_begin=begin,
        pinion_end=begin + length[:, None] * axis,
        pinion=axis,
        pinion_angle_deg=angle_deg,
    )


def _bolt(rack: Rack) -> tuple[float, float, float]:
    found = None if rack.foot_bolt is None else bolt_direction(rack.foot_bolt)
    return (np.nan, np.nan, np.nan) if found is None else found


def _pinion(rack: Rack) -> tuple[float, ...]:
    """Place along the bar to the left of its own car, length, angle, lean and offset beside it."""
    if missing_for_pinion(rack):
        return (np.nan,) * 5
    sign = -1.0 if rack.pinion_side == "right" else 1.0
    return (
        sign * (rack.pinion_offset_mm or 0.0),
        rack.pinion_length_mm or 0.0,
        rack.pinion_angle_deg or 0.0,
        rack.pinion_lean_deg or 0.0,
        rack.pinion_bar_offset_mm or 0.0,
    )


def laid_metrics(racks: LaidRacks, bolting: Bolting) -> dict[str, Array]:
    """Numbers of laid racks by their column, (N,) each; NaN where the catalogue is silent.

    `mount_mm` is there where the study has zones; of a foot without a zone it is infinite.
    """
    found = {
        "pinion_facing_deg": facing_deg(racks.pinion_angle_deg),
        "foot_bolt_tilt_deg": np.degrees(tilt(racks.bolt)),
    }
    if bolting.zones:
        left = distance_to_boxes(racks.feet[:, 0], *bolting.boxes("left"))
        right = distance_to_boxes(racks.feet[:, 1], *bolting.boxes("right"))
        found["mount_mm"] = np.maximum(left, right)
    return found
