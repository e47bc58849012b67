"""Closing the loops of the left corner: arms, then tie rod. Closed form, batched.

        upper arm   o------U            U, L  upper and lower ball joint
                           |  k         k     from L to U, the steering axis, a unit vector
        tie rod  I----O....|            O     outer joint, h_o along the axis and r_o from it
                           |            I     inner joint, on the rack along y
        lower arm   o------L

A circle of radius r about c, in the plane of orthonormal u and v, meets the sphere of radius d
about a point p where

    A cos(phi) + B sin(phi) = C,   A = (c-p).u,  B = (c-p).v,  C = (d^2 - r^2 - |c-p|^2) / 2r

with w = B cos(phi) - A sin(phi) = +-sqrt(A^2 + B^2 - C^2), so that without any angle

    cos(phi) = (A C + B w) / (A^2 + B^2),   sin(phi) = (B C - A w) / (A^2 + B^2).

For the tie rod c - p is D = L + h_o k - I. Its part p = D - (D.k) k square to k, and q = k x D,
span the plane of the outer joint's circle, so that with S = p.p

    g_a = (C p + w q) / S,   g_b = k x g_a = (C q - w p) / S

where g_a points from the axis to the outer joint. Any point of the upright is h k + a g_a + b g_b
from L. The sign of w cannot change along a continuous motion without passing w = 0, where the
two bars line up. Keeping the sign of the design position is therefore following the root, and a
pose beyond the toggle has no root: it is NaN. Elementary geometry; no source needed.

At a given rack displacement the corner has one freedom left. Its measure is the rise of the lower
ball joint, in mm, in which the height of the wheel is all but linear. Vectors have their
component first, (3, n), with n poses last; what all poses share is (3, 1), or a number.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from optimiser.vectors import Array, cross_first, dot_first

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimiser.hardpoints import Hardpoints

POSE_ROWS = 19


@dataclass(frozen=True, slots=True)
class Arms:
    """Constants of the arms: each (k, n), or (k, 1) or (k,) where all poses share it.

    With cos and sin of the lower arm's angle, rows 0-2 of lower_0 + lower_c cos + lower_s sin are
    L and rows 3-5 the A, B and C of the upper ball joint; with those of the upper arm's angle U is
    upper_0 + upper_c cos + upper_s sin. Positive angles lift, and w of the upper is positive.

    Attributes:
        lengths: |U - L|, and of the z parts a, b of the lower arm's circle: a^2 + b^2, a, and a
            and b over that sum.
    """

    lower_0: Array
    lower_c: Array
    lower_s: Array
    upper_0: Array
    upper_c: Array
    upper_s: Array
    lengths: Array


@dataclass(frozen=True, slots=True)
class Corner(Arms):
    """What does not depend on the pose.

    Attributes:
        tie_rod: h_o, r_o, C at D = 0, the factor of |D|^2 in C, sign of w, and length.
        inner: inner joint with the rack at centre, (3, n).
        wheel: (h, a, b) of the wheel centre, and its height at rest.
        spin: (h, a, b) of the spin axis.
        guess: coefficients of `first_guess`.
    """

    tie_rod: Array
    inner: Array
    wheel: Array
    spin: Array
    guess: Array

    def arrays(self) -> list[Array]:
        """All constants, in the order of the fields."""
        return _arrays(self)

    def pick(self, index: NDArray[np.intp]) -> Corner:
        """Constants of some of the poses."""
        return Corner(*(v if is_shared(v) else v[:, index] for v in self.arrays()))


def _arrays(constants: Arms) -> list[Array]:
    return [getattr(constants, field.name) for field in fields(constants)]


def is_shared(constant: Array) -> bool:
    """Whether all poses share a constant of `Corner`."""
    return constant.size == len(constant)


# --- one evaluation: rise of the lower ball joint and rack displacement to a pose ----------------


class Loops(NamedTuple):
    """Closed loops of n poses: L, k, D, D.k, S, C and w of the module's text."""

    lower: Array
    k: Array
    d: Array
    d_k: Array
    square: Array
    c: Array
    w: Array


