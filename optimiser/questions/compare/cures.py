"""The least change that makes a design acceptable in another study, the cheap ways first.

    shim        the rack a little higher or lower, on shims; the steering arm stays
    spacer      another length of spacers
    arm         another steering arm: length, height and angle of what the study frees
    bracket     another place of the rack, within the study's ranges
    any         everything that the study frees

Change is counted in millimetres from the design, a plain sum as in `heights`: how far the outer
joint moves against the body, how far the rack does, and what is added to one spacer. A tie rod is
no way of its own: it is always as long as toe at rest asks.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from optimiser.evaluation.designs import (
    Designs,
    FollowsRack,
    Range,
    Stock,
    allows,
    nearest_allowed,
)
from optimiser.linkage.steering_arm import place_outer_joint
from optimiser.questions.heights.follow import follow
from optimiser.search.residuals import Model, Table

if TYPE_CHECKING:
    from collections.abc import Iterator

    from optimiser.answer.run_result import Chosen
    from optimiser.evaluation.designs import Choice
    from optimiser.evaluation.problem import Problem
    from optimiser.linkage.vectors import Array

SHIM, SPACER, ARM, BRACKET, ANY = WAYS = ("shim", "spacer", "arm", "bracket", "any")
HEIGHT = "rack_height_mm"
_RACK = (HEIGHT, "rack_fore_aft_mm")
_ARM = ("arm_length_mm", "arm_height_mm", "arm_angle_deg")
FREED = {
    SHIM: (HEIGHT,),
    SPACER: ("spacer_mm",),
    ARM: _ARM,
    BRACKET: _RACK,
    ANY: (*_RACK, "spacer_mm", *_ARM),
}
"""Variables that each way changes."""
STARTS = 12
"""Walks of each way and combination of stock values: from the design, and from anywhere. Of nine
cars, with pivots or designs some 4 to 10 mm off, five times as many found 0.04 mm less at most."""
MOST_COMBINATIONS = 40
FIRST_STEPS, LAST_STEPS, KEPT = 5, 20, 3
"""Steps of all walks, and then of the best, with a fresh trust region."""
TOLERANCE = 3e-4
"""A walk ends when a step promises less than this share of the change and `_BASE_MM`: it is rounded
to a tenth of a millimetre."""
SAME = 1e-6
"""Values of a variable that differ by less are the same."""
_PARTS = (10.0, 100.0)
"""What is changed is changed by tenths of a millimetre, or where that does not do by hundredths."""
_FAR, _TRIED = 10, 2000
"""Where several limits meet no rounding up or down may keep them all: then so many steps either way
are tried, at random."""
_BASE_MM = 5.0
"""Added to the change, so that the price of breaking a limit, a multiple of it, is never small."""
_ROUNDING_MM = 0.01
"""The corner of each distance at zero is rounded off by as much, so that it has a slope."""


@dataclass(frozen=True, slots=True)
class Cure:
    """The least change found of one way.

    Attributes:
        way: one of `WAYS`.
        chosen: the changed design; None where none was found that is acceptable.
        change_mm: how much it changes, as the head of this module says.
        outside: variables that the study does not allow there.
        tried: False where the study frees nothing of it.
    """

    way: str
    chosen: Chosen | None
    change_mm: float = np.inf
    outside: tuple[str, ...] = ()
    tried: bool = True


def outside_of(problem: Problem, design: Designs, *, bare: bool) -> tuple[str, ...]:
    """Variables of a design (a batch of one) whose values a study's `[search.vary]` lacks.

    A car without a rack has no spacers, whatever the study wants of them.
    """
    found = []
    for name in problem.variables:
        choice, value = problem.space[name], float(design.column(name)[0])
        if isinstance(choice, FollowsRack):
            nearest = float(design.column(HEIGHT)[0]) + choice.offset_mm
        else:
            nearest = value if allows(choice, value) else float(nearest_allowed(choice, value))
        if abs(value - nearest) > SAME and not (bare and name == "spacer_mm"):
            found.append(name)
    return tuple(found)


def cures(old: Chosen, thickest_mm: float, *, bare: bool) -> tuple[Cure, ...]:
    """Every way for a design that is not acceptable, or that the study does not allow.

    Args:
        old: the design, in the study that it is judged by.
        thickest_mm: of shims under the rack.
        bare: no rack is known, and so no spacers.
    """
    ways = (way for way in WAYS if not (bare and way == SPACER))
    found = [cure_by(old, way, thickest_mm, bare=bare) for way in ways]
    # What fewer changes come to is open to more of them, and may be less once rounded.
    best = min((c for c in found if not c.outside), key=lambda cure: cure.change_mm, default=None)
    if best is not None and best.change_mm < found[-1].change_mm:
        found[-1] = replace(best, way=ANY)
    return tuple(found)


def cheapest(found: tuple[Cure, ...]) -> Cure | None:
    """The first way that cures it within the study's ranges, else the first that does."""
    there = [cure for cure in found if cure.chosen is not None]
    return next((cure for cure in there if not cure.outside), there[0] if there else None)


