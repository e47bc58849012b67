"""Poses of the left corner at rest, and at given wheel travel and steer angle.

With the steer angle given, the upright's pose depends on the arms alone: its turn about the
steering axis follows in closed form, and the tie rod only says where the rack has to be.
"""

from __future__ import annotations

from math import prod
from typing import TYPE_CHECKING

import numpy as np

from optimiser.linkage.at_rack import ACCEPTED_MM, TRAVEL_TOLERANCE_MM
from optimiser.linkage.attitude import STRAIGHT
from optimiser.linkage.constants import flatten, prepare_arms
from optimiser.linkage.loops import Arms, close_arms
from optimiser.linkage.poses import Poses, hinges, sine_of_toggle
from optimiser.linkage.roots import find_root
from optimiser.linkage.vectors import Array, cross_first, dot_first

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from optimiser.linkage.attitude import Attitude
    from optimiser.linkage.hardpoints import Hardpoints


def pose_at_rest(points: Hardpoints, attitude: Attitude = STRAIGHT) -> Poses:
    """The pose that `points` (...) draw; nothing is solved."""
    drawn = (
        points.lower_ball_joint,
        points.upper_ball_joint,
        points.outer_joint,
        points.inner_joint,
        points.wheel_centre,
        attitude.spin_axis,
    )
    shapes = [value.shape for _, value in points.items()]
    solved = np.empty((6, *np.broadcast_shapes(*shapes, drawn[-1].shape)))
    for index, vector in enumerate(drawn):
        solved[index] = vector
    return _poses(solved.transpose((0, solved.ndim - 1, *range(1, solved.ndim - 1))), points)


def _poses(vectors: Array, points: Hardpoints) -> Poses:
    """Poses from L, U, O, I, wheel centre and spin axis, (6, 3, *shape)."""
    lower, upper, outer, inner, wheel, spin = vectors
    sine = sine_of_toggle(lower, upper, outer, inner)
    return Poses(lower, upper, outer, inner, wheel, spin, sine, hinges(points, sine.shape))


def solve_steer(
    points: Hardpoints,
    travel_mm: ArrayLike,
    steer: ArrayLike,
    attitude: Attitude = STRAIGHT,
) -> Poses:
    """Solve the left corner at given wheel travel and steer angle.

    Args:
        points: batch of corners in body axes; all inputs broadcast.
        travel_mm: vertical displacement of the wheel centre, bump positive.
        steer: steer angle in radians, positive to the left, static toe included.
        attitude: of the wheel at rest.

    Returns:
        Poses of the broadcast shape; the rack displacement is how far `inner_xyz` lies along y
        from its place in `points`. NaN where the suspension does not reach the travel, the tie
        rod does not reach, or the way there from rest leads past the toggle or past the dead
        point of the rack, where the tie rod is square to it.
    """
    spin = attitude.spin_axis
    travel, angle = np.asarray(travel_mm, float), np.asarray(steer, float)
    drawn = [value.shape[:-1] for _, value in points.items()]
    shape = np.broadcast_shapes(*drawn, spin.shape[:-1], travel.shape, angle.shape)
    at = {name: flatten(value, shape) for name, value in points.items()}
    solved = np.empty((6, 3, prod(shape)))
    with np.errstate(invalid="ignore", divide="ignore"):
        height = _flat(travel, shape) + at["wheel_centre"][2]
        vectors = _place(at, flatten(spin, shape), height, _flat(angle, shape))
        for index, vector in enumerate(vectors):
            solved[index] = vector
        poses = _poses(solved.reshape(6, 3, *shape), points)
        # Short of fold, toggle and dead point wheel and rack move on as they did at rest.
        _, per_rack, lift = (rate.ravel() for rate in poses.rates())
        lost = ~((lift > 0.0) & (per_rack * _turning(at) > 0.0))
    solved[:, :, lost] = np.nan
    poses.toggle_sine.reshape(-1)[lost] = np.nan
    return poses


def _turning(at: dict[str, Array]) -> Array:
    """Sign of d steer / d rack displacement at rest, (n,), from flat points."""
    lower, rod = at["lower_ball_joint"], at["outer_joint"] - at["inner_joint"]
    moment = cross_first(at["outer_joint"] - lower, rod)
    turning = rod[1] * dot_first(at["upper_ball_joint"] - lower, moment)
    return np.asarray(np.sign(turning))


