"""Refinement of what a search found: the last digit, and a front without gaps.

    F_2 |x      1  screen   many different starts along a few rays: the best basin for each part
        | .     2  sweep    rays spread between the ends of the front, each from the best start
        |  x..  3  gaps     rays into the widest gaps, started between their two ends (of a curve)
        |     'x......x     4  fill: designs between neighbours, which nearly lie on the front

Bounds and limits are kept exactly; rack and stock values are held. `linear_steps` does the fitting.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING

import numpy as np

from optimiser.base.farthest import farthest_points
from optimiser.base.front import feasible_front
from optimiser.evaluation.designs import Designs
from optimiser.evaluation.moves import MOVED_MM
from optimiser.search.gaps import widest_gaps
from optimiser.search.linear_steps import fit
from optimiser.search.progress import REFERENCE_RATIO
from optimiser.search.residuals import Model
from optimiser.search.starts import follow_starts

if TYPE_CHECKING:
    from collections.abc import Sequence

    from optimiser.evaluation.designs import Evaluation
    from optimiser.evaluation.problem import Problem
    from optimiser.linkage.vectors import Array
    from optimiser.search.residuals import Indices, Mask, Table

_SURFACE_RAYS, _SURFACE_STEPS, _SURFACE_FILL = 3, 3, 2
"""With three or four objectives a front is a surface, and has more gaps: one round of so many times
the rays and fewer steps each, and so many times the designs between neighbours. On three
problems with the force in the tie rod the two gain 1.5 times what as many designs between
neighbours do, or more: bump steer vanishes along a curved valley, which a straight line leaves.
With bump steer at part lock it is 0.86 to 2.7 times."""

_OF_ROOM = 0.1
"""Share of what all moves together come to that change is measured in."""

CLOSED = 3e-4
"""Share of the hypervolume's box below which gaps in a front are not worth more rays."""

EMPHASES = (0.01, 0.05, 0.15, 0.45)
"""How far the rays of the screening lean towards one objective: to its end, and part of the way."""


@dataclass(frozen=True, slots=True)
class RefineSettings:
    """How much work refinement does.

    Attributes:
        starts: designs from which each ray of the screening is followed; one more with three or
            four objectives.
        independent: follow independent starts by the winner's rule first.
        rays: rays of the sweep, about; more with three or four objectives.
        gap_rounds: rounds of rays into gaps, each of half as many rays; with three or four
            objectives one round of more rays.
        fill: designs placed between neighbours on the front; more with three or four objectives.
    """

    starts: int = 2
    independent: bool = True
    rays: int = 12
    gap_rounds: int = 3
    fill: int = 100


AS_BUILT = RefineSettings(starts=1, rays=6, gap_rounds=1, fill=50)
"""For cars built to tolerances, whose percentile is dear and not known to the last digit."""

TOUCH_UP = RefineSettings(starts=1, independent=False, rays=6, gap_rounds=1)
"""For a front that was refined before the last search: the same gain at a third of the work."""


@dataclass(frozen=True, slots=True)
class Given:
    """Designs of one rack to refine.

    Attributes:
        designs: N designs.
        evaluation: of these designs.
        candidates: more designs of the rack with their evaluation, among which independent starts
            are looked for; None takes `designs`.
    """

    designs: Designs
    evaluation: Evaluation
    candidates: tuple[Designs, Evaluation] | None = None


@dataclass(frozen=True, slots=True)
class Refined:
    """Refined designs.

    Attributes:
        designs: those that no other one, refined or given, dominates; when none keeps the limits,
            the ones that come nearest; then the best of each combination of stock values.
        starts: how many independent starts came to each design, (K,); 0 of most.
        evaluated: designs evaluated to find them, of all racks that were refined together.
    """

    designs: Designs
    starts: Indices
    evaluated: int


def refine(
    problem: Problem,
    designs: Designs,
    evaluation: Evaluation,
    settings: RefineSettings | None = None,
) -> Refined:
    """Refine N designs of one rack; `settings` says how much work, the defaults when None."""
    return refine_together(problem, [Given(designs, evaluation)], settings)[0]


def refine_together(
    problem: Problem, given: Sequence[Given], settings: RefineSettings | None = None
) -> list[Refined]:
    """Refine designs of several racks at once, since many designs cost little more than a few.

    What a rack comes to does not depend on the racks beside it.
    """
    settings = settings or RefineSettings()
    model = Model(problem)
    known = {
        number: _Known(model, part)
        for number, part in enumerate(given)
        if part.evaluation.assembles.any() and len(model.columns)
    }
    if known:
        _refine(list(known.values()), settings)
    none = Refined(given[0].designs.select(slice(0, 0)), np.empty(0, np.intp), 0)
    return [known[number].answer() if number in known else none for number in range(len(given))]