def change_mm(problem: Problem, designs: Designs, old: Designs, rounding_mm: float = 0.0) -> Array:
    """How much designs (N,) differ from one, mm; the head of this module says how."""
    names = (*_RACK, "spacer_mm")
    far = {name: designs.column(name) - old.column(name) for name in names}
    joint, before = _outer_joint(problem, designs), _outer_joint(problem, old)
    total = np.abs(far["spacer_mm"])
    for square in (
        np.sum((joint - before) ** 2, axis=-1),
        far[HEIGHT] ** 2 + far["rack_fore_aft_mm"] ** 2,
    ):
        total = total + np.sqrt(square + rounding_mm**2) - rounding_mm
    return np.asarray(total)


def _outer_joint(problem: Problem, designs: Designs) -> Array:
    return place_outer_joint(
        problem.points,
        designs.column("arm_length_mm"),
        designs.column("arm_height_mm"),
        np.radians(designs.column("arm_angle_deg")),
        problem.arm_ahead,
    )


# --- one way -------------------------------------------------------------------------------------


def cure_by(old: Chosen, way: str, thickest_mm: float, *, bare: bool) -> Cure:
    """The least change found of one way; see `cures`."""
    problem, here = old.problem, old.design
    space = _space(problem, here, way, thickest_mm)
    if bare:
        space["spacer_mm"] = Stock((0.0,))
    freed = [space[name] for name in FREED[way]]
    if all(isinstance(choice, Stock) and len(choice.values) == 1 for choice in freed):
        return Cure(way, None, tried=False)
    asked = replace(problem.as_limits, space=space)
    designs = Designs.join(list(_starts(space, problem.variables, here)))
    for steps, kept in ((FIRST_STEPS, KEPT), (LAST_STEPS, 1)):
        ends = follow(
            asked, designs, partial(_Least, old=here), np.ones(1), steps=steps, tolerance=TOLERANCE
        )
        if len(ends.kept):
            designs = ends.designs.select(ends.kept[:kept])
    if not len(ends.kept):
        return Cure(way, None)
    best = _rounded(asked, here, designs)
    chosen = replace(old, label=f"{old.label}, {way}", design=best, outcome=problem.evaluate(best))
    change = float(change_mm(problem, best, here)[0])
    if change <= SAME:  # acceptable as it is, and not allowed for something else
        return Cure(way, None)
    return Cure(way, chosen, change, outside_of(problem, best, bare=bare))


def _space(problem: Problem, here: Designs, way: str, thickest_mm: float) -> dict[str, Choice]:
    """What each variable may be: of a way what the study allows, of all others what it is."""
    space: dict[str, Choice] = {}
    for name in problem.variables:
        value = float(here.column(name)[0])
        choice = problem.space[name]
        if name not in FREED[way] or (isinstance(choice, FollowsRack) and way != ANY):
            space[name] = Stock((value,))
        elif way == SHIM:
            space[name] = _shims(choice, value, thickest_mm)
        else:
            space[name] = choice
    return space


def _shims(choice: Choice, value: float, thickest_mm: float) -> Choice:
    """Heights that shims reach, within the study's range where that is so near."""
    low, high = value - thickest_mm, value + thickest_mm
    if isinstance(choice, Range) and max(low, choice.low) < min(high, choice.high):
        low, high = max(low, choice.low), min(high, choice.high)
    return Range(low, high)


