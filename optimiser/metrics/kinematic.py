"""Numbers about a solved linkage: bump steer, Ackermann, lock, gearing, wheel attitude.

Angles are radians and lengths millimetres. Steer angles of the Ackermann and lock functions are
measured from the straight-ahead setting, so static toe does not count in them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimiser.linkage.at_rack import Poses, solve_linkage
from optimiser.linkage.at_steer import pose_at_rest, solve_steer
from optimiser.linkage.attitude import STRAIGHT
from optimiser.linkage.mirror import across, mirrored_rack, mirrored_steer
from optimiser.metrics.between_nodes import between_nodes, largest_between
from optimiser.metrics.wanted import FROZEN, Curve

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from optimiser.linkage.attitude import Attitude
    from optimiser.linkage.hardpoints import Hardpoints
    from optimiser.linkage.vectors import Array
    from optimiser.metrics.wanted import Target, WantedToe


def trapezium_rms(values: ArrayLike, at: ArrayLike) -> Array:
    """Root mean square over the last axis by the trapezium rule in `at`, which may be uneven."""
    # Contiguous, since the order in which numpy sums, and the last digit, hangs on the layout.
    v, x = np.ascontiguousarray(values, float), np.ascontiguousarray(at, float)
    square = np.trapezoid(v * v, x, axis=-1)
    return np.asarray(np.sqrt(square / (x[..., -1] - x[..., 0])))


# --- bump steer --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class BumpSteer:
    """Change of toe-in over wheel travel with the rack held; batch shape (...) unless noted.

    Attributes:
        toe_change: change of toe-in from that at zero travel, (..., P).
        departure: the same less the wanted change, (..., P).
        largest: greatest absolute departure, as it counts (`WantedToe.counted`).
        rms: root mean square of the departure over travel.
        gradient: d toe-in / d travel at zero travel, rad/mm.
    """

    toe_change: Array
    departure: Array
    largest: Array
    rms: Array
    gradient: Array


def summarise_toe(
    toe_in: Array, travel_mm: Array, gradient: Array, wanted: WantedToe = FROZEN
) -> BumpSteer:
    """Bump steer of toe curves (..., P) over `travel_mm` (P,), which must hold a zero."""
    rest = int(np.flatnonzero(travel_mm == 0.0)[0])
    change = toe_in - toe_in[..., rest : rest + 1]
    departure = wanted.departure(change, travel_mm)
    largest = np.max(np.abs(wanted.counted(departure, travel_mm)), axis=-1)
    return BumpSteer(change, departure, largest, trapezium_rms(departure, travel_mm), gradient)


def bump_steer(
    points: Hardpoints,
    travel_mm: ArrayLike,
    attitude: Attitude = STRAIGHT,
    *,
    rack_mm: ArrayLike = 0.0,
    wanted: WantedToe = FROZEN,
) -> BumpSteer:
    """Bump steer of corners of batch shape (...) over a travel grid (P,) that holds 0.

    `rack_mm` (...,) holds the rack at part lock; `wanted` is what toe is wanted to do, by default
    not to change. A pose that does not exist makes its corner NaN.
    Definition of toe: ISO 8855:2011, 7.1.6 (read).
    """
    travel = np.asarray(travel_mm, float)
    poses = solve_linkage(
        points.with_pose_axes(1),
        travel,
        np.asarray(rack_mm, float)[..., None],
        attitude,
    )
    rest = int(np.flatnonzero(travel == 0.0)[0])
    return summarise_toe(-poses.steer, travel, -poses.steer_per_travel[..., rest], wanted)


def roll_steer(gradient: ArrayLike, track_mm: ArrayLike) -> Array:
    """Steer of the axle per angle of body roll (dimensionless), from the toe-in gradient, rad/mm.

    The track is that of the contact points, about which the body rolls. Both positive as in
    ISO 8855: roll lifts the left side, so the left wheel droops by half the
    track times the roll angle and the right wheel rises by as much; the mean steer of the two
    is +gradient * track / 2. Positive steers the car further into the turn that rolled it.
    """
    return np.asarray(np.asarray(gradient) * np.asarray(track_mm) / 2.0)


# --- Ackermann and lock ------------------------------------------------------------------------


def ideal_outer(inner: ArrayLike, track_mm: ArrayLike, wheelbase_mm: ArrayLike) -> Array:
    """Outer wheel angle of pure rolling, cot d_o = cot d_i + t / l, written to be exact at 0."""
    angle = np.asarray(inner, float)
    ratio = np.asarray(track_mm, float) / np.asarray(wheelbase_mm, float)
    return np.asarray(np.arctan2(np.sin(angle), np.cos(angle) + ratio * np.sin(angle)))


def wanted_outer(
    inner: ArrayLike, track_mm: ArrayLike, wheelbase_mm: ArrayLike, target: Target
) -> Array:
    """Outer angle wanted at Ackermann `target`: 1 is pure rolling, 0 parallel, -1 reversed.

    A curve gives the outer angle for each inner one, whatever track and wheelbase are.
    """
    angle = np.asarray(inner, float)
    if isinstance(target, Curve):
        return target(angle)
    return np.asarray(angle - target * (angle - ideal_outer(angle, track_mm, wheelbase_mm)))


def inner_for_outer(
    outer: float, track_mm: float, wheelbase_mm: float, target: Target = 1.0
) -> float:
    """Inner angle whose wanted outer angle is `outer`, by bisection.

    NaN if there is none below 89 deg, or before a curve ends.
    """
    low, high = 0.0, target.at[-1] if isinstance(target, Curve) else float(np.radians(89.0))
    if wanted_outer(high, track_mm, wheelbase_mm, target) < outer:
        return float("nan")
    for _ in range(80):
        middle = 0.5 * (low + high)
        if wanted_outer(middle, track_mm, wheelbase_mm, target) < outer:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def turning_diameter(outer: ArrayLike, wheelbase_mm: ArrayLike, offset_mm: ArrayLike) -> Array:
    """Turning-circle diameter 2 (l / sin d_o + offset), SAE J695 (read).

    `offset_mm` is the distance from the steering axis at the ground to where the circle is
    measured: the middle of the tyre, or its outer edge for the circle between kerbs.
    """
    return np.asarray(2.0 * (np.asarray(wheelbase_mm) / np.sin(outer) + np.asarray(offset_mm)))


def outer_for_diameter(diameter_mm: float, wheelbase_mm: float, offset_mm: float) -> float:
    """Outer angle that gives a turning-circle diameter; NaN when no angle does."""
    radius = diameter_mm / 2.0 - offset_mm
    return float(np.arcsin(wheelbase_mm / radius)) if radius > wheelbase_mm else float("nan")


def rack_for_steer(points: Hardpoints, steer: ArrayLike, attitude: Attitude = STRAIGHT) -> Array:
    """Rack displacement that turns the left wheel by `steer` > 0 (to the left) at zero travel.

    The wheel's angle is counted from the straight-ahead setting. Batch shape of `points` (...).
    NaN where the linkage reaches its toggle, or the rack its dead point, before that angle.
    Signed: negative when the rack moves right to steer left.
    """
    return solve_lock(points, np.asarray(steer, float), attitude)[0]


def solve_lock(points: Hardpoints, steer: Array, attitude: Attitude) -> tuple[Array, Array, Array]:
    """Rack displacement of `rack_for_steer`, and steer and its rate per rack at rest, (...)."""
    rest = pose_at_rest(points, attitude)
    # At rest the left wheel's steer angle is its toe-in with the sign changed.
    turned = solve_steer(points, 0.0, steer - np.asarray(attitude.toe_in, float), attitude)
    rack = turned.inner_xyz[1] - points.inner_joint[..., 1]
    return rack, rest.steer, rest.steer_per_rack


@dataclass(frozen=True, slots=True)
class Ackermann:
    """Wheel angles over the lock that a study requires; batch shape (...), n nodes.

    Attributes:
        rack_at_lock_mm: signed rack displacement that gives the required inner angle.
        inner: inner wheel angles, (..., n), from 0 to the required lock.
        outer: outer wheel angles that go with them, (..., n).
        error: outer minus wanted outer angle, (..., n).
        largest: greatest absolute error, between the nodes too.
        rms: root mean square error over inner angle, likewise.
    """

    rack_at_lock_mm: Array
    inner: Array
    outer: Array
    error: Array
    largest: Array
    rms: Array


def lock_fractions(nodes: int) -> Array:
    """Shares of the rack displacement at lock where Ackermann error is sampled: 0 to 1."""
    return np.linspace(0.0, 1.0, nodes + 1)


def summarise_ackermann(
    inner: Array,
    outer: Array,
    rack_at_lock_mm: Array,
    track_mm: ArrayLike,
    wheelbase_mm: float,
    target: Target,
) -> Ackermann:
    """Ackermann error of wheel angles (..., n), the inner ones rising from 0 to the lock.

    The nodes lie evenly in rack displacement, as `lock_fractions` has them.
    """
    wanted = wanted_outer(inner, np.asarray(track_mm, float)[..., None], wheelbase_mm, target)
    error = outer - wanted
    return Ackermann(
        rack_at_lock_mm,
        inner,
        outer,
        error,
        largest_between(error),
        trapezium_rms(between_nodes(error), between_nodes(inner)),
    )


def ackermann_error(
    points: Hardpoints,
    attitude: Attitude,
    *,
    wheelbase_mm: float,
    inner_lock: float,
    target: Target = 1.0,
    nodes: int = 24,
) -> Ackermann:
    """Ackermann error from straight ahead to `inner_lock` (radians) at zero wheel travel.

    `cot d_o = cot d_i + t / l` with t between the steering axes at the ground (see
    `kingpin_track`, which wants the loaded radius); the left turn, which the right one mirrors.
    `target` as in `wanted_outer`.
    """
    rack, rest, _ = solve_lock(points, np.asarray(inner_lock), attitude)
    at = rack[..., None] * lock_fractions(nodes)
    both = solve_linkage(
        points.with_pose_axes(2),
        0.0,
        np.stack([at, mirrored_rack(at)], axis=-1),
        attitude,
    )
    turned = both.steer - rest[..., None, None]
    track = kingpin_track(points, attitude)
    inner, outer = turned[..., 0], mirrored_steer(turned[..., 1])
    return summarise_ackermann(inner, outer, rack, track, wheelbase_mm, target)


def ackermann_percentage(
    inner: ArrayLike, outer: ArrayLike, track_mm: ArrayLike, wheelbase_mm: float
) -> Array:
    """Inner-referenced Ackermann percentage 100 (d_i - d_o) / (d_i - d_o,ideal).

    Other definitions differ by ten points; outputs name this one.
    """
    d_i, d_o = np.asarray(inner, float), np.asarray(outer, float)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(100.0 * (d_i - d_o) / (d_i - ideal_outer(d_i, track_mm, wheelbase_mm)))


# --- gearing -----------------------------------------------------------------------------------


def overall_ratio(steer_per_rack: ArrayLike, travel_per_turn_mm: ArrayLike) -> Array:
    """Steering-wheel angle per road-wheel angle, from rad/mm of rack and rack mm per turn."""
    per_radian = np.asarray(travel_per_turn_mm, float) / (2.0 * np.pi)
    return np.asarray(1.0 / (np.abs(steer_per_rack) * per_radian))


# --- wheel attitude ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class WheelAttitude:
    """Attitude of steering axis and wheel of the left corner, each of the poses' shape.

    Attributes:
        caster: lean of the steering axis seen from the side, positive with its top rearward.
        kingpin_inclination: lean seen from ahead, positive with its top inboard.
        scrub_radius_mm: contact point outboard of the steering axis at the ground, square to
            the wheel's heading.
        trail_mm: steering axis at the ground ahead of the contact point, along the heading.
        contact: contact point, (..., 3).
        axis_at_ground: where the steering axis meets the horizontal plane through it, (..., 3).
    """

    caster: Array
    kingpin_inclination: Array
    scrub_radius_mm: Array
    trail_mm: Array
    contact: Array
    axis_at_ground: Array


def wheel_attitude(poses: Poses, loaded_radius_mm: float) -> WheelAttitude:
    """Caster, kingpin inclination, scrub radius and trail, ISO 8855:2011 (from memory)."""
    k, spin = poses.upper_ball_joint - poses.lower_ball_joint, poses.spin_axis
    contact, ground = _at_ground(
        poses.lower_ball_joint, k, poses.wheel_centre, spin, loaded_radius_mm
    )
    outboard = spin[..., :2] / np.hypot(spin[..., 0], spin[..., 1])[..., None]
    heading = np.stack([outboard[..., 1], -outboard[..., 0]], axis=-1)
    offset = (contact - ground)[..., :2]
    return WheelAttitude(
        caster=np.arctan2(-k[..., 0], k[..., 2]),
        kingpin_inclination=np.arctan2(-k[..., 1], k[..., 2]),
        scrub_radius_mm=np.asarray(np.sum(offset * outboard, axis=-1)),
        trail_mm=np.asarray(-np.sum(offset * heading, axis=-1)),
        contact=contact,
        axis_at_ground=ground,
    )


def _at_ground(
    lower: Array, axis: Array, wheel_centre: Array, spin: Array, loaded_radius_mm: float
) -> tuple[Array, Array]:
    """Contact point of the tyre, and where the steering axis meets the horizontal plane there."""
    # Steepest descent in the wheel plane: straight down less its part along the spin axis.
    down = spin[..., 2:] * spin - np.array([0.0, 0.0, 1.0])
    flat = np.hypot(spin[..., 0], spin[..., 1])
    contact = wheel_centre + (loaded_radius_mm / flat)[..., None] * down
    share = (contact[..., 2] - lower[..., 2]) / axis[..., 2]
    return contact, lower + share[..., None] * axis


def kingpin_track(points: Hardpoints, attitude: Attitude) -> Array:
    """Distance between the two steering axes where they meet the ground, at rest, (...)."""
    lower, spin = points.lower_ball_joint, attitude.spin_axis
    axis = points.upper_ball_joint - lower
    _, ground = _at_ground(lower, axis, points.wheel_centre, spin, attitude.loaded_radius_mm)
    shapes = [value.shape[:-1] for _, value in points.items()]
    return np.broadcast_to(across(ground), np.broadcast_shapes(*shapes, ground.shape[:-1]))
