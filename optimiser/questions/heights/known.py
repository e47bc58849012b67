"""Designs of one way with the rack height free, and what is found from the best of them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from optimiser.base.farthest import farthest_points
from optimiser.evaluation.designs import VARIABLES, Designs, Stock, ends
from optimiser.evaluation.designs import nearest_allowed as nearest_in
from optimiser.linkage.at_rack import describe_arm
from optimiser.questions.heights.bounded import change_mm, least_within
from optimiser.questions.heights.follow import follow
from optimiser.questions.heights.lanes import Bounds, bounds_of, shared_problem
from optimiser.questions.heights.places import Place
from optimiser.search.residuals import Model

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from optimiser.evaluation.designs import Evaluation
    from optimiser.evaluation.problem import Problem
    from optimiser.linkage.vectors import Array
    from optimiser.questions.heights.bounded import Least
    from optimiser.questions.heights.follow import Followed
    from optimiser.questions.heights.ways import Way

NEAR_LEAST, ALIKE = 1.02, 1.01
"""Where nothing is acceptable the least Ackermann error within 2 % of the bump steer that comes
nearest to it is quoted; worst ratios within a hundredth count as equally near."""
ENOUGH = 0.1
"""Share of the acceptable bump steer below which the Ackermann error counts instead."""
_STARTS = 3
_ROUNDS, _STEPS, _GAINED_MM = 3, 12, 1.0
"""Rounds at most in which the least change is looked for, steps of each, and what a round must gain
to be followed by another."""


class Known:
    """Designs of one way with the rack height free, and what is found from the best of them."""

    def __init__(self, problem: Problem, designs: Designs, outcome: Evaluation) -> None:
        self.problem, self.designs, self.outcome = problem, designs, outcome

    def add(self, found: Followed) -> None:
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

        With bump steer below the second number: near that of the least worst ratio of objective
        to acceptable value. Where the least bump steer itself leaves the Ackermann error
        acceptable, that one alone.
        """
        rows, bump = self.feasible, self._column(0)
        if self._column(1)[rows[0]] <= self.problem.acceptable[1]:
            return rows[:1], float(bump[rows[0]])
        worst = self._worst[rows]
        bound = NEAR_LEAST * float(np.min(bump[rows[worst <= ALIKE * worst.min()]]))
        return _sorted(rows[bump[rows] <= bound], self._column(1)), bound

    @property
    def _worst(self) -> Array:
        """Worst ratio of objective to acceptable value of every design."""
        return np.asarray(np.max(self.outcome.objectives / self.problem.acceptable, axis=1))

    def look_for_best(self) -> None:
        """Add a design with less of what the best one has too much of; see `WayCurve.best`."""
        if not len(self.feasible):
            return
        if not len(self.acceptable):
            self._look_for_nearly()
        good, bump = self.acceptable, self._column(0)
        if not len(good) or self.feasible[0] in good or bump[good[0]] <= self.enough:
            return
        self._look("bump steer", good, (np.inf, float(self.problem.acceptable[1])))
        if self._column(0)[self.acceptable[0]] <= self.enough:
            # It went to the edge of what is accepted, for more than was needed.
            self._look("Ackermann error", self.acceptable[:1], (self.enough, np.inf))

    def _look_for_nearly(self) -> None:
        """Where the least bump steer spoils the Ackermann error: what comes nearest in both."""
        rows = self.feasible
        if self._column(1)[rows[0]] <= self.problem.acceptable[1]:
            return
        starts = self._apart(_sorted(rows, self._worst))
        self.add(follow(self.problem, starts, Model, self.problem.acceptable))
        if not len(self.acceptable):
            rows, bound = self.quoted
            self._look("Ackermann error", rows, (bound, np.inf))

    def _look(self, least: Least, rows: NDArray[np.intp], bounds: tuple[float, float]) -> None:
        starts = self._apart(rows)
        self.add(least_within(self.problem, starts, least, np.array(bounds)))

    def towards_drawn(self) -> Designs:
        """Designs to look for the least change from: as drawn, acceptable ones, and between them.

        On the straight way from the car as drawn to the acceptable design nearest to it there may
        be less that is enough.
        """
        rows = _sorted(self.acceptable, self.change)
        drawn, there = self._drawn(), self.designs.select(rows[:1])
        way = np.linspace(0.0, 0.75, 4)[:, None] * (there.values - drawn.values)
        between = Designs(np.repeat(drawn.rack, 4), drawn.values + way)
        return self.every_spacer(Designs.join([between, self._apart(rows)]))

    @property
    def least_change(self) -> float:
        """Of the acceptable designs, mm."""
        return float(self.change[self.acceptable].min())

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
            bool(self._column(0)[rows[0]] <= self.problem.acceptable[0]),
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

    def every_spacer(self, designs: Designs) -> Designs:
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


def look_for_nearest(ways: Sequence[Known]) -> None:
    """Add to each way the acceptable design that changes least, where one is acceptable."""
    going = [known for known in ways if len(known.acceptable)]
    for _ in range(_ROUNDS):
        if not going:
            return
        starts = [known.towards_drawn() for known in going]
        bounds = [bounds_of(k.problem, len(s)) for k, s in zip(going, starts, strict=True)]
        problem = shared_problem(tuple(known.problem for known in going))
        found = least_within(
            problem,
            Designs.join(starts),
            "change",
            problem.acceptable,
            bounds=Bounds.join(bounds),
            steps=_STEPS,
        )
        last = np.cumsum([0, *(len(some) for some in starts)]).tolist()
        before = [known.least_change for known in going]
        for known, part in zip(going, map(slice, last[:-1], last[1:]), strict=True):
            known.add(found.select(part))
        going = [
            k for k, least in zip(going, before, strict=True) if least - k.least_change > _GAINED_MM
        ]
