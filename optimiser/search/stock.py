"""Where every variable has stock values only: all combinations, or a descent over them."""

from __future__ import annotations

from itertools import combinations, product
from typing import TYPE_CHECKING

import numpy as np

from optimiser.evaluation.designs import VARIABLES, Designs, Range, Stock
from optimiser.search.starts import KEPT, ranked, winners_ray

if TYPE_CHECKING:
    from optimiser.evaluation.problem import Problem
    from optimiser.linkage.vectors import Array

Values = dict[str, tuple[float, ...]]
"""Stock values of each variable, rising."""
Place = tuple[int, ...]
"""Which of them a design has."""
MOST_COMBINATIONS = 5000
"""So many are all looked at; of more, neighbours of the best."""
_REACH = 2
_MOST_ROUNDS = 50


def stock_values(problem: Problem) -> Values | None:
    """Values of each variable in rising order; None where some variable is continuous."""
    found = {}
    for name, choice in problem.space.items():
        if isinstance(choice, Stock):
            found[name] = tuple(sorted(choice.values))
        elif isinstance(choice, Range):
            if choice.low < choice.high:
                return None
            found[name] = (choice.low,)
    return found


def best_of_stock(problem: Problem, rack: int, near: Designs) -> Designs:
    """Designs of one rack among which the best lie: all, or what a descent from `near` met.

    The descent goes to the best neighbour, one or two variables up to two stock values away, until
    none is better: from the best of `near` freely, and for each stock value with that value held.
    """
    values = stock_values(problem) or {}
    if np.prod([len(each) for each in values.values()], dtype=float) <= MOST_COMBINATIONS:
        every = np.array(list(product(*values.values()))).reshape(-1, len(values))
        return _designs(problem, rack, values, every)
    columns = [VARIABLES.index(name) for name in values]
    places = [
        np.searchsorted(each, near.values[:, column]).tolist()
        for each, column in zip(values.values(), columns, strict=True)
    ]
    return _descend(problem, rack, values, list(zip(*places, strict=True)))


def _descend(problem: Problem, rack: int, values: Values, near: list[Place]) -> Designs:
    known: dict[Place, float] = {}
    _look(problem, rack, values, known, set(near))
    order = sorted(known, key=known.__getitem__)
    # Where each descent is, and the variable that it holds.
    here = {(place, -1): place for place in order[:KEPT]}
    for column, each in enumerate(values.values()):
        for index in range(len(each)):
            nearest = min(order, key=lambda place: abs(place[column] - index))
            start = (*nearest[:column], index, *nearest[column + 1 :])
            here[start, column] = start
    _look(problem, rack, values, known, set(here.values()))
    for _ in range(_MOST_ROUNDS):
        around = {task: _neighbours(place, values, task[1]) for task, place in here.items()}
        _look(problem, rack, values, known, set().union(*around.values()))
        moved = {
            task: min((place, *around[task]), key=known.__getitem__) for task, place in here.items()
        }
        if moved == here:
            break
        here = moved
    best = sorted(known, key=known.__getitem__)[:MOST_COMBINATIONS]
    return _designs(problem, rack, values, _at(values, [*best, *set(here.values()) - set(best)]))


def _neighbours(place: Place, values: Values, held: int) -> set[Place]:
    """Places with one or two variables but the held one up to `_REACH` stock values away."""
    sizes = [len(each) for each in values.values()]
    free = [column for column in range(len(sizes)) if column != held]
    steps = [step for step in range(-_REACH, _REACH + 1) if step]
    moves: list[dict[int, int]] = [{column: step} for column in free for step in steps]
    moves += [
        {one: a, other: b} for one, other in combinations(free, 2) for a, b in product(steps, steps)
    ]
    found = set()
    for move in moves:
        at = tuple(index + move.get(column, 0) for column, index in enumerate(place))
        if all(0 <= index < size for index, size in zip(at, sizes, strict=True)):
            found.add(at)
    return found


def _look(
    problem: Problem,
    rack: int,
    values: Values,
    known: dict[Place, float],
    places: set[Place],
) -> None:
    """Evaluate places that are not known yet."""
    new = sorted(places - known.keys())
    if not new:
        return
    found = problem.evaluate(_designs(problem, rack, values, _at(values, new)))
    level = ranked(found.objectives, found.constraints, winners_ray(problem))
    known.update(zip(new, np.where(np.isfinite(level), level, np.inf).tolist(), strict=True))


def _at(values: Values, places: list[Place]) -> Array:
    return np.array(
        [
            [each[index] for each, index in zip(values.values(), place, strict=True)]
            for place in places
        ]
    )


def _designs(problem: Problem, rack: int, values: Values, rows: Array) -> Designs:
    free = dict(zip(values, rows.T, strict=True))
    return problem.designs(np.full(len(rows), rack), free)