def close_arms(arms: Arms, rise: Array) -> tuple[Array, Array]:
    """Lower ball joint L and steering axis k, (3, n) each, at rises (n,) of L."""
    link, square, a, a_over, b_over = arms.lengths
    z = a + rise
    w = np.sqrt(square - z * z)
    cosine, sine = a_over * z + b_over * w, b_over * z - a_over * w
    rows = arms.lower_0 + arms.lower_c * cosine + arms.lower_s * sine
    a, b, c = rows[3:]
    square = a * a + b * b
    w = np.sqrt(square - c * c)
    cosine, sine = (a * c + b * w) / square, (b * c - a * w) / square
    upper = arms.upper_0 + arms.upper_c * cosine + arms.upper_s * sine
    return rows[:3], (upper - rows[:3]) * (1.0 / link)


def close_loops(corner: Corner, rise: Array, inner: Array) -> Loops:
    """Close both loops at rises (n,) of L, with the inner joint at `inner` (3, n)."""
    h_o, _, c_0, c_2, sign, _ = corner.tie_rod
    lower, k = close_arms(corner, rise)
    d = lower + h_o * k - inner
    d_k, length_square = dot_first(d, k), dot_first(d, d)
    square = length_square - d_k * d_k
    c = c_0 + c_2 * length_square
    return Loops(lower, k, d, d_k, square, c, sign * np.sqrt(square - c * c))


def wheel_height(corner: Corner, loops: Loops) -> Array:
    """Vertical displacement of the wheel centre from rest, (n,)."""
    h, a, b, rest = corner.wheel
    k, d = loops.k, loops.d
    of_p, of_q = _factors(loops, a, b)
    p_z, q_z = d[2] - loops.d_k * k[2], k[0] * d[1] - k[1] * d[0]
    return np.asarray(loops.lower[2] + h * k[2] + of_p * p_z + of_q * q_z - rest)


def _factors(loops: Loops, a: Array, b: Array) -> tuple[Array, Array]:
    """Factors of p and q in a g_a + b g_b."""
    c, w, square = loops.c, loops.w, loops.square
    return (a * c - b * w) / square, (a * w + b * c) / square


def place_upright(corner: Corner, loops: Loops, inner: Array, out: Array) -> None:
    """Write L, U, O, I, wheel centre, spin axis and sine of the toggle margin to `out` (19, n)."""
    _, r_o, _, _, sign, rod = corner.tie_rod
    k = loops.k
    p, q = loops.d - loops.d_k * k, cross_first(k, loops.d)

    def along(h: Array, a: Array, b: Array) -> Array:
        of_p, of_q = _factors(loops, a, b)
        return np.asarray(h * k + of_p * p + of_q * q)

    h, a, b, _ = corner.wheel
    reach = r_o / loops.square
    out[0:3] = loops.lower
    out[3:6] = loops.lower + corner.lengths[0] * k
    out[6:9] = inner + loops.d + (reach * loops.c) * p + (reach * loops.w) * q
    out[9:12] = inner
    out[12:15] = loops.lower + along(h, a, b)
    out[15:18] = along(*corner.spin)
    out[18] = sign * loops.w / rod


# --- first guess ---------------------------------------------------------------------------------


def _terms(x: Array, r: Array) -> Array:
    """Terms (12, n) of wheel travel as a polynomial in rise x and rack displacement r."""
    out = np.empty((12, len(x)))
    for row, value in ((0, x), (4, r)):
        out[row] = value
        for power in range(1, 4):
            out[row + power] = out[row + power - 1] * value
    out[8:10] = out[0:2] * r
    out[10:12] = out[8:10] * r
    return out


