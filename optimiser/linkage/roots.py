"""The secant method for many equations at once, each by itself."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

    from optimiser.linkage.vectors import Array

_STEPS = 20
_TINY = 1e-300


def secant_step(
    function: Callable[[Array], Array], x: Array, slope: Array, error: Array
) -> tuple[Array, Array, Array]:
    """One step from x, where the function is `error`: the new x, slope for the next step, error.

    After a step -e_0 / m the slope of the secant is m (1 - e_1 / e_0). It is kept within a quarter
    and five times m, so that a slope made of rounding errors does no harm.
    """
    x = x - error / slope
    left = function(x)
    ratio = np.minimum(np.maximum(left / (error + _TINY), -4.0), 0.75)
    return x, slope * (1.0 - ratio), left


def find_root(
    function: Callable[[Array], Array], x: Array, slope: Array, error: Array, tolerance: float
) -> tuple[Array, Array, Array]:
    """Steps until |error| <= tolerance or they are used up: x, slope and error there, (n,) each.

    `error` is the function at x, and `slope` a first estimate, positive. A step that ends where
    the function is NaN is tried again at half its length; where it is NaN to begin with, x stays.
    """
    for _ in range(_STEPS):
        moving = np.abs(error) > tolerance
        if not moving.any():
            break
        step = secant_step(function, x, slope, error)
        found = moving & np.isfinite(step[2])
        slope = np.where(moving & ~found, 2.0 * slope, slope)
        x, slope, error = (
            np.where(found, new, old) for new, old in zip(step, (x, slope, error), strict=True)
        )
    return x, slope, error