def _starts(
    space: dict[str, Choice], variables: tuple[str, ...], here: Designs
) -> Iterator[Designs]:
    """The design brought into the space, and designs from anywhere in it, of each combination."""
    stock = {
        name: sorted(c.values, key=partial(_distance, float(here.column(name)[0])))
        for name, c in space.items()
        if isinstance(c, Stock)
    }
    ranges = {name: c for name, c in space.items() if isinstance(c, Range)}
    rng = np.random.default_rng(0)
    for held in itertools.islice(itertools.product(*stock.values()), MOST_COMBINATIONS):
        count = STARTS if ranges else 1
        values = np.repeat(here.values, count, axis=0)
        for name, value in zip(stock, held, strict=True):
            values[:, variables.index(name)] = value
        for name, choice in ranges.items():
            column = variables.index(name)
            values[0, column] = nearest_allowed(choice, here.values[0, column])
            # Strata, so that one variable alone is looked at all along its range.
            share = (rng.permutation(count - 1) + 0.5) / (count - 1)
            values[1:, column] = choice.low + share * (choice.high - choice.low)
        height = space["arm_height_mm"]
        if isinstance(height, FollowsRack):
            follows = values[:, variables.index(HEIGHT)] + height.offset_mm
            values[:, variables.index("arm_height_mm")] = follows
        yield Designs(np.repeat(here.rack, count), values)


def _distance(value: float, other: float) -> float:
    return abs(other - value)


class _Placed(Model):
    """Residuals with the variables alone free: what may move of the suspension stays as it is."""

    def __init__(self, problem: Problem) -> None:
        super().__init__(problem)
        count = sum(column < len(problem.variables) for column in self.columns)
        self.columns = self.columns[:count]
        self.low, self.high = self.low[:count], self.high[:count]


class _Least(_Placed):
    """Residuals of the change from a design alone, with the problem's limits."""

    def __init__(self, problem: Problem, old: Designs) -> None:
        super().__init__(problem)
        self.plain, self.old = _Placed(problem), old
        self.kinds = ("value",)

    def table(self, scaled: Array, like: Designs) -> Table:
        """Evaluate designs."""
        found = self.plain.table(scaled, like)
        change = change_mm(self.problem, found.like, self.old, _ROUNDING_MM)[:, None] + _BASE_MM
        change[~np.isfinite(found.objectives).all(axis=1)] = np.nan
        after = self.plain.parts[len(self.plain.kinds) :]
        rows = [change, *(found.rows[:, part] for part in after)]
        return Table(
            found.scaled,
            found.like,
            self.stacked(rows),
            change,
            found.limits,
            found.feasible,
        )


def _rounded(asked: Problem, here: Designs, best: Designs) -> Designs:
    """The same with what is changed, changed by tenths or hundredths where one of these does.

    Of all ways to round up or down it is the least change; else of some steps further off.
    """
    by = (best.values - here.values)[0]
    free = [
        column
        for column, name in enumerate(asked.variables)
        if abs(by[column]) > SAME and isinstance(asked.space[name], Range)
    ]
    ways = np.array(list(itertools.product((0.0, 1.0), repeat=len(free))))
    about = np.random.default_rng(0).integers(1 - _FAR, _FAR, (_TRIED, len(free)), endpoint=True)
    for added, parts in itertools.product((ways, about), _PARTS):
        tried = _steps(asked, here, best, free, parts, added)
        inside = np.ones(len(tried), dtype=bool)
        for column in free:
            inside &= allows(asked.space[asked.variables[column]], tried.values[:, column])
        tried = tried.select(np.flatnonzero(inside))
        good = np.flatnonzero(asked.evaluate(tried).feasible)
        if len(good):
            least = int(good[np.argmin(change_mm(asked, tried.select(good), here))])
            return tried.select(slice(least, least + 1))
    return best


def _steps(
    asked: Problem,
    here: Designs,
    best: Designs,
    free: list[int],
    parts: float,
    added: Array,
) -> Designs:
    """Steps from a design to another rounded to so many parts of a millimetre.

    Each is rounded down, and then `added` (N, free) of these parts.
    """
    by = (best.values - here.values)[0, free]
    values = np.repeat(best.values, len(added), axis=0)
    values[:, free] = here.values[0, free] + (np.floor(by * parts) + added) / parts
    if isinstance(height := asked.space["arm_height_mm"], FollowsRack):
        at = asked.variables.index("arm_height_mm")
        values[:, at] = values[:, asked.variables.index(HEIGHT)] + height.offset_mm
    return Designs(np.repeat(best.rack, len(values)), values)
