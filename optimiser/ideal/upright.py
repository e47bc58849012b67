"""Motion of the upright over wheel travel with its steer angle held; no tie rod enters.

The arms close as `closure` derives, from a lower arm angle to the upper ball joint. The upright's
turn about the steering axis then follows from the steer angle in closed form, and Newton's method
finds the lower arm angle of a wanted wheel travel. Elementary geometry; no source needed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimiser.linkage import TRAVEL_TOLERANCE_MM, arm_circle, spin_axis
from optimiser.vectors import Array, cross, dot, norm, unit

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from optimiser.hardpoints import Hardpoints

_NEWTON_STEPS = 12
_CONTINUATION_STEPS = 24


@dataclass(frozen=True, slots=True)
class UprightMotion:
    """Motion of the left upright over P wheel travels with its steer angle held; arms (...,).

    A point of the upright with coordinates a moves to L + a_0 e_0 + a_1 e_1 + a_2 e_2. Were the
    upright to steer at constant wheel travel, its point at r would move by
    shift + turn x r per radian. NaN where the suspension does not reach the travel.

    Attributes:
        travel_mm: (P,).
        lower: lower ball joint L, (..., P, 3).
        frame: unit vectors e_k of the upright, e_0 along the steering axis, (..., P, 3 for k, 3).
        shift: mm/rad, (..., P, 3).
        turn: dimensionless, (..., P, 3).
        rest_lower: L at rest, (..., 3).
        rest_frame: e_k at rest, (..., 3 for k, 3).
    """

    travel_mm: Array
    lower: Array
    frame: Array
    shift: Array
    turn: Array
    rest_lower: Array
    rest_frame: Array

    @property
    def shape(self) -> tuple[int, ...]:
        """Batch shape of the arms."""
        return self.lower.shape[:-2]

    def coordinates(self, point: ArrayLike) -> Array:
        """Coordinates a in the upright, (..., 3), of points of the body at rest."""
        arm = np.asarray(point, float) - self.rest_lower
        return dot(arm[..., None, :], self.rest_frame)

    def levers(self) -> Array:
        """Matrices (..., P, 4, 4) that give a tie rod's lever, mm/rad times its length d.

        d times d |O - P| / d steer at constant wheel travel is (1, a) M (1, P), for the outer
        joint of coordinates a, at O, and any inner joint P. It is (O - P) . (shift + turn x O),
        where the turn x O of the last term may as well be turn x P: along a line all points of a
        rigid body have one velocity.
        """
        x, y, z = np.moveaxis(self.turn, -1, 0)
        screw = np.zeros((*self.turn.shape[:-1], 4, 4))
        screw[..., 0, 1:], screw[..., 1:, 0] = -self.shift, self.shift
        for (i, j), part in (((1, 2), -z), ((1, 3), y), ((2, 3), -x)):
            screw[..., i, j], screw[..., j, i] = part, -part
        place = np.zeros_like(screw)
        place[..., 0, 0], place[..., 0, 1:], place[..., 1:, 1:] = 1.0, self.lower, self.frame
        return place @ screw

    def path(self, point: ArrayLike) -> Array:
        """Path in the body, (..., P, 3), of points of the upright given at rest."""
        a = self.coordinates(point)[..., None, :, None]
        return np.asarray(self.lower + np.sum(a * self.frame, axis=-2))


@dataclass(frozen=True, slots=True)
class _Arms:
    """Constants of the arms: vectors (..., 1, 3) and lengths (..., 1), against (..., P)."""

    lower: tuple[Array, Array, Array, Array]
    upper: tuple[Array, Array, Array, Array]
    link: Array
    side: Array
    heading: Array  # horizontal, in the wheel's plane: the spin axis stays square to it
    spin_along: Array
    wheel: Array  # wheel centre in the upright
    rest_z: Array


@dataclass(frozen=True, slots=True)
class _Pose:
    """The upright at lower arm angles (..., P) and its rates per radian of them."""

    lower: Array
    frame: Array
    height: Array
    lift: Array
    shift: Array
    turn: Array


def upright_motion(
    points: Hardpoints,
    travel_mm: ArrayLike,
    *,
    static_toe_in: ArrayLike = 0.0,
    static_camber: ArrayLike = 0.0,
) -> UprightMotion:
    """Move the upright over wheel travel with its steer angle held at its design value.

    Args:
        points: arms and wheel of batch shape (...); the tie rod is not used.
        travel_mm: vertical displacements of the wheel centre, (P,), bump positive.
        static_toe_in: radians, of the batch shape or broadcastable.
        static_camber: radians, likewise.
    """
    travel = np.asarray(travel_mm, float)
    toe, camber = np.asarray(static_toe_in, float), np.asarray(static_camber, float)
    corner, toe = points.with_pose_axes(1), toe[..., None]
    spin = spin_axis(toe, camber[..., None])
    lower, upper = corner.lower_ball_joint, corner.upper_ball_joint
    axis, wheel = unit(upper - lower), corner.wheel_centre - lower
    along = dot(spin, axis)
    across = unit(spin - along[..., None] * axis)
    rest = np.stack(np.broadcast_arrays(axis, across, cross(axis, across)), axis=-2)
    high = arm_circle(corner.upper_rear_pivot, corner.upper_front_pivot, upper)
    arms = _Arms(
        lower=arm_circle(corner.lower_rear_pivot, corner.lower_front_pivot, lower),
        upper=high,
        link=norm(upper - lower),
        side=np.sign(dot(high[0] - lower, high[2])),
        heading=np.stack([np.cos(toe), -np.sin(toe), np.zeros_like(toe)], axis=-1),
        spin_along=along,
        wheel=dot(wheel[..., None, :], rest),
        rest_z=corner.wheel_centre[..., 2],
    )
    with np.errstate(invalid="ignore", divide="ignore"):
        pose = _solve_travel(arms, travel)
    shape = pose.height.shape
    return UprightMotion(
        travel,
        np.broadcast_to(pose.lower, (*shape, 3)),
        pose.frame,
        pose.shift,
        pose.turn,
        lower[..., 0, :],
        rest[..., 0, :, :],
    )


def _solve_travel(arms: _Arms, travel: Array) -> _Pose:
    """Newton's method in the lower arm's angle; small steps from rest where it fails."""
    lift = _evaluate(arms, np.zeros(arms.rest_z.shape)).lift
    theta, good = _newton(arms, travel / lift, travel)
    if not good.all():
        slow = np.zeros(theta.shape)
        for part in np.linspace(0.0, 1.0, _CONTINUATION_STEPS + 1)[1:]:
            slow, reached = _newton(arms, slow, part * travel)
            slow = np.where(reached, slow, np.nan)
        theta = np.where(good, theta, slow)
    return _evaluate(arms, theta)


def _newton(arms: _Arms, theta: Array, travel: Array) -> tuple[Array, NDArray[np.bool_]]:
    """Arm angles, and where they are on the branch that rises with the arm, as at rest."""
    pose = _evaluate(arms, theta)
    for _ in range(_NEWTON_STEPS):
        error = pose.height - travel
        if not np.nanmax(np.abs(error), initial=0.0) > TRAVEL_TOLERANCE_MM:
            break
        theta = theta - error / pose.lift
        pose = _evaluate(arms, theta)
    return theta, (np.abs(pose.height - travel) <= 1e-9) & (pose.lift > 0.0)


def _evaluate(arms: _Arms, theta: Array) -> _Pose:
    """Close the arms as `closure` does, and turn the upright so that the steer angle stays.

    The spin axis s keeps its part h along the steering axis k and stays square to the heading d.
    In the frame of k, e_a = unit(d - (d.k) k) and e_b = k x e_a this leaves
    s = h k - h (d.k) / |d - (d.k) k| e_a + w e_b, with w > 0 from the length of s.
    """
    lower, lower_rate = _on_circle(arms.lower, np.cos(theta), np.sin(theta))
    c, u, v, r = arms.upper
    between = c - lower
    a, b = dot(between, u), dot(between, v)
    d = (arms.link**2 - r**2 - dot(between, between)) / (2.0 * r)
    square = a * a + b * b
    w = arms.side * np.sqrt(square - d * d)
    upper, upper_rate = _on_circle(arms.upper, (a * d + b * w) / square, (b * d - a * w) / square)
    k = (upper - lower) / arms.link[..., None]
    turns = arms.link * dot(k, lower_rate) / (r * w)
    k_rate = (turns[..., None] * upper_rate - lower_rate) / arms.link[..., None]

    h, lean = arms.spin_along, dot(k, arms.heading)
    n = np.sqrt(1.0 - lean * lean)
    ahead = (arms.heading - lean[..., None] * k) / n[..., None]
    forward = -h * lean / n
    outward = np.sqrt(1.0 - h * h - forward * forward)
    across = forward[..., None] * ahead + outward[..., None] * cross(k, ahead)
    spin = h[..., None] * k + across
    e_1 = across / np.sqrt(1.0 - h * h)[..., None]
    frame = np.stack([k, e_1, cross(k, e_1)], axis=-2)

    # The upright turns by swing x (r - L) per radian of arm angle with its steer angle held, and
    # by k x (r - L) per radian about the steering axis, while the arms follow to keep the travel.
    swing, about = cross(k, k_rate), dot(cross(k, spin), arms.heading)
    swing = swing - (dot(cross(swing, spin), arms.heading) / about)[..., None] * k
    wheel = np.sum(arms.wheel[..., None] * frame, axis=-2)
    height = lower[..., 2] + wheel[..., 2] - arms.rest_z
    lift = lower_rate[..., 2] + cross(swing, wheel)[..., 2]
    follow = (-cross(k, wheel)[..., 2] / lift)[..., None]
    steer = (-about / np.hypot(spin[..., 0], spin[..., 1]))[..., None]
    turn = (k + follow * swing) / steer
    shift = follow * lower_rate / steer - cross(turn, lower)
    return _Pose(lower, frame, height, lift, shift, turn)


def _on_circle(
    circle: tuple[Array, Array, Array, Array], cosine: Array, sine: Array
) -> tuple[Array, Array]:
    """Point of an arm's circle and its rate per radian."""
    centre, u, v, radius = circle
    c, s = cosine[..., None], sine[..., None]
    r = radius[..., None]
    return centre + r * (c * u + s * v), r * (c * v - s * u)


def frozen_toe_path(
    points: Hardpoints,
    outer_joint: ArrayLike,
    travel_mm: ArrayLike,
    *,
    static_toe_in: ArrayLike = 0.0,
    static_camber: ArrayLike = 0.0,
) -> Array:
    """Path of outer joints in the body with the steer angle held, (..., P, 3) mm.

    `outer_joint` (..., 3) is given at rest and broadcasts with the batch of `points`; `travel_mm`
    is (P,). NaN where the suspension does not reach the travel.
    """
    motion = upright_motion(
        points, travel_mm, static_toe_in=static_toe_in, static_camber=static_camber
    )
    return motion.path(outer_joint)
