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

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from optimiser.linkage.vectors import Array, cross_first, dot_first

if TYPE_CHECKING:
    from numpy.typing import NDArray

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

    def arrays(self) -> list[Array]:
        """All constants, in the order of the fields."""
        return [getattr(self, field.name) for field in fields(self)]


@dataclass(frozen=True, slots=True)
class Corner(Arms):
    """What does not depend on the pose.

    Attributes:
        tie_rod: h_o, r_o, C at D = 0, the factor of |D|^2 in C, sign of w, and length.
        inner: inner joint with the rack at centre, (3, n).
        wheel: (h, a, b) of the wheel centre, and its height at rest.
        spin: (h, a, b) of the spin axis.
        guess: coefficients of `constants.first_guess`.
    """

    tie_rod: Array
    inner: Array
    wheel: Array
    spin: Array
    guess: Array

    def pick(self, index: NDArray[np.intp]) -> Corner:
        """Constants of some of the poses."""
        return Corner(*(v if is_shared(v) else v[:, index] for v in self.arrays()))


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
