r"""Forces in the joints of one corner, held still: statics alone, no stiffness in it.

        upper arm   o-------U      an arm is a rigid body on two pivots; a its axis, from the rear
                 a x\     //        to the front pivot, u square to it towards the ball joint, and
        tie rod  I======O//         v = a x u
                        |/
        lower arm   o===L           what holds the lower arm about its axis: the spring

The upright is held by L (three components), by U (two: the upper arm turns freely on its axis and
so takes nothing along v) and by the tie rod, which pushes along e from I to O. Six unknowns, six
equations: with moments about L

    (U - L) x (alpha a + beta u) + N (O - L) x e + M = 0,

three numbers by Cramer's rule, and L has what is left. Each arm hands its ball joint's force on to
its pivots, all of it but how these share the part along the axis: half each, being alike. The
lower arm is held about its axis by a moment alone. Elementary statics; no source needed.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from optimiser.linkage.vectors import Array, cross_first, dot_first

if TYPE_CHECKING:
    from optimiser.linkage.poses import Poses


class Wrench(NamedTuple):
    """Forces in N and their moments about L in N mm, (3, c, n) each: c loads on n corners."""

    force: Array
    moment: Array


class Arm(NamedTuple):
    """An arm in a pose: (3, n) directions a, u and v, and (n,) lengths in mm.

    `along` is how far the ball joint is ahead of the rear pivot on the axis, `reach` how far from
    the axis, `apart` the distance of the pivots.
    """

    a: Array
    u: Array
    v: Array
    along: Array
    reach: Array
    apart: Array


class Joints(NamedTuple):
    """Forces in N of c loads on n corners, component first.

    Attributes:
        rod: compression of the tie rod, (c, n).
        lower: of the lower arm on the upright at L, (3, c, n).
        upper: of the upper arm on the upright at U, (3, c, n).
    """

    rod: Array
    lower: Array
    upper: Array


def unit_first(vectors: Array) -> Array:
    """Directions (3, ...) of vectors that have their component first."""
    return np.asarray(vectors / np.sqrt(dot_first(vectors, vectors)))


def rod_direction(poses: Poses) -> Array:
    """From the inner to the outer joint, (3, ...), of length 1."""
    return unit_first(poses.outer_xyz - poses.inner_xyz)


def arm_of(poses: Poses, which: int) -> Arm:
    """The lower (0) or the upper (1) arm of poses (n,)."""
    rear, axis = poses.hinges_xyz[2 * which], poses.hinges_xyz[2 * which + 1]
    ball = (poses.lower_ball_xyz, poses.upper_ball_xyz)[which]
    apart = np.sqrt(dot_first(axis, axis))
    a = axis / apart
    along = dot_first(ball - rear, a)
    square = ball - rear - along * a
    reach = np.sqrt(dot_first(square, square))
    u = square / reach
    return Arm(a, u, cross_first(a, u), along, reach, apart)


def wrench_at(poses: Poses, force: Array, point: Array) -> Wrench:
    """Forces (3, c, n) that act at points of the same shape."""
    return Wrench(force, cross_first(point - poses.lower_ball_xyz[:, None], force))


def joint_forces(poses: Poses, upper: Arm, load: Wrench) -> Joints:
    """What holds the uprights of poses (n,) against loads, see the head of this module."""
    lower_ball = poses.lower_ball_xyz
    link, arm = poses.upper_ball_xyz - lower_ball, poses.outer_xyz - lower_ball
    e = rod_direction(poses)
    by_a, by_u, by_rod = cross_first(link, upper.a), cross_first(link, upper.u), cross_first(arm, e)
    rows = cross_first(by_u, by_rod), cross_first(by_rod, by_a), cross_first(by_a, by_u)
    with np.errstate(invalid="ignore", divide="ignore"):
        scale = -1.0 / dot_first(by_a, rows[0])
    alpha, beta, rod = (dot_first((scale * row)[:, None], load.moment) for row in rows)
    at_upper = alpha * upper.a[:, None] + beta * upper.u[:, None]
    return Joints(rod, -load.force - at_upper - rod * e[:, None], at_upper)


def pivot_forces(arm: Arm, on_upright: Array) -> tuple[Array, Array]:
    """Forces of the car on an arm at its front and rear pivot, along a, u and v: (3, c, n) each.

    `on_upright` (3, c, n) is the force at the ball joint of the arm on the upright.
    """
    a, u, v = (dot_first(axis[:, None], on_upright) for axis in (arm.a, arm.u, arm.v))
    front = np.empty(on_upright.shape)
    front[0] = 0.5 * a
    front[1] = (arm.along * u - arm.reach * a) / arm.apart
    front[2] = arm.along * v / arm.apart
    rear = np.empty(on_upright.shape)
    rear[0] = front[0]
    rear[1] = u - front[1]
    rear[2] = v - front[2]
    return front, rear