def _refine(known: list[_Known], settings: RefineSettings) -> None:
    """All stages; each follows the rays of all racks in one call."""
    if settings.independent:
        _follow_starts(known)
    _follow(known, [_screen(one, settings) for one in known], 6, 1e-2)
    _follow(known, [_sweep(one, settings) for one in known], 12, 1e-6)
    gap_rays, steps, rounds, fill = settings.rays // 2, 6, settings.gap_rounds, settings.fill
    if known[0].objectives.shape[1] > 2:
        gap_rays, steps, rounds = _SURFACE_RAYS * gap_rays, _SURFACE_STEPS, min(1, rounds)
        fill *= _SURFACE_FILL
    for _ in range(rounds):
        _bridge([one for one in known if one.gaps() > CLOSED], gap_rays, steps)
    _add(known, [_fill(one, fill) for one in known])


class _Known:
    """Given designs and refined ones of one rack: what rays start from, and what comes out."""

    def __init__(self, model: Model, given: Given) -> None:
        usable = np.flatnonzero(given.evaluation.assembles)
        designs, evaluation = given.designs.select(usable), given.evaluation.select(usable)
        self.model, self.given = model, len(designs)
        self.candidates = given.candidates or (designs, evaluation)
        self.scale = _scales(model.problem, evaluation)
        self.scaled, self.designs = model.scaled(designs), designs
        self.objectives = evaluation.objectives
        self.excess = np.maximum(evaluation.scaled_constraints, 0.0).sum(axis=1)
        self.feasible = evaluation.feasible
        self.starts = np.zeros(len(designs), dtype=np.intp)

    def add(self, table: Table, starts: Indices | None = None) -> None:
        """Take refined designs, and how many independent starts came to each."""
        there = np.flatnonzero(np.isfinite(table.objectives).all(axis=1))
        starts = np.zeros(len(table), dtype=np.intp) if starts is None else starts
        table, starts = table.select(there), starts[there]
        self.scaled = np.concatenate([self.scaled, table.scaled])
        self.designs = Designs.join([self.designs, self.model.designs(table.scaled, table.like)])
        self.objectives = np.concatenate([self.objectives, table.objectives])
        self.excess = np.concatenate([self.excess, np.maximum(table.limits, 0.0).sum(axis=1)])
        self.feasible = np.concatenate([self.feasible, table.feasible])
        self.starts = np.concatenate([self.starts, starts])

    def levels(self, rays: Array) -> Array:
        """Level of every design along every ray, (rays, N); infeasible ones behind all others."""
        level = np.max(self.objectives / rays[:, None, :], axis=2)
        worst = np.max(level, axis=1, keepdims=True, initial=0.0)
        return np.asarray(np.where(self.feasible, level, worst * (1.0 + self.excess)))

    def front(self) -> Indices:
        """Rows of the feasible front."""
        return feasible_front(self.objectives, self.feasible)

    def gaps(self) -> float:
        """All that designs between neighbours on the front could gain, as a share of the box."""
        shares = np.minimum(self.objectives[self.front()] / self.scale, REFERENCE_RATIO)
        return float(neighbours(shares)[2].sum()) / REFERENCE_RATIO**2 if len(shares) > 1 else 0.0

    def answer(self) -> Refined:
        """Refined designs worth telling."""
        front = self.front()
        refined = np.arange(self.given, len(self.designs))
        if len(front):
            worth = front[front >= self.given]
        else:
            best = refined[np.argsort(self.excess[refined], kind="stable")[:10]]
            worth = best[self.excess[best] < self.excess[: self.given].min()]
        ends = refined[self.starts[refined] > 0]
        rows = np.concatenate([worth, np.setdiff1d(ends, worth)])
        return Refined(self.designs.select(rows), self.starts[rows], self.model.evaluated)


def _follow_starts(known: list[_Known]) -> None:
    """Independent starts of every rack, by the rule that the winner is chosen by."""
    candidates = [one.candidates for one in known]
    for one, ends in zip(known, follow_starts(known[0].model, candidates), strict=True):
        one.add(ends.table, ends.starts)


Rays = tuple["Indices", "Array"]
"""Rows of designs to start from, and a ray (m,) for each."""


