"""Poses of the left corner: arm motion, tie-rod closure, wheel travel. Closed form and batched.

        upper arm   o------U            U, L  upper and lower ball joint
                           |  k         k     from L to U, the steering axis
        tie rod  I----O....|            O     outer joint, r_o from the axis
                           |            I     inner joint, on the rack along y
        lower arm   o------L

The lower arm's angle theta is the freedom that Newton's method solves for the wanted wheel
travel; everything else follows from it in closed form. A circle of radius r about c, in the
plane of orthonormal u and v, meets the sphere of radius d about a point p where

    A cos(phi) + B sin(phi) = C,   A = (c-p).u,  B = (c-p).v,  C = (d^2 - r^2 - |c-p|^2) / 2r

with w = B cos(phi) - A sin(phi) = +-sqrt(A^2 + B^2 - C^2), so that without any angle

    cos(phi) = (A C + B w) / (A^2 + B^2),   sin(phi) = (B C - A w) / (A^2 + B^2).

The sign of w cannot change along a continuous motion without passing w = 0, where the two bars
line up. Keeping the sign of the design position is therefore following the root, and a pose
beyond the toggle has no root: it is NaN. Elementary geometry; no source needed.

Any input may have any batch shape; all of them broadcast as numpy arrays do.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optimiser.hardpoints import Hardpoints
from optimiser.vectors import Array, cross, dot, foot_on_line, norm, unit

TRAVEL_TOLERANCE_MM = 1e-10
BLOCK_POSES = 4096  # arrays of this length stay in the second-level cache
_NEWTON_STEPS = 12
_CONTINUATION_STEPS = 24
_X, _Y, _Z = (np.array(row) for row in np.eye(3))


@dataclass(frozen=True, slots=True)
class Poses:
    """Solved poses; `shape` is the broadcast shape of points, travel and rack displacement.

    Arrays named `_xyz` hold the component first, (3, *shape), which is how they are computed;
    the properties without the suffix are views with the component last. NaN where the pose
    does not exist.
    """

    lower_ball_xyz: Array
    upper_ball_xyz: Array
    outer_xyz: Array
    inner_xyz: Array
    wheel_centre_xyz: Array
    spin_xyz: Array
    toggle_sine: Array
    """Sine of the toggle margin; 0 where tie rod and steering arm line up."""
    steer_per_travel: Array
    """d steer / d wheel travel at constant rack displacement, rad/mm."""
    steer_per_rack: Array
    """d steer / d rack displacement at constant wheel travel, rad/mm."""

    @property
    def shape(self) -> tuple[int, ...]:
        """Broadcast shape of the poses."""
        return self.toggle_sine.shape

    @property
    def exists(self) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
        """True where the linkage reaches the pose."""
        return np.isfinite(self.toggle_sine)

    @property
    def lower_ball_joint(self) -> Array:
        """(..., 3) mm."""
        return np.moveaxis(self.lower_ball_xyz, 0, -1)

    @property
    def upper_ball_joint(self) -> Array:
        """(..., 3) mm."""
        return np.moveaxis(self.upper_ball_xyz, 0, -1)

    @property
    def outer_joint(self) -> Array:
        """(..., 3) mm."""
        return np.moveaxis(self.outer_xyz, 0, -1)

    @property
    def inner_joint(self) -> Array:
        """(..., 3) mm."""
        return np.moveaxis(self.inner_xyz, 0, -1)

    @property
    def wheel_centre(self) -> Array:
        """(..., 3) mm."""
        return np.moveaxis(self.wheel_centre_xyz, 0, -1)

    @property
    def spin_axis(self) -> Array:
        """(..., 3) unit vector out to the left."""
        return np.moveaxis(self.spin_xyz, 0, -1)

    @property
    def steer(self) -> Array:
        """Steer angle of the left wheel in radians, positive to the left (ISO 8855)."""
        return np.asarray(np.arctan2(-self.spin_xyz[0], self.spin_xyz[1]))

    @property
    def camber(self) -> Array:
        """Inclination of the wheel in radians, positive with its top outboard (ISO 8855)."""
        return np.asarray(np.arcsin(-self.spin_xyz[2]))

    @property
    def toggle_margin(self) -> Array:
        """Angle in radians left before tie rod and steering arm line up.

        It is the angle of the tie rod to the plane through steering axis and outer joint.
        """
        sine = self.toggle_sine
        return np.arctan2(sine, np.sqrt(np.maximum(0.0, (1.0 - sine) * (1.0 + sine))))


def spin_axis(static_toe_in: ArrayLike, static_camber: ArrayLike) -> Array:
    """Spin axis of the left wheel at rest, (..., 3), from toe-in and camber in radians."""
    toe, camber = np.broadcast_arrays(
        np.asarray(static_toe_in, float), np.asarray(static_camber, float)
    )
    return np.stack(
        [np.sin(toe) * np.cos(camber), np.cos(toe) * np.cos(camber), -np.sin(camber)], axis=-1
    )


def steering_frame(points: Hardpoints) -> tuple[Array, Array, Array]:
    """Steering axis at rest and, square to it, the directions ahead and outboard: (..., 3) each."""
    axis = unit(points.upper_ball_joint - points.lower_ball_joint)
    ahead = unit(_X - dot(axis, _X)[..., None] * axis)
    return axis, ahead, cross(axis, ahead)


@dataclass(frozen=True, slots=True)
class ArmPlacement:
    """Where the outer joint sits on the upright at rest.

    Attributes:
        length_mm: steering arm length, from the steering axis and square to it.
        height_mm: height of the outer joint, its z.
        angle: direction about the steering axis in radians, from straight ahead (or, for an
            arm behind the axis, from straight back), positive outboard.
        ahead: True when the outer joint is ahead of the steering axis.
    """

    length_mm: Array
    height_mm: Array
    angle: Array
    ahead: bool


def describe_arm(points: Hardpoints) -> ArmPlacement:
    """Length, height and angle of the steering arm that `points` draw, batch shape (...)."""
    axis, ahead, outboard = steering_frame(points)
    arm = points.outer_joint - points.lower_ball_joint
    forward, sideways = dot(arm, ahead), dot(arm, outboard)
    is_ahead = bool(np.all(forward >= 0.0))
    return ArmPlacement(
        length_mm=np.hypot(forward, sideways),
        height_mm=np.asarray(points.outer_joint[..., 2]),
        angle=np.arctan2(sideways, forward if is_ahead else -forward),
        ahead=is_ahead,
    )


def place_outer_joint(
    points: Hardpoints,
    arm_length_mm: ArrayLike,
    arm_height_mm: ArrayLike,
    arm_angle: ArrayLike,
    ahead: bool,
) -> Array:
    """Outer joint (..., 3) for a steering arm; the inverse of `describe_arm`.

    The three numbers broadcast with each other and with the batch shape of `points`.
    """
    axis, forward, outboard = steering_frame(points)
    length, height, angle = np.broadcast_arrays(
        *(np.asarray(value, dtype=float) for value in (arm_length_mm, arm_height_mm, arm_angle))
    )
    along = np.cos(angle) if ahead else -np.cos(angle)
    radial = length[..., None] * (along[..., None] * forward + np.sin(angle)[..., None] * outboard)
    lower = points.lower_ball_joint
    up = (height - lower[..., 2] - radial[..., 2]) / axis[..., 2]
    return np.asarray(lower + radial + up[..., None] * axis)


def solve_linkage(
    points: Hardpoints,
    travel_mm: ArrayLike,
    rack_mm: ArrayLike,
    *,
    static_toe_in: ArrayLike = 0.0,
    static_camber: ArrayLike = 0.0,
    thorough: bool = True,
) -> Poses:
    """Solve the left corner at given wheel travel and rack displacement.

    Args:
        points: batch of corners in body axes. For N designs over P poses give the points the
            batch shape (N, 1), see `Hardpoints.with_pose_axes`.
        travel_mm: vertical displacement of the wheel centre, bump positive.
        rack_mm: displacement of the rack, positive to the left. The right wheel at rack
            displacement r is the mirror image of the left wheel at -r.
        static_toe_in: toe-in at rest in radians, of the batch shape or broadcastable.
        static_camber: camber at rest in radians, likewise.
        thorough: follow a pose that Newton's method misses in small steps from rest. False
            gives such a pose up as NaN, which is only ever one close to the toggle or to the
            end of the suspension's reach, and is much faster over many poor designs.

    Returns:
        Poses of the broadcast shape; NaN where the linkage cannot reach the pose.
    """
    constants = _prepare(points, spin_axis(static_toe_in, static_camber))
    travel, rack = np.asarray(travel_mm, float), np.asarray(rack_mm, float)
    shape = np.broadcast_shapes(constants.shape, travel.shape, rack.shape)
    if not shape:
        return _as_poses(_solve_blocks(constants, travel[None], rack[None], (1,), thorough), ())
    return _as_poses(_solve_blocks(constants, travel, rack, shape, thorough), shape)


# --- constants of a corner -------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Constants:
    """Everything that does not depend on the pose; rows of `table` are named by `_ROWS`."""

    table: dict[str, Array]
    shape: tuple[int, ...]

    def block(self, shape: tuple[int, ...], start: int, stop: int) -> dict[str, Array]:
        """Constants spread over rows start..stop of the pose shape, flattened."""
        return {name: _spread(value, shape, start, stop) for name, value in self.table.items()}


def _spread(value: Array, shape: tuple[int, ...], start: int, stop: int) -> Array:
    """Rows start..stop of `value` broadcast to `shape`, flat; a lone value stays a scalar."""
    if value.size == 1:
        return value.reshape(())
    return np.broadcast_to(value, shape)[start:stop].ravel()


def _prepare(points: Hardpoints, spin: Array) -> _Constants:
    lower, upper = points.lower_ball_joint, points.upper_ball_joint
    axis, ahead, _ = steering_frame(points)
    c_l, u_l, v_l, r_l = arm_circle(points.lower_rear_pivot, points.lower_front_pivot, lower)
    c_u, u_u, v_u, r_u = arm_circle(points.upper_rear_pivot, points.upper_front_pivot, upper)
    link = norm(upper - lower)
    between = c_u - c_l

    arm = points.outer_joint - lower
    h_o = dot(arm, axis)
    radial = arm - h_o[..., None] * axis
    r_o = norm(radial)
    g_a = radial / r_o[..., None]
    g_b = cross(axis, g_a)
    rod = norm(points.outer_joint - points.inner_joint)
    wheel = points.wheel_centre - lower

    table: dict[str, Array] = {
        "r_l": r_l, "r_u": r_u, "link": link, "h_o": h_o, "r_o": r_o, "rod": rod,
        "A0": dot(between, u_u), "A1": -r_l * dot(u_l, u_u), "A2": -r_l * dot(v_l, u_u),
        "B0": dot(between, v_u), "B1": -r_l * dot(u_l, v_u), "B2": -r_l * dot(v_l, v_u),
        "h_w": dot(wheel, axis), "a_w": dot(wheel, g_a), "b_w": dot(wheel, g_b),
        "h_s": dot(spin, axis), "a_s": dot(spin, g_a), "b_s": dot(spin, g_b),
        "rest_z": points.wheel_centre[..., 2],
    }  # fmt: skip
    # C = (link^2 - r_u^2 - |c_u - L|^2) / 2 r_u, which is linear in cos and sin of theta too.
    table["C0"] = (link**2 - r_u**2 - dot(between, between) - r_l**2) / (2.0 * r_u)
    table["C1"] = r_l * dot(between, u_l) / r_u
    table["C2"] = r_l * dot(between, v_l) / r_u
    table["sign_u"] = np.sign(dot(c_u - lower, v_u))
    table["sign_o"] = np.sign(dot(lower + h_o[..., None] * axis - points.inner_joint, g_b))
    for name, vector in (
        ("cl", c_l), ("ul", u_l), ("vl", v_l), ("cu", c_u), ("uu", u_u), ("vu", v_u),
        ("in", points.inner_joint),
    ):  # fmt: skip
        for index, letter in enumerate("xyz"):
            table[f"{name}{letter}"] = vector[..., index]
    # Vertical lift of the wheel centre per unit of theta and its first guess; see _first_guess.
    rest = {name: np.asarray(value) for name, value in table.items()}
    with np.errstate(invalid="ignore", divide="ignore"):  # a corner may rest at its toggle
        table["lift"] = _evaluate(rest, np.zeros(()), np.zeros(())).lift
    shape = np.broadcast_shapes(*(value.shape for value in table.values()), ahead.shape[:-1])
    return _Constants(table, shape)


def arm_circle(rear: Array, front: Array, ball: Array) -> tuple[Array, Array, Array, Array]:
    """Centre, two axes and radius of the circle a ball joint runs on; positive angle lifts it."""
    axis = unit(front - rear)
    centre = foot_on_line(ball, rear, axis)
    radius = norm(ball - centre)
    u = (ball - centre) / radius[..., None]
    v = cross(axis, u)
    v = np.where(v[..., 2:] < 0.0, -v, v)
    return centre, u, v, radius


# --- one evaluation: arm angle and rack displacement to a pose ---------------------------------


@dataclass(frozen=True, slots=True)
class _State:
    """A pose at arm angle theta, its height and the rates that Newton's method and loads need."""

    lower: tuple[Array, Array, Array]
    upper: tuple[Array, Array, Array]
    k: tuple[Array, Array, Array]
    g_a: tuple[Array, Array, Array]
    g_b: tuple[Array, Array, Array]
    inner_y: Array
    w_o: Array
    height: Array
    lift: Array
    k_rate: tuple[Array, Array, Array]
    p: Array
    q: Array
    s: Array


