"""How exact must it be made? What each dimension of a place costs, and how far it may be off.

Numbers of `tolerance.bands` for one design of a problem, as a table for files, terminal and report.
They are of the largest change of toe over travel, whatever measure a study minimises.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimiser.tolerance import ADJUSTMENTS, Adjustment, Band, accuracy_bands, shim_table

if TYPE_CHECKING:
    from collections.abc import Iterator

    from optimiser.designs import Designs
    from optimiser.problem import Problem
    from optimiser.tolerance import ShimTable

SHIMMED: tuple[Adjustment, ...] = ("rack height", "rack fore-aft", "spacer length")
"""What packs and shims move: under the brackets, behind them, and between rack and inner joint."""
SHIM_MM = 1.0
SHIMS = 4


@dataclass(frozen=True, slots=True)
class Exactness:
    """Bands of every dimension of one design, and the effect of shims; see `tolerance.bands`.

    Attributes:
        acceptable_deg: the bump steer that bands keep to.
        bands: in the order of `ADJUSTMENTS`.
        shims: for each of `SHIMMED`, bump steer with up to `SHIMS` shims of `SHIM_MM` either way.
    """

    acceptable_deg: float
    bands: tuple[Band, ...]
    shims: dict[Adjustment, ShimTable]

    def sentences(self) -> Iterator[str]:
        """One line for each dimension: what 1 mm does, and the band."""
        for band in self.bands:
            up, down = (
                "cannot be assembled" if np.isnan(value) else f"{np.degrees(value):.3f} deg"
                for value in (band.up, band.down)
            )
            yield f"{band.text}; 1 mm more: {up}, 1 mm less: {down}"


def exactness(problem: Problem, design: Designs) -> Exactness:
    """How exactly one design (a batch of one that assembles) has to be made."""
    corner = problem.corners(design)[0].select(0)
    conditions = problem.conditions
    bands = accuracy_bands(corner, conditions, problem.steering.acceptable_bump_steer)
    shims = {
        name: shim_table(corner, conditions, thickness_mm=SHIM_MM, count=SHIMS, adjustment=name)
        for name in SHIMMED
    }
    return Exactness(float(problem.acceptable[0]), bands, shims)


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
)
SHIM_COLUMNS = ("dimension", "shims", "offset_mm", "bump_steer_deg")


def band_rows(found: Exactness) -> Iterator[tuple[object, ...]]:
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
            band.text,
        )


def shim_rows(found: Exactness) -> Iterator[tuple[object, ...]]:
    """Rows of `SHIM_COLUMNS`: negative numbers of shims are taken out."""
    for name, table in found.shims.items():
        for steps, offset, bump in zip(
            table.steps, table.offset_mm, np.degrees(table.bump_steer), strict=True
        ):
            yield name, steps, float(offset), float(bump)


__all__ = [
    "ADJUSTMENTS",
    "BAND_COLUMNS",
    "SHIMMED",
    "SHIM_COLUMNS",
    "Exactness",
    "band_rows",
    "exactness",
    "shim_rows",
]
