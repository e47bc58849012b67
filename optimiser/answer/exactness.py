"""How exactly one design must be made, as far as its study has data for it.

What each dimension alone costs and how far it may be off is asked of the largest change of toe
over travel, whatever measure a study minimises; see `metrics.tolerance.bands`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from optimiser.answer.one_off import OneOff, one_off
from optimiser.evaluation.quantity import rounded
from optimiser.metrics.tolerance import (
    Adjustment,
    Band,
    Importance,
    ShimTable,
    accuracy_bands,
    built_cars,
    bump_after_shims,
    importance_table,
    matters_most,
    percentile,
    percentile_error,
    sensitivities,
    shim_table,
    solve_cars,
    tolerance_spread,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

    from optimiser.evaluation.designs import Designs
    from optimiser.evaluation.problem import Problem
    from optimiser.linkage.hardpoints import Hardpoints
    from optimiser.linkage.vectors import Array
    from optimiser.metrics.tolerance import Tolerances

SHIMMED: tuple[Adjustment, ...] = ("rack height", "rack fore-aft", "spacer length")
"""What packs and shims move: under the brackets, behind them, and between rack and inner joint."""
SHIM_MM = 1.0
SHIMS = 4
_LOW, _HIGH = 5.0, 95.0
CHOSEN_CARS = 4096
"""Cars built on paper of a chosen design at least; 256 leave the percentile 3 % uncertain."""
_DECIMALS = 3
_SURE = 2.0


@dataclass(frozen=True, slots=True)
class Percentile:
    """What 95 of 100 cars built to the tolerances keep to.

    Attributes:
        value_deg: NaN when too many cars fail.
        error_deg: its standard error.
    """

    value_deg: float
    error_deg: float

    @property
    def text(self) -> str:
        """'0.104 ± 0.002 deg': no more digits than are known; the error is rounded up."""
        places = _DECIMALS
        if self.error_deg > 0.0:
            places = min(_DECIMALS, max(0, -int(np.floor(np.log10(self.error_deg)))))
        unit = 10.0**-places
        error = max(1.0, np.ceil(self.error_deg / unit - 1e-9)) * unit
        return f"{self.value_deg:.{places}f} ± {error:.{places}f} deg"

    def against(self, most_deg: float) -> str:
        """What is wrong with it against what is accepted; empty where nothing is."""
        if self.value_deg - most_deg > _SURE * self.error_deg:
            return f"is above the {most_deg:g} deg that you accept"
        if self.value_deg - most_deg > -_SURE * self.error_deg:
            return f"cannot be told from the {most_deg:g} deg that you accept"
        return ""


def built_percentiles(
    problem: Problem, points: Hardpoints
) -> tuple[tuple[Percentile, Percentile], str]:
    """Bump steer and Ackermann error of cars built to an unbatched corner; why not, or empty.

    Raises:
        ValueError: the problem has no tolerances.
    """
    if problem.tolerances is None:
        raise ValueError("no tolerances were given")
    spread = tolerance_spread(points, _more_cars(problem.tolerances), problem.conditions)
    bump, ackermann = (
        Percentile(float(np.degrees(percentile(values))), float(np.degrees(error)))
        for values in (spread.bump_steer, spread.ackermann_error)
        for error in [percentile_error(values)]
    )
    return (bump, ackermann), str(spread.reasons()[()])


def shimmed_percentile(problem: Problem, points: Hardpoints) -> Percentile | None:
    """Bump steer of such cars whose racks are shimmed after measuring; None where nobody asks."""
    tolerances = problem.tolerances
    if tolerances is None or tolerances.shimming is None:
        return None
    more = _more_cars(tolerances)
    bump = bump_after_shims(points, more, tolerances.shimming, problem.conditions)
    value, error = percentile(bump), percentile_error(bump)
    return Percentile(float(np.degrees(value)), float(np.degrees(error)))


def _more_cars(tolerances: Tolerances) -> Tolerances:
    return replace(tolerances, samples=max(CHOSEN_CARS, tolerances.samples))


@dataclass(frozen=True, slots=True, eq=False)
class Built:
    """Cars built to the study's tolerances; angles in degrees.

    Attributes:
        cars: how many were built on paper.
        percentiles: of bump steer and Ackermann error.
        shimmed: of bump steer with the rack shimmed after measuring; None where nobody asks.
        reason: why there is no such number; empty when there is.
        matters_most: which dimension does, in words.
        rows: every dimension, the one that matters most for bump steer first.
        toe_low_deg: toe change over travel (P,) that 5 of 100 wheels are below.
        toe_high_deg: the one that 95 of 100 are below.
    """

    cars: int
    percentiles: tuple[Percentile, Percentile]
    reason: str
    matters_most: str
    rows: tuple[Importance, ...]
    toe_low_deg: Array
    toe_high_deg: Array
    shimmed: Percentile | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Accuracy:
    """What is known about one design.

    Attributes:
        acceptable_deg: the bump steer that bands keep to.
        bands: of every dimension alone, in the order of `ADJUSTMENTS`.
        shims: for each of `SHIMMED`, bump steer with up to `SHIMS` shims of `SHIM_MM` either way.
        others: what but bump steer is wrong at places around the design.
        built: cars built to the study's tolerances; None without `[tolerance]` or when not asked.
    """

    acceptable_deg: float
    bands: tuple[Band, ...]
    shims: dict[Adjustment, ShimTable]
    others: OneOff
    built: Built | None

    def sentences(self) -> Iterator[str]:
        """One line for each dimension: what 1 mm does, and the band."""
        if self.others.itself:
            yield f"the design itself: {self.others.itself}"
        for band in self.bands:
            up, down = (
                self._marked(band.adjustment, off, bump)
                for off, bump in ((1.0, band.up), (-1.0, band.down))
            )
            yield f"{self.words(band)}; 1 mm more: {up}, 1 mm less: {down}"

    def words(self, band: Band) -> str:
        """The band of bump steer, and the first place within it where something else breaks."""
        text = band.text
        if self.others.itself:
            return text
        for way, edge in ((1, band.high_mm), (-1, -band.low_mm)):
            off, wrong = self.others.first(band.adjustment, way, edge)
            if wrong:
                text += f"; but at {off:+g} mm {wrong}"
        return text

    def _marked(self, adjustment: Adjustment, off_mm: float, bump_steer: float) -> str:
        """Bump steer (radians) at a place, with what else is wrong there in brackets."""
        wrong = self.others.at(adjustment, off_mm)
        if np.isnan(bump_steer):
            return "cannot be assembled"
        text = f"{rounded(float(np.degrees(bump_steer)), 3)} deg"
        return f"{text} ({wrong})" if wrong else text


def accuracy(problem: Problem, design: Designs, *, cars: bool = True) -> Accuracy:
    """Bands of each dimension alone and shims; with `cars`, cars built to the study's tolerances.

    `design` is a batch of one that assembles.
    """
    conditions, points = problem.conditions, problem.corners(design)[0].select(0)
    shims = {
        name: shim_table(points, conditions, thickness_mm=SHIM_MM, count=SHIMS, adjustment=name)
        for name in SHIMMED
    }
    return Accuracy(
        float(problem.acceptable[0]),
        accuracy_bands(points, conditions, problem.steering.acceptable_bump_steer),
        shims,
        one_off(problem, design),
        built_to_tolerances(problem, points) if cars else None,
    )


def built_to_tolerances(problem: Problem, points: Hardpoints) -> Built | None:
    """Cars built to the study's tolerances from an unbatched corner; None without tolerances."""
    tolerances, conditions = problem.tolerances, problem.conditions
    if tolerances is None:
        return None
    percentiles, reason = built_percentiles(problem, points)
    rates = sensitivities(points, conditions)
    left, right = built_cars(points, tolerances, conditions.attitude)
    toe = np.degrees(solve_cars(left, right, conditions).toe_change)
    toe = toe[np.isfinite(toe).all(axis=(1, 2))].reshape(-1, toe.shape[-1])
    low, high = np.full((2, toe.shape[-1]), np.nan)
    if len(toe):
        low, high = np.percentile(toe, [_LOW, _HIGH], axis=0)
    return Built(
        cars=_more_cars(tolerances).samples,
        percentiles=percentiles,
        reason=reason,
        matters_most=matters_most(rates, tolerances),
        rows=tuple(importance_table(rates, tolerances)),
        toe_low_deg=low,
        toe_high_deg=high,
        shimmed=None if reason else shimmed_percentile(problem, points),
    )