# Poses at which a corner is probed, rise and rack displacement in units of the shares below, and
# the matrix from the travels there to the coefficients of the polynomial through them.
_PROBES = np.array(
    [
        [1.0, -1.0, 2.0, -2.0, 0.0, 0.0, 0.0, 0.0, 1.0, 1.0, -1.0, -1.0],
        [0.0, 0.0, 0.0, 0.0, 1.0, -1.0, 2.0, -2.0, 1.0, -1.0, 1.0, -1.0],
    ]
)
_FIT = np.linalg.inv(_terms(*_PROBES).T)
_RISE_SHARE, _RACK_SHARE = 0.12, 0.25  # of the lengths of lower arm and steering arm


def first_guess(corner: Corner, travel: Array, rack: Array) -> tuple[Array, Array]:
    """Rise of L for a wheel travel at a rack displacement, and d travel / d rise there; (n,).

    One step of Newton's method on the polynomial of `fit_guess`.
    """
    x1, x2, x3, x4, r1, r2, r3, r4, x1r1, x2r1, x1r2, x2r2 = corner.guess
    at_rest = rack * (r1 + rack * (r2 + rack * (r3 + rack * r4)))
    first, second = x1 + rack * (x1r1 + rack * x1r2), x2 + rack * (x2r1 + rack * x2r2)
    rise = (travel - at_rest) / first
    bend = rise * (second + rise * (x3 + rise * x4))
    slope = first + rise * (2.0 * second + rise * (3.0 * x3 + 4.0 * rise * x4))
    return rise - rise * bend / slope, slope


def fit_guess(corner: Corner) -> Corner:
    """The corner with a polynomial for `first_guess`, through twelve poses around rest.

    Where one of them does not exist, the wheel is taken to rise as the lower ball joint does.
    """
    x, r = _RISE_SHARE * np.sqrt(corner.lengths[1]), _RACK_SHARE * corner.tie_rod[1]
    count = max(1 if is_shared(value) else value.shape[1] for value in corner.arrays())
    x, r = np.broadcast_to(x, count), np.broadcast_to(r, count)
    rise, rack = (_PROBES[0][:, None] * x).ravel(), (_PROBES[1][:, None] * r).ravel()
    probed = Corner(*(v if is_shared(v) else np.tile(v, len(_FIT)) for v in corner.arrays()))
    travel = wheel_height(probed, close_loops(probed, rise, inner_joint(probed, rack)))
    # Summed by hand: a matrix product may round differently for another number of corners.
    fit = np.zeros((len(_FIT), count))
    for column, height in zip(_FIT.T, travel.reshape(-1, count), strict=True):
        fit += column[:, None] * height
    fit /= _terms(x, r)
    fit[:, ~np.isfinite(fit).all(axis=0)] = np.eye(len(_FIT))[:, :1]
    return replace(corner, guess=fit[:, 0] if count == 1 else fit)


def inner_joint(corner: Corner, rack: Array) -> Array:
    """Inner joint (3, n) at rack displacements (n,)."""
    at = np.empty((3, len(rack)))
    at[:] = corner.inner
    at[1] += rack
    return at


# --- constants of a corner -----------------------------------------------------------------------


def prepare(points: Hardpoints, spin: Array) -> tuple[Corner, tuple[int, ...]]:
    """Constants of corners, their batch flattened to n, and the shape (...) of that batch.

    `spin` is the spin axis at rest, (..., 3).
    """
    values = [*(value for _, value in points.items()), spin]
    shape = np.broadcast_shapes(*(value.shape for value in values))[:-1]

    at = {name: flatten(value, shape) for name, value in points.items()}
    with np.errstate(invalid="ignore", divide="ignore"):
        arms, upright = prepare_arms(at), _upright(at, flatten(spin, shape))
    constants = [*_arrays(arms), *upright, np.eye(len(_FIT))[0]]
    return Corner(*constants), shape


def flatten(value: Array, shape: tuple[int, ...]) -> Array:
    """Vectors (..., 3) that broadcast to `shape` as (3, n), or as (3, 1) when there is one."""
    if value.size == 3:
        return value.reshape(3, 1)
    return np.ascontiguousarray(np.broadcast_to(value, (*shape, 3)).reshape(-1, 3).T)


