"""What readings of toe can tell of a car, and what they cannot."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimiser.metrics.tolerance import NAMES
from optimiser.questions.measured.estimate import curve_rates

if TYPE_CHECKING:
    from optimiser.linkage.vectors import Array
    from optimiser.questions.measured.estimate import Estimate
    from optimiser.questions.measured.model import CarModel

ALIKE = 0.98
"""Cosine of two curves from which on no readings tell them apart."""
AS_MUCH = 0.2
"""What moves the curve by less than this share of what the rack's height does is not named."""
RACK_HEIGHT = NAMES.index("rack height")


@dataclass(frozen=True, slots=True)
class Telling:
    """Of one wheel; degrees at the end of the travel, standard deviations.

    Attributes:
        slope: what is open of the straight part of the curve, after the readings and before.
        bend: likewise of the part that goes with the square of the travel.
        alike: dimensions that bend the curve as the rack's height does.
        silent: dimensions that, off by their tolerance, change no reading by its noise.
    """

    slope: tuple[float, float]
    bend: tuple[float, float]
    alike: tuple[str, ...]
    silent: tuple[str, ...]


def telling(model: CarModel, found: Estimate, side: int) -> Telling:
    """What the readings tell of a wheel."""
    unknowns, grid = found.unknowns, model.conditions.travel_mm
    rates = curve_rates(model, unknowns, found.values, side)
    end = np.abs(grid).max()
    shapes = np.stack([grid / end, (grid / end) ** 2], axis=1)
    parts = np.linalg.lstsq(shapes, rates.T, rcond=None)[0]  # (2, K)
    after = np.degrees(np.linalg.norm(parts @ found.spread, axis=1))
    before = np.degrees(np.linalg.norm(parts, axis=1))
    # Of each dimension of this corner: (d, P), by its standard deviation.
    own = unknowns.shares(side) @ rates
    names = [NAMES[i] for i in unknowns.moving]
    silent = tuple(
        name
        for name, curve in zip(names, own, strict=True)
        if np.abs(curve).max(initial=0.0) < found.noise
    )
    return Telling(
        (float(after[0]), float(before[0])),
        (float(after[1]), float(before[1])),
        tuple(_alike(own / np.array(unknowns.sizes)[:, None], unknowns.moving, names)),
        silent,
    )


def _alike(per_mm: Array, moving: tuple[int, ...], names: list[str]) -> list[str]:
    """By their rates per mm (d, P): as the rack's height, and not much less."""
    if RACK_HEIGHT not in moving:
        return []
    ours, size = moving.index(RACK_HEIGHT), np.linalg.norm(per_mm, axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        cosine = np.abs(per_mm @ per_mm[ours]) / (size * size[ours])
    return [
        name
        for row, name in enumerate(names)
        if cosine[row] >= ALIKE and size[row] >= AS_MUCH * size[ours] and row != ours
    ]
