"""Break-even of what is bought: with which spacing, spacers and travel a rack is acceptable.

    candidates   designs by geometry for every inner-joint distance, and some of the run's own
    starts       of each question and shape a few of them, far apart
    walk         a few steps of all; the best that differ to their end, the least or greatest number
    shift        the same distance of inner joints with other spacers is another start
    clearance    the same again with it, from the ends without it and from candidates that keep it
    gaps         between the ends numbers are tried; where none is acceptable, the edges of the gap

All racks, numbers and directions are one batch. `stretched` says what is made small. A *shape* is
a combination of the stock values, those of spacers apart.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from optimiser.base.farthest import farthest_points
from optimiser.evaluation.designs import Designs, Range, Stock
from optimiser.search.linear_steps import fit
from optimiser.search.residuals import Table
from optimiser.search.seeds import seed_designs
from optimiser.search.stretched import (
    GREATEST,
    LEAST,
    NUMBERS,
    SANE,
    SPACER,
    Questions,
    Stretched,
    broken,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from optimiser.evaluation.designs import Evaluation
    from optimiser.evaluation.problem import Problem
    from optimiser.linkage.vectors import Array
    from optimiser.search.linear_steps import Fits
    from optimiser.search.stretched import Number

    Indices = NDArray[np.intp]
    Mask = NDArray[np.bool_]

SPACING, SPACERS, TRAVEL = range(len(NUMBERS))
SEEDS, OWN = 300, 40
"""Designs by geometry that are looked at, and of the run's own, of each rack."""
STARTS, SHAPES = 3, 12
"""Starts of each question, and shapes that are followed at the most."""
FIRST, LAST = ((4, 3), (6, 2)), ((6, 2), (6, 1), (10, 1))
"""Steps of a walk, and how many of the ends of each question and shape then go on; the spacers
join the spacing and the travel for the last ones."""
WINDOWS = 8
"""Parts of the way between the ends that are looked into for gaps; narrower ones may be missed."""
KEPT_BESIDE = 2
LOOKS = (0, 0, 6, 16)
"""Steps of the walks of each look into windows that are empty still."""
ACTIVE, ACTIVE_MM = 2e-3, 0.05
"""A limit, and a pair of parts, of which no more is left stops an end."""
SAME_MM = 0.5
"""Ends of the first steps that are as near to each other are followed as one."""
TRUST, TOLERANCE = 0.15, 5e-5
WORTH_MM = 60.0
"""So many millimetres nearer to the end are worth a limit that is broken once over in a start."""
BROKEN_MM = 1000.0
"""The same of an end, where what is broken is little."""
LOOKED_AT = 30
"""Candidates of each question that are looked at again with more limits."""
SHARES = (1.001, 1.4, 1.8)
"""Travel of candidates, over what the lock needs."""


# --- what walks begin with -----------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Pool:
    """Candidates: designs that have a question's code for a rack, and the number of each."""

    designs: Designs
    number: Array

    @classmethod
    def of(cls, values: Array, number: Array, rack: int, which: int) -> Pool:
        """Designs of one rack and number."""
        code = Questions.of(rack, which, LEAST).code
        return cls(Designs(np.repeat(code, len(values)), values), number)

    @classmethod
    def join(cls, parts: list[Pool]) -> Pool:
        """One batch after another."""
        return cls(
            Designs.join([part.designs for part in parts]),
            np.concatenate([part.number for part in parts]),
        )


