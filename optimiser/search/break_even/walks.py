"""Walks to the least and the greatest of each number, of all racks at once.

starts   a few of each question and shape, far apart
walks    a few steps of all, the best that differ further on, the best of each to its end
shift    inner joints as far apart with other spacers: what one question finds starts another
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from optimiser.evaluation.designs import Stock
from optimiser.search.break_even.starts import evaluated, placed, places, shifted, starts
from optimiser.search.break_even.stretched import (
    CLEARANCE,
    LEAST,
    SPACER,
    SPACERS,
    SPACING,
    TRAVEL,
    Questions,
    broken,
)
from optimiser.search.linear_steps import fit
from optimiser.search.residuals import Table

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from optimiser.linkage.vectors import Array
    from optimiser.search.break_even.stretched import Stretched
    from optimiser.search.linear_steps import Fits

    Indices = NDArray[np.intp]

STARTS = 3
"""Starts of each question, or one of each shape."""
FIRST, LAST = ((4, 3), (6, 2)), ((6, 2), (6, 1), (10, 1))
"""Steps of a walk, and how many of the ends of each question and shape then go on; the spacers
join the spacing and the travel for the last ones."""
SAME_MM = 0.5
"""Ends of the first steps that are as near to each other are followed as one."""
BETTER_MM = 0.05
"""What is shifted from another question goes on where it comes as much further."""
TRUST, TOLERANCE = 0.15, 5e-5
LANDING_STEPS, LANDING_TRUST, NEARLY = 4, 0.05, 0.01
"""Of the leg that brings a walk back within its limits: steps, the first trust region, and by how
large a share of a limit a walk may stand beyond it."""
INWARD_MM = 0.03, 0.1, 0.3
"""So much further in the number is held meanwhile."""
IDLE, ONWARD = 1e-3, 2
"""An end with as much left of every limit is none: a walk goes on from it, so many times."""
BROKEN_MM = 1000.0
"""A limit that is broken once over counts as so many millimetres of the number, at an end."""


def local_ends(
    model: Stretched,
    pool: Table,
    more: list[Table],
    count: int = STARTS,
    only: Indices | None = None,
) -> Table | None:
    """Where walks end: of the spacing and the travel, then with other spacers; None of nothing.

    Args:
        model: of the limits that count.
        pool: candidates, evaluated.
        more: designs to start from as well.
        count: starts of each question.
        only: codes of the questions that are asked; None for all.
    """

    def asked(tables: Iterable[Table]) -> list[Table]:
        if only is None:
            return list(tables)
        return [table.select(np.isin(table.like.rack, only)) for table in tables]

    parts = asked(starts(model, pool, (SPACING, TRAVEL), count))
    parts += [_of(_least_spacers(model, table), (SPACING, TRAVEL, CLEARANCE)) for table in more]
    rough = model.rough
    ends, met = _walked(rough, evaluated(rough, parts), FIRST)
    met = met if rough is model else []
    parts = asked(starts(model, pool, (SPACERS,), -(-count // 2)))
    parts += [_of(table, (SPACERS,)) for table in more]
    if ends is not None:
        parts += [ends, *(_of(table, (SPACERS,)) for table in asked(shifted(model, ends)))]
    stand, later = _walked(model, evaluated(model, parts), LAST)
    met = [part for part in met + later if len(part)]
    if stand is None:
        return Table.join(met) if met else None
    found = Table.join(met) if met else stand.select(np.zeros(0, dtype=np.intp))
    # What one question has found is another's start.
    beside = evaluated(model, asked(shifted(model, found.select(best(model, found, 1)))))
    better = None if beside is None else _better(model, beside, found)
    if better is not None:
        fits = steps_of(model, better, LAST[-1][0])
        found, stand = _joined(found, fits.table), Table.join([stand, fits.here])
    found = _onward(model, landed(model, stand, found))
    return found if len(found) else None


def _onward(model: Stretched, found: Table) -> Table:
    """What was found, and what walks come to that go on from ends which no limit stops."""
    for _ in range(ONWARD):
        ends = found.select(best(model, found, 1))
        idle = ends.select(_room(model, ends) > IDLE)
        if not len(idle):
            break
        fits = steps_of(model, idle, LAST[-1][0])
        found = landed(model, fits.here, _joined(found, fits.table))
    return found


def _room(model: Stretched, table: Table) -> Array:
    """What is left of the limit that stops each design first, as `rows`, (R,)."""
    left: Array = np.min([-table.rows[:, part].max(axis=1) for part in model.parts[1:]], axis=0)
    return left


def landed(model: Stretched, stand: Table, found: Table) -> Table:
    """What was found, with acceptable designs where walks stand further out than that.

    A walk along curved limits stands beyond them by a hair after every step, and the last
    acceptable design that it has met may lie far behind. With its number held a little further in
    the rest finds back within them.
    """
    ahead = _better(model, stand.select(broken(stand) < NEARLY), found)
    back = [] if ahead is None else [_inward(model, ahead, each) for each in INWARD_MM]
    eased = evaluated(model, back)
    if eased is None:
        return found
    low, high = (np.array(end) for end in model.bounds(eased.like))
    low[:, -1] = high[:, -1] = eased.scaled[:, -1]
    fits = steps_of(model, eased, LANDING_STEPS, within=(low, high), trust=LANDING_TRUST)
    return _joined(found, fits.table)


def _inward(model: Stretched, ahead: Table, back_mm: float) -> Table:
    """The same designs with a number so much further in, not evaluated."""
    way = np.where(Questions(ahead.like.rack).way == LEAST, 1.0, -1.0)
    return placed(model, ahead.like, model.number(ahead) + back_mm * way)


def _joined(found: Table, more: Table) -> Table:
    """What was found, and what is acceptable of some more."""
    return Table.join([found, more.select(more.feasible)])


def _better(model: Stretched, tried: Table, found: Table) -> Table | None:
    """Of some designs those that come further than what was found of their question."""
    least = {code: np.inf for code in tried.like.rack.tolist()}
    for code, value in zip(found.like.rack.tolist(), found.objectives[:, 0].tolist(), strict=True):
        least[code] = min(least.get(code, np.inf), value)
    known = np.array([least[code] for code in tried.like.rack.tolist()])
    cost = 1e-3 * BROKEN_MM * broken(tried)
    further = tried.objectives[:, 0] + cost < known - 1e-3 * BETTER_MM
    return tried.select(further) if further.any() else None


def _least_spacers(model: Stretched, table: Table) -> Table:
    """Designs without those of the spacing's questions that `shifted` finds again."""
    choice = model.problem.space["spacer_mm"]
    if not isinstance(choice, Stock):
        return table
    longer = table.like.values[:, SPACER] > min(choice.values)
    return table.select(~(longer & (Questions(table.like.rack).number == SPACING)))


