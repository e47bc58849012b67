"""Cars built to tolerances, measured, and their racks shimmed by what was read.

Each wheel of every drawn car is read at thirteen travels. Of what may be off, normal with the
standard deviations of the tolerances, and of toe as set, which is free, the readings make the
likeliest curve: with R the rates of the readings (r, D), C those of the curve and S the squares of
the deviations,

    curve = drawn + C S R' (R S R' + noise^2 1 + free^2 1 1')^-1 (readings - drawn)

The rack's ends then go to the height that makes the greatest bump steer on that curve least, by
shims in stock, added or taken out. What is left is asked of the full kernel.
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
    from optimiser.linkage.attitude import Attitude
    from optimiser.linkage.hardpoints import Hardpoints
    from optimiser.linkage.vectors import Array
    from optimiser.metrics.tolerance.draws import Tolerances
    from optimiser.metrics.tolerance.shims import Shimming
    from optimiser.metrics.tolerance.spread import Conditions

READINGS_EACH_WAY = 6
NOISE_SEED = 20_260_103
_FREE = float(np.radians(5.0))
_FINE_MM = 0.1


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
    plain = replace(conditions, travel_mm=grid)
    rises = _rises(shimming, float(points.inner_joint[1]))
    drawn = _change(AsBuilt(points, conditions.attitude), grid)
    drawn_read = _change(AsBuilt(points, conditions.attitude), at)
    answers = _change(AsBuilt(shimmed(points, rises), conditions.attitude.over(rises.shape)), grid)
    lever = shimming.lever(float(points.inner_joint[1]))
    out = np.empty(len(cars))
    for start in range(0, len(cars), CHUNK_CARS):
        some = slice(start, start + CHUNK_CARS)
        sides = (cars.left[some], cars.right[some])
        wanted = np.stack(
            [
                _best_rise(
                    _read(points, side, conditions.attitude, at) - drawn_read + noise[i, some],
                    gain,
                    drawn,
                    answers - drawn,
                    rises,
                    plain,
                )
                for i, side in enumerate(sides)
            ],
            axis=-1,
        )
        got = lever.rises(shimming.nearest(lever.shims(wanted)))
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


def _rises(shimming: Shimming, half_joints_mm: float) -> Array:
    """Heights that a joint may be asked to go to, mm, in small steps."""
    most = max(shimming.stock_mm) * float(np.abs(shimming.lever(half_joints_mm).matrix).max())
    count = max(2, int(np.ceil(most / _FINE_MM)))
    return np.linspace(-most, most, 2 * count + 1)


def _best_rise(
    readings: Array, gain: Array, drawn: Array, answers: Array, rises: Array, at: Conditions
) -> Array:
    """Rise (S,) of each wheel's inner joint that makes its likeliest curve best."""
    wanted, grid = at.wanted_toe, at.travel_mm
    curve = wanted.departure(drawn + readings @ gain.T, grid)
    weights = wanted.counted(np.ones(len(grid)), grid)
    least, best = np.full((2, len(curve)), np.inf)
    for rise, change in zip(rises, answers, strict=True):
        greatest = np.abs((curve + change) * weights).max(axis=-1)
        better = greatest < least
        least, best = np.where(better, greatest, least), np.where(better, rise, best)
    return np.asarray(np.where(np.isfinite(best), best, 0.0))
