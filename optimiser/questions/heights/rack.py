"""Can a shorter rack be rescued by mounting it lower? The best of every height, in every way.

The rack is moved through a range of heights. At each, and in each of the `ways`, the least bump
steer found that the study's limits allow, with the Ackermann error that goes with it. Then, with
the rack height free as well, each way's best place, and the acceptable one that changes least.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from optimiser.base.farthest import farthest_points
from optimiser.evaluation.asked import Objectives
from optimiser.evaluation.designs import VARIABLES, Designs, Range, Stock, allows, ends
from optimiser.evaluation.designs import nearest_allowed as nearest_in
from optimiser.linkage.at_rack import describe_arm
from optimiser.questions.heights.bounded import change_mm, least_within
from optimiser.questions.heights.follow import follow
from optimiser.questions.heights.optima import Optima, solve_height, solve_heights
from optimiser.questions.heights.ways import way_problem, ways_of
from optimiser.search.residuals import Model

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from optimiser.evaluation.designs import Evaluation
    from optimiser.evaluation.problem import Problem
    from optimiser.linkage.vectors import Array
    from optimiser.questions.heights.bounded import Least
    from optimiser.questions.heights.follow import Followed
    from optimiser.questions.heights.ways import Way

NEAR_LEAST = 1.02
"""Where bump steer is not acceptable the least Ackermann error within 2 % of it is quoted."""
SAME_CHANGE = 1.02, 1.0
"""A change that is greater by no more than 2 % and 1 mm counts as the same."""
ENOUGH = 0.1
"""Share of the acceptable bump steer below which the Ackermann error counts instead."""
_STARTS = 3
_ROUNDS, _GAINED_MM = 4, 0.5
"""Rounds at most in which the least change is looked for, and what one must gain to go on."""


@dataclass(frozen=True, slots=True)
class Place:
    """One design of one way and what becomes of it; degrees.

    Attributes:
        way: which.
        design: a batch of one.
        bump_steer_deg: in the study's measure, the largest or the RMS over travel.
        ackermann_error_deg: in the study's measure.
        bump_acceptable: bump steer is; True only within the limits.
        acceptable: both are; likewise.
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
        best: the acceptable place with the least bump steer found, and of those below `ENOUGH` the
            one with the least Ackermann error; where none is acceptable, the least Ackermann error
            with acceptable bump steer, or with bump steer near the least. None when no height
            keeps the limits.
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

        When none is acceptable, the one with the least bump steer; None when no way keeps the
        limits anywhere.
        """
        remedy = self.remedy
        if remedy is not None:
            return self.place(remedy.way)
        places = [curve.best for curve in self.curves if curve.best is not None]
        return min(places, key=lambda place: place.bump_steer_deg, default=None)


def _least_change(places: list[Place]) -> Place | None:
    """The first of those that change least, as good as equal ones counted as equal."""
    if not places:
        return None
    least = min(place.change_mm for place in places)
    share, more = SAME_CHANGE
    return next(p for p in places if p.change_mm <= max(share * least, least + more))


def measured_problem(problem: Problem) -> Problem:
    """The problem with bump steer and Ackermann error alone, as built exactly to the drawing."""
    asked = problem.objectives
    plain = Objectives(
        "rms" if asked.bump_steer == "rms" else "largest",
        "rms" if asked.ackermann_error == "rms" else "largest",
    )
    return replace(problem, objectives=plain, loads=None, tolerances=None)


def solve_rack(
    problem: Problem,
    rack: int,
    heights_mm: Array,
    spacer_max_mm: float,
    watch: Callable[[str], None] = lambda _: None,
) -> RackHeights:
    """The best of every height for one rack, in every way that the study has.

    Args:
        problem: the study's.
        rack: which rack.
        heights_mm: (H,), increasing.
        spacer_max_mm: longest spacer, each end.
        watch: told each way as it begins.
    """
    plain = measured_problem(problem)
    solved: list[tuple[Way, Optima]] = []
    curves: list[WayCurve] = []
    longest = 0.0
    for way in ways_of(plain, spacer_max_mm):
        watch(f"{problem.racks[rack].name}: {way.name}")
        mine = way_problem(plain, way, heights_mm, spacer_max_mm)
        longest = max(longest, ends(mine.space["spacer_mm"])[1])
        # What fewer freedoms reached is where more freedoms begin, if the study allows it there.
        starts = [optima.designs for other, optima in solved if other.within(way)]
        starts = [designs for designs in starts if _allowed(mine, designs)]
        optima = solve_heights(mine, rack, heights_mm, starts)
        solved.append((way, optima))
        curves.append(_finish(mine, way, optima, heights_mm))
    return RackHeights(plain, rack, heights_mm, longest, tuple(curves))


def _allowed(problem: Problem, designs: Designs) -> bool:
    """Whether all of these designs lie in the problem's space."""
    return all(
        bool(allows(choice, designs.column(name)).all()) for name, choice in problem.space.items()
    )


