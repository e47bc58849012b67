"""How shims and spacers bend the curve of the likeliest car: a polynomial through solved corners.

Choosing among some ten thousand sets of shims takes each one's curve. Within the few millimetres
that shims have, terms up to the third degree in the rises of inner and outer joint and the length
of the spacer give it to a few millionths of a degree (a test holds it against the kernel).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from optimiser.linkage.vectors import Array
    from optimiser.questions.measured.model import CarModel

DEGREE = 3
_AT = np.cos(np.pi * (np.arange(5) + 0.5) / 5.0)
"""Chebyshev's points, which keep a polynomial from swinging between them."""
_POWERS = np.array([p for p in product(range(DEGREE + 1), repeat=3) if sum(p) <= DEGREE])
LONGEST_SPACER_MM = 5.0


@dataclass(frozen=True, slots=True, eq=False)
class Response:
    """A wheel's change of toe over the study's travel, by joint rises and spacer.

    Attributes:
        middle: of rise, outer shim and spacer, mm, (3,).
        half: how far either way they go, mm, (3,).
        terms: coefficients (T, P), radians.
    """

    middle: Array
    half: Array
    terms: Array

    def __call__(
        self, rise_mm: ArrayLike, outer_mm: ArrayLike = 0.0, spacer_mm: ArrayLike = 0.0
    ) -> Array:
        """Curves (..., P) at values that broadcast to (...)."""
        at = np.stack(np.broadcast_arrays(rise_mm, outer_mm, spacer_mm), axis=-1)
        return np.asarray(_terms((at - self.middle) / self.half) @ self.terms)


def _terms(at: Array) -> Array:
    return np.asarray(np.prod(at[..., None, :] ** _POWERS, axis=-1))


def response(model: CarModel, deviations: Array, rises_mm: Array, outers_mm: Array) -> Response:
    """Of the corner that is off by (D,), for rises and outer shims within what is listed."""
    low = np.array([rises_mm.min(), outers_mm.min(), -LONGEST_SPACER_MM])
    high = np.array([rises_mm.max(), outers_mm.max(), LONGEST_SPACER_MM])
    middle, half = 0.5 * (low + high), np.maximum(0.5 * (high - low), 1e-3)
    shares = np.array(list(product(_AT, repeat=3)))
    rise, outer, spacer = (middle + half * shares).T
    change = model.change(model.built(deviations, rise, outer, spacer))
    terms, *_ = np.linalg.lstsq(_terms(shares), change, rcond=None)
    return Response(middle, half, np.asarray(terms))
