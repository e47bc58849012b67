"""The springs of a corner: what a study gives of them, and what each gives way, mm for a newton.

Rubber has no default. What is not given is rigid, and is named as such.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimiser.linkage.steering_arm import arm_foot
from optimiser.linkage.vectors import norm
from optimiser.metrics.strength import Rod

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import ArrayLike

    from optimiser.linkage.hardpoints import Hardpoints
    from optimiser.linkage.vectors import Array

_N_MM_PER_DEG = 1000.0 * 180.0 / np.pi  # of a radian, for one N m per degree
RACK_SPRINGS = ("rack mount", "column")
"""Springs that both corners lean on, by way of the rack."""
SPRINGS = (
    *RACK_SPRINGS,
    "lower bushes",
    "lower bushes, axial",
    "upper bushes",
    "upper bushes, axial",
    "brackets",
    "ball joints",
    "rod ends",
    "tie rods",
    "spacers and bar",
    "steering arms",
)


@dataclass(frozen=True, slots=True)
class Stiffness:
    """Stiffness of parts that no section tells; None: rigid. In N/mm unless the name says another.

    Attributes:
        rack_mount: of both feet together, along the bar.
        lower_bush: of each pivot of the lower arm, square to its axis.
        lower_bush_axial: the same along the axis.
        upper_bush: of each pivot of the upper arm.
        upper_bush_axial: likewise.
        bracket: of each pivot's bracket, any way, in series with the bush.
        ball_joint: of each ball joint on the upright, any way.
        rod_end: of both joints of one tie rod together, along the rod.
        column_nm_per_deg: of the column, at the steering wheel with the pinion held.
    """

    rack_mount: float | None = None
    lower_bush: float | None = None
    lower_bush_axial: float | None = None
    upper_bush: float | None = None
    upper_bush_axial: float | None = None
    bracket: float | None = None
    ball_joint: float | None = None
    rod_end: float | None = None
    column_nm_per_deg: float | None = None

    def given(self) -> dict[str, float]:
        """Flexibility in mm/N of what is given, by the names of `SPRINGS`; without the column."""
        values = {
            "rack mount": self.rack_mount,
            "lower bushes": self.lower_bush,
            "lower bushes, axial": self.lower_bush_axial,
            "upper bushes": self.upper_bush,
            "upper bushes, axial": self.upper_bush_axial,
            "brackets": self.bracket,
            "ball joints": self.ball_joint,
            "rod ends": self.rod_end,
        }
        return {name: 1.0 / value for name, value in values.items() if value is not None}


def column_flexibility(nm_per_deg: ArrayLike, travel_per_turn_mm: ArrayLike) -> Array:
    """How far the rack moves for a newton on it while the column winds up, mm/N.

    k = 1000 C (180 / pi) / (c / 2 pi)^2, C in N m per degree and c the rack travel for a turn of
    the steering wheel. NaN where that is not known.
    """
    lever = np.asarray(travel_per_turn_mm, float) / (2.0 * np.pi)
    return np.asarray(lever**2 / (_N_MM_PER_DEG * np.asarray(nm_per_deg, float)))


def cantilever_flexibility(rod: Rod, length_mm: ArrayLike) -> Array:
    """How far the end of a bar, held at its root, gives way across, mm/N: l^3 / (3 E I)."""
    stiff = 3.0 * np.asarray(rod.youngs_modulus_mpa) * rod.second_moment
    return np.asarray(np.asarray(length_mm, float) ** 3 / stiff)


def stretch_flexibility(rod: Rod, length_mm: ArrayLike) -> Array:
    """How far a rod gives way along itself, mm/N: l / (E A)."""
    return np.asarray(
        np.asarray(length_mm, float) / (np.asarray(rod.youngs_modulus_mpa) * rod.area)
    )


@dataclass(frozen=True, slots=True)
class Sections:
    """Sections of the parts that bend and stretch; None: rigid.

    Attributes:
        tie_rod: the tie rods.
        bar: of spacers and of the bar that stands out of the housing.
        arm_diameter_mm: of the steering arm, taken as a straight round bar of steel from the
            steering axis to the outer joint.
    """

    tie_rod: Rod | None = None
    bar: Rod | None = None
    arm_diameter_mm: float | None = None

    @property
    def arm(self) -> Rod | None:
        """The steering arm as a bar; its strength does not count here."""
        return None if self.arm_diameter_mm is None else Rod(self.arm_diameter_mm, 1.0)

    def flexibility(self, points: Hardpoints, standing_out_mm: Array) -> dict[str, Array]:
        """mm/N of corners (n,), whose spacer and bar stand out by so much (n,) of the housing."""
        found: dict[str, Array] = {}
        if self.tie_rod is not None:
            length = norm(points.outer_joint - points.inner_joint)
            found["tie rods"] = stretch_flexibility(self.tie_rod, length)
        if self.bar is not None:
            found["spacers and bar"] = cantilever_flexibility(self.bar, standing_out_mm)
        if self.arm is not None:
            length = norm(points.outer_joint - arm_foot(points))
            found["steering arms"] = cantilever_flexibility(self.arm, length)
        return found


def rigid_parts(flexibility: Mapping[str, Array | float]) -> list[str]:
    """What is taken as rigid, in the order of `SPRINGS`."""
    return [name for name in SPRINGS if name not in flexibility]
