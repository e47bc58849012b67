"""Dominance, fronts and hypervolume. Every objective is minimised.

One row is one design, one column one objective. Row a dominates row b when it is no greater in
every objective and smaller in at least one. Hence:

* rows that are exactly equal do not dominate each other: all copies are on the front or none is;
* a row that equals another in some objectives and is greater in the rest (weakly dominated) is
  off the front;
* a row with a NaN in any objective is never on a front and takes part in nothing.

Libraries differ in the first two, so a comparison has to state its rule. Array shapes are
(designs, objectives) throughout. The functions raise `ValueError` on arrays that do not fit
together: no user input reaches them unchecked.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray

    Floats = NDArray[np.float64]
    Mask = NDArray[np.bool_]
    Indices = NDArray[np.intp]

_BLOCK = 256
"""Rows compared with all earlier ones at a time, from four objectives on: bounds the memory."""

HYPERVOLUME_OBJECTIVES_MAX = 4
"""Objectives up to which `hypervolume` is offered; its cost grows steeply with their number."""


def non_dominated(values: ArrayLike) -> Mask:
    """Tell which rows no other row dominates (duplicates kept, weakly dominated rows out).

    Args:
        values: Objectives, shape (n, m) with m >= 1; n may be zero.

    Returns:
        Mask of shape (n,), true on the front. Rows holding NaN are false.

    Raises:
        ValueError: The array does not have two axes, or has no objective.
    """
    table = _table(values)
    rows, copies, usable = _distinct_rows(table)
    mask = np.zeros(len(table), dtype=np.bool_)
    mask[usable] = _front_of_sorted(rows)[copies]
    return mask


def non_dominated_ranks(values: ArrayLike) -> Indices:
    """Number the fronts that appear as each is peeled off the rest (non-dominated sorting).

    Source of the ranking: Deb, Pratap, Agarwal and Meyarivan, A fast and elitist multiobjective
    genetic algorithm: NSGA-II, 2002.

    Args:
        values: Objectives, shape (n, m) with m >= 1.

    Returns:
        Ranks of shape (n,): 0 on the front, 1 on the front of what remains, and so on. Duplicates
        share a rank. Rows holding NaN get n, which no other row can reach, so that they sort last.

    Raises:
        ValueError: The array does not have two axes, or has no objective.
    """
    table = _table(values)
    rows, copies, usable = _distinct_rows(table)
    ranks = np.full(len(table), len(table), dtype=np.intp)
    rank = _ranks_of_pairs if rows.shape[1] == 2 else _ranks_by_peeling
    ranks[usable] = rank(rows)[copies]
    return ranks


def crowding_distance(values: ArrayLike) -> Floats:
    """Measure how far each row of one front stands from its neighbours (Deb et al., 2002).

    Per objective the rows are sorted; the first and last get infinity, each other row the gap
    between its two neighbours as a share of the objective's range. Ties are ordered by the other
    objectives in turn, copies of a row by their index. An objective that is the same in all rows
    adds nothing.

    Args:
        values: Objectives of the rows of one front, shape (n, m) with m >= 1.

    Returns:
        Distances of shape (n,), a sum over objectives, without unit. One or two rows are at
        infinity. Rows that are not finite get NaN and are nobody's neighbour.

    Raises:
        ValueError: The array does not have two axes, or has no objective.
    """
    table = _table(values)
    finite = np.isfinite(table).all(axis=1)
    distance = np.full(len(table), np.nan)
    distance[finite] = _crowding_of_finite(table[finite])
    return distance


def hypervolume(values: ArrayLike, reference: ArrayLike) -> float:
    """Measure the part of objective space that the rows dominate, up to a reference point.

    Exact. Rows that do not lie below the reference in every objective add nothing, nor do
    dominated rows, copies or rows holding NaN. Swept in the last objective: what a row newly
    covers in the others counts from that row to the reference. With four, that is its own box
    less the volume of the earlier rows clipped to it (the exclusive volume of While, Bradstreet
    and Barone, A fast way of calculating exact hypervolumes, 2012).

    Args:
        values: Objectives, shape (n, m), m from 1 to 4.
        reference: Reference point, shape (m,), finite.

    Returns:
        The dominated volume, in the product of the objectives' units; 0 without rows.

    Raises:
        ValueError: Shapes do not fit, m is out of range, the reference is not finite, or a row
            holds minus infinity (its volume would not be finite).
    """
    table = _table(values)
    corner = np.asarray(reference, dtype=np.float64)
    objectives = table.shape[1]
    if objectives > HYPERVOLUME_OBJECTIVES_MAX:
        raise ValueError(f"hypervolume takes 1 to {HYPERVOLUME_OBJECTIVES_MAX} objectives")
    if corner.shape != (objectives,):
        raise ValueError(f"the reference has shape {corner.shape}, expected ({objectives},)")
    if not np.isfinite(corner).all():
        raise ValueError("the reference is not finite")
    if np.isneginf(table).any():
        raise ValueError("an objective is minus infinity")
    inside = table[(table < corner).all(axis=1)]
    if not len(inside):
        return 0.0
    inside = inside[non_dominated(inside)]
    if objectives == 1:
        return float(corner[0] - inside[0, 0])
    if objectives == 2:
        return _area(inside, corner)
    if objectives == 3:
        return _volume(inside, corner)
    return _four_volume(inside, corner)


def feasible_front(values: ArrayLike, feasible: ArrayLike) -> Indices:
    """Pick the rows that are on the front of the feasible rows.

    Args:
        values: Objectives, shape (n, m) with m >= 1.
        feasible: Booleans of shape (n,).

    Returns:
        Row numbers in rising order of the first objective; ties by the next objectives in turn,
        copies of a row by their index.

    Raises:
        ValueError: Shapes do not fit, or `feasible` is not boolean.
    """
    table = _table(values)
    allowed = np.asarray(feasible)
    if allowed.shape != (len(table),):
        raise ValueError(f"feasible has shape {allowed.shape}, expected ({len(table)},)")
    if allowed.dtype != np.bool_:
        raise ValueError(f"feasible holds {allowed.dtype}, expected booleans")
    candidates = np.flatnonzero(allowed)
    chosen = candidates[non_dominated(table[candidates])]
    return chosen[_lexical_order(table[chosen])]


NO_MATTER = 0.01
"""A share of what is acceptable that is not worth anything else."""


def best_ratio(values: ArrayLike, acceptable: ArrayLike) -> int:
    """Pick the winner: the row whose worst ratio of objective to acceptable value is least.

    Of rows within `NO_MATTER` of that the one with the least sum of ratios: the least of the worst
    gives up much of one objective for next to nothing of another. A row above what is acceptable
    never takes the place of one that is not. A tie goes to the lower worst ratio, then to the
    lower row number.

    Args:
        values: Objectives, shape (n, m) with m >= 1.
        acceptable: What would be acceptable in each objective, shape (m,), greater than zero.

    Returns:
        The row's number. Rows that are not finite are never picked.

    Raises:
        ValueError: Shapes do not fit, an acceptable value is not a finite number above zero, or
            no row is finite.
    """
    table = _table(values)
    wanted = np.asarray(acceptable, dtype=np.float64)
    if wanted.shape != (table.shape[1],):
        raise ValueError(f"acceptable has shape {wanted.shape}, expected ({table.shape[1]},)")
    if not (np.isfinite(wanted) & (wanted > 0.0)).all():
        raise ValueError("an acceptable value is not a finite number above zero")
    candidates = np.flatnonzero(np.isfinite(table).all(axis=1))
    if not len(candidates):
        raise ValueError("no row is finite, so there is nothing to pick from")
    ratios = table[candidates] / wanted
    worst = ratios.max(axis=1)
    limit = worst.min() + NO_MATTER
    if worst.min() <= 1.0:
        limit = min(limit, 1.0)
    near = np.flatnonzero(worst <= limit)
    order = np.lexsort((worst[near], ratios[near].sum(axis=1)))
    return int(candidates[near[order[0]]])


def _table(values: ArrayLike) -> Floats:
    table = np.asarray(values, dtype=np.float64)
    if table.ndim != 2 or table.shape[1] == 0:
        raise ValueError(
            f"objectives have shape {table.shape}, expected (designs, objectives) "
            "with at least one objective"
        )
    return table


def _lexical_order(table: Floats) -> Indices:
    """Row order by the first objective, ties by the second and so on, copies by their index."""
    return np.lexsort(tuple(table.T[::-1]))


def _distinct_rows(table: Floats) -> tuple[Floats, Indices, Indices]:
    """Distinct rows without NaN in lexical order.

    Also, for every row without NaN, its place among the distinct ones, and its row number.
    """
    usable = np.flatnonzero(~np.isnan(table).any(axis=1))
    rows = table[usable]
    order = _lexical_order(rows)
    rows = rows[order]
    is_new = np.ones(len(rows), dtype=np.bool_)
    is_new[1:] = (rows[1:] != rows[:-1]).any(axis=1)
    copies = np.empty(len(rows), dtype=np.intp)
    copies[order] = np.cumsum(is_new) - 1
    return rows[is_new], copies, usable


def _front_of_sorted(rows: Floats) -> Mask:
    """Front of distinct rows in lexical order.

    A row is then dominated exactly if an earlier row is no greater in all but the first objective:
    the order has settled that one, and distinctness makes one of the comparisons strict.
    """
    objectives = rows.shape[1]
    mask = np.ones(len(rows), dtype=np.bool_)
    if objectives == 1:
        mask[1:] = False
        return mask
    if objectives == 2:
        mask[1:] = rows[1:, 1] < np.minimum.accumulate(rows[:-1, 1])
        return mask
    if objectives == 3:
        return _front_by_staircase(rows)
    return _front_by_blocks(rows)


def _front_by_staircase(rows: Floats) -> Mask:
    """Front of sorted rows of three objectives: which rows stick out of a growing staircase."""
    mask = np.zeros(len(rows), dtype=np.bool_)
    # Dominance needs the order alone: places instead of values let the sentinels lie outside
    # even of infinity.
    places = [np.unique(column, return_inverse=True)[1].tolist() for column in rows[:, 1:].T]
    xs, ys = [-1, len(rows)], [len(rows), -1]
    for number, (x, y) in enumerate(zip(*places, strict=True)):
        steps = _steps_covered(xs, ys, x, y)
        if steps is not None:
            xs[steps], ys[steps] = [x], [y]
            mask[number] = True
    return mask


def _front_by_blocks(rows: Floats) -> Mask:
    """Front of sorted rows of any number of objectives, a block against the front so far."""
    mask = np.zeros(len(rows), dtype=np.bool_)
    columns = np.ascontiguousarray(rows[:, 1:].T)
    front = columns[:, :0]
    for start in range(0, len(rows), _BLOCK):
        block = columns[:, start : start + _BLOCK]
        inside = np.logical_not(np.any(_covers(front, block), axis=1))
        survivors = block[:, inside]
        # A survivor is dominated only by another one; np.tri leaves each its predecessors.
        size = survivors.shape[1]
        covered = (_covers(survivors, survivors) & np.tri(size, size, -1, dtype=np.bool_)).any(1)
        inside[np.flatnonzero(inside)[covered]] = False
        mask[start : start + _BLOCK] = inside
        front = np.concatenate((front, block[:, inside]), axis=1)
    return mask


def _covers(points: Floats, block: Floats) -> Mask:
    """Whether each of the points is nowhere above each of the block; shape (block, points)."""
    result = np.ones((block.shape[1], points.shape[1]), dtype=np.bool_)
    for point, bound in zip(points, block, strict=True):
        result &= point <= bound[:, None]
    return result


def _ranks_of_pairs(rows: Floats) -> Indices:
    """Ranks of distinct sorted rows of two objectives, in n log n.

    The lowest second objective of each front so far rises from front to front, so that the number
    of fronts that dominate a row is found by bisection.
    """
    lowest: list[float] = []
    ranks = np.empty(len(rows), dtype=np.intp)
    for number, height in enumerate(rows[:, 1].tolist()):
        rank = bisect_right(lowest, height)
        lowest[rank : rank + 1] = [height]
        ranks[number] = rank
    return ranks


def _ranks_by_peeling(rows: Floats) -> Indices:
    ranks = np.empty(len(rows), dtype=np.intp)
    left = np.arange(len(rows))
    rank = 0
    while len(left):
        on_front = _front_of_sorted(rows[left])
        ranks[left[on_front]] = rank
        left = left[~on_front]
        rank += 1
    return ranks


def _crowding_of_finite(table: Floats) -> Floats:
    count, objectives = table.shape
    if count <= 2:
        return np.full(count, np.inf)
    distance = np.zeros(count)
    for objective in range(objectives):
        column = table[:, objective]
        span = column.max() - column.min()
        if span == 0.0:
            continue
        order = _lexical_order(np.roll(table, -objective, axis=1))
        ordered = column[order]
        distance[order[[0, -1]]] = np.inf
        distance[order[1:-1]] += (ordered[2:] - ordered[:-2]) / span
    return distance


def _area(front: Floats, corner: Floats) -> float:
    """Dominated area of a front of two objectives.

    f1 | . . . . . . r     Each row covers the box from itself to the corner r; along f0 it adds
       | a . . . . .       the strip by which it undercuts the row before.
       |     b . . .
       +------------- f0
    """
    front = front[_lexical_order(front)]
    ceiling = np.concatenate((corner[1:], front[:-1, 1]))
    return float(np.sum((corner[0] - front[:, 0]) * (ceiling - front[:, 1])))


def _volume(rows: Floats, corner: Floats) -> float:
    """Dominated volume of rows of three objectives, all below the corner.

    Swept in the third objective: the area by which a row enlarges the staircase of the earlier
    ones, times the distance left to the corner. Dominated rows enlarge nothing.
    """
    right, top, end = corner.tolist()
    xs, ys = [-np.inf, right], [top, -np.inf]
    volume = 0.0
    for x, y, z in rows[np.argsort(rows[:, 2], kind="stable")].tolist():
        steps = _steps_covered(xs, ys, x, y)
        if steps is None:
            continue
        area, edge = 0.0, x
        for step in range(steps.start, steps.stop + 1):
            area += (xs[step] - edge) * (ys[step - 1] - y)
            edge = xs[step]
        xs[steps], ys[steps] = [x], [y]
        volume += area * (end - z)
    return volume


def _four_volume(front: Floats, corner: Floats) -> float:
    """Dominated volume of a front of four objectives, row by row in the fourth."""
    front = front[np.argsort(front[:, 3], kind="stable")]
    boxes = np.prod(corner[:3] - front[:, :3], axis=1)
    total = 0.0
    for number, row in enumerate(front):
        clipped = np.maximum(front[:number, :3], row[:3])
        new = boxes[number] - _volume(clipped, corner[:3])
        total += max(new, 0.0) * (corner[3] - row[3])
    return float(total)


def _steps_covered(
    xs: Sequence[float], ys: Sequence[float], x: float, y: float
) -> slice[int, int, None] | None:
    """Steps of a staircase that a new corner covers, or None where it is covered itself.

    y | o---+              The corners o lie at rising x and falling y, with a sentinel at either
      |     o----+         end. A new corner * replaces those that lie right of and above it.
      |       *  o--
      +-------------- x
    """
    first = bisect_left(xs, x)
    if ys[first - 1] <= y or (xs[first] == x and ys[first] <= y):
        return None
    last = first
    while ys[last] >= y:
        last += 1
    return slice(first, last)
