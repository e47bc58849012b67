"""Play of joints, rack and column, at the wheels and in the driver's hands."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimiser.metrics.compliance.statics import rod_direction

if TYPE_CHECKING:
    from optimiser.linkage.poses import Poses
    from optimiser.linkage.vectors import Array

ALLOWED_DEG = 7.0
"""At the steering wheel: Formula SAE rules 2021, V.3.2.5 (read)."""


@dataclass(frozen=True, slots=True)
class Play:
    """Full clearance, from one end of it to the other.

    Attributes:
        inner_joint_mm: of each inner joint, along the tie rod.
        outer_joint_mm: of each outer joint, along the tie rod.
        rack_mm: of the rack in its housing and on the pinion, along the bar.
        column_deg: of the column's joints and splines, at the steering wheel.
    """

    inner_joint_mm: float = 0.0
    outer_joint_mm: float = 0.0
    rack_mm: float = 0.0
    column_deg: float = 0.0


def play_metrics(play: Play, rest: Poses, travel_per_turn_mm: Array) -> dict[str, Array]:
    """Play of designs at rest (n,), in degrees: of one wheel, of both, and at the steering wheel.

    A rod that is longer or shorter by s moves its wheel as a rack displaced by s / |t_y|, t being
    the rod's direction. `travel_per_turn_mm` (n,) is NaN where it is not known. Elementary
    geometry; no source needed.
    """
    rate = np.degrees(np.abs(rest.steer_per_rack))
    with np.errstate(divide="ignore"):
        rod = (play.inner_joint_mm + play.outer_joint_mm) / np.abs(rod_direction(rest)[1])
    wound = play.column_deg / 360.0 * travel_per_turn_mm if play.column_deg else 0.0
    return {
        "toe_play_deg": rate * rod,
        "steer_play_deg": rate * (play.rack_mm + wound),
        "steering_wheel_play_deg": play.column_deg
        + 360.0 / travel_per_turn_mm * (play.rack_mm + rod),
    }
