"""What is wanted of the wheels: how toe changes over travel, and the outer angle in a turn.

The one home of the wanted curves, whatever they are held against: a grid of travels, cars as built,
the steer angle at which the ideal inner joint freezes the upright.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import ArrayLike

    from optimiser.linkage.vectors import Array

_EDGE_MM = 1e-6
"""A travel so little beyond a band's edge is on it."""


@dataclass(frozen=True, slots=True)
class Curve:
    """A smooth curve through points of rising `at`, which bends no further than these ask.

    A cubic in each interval whose slopes keep it from overshooting: Fritsch and Carlson, SIAM J.
    Numer. Anal. 17 (1980) (from memory), as scipy has it. Points of a straight line give the line.
    """

    at: tuple[float, ...]
    value: tuple[float, ...]

    def __call__(self, x: ArrayLike) -> Array:
        """Values (...) at x (...)."""
        return np.asarray(_through(self)(np.asarray(x, float)))


@lru_cache(maxsize=16)
def _through(curve: Curve) -> Callable[[Array], Array]:
    from scipy.interpolate import PchipInterpolator  # which other studies need not wait for

    found: Callable[[Array], Array] = PchipInterpolator(curve.at, curve.value)
    return found


@dataclass(frozen=True, slots=True)
class WantedToe:
    """How toe-in is wanted to change over wheel travel, and how nearly, of each wheel.

    Attributes:
        gradient: wanted change of toe-in for each mm of travel, rad/mm.
        curve: wanted change of toe-in from rest over travel, rad over mm, instead of a gradient.
        bands: travel either way from rest, in mm, and what is accepted up to there, rad; both
            rising. Empty where the same is accepted at every travel.
    """

    gradient: float = 0.0
    curve: Curve | None = None
    bands: tuple[tuple[float, float], ...] = ()

    @property
    def is_none(self) -> bool:
        """Whether toe is wanted not to change."""
        return self.curve is None and self.gradient == 0.0

    def change(self, travel_mm: ArrayLike) -> Array:
        """Wanted change of toe-in from rest, (P,) rad, at travels (P,)."""
        travel = np.asarray(travel_mm, float)
        if self.curve is None:
            return np.asarray(self.gradient * travel)
        return np.asarray(self.curve(travel) - self.curve(0.0))

    def departure(self, toe_change: Array, travel_mm: ArrayLike) -> Array:
        """Changes of toe-in (..., P) less the wanted ones; the same where none is wanted."""
        return toe_change if self.is_none else np.asarray(toe_change - self.change(travel_mm))

    def counted(self, departure: Array, travel_mm: ArrayLike) -> Array:
        """Departures (..., P) as they count against what is accepted at the widest travel.

        What lies within a narrower band counts in proportion, times the widest band's value over
        its own: the greatest is acceptable exactly where each is within its band, and the share
        of what is accepted is the worst over travel. The same without bands.
        """
        return departure if not self.bands else np.asarray(departure * self.weights(travel_mm))

    def weights(self, travel_mm: ArrayLike) -> Array:
        """How many times a departure at travels (P,) counts, (P,): 1 in the widest band."""
        size = np.abs(np.asarray(travel_mm, float))
        weights = np.ones(size.shape)
        for edge, accepted in reversed(self.bands):
            weights[size <= edge + _EDGE_MM] = self.bands[-1][1] / accepted
        return weights


FROZEN = WantedToe()
"""Toe that is wanted not to change."""

Target = float | Curve
"""What is wanted of the outer wheel: a share of pure rolling, or its angle over the inner one's."""
