"""What the readings leave open of a car: the likeliest one, and others that fit as well.

Before the readings every deviation is normal with the standard deviation of its tolerance (the
central limit theorem makes a curve of some twenty rectangular ones much the same). A reading's
error is Student's with three degrees of freedom, so that a misread one counts little: weights
4 / (3 + r^2) of residuals r in standard deviations, solved again and again (iteratively reweighted
least squares; Lange, Little and Taylor, JASA 84 (1989), from memory). No weight is above 1: few
readings are followed closely by as many unknowns, and their small residuals would then be taken for
less noise than there is (measured, bands of 95 % held 89). The rates of readings hardly change over
some millimetres, so that what is open is normal about the likeliest car.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimiser.metrics.tolerance import DIMENSIONS
from optimiser.questions.measured.model import STEP_MM, expected

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimiser.linkage.vectors import Array
    from optimiser.questions.measured.model import CarModel, Unknowns
    from optimiser.questions.measured.readings import Readings

SAMPLES = 300
SEED = 20_260_102
FREEDOM = 3.0
TRAVEL_ERROR_MM = 0.3
RACK_ERROR_MM = 0.5
"""Standard deviations with which travel, and a rack off centre, are read; common practice, no
source. At some thousandths of a degree for each mm the first hardly counts."""
_ROUNDS = 3
_TURNS = 30
_WIDER = (16.0, 8.0, 4.0, 2.0)
"""Noise begins so many times too large and comes down, lest a misread one lead from the start."""
_SETTLED = 1e-6
_TOO_MUCH = 1.5
"""Residuals so many times what they should be make the noise larger."""
_LEAST_TO_TELL = 8
_MEDIAN_OF_NORMAL = 0.6745
_FAR_OFF = 4.0


@dataclass(frozen=True, slots=True, eq=False)
class Estimate:
    """What is known of a car after its readings; angles in radians.

    Attributes:
        unknowns: what they are.
        values: of the likeliest car, (K,).
        spread: matrix (K, K) that makes of independent normal numbers what is open about it.
        noise: standard deviation of a reading.
        noise_from: 'stated', 'repeated' or 'scatter'.
        off: of each reading from the likeliest car, (n,).
        error: standard deviation of each, (n,).
        strain: how much further the car is from its drawing than cars of its tolerances are:
            root mean square of what the readings tell, in standard deviations of before.
    """

    unknowns: Unknowns
    values: Array
    spread: Array
    noise: float
    noise_from: str
    off: Array
    error: Array
    strain: float

    @property
    def outliers(self) -> NDArray[np.intp]:
        """Rows of readings that are far off and so hardly counted."""
        return np.flatnonzero(np.abs(self.off) > _FAR_OFF * self.error)

    def samples(self) -> Array:
        """Unknowns (S, K) of cars that fit the readings, the same at each call, in pairs about it.

        The mean over them is that of the likeliest car; drawn once and for all.
        """
        drawn = np.random.default_rng(SEED).standard_normal((SAMPLES // 2, len(self.values)))
        off = drawn @ self.spread.T
        return np.concatenate([self.values + off, self.values - off])


def estimate(model: CarModel, readings: Readings, unknowns: Unknowns, stated: float) -> Estimate:
    """The likeliest car, and what is open about it; `stated` is the noise unless the rest tells."""
    noise, source = readings.repeated_noise(stated), "repeated"
    if noise is None:
        noise, source = stated, "stated"
    fit = _fit(model, readings, unknowns, noise)
    ratio = _scatter(fit, readings)
    if source == "stated" and ratio > _TOO_MUCH:
        noise, source = noise * ratio, "scatter"
        fit = _fit(model, readings, unknowns, noise)
    count = len(unknowns.moving) + len(unknowns.right)
    told = count - float(np.sum(fit.spread[:count] ** 2))
    strain = float(np.sqrt(np.sum(fit.values[:count] ** 2) / told)) if told > 0.1 else 0.0
    return Estimate(unknowns, fit.values, fit.spread, noise, source, fit.off, fit.error, strain)


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    values: Array
    spread: Array
    off: Array
    error: Array
    taken: float  # by how many unknowns the readings were followed


def _fit(model: CarModel, readings: Readings, unknowns: Unknowns, noise: float) -> _Fit:
    values = np.zeros(unknowns.size)
    widths = (*_WIDER, *([1.0] * _TURNS))
    for _ in range(_ROUNDS):
        now = expected(model, readings, unknowns, values)
        error = np.sqrt(
            noise**2
            + (TRAVEL_ERROR_MM * now.per_travel) ** 2
            + np.where(readings.rack_mm != 0.0, RACK_ERROR_MM * now.per_rack, 0.0) ** 2
        )
        rates = now.rates / error[:, None]
        wanted = (readings.toe_in - now.toe) / error + rates @ values
        found = values
        for width in widths:
            before = found
            weight = _weights((wanted - rates @ found) / width)
            found, inverse = _solve(rates, wanted, weight / width**2)
            if width == 1.0 and np.abs(found - before).max() < _SETTLED:
                break
        values = found
    # Weights as in the last solution: the noise that counted.
    weight = _weights(wanted - rates @ values)
    values, inverse = _solve(rates, wanted, weight)
    taken = float(np.sum((rates @ inverse) * rates * weight[:, None]))
    off = (wanted - rates @ values) * error
    return _Fit(values, np.asarray(np.linalg.cholesky(inverse)), off, error, taken)


def _weights(off: Array) -> Array:
    return np.asarray(np.minimum(1.0, (FREEDOM + 1.0) / (FREEDOM + off * off)))


def _solve(rates: Array, wanted: Array, weight: Array) -> tuple[Array, Array]:
    """Likeliest unknowns and the inverse of their normal matrix, which the prior keeps regular."""
    square = np.eye(rates.shape[1]) + rates.T @ (rates * weight[:, None])
    inverse = np.linalg.inv(square)
    inverse = 0.5 * (inverse + inverse.T)
    return inverse @ (rates.T @ (weight * wanted)), inverse


def _scatter(fit: _Fit, readings: Readings) -> float:
    """How many times larger residuals are than the noise that was stated, by their median."""
    centred = readings.rack_mm == 0.0
    count = int(centred.sum())
    if count < _LEAST_TO_TELL or count - fit.taken < 0.25 * count:
        return 1.0
    off = np.abs(fit.off / fit.error)[centred]
    return float(np.median(off) / _MEDIAN_OF_NORMAL / np.sqrt(1.0 - fit.taken / count))


def curve_rates(model: CarModel, unknowns: Unknowns, values: Array, side: int) -> Array:
    """Rates (K, P) of a wheel's change of toe over the study's travel, with what is fitted now."""
    deviations = unknowns.deviations(values, side)
    steps = np.zeros((1 + len(unknowns.moving), len(DIMENSIONS)))
    steps[np.arange(1, len(steps)), list(unknowns.moving)] = STEP_MM
    change = model.change(model.built(deviations + steps, *model.rises(model.now_mm, side)))
    own = (change[1:] - change[0]) / STEP_MM * np.array(unknowns.sizes)[:, None]
    return np.asarray(unknowns.shares(side).T @ own)