# --- what follows from the optima of one way -----------------------------------------------------


def _finish(problem: Problem, way: Way, optima: Optima, heights_mm: Array) -> WayCurve:
    """The curve with its balanced designs and the places between the heights."""
    outcome = optima.evaluation
    rows = _spoilt(problem, outcome)
    both, other = optima.designs, outcome
    if len(rows):
        values = both.values.copy()
        values[rows] = follow(problem, both.select(rows), Model, problem.acceptable).designs.values
        both = Designs(both.rack, values)
        other = problem.evaluate(both)
    low, high = float(heights_mm[0]), float(heights_mm[-1])
    free = replace(problem, space={**problem.space, "rack_height_mm": Range(low, high)})
    between = solve_height(problem, optima, low, high)
    known = _Known(
        free,
        Designs.join([optima.designs, both, between]),
        outcome.join([outcome, other, problem.evaluate(between)]),
    )
    known.look_for_best()
    known.look_for_nearest()
    more = slice(2 * len(heights_mm), len(known.designs))
    between, good = known.designs.select(more), known.outcome.select(more)
    best, nearest = known.place(way), known.place(way, nearest=True)
    return WayCurve(way, optima, both, other, between, good, best, nearest)


def _spoilt(problem: Problem, outcome: Evaluation) -> NDArray[np.intp]:
    """Designs within the limits with acceptable bump steer and too much Ackermann error."""
    bump_is, ackermann_is = (outcome.objectives <= problem.acceptable).T
    return np.flatnonzero(outcome.feasible & bump_is & ~ackermann_is)