def _flat(value: Array, shape: tuple[int, ...]) -> Array:
    return value.reshape(1) if value.size == 1 else np.broadcast_to(value, shape).ravel()


def _place(at: dict[str, Array], spin: Array, height: Array, steer: Array) -> list[Array]:
    """L, U, O, I, wheel centre and spin axis, (3, n) or (3, 1) each, from flat points at rest."""
    lower, outer, inner = at["lower_ball_joint"], at["outer_joint"], at["inner_joint"]
    link = at["upper_ball_joint"] - lower
    length = np.sqrt(dot_first(link, link))
    rest = upright_frame(link / length)
    wheel = coordinates(at["wheel_centre"] - lower, rest)
    spin_at, arm = coordinates(spin, rest), coordinates(outer - lower, rest)
    lower, frame = turn_upright(prepare_arms(at), wheel, spin_at, height, steer)

    # The inner joint keeps its x and z, the rod's length, and its side of the outer joint.
    rod = outer - inner
    outer = lower + carry(arm, frame)
    x, z = outer[0] - inner[0], outer[2] - inner[2]
    across = np.sign(rod[1]) * np.sqrt(dot_first(rod, rod) - x * x - z * z)
    inner = np.stack(np.broadcast_arrays(inner[0], outer[1] - across, inner[2]))
    upper, wheel_centre = lower + length * frame[0], lower + carry(wheel, frame)
    return [lower, upper, outer, inner, wheel_centre, carry(spin_at, frame)]


Frame = tuple[Array, Array, Array]


def upright_frame(k: Array) -> Frame:
    """Directions of the upright, (3, ...) each: k, and square to it ahead and outboard."""
    across = np.sqrt(1.0 - k[0] * k[0])
    share = k / across
    ahead, outboard = -k[0] * share, np.zeros_like(k)
    ahead[0] = across
    outboard[1], outboard[2] = share[2], -share[1]
    return k, ahead, outboard


def coordinates(vector: Array, frame: Frame) -> Frame:
    """Parts (n,) of a vector (3, n) along the directions of a frame."""
    k, ahead, outboard = (dot_first(vector, axis) for axis in frame)
    return k, ahead, outboard


def carry(local: Frame, frame: Frame) -> Array:
    """The vector (3, n) whose parts along the directions of the frame are `local`."""
    return local[0] * frame[0] + local[1] * frame[1] + local[2] * frame[2]


def turn_upright(
    arms: Arms, wheel: Frame, spin: Frame, height: Array, steer: Array
) -> tuple[Array, Frame]:
    """Lower ball joint and frame of the upright, with the wheel centre at `height` and steered.

    The spin axis is square to the heading (cos steer, sin steer, 0). In the frame that
    `upright_frame` gives at rest, turned by psi about k, that reads A cos(psi) + B sin(psi) = C
    as in `loops`; of the two roots the wheel that does not roll backwards has
    w = (k x s).heading < 0.

    Args:
        arms: of the corner at rest.
        wheel: wheel centre from L at rest, along that frame.
        spin: spin axis at rest, along that frame.
        height: of the wheel centre, (n,).
        steer: radians, (n,).
    """
    cosine, sine = np.cos(steer), np.sin(steer)
    h, f, o = spin

    def turned(frame: Frame, rows: slice | int) -> Frame:
        k, ahead, out = frame
        along_k, along_ahead, along_out = (v[0] * cosine + v[1] * sine for v in frame)
        a, b = f * along_ahead + o * along_out, f * along_out - o * along_ahead
        c = -h * along_k
        square = a * a + b * b
        w = -np.sqrt(square - c * c)
        cos_psi, sin_psi = (a * c + b * w) / square, (b * c - a * w) / square
        ahead, out = ahead[rows], out[rows]
        return k[rows], cos_psi * ahead + sin_psi * out, cos_psi * out - sin_psi * ahead

    def error(rise: Array) -> Array:
        lower, k = close_arms(arms, rise)
        return np.asarray(lower[2] + carry(wheel, turned(upright_frame(k), 2)) - height)

    at_rest = error(np.zeros(1))
    rise, _, left = find_root(
        error, np.zeros_like(at_rest), np.ones_like(at_rest), at_rest, TRAVEL_TOLERANCE_MM
    )
    lower, k = close_arms(arms, np.where(np.abs(left) <= ACCEPTED_MM, rise, np.nan))
    return lower, turned(upright_frame(k), slice(None))
