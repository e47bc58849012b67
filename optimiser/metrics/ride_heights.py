r"""Bump steer and Ackermann error about each ride height that a car is driven at.

A body that sits lower has its wheels further up their travel. Only the springs have changed: bump
stop and droop stop are where they were, and the toe setting is that of the design height. So toe-in
is counted from what the wheel has at rest at the height, over the same way between the stops:

        toe-in
          |  .                                  o  at rest at the design height
          |    '  .                             x  at rest with the body h lower
          |         ' o .
          |               ' x .   -+
          |                     '  |  bump steer about h
          +---------+-----+------  -+
        droop       0    -h     bump    wheel travel

The toe-in at rest at a height differs from the setting by no more than the bump steer about the
design height, as long as the height lies between the stops. Where toe is wanted to change over
travel, what is counted is its departure from that, likewise from rest at the height.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimiser.linkage.at_rack import solve_linkage
from optimiser.linkage.mirror import across, mirrored_rack, mirrored_steer
from optimiser.metrics.kinematic import (
    Ackermann,
    lock_fractions,
    summarise_ackermann,
    wheel_attitude,
)
from optimiser.metrics.wanted import FROZEN

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from optimiser.linkage.at_rack import Poses
    from optimiser.linkage.attitude import Attitude
    from optimiser.linkage.hardpoints import Hardpoints
    from optimiser.linkage.vectors import Array
    from optimiser.metrics.wanted import Target, WantedToe

ACKERMANN_NODES = 12
"""Rack displacements up to lock where Ackermann error is sampled, beside straight ahead."""


@dataclass(frozen=True, slots=True)
class AtHeights:
    """N corners at H ride heights; angles in radians, NaN where a pose does not exist.

    Attributes:
        toe_at_rest: toe-in at rest less that at the design height, (N, H).
        counted: departure of toe-in from what is wanted over the travel grid, counted from rest at
            each height, with the rack at centre, as it counts (`WantedToe.counted`), (N, H, P).
        part_lock: the departure itself with the rack at half of lock, either way, (N, H, 2, P);
            None where that is not asked.
        ackermann: wheel angles, batch (N, H), up to the rack displacement that gives the required
            lock at the design height; counted from straight ahead at each height.
    """

    toe_at_rest: Array
    counted: Array
    part_lock: Array | None
    ackermann: Ackermann

    @property
    def bump_steer(self) -> Array:
        """Greatest departure of toe-in about each height, rack at centre, (N, H)."""
        return np.asarray(np.abs(self.counted).max(axis=-1))

    @property
    def part_lock_bump_steer(self) -> Array | None:
        """The same at half lock, the worse side, (N, H)."""
        turned = self.part_lock
        return None if turned is None else np.asarray(np.abs(turned).max(axis=(-2, -1)))

    @property
    def exists(self) -> NDArray[np.bool_]:
        """Where all of it is known, (N,) bool."""
        known = np.isfinite(self.toe_at_rest).all(axis=1)
        known &= np.isfinite(self.ackermann.outer).all(axis=(1, 2))
        if self.part_lock is not None:
            known &= np.isfinite(self.part_lock).all(axis=(1, 2, 3))
        return np.asarray(known, dtype=bool)


def worst_height(found: AtHeights) -> dict[str, Array]:
    """Numbers (N,) of the worst ride height by their columns, degrees."""
    numbers = {
        "ride_height_bump_steer_deg": found.bump_steer,
        "ride_height_ackermann_error_deg": found.ackermann.largest,
        "ride_height_part_lock_bump_steer_deg": found.part_lock_bump_steer,
    }
    return {
        name: np.degrees(values.max(axis=1))
        for name, values in numbers.items()
        if values is not None
    }


def solve_heights(
    points: Hardpoints,
    attitude: Attitude,
    heights_mm: Sequence[float],
    travel_mm: Array,
    departure: Array,
    part_lock: Array | None,
    rack_at_lock_mm: Array,
    *,
    wheelbase_mm: float,
    target: Target,
    wanted: WantedToe = FROZEN,
    thorough: bool = True,
) -> AtHeights:
    """Corners (N,) at ride heights (H,), of the body above the design height.

    Args:
        points: the corners.
        attitude: of the wheels at rest at the design height, where toe is set.
        heights_mm: ride heights.
        travel_mm: the travel grid from the design height, (P,).
        departure: of toe-in over it from what is wanted, rack at centre, (N, P).
        part_lock: the same with the rack half way to lock, to either side, (N, 2, P); or None.
        rack_at_lock_mm: displacement that gives the required lock at the design height, (N,).
        wheelbase_mm: of the car.
        target: Ackermann target, as in `summarise_ackermann`.
        wanted: how toe is wanted to change over travel, from the design height on; a band reaches
            as far from rest at each height.
        thorough: as in `solve_linkage`.
    """
    travel = -np.asarray(heights_mm, float)
    lock, count = np.asarray(rack_at_lock_mm, float), len(heights_mm)
    half = 0.5 * lock[:, None] * np.array([1.0, -1.0])
    racks = np.concatenate([np.zeros((len(lock), 1)), half], axis=1)
    if part_lock is None:
        racks = racks[:, :1]
    # At the design height too, and at each height: what the rack held aside makes of toe there.
    at_rest = _solve(points, attitude, np.concatenate([[0.0], travel]), racks, thorough)
    rest = -at_rest.steer.reshape(len(lock), racks.shape[1], 1 + count)
    moved = rest[..., 1:] - rest[..., :1]
    astray = wanted.departure(moved, travel)
    lowered = at_rest.select(slice(1, 1 + count))
    turned = None
    if part_lock is not None:
        turned = part_lock[:, None] - np.swapaxes(astray[:, 1:], 1, 2)[..., None]
    about = np.asarray(travel_mm, float) - travel[:, None]
    return AtHeights(
        toe_at_rest=moved[:, 0],
        counted=wanted.counted(departure[:, None] - astray[:, 0, :, None], about),
        part_lock=turned,
        ackermann=_ackermann(
            points, attitude, travel, lock, lowered, wheelbase_mm, target, thorough
        ),
    )


def _ackermann(
    points: Hardpoints,
    attitude: Attitude,
    travel: Array,
    lock: Array,
    rest: Poses,
    wheelbase_mm: float,
    target: Target,
    thorough: bool,
) -> Ackermann:
    """Wheel angles of corners whose poses at rest at each height, rack at centre, are (N, H)."""
    left = lock[:, None] * lock_fractions(ACKERMANN_NODES)
    both = np.concatenate([left, mirrored_rack(left)], axis=1)
    shape = (len(lock), 2, left.shape[1], len(travel))
    steer = _solve(points, attitude, travel, both, thorough).steer.reshape(shape)
    turned = np.moveaxis(steer - rest.steer[:, None, None], -1, 1)
    ground = wheel_attitude(rest, attitude.loaded_radius_mm).axis_at_ground
    return summarise_ackermann(
        turned[:, :, 0],
        mirrored_steer(turned[:, :, 1]),
        np.broadcast_to(lock[:, None], (len(lock), len(travel))),
        across(ground),
        wheelbase_mm,
        target,
    )


def _solve(
    points: Hardpoints, attitude: Attitude, travel: Array, rack: Array, thorough: bool
) -> Poses:
    """Poses (N, R T) at every pair of rack displacement (N, R) and travel (T,), rack slowest."""
    return solve_linkage(
        points.with_pose_axes(1),
        np.tile(travel, rack.shape[1]),
        np.repeat(rack, len(travel), axis=1),
        attitude.with_pose_axes(1),
        thorough=thorough,
    )
