"""Designs from which walks begin: by geometry, of the run, and from what others have found.

A *shape* is a combination of the stock values, those of spacers apart.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from optimiser.base.farthest import farthest_points
from optimiser.evaluation.designs import Designs, Range, Stock
from optimiser.search.break_even.stretched import (
    GREATEST,
    LEAST,
    NUMBERS,
    SANE,
    SPACER,
    SPACERS,
    SPACING,
    TRAVEL,
    Questions,
    Stretched,
    broken,
)
from optimiser.search.residuals import Table
from optimiser.search.seeds import seed_designs

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from optimiser.evaluation.designs import Evaluation
    from optimiser.evaluation.problem import Problem
    from optimiser.linkage.vectors import Array

    Indices = NDArray[np.intp]

SEEDS, OWN = 300, 40
"""Designs by geometry that are looked at, and of the run's own, of each rack."""
SHAPES = 12
"""Shapes of each question that are followed at the most."""
WORTH_MM = 60.0
"""So many millimetres nearer to the end are worth a limit that is broken once over in a start."""
LOOKED_AT = 30
"""Candidates of each question that are looked at again with more limits."""
SHARES = (1.001, 1.4, 1.8)
"""Travel of candidates, over what the lock needs."""
MOST_TRAVEL_STARTS = 2
"""From so many designs of each shape the greatest travel is looked for, which has several ends."""


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


def starts(model: Stretched, pool: Table, numbers: tuple[int, ...], count: int) -> Iterator[Table]:
    """Designs to start from, question by question, `count` of each or one of each place."""
    number, excess = model.number(pool), broken(pool)
    which = Questions(pool.like.rack).number
    for code in np.unique(pool.like.rack[np.isin(which, numbers)]).tolist():
        mine = np.flatnonzero((pool.like.rack == code) & np.isfinite(excess))
        if not len(mine):
            continue
        which_number = code // 2 % len(NUMBERS)
        place = places(model, pool.like.select(mine), spacers=which_number == TRAVEL)
        for way in (LEAST, GREATEST):
            along = number[mine] if way == LEAST else -number[mine]
            merit = along / WORTH_MM + excess[mine]
            best = [float(merit[place == at].min()) for at in range(place.max() + 1)]
            followed = np.argsort(best, kind="stable")[:SHAPES].tolist()
            each = max(1, -(-count // len(followed)))
            if which_number == TRAVEL and way == GREATEST:
                each = max(MOST_TRAVEL_STARTS, each)
            for at in followed:
                order = mine[place == at][np.argsort(merit[place == at], kind="stable")]
                half = order[: max(each, len(order) // 4)]
                spot = np.concatenate([pool.scaled[half, :-1], number[half, None] / WORTH_MM], 1)
                yield turned(pool.select(half[farthest_points(spot, each)]), way)


def worth_a_look(model: Stretched, pool: Table, ends: Table) -> Table:
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


def turned(table: Table, way: int) -> Table:
    """The same designs for the question of a direction; they have to be evaluated for it."""
    code = table.like.rack - Questions(table.like.rack).way + way
    return replace(table, like=Designs(code, table.like.values))


def places(model: Stretched, designs: Designs, *, spacers: bool) -> Indices:
    """Which combination of stock values designs have, (N,), counted from 0; by `spacers` too."""
    held = [column for column in model.held if spacers or column != SPACER]
    _, place = np.unique(designs.values[:, held], axis=0, return_inverse=True)
    return np.asarray(place.ravel())


def shifted(model: Stretched, ends: Table) -> Iterator[Table]:
    """The inner joints of ends where they are, with other spacers or another spacing between.

    Of ends of the spacing's questions with each other stock value, and with spacers on the rack as
    it is; of ends of the spacers' with the bare rack's spacing and each stock value.
    """
    asked = Questions(ends.like.rack)
    wanted = np.isin(asked.number, (SPACING, SPACERS)) & np.isfinite(broken(ends))
    some = ends.select(wanted)
    if not len(some):
        return
    asked, racks = Questions(some.like.rack), model.problem.racks
    bare = np.array([rack.inner_joint_spacing_mm for rack in racks])[asked.rack]
    spacing = np.where(asked.number == SPACING, model.number(some), bare)
    distance = spacing + 2.0 * some.like.column("spacer_mm")
    own = np.flatnonzero(asked.number == SPACING)
    code = Questions.of(asked.rack[own], np.full(len(own), SPACERS), asked.way[own]).code
    yield placed(model, Designs(code, some.like.values[own]), 0.5 * (distance - bare)[own])
    choice = model.problem.space["spacer_mm"]
    code = Questions.of(asked.rack, np.full(len(some), SPACING), asked.way).code
    for spacer in choice.values if isinstance(choice, Stock) else ():
        other = np.flatnonzero((asked.number == SPACERS) | (some.like.values[:, SPACER] != spacer))
        values = some.like.values[other].copy()
        values[:, SPACER] = spacer
        yield placed(model, Designs(code[other], values), distance[other] - 2.0 * spacer)
    if isinstance(choice, Range):
        other = np.flatnonzero(asked.number == SPACERS)
        values = some.like.values[other].copy()
        values[:, SPACER] = np.clip(values[:, SPACER], choice.low, choice.high)
        apart = distance[other] - 2.0 * values[:, SPACER]
        yield placed(model, Designs(code[other], values), apart)


def placed(model: Stretched, designs: Designs, number: Array) -> Table:
    """Designs with a number, not evaluated."""
    scaled, empty = model.with_number(designs, number), np.empty((len(designs), 0))
    return Table(scaled, designs, empty, empty, empty, np.zeros(len(designs), dtype=bool))


def evaluated(model: Stretched, parts: list[Table]) -> Table | None:
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
