"""What else is wrong with a design when one of its dimensions is off, beside its bump steer.

Bands and shims ask bump steer how far a dimension may be off. A place with little bump steer may
break a limit all the same, or have too much Ackermann error: here each place is judged as the
search judges designs, arms, rods and toe being what `metrics.tolerance.bands` makes of them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from optimiser.evaluation.asked import Objectives
from optimiser.evaluation.designs import Designs
from optimiser.evaluation.quantities import limit_words, quantity
from optimiser.linkage.hardpoints import Hardpoints
from optimiser.linkage.vectors import norm
from optimiser.metrics.mounting import kept_rod_length
from optimiser.metrics.tolerance import ADJUSTMENTS, Adjustment, adjusted_corner
from optimiser.metrics.tolerance.bands import RANGE_MM
from optimiser.metrics.tolerance.built import join_corners

if TYPE_CHECKING:
    from optimiser.evaluation.problem import Problem
    from optimiser.linkage.racks import Rack
    from optimiser.linkage.vectors import Array

STEP_MM = 0.5
"""Places this far apart are judged; whole millimetres are among them."""
_STEPS = round(RANGE_MM / STEP_MM)
_TOE_STAYS: Adjustment = "tie-rod length, toe not reset"
_THREAD_MM = 1e-6


@dataclass(frozen=True, slots=True)
class OneOff:
    """What else is wrong at places around a design, one dimension at a time.

    Attributes:
        places_mm: how far the dimension is off, (P,), `STEP_MM` apart, 0 in the middle.
        wrong: for each dimension what breaks at each place, in words; empty where nothing does.
    """

    places_mm: Array
    wrong: dict[Adjustment, tuple[str, ...]]

    @property
    def itself(self) -> str:
        """What is wrong with the design itself."""
        return self.at(ADJUSTMENTS[0], 0.0)

    def at(self, adjustment: Adjustment, off_mm: float) -> str:
        """What is wrong at one of the places."""
        return self.wrong[adjustment][int(np.argmin(np.abs(self.places_mm - off_mm)))]

    def first(self, adjustment: Adjustment, way: int, within_mm: float) -> tuple[float, str]:
        """The nearest place upward (1) or downward (-1) where something is; NaN where nothing is.

        Places further than `within_mm` are not looked at.
        """
        for step in range(1, _STEPS + 1):
            off = way * step * STEP_MM
            if step * STEP_MM <= within_mm and (text := self.at(adjustment, off)):
                return off, text
        return np.nan, ""


def one_off(problem: Problem, design: Designs) -> OneOff:
    """Judge the places around a design, a batch of one that assembles."""
    corners, growth = problem.corners(design)
    points, conditions = corners.select(0), problem.conditions
    places: Array = STEP_MM * np.arange(-_STEPS, _STEPS + 1, dtype=float)
    # As made exactly, whatever the study minimises.
    plain = problem.measured(Objectives())
    # All in one batch, with the toe that each place has: the design's own but where a rod of the
    # wrong length is not made good.
    built = join_corners([adjusted_corner(points, n, places, conditions) for n in ADJUSTMENTS])
    set_so = replace(plain, car=replace(plain.car, attitude=built.attitude))
    texts = _wrong(set_so, design, growth, built.points, len(ADJUSTMENTS) * len(places))
    starts = range(0, len(texts), len(places))
    wrong = {
        name: texts[start : start + len(places)]
        for name, start in zip(ADJUSTMENTS, starts, strict=True)
    }
    return OneOff(places, wrong)


def _wrong(
    problem: Problem, design: Designs, growth: Array, points: Hardpoints, count: int
) -> tuple[str, ...]:
    """What is wrong with each of `count` corners but their bump steer, in words."""
    rack = problem.racks[int(design.rack[0])]
    corners = Hardpoints.from_mapping(
        {name: np.broadcast_to(value, (count, 3)) for name, value in points.items()}
    )
    designs = Designs(np.repeat(design.rack, count), np.repeat(design.values, count, axis=0))
    solved = problem.solve_corners(
        corners, np.repeat(growth, count), np.full(count, rack.travel_each_way_mm)
    )
    outcome = problem.judge(designs, solved)
    thread = _beyond_thread(problem, rack, corners)
    most = float(problem.acceptable[1])
    texts = []
    for index in range(count):
        if not outcome.assembles[index]:
            texts.append("cannot be assembled")
            continue
        parts = [
            f"breaks {limit_words(name)}"
            for name, excess in zip(
                problem.constraint_names, outcome.constraints[index], strict=True
            )
            if not excess <= 0.0
        ]
        error = float(outcome.metrics["ackermann_error_deg"][index])
        if not error <= most:
            one = quantity("ackermann_error_deg")
            parts.append(f"{one.words} {one.against(error, most)}, above {most:g}")
        if thread[index]:
            parts.append("the kept rods' thread does not reach")
        texts.append(", ".join(parts))
    return tuple(texts)


def _beyond_thread(problem: Problem, rack: Rack, corners: Hardpoints) -> Array:
    """Where kept rods cannot be screwed to the length that the corners have, (N,) bool."""
    length = norm(corners.outer_joint - corners.inner_joint)
    if not problem.steering.keep_tie_rods:
        return np.zeros(length.shape, dtype=bool)
    reached = kept_rod_length(corners, rack.tie_rod_length_mm, rack.tie_rod_adjustment_mm)
    return np.asarray(np.abs(length - reached) > _THREAD_MM)
