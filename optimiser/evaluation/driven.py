"""Steering columns of designs: joints and shafts, and how evenly they turn the pinion."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING

import numpy as np

from optimiser.evaluation.column_places import Places, find_places
from optimiser.evaluation.shafts import Around
from optimiser.metrics.universal_joint import Driveline, half_turn, nearest_step

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from optimiser.evaluation.asked import Room
    from optimiser.evaluation.bolting import Column
    from optimiser.evaluation.designs import Designs
    from optimiser.evaluation.laid import LaidRacks
    from optimiser.evaluation.solved import Solved
    from optimiser.linkage.racks import Rack
    from optimiser.linkage.vectors import Array

COLUMN = (
    "column_upper_angle_deg",
    "column_lower_angle_deg",
    "column_phase_deg",
    "column_phase_stepped_deg",
    "column_fork_deg",
    "column_ripple_percent",
    "column_ripple_free_percent",
    "column_miss_mm",
    "column_shaft_mm",
)
"""Quantities of `Driven.metrics`."""
_PERCENT = 100.0
_MOST_BEND = np.radians(89.0)
"""A joint bent by a right angle or more passes nothing on. It counts as bent by this, for torque
and ripple that are as hopeless; its angle is given as it is, and breaks its limit."""


@dataclass(frozen=True, slots=True)
class Driven:
    """The columns of N designs; NaN where the rack's pinion is not known.

    Attributes:
        column: what is asked.
        places: of the joints.
        end: of the pinion housing, where the lower shaft begins, (N, 3).
        line: the joints with their forks on the nearest splines.
        free: the same at the best phase.
        stepped: phase of `line`, radians, (N,); NaN with one joint.
        middle: angle of the middle straight ahead, (N,); see `Driveline.straight_ahead`.
    """

    column: Column
    places: Places
    end: Array
    line: Driveline
    free: Driveline
    stepped: Array
    middle: Array

    def select(self, rows: NDArray[np.intp]) -> Driven:
        """Some of the designs, repeated where they are."""

        def cut(part: Places | Driveline) -> dict[str, Array]:
            return {one.name: getattr(part, one.name)[rows] for one in fields(part)}

        return Driven(
            self.column,
            Places(**cut(self.places)),
            self.end[rows],
            Driveline(**cut(self.line)),
            Driveline(**cut(self.free)),
            self.stepped[rows],
            self.middle[rows],
        )

    def of_pinion(self, turned: Array) -> tuple[Array, Array]:
        """Turn of the steering wheel and d(pinion)/d(wheel) for turns (N, n) of the pinion.

        Where the column is not known the wheel is taken to turn as the pinion does.
        """
        wheel, rate = self.line.of_pinion(turned, self.middle)
        known = np.isfinite(rate)
        return np.where(known, wheel, turned), np.where(known, rate, 1.0)

    def metrics(self) -> dict[str, Array]:
        """Numbers of the columns by their name, (N,) each."""
        places = self.places
        return {
            "column_upper_angle_deg": np.degrees(places.upper_bend),
            "column_lower_angle_deg": np.degrees(places.lower_bend),
            "column_phase_deg": np.degrees(places.best_phase),
            "column_phase_stepped_deg": np.degrees(self.stepped),
            "column_fork_deg": np.degrees(self.line.fork(self.middle)),
            "column_ripple_percent": _PERCENT * self.line.ripple,
            "column_ripple_free_percent": _PERCENT * self.free.ripple,
            "column_miss_mm": places.miss_mm,
            "column_shaft_mm": places.length_mm,
        }

    def shafts(self) -> list[tuple[Array, Array]]:
        """Both ends (N, 3) of each shaft: the wheel's, the middle one if any, and the pinion's."""
        upper, lower = self.places.upper, self.places.lower
        wheel = np.broadcast_to(np.array(self.column.wheel), upper.shape)
        ends = [(wheel, upper), (upper, lower), (lower, self.end)]
        return ends if self.column.joints == 2 else [ends[0], ends[2]]


def drive(
    column: Column,
    laid: LaidRacks,
    designs: Designs,
    solved: Solved,
    racks: Sequence[Rack],
    room: Room,
    wanted_mm: float | None,
    tyre_mm: float | None,
) -> Driven:
    """The columns of N designs.

    Args:
        column: what is asked.
        laid: where the pinions are.
        designs: N designs.
        solved: their poses.
        racks: candidate racks.
        room: keep-outs, tyre and thicknesses.
        wanted_mm: clearance that the shafts have to keep; None: none.
        tyre_mm: likewise of the tyre.
    """
    clear = None
    wanted = wanted_mm, tyre_mm if room.tyre is not None else None
    if wanted != (None, None) and column.shaft_diameter_mm is not None:
        clear = Around(column, laid, designs, solved, racks, room, *wanted)
    places = find_places(column, laid.pinion_end, laid.pinion, clear)
    upper, lower, best = places.upper_bend, places.lower_bend, places.best_phase
    if column.joints == 1:
        lower = best = np.where(np.isnan(upper), np.nan, 0.0)
    upper, lower = np.minimum(upper, _MOST_BEND), np.minimum(lower, _MOST_BEND)
    stepped = nearest_step(best, column.yoke_step)
    line = Driveline(upper, lower, half_turn(stepped - best))
    free = Driveline(upper, lower, 0.0 * best)
    middle = line.straight_ahead(light=column.straight_ahead == "light")
    stepped = stepped if column.joints == 2 else np.full(len(stepped), np.nan)
    return Driven(column, places, laid.pinion_end, line, free, stepped, middle)
