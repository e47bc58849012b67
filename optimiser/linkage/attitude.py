"""How the wheels stand at rest."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from optimiser.linkage.vectors import Array


@dataclass(frozen=True, slots=True)
class Attitude:
    """The left wheel at rest; the right one is its mirror image. Angles in radians (ISO 8855).

    Toe-in and camber are numbers, or arrays that broadcast with the batch shape of the corners.

    Attributes:
        toe_in: static toe-in.
        camber: static camber, positive with the wheel's top outboard.
        loaded_radius_mm: from the wheel centre to the ground, in the plane of the wheel. Where it
            is not given, what is measured at the ground is NaN.
    """

    toe_in: float | Array = 0.0
    camber: float | Array = 0.0
    loaded_radius_mm: float = np.nan

    @property
    def spin_axis(self) -> Array:
        """Spin axis of the left wheel, out to the left, (..., 3): a unit vector."""
        toe, camber = np.broadcast_arrays(
            np.asarray(self.toe_in, float), np.asarray(self.camber, float)
        )
        return np.stack(
            [np.sin(toe) * np.cos(camber), np.cos(toe) * np.cos(camber), -np.sin(camber)], axis=-1
        )

    def with_pose_axes(self, count: int) -> Attitude:
        """Insert `count` axes of size 1 at the end, as `Hardpoints.with_pose_axes` does."""
        index = (..., *([None] * count))
        toe, camber = np.asarray(self.toe_in, float), np.asarray(self.camber, float)
        return replace(self, toe_in=toe[index], camber=camber[index])

    def over(self, shape: tuple[int, ...]) -> Attitude:
        """The same for corners of this batch shape, one angle for each."""
        toe, camber = np.full(shape, self.toe_in), np.full(shape, self.camber)
        return replace(self, toe_in=toe, camber=camber)


STRAIGHT = Attitude()
"""Straight ahead and upright, the loaded radius not given."""
