"""Where nothing within the boxes helps: what each limit, band or box alone would have to be.

One is set free and made as small as it goes, everything else kept: so much of it alone makes the
rack acceptable. What is not reached with it free is not cured by it alone.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from optimiser.base.farthest import farthest_points
from optimiser.evaluation.clearance.moved import MOVED_PAIR
from optimiser.evaluation.designs import Designs
from optimiser.evaluation.moves import DIRECTIONS, MOVED_CLEARANCE
from optimiser.evaluation.quantities import is_pair
from optimiser.questions.adapt.asked import Tightened, suspension_of
from optimiser.search.least_distance import LeastDistance
from optimiser.search.linear_steps import fit
from optimiser.search.residuals import Model, Table

if TYPE_CHECKING:
    from collections.abc import Iterator

    from optimiser.evaluation.problem import Problem
    from optimiser.linkage.vectors import Array
    from optimiser.questions.adapt.ways import Search

_STARTS, _STEPS = 4, 25
_NEAR = 1e-3
"""What a limit is kept by, scaled, that still binds; a share of a box likewise."""
_WIDE = 4.0
"""How much wider a box is when it is set free."""
_ABOVE = 100.0
"""Added to what is made small, so that its price of breaking limits is never small."""
_PENALTY = 50.0
_CHECKS, _MORE = 4, 1.1
"""Times that the finer travel is looked at; margins are taken so much more than it breaks."""


@dataclass(frozen=True, slots=True)
class Cure:
    """A limit, band or box that alone makes a rack acceptable.

    Attributes:
        name: constraint, or 'ENTRY DIRECTION' of a box.
        box: whether it is a box.
        now: what the study says, in the unit of the key; NaN where a rack's own travel ends.
        least: what it would have to be at least, or of what is to be at least so much at most.
        over: by how much that is beyond what the study says, in its own unit.
        pair: of clearance the two parts, by their column, or in words where many are told apart.
    """

    name: str
    box: bool
    now: float
    least: float
    over: float
    pair: str = ""


def cures(search: Search, finer: Problem) -> list[Cure]:
    """What stands in the way of a rack alone, the least first as a share of what the study says.

    Empty where nothing assembles, and where nothing alone would do. Each is one over the travel of
    `finer` too.
    """
    starts = _starts(search)
    if starts is None:
        return []
    found = [*_limits(search.problem, finer, starts), *_boxes(search.problem, finer, starts)]
    return sorted(found, key=lambda one: one.over / max(abs(one.now), 1.0))


def _starts(search: Search) -> Designs | None:
    """Unlike ends of walks that break limits least."""
    tables = [table for _, table in search.ends]
    if not tables:
        return None
    excess = np.array([float(np.maximum(t.limits, 0.0).sum()) for t in tables])
    order = np.argsort(excess, kind="stable")[: 4 * _STARTS]
    chosen = order[farthest_points(np.concatenate([tables[i].scaled for i in order]), _STARTS)]
    return Designs.join(
        [search.model.designs(tables[i].scaled, tables[i].like) for i in np.unique(chosen)]
    )


class _Relaxed(Model):
    """One limit's rows, or the size of one move, made small, all other limits kept."""

    def __init__(
        self, problem: Problem, limit: int | None, move: int | None, margin: Array
    ) -> None:
        super().__init__(problem)
        self.plain = Tightened(problem, margin)
        self.limit, self.move = limit, move
        self.kinds = ("value",)

    def table(self, scaled: Array, like: Designs) -> Table:
        """Evaluate designs."""
        found = self.plain.table(scaled, like)
        limits = list(self.plain.parts[len(self.plain.kinds) :])
        if self.limit is not None:
            rows = found.rows[:, limits.pop(self.limit)]
        else:
            moves = self.problem.moves(self.designs(scaled, like))[:, self.move :][:, :1]
            rows = np.concatenate([moves, -moves], axis=1)
        rows = np.where(np.isfinite(found.objectives[:, :1]), rows + _ABOVE, np.nan)
        kept = found.limits if self.limit is None else np.delete(found.limits, self.limit, axis=1)
        return Table(
            found.scaled,
            found.like,
            self.stacked([rows, *(found.rows[:, part] for part in limits)]),
            rows.max(axis=1, keepdims=True),
            kept,
            np.asarray((kept <= 0.0).all(axis=1)),
        )


