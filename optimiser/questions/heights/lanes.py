"""Every height of every way side by side, so that one call of the evaluation serves them all.

          way 0           way 1          ...
    | h0 h1 .. hn-1 | h0 h1 .. hn-1 |    ...      lanes

Ways differ in nothing but what they leave free. The lanes share one problem in which a variable is
free when some way frees it, and each lane has its own bounds; where both are the same the variable
is held there, as the rack height is in every lane.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from optimiser.evaluation.designs import VARIABLES, Designs, Range, Stock, allows, ends

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimiser.evaluation.designs import Choice
    from optimiser.evaluation.problem import Problem
    from optimiser.linkage.vectors import Array
    from optimiser.search.residuals import Model

    Indices = NDArray[np.intp]

HEIGHT, ARM_HEIGHT = VARIABLES.index("rack_height_mm"), VARIABLES.index("arm_height_mm")


@dataclass(frozen=True, slots=True)
class Bounds:
    """Between which values the variables of N designs may lie, (N, 6) each."""

    low: Array
    high: Array

    def select(self, index: Indices | NDArray[np.bool_]) -> Bounds:
        """Of some of the designs."""
        return Bounds(self.low[index], self.high[index])

    @classmethod
    def join(cls, parts: list[Bounds]) -> Bounds:
        """One batch after another."""
        return cls(
            np.concatenate([part.low for part in parts]),
            np.concatenate([part.high for part in parts]),
        )

    def inside(self, designs: Designs) -> Designs:
        """The designs, moved between their bounds."""
        return Designs(designs.rack, np.clip(designs.values, self.low, self.high))

    def scaled(self, model: Model) -> tuple[Array, Array]:
        """As `linear_steps.fit` takes them."""
        rack = np.zeros(len(self.low), dtype=np.intp)
        low, high = (model.scaled(Designs(rack, values)) for values in (self.low, self.high))
        return low, high


def bounds_of(problem: Problem, count: int) -> Bounds:
    """Bounds of `count` designs of one problem."""
    low, high = np.array([ends(problem.space[name]) for name in VARIABLES]).T
    return Bounds(np.tile(low, (count, 1)), np.tile(high, (count, 1)))


def between_ends(heights_mm: Array) -> Range:
    """The rack height free over a row of heights."""
    return Range(float(heights_mm[0]), float(heights_mm[-1]))


def shared_problem(problems: tuple[Problem, ...]) -> Problem:
    """The problem in which everything is free that one of some problems frees."""
    space: dict[str, Choice] = {}
    for name in VARIABLES:
        choices = [problem.space[name] for problem in problems]
        low, high = (func(values) for func, values in zip((min, max), _ends(choices), strict=True))
        if any(isinstance(choice, Range) for choice in choices) and low < high:
            space[name] = Range(low, high)
        else:
            values = {value for c in choices if isinstance(c, Stock) for value in c.values}
            space[name] = Stock(tuple(sorted(values or {low})))
    return replace(problems[0], space=space)


def _ends(choices: list[Choice]) -> tuple[list[float], list[float]]:
    both = [ends(choice) for choice in choices]
    return [low for low, _ in both], [high for _, high in both]


@dataclass(frozen=True, slots=True)
class Lanes:
    """H heights of W ways.

    Attributes:
        problems: of each way; the rack height is not free in them, its values are not used.
        problem: what they share, the rack height free from the first to the last.
        rack: which rack.
        heights_mm: (H,), increasing.
        bounds: of the L = W H lanes.
    """

    problems: tuple[Problem, ...]
    problem: Problem
    rack: int
    heights_mm: Array
    bounds: Bounds

    @classmethod
    def of(cls, problems: tuple[Problem, ...], rack: int, heights_mm: Array) -> Lanes:
        """The lanes of some ways."""
        bounds = Bounds.join([bounds_of(problem, len(heights_mm)) for problem in problems])
        for end in (bounds.low, bounds.high):
            end[:, HEIGHT] = np.tile(heights_mm, len(problems))
        space = {**shared_problem(problems).space, "rack_height_mm": between_ends(heights_mm)}
        shared = replace(problems[0], space=space)
        return cls(problems, shared, rack, heights_mm, bounds)

    @property
    def every(self) -> Indices:
        """All lanes."""
        return np.arange(len(self.bounds.low))

    def way(self, lane: Indices) -> Indices:
        """The way that lanes belong to."""
        return lane // len(self.heights_mm)

    def of_way(self, way: int) -> slice:
        """The lanes of one way."""
        return slice(way * len(self.heights_mm), (way + 1) * len(self.heights_mm))

    def beside(self, lane: Indices, step: int) -> tuple[Indices, NDArray[np.bool_]]:
        """The lanes so many heights further, and where the same way has one."""
        there = lane + step
        inside = (there >= 0) & (self.way(there) == self.way(lane))
        return there, inside & (there < len(self.bounds.low))

    def moved(self, designs: Designs, lane: Indices) -> Designs:
        """Designs of other lanes in the lanes `lane`, the arm moved as much as the rack."""
        values = designs.values.copy()
        bounds = self.bounds.select(lane)
        if isinstance(self.problem.space["arm_height_mm"], Range):
            values[:, ARM_HEIGHT] += bounds.low[:, HEIGHT] - values[:, HEIGHT]
        return bounds.inside(Designs(designs.rack, values))

    def in_wider_ways(self, lane: Indices, designs: Designs) -> tuple[Indices, Designs]:
        """Designs of the lanes `lane` in every other way that allows all of them, and its lanes."""
        to, found = [lane[:0]], [designs.select(lane[:0])]
        mine = self.way(lane)
        for way in np.unique(mine).tolist():
            here = np.flatnonzero(mine == way)
            some = designs.select(here)
            for other, problem in enumerate(self.problems):
                if other != way and _allowed(problem, some):
                    to.append(lane[here] + (other - way) * len(self.heights_mm))
                    found.append(some)
        return np.concatenate(to), Designs.join(found)


def _allowed(problem: Problem, designs: Designs) -> bool:
    """Whether all of these designs lie in the problem's space, whatever their height."""
    return all(
        bool(allows(choice, designs.column(name)).all())
        for name, choice in problem.space.items()
        if name != "rack_height_mm"
    )
