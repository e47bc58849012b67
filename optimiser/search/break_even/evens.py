"""Break-even of every rack and number: the stretches in which it is acceptable."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from optimiser.evaluation.bolting import IF_KNOWN, Bolting
from optimiser.evaluation.designs import JUDGED, Designs
from optimiser.evaluation.quantities import is_of_tyre
from optimiser.search.break_even.gaps import edges_of
from optimiser.search.break_even.starts import Pool, candidates, own_designs, placed, worth_a_look
from optimiser.search.break_even.stretched import (
    BOUGHT,
    CLEARANCE,
    GREATEST,
    NUMBERS,
    SANE,
    SPACERS,
    SPACING,
    TRAVEL,
    Questions,
    Stretched,
    rows_of,
)
from optimiser.search.break_even.walks import best, local_ends
from optimiser.search.residuals import Table

if TYPE_CHECKING:
    from collections.abc import Iterator

    from optimiser.evaluation.designs import Evaluation
    from optimiser.evaluation.problem import Problem
    from optimiser.search.break_even.stretched import Number

AGAIN = 2
"""Starts of each question with more limits, beside the ends without these."""
NEAR = 4
"""Designs from which the clearance of a rack as it is sold is made great, of each kind."""
ACTIVE, ACTIVE_MM = 2e-3, 0.05
"""A limit, and a pair of parts, of which no more is left stops an end."""


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


def held_by(stretches: tuple[Stretch, ...], value: float) -> bool:
    """Whether a value lies in one of some stretches."""
    return any(low.at_mm <= value <= high.at_mm for low, high in stretches)


@dataclass(frozen=True, slots=True)
class BreakEven:
    """With which values of one number a rack is acceptable, its others as they are.

    Attributes:
        rack: its index.
        number: which; of the clearance there is one stretch, from what the rack as it is can have
            at the most to that, and only where that is less than the limit and all else would do.
        stretches: least and greatest of each, rising, every limit kept; empty where there is none.
        bare: the same with clearance left out of the limits.
    """

    rack: int
    number: Number
    stretches: tuple[Stretch, ...]
    bare: tuple[Stretch, ...] = ()

    def holds(self, value: float) -> bool:
        """Whether the rack is acceptable with this value."""
        return held_by(self.stretches, value)


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
    quick = replace(plain.nominal, tolerances=None)
    quick = _undriven(quick) or quick
    model = Stretched(quick)
    first = pool, ends = _opened(model, problem, designs, evaluation, seed)
    if ends is not None and plain.constraint_names != quick.constraint_names:
        model = Stretched(plain)
        pool, ends = _again(model, pool, ends, [])
    bare = counted = _stretches(model, pool, ends)
    if ends is not None and whole.constraint_names != plain.constraint_names:
        acceptable = _acceptable_racks(problem, designs, evaluation)
        more = _but_for_clearance(model, problem, ends, acceptable)
        for asked in filter(None, (_undriven(whole), whole)):
            model = Stretched(asked)
            pool, ends = _again(model, *first, more)
            first, more = (pool, ends), []
        counted = _stretches(model, pool, ends)
    found = []
    for rack in range(len(problem.racks)):
        for which, number in enumerate(BOUGHT):
            one = (rack, which)
            found.append(BreakEven(rack, number, counted.get(one, ()), bare.get(one, ())))
        if (rack, CLEARANCE) in counted and not found[-len(BOUGHT)].holds(
            problem.racks[rack].inner_joint_spacing_mm
        ):
            found.append(BreakEven(rack, NUMBERS[CLEARANCE], counted[rack, CLEARANCE]))
    return tuple(found)


def _acceptable_racks(problem: Problem, designs: Designs, evaluation: Evaluation) -> set[int]:
    """Racks of which a run has found an acceptable design."""
    good = evaluation.feasible & (problem.ratios(evaluation).max(axis=1) <= 1.0)
    return set(designs.rack[good].tolist())


def _undriven(problem: Problem) -> Problem | None:
    """The problem without the limits that feet and column mean without a word.

    They cost as much as all the rest. None where other limits may hang on feet or column.
    """
    others = [bound for bound in problem.limits.bounds if bound.name not in IF_KNOWN]
    if len(others) == len(problem.limits.bounds) or any(one.name not in JUDGED for one in others):
        return None
    limits = replace(problem.limits, bounds=tuple(others))
    return replace(problem, limits=limits, bolting=Bolting())


def _again(
    model: Stretched, pool: Table, ends: Table | None, more: list[Table]
) -> tuple[Table, Table | None]:
    """Candidates and ends with the limits of `model`, from acceptable designs with fewer.

    The outermost of these that happens to keep the others too is the end with them: walked is
    for the questions of which it does not.
    """
    if ends is None or not len(ends):
        return pool, None
    pool = worth_a_look(model, pool, ends)
    outermost = ends.select(best(model, ends, 1))
    same = model.table(ends.scaled, ends.like)
    order = np.argsort(ends.objectives[:, 0], kind="stable")
    codes, first = np.unique(ends.like.rack[order], return_index=True)
    asked = codes[~same.feasible[order[first]]]
    begin = outermost.select(np.isin(outermost.like.rack, asked))
    found = local_ends(model, pool, [begin, *more], AGAIN, only=asked)
    kept = same.select(same.feasible)
    return pool, kept if found is None else Table.join([kept, found])


def _but_for_clearance(
    model: Stretched, problem: Problem, ends: Table, acceptable: set[int]
) -> list[Table]:
    """Designs near racks as they are sold, for the question how much clearance these can have.

    Asked of racks that are not acceptable, where the spacing that they have would do without.
    """
    parts = []
    for rack, bought in enumerate(problem.racks):
        rows = rows_of(ends, (rack, SPACING))
        at, spacing = model.number(ends)[rows], bought.inner_joint_spacing_mm
        if rack in acceptable or not len(rows) or not at.min() <= spacing <= at.max():
            continue
        near = rows[np.argsort(np.abs(at - spacing), kind="stable")[:NEAR]]
        own = rows_of(ends, (rack, TRAVEL))
        values = ends.like.values[np.concatenate([near, own[:: max(1, len(own) // NEAR)]])]
        code = Questions.of(rack, CLEARANCE, GREATEST).code
        some = Designs(np.repeat(code, len(values)), values)
        parts.append(placed(model, some, np.full(len(values), SANE["clearance_mm"][0] / 5.0)))
    return parts


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


def _stretches(
    model: Stretched, pool: Table, ends: Table | None
) -> dict[tuple[int, int], tuple[Stretch, ...]]:
    """Stretches by rack and number."""
    if ends is None:
        return {}
    known = Table.join([ends.select(ends.feasible), pool.select(pool.feasible)])
    edges = edges_of(model, known, pool)
    if not any(edges.values()):
        return {}
    lone = Table.join([row for pairs in edges.values() for pair in pairs for row in pair])
    found = iter(_ends(model, lone))
    return {
        question: tuple((next(found), next(found)) for _ in pairs)
        for question, pairs in edges.items()
    }


def _ends(model: Stretched, table: Table) -> Iterator[End]:
    """Ends at designs, with what stops each."""
    asked, at = Questions(table.like.rack), model.number(table)
    pairs = model.pairs(table)
    # As much room as is asked for there.
    eased = np.where(
        asked.number == CLEARANCE, at - (model.problem.limits.clearance_mm or 0.0), 0.0
    )
    for row in range(len(table)):
        stops: list[str] = []
        for name, part in zip(model.problem.constraint_names, model.parts[1:], strict=True):
            left = -float(table.rows[row, part].max())
            # No spacer is an end without a limit; what a column misses by is 0 as far as it fits.
            no_spacer = asked.number[row] == SPACERS and at[row] == 0.0
            if left > ACTIVE or no_spacer or (name == "column_miss_mm" and left == 0.0):
                continue
            of_tyre = name == "tyre_clearance_mm"
            spare = ACTIVE_MM if of_tyre else eased[row] + ACTIVE_MM
            touching = [
                pair
                for pair, room in pairs.items()
                if is_of_tyre(pair) == of_tyre and room[row] < spare
            ]
            named = touching if name in ("clearance_mm", "tyre_clearance_mm") else []
            stops += named or [name]
        design = Designs(asked.rack[row : row + 1], table.like.values[row : row + 1])
        yield End(float(at[row]), design, tuple(stops))
