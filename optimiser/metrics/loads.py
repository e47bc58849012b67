"""Steering effort and tie-rod forces: estimates to compare designs, not an approval of any.

Signs follow ISO 8855. A moment M on a wheel is the part about the vertical of what the road does
to it, in the plane of the wheel (a free wheel takes none about its own axle), counted positive
where it resists steering to the left. Virtual work at constant wheel travel then gives, exactly,

    F = M_left d(steer_left)/dr + M_right d(steer_right)/dr,      r: rack displacement to the left

for the force F to the left that the rack needs.

    rack bar ===[spacer]=== I ----tie rod---- O      left side, seen from the front: left is to
                F_left ->    N e_y = F_left          the right; e from I to O, N > 0 in compression

Constant wheel travel means that something holds the wheel centre at its height. Its vertical
force V has a moment about an inclined steering axis, so N differs a little, below 1 % in the
corners of the tests, from a moment balance about that axis alone; the tests show both. This is the
car that corners; the one that is parked stands on springs of constant length and is lifted, see
`parked`. Left out are friction in joints and seals, inertia, and any help of a servo.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from optimiser.linkage.at_rack import Poses, RightPoses
    from optimiser.linkage.vectors import Array

MM_PER_M = 1000.0


# --- what the road does to the wheels ------------------------------------------------------------


def parking_moment(mu: ArrayLike, wheel_load_n: ArrayLike, tyre_pressure_pa: ArrayLike) -> Array:
    """Moment in N mm that turns one wheel on the spot, by Gough's formula.

    T = (mu/3) sqrt(W^3/p), in N m for W in N and p in Pa: Gough, as quoted by Sharp and Granger
    (abstract read, formula from memory). An even pressure over a
    round patch would give 12.8 % more. Inputs broadcast.
    """
    load, pressure = np.asarray(wheel_load_n, float), np.asarray(tyre_pressure_pa, float)
    return np.asarray(np.asarray(mu, float) / 3.0 * np.sqrt(load**3 / pressure) * MM_PER_M)


def cornering_moment(lateral_load_n: ArrayLike, trail_mm: ArrayLike) -> Array:
    """Moment in N mm of a wheel's lateral force that acts behind the steering axis by the trail.

    `trail_mm` is caster trail and pneumatic trail together. A force to the left, as in a left
    turn, resists steering to the left.
    """
    return np.asarray(np.asarray(lateral_load_n, float) * np.asarray(trail_mm, float))


@dataclass(frozen=True, slots=True)
class LoadCase:
    """Moments of the road on the two wheels, in N mm, broadcastable to the poses.

    Attributes:
        left_moment: on the left wheel, positive where it resists steering to the left.
        right_moment: on the right wheel, likewise.
    """

    left_moment: float | Array
    right_moment: float | Array

    @classmethod
    def cornering(
        cls, lateral_load_n: ArrayLike, trail_mm: ArrayLike, outer_share: float = 1.0
    ) -> LoadCase:
        """A left turn with `lateral_load_n` on the front axle; a right turn is its mirror image.

        `outer_share` is the part that the right, outer wheel takes; all of it, the default,
        is the worst for one tie rod.
        """
        moment = cornering_moment(lateral_load_n, trail_mm)
        return cls((1.0 - outer_share) * moment, outer_share * moment)


# --- from the wheels to the driver's hands -------------------------------------------------------


@dataclass(frozen=True, slots=True)
class SteeringLoads:
    """Forces in N, of the broadcast shape of poses and case; NaN where a pose is missing.

    Attributes:
        rack_force: to the left on the bar, that holds it against the road.
        left_rod_force: axial force of the left tie rod, compression positive.
        right_rod_force: axial force of the right tie rod, compression positive.
    """

    rack_force: Array
    left_rod_force: Array
    right_rod_force: Array

    @property
    def greatest_rod_force(self) -> Array:
        """The larger axial force of the two, without its sign: steering goes both ways."""
        return np.maximum(np.abs(self.left_rod_force), np.abs(self.right_rod_force))


def steering_loads(left: Poses, right: RightPoses, case: LoadCase) -> SteeringLoads:
    """Rack and tie-rod forces by virtual work; see the head of this module.

    Args:
        left: the left wheel.
        right: the right wheel at the same rack displacement (and at its own travel).
        case: the moments on the wheels.

    A tie rod square to the bar transmits nothing along it, so the force in it is NaN there.
    """
    on_left, on_right = (
        np.asarray(moment, float) * poses.steer_per_rack
        for moment, poses in ((case.left_moment, left), (case.right_moment, right))
    )
    with np.errstate(invalid="ignore", divide="ignore"):
        return SteeringLoads(
            np.asarray(on_left + on_right),
            np.asarray(on_left / _rod_slope(left)),
            np.asarray(on_right / _rod_slope(right)),
        )


def _rod_slope(poses: Poses | RightPoses) -> Array:
    """Part along the bar, e_y, of the unit vector from inner to outer joint."""
    x, y, z = np.moveaxis(poses.outer_joint - poses.inner_joint, -1, 0)
    return np.asarray(y / np.sqrt(x**2 + y**2 + z**2))


def steering_wheel_torque(
    rack_force_n: ArrayLike, travel_per_turn_mm: ArrayLike, efficiency: ArrayLike = 0.9
) -> Array:
    """Torque in N mm at the steering wheel: F c / (2 pi eta), c the rack displacement per turn.

    `efficiency` is that of pinion and column from hand to rack, 0 to 1; the default is invented.
    """
    turn = np.asarray(travel_per_turn_mm, float) / (2.0 * np.pi * np.asarray(efficiency, float))
    return np.asarray(np.asarray(rack_force_n, float) * turn)


def rim_force(torque_n_mm: ArrayLike, wheel_diameter_mm: ArrayLike) -> Array:
    """Force in N of the hands together at the rim of the steering wheel."""
    return np.asarray(2.0 * np.asarray(torque_n_mm, float) / np.asarray(wheel_diameter_mm, float))