def _follow(known: list[_Known], rays: list[Rays], steps: int, tolerance: float) -> None:
    """Follow the rays of every rack, each from one design."""
    if not known:
        return
    model = known[0].model
    sizes = [len(rows) for rows, _ in rays]
    if not sum(sizes):
        return
    scaled = np.concatenate([one.scaled[rows] for one, (rows, _) in zip(known, rays, strict=True)])
    like = [one.designs.select(rows) for one, (rows, _) in zip(known, rays, strict=True)]
    owner = np.repeat(np.arange(len(known)), sizes)
    start = model.table(scaled, Designs.join(like))
    there = np.flatnonzero(np.isfinite(start.objectives).all(axis=1))
    wanted = np.concatenate([ray for _, ray in rays])[there]
    found = fit(model, start.select(there), wanted, steps=steps, tolerance=tolerance).table
    for number, one in enumerate(known):
        one.add(found.select(np.flatnonzero(owner[there] == number)))


def _add(known: list[_Known], places: list[tuple[Array, Designs]]) -> None:
    """Evaluate designs of every rack: continuous variables, and the designs they are like."""
    sizes = [len(scaled) for scaled, _ in places]
    if not sum(sizes):
        return
    table = known[0].model.table(
        np.concatenate([scaled for scaled, _ in places]),
        Designs.join([like for _, like in places]),
    )
    for one, rows in zip(
        known, np.split(np.arange(len(table)), np.cumsum(sizes)[:-1]), strict=True
    ):
        one.add(table.select(rows))


def _scales(problem: Problem, evaluation: Evaluation) -> Array:
    """What each objective is measured in: what is acceptable, else the median found."""
    scale = np.median(evaluation.objectives, axis=0)
    scale[:2] = problem.acceptable
    if problem.suspension is not None and MOVED_MM in problem.objectives.extra:
        # Of seeds that move nothing the median is none: some of what may move.
        room = problem.suspension.moved_mm(problem.suspension.room_mm)
        scale[problem.objectives.names.index(MOVED_MM)] = _OF_ROOM * float(room)
    return np.asarray(np.maximum(scale, 1e-9))


# --- stages --------------------------------------------------------------------------------------


def _screen(known: _Known, settings: RefineSettings) -> Rays:
    """Rays to the ends of the front and to the middle, each from several different starts."""
    count = known.objectives.shape[1]
    leaning = [1.0 - (1.0 - emphasis) * np.eye(count) for emphasis in EMPHASES]
    rays = np.concatenate([np.ones((1, count)), *leaning]) * known.scale
    rows, chosen = [], []
    for number, level in enumerate(known.levels(rays)):
        starts = _apart(known, level, settings.starts + (count > 2))
        rows.append(starts)
        chosen.append(np.full(len(starts), number))
    return np.concatenate(rows), rays[np.concatenate(chosen)]


