r"""Universal joints: how two of them on a middle shaft, or one, pass on the turn of the wheel.

One joint. Counted from where the pin of the DRIVING fork lies in the plane of the bend,

    tan(out) = tan(in) / cos(beta)        d(out)/d(in) = cos(beta) / (1 - sin(beta)^2 cos(in)^2)

so that at 30 deg of bend 45 deg of the one give 49.107 deg of the other, and the rate is greatest,
1 / cos(beta), with that pin in the plane and least, cos(beta), with it square to the plane.
(Counted from where it is square, 45 deg give 40.893.) It follows from the two pins of the cross
being square to each other. The driven fork's pin is a quarter turn further than its shaft's angle.

Two joints. `phase` is the angle on the middle shaft from the pin of its upper fork to that of its
lower one, right-handed looking from the steering wheel to the pinion:

    wheel ---(1)--- middle ---(2)--- pinion          delta: from the plane of bend 1 to the plane
          bend b1   u   phase   v   bend b2          of bend 2, counted about the middle alike

With x twice the middle's angle from the plane of bend 1, c the cosines of the bends and g twice
phase - delta,

    d(pinion)/d(wheel) = c2/c1 (A + B cos x) / (C + D cos(x + g)),   A, B = (1 +- c1^2) / 2
                                                                     C, D = (1 +- c2^2) / 2

`delta` is the best phase: there the greatest rate is max(c1/c2, c2/c1)^2 times the least. One joint
is the same with no second bend. Elementary spherical trigonometry; the rates agree with pins turned
one by one, see the tests.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from optimiser.linkage.vectors import Array

_FLAT = 1e-12
"""Size of the derivative's terms below which the rate is the same all round."""


def stretched(angle: ArrayLike, factor: ArrayLike) -> Array:
    """The angle whose tangent is `factor` times that of `angle`, on the same branch for ever.

    Args:
        angle: radians, any number of turns.
        factor: positive.
    """
    a, k = np.asarray(angle, float), np.asarray(factor, float)
    cos, sin = np.cos(a), np.sin(a)
    return np.asarray(a + np.arctan2((k - 1.0) * sin * cos, cos**2 + k * sin**2))


def joint_output(angle: ArrayLike, bend: ArrayLike) -> Array:
    """Angle of the driven shaft of one joint, both from where the driving pin is in the plane."""
    return stretched(angle, 1.0 / np.cos(bend))


def half_turn(angle: ArrayLike) -> Array:
    """The same angle of a fork, which looks alike half a turn on, in (-pi/2, pi/2]."""
    return np.asarray(0.5 * np.pi - np.mod(0.5 * np.pi - np.asarray(angle, float), np.pi))


def nearest_step(angle: ArrayLike, step: float) -> Array:
    """The nearest whole number of steps; the angle itself where the step is 0."""
    a = np.asarray(angle, float)
    return half_turn(np.round(a / step) * step) if step > 0.0 else a


