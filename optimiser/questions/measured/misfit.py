"""Whether readings fit any car that the tolerances allow, or were only taken for misread ones.

A misread reading counts little. So do all of them when the car is somewhere else than drawn, or
the readings are in inches: the likeliest car is then the drawn one, and its bump steer would be
told of a car that has ten times as much. What tells the two apart is that misread ones scatter,
while these lie on a line or a parabola of their own.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from optimiser.linkage.vectors import Array
    from optimiser.questions.measured.estimate import Estimate
    from optimiser.questions.measured.readings import Readings

TOO_FAR = 6.0
"""Times the noise by which a parabola through what is left may part from the likeliest car. Of 20
simulated cars with 5, 9 and 13 readings a wheel, one of them misread by 1 deg or all three times as
rough as stated, none came to 3; with three readings none to 5.5, but to 28 with one misread by 0.3:
three cannot tell. Where a car far off was told 0.1 deg too little of, none was below 9."""
_TERMS = 3
_TO_SPARE = 5
"""Readings from which on one may be the misread one that makes the parabola."""


def misfit(readings: Readings, found: Estimate, side: int, stated: float) -> float:
    """How far the readings of a wheel part from every car, radians; 0 where a car fits.

    Of each round, over the travels that were read: from the highest to the lowest point of the
    parabola through what the likeliest car leaves, whichever single reading is left out. It is
    told where it is `TOO_FAR` beyond `stated`, the noise of a reading, and their scatter about it.
    """
    noise = readings.repeated_noise(stated) or stated
    rounds = np.unique(readings.round[readings.of(side)]).tolist()
    found_in = [parting(readings, found, (side, one), noise) for one in rounds]
    return max((height for height, scatter in found_in if height > TOO_FAR * scatter), default=0.0)


def parting(
    readings: Readings, found: Estimate, place: tuple[int, int], noise: float
) -> tuple[float, float]:
    """The parabola's height, and what it is held against, of a side in a round; radians."""
    mine = readings.of(*place) & (readings.rack_mm == 0.0)
    travel, off = readings.travel_mm[mine], found.off[mine]
    rows = np.arange(len(travel))
    some = [rows] if len(rows) < _TO_SPARE else [np.delete(rows, row) for row in rows]
    parabolas = [_parabola(travel[part], off[part], noise) for part in some if len(part)]
    return min(parabolas, key=lambda one: one[0] / one[1], default=(0.0, noise))


def _parabola(travel_mm: Array, off: Array, noise: float) -> tuple[float, float]:
    """Height of the least-squares parabola of some readings, and their scatter about it."""
    terms = min(_TERMS, len(np.unique(travel_mm)))
    matrix = np.vander(travel_mm / max(1.0, float(np.abs(travel_mm).max())), terms)
    on_it = matrix @ np.linalg.lstsq(matrix, off, rcond=None)[0]
    spare = len(off) - terms
    scatter = np.sqrt(np.sum((off - on_it) ** 2) / spare) if spare else 0.0
    return float(np.ptp(on_it)), max(noise, float(scatter))