def _evaluate(c: dict[str, Array], theta: Array, rack: Array) -> _State:
    """Close both loops at lower arm angle `theta`; rates are per radian of theta."""
    cos_t, sin_t = np.cos(theta), np.sin(theta)
    r_l, r_u, link, h_o, r_o = c["r_l"], c["r_u"], c["link"], c["h_o"], c["r_o"]

    # lower ball joint L, upper ball joint U
    lx, ly, lz = (c["cl" + i] + r_l * (cos_t * c["ul" + i] + sin_t * c["vl" + i]) for i in "xyz")
    a = c["A0"] + c["A1"] * cos_t + c["A2"] * sin_t
    b = c["B0"] + c["B1"] * cos_t + c["B2"] * sin_t
    d = c["C0"] + c["C1"] * cos_t + c["C2"] * sin_t
    square = a * a + b * b
    w_u = c["sign_u"] * np.sqrt(square - d * d)
    cos_f, sin_f = (a * d + b * w_u) / square, (b * d - a * w_u) / square
    ux, uy, uz = (c["cu" + i] + r_u * (cos_f * c["uu" + i] + sin_f * c["vu" + i]) for i in "xyz")
    kx, ky, kz = (ux - lx) / link, (uy - ly) / link, (uz - lz) / link

    # e_a ahead and e_b outboard, square to k; the outer joint's turn (ca, sa) in that frame
    n = np.sqrt(1.0 - kx * kx)
    eay, eaz, eby, ebz = -kx * ky / n, -kx * kz / n, kz / n, -ky / n
    inner_y = c["iny"] + rack
    dx, dy, dz = lx + h_o * kx - c["inx"], ly + h_o * ky - inner_y, lz + h_o * kz - c["inz"]
    a = dx * n + dy * eay + dz * eaz
    b = dy * eby + dz * ebz
    d = (c["rod"] ** 2 - r_o * r_o - (dx * dx + dy * dy + dz * dz)) / (2.0 * r_o)
    square = a * a + b * b
    w_o = c["sign_o"] * np.sqrt(square - d * d)
    ca, sa = (a * d + b * w_o) / square, (b * d - a * w_o) / square
    gax, gay, gaz = ca * n, ca * eay + sa * eby, ca * eaz + sa * ebz
    gbx, gby, gbz = -sa * n, ca * eby - sa * eay, ca * ebz - sa * eaz

    # Rates. vL and vU are square to their arms, |U - L| and the tie rod keep their length:
    # k' = p g_a + q g_b, and the upright turns by s about k so that vO . (O - I) = 0.
    vlx, vly, vlz = (r_l * (cos_t * c["vl" + i] - sin_t * c["ul" + i]) for i in "xyz")
    f_rate = (vlx * kx + vly * ky + vlz * kz) * link / (r_u * w_u)
    krx, kry, krz = (
        (f_rate * r_u * (cos_f * c["vu" + i] - sin_f * c["uu" + i]) - v) / link
        for i, v in zip("xyz", (vlx, vly, vlz), strict=True)
    )
    p = krx * gax + kry * gay + krz * gaz
    q = krx * gbx + kry * gby + krz * gbz
    rx, ry, rz = dx + r_o * gax, dy + r_o * gay, dz + r_o * gaz  # tie rod, inner to outer
    along = (vlx + h_o * krx) * rx + (vly + h_o * kry) * ry + (vlz + h_o * krz) * rz
    s = -(along - p * r_o * (kx * rx + ky * ry + kz * rz)) / (r_o * w_o)

    h_w, a_w, b_w = c["h_w"], c["a_w"], c["b_w"]
    height = lz + h_w * kz + a_w * gaz + b_w * gbz - c["rest_z"]
    lift = vlz + h_w * krz - (p * a_w + q * b_w) * kz + s * (a_w * gbz - b_w * gaz)
    return _State(
        (lx, ly, lz), (ux, uy, uz), (kx, ky, kz), (gax, gay, gaz), (gbx, gby, gbz),
        inner_y, w_o, height, lift, (krx, kry, krz), p, q, s,
    )  # fmt: skip