@dataclass(frozen=True, slots=True)
class Driveline:
    """Two joints, or one, of N columns; angles in radians, (N,).

    Attributes:
        upper: bend of the upper joint, between the steering wheel's shaft and the middle.
        lower: of the lower one; 0 of a single joint.
        off: phase less the best phase; 0 of a single joint.
    """

    upper: Array
    lower: Array
    off: Array

    def _terms(self) -> tuple[Array, ...]:
        c1, c2 = np.cos(self.upper) ** 2, np.cos(self.lower) ** 2
        return 0.5 * (1.0 + c1), 0.5 * (1.0 - c1), 0.5 * (1.0 + c2), 0.5 * (1.0 - c2)

    def _rate_at(self, middle: Array) -> Array:
        """d(pinion)/d(wheel) where the middle has turned so far from the plane of bend 1."""
        a, b, c, d = self._terms()
        twice = 2.0 * middle
        scale = np.cos(self.lower) / np.cos(self.upper)
        return np.asarray(
            scale * (a + b * np.cos(twice)) / (c + d * np.cos(twice + 2.0 * self.off))
        )

    def _extremes(self) -> tuple[Array, Array]:
        """Angles of the middle at which the rate is least and at which it is greatest.

        The rate's derivative is zero where `P sin x + Q cos x = R`, which has two solutions.
        """
        a, b, c, d = self._terms()
        g = 2.0 * self.off
        p, q, r = a * d * np.cos(g) - b * c, a * d * np.sin(g), -b * d * np.sin(g)
        size = np.hypot(p, q)
        flat = size < _FLAT
        apart = np.arccos(np.clip(r / np.where(flat, 1.0, size), -1.0, 1.0))
        apart = np.where(flat, 0.5 * np.pi, apart)
        middle = np.where(flat, 0.5 * np.pi, np.arctan2(p, q))
        one, other = 0.5 * (middle - apart), 0.5 * (middle + apart)
        swap = self._rate_at(one) > self._rate_at(other)
        return np.where(swap, other, one), np.where(swap, one, other)

    @property
    def ripple(self) -> Array:
        """Greatest over least of d(pinion)/d(wheel), less one, (N,)."""
        least, greatest = self._extremes()
        return self._rate_at(greatest) / self._rate_at(least) - 1.0

    def straight_ahead(self, *, light: bool) -> Array:
        """Angle (N,) of the middle with the wheels straight: where the rate is least, or greatest.

        Torque at the rim is the pinion's times that rate, so that the steering is lightest where it
        is least.
        """
        least, greatest = self._extremes()
        return least if light else greatest

    def fork(self, middle: Array) -> Array:
        """Angle (N,) of the driving fork's pin on the wheel's shaft from the plane of its bend.

        Right-handed looking from the steering wheel to the pinion, in (-pi/2, pi/2].
        """
        return half_turn(self._wheel_at(middle))

    def _wheel_at(self, middle: Array) -> Array:
        return stretched(middle, np.cos(self.upper))

    def of_pinion(self, turned: Array, middle: Array) -> tuple[Array, Array]:
        """Turn of the steering wheel and d(pinion)/d(wheel) for turns of the pinion, (N, ...) each.

        Args:
            turned: of the pinion from straight ahead, (N, ...).
            middle: angle of the middle straight ahead, (N,); see `straight_ahead`.
        """
        more = tuple(range(1, turned.ndim))
        line = Driveline(*(np.expand_dims(v, more) for v in (self.upper, self.lower, self.off)))
        begin = np.expand_dims(middle, more)
        quarter = 0.5 * np.pi + line.off
        pinion = stretched(begin + quarter, 1.0 / np.cos(line.lower)) + turned
        now = stretched(pinion, np.cos(line.lower)) - quarter
        return line._wheel_at(now) - line._wheel_at(begin), line._rate_at(now)


def bends(wheel: Array, middle: Array, pinion: Array) -> tuple[Array, Array, Array]:
    """Both bends and the best phase, radians, (...), of directions (..., 3) of unit length.

    Args:
        wheel: of the steering wheel's shaft, away from the driver.
        middle: of the middle shaft, from the upper to the lower joint.
        pinion: of the pinion's axis, outward, so that the turn goes on along its opposite.

    Returns:
        Bend of the upper and of the lower joint, and the angle from the plane of the one to that of
        the other about the middle, in (-pi/2, pi/2]; 0 where a joint is straight and has no plane.
    """
    first, second = np.cross(wheel, middle), np.cross(middle, -pinion)

    def dot(a: Array, b: Array) -> Array:
        return np.asarray(np.sum(a * b, axis=-1))

    def bend(normal: Array, one: Array, other: Array) -> Array:
        return np.asarray(np.arctan2(np.sqrt(dot(normal, normal)), dot(one, other)))

    apart = np.arctan2(dot(middle, np.cross(first, second)), dot(first, second))
    return bend(first, wheel, middle), bend(second, middle, -pinion), half_turn(apart)