def _of(table: Table, numbers: tuple[int, ...]) -> Table:
    """Designs of the questions of some numbers."""
    return table.select(np.isin(Questions(table.like.rack).number, numbers))


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
        fits = steps_of(model, start, steps)
        met.append(fits.table.select(fits.table.feasible))
        start = fits.here.select(best(model, fits.here, kept))
    return start, met


def steps_of(
    model: Stretched,
    start: Table,
    steps: int,
    within: tuple[Array, Array] | None = None,
    trust: float = TRUST,
) -> Fits:
    """One leg of the walks from some designs, with a fresh trust region."""
    return fit(
        model,
        start,
        np.ones((len(start), 1)),
        steps=steps,
        tolerance=TOLERANCE,
        trust=trust,
        within=within or model.bounds(start.like),
    )


def best(model: Stretched, ends: Table, count: int) -> Indices:
    """Rows of the best ends that differ, at most `count` of each question and shape.

    Of the travel also of each length of spacers, which has an end of its own.
    """
    asked, number = Questions(ends.like.rack), model.number(ends)
    shape, combination = (places(model, ends.like, spacers=each) for each in (False, True))
    place = np.where(asked.number == TRAVEL, combination, shape)
    along = np.where(asked.way == LEAST, number, -number)
    kept: dict[tuple[int, int], list[int]] = {}
    for row in np.argsort(along + BROKEN_MM * broken(ends), kind="stable").tolist():
        mine = kept.setdefault((int(ends.like.rack[row]), int(place[row])), [])
        known = [abs(number[row] - number[at]) < SAME_MM for at in mine]
        if len(mine) < count and not any(known):
            mine.append(row)
    return np.array(sorted(row for rows in kept.values() for row in rows), dtype=np.intp)