# --- wheel travel to arm angle -----------------------------------------------------------------


def _solve_blocks(
    constants: _Constants, travel: Array, rack: Array, shape: tuple[int, ...], thorough: bool
) -> Array:
    """Solve block by block; returns (21, n) rows in the order `_as_poses` reads them."""
    rows = shape[0]
    row_size = int(np.prod(shape[1:], dtype=int))
    step = max(1, BLOCK_POSES // max(1, row_size))
    out = np.empty((21, rows * row_size))
    with np.errstate(invalid="ignore", divide="ignore"):
        for start in range(0, rows, step):
            stop = min(rows, start + step)
            c = constants.block(shape, start, stop)
            t, r = (
                np.array(np.broadcast_to(value, shape)[start:stop]).ravel()
                for value in (travel, rack)
            )
            where = slice(start * row_size, stop * row_size)
            _solve_block(c, t, r, out[:, where], thorough)
    return out


def _solve_block(
    c: dict[str, Array], travel: Array, rack: Array, out: Array, thorough: bool
) -> None:
    theta = _first_guess(c, travel)
    theta, state, error = _newton(c, theta, travel, rack)
    # Rising with the arm is the branch continuous with rest: beyond a fold the lift is negative.
    good = (np.abs(error) <= 1e-9) & (state.lift > 0.0)
    if not good.all():
        bad = np.flatnonzero(~good)
        theta[bad] = (
            _continue_from_rest(_pick(c, bad), travel[bad], rack[bad]) if thorough else np.nan
        )
        state = _evaluate(c, theta, rack)
    _store(c, state, out)


def _first_guess(c: dict[str, Array], travel: Array) -> Array:
    """Arm angle whose own vertical motion, scaled to the wheel's lift at rest, gives the travel.

    Lower ball joint: z - z0 = r_l (v_z sin(theta) - u_z (1 - cos(theta))).
    """
    r_l, rise = c["r_l"], travel * c["r_l"] * c["vlz"] / c["lift"]
    a, b = r_l * c["vlz"], r_l * c["ulz"]
    size = np.hypot(a, b)
    inside = np.clip((rise + b) / size, -1.0, 1.0)
    return np.asarray(np.arcsin(inside) - np.arctan2(b, a))


def _newton(
    c: dict[str, Array], theta: Array, travel: Array, rack: Array
) -> tuple[Array, _State, Array]:
    state = _evaluate(c, theta, rack)
    error = state.height - travel
    for _ in range(_NEWTON_STEPS):
        if not np.nanmax(np.abs(error), initial=0.0) > TRAVEL_TOLERANCE_MM:
            break
        theta = theta - error / state.lift
        state = _evaluate(c, theta, rack)
        error = state.height - travel
    return theta, state, error


def _continue_from_rest(c: dict[str, Array], travel: Array, rack: Array) -> Array:
    """Arm angle by small steps from rest, for poses near the end of what the linkage reaches.

    A pose whose straight path from rest is broken is not reachable and stays NaN.
    """
    theta = np.zeros_like(travel)
    for part in np.linspace(0.0, 1.0, _CONTINUATION_STEPS + 1)[1:]:
        theta, state, error = _newton(c, theta, part * travel, part * rack)
        theta = np.where((np.abs(error) <= 1e-9) & (state.lift > 0.0), theta, np.nan)
    return theta


def _pick(c: dict[str, Array], index: NDArray[np.intp]) -> dict[str, Array]:
    return {name: value[index] if value.ndim else value for name, value in c.items()}


# --- what a pose reports -------------------------------------------------------------------------


def _store(c: dict[str, Array], state: _State, out: Array) -> None:
    k, g_a, g_b = state.k, state.g_a, state.g_b
    sign = c["sign_o"] * state.w_o
    for index in range(3):
        out[index] = state.lower[index]
        out[3 + index] = state.upper[index]
        outer = state.lower[index] + c["h_o"] * k[index] + c["r_o"] * g_a[index]
        out[6 + index] = outer
        out[9 + index] = (c["inx"], state.inner_y, c["inz"])[index]
        out[12 + index] = state.lower[index] + (
            c["h_w"] * k[index] + c["a_w"] * g_a[index] + c["b_w"] * g_b[index]
        )
        out[15 + index] = c["h_s"] * k[index] + c["a_s"] * g_a[index] + c["b_s"] * g_b[index]
    out[18] = sign / c["rod"]
    steer_per_theta, steer_per_turn = _steer_rates(c, state, out[15:18])
    # A rack step turns the upright by 1/(r_o w) times the rod's y part at constant theta, and
    # theta follows so that the wheel keeps its travel.
    turn = (out[7] - state.inner_y) / (c["r_o"] * state.w_o)
    sink = turn * (c["a_w"] * g_b[2] - c["b_w"] * g_a[2])
    out[19] = steer_per_theta / state.lift
    out[20] = steer_per_turn * turn - steer_per_theta * sink / state.lift
    missing = ~np.isfinite(out[18])
    if missing.any():
        out[:, missing] = np.nan


def _steer_rates(c: dict[str, Array], state: _State, spin: Array) -> tuple[Array, Array]:
    """D steer per radian of theta at constant rack, and per radian of turn about the axis.

    steer = atan2(-s_x, s_y), so d steer = (s_x ds_y - s_y ds_x) / (s_x^2 + s_y^2).
    """
    h, a, b = c["h_s"], c["a_s"], c["b_s"]
    pull = state.p * a + state.q * b
    turn = [a * state.g_b[i] - b * state.g_a[i] for i in (0, 1)]
    rate = [h * state.k_rate[i] - pull * state.k[i] + state.s * turn[i] for i in (0, 1)]
    square = spin[0] ** 2 + spin[1] ** 2
    return (
        (spin[0] * rate[1] - spin[1] * rate[0]) / square,
        (spin[0] * turn[1] - spin[1] * turn[0]) / square,
    )


def _as_poses(flat: Array, shape: tuple[int, ...]) -> Poses:
    shaped = flat.reshape(21, *shape)
    lower, upper, outer, inner, centre, spin = (shaped[row : row + 3] for row in range(0, 18, 3))
    return Poses(lower, upper, outer, inner, centre, spin, shaped[18], shaped[19], shaped[20])