def candidates(problem: Problem, rack: int, own: Designs, needed: Array, seed: int) -> Pool:
    """Designs of one rack to start from, for each of its numbers.

    `own` are some of the run's, which need `needed` mm of rack for the lock.
    """
    bought = problem.racks[rack]
    narrow, wide = SANE["inner_joint_spacing_mm"]
    any_distance = replace(
        problem,
        racks=(replace(bought, inner_joint_spacing_mm=narrow),),
        space=problem.space | {"spacer_mm": Range(0.0, 0.5 * (wide - narrow))},
    )
    seeds = seed_designs(any_distance, 0, SEEDS, seed).values
    distance = narrow + 2.0 * seeds[:, SPACER]
    rng = np.random.default_rng(seed)
    spaced, choice = seeds.copy(), problem.space["spacer_mm"]
    if isinstance(choice, Stock):
        spaced[:, SPACER] = min(choice.values)
    elif isinstance(choice, Range):
        spaced[:, SPACER] = rng.uniform(choice.low, choice.high, len(seeds))
    here = seed_designs(problem, rack, SEEDS // 2, seed)
    reach = problem.evaluate(here).metrics["rack_needed_mm"]
    there, margin = np.isfinite(reach), problem.limits.rack_travel_margin_mm
    spacing = bought.inner_joint_spacing_mm
    same, spacers = own.values.copy(), own.column("spacer_mm")
    if isinstance(choice, Stock):
        same[:, SPACER] = min(choice.values)
    return Pool.join(
        [
            Pool.of(spaced, distance - 2.0 * spaced[:, SPACER], rack, SPACING),
            Pool.of(same, spacing + 2.0 * (spacers - same[:, SPACER]), rack, SPACING),
            Pool.of(seeds, 0.5 * (distance - spacing), rack, SPACERS),
            Pool.of(own.values, spacers, rack, SPACERS),
            *(
                Pool.of(values, 2.0 * share * (used + margin), rack, TRAVEL)
                for share in SHARES
                for values, used in ((here.values[there], reach[there]), (own.values, needed))
            ),
        ]
    )


def own_designs(
    problem: Problem, designs: Designs, evaluation: Evaluation, rack: int
) -> tuple[Designs, Array]:
    """Some of the run's designs of a rack, far apart in the better half, and the rack they need."""
    rows = np.flatnonzero((designs.rack == rack) & evaluation.assembles)
    excess = np.maximum(problem.ratios(evaluation)[rows] - 1.0, 0.0).sum(axis=1)
    order = rows[np.argsort(excess + evaluation.excess[rows], kind="stable")]
    if len(order):
        half = order[: max(OWN, len(order) // 2)]
        order = half[farthest_points(designs.values[half], OWN)]
    return designs.select(order), evaluation.metrics["rack_needed_mm"][order]


def _starts(model: Stretched, pool: Table, numbers: tuple[int, ...], count: int) -> Iterator[Table]:
    """Designs to start from, question by question, `count` of each or one of each place."""
    number, excess = model.number(pool), broken(pool)
    which = Questions(pool.like.rack).number
    for code in np.unique(pool.like.rack[np.isin(which, numbers)]).tolist():
        mine = np.flatnonzero((pool.like.rack == code) & np.isfinite(excess))
        if not len(mine):
            continue
        which_number = code // 2 % len(NUMBERS)
        place = _places(model, pool.like.select(mine), spacers=which_number == TRAVEL)
        for way in (LEAST, GREATEST):
            along = number[mine] if way == LEAST else -number[mine]
            merit = along / WORTH_MM + excess[mine]
            best = [float(merit[place == at].min()) for at in range(place.max() + 1)]
            followed = np.argsort(best, kind="stable")[:SHAPES].tolist()
            each = max(1, -(-count // len(followed)))
            if which_number == TRAVEL and way == GREATEST:
                each = max(2, each)
            for at in followed:
                order = mine[place == at][np.argsort(merit[place == at], kind="stable")]
                half = order[: max(each, len(order) // 4)]
                spot = np.concatenate([pool.scaled[half, :-1], number[half, None] / WORTH_MM], 1)
                yield _turned(pool.select(half[farthest_points(spot, each)]), way)


def _turned(table: Table, way: int) -> Table:
    """The same designs for the question of a direction; they have to be evaluated for it."""
    code = table.like.rack - Questions(table.like.rack).way + way
    return replace(table, like=Designs(code, table.like.values))


def _places(model: Stretched, designs: Designs, *, spacers: bool) -> Indices:
    """Which combination of stock values designs have, (N,), counted from 0; by `spacers` too."""
    held = [column for column in model.held if spacers or column != SPACER]
    _, place = np.unique(designs.values[:, held], axis=0, return_inverse=True)
    return np.asarray(place.ravel())


def _shifted(model: Stretched, ends: Table) -> Iterator[Table]:
    """The inner joints of ends of the spacing's questions where they are, with other spacers.

    Of the bare rack's spacing with each other stock value, and of spacers on the rack as it is.
    """
    asked = Questions(ends.like.rack)
    some = ends.select(np.flatnonzero((asked.number == SPACING) & np.isfinite(broken(ends))))
    if not len(some):
        return
    asked, racks = Questions(some.like.rack), model.problem.racks
    distance = model.number(some) + 2.0 * some.like.column("spacer_mm")
    bare = np.array([rack.inner_joint_spacing_mm for rack in racks])[asked.rack]
    code = Questions.of(asked.rack, np.full(len(some), SPACERS), asked.way).code
    yield _placed(model, Designs(code, some.like.values), 0.5 * (distance - bare))
    choice = model.problem.space["spacer_mm"]
    for spacer in choice.values if isinstance(choice, Stock) else ():
        other = np.flatnonzero(some.like.values[:, SPACER] != spacer)
        values = some.like.values[other].copy()
        values[:, SPACER] = spacer
        yield _placed(model, Designs(some.like.rack[other], values), distance[other] - 2.0 * spacer)


def _placed(model: Stretched, designs: Designs, number: Array) -> Table:
    """Designs with a number, not evaluated."""
    scaled, empty = model.with_number(designs, number), np.empty((len(designs), 0))
    return Table(scaled, designs, empty, empty, empty, np.zeros(len(designs), dtype=bool))


def _evaluated(model: Stretched, parts: list[Table]) -> Table | None:
    """Placed designs as one table of what can be assembled; None where there is nothing."""
    filled = [part for part in parts if len(part)]
    if not filled:
        return None
    table = model.table(
        np.concatenate([part.scaled for part in filled]),
        Designs.join([part.like for part in filled]),
    )
    there = np.isfinite(broken(table))
    return table.select(there) if there.any() else None


# --- walks ---------------------------------------------------------------------------------------


def _walked(
    model: Stretched, start: Table | None, walks: tuple[tuple[int, int], ...]
) -> tuple[Table | None, list[Table]]:
    """Where walks from some designs stand at last, and the feasible designs that they have met.

    Between two legs the best of each question and shape are kept. Each leg begins with a fresh
    trust region: that of a long one collapses in a curved valley.
    """
    met: list[Table] = []
    for steps, kept in walks:
        if start is None:
            break
        fits = _steps(model, start, steps)
        met.append(fits.table.select(fits.table.feasible))
        start = fits.here.select(_best(model, fits.here, kept))
    return start, met


def _steps(
    model: Stretched, start: Table, steps: int, within: tuple[Array, Array] | None = None
) -> Fits:
    return fit(
        model,
        start,
        np.ones((len(start), 1)),
        steps=steps,
        tolerance=TOLERANCE,
        trust=TRUST,
        within=within or model.bounds(start.like),
    )


def _best(model: Stretched, ends: Table, count: int) -> Indices:
    """Rows of the best ends that differ, at most `count` of each question and shape.

    Of the travel also of each length of spacers, which has an end of its own.
    """
    asked, number = Questions(ends.like.rack), model.number(ends)
    places = [_places(model, ends.like, spacers=spacers) for spacers in (False, True)]
    place = np.where(asked.number == TRAVEL, places[1], places[0])
    along = np.where(asked.way == LEAST, number, -number)
    kept: dict[tuple[int, int], list[int]] = {}
    for row in np.argsort(along + BROKEN_MM * broken(ends), kind="stable").tolist():
        mine = kept.setdefault((int(ends.like.rack[row]), int(place[row])), [])
        known = [abs(number[row] - number[at]) < SAME_MM for at in mine]
        if len(mine) < count and not any(known):
            mine.append(row)
    return np.array(sorted(row for rows in kept.values() for row in rows), dtype=np.intp)


def local_ends(
    model: Stretched, pool: Table, more: list[Table], count: int = STARTS
) -> Table | None:
    """Where walks end: of the spacing and the travel, then with other spacers; None of nothing.

    Args:
        model: of the limits that count.
        pool: candidates, evaluated.
        more: designs to start from as well.
        count: starts of each question.
    """
    parts = list(_starts(model, pool, (SPACING, TRAVEL), count))
    parts += [_of(_least_spacers(model, table), (SPACING, TRAVEL)) for table in more]
    ends, met = _walked(model, _evaluated(model, parts), FIRST)
    parts = list(_starts(model, pool, (SPACERS,), -(-count // 2)))
    parts += [_of(table, (SPACERS,)) for table in more]
    if ends is not None:
        parts += [ends, *(_of(table, (SPACERS,)) for table in _shifted(model, ends))]
    _, later = _walked(model, _evaluated(model, parts), LAST)
    met = [part for part in met + later if len(part)]
    if not met:
        return None
    found = Table.join(met)
    best = found.select(_best(model, found, 1))
    # What one question has found is another's start.
    beside = _evaluated(model, list(_shifted(model, best)))
    if beside is None:
        return found
    more_found = _steps(model, beside, LAST[-1][0]).table
    return Table.join([found, more_found.select(more_found.feasible)])


def _least_spacers(model: Stretched, table: Table) -> Table:
    """Designs without those of the spacing's questions that `_shifted` finds again."""
    choice = model.problem.space["spacer_mm"]
    if not isinstance(choice, Stock):
        return table
    longer = table.like.values[:, SPACER] > min(choice.values)
    return table.select(~(longer & (Questions(table.like.rack).number == SPACING)))


def _of(table: Table, numbers: tuple[int, ...]) -> Table:
    """Designs of the questions of some numbers."""
    return table.select(np.isin(Questions(table.like.rack).number, numbers))


# --- stretches -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class End:
    """Where a stretch of acceptable numbers ends.

    Attributes:
        at_mm: the number there.
        design: an acceptable design there (a batch of one); its spacer is the number where that
            is asked about.
        stops: limits that let it go no further, clearance by the columns of the pairs; empty where
            it is not a limit that ends it but what is sane.
    """

    at_mm: float
    design: Designs
    stops: tuple[str, ...] = ()


Stretch = tuple[End, End]


@dataclass(frozen=True, slots=True)
class BreakEven:
    """With which values of one number a rack is acceptable, its others as they are.

    Attributes:
        rack: its index.
        number: which.
        stretches: least and greatest of each, rising, every limit kept; empty where there is none.
        bare: the same with clearance left out of the limits.
    """

    rack: int
    number: Number
    stretches: tuple[Stretch, ...]
    bare: tuple[Stretch, ...]


def break_evens(
    problem: Problem, designs: Designs, evaluation: Evaluation, seed: int
) -> tuple[BreakEven, ...]:
    """Break-even of every rack and number, rack by rack in the order of `NUMBERS`.

    Args:
        problem: the question.
        designs: what a run has found, of any racks; more to start from.
        evaluation: its outcome.
        seed: of the candidates.
    """
    whole = problem.as_limits
    plain = whole.without_clearance
    drawn = Stretched(replace(plain.nominal, tolerances=None))
    pool, ends = _opened(drawn, problem, designs, evaluation, seed)
    bare = counted = _stretches(drawn, pool, ends)
    touched = whole.constraint_names != plain.constraint_names
    for asked, needed in ((plain, plain.needs_cars), (whole, touched)):
        if needed and ends is not None and ends.feasible.any():
            model, ends = Stretched(asked), ends.select(ends.feasible)
            pool = _worth_a_look(model, pool, ends)
            ends = local_ends(model, pool, [ends.select(_best(model, ends, 1))])
            counted = _stretches(model, pool, ends)
        if asked is plain:
            bare = counted
    return tuple(
        BreakEven(rack, number, counted.get((rack, which), ()), bare.get((rack, which), ()))
        for rack in range(len(problem.racks))
        for which, number in enumerate(NUMBERS)
    )


def _opened(
    model: Stretched, problem: Problem, designs: Designs, evaluation: Evaluation, seed: int
) -> tuple[Table, Table | None]:
    """Candidates of every rack, evaluated, and where walks from them end."""
    racks = range(len(problem.racks))
    own = [own_designs(problem, designs, evaluation, rack) for rack in racks]
    parts = [candidates(model.problem, rack, *own[rack], seed) for rack in racks]
    pool = Pool.join(parts)
    table = model.table(model.with_number(pool.designs, pool.number), pool.designs)
    return table, local_ends(model, table, [])


def _worth_a_look(model: Stretched, pool: Table, ends: Table) -> Table:
    """Candidates that break least without some limits of `model`, evaluated with them.

    A question that has no answer without them has none with them.
    """
    answered = Questions(ends.like.rack[ends.feasible])
    first = Questions.of(answered.rack, answered.number, LEAST).code
    pool = pool.select(np.isin(pool.like.rack, first))
    excess, code = broken(pool), pool.like.rack
    rows = [
        mine[np.argsort(excess[mine], kind="stable")[:LOOKED_AT]]
        for one in np.unique(code)
        for mine in [np.flatnonzero(code == one)]
    ]
    some = np.concatenate(rows)
    return model.table(pool.scaled[some], pool.like.select(some))


def _stretches(
    model: Stretched, pool: Table, ends: Table | None
) -> dict[tuple[int, int], tuple[Stretch, ...]]:
    """Stretches by rack and number."""
    if ends is None:
        return {}
    known = Table.join([ends.select(ends.feasible), pool.select(pool.feasible)])
    edges = _edges(model, known, pool)
    lone = Table.join([row for pairs in edges.values() for pair in pairs for row in pair])
    found = iter(_ends(model, lone))
    return {
        question: tuple((next(found), next(found)) for _ in pairs)
        for question, pairs in edges.items()
    }


def _edges(
    model: Stretched, known: Table, pool: Table
) -> dict[tuple[int, int], list[tuple[Table, Table]]]:
    """The designs at both ends of each stretch, by rack and number."""
    windows = _windows(model, known)
    known = _looked_into(model, known, pool, [w for w in windows if not w.filled(model, known)])
    gaps = [w for w in windows if not w.filled(model, known)]
    known = _beside_gaps(model, known, gaps)
    edges: dict[tuple[int, int], list[tuple[Table, Table]]] = {}
    for question in dict.fromkeys(window.question for window in windows):
        rows = _rows_of(known, question)
        at = model.number(known)[rows]
        rows, at = rows[np.argsort(at, kind="stable")], np.sort(at)
        cut = {int(np.searchsorted(at, w.middle)) for w in gaps if w.question == question}
        bounds = [0, *sorted(cut - {0, len(rows)}), len(rows)]
        edges[question] = [
            (known.select(rows[[first]]), known.select(rows[[after - 1]]))
            for first, after in pairwise(bounds)
        ]
    return edges


@dataclass(frozen=True, slots=True)
class _Window:
    """A part of the way from the least to the greatest number of a rack."""

    question: tuple[int, int]
    low: float
    high: float

    @property
    def middle(self) -> float:
        return 0.5 * (self.low + self.high)

    def filled(self, model: Stretched, known: Table) -> bool:
        """Whether one of some acceptable designs lies in it."""
        at = model.number(known)[_rows_of(known, self.question)]
        return bool(((at >= self.low) & (at <= self.high)).any())


def _rows_of(table: Table, question: tuple[int, int]) -> Indices:
    asked = Questions(table.like.rack)
    return np.flatnonzero((asked.rack == question[0]) & (asked.number == question[1]))


def _windows(model: Stretched, known: Table) -> list[_Window]:
    """What lies between the least and the greatest number of each rack, in equal parts."""
    asked, number = Questions(known.like.rack), model.number(known)
    found = []
    for question in sorted(set(zip(asked.rack.tolist(), asked.number.tolist(), strict=True))):
        at = number[_rows_of(known, question)]
        parts = np.linspace(at.min(), at.max(), WINDOWS + 1).tolist()
        found += [_Window(question, low, high) for low, high in pairwise(parts)]
    return found


def _looked_into(model: Stretched, known: Table, pool: Table, windows: list[_Window]) -> Table:
    """Acceptable designs, with those that are found within some windows, all empty at first.

    Looked at are designs half way between the nearest on both sides, these moved into the window,
    and candidates near it that break little; where none will do, walks begin there.
    """
    for steps in LOOKS:
        windows = [window for window in windows if not window.filled(model, known)]
        parts = [(table, w) for w in windows for table in _into(model, known, pool, w)]
        if not parts:
            break
        start = Table.join([table for table, _ in parts])
        start = model.table(start.scaled, start.like)
        low, high = model.bounds(start.like)
        for end, at in ((low, [w.low for _, w in parts]), (high, [w.high for _, w in parts])):
            end[:, -1] = model.with_number(start.like, np.array(at))[:, -1]
        there = np.isfinite(broken(start))
        if steps and there.any():
            some = start.select(there)
            start = _steps(model, some, steps, (low[there], high[there])).table
        known = Table.join([known, start.select(start.feasible)])
    return known


def _into(model: Stretched, known: Table, pool: Table, window: _Window) -> Iterator[Table]:
    """Designs in a window, not evaluated."""
    for table, count in ((known, 2), (pool, 3)):
        rows = _rows_of(table, window.question)
        at = model.number(table)[rows]
        away = np.abs(at - window.middle)
        if table is pool:
            away = away / WORTH_MM + broken(table)[rows]
            rows, away = rows[np.isfinite(away)], away[np.isfinite(away)]
            some = rows[np.argsort(away, kind="stable")[:count]]
        else:
            below, above = rows[at <= window.low], rows[at >= window.high]
            some = np.array(
                [below[np.argmax(at[at <= window.low])], above[np.argmin(at[at >= window.high])]]
            )
            first, second = table.like.values[some]
            if (first[model.held] == second[model.held]).all():
                blend = Designs(table.like.rack[some[:1]], 0.5 * (first + second)[None, :])
                yield _turned(_placed(model, blend, np.array([window.middle])), LEAST)
        for row in some.tolist():
            one = table.like.select(slice(row, row + 1))
            yield _turned(_placed(model, one, np.array([window.middle])), LEAST)


def _beside_gaps(model: Stretched, known: Table, gaps: list[_Window]) -> Table:
    """Acceptable designs, with those to which walks come from both sides of gaps."""
    parts, limits = [], []
    for gap in gaps:
        rows = _rows_of(known, gap.question)
        at = model.number(known)[rows]
        for side, way in ((at < gap.low, GREATEST), (at > gap.high, LEAST)):
            if side.any():
                near = np.argsort(np.abs(at[side] - gap.middle), kind="stable")[:KEPT_BESIDE]
                parts.append(_turned(known.select(rows[side][near]), way))
                limits += [gap.middle] * len(near)
    if not parts:
        return known
    start = Table.join(parts)
    start = model.table(start.scaled, start.like)
    low, high = model.bounds(start.like)
    end = model.with_number(start.like, np.array(limits))[:, -1]
    back = Questions(start.like.rack).way == LEAST
    low[back, -1], high[~back, -1] = end[back], end[~back]
    for steps in (10, 10):
        fits = _steps(model, start, steps, (low, high))
        known = Table.join([known, fits.table.select(fits.table.feasible)])
        start = fits.here
    return known


def _ends(model: Stretched, table: Table) -> Iterator[End]:
    """Ends at designs, with what stops each."""
    asked, at = Questions(table.like.rack), model.number(table)
    pairs = model.pairs(table)
    names = model.problem.constraint_names
    for row in range(len(table)):
        stops: list[str] = []
        for name, limit in zip(names, table.limits[row].tolist(), strict=True):
            if limit < -ACTIVE:
                continue
            touching = [pair for pair, room in pairs.items() if room[row] < ACTIVE_MM]
            stops += touching if name == "clearance_mm" and touching else [name]
        design = Designs(asked.rack[row : row + 1], table.like.values[row : row + 1])
        yield End(float(at[row]), design, tuple(stops))