def ball_joint_circle(rear: Array, front: Array, ball: Array) -> tuple[Array, Array, Array]:
    """Circle of a ball joint, (3, n) each: its centre, and two radii square to each other.

    The first leads to the joint, the second to where a quarter turn that lifts it would take it.
    """
    axis = front - rear
    axis = axis / _norm(axis)
    arm = ball - rear
    along = dot_first(arm, axis) * axis
    u = arm - along
    v = cross_first(axis, u)
    return rear + along, u, np.where(v[2] < 0.0, -v, v)


def prepare_arms(at: dict[str, Array]) -> Arms:
    """Constants of the arms from flat points."""
    c_l, u_l, v_l = ball_joint_circle(
        at["lower_rear_pivot"], at["lower_front_pivot"], at["lower_ball_joint"]
    )
    c_u, u_u, v_u = ball_joint_circle(
        at["upper_rear_pivot"], at["upper_front_pivot"], at["upper_ball_joint"]
    )
    link = _norm(at["upper_ball_joint"] - at["lower_ball_joint"])
    v_u = np.sign(dot_first(c_u - at["lower_ball_joint"], v_u)) * v_u
    between, r_u = c_u - c_l, _norm(u_u)
    u, v, w = u_u / r_u, v_u / r_u, between / r_u
    a, b = u_l[2], v_l[2]
    square = a * a + b * b
    # C = (link^2 - r_u^2 - |c_u - L|^2) / 2 r_u: as cos^2 + sin^2 is 1, it is linear in both.
    fixed = link**2 - r_u**2 - dot_first(between, between) - dot_first(u_l, u_l)
    return Arms(
        _stack(c_l, dot_first(between, u), dot_first(between, v), 0.5 * fixed / r_u),
        _stack(u_l, -dot_first(u_l, u), -dot_first(u_l, v), dot_first(u_l, w)),
        _stack(v_l, -dot_first(v_l, u), -dot_first(v_l, v), dot_first(v_l, w)),
        c_u,
        u_u,
        v_u,
        _numbers(link, square, a, a / square, b / square),
    )


def _upright(at: dict[str, Array], spin: Array) -> tuple[Array, Array, Array, Array]:
    """The constants of tie rod, inner joint, wheel and spin axis, in this order."""
    lower, inner = at["lower_ball_joint"], at["inner_joint"]
    k = at["upper_ball_joint"] - lower
    k = k / _norm(k)
    arm, wheel = at["outer_joint"] - lower, at["wheel_centre"] - lower
    rod = arm + lower - inner
    h_o = dot_first(arm, k)
    g_a = arm - h_o * k
    r_o = _norm(g_a)
    g_a = g_a / r_o
    g_b = cross_first(k, g_a)
    length_square = dot_first(rod, rod)
    # The part of the tie rod along g_b is -w; see the module's text.
    sign = -np.sign(dot_first(rod, g_b))
    c_0, c_2 = (length_square - r_o**2) / (2.0 * r_o), -0.5 / r_o
    return (
        _numbers(h_o, r_o, c_0, c_2, sign, np.sqrt(length_square)),
        inner,
        _numbers(*(dot_first(wheel, axis) for axis in (k, g_a, g_b)), at["wheel_centre"][2]),
        _numbers(*(dot_first(spin, axis) for axis in (k, g_a, g_b))),
    )


def _norm(vector: Array) -> Array:
    return np.sqrt(dot_first(vector, vector))


def _stack(*parts: Array) -> Array:
    """Rows (k, n) of vectors (3, n) and numbers (n,), of which some may have n = 1."""
    rows = [len(part) if part.ndim > 1 else 1 for part in parts]
    sizes = [part.shape[-1] for part in parts]
    out = np.empty((sum(rows), 0 if 0 in sizes else max(sizes)))
    end = 0
    for part, count in zip(parts, rows, strict=True):
        out[end : end + count] = part
        end += count
    return out


def _numbers(*parts: Array) -> Array:
    """Numbers (k, n), or (k,) when all poses share them."""
    rows = _stack(*parts)
    return rows[:, 0] if rows.shape[1] == 1 else rows
