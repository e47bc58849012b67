"""What shims do to the linkage: under the rack's brackets, and between arm and outer joint.

Seen from behind, brackets closer together than the inner joints tilt the bar about the other one,
so that a shim lifts its own joint by more than it is thick and lowers the other:

    joint         bracket                    bracket         joint
      o--------------^--------------------------^--------------o
      |<- (J - B)/2 ->|<----------- B ----------->|
      |<------------------------- J -------------------------->|

Toe is reset by the tie rods after each change, so that the wheels stay where they are at rest.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from optimiser.linkage.vectors import unit

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from optimiser.linkage.hardpoints import Hardpoints
    from optimiser.linkage.vectors import Array

STOCK_MM = tuple(0.5 * count for count in range(1, 11))
"""Thicknesses of packs where a study names none."""


@dataclass(frozen=True, slots=True)
class Lever:
    """How shims under two brackets move two inner joints.

    Attributes:
        joints_mm: distance of the inner joints.
        brackets_mm: distance of the brackets' middles.
    """

    joints_mm: float
    brackets_mm: float

    @property
    def matrix(self) -> Array:
        """Rise of the left and the right joint (rows) per mm under the left and right bracket.

        A straight bar through two heights, elementary geometry.
        """
        ratio = self.joints_mm / self.brackets_mm
        own, other = 0.5 * (1.0 + ratio), 0.5 * (1.0 - ratio)
        return np.array([[own, other], [other, own]])

    def rises(self, brackets_mm: ArrayLike) -> Array:
        """Rise of both joints, (..., 2) mm, of shims under both brackets, (..., 2)."""
        return np.asarray(np.asarray(brackets_mm, float) @ self.matrix.T)

    def shims(self, rises_mm: ArrayLike) -> Array:
        """Shims under both brackets, (..., 2) mm, that lift the joints by this, (..., 2)."""
        return np.asarray(np.asarray(rises_mm, float) @ np.linalg.inv(self.matrix).T)


@dataclass(frozen=True, slots=True)
class Shimming:
    """How built cars are measured and shimmed.

    Attributes:
        noise: standard deviation of a reading of toe, radians.
        brackets_mm: distance of the rack's brackets; None: they stand at the inner joints.
        stock_mm: thicknesses of packs.
    """

    noise: float
    brackets_mm: float | None = None
    stock_mm: tuple[float, ...] = STOCK_MM

    def lever(self, half_joints_mm: float) -> Lever:
        """From shims to joints that are twice this apart."""
        joints = 2.0 * half_joints_mm
        return Lever(joints, joints if self.brackets_mm is None else self.brackets_mm)

    def pairs(self) -> Array:
        """Packs (N, 2) under both brackets, mm, taken out where negative; none first."""
        sizes = [0.0, *(sign * size for size in sorted(self.stock_mm) for sign in (1.0, -1.0))]
        both = np.stack(np.meshgrid(sizes, sizes), axis=-1).reshape(-1, 2)
        return both[np.argsort(np.abs(both).sum(axis=-1), kind="stable")]


def shimmed(
    points: Hardpoints,
    rise_mm: ArrayLike,
    outer_mm: ArrayLike = 0.0,
    spacer_mm: ArrayLike = 0.0,
    bolt: ArrayLike | None = None,
) -> Hardpoints:
    """Corners (...) with the inner joint higher and further out and the outer joint higher.

    Args:
        points: at rest, toe set.
        rise_mm: of the inner joint, (...).
        outer_mm: shim between arm and outer joint, (...): it goes up along the bolt.
        spacer_mm: longer spacer, (...).
        bolt: direction of the outer joint's bolt in body axes; along the steering axis by default.
    """
    rise, outer, spacer = (np.asarray(v, float)[..., None] for v in (rise_mm, outer_mm, spacer_mm))
    axis = points.upper_ball_joint - points.lower_ball_joint if bolt is None else np.asarray(bolt)
    axis = unit(np.asarray(axis, float))
    axis = np.where(axis[..., 2:] < 0.0, -axis, axis)
    return replace(
        points,
        inner_joint=points.inner_joint + rise * np.eye(3)[2] + spacer * np.eye(3)[1],
        outer_joint=points.outer_joint + outer * axis,
    )
