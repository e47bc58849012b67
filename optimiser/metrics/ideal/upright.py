"""Motion of the upright over wheel travel with its toe as wanted; no tie rod enters.

The poses are those of `linkage.at_steer`; what they add here is how the upright moves as it steers.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimiser.linkage.at_steer import carry, coordinates, turn_upright, upright_frame
from optimiser.linkage.attitude import STRAIGHT
from optimiser.linkage.constants import flatten, prepare_arms
from optimiser.linkage.poses import arm_rates, hinges, steer_rate
from optimiser.linkage.vectors import Array, cross_first, dot, dot_first, unit
from optimiser.metrics.wanted import FROZEN

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from optimiser.linkage.attitude import Attitude
    from optimiser.linkage.hardpoints import Hardpoints
    from optimiser.metrics.wanted import WantedToe

_TIE_ROD = ("outer_joint", "inner_joint")


@dataclass(frozen=True, slots=True)
class UprightMotion:
    """Motion of the left upright over P wheel travels with its toe as wanted; arms (...,).

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


def upright_motion(
    points: Hardpoints,
    travel_mm: ArrayLike,
    attitude: Attitude = STRAIGHT,
    wanted: WantedToe = FROZEN,
) -> UprightMotion:
    """Move the upright over wheel travel with its steer angle held at what is wanted there.

    Args:
        points: arms and wheel of batch shape (...); the tie rod is not used.
        travel_mm: vertical displacements of the wheel centre, (P,), bump positive.
        attitude: of the wheel at rest.
        wanted: how toe is wanted to change over travel; by default it keeps its design value.
    """
    travel = np.asarray(travel_mm, float)
    apart = attitude.with_pose_axes(1)
    spin = apart.spin_axis
    corner = points.with_pose_axes(1)
    drawn = {name: value for name, value in corner.items() if name not in _TIE_ROD}
    shape = np.broadcast_shapes(
        *(value.shape[:-1] for value in drawn.values()), spin.shape[:-1], travel.shape
    )
    at = {name: flatten(value, shape) for name, value in drawn.items()}
    toe_in = np.asarray(apart.toe_in, float)
    if not wanted.is_none:
        toe_in = toe_in + wanted.change(travel)
    travels, steer = (np.broadcast_to(value, shape).ravel() for value in (travel, -toe_in))
    out = np.empty((6, 3, travels.size))
    with np.errstate(invalid="ignore", divide="ignore"):
        joints = hinges(corner, shape).reshape(4, 3, -1)
        _move(at, flatten(spin, shape), travels, steer, joints, out)
    lower, *frame, shift, turn = np.moveaxis(out.reshape(6, 3, *shape), 1, -1)
    axis = unit(points.upper_ball_joint - points.lower_ball_joint)
    rest = np.moveaxis(np.stack(upright_frame(np.moveaxis(axis, -1, 0))), (0, 1), (-2, -1))
    frames = np.stack(frame, axis=-2)
    return UprightMotion(travel, lower, frames, shift, turn, points.lower_ball_joint, rest)


def _move(
    at: dict[str, Array], spin: Array, travel: Array, steer: Array, joints: Array, out: Array
) -> None:
    """Write L, e_0, e_1, e_2, shift and turn to `out` (6, 3, n), from flat points at rest.

    As the lower arm turns by one radian, the upright swings with the steering axis and turns about
    it so that the steer angle stays. As it steers by one radian, the arm follows to keep the
    wheel's height. NaN past the fold of the arms, where the wheel no longer rises with them.
    """
    link, arm = (at[name] - at["lower_ball_joint"] for name in ("upper_ball_joint", "wheel_centre"))
    length = np.sqrt(dot_first(link, link))
    rest = upright_frame(link / length)
    wheel, axle = coordinates(arm, rest), coordinates(spin, rest)
    height = travel + at["wheel_centre"][2]
    lower, frame = turn_upright(prepare_arms(at), wheel, axle, height, steer)
    k, wheel_now, spin_now = frame[0], carry(wheel, frame), carry(axle, frame)
    v_lower, swing = arm_rates(joints, lower, lower + length * k)
    about = steer_rate(spin_now, k)
    swing = swing - k * (steer_rate(spin_now, swing) / about)
    lift = v_lower[2] + cross_first(swing, wheel_now)[2]
    follow = -cross_first(k, wheel_now)[2] / (about * lift)
    turn = k / about + follow * swing
    shift = follow * v_lower - cross_first(turn, lower)
    for row, vector in enumerate((lower, *frame, shift, turn)):
        out[row] = vector
    out[:, :, ~(lift / v_lower[2] > 0.0)] = np.nan