def _apart(known: _Known, level: Array, count: int) -> Indices:
    """The best design, and others far from it and from each other among the better half."""
    order = np.argsort(level, kind="stable")
    half = order[: max(count, len(order) // 2)]
    return half[farthest_points(_places(known, half), count)]


def _places(known: _Known, rows: Indices) -> Array:
    """Variables of designs as shares of the ranges that the designs span, stock values too."""
    values = known.designs.values[rows]
    low, high = values.min(axis=0), values.max(axis=0)
    return np.asarray((values - low) / np.where(high > low, high - low, 1.0))


def _sweep(known: _Known, settings: RefineSettings) -> Rays:
    """Rays spread evenly, in the logarithm, between the ends of the front.

    With three or four objectives also rays along its edges, which leave an objective out: every
    other ray bounds all, and the front of two of them alone would not be reached.
    """
    front = known.front()
    if not len(front):
        front = np.argsort(known.excess, kind="stable")[:1]
    values = np.maximum(known.objectives[front], 1e-3 * known.scale)
    count = values.shape[1]
    ends = np.log(values[np.argmin(values, axis=0)])
    mix = _simplex(count, settings.rays)
    rays = np.exp(mix @ ends)
    edges = (mix == 0.0).any(axis=1) & ((mix > 0.0).sum(axis=1) > 1)
    along = np.where(mix[edges] > 0.0, rays[edges], np.inf)
    ray = known.model.problem.ray
    middle = np.where(np.isfinite(ray), ray, known.scale)
    rays = np.concatenate([middle[None, :], rays, along])
    return np.argmin(known.levels(rays), axis=1), rays


def _simplex(corners: int, least: int) -> Array:
    """Evenly spread shares of unit sum, (at least `least`, corners).

    Das and Dennis, 1998 (from memory).
    """
    parts = 1
    while True:
        rows = [
            (*share, parts - sum(share))
            for share in product(range(parts + 1), repeat=corners - 1)
            if sum(share) <= parts
        ]
        if len(rows) >= least:
            return np.array(rows, dtype=float) / parts
        parts += 1


def neighbours(values: Array) -> tuple[Indices, Indices, Array]:
    """Neighbours on a front (n, k), by rising first value, and the gaps between, largest first.

    Two objectives: the area of the rectangle between the two, all that a design there could gain.
    More: the distance, for each design and the three nearest to it.
    """
    if values.shape[1] == 2:
        first = np.arange(len(values) - 1)
        second = first + 1
        size = np.abs(np.prod(values[second] - values[first], axis=1))
    else:
        distance = np.linalg.norm(values[:, None, :] - values[None, :, :], axis=2)
        np.fill_diagonal(distance, np.inf)
        near = np.argsort(distance, axis=1, kind="stable")[:, : min(3, len(values) - 1)]
        links = {tuple(sorted((a, int(b)))) for a, row in enumerate(near) for b in row}
        index = np.array(sorted(links), dtype=np.intp)
        first, second = index[:, 0], index[:, 1]
        size = distance[first, second]
    order = np.argsort(-size, kind="stable")
    return first[order], second[order], size[order]


def parts_of(size: Array, count: int) -> Indices:
    """Parts into which designs cut gaps (n,), so that the sum of size over parts is least."""
    parts = np.ones(len(size), dtype=np.intp)
    for _ in range(count):
        # With one more design in it, a gap of n parts loses this much of its size.
        parts[np.argmax(size * (1.0 / parts - 1.0 / (parts + 1)))] += 1
    return parts


def _pairs(known: _Known) -> tuple[Indices, Indices, Array]:
    """Rows of neighbours on the front, and the gaps between in shares of what is acceptable."""
    front = known.front()
    if len(front) < 2:
        return front[:0], front[:0], np.empty(0)
    first, second, size = neighbours(known.objectives[front] / known.scale)
    return front[first], front[second], size


def _alike(known: _Known, first: Indices, second: Indices) -> Mask:
    """Pairs that differ in continuous variables only."""
    values = known.designs.values[:, known.model.held]
    return np.asarray((values[first] == values[second]).all(axis=1))


def _bridge(known: list[_Known], count: int, steps: int) -> None:
    """Rays into the widest gaps, started half way between their two ends where that is better."""
    gaps = [_widest(one, count) for one in known]
    rays = [_into_gaps(one, *ends) for one, ends in zip(known, gaps, strict=True)]
    _add(known, [_half_way(one, *ends) for one, ends in zip(known, gaps, strict=True)])
    starts = [np.argmin(one.levels(ray), axis=1) for one, ray in zip(known, rays, strict=True)]
    _follow(known, list(zip(starts, rays, strict=True)), steps, 1e-6)


def _widest(known: _Known, count: int) -> tuple[Indices, Indices]:
    """Rows at the two ends of the widest gaps in the front."""
    if known.objectives.shape[1] == 2:
        first, second, _ = _pairs(known)
        return first[:count], second[:count]
    front = known.front()
    far = REFERENCE_RATIO * known.model.problem.ray
    front = front[(known.objectives[front] < far).all(axis=1)]
    values = known.objectives[front]
    # The box of a further objective ends at the front's own worst, which may come long before.
    reference = far.copy()
    reference[2:] = np.minimum(far[2:], np.max(values[:, 2:], axis=0, initial=0.0))
    first, second = widest_gaps(values, reference, count)
    return front[first], front[second]


def _into_gaps(known: _Known, first: Indices, second: Indices) -> Array:
    rays = 0.5 * (known.objectives[first] + known.objectives[second])
    return np.asarray(np.maximum(rays, 1e-3 * known.scale))


def _half_way(known: _Known, first: Indices, second: Indices) -> tuple[Array, Designs]:
    alike = np.flatnonzero(_alike(known, first, second))
    half = 0.5 * (known.scaled[first[alike]] + known.scaled[second[alike]])
    return half, known.designs.select(first[alike])


def _fill(known: _Known, count: int) -> tuple[Array, Designs]:
    """Designs between neighbours, more of them in wider gaps."""
    first, second, size = _pairs(known)
    alike = _alike(known, first, second)
    first, second, size = first[alike], second[alike], size[alike]
    parts = parts_of(size, count if len(size) else 0)
    pair = np.repeat(np.arange(len(first)), parts - 1)
    shares = [np.arange(1, n) / n for n in parts]
    share = np.concatenate(shares)[:, None] if shares else np.empty((0, 1))
    scaled = (1.0 - share) * known.scaled[first[pair]] + share * known.scaled[second[pair]]
    return scaled, known.designs.select(first[pair])
