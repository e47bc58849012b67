"""Constants of a corner for `loops`, and a first guess of how far its lower ball joint rises."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from optimiser.linkage.loops import Arms, Corner, close_loops, is_shared, wheel_height
from optimiser.linkage.vectors import Array, cross_first, dot_first

if TYPE_CHECKING:
    from optimiser.linkage.hardpoints import Hardpoints


def prepare(points: Hardpoints, spin: Array) -> tuple[Corner, tuple[int, ...]]:
    """Constants of corners, their batch flattened to n, and the shape (...) of that batch.

    `spin` is the spin axis at rest, (..., 3).
    """
    values = [*(value for _, value in points.items()), spin]
    shape = np.broadcast_shapes(*(value.shape for value in values))[:-1]

    at = {name: flatten(value, shape) for name, value in points.items()}
    with np.errstate(invalid="ignore", divide="ignore"):
        arms, upright = prepare_arms(at), _upright(at, flatten(spin, shape))
    constants = [*arms.arrays(), *upright, np.eye(len(_FIT))[0]]
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
