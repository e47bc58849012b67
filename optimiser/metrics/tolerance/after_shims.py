"""Cars built to tolerances, measured, and their racks shimmed by what was read.

Each wheel of every drawn car is read at thirteen travels. Of what may be off, normal with the
standard deviations of the tolerances, and of toe as set, which is free, the readings make the
likeliest curve: with R the rates of the readings (r, D), C those of the curve and S the squares of
the deviations,

    curve = drawn + C S R' (R S R' + noise^2 1 + free^2 1 1')^-1 (readings - drawn)

Of all pairs of packs in stock, added under the brackets or taken out, none among them, that pair
is fitted which makes the greater bump steer of the two wheels on these curves least; rounded one
by one, packs of brackets close together would each tilt the bar by more than they mend. What is
left is asked of the full kernel.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from optimiser.metrics.tolerance.built import AsBuilt, build_corner
from optimiser.metrics.tolerance.draws import TOE_SETTING, draw_cars
from optimiser.metrics.tolerance.sensitivity import sensitivities
from optimiser.metrics.tolerance.shims import shimmed
from optimiser.metrics.tolerance.spread import CHUNK_CARS, largest_bump

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimiser.linkage.attitude import Attitude
    from optimiser.linkage.hardpoints import Hardpoints
    from optimiser.linkage.vectors import Array
    from optimiser.metrics.tolerance.draws import Tolerances
    from optimiser.metrics.tolerance.shims import Shimming
    from optimiser.metrics.tolerance.spread import Conditions

READINGS_EACH_WAY = 6
NOISE_SEED = 20_260_103
_FREE = float(np.radians(5.0))


def bump_after_shims(
    points: Hardpoints, tolerances: Tolerances, shimming: Shimming, conditions: Conditions
) -> Array:
    """Largest bump steer of the worse wheel of every drawn car, shimmed, radians, (S,).

    NaN for a car that cannot be assembled. `points` is unbatched.
    """
    grid = conditions.travel_mm
    at = np.concatenate(
        [
            np.linspace(grid[0], 0.0, READINGS_EACH_WAY, endpoint=False),
            np.linspace(0.0, grid[-1], READINGS_EACH_WAY + 1),
        ]
    )
    gain = _gain(points, tolerances, shimming, conditions, at)
    cars = draw_cars(tolerances)
    noise = np.random.default_rng(NOISE_SEED).normal(0.0, shimming.noise, (2, len(cars), len(at)))
    packs = shimming.pairs()
    lifts = shimming.lever(float(points.inner_joint[1])).rises(packs)
    rises, which = np.unique(lifts.round(9), return_inverse=True)
    which = which.reshape(lifts.shape)
    drawn_read = _change(AsBuilt(points, conditions.attitude), at)
    drawn = _change(AsBuilt(points, conditions.attitude), grid)
    answers = _change(AsBuilt(shimmed(points, rises), conditions.attitude.over(rises.shape)), grid)
    out = np.empty(len(cars))
    for start in range(0, len(cars), CHUNK_CARS):
        some = slice(start, start + CHUNK_CARS)
        sides = (cars.left[some], cars.right[some])
        greatest = [
            _greatest(
                drawn
                + (_read(points, side, conditions.attitude, at) - drawn_read + noise[i, some])
                @ gain.T,
                answers - drawn,
                conditions,
            )
            for i, side in enumerate(sides)
        ]
        got = lifts[_best_pair(greatest, which)]
        bump = [
            largest_bump(
                build_corner(shimmed(points, got[:, i]), side, conditions.attitude), conditions
            )
            for i, side in enumerate(sides)
        ]
        out[some] = np.maximum(*bump)
    return out


def _gain(
    points: Hardpoints,
    tolerances: Tolerances,
    shimming: Shimming,
    conditions: Conditions,
    at: Array,
) -> Array:
    """Matrix (P, r) from readings less the drawn ones to the likeliest curve less the drawn one."""
    square = tolerances.standard_deviations() ** 2
    square[TOE_SETTING] = 0.0  # toe as set is free, below
    curve, read = (
        sensitivities(points, replace(conditions, travel_mm=travel)).toe_rate
        for travel in (conditions.travel_mm, at)
    )
    weighed = read.T * square
    among = weighed @ read + shimming.noise**2 * np.eye(len(at)) + _FREE**2
    return np.asarray(curve.T * square @ read @ np.linalg.inv(among))


def _change(corners: AsBuilt, travel_mm: Array) -> Array:
    """Change of toe-in from rest (..., P), radians."""
    toe = -corners.solve(travel_mm, 0.0).steer
    return np.asarray(toe - toe[..., np.flatnonzero(travel_mm == 0.0)[:1]])


def _read(points: Hardpoints, deviations: Array, attitude: Attitude, at: Array) -> Array:
    return _change(build_corner(points, deviations, attitude), at)


def _greatest(curves: Array, changes: Array, at: Conditions) -> Array:
    """Greatest bump steer (S, R) of curves (S, P) with each of the changes (R, P); inf: no pose."""
    wanted, grid = at.wanted_toe, at.travel_mm
    weights = wanted.counted(np.ones(len(grid)), grid)
    away = wanted.departure(curves, grid)
    found = np.stack([np.abs((away + one) * weights).max(axis=-1) for one in changes], axis=-1)
    return np.where(np.isfinite(found), found, np.inf)


def _best_pair(greatest: list[Array], which: NDArray[np.intp]) -> NDArray[np.intp]:
    """Index (S,) of the pair of packs that leaves the worse wheel best.

    Args:
        greatest: bump steer of the left and the right wheel over heights of its joint, (S, R).
        which: heights that each pair leads to, (N, 2); the first of equals is taken.
    """
    left, right = greatest
    least = np.full(len(left), np.inf)
    best = np.zeros(len(left), np.intp)
    for pair, (one, other) in enumerate(which):
        worse = np.maximum(left[:, one], right[:, other])
        better = worse < least
        least, best = np.where(better, worse, least), np.where(better, pair, best)
    return best
