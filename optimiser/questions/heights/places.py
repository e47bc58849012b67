"""What the heights of one rack come to: places, curves, and the one to build."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from optimiser.evaluation.designs import Designs

if TYPE_CHECKING:
    from optimiser.evaluation.designs import Evaluation
    from optimiser.evaluation.problem import Problem
    from optimiser.linkage.vectors import Array
    from optimiser.questions.heights.optima import Optima
    from optimiser.questions.heights.ways import Way

SAME_CHANGE = 1.02, 1.0
"""A change that is greater by no more than 2 % and 1 mm counts as the same."""


@dataclass(frozen=True, slots=True)
class Place:
    """One design of one way and what becomes of it; degrees.

    Attributes:
        way: which.
        design: a batch of one.
        bump_steer_deg: in the study's measure, the largest or the RMS over travel.
        ackermann_error_deg: in the study's measure.
        bump_acceptable: by itself bump steer can be, within the limits, in this way.
        acceptable: both are, within the limits.
        change_mm: from the arm and rack as drawn, see `bounded`.
    """

    way: Way
    design: Designs
    bump_steer_deg: float
    ackermann_error_deg: float
    bump_acceptable: bool
    acceptable: bool
    change_mm: float

    def at(self, name: str) -> float:
        """Value of one variable."""
        return float(self.design.column(name)[0])


@dataclass(frozen=True, slots=True)
class WayCurve:
    """One way's best design at each of H heights.

    Attributes:
        way: which.
        optima: least bump steer.
        both: where that has too much Ackermann error but acceptable bump steer: the design whose
            worse ratio of objective to acceptable value is least; elsewhere the same as `optima`.
        both_evaluation: of `both`.
        between: designs with the rack height free as well.
        between_evaluation: of `between`.
        best: the acceptable place with the least bump steer found, and of those below
            `known.ENOUGH` the one with the least Ackermann error; where none is acceptable, what
            comes nearest to it, see `known.Known.quoted`. None when no height keeps the limits.
        nearest: the acceptable place that changes least of the car as drawn; None without one.
    """

    way: Way
    optima: Optima
    both: Designs
    both_evaluation: Evaluation
    between: Designs
    between_evaluation: Evaluation
    best: Place | None
    nearest: Place | None

    @property
    def all_designs(self) -> Designs:
        """Every design of the curve."""
        return Designs.join([self.optima.designs, self.both, self.between])

    @property
    def all_evaluations(self) -> Evaluation:
        """Of `all_designs`."""
        return self.both_evaluation.join(
            [self.optima.evaluation, self.both_evaluation, self.between_evaluation]
        )


@dataclass(frozen=True, slots=True)
class RackHeights:
    """The answer for one rack.

    Attributes:
        problem: the study's, with the objectives that are used here.
        rack: index of the rack.
        heights_mm: (H,).
        spacer_max_mm: longest spacer of the ways that have them.
        curves: one for each way that the study has, fewer freedoms first.
    """

    problem: Problem
    rack: int
    heights_mm: Array
    spacer_max_mm: float
    curves: tuple[WayCurve, ...]

    @property
    def ways(self) -> tuple[Way, ...]:
        """The ways that the study has."""
        return tuple(curve.way for curve in self.curves)

    def curve(self, way: Way) -> WayCurve:
        """Curve of one way."""
        return self.curves[self.ways.index(way)]

    def place(self, way: Way) -> Place | None:
        """The best place of one way, see `WayCurve.best`; None of one that the study lacks."""
        return self.curve(way).best if way in self.ways else None

    def nearest(self, way: Way) -> Place | None:
        """The acceptable place of one way that changes least: its own or of a way within it."""
        places = [
            curve.nearest
            for curve in self.curves
            if curve.nearest is not None and curve.way.within(way)
        ]
        return _least_change(places)

    @property
    def remedy(self) -> Place | None:
        """The acceptable place that changes least of all; None when none is acceptable.

        Of changes that are the same, that of the way with fewer freedoms.
        """
        return _least_change([c.nearest for c in self.curves if c.nearest is not None])

    @property
    def chosen(self) -> Place | None:
        """The place to build: the best one of the way that the remedy takes.

        When none is acceptable, the one that comes nearest to it; None when no way keeps the
        limits anywhere.
        """
        remedy = self.remedy
        if remedy is not None:
            return self.place(remedy.way)
        places = [curve.best for curve in self.curves if curve.best is not None]
        bump, ackermann = self.problem.acceptable.tolist()
        return min(
            places,
            key=lambda one: max(one.bump_steer_deg / bump, one.ackermann_error_deg / ackermann),
            default=None,
        )


def _least_change(places: list[Place]) -> Place | None:
    """The first of those that change least, as good as equal ones counted as equal."""
    if not places:
        return None
    least = min(place.change_mm for place in places)
    share, more = SAME_CHANGE
    return next(p for p in places if p.change_mm <= max(share * least, least + more))