class _Known:
    """Designs of one way with the rack height free, and what is found from the best of them."""

    def __init__(self, problem: Problem, designs: Designs, outcome: Evaluation) -> None:
        self.problem, self.designs, self.outcome = problem, designs, outcome

    def _add(self, found: Followed) -> None:
        """Take the best of the followed designs."""
        best = found.designs.select(found.kept[:1])
        if len(best):
            self.designs = Designs.join([self.designs, best])
            self.outcome = self.outcome.join([self.outcome, self.problem.evaluate(best)])

    def _column(self, number: int) -> Array:
        return np.asarray(self.outcome.objectives[:, number])

    @property
    def feasible(self) -> NDArray[np.intp]:
        """Rows within the limits, the least bump steer first."""
        return _sorted(np.flatnonzero(self.outcome.feasible), self._column(0))

    @property
    def acceptable(self) -> NDArray[np.intp]:
        """Rows that are acceptable in both objectives, the best first; see `WayCurve.best`."""
        rows = self.feasible
        rows = rows[(self.outcome.objectives[rows] <= self.problem.acceptable).all(axis=1)]
        bump = np.maximum(self._column(0)[rows], self.enough)
        return np.asarray(rows[np.lexsort((self._column(1)[rows], bump))])

    @property
    def enough(self) -> float:
        """Bump steer that need not be less, degrees."""
        return ENOUGH * float(self.problem.acceptable[0])

    @property
    def quoted(self) -> tuple[NDArray[np.intp], float]:
        """Rows to be quoted where none is acceptable, the least Ackermann error first.

        With bump steer below the second number: what is accepted, or near the least. Where the
        least bump steer itself leaves the Ackermann error acceptable, that one alone.
        """
        rows, bump = self.feasible, self._column(0)
        if self._column(1)[rows[0]] <= self.problem.acceptable[1]:
            return rows[:1], float(bump[rows[0]])
        bound = max(NEAR_LEAST * float(bump[rows[0]]), float(self.problem.acceptable[0]))
        return _sorted(rows[bump[rows] <= bound], self._column(1)), bound

    def look_for_best(self) -> None:
        """Add a design with less of what the best one has too much of; see `WayCurve.best`."""
        if not len(self.feasible):
            return
        rows, bound = self.quoted
        if not len(self.acceptable) and bound > self._column(0)[self.feasible[0]]:
            self._look("Ackermann error", rows, (bound, np.inf))
        good, bump = self.acceptable, self._column(0)
        if not len(good) or self.feasible[0] in good or bump[good[0]] <= self.enough:
            return
        self._look("bump steer", good, (np.inf, float(self.problem.acceptable[1])))
        if self._column(0)[self.acceptable[0]] <= self.enough:
            # It went to the edge of what is accepted, for more than was needed.
            self._look("Ackermann error", self.acceptable[:1], (self.enough, np.inf))

    def _look(self, least: Least, rows: NDArray[np.intp], bounds: tuple[float, float]) -> None:
        starts = self._apart(rows)
        self._add(least_within(self.problem, starts, least, np.array(bounds)))

    def look_for_nearest(self) -> None:
        """Add the acceptable design that changes least, where one is acceptable."""
        rows = self.acceptable
        if not len(rows):
            return
        starts = Designs.join([self._drawn(), self._apart(_sorted(rows, self.change))])
        least = np.inf
        for _ in range(_ROUNDS):
            starts = self._every_spacer(starts)
            self._add(least_within(self.problem, starts, "change", self.problem.acceptable))
            best = int(_sorted(self.acceptable, self.change)[0])
            gained, least = least - self.change[best], float(self.change[best])
            if gained < _GAINED_MM:
                return
            # On the straight way from the car as drawn there may be less that is enough.
            drawn, there = self._drawn(), self.designs.select(slice(best, best + 1))
            way = np.linspace(0.25, 1.0, 4)[:, None] * (there.values - drawn.values)
            starts = Designs(np.repeat(drawn.rack, 4), drawn.values + way)

    @property
    def change(self) -> Array:
        """Of every design, mm."""
        return change_mm(self.problem, self.designs)

    def place(self, way: Way, *, nearest: bool = False) -> Place | None:
        """The best place so far, or the acceptable one that changes least."""
        rows, good = self.feasible, self.acceptable
        if not len(rows) or (nearest and not len(good)):
            return None
        if nearest:
            good = _sorted(good, self.change)
        row = int(good[0] if len(good) else self.quoted[0][0])
        design = self.designs.select(slice(row, row + 1))
        bump, ackermann = self.outcome.objectives[row].tolist()
        return Place(
            way,
            design,
            bump,
            ackermann,
            bool(bump <= self.problem.acceptable[0]),
            bool(len(good)),
            float(change_mm(self.problem, design)[0]),
        )

    def _apart(self, rows: NDArray[np.intp]) -> Designs:
        """The first of some designs and unlike ones among the others."""
        span = [max(np.ptp(ends(choice)), 1.0) for choice in self.problem.space.values()]
        apart = farthest_points(self.designs.values[rows] / span, _STARTS)
        return self.designs.select(rows[np.unique(apart)])

    def _drawn(self) -> Designs:
        """The car as drawn, as near as the space allows."""
        points, arm = self.problem.points, describe_arm(self.problem.points)
        drawn = (
            points.inner_joint[2],
            points.inner_joint[0],
            0.0,
            arm.length_mm,
            arm.height_mm,
            np.degrees(arm.angle),
        )
        values = [
            float(nearest_in(self.problem.space[name], value))
            for name, value in zip(VARIABLES, drawn, strict=True)
        ]
        return Designs(self.designs.rack[:1], np.array([values]))

    def _every_spacer(self, designs: Designs) -> Designs:
        """The designs with each of the stock spacers, where they are stock ones."""
        choice = self.problem.space["spacer_mm"]
        if not isinstance(choice, Stock) or len(choice.values) == 1:
            return designs
        parts = []
        for length in choice.values:
            values = designs.values.copy()
            values[:, VARIABLES.index("spacer_mm")] = length
            parts.append(Designs(designs.rack, values))
        return Designs.join(parts)


def _sorted(rows: NDArray[np.intp], by: Array) -> NDArray[np.intp]:
    return np.asarray(rows[np.argsort(by[rows], kind="stable")])
