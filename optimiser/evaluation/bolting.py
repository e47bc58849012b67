"""What a study says of bolting a rack down and of driving it, in body axes and plain numbers."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

import numpy as np

from optimiser.metrics.laid_rack import FOOT_COLUMNS

if TYPE_CHECKING:
    from collections.abc import Mapping

    from optimiser.linkage.racks import Rack
    from optimiser.linkage.vectors import Array

GREATEST_MISS_MM = 2.0
"""By how much the two shafts of a single joint may miss one another; see the study's keys."""
Vector = tuple[float, float, float]
IF_KNOWN = (
    "mount_mm",
    "pinion_facing_deg",
    "column_upper_angle_deg",
    "column_lower_angle_deg",
    "column_miss_mm",
)
"""Quantities on which a study has limits without naming them; they hold for the racks of which
the catalogue says enough."""


@dataclass(frozen=True, slots=True)
class MountZone:
    """A box along the body axes in which a foot of the rack may stand, from `low` to `high`.

    `foot` is the one that ends on that side of this car.
    """

    low: Vector
    high: Vector
    foot: Literal["left", "right", "either"] = "either"


@dataclass(frozen=True, slots=True)
class Column:
    """The steering wheel's shaft, and what may join it to the pinion.

    Attributes:
        wheel: a point on the shaft of the steering wheel.
        axis: direction of that shaft away from the driver, of unit length.
        joints: universal joints.
        joint_limit: greatest angle of each, radians.
        lower_mm: least and greatest distance of the lower joint from the end of the pinion housing,
            along the pinion's axis.
        upper_mm: of the upper joint from `wheel` along `axis`; not with one joint, which is where
            the two axes meet.
        length_mm: of the middle shaft, joint to joint.
        shaft_diameter_mm: of all shafts; None: their clearance is not known.
        yoke_step: angle between two ways of setting a fork on its splines, radians; 0: any.
        straight_ahead: what the steering is where it runs straight: at its lightest or heaviest.
    """

    wheel: Vector
    axis: Vector
    joints: Literal[1, 2]
    joint_limit: float
    lower_mm: tuple[float, float]
    upper_mm: tuple[float, float]
    length_mm: tuple[float, float] = (0.0, np.inf)
    shaft_diameter_mm: float | None = None
    yoke_step: float = 0.0
    straight_ahead: Literal["light", "heavy"] = "light"


@dataclass(frozen=True, slots=True)
class Bolting:
    """Where feet may stand, and the column; empty where the study is silent.

    Attributes:
        zones: where feet may stand.
        column: what drives the pinion.
        rolls_deg: roll of racks by name, of those that do not lie as where nothing is said.
    """

    zones: tuple[MountZone, ...] = ()
    column: Column | None = None
    rolls_deg: Mapping[str, float] = field(default_factory=dict)

    def boxes(self, foot: Literal["left", "right"]) -> tuple[Array, Array]:
        """Corners (k, 3) of the zones for one foot, the low ones and the high ones."""
        mine = [zone for zone in self.zones if zone.foot in (foot, "either")]
        low, high = [zone.low for zone in mine], [zone.high for zone in mine]
        return np.array(low).reshape(-1, 3), np.array(high).reshape(-1, 3)


# --- what a catalogue has to say -----------------------------------------------------------------


def missing_for_feet(rack: Rack) -> str:
    """The first catalogue column without which a rack's feet are not known; empty if none is."""
    return _first_blank(rack, ("made_for", *FOOT_COLUMNS))


def missing_for_pinion(rack: Rack) -> str:
    """The same of where its pinion lies and points, without which no column reaches it."""
    side = () if rack.pinion_offset_mm == 0.0 else ("pinion_side",)
    columns = ("made_for", *side, "pinion_offset_mm", "pinion_length_mm", "pinion_angle_deg")
    return _first_blank(rack, columns)


def _first_blank(rack: Rack, columns: tuple[str, ...]) -> str:
    return next((name for name in columns if getattr(rack, name) is None), "")