def _least(
    problem: Problem, finer: Problem, starts: Designs, limit: int | None, move: int | None
) -> Designs | None:
    """The design of the least of it that keeps everything else; None where there is none.

    Other limits are kept by margins where the finer travel breaks them.
    """
    margin = np.zeros(len(problem.constraint_names))
    for _ in range(_CHECKS):
        design = _least_of(_Relaxed(problem, limit, move, margin), starts)
        if design is None:
            return None
        over = np.maximum(finer.evaluate(design).scaled_constraints[0], 0.0)
        if limit is not None:
            over[limit] = 0.0
        if not over.any():
            return design
        margin, starts = margin + _MORE * over, design
    return None


def _least_of(model: _Relaxed, starts: Designs) -> Designs | None:
    table = model.table(model.scaled(starts), starts)
    there = np.flatnonzero(np.isfinite(table.objectives).all(axis=1))
    if not len(there):
        return None
    ray = np.ones((len(there), 1))
    ends = fit(
        model,
        table.select(there),
        ray,
        steps=_STEPS,
        tolerance=1e-7,
        penalty=_PENALTY,
        programme=LeastDistance,
    ).table
    good = np.flatnonzero(ends.feasible)
    if not len(good):
        return None
    best = ends.select(good[[np.argmin(ends.objectives[good, 0])]])
    return model.designs(best.scaled, best.like)


def _limits(problem: Problem, finer: Problem, starts: Designs) -> Iterator[Cure]:
    outcome = problem.evaluate(starts)
    binding = (outcome.scaled_constraints > -_NEAR).any(axis=0)
    for number in np.flatnonzero(binding).tolist():
        design = _least(problem, finer, starts, number, None)
        if design is None:
            continue
        name = problem.constraint_names[number]
        over = float(finer.evaluate(design).constraints[0, number])
        if over <= 0.0:
            continue
        now, sign = _asked(problem, name, int(starts.rack[0]))
        yield Cure(name, False, now, now + sign * over, over, _pair(problem, name, design))


def _asked(problem: Problem, name: str, rack: int) -> tuple[float, float]:
    """What the study says of a limit, and whether more (1) or less (-1) of it breaks it less."""
    limits, suspension = problem.limits, suspension_of(problem)
    if name in problem.bounds:
        bound = problem.bounds[name]
        if bound.most is not None:
            return bound.most, 1.0
        return (bound.least or 0.0), -1.0
    if name in suspension.bands():
        return suspension.bands()[name], 1.0
    if name in ("clearance_mm", MOVED_CLEARANCE):
        return limits.clearance_mm or 0.0, -1.0
    if name == "toggle_margin_deg":
        return float(np.degrees(limits.toggle_margin or 0.0)), -1.0
    if name == "inner_joint_angle_deg":
        return float(problem.inner_joint_limits_deg[rack]), 1.0
    if name == "outer_joint_angle_deg":
        return float(np.degrees(limits.outer_joint_angle or 0.0)), 1.0
    # The rack's travel: over either way, of the whole twice as much.
    return problem.racks[rack].travel_each_way_mm, 1.0


def _pair(problem: Problem, name: str, design: Designs) -> str:
    """The two parts that come nearest, where clearance is what is broken."""
    if name not in ("clearance_mm", MOVED_CLEARANCE):
        return ""
    outcome = problem.evaluate(design)
    if name == "clearance_mm" and outcome.closest:
        return str(outcome.closest["closest_1_pair"][0])
    metrics = outcome.metrics
    mine = is_pair if name == "clearance_mm" else _is_moved_pair
    pairs = {one: float(values[0]) for one, values in metrics.items() if mine(one)}
    return min(pairs, key=lambda one: np.nan_to_num(pairs[one], nan=np.inf), default="")


def _is_moved_pair(name: str) -> bool:
    return name.startswith(MOVED_PAIR) and name != MOVED_CLEARANCE


def _boxes(problem: Problem, finer: Problem, starts: Designs) -> Iterator[Cure]:
    suspension = suspension_of(problem)
    at_end = (np.abs(problem.moves(starts)) > (1.0 - _NEAR) * suspension.room_mm).any(axis=0)
    for column in np.flatnonzero(at_end).tolist():
        number, axis = suspension.columns[column]
        mover = suspension.movers[number]
        box = list(mover.box_mm)
        now = box[axis]
        box[axis] *= _WIDE
        movers = list(suspension.movers)
        movers[number] = replace(mover, box_mm=(box[0], box[1], box[2]))
        wide, wider = (
            replace(one, suspension=replace(suspension_of(one), movers=tuple(movers)))
            for one in (problem, finer)
        )
        design = _least(wide, wider, starts, None, column)
        if design is None:
            continue
        least = abs(float(problem.moves(design)[0, column]))
        if least > now:
            name = f"{mover.name} {DIRECTIONS[axis]}"
            yield Cure(name, True, now, least, least - now)
