r"""What turns the wheels of a standing car, and what turns them back: rubber and lift.

While the wheels turn on the spot the springs keep their length, so both arms stay where they are
and each upright turns about its steering axis, which stays where it is in the body:

        U                  the contact point P goes round the axis; where the axis leans, P goes
        |  k               down in the body by -dz, and lifts the car by so much, on one side more
        L------P           than on the other

With W the load of a wheel, the same at any lock, the rack feels

    lift = -W d(z_left + z_right) / dr,      r: rack displacement to the left,

beside Gough's moment by virtual work (`loads`), which resists either way. A spring that stands on
the upright would go longer or shorter as that turns; what it then does to the steering is found by
statics (`parked_on_uprights`), the arms taken to stay where they are. Travel of the wheel
centre with the contact held at its height would be another thing: it puts the spring at the wheel
centre. That W moves from one wheel to the other as the car leans on its springs is left out.
Elementary mechanics; no source needed.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from optimiser.linkage.poses import steer_rate
from optimiser.linkage.vectors import Array, cross_first, dot_first, unit
from optimiser.metrics.compliance.statics import arm_of, joint_forces, rod_direction, wrench_at
from optimiser.metrics.kinematic import wheel_attitude

if TYPE_CHECKING:
    from optimiser.linkage.poses import Poses


class Parked(NamedTuple):
    """Forces in N of the two wheels on the spot, of the poses' shape; NaN where one is missing.

    Attributes:
        rubber: of both tyres on the rack, by Gough's moment, against either way.
        lift: of both wheels on the rack, positive where it would move the rack to the right.
        left_rod: greatest axial force of the left rod, whichever way the wheels are turned.
        right_rod: likewise.
    """

    rubber: Array
    lift: Array
    left_rod: Array
    right_rod: Array

    @property
    def rack_force(self) -> Array:
        """What the rack takes to be moved the way that is harder."""
        return np.asarray(self.rubber + np.abs(self.lift))


def held_rates(poses: Poses, loaded_radius_mm: float) -> tuple[Array, Array]:
    """D steer / d rack, rad/mm, and d z / d rack of the contact point, with the arms held.

    The upright turns by t (U - L) for each millimetre of rack, with (O - I).(t (U - L) x (O - L) -
    y) = 0. The contact point is the lowest of the wheel's circle, which moves as that point of the
    upright does.
    """
    lower = poses.lower_ball_xyz
    link, rod = poses.upper_ball_xyz - lower, poses.outer_xyz - poses.inner_xyz
    contact = np.moveaxis(wheel_attitude(poses, loaded_radius_mm).contact, -1, 0)
    with np.errstate(invalid="ignore", divide="ignore"):
        turn = rod[1] / dot_first(link, cross_first(poses.outer_xyz - lower, rod))
        arm = contact - lower
        drop = turn * (link[0] * arm[1] - link[1] * arm[0])
        return turn * steer_rate(poses.spin_xyz, link), drop


def parked_forces(
    left: Poses, image: Poses, moment: float, wheel_load_n: float, loaded_radius_mm: float
) -> Parked:
    """Forces of two wheels turned on the spot.

    Args:
        left: the left wheel, its arms held (`linkage.at_arms`).
        image: the right wheel as its mirror image, at the mirrored rack displacement.
        moment: that turns one wheel on the spot, N mm; see `loads.parking_moment`.
        wheel_load_n: W.
        loaded_radius_mm: from wheel centre to ground.
    """
    rubber, lift = np.zeros(left.shape), np.zeros(left.shape)
    rods = []
    for poses, way in ((left, 1.0), (image, -1.0)):
        rate, drop = held_rates(poses, loaded_radius_mm)
        mine, weight = np.abs(moment * rate), -way * wheel_load_n * drop
        rod = poses.outer_xyz - poses.inner_xyz
        with np.errstate(invalid="ignore", divide="ignore"):
            along = np.abs(rod[1]) / np.sqrt(dot_first(rod, rod))
            rods.append(np.asarray((mine + np.abs(weight)) / along))
        rubber, lift = rubber + mine, lift + weight
    return Parked(rubber, lift, *rods)


def parked_on_uprights(
    left: Poses,
    image: Poses,
    at_foot: tuple[Array, Array],
    body_point: Array,
    moment: float,
    wheel_load_n: float,
    loaded_radius_mm: float,
) -> Parked:
    """The same of wheels whose springs stand on the uprights, by statics.

    The lower arm is held as if by a spring of its own, under the weight, a newton of the spring and
    the moment; of the spring there is as much as leaves nothing for that arm to hold.

    Args:
        left: as for `parked_forces`.
        image: likewise.
        at_foot: where the spring stands on the left upright and on the image of the right one, of
            the poses' shape, (..., 3) each.
        body_point: its end on the body of the left side, broadcastable to these.
        moment: as for `parked_forces`.
        wheel_load_n: likewise.
        loaded_radius_mm: likewise.
    """
    rubber, lift, rods = np.zeros(left.shape), np.zeros(left.shape), []
    for poses, foot, way in ((left, at_foot[0], 1.0), (image, at_foot[1], -1.0)):
        spin, push = poses.spin_xyz, np.moveaxis(unit(foot - body_point), -1, 0)
        contact = np.moveaxis(wheel_attitude(poses, loaded_radius_mm).contact, -1, 0)
        none = np.zeros(contact.shape)
        weight, tyre = none.copy(), -spin[2] * spin
        weight[2], tyre[2] = wheel_load_n, tyre[2] + 1.0
        force = np.stack([weight, push, none], axis=1)
        load = wrench_at(poses, force, np.stack([contact, np.moveaxis(foot, -1, 0), none], axis=1))
        load.moment[:, 2] = moment * tyre / (1.0 - spin[2] ** 2)
        joints = joint_forces(poses, arm_of(poses, 1), load)
        held = dot_first(arm_of(poses, 0).v[:, None], joints.lower)
        with np.errstate(invalid="ignore", divide="ignore"):
            by_weight, _, by_tyre = joints.rod - held / held[1] * joints.rod[1]
        along = rod_direction(poses)[1]
        rods.append(np.asarray(np.abs(by_weight) + np.abs(by_tyre)))
        rubber, lift = rubber + np.abs(by_tyre * along), lift + way * by_weight * along
    return Parked(rubber, lift, *rods)


def returning(lift: Array, friction_n: float, inner: Array) -> tuple[Array, Array]:
    """What turns the wheels of a standing car back by itself, less the friction at the rack.

    Args:
        lift: towards straight ahead, at n even steps of the rack from there to lock, (..., n).
        friction_n: at the rack.
        inner: angle of the inner wheel at each, (n,) or (..., n).

    Returns:
        The least of what is left from half way to lock, the place half way with it; and the inner
        wheel's angle at which the wheels stop on their way back from lock, (...): that of the lock
        where they do not move. Counted from that angle on, the least would be nothing for each car
        whose wheels leave the lock at all.
    """
    left, (*_, count) = lift - friction_n, lift.shape
    least = np.min(left[..., (count - 1) // 2 :], axis=-1)
    angle = np.broadcast_to(inner, lift.shape)
    # Straight ahead nothing lifts: there the friction alone is left.
    left = np.concatenate([np.full((*lift.shape[:-1], 1), -friction_n), left], axis=-1)
    angle = np.concatenate([0.0 * angle[..., :1], angle], axis=-1)
    stuck = left <= 0.0
    last = count - np.argmax(stuck[..., ::-1], axis=-1)[..., None]
    after = np.minimum(last + 1, count)
    (a, b), (x, y) = (
        [np.take_along_axis(values, at, -1)[..., 0] for at in (last, after)]
        for values in (left, angle)
    )
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.where(b > a, -a / (b - a), 0.0)
    return least, np.where(np.isnan(least), np.nan, x + share * (y - x))