# --- as tables -----------------------------------------------------------------------------------

BAND_COLUMNS = (
    "dimension",
    "bump_steer_deg",
    "bump_steer_1mm_more_deg",
    "bump_steer_1mm_less_deg",
    "change_per_mm_more_deg",
    "change_per_mm_less_deg",
    "band_low_mm",
    "band_high_mm",
    "low_ended_by",
    "high_ended_by",
    "in_words",
    "also_wrong_1mm_more",
    "also_wrong_1mm_less",
)
SHIM_COLUMNS = ("dimension", "shims", "offset_mm", "bump_steer_deg", "also_wrong")


def band_rows(found: Accuracy) -> Iterator[tuple[object, ...]]:
    """Rows of `BAND_COLUMNS`."""
    for band in found.bands:
        base, up, down = (float(np.degrees(v)) for v in (band.bump_steer, band.up, band.down))
        yield (
            band.adjustment,
            base,
            up,
            down,
            up - base,
            down - base,
            band.low_mm,
            band.high_mm,
            band.low_end,
            band.high_end,
            found.words(band),
            found.others.at(band.adjustment, 1.0),
            found.others.at(band.adjustment, -1.0),
        )


def shim_rows(found: Accuracy) -> Iterator[tuple[object, ...]]:
    """Rows of `SHIM_COLUMNS`: negative numbers of shims are taken out."""
    for name, table in found.shims.items():
        for steps, offset, bump in zip(
            table.steps, table.offset_mm, np.degrees(table.bump_steer), strict=True
        ):
            also = found.others.at(name, float(offset))
            yield name, steps, float(offset), float(bump), also
