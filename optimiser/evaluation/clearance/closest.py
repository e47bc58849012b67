"""The closest pairs of a design, for studies with too many pairs for a column each."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from optimiser.evaluation.quantities import (
    CLOSEST,
    TYRE_CLOSEST,
    closest_names,
    is_of_tyre,
    is_pair,
    pair_words,
)

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping

    from numpy.typing import NDArray

    from optimiser.linkage.vectors import Array


def closest_pairs(
    found: Mapping[str, Array], far_mm: float, keep: Collection[str]
) -> tuple[dict[str, Array], dict[str, NDArray[np.object_]]]:
    """Numbers and names of the closest pairs of N designs in place of every pair's number.

    Args:
        found: what `clearance_metrics` gives.
        far_mm: distance from which on nobody is told which pair it is.
        keep: columns of pairs that are asked for by name and stay.
    """
    own, tyre, rest = _sorted(tuple(found))
    numbers = {"clearance_mm": found["clearance_mm"]}
    names: dict[str, NDArray[np.object_]] = {}
    least = _least(found, own, far_mm, CLOSEST)
    for (name, column), words, values in zip(closest_names(), *least, strict=True):
        numbers[column], names[name] = values, words
    if "tyre_clearance_mm" in found:
        numbers["tyre_clearance_mm"] = found["tyre_clearance_mm"]
        names[TYRE_CLOSEST] = _least(found, tyre, far_mm, 1)[0][0]
    kept = {name: found[name] for name in (*keep, *rest) if name in found}
    return numbers | kept, names


@lru_cache(maxsize=16)
def _sorted(columns: tuple[str, ...]) -> tuple[tuple[str, ...], tuple[str, ...], tuple[str, ...]]:
    """Columns of pairs, of the tyre's pairs, and the others."""
    tyre = tuple(filter(is_of_tyre, columns))
    pairs = tuple(filter(is_pair, columns))
    own = tuple(name for name in pairs if not is_of_tyre(name))
    totals = ("clearance_mm", "tyre_clearance_mm")
    known = {*pairs, *totals}
    return own, tyre, tuple(name for name in columns if name not in known)


@lru_cache(maxsize=16)
def _words(pairs: tuple[str, ...]) -> NDArray[np.object_]:
    """Pairs in words, and at the end none."""
    return np.array([*map(pair_words, pairs), ""], dtype=object)


def _least(
    found: Mapping[str, Array], pairs: tuple[str, ...], far_mm: float, count: int
) -> tuple[list[NDArray[np.object_]], list[Array]]:
    """Words and distances of the `count` closest, an array (N,) each; far ones have no words."""
    size = len(found["clearance_mm"])
    # What is not there is far away, or of a design of which nothing is known.
    far = np.where(np.isnan(found["clearance_mm"]), np.nan, far_mm)
    if not pairs:
        return [np.full(size, "", dtype=object)] * count, [far] * count
    table = np.stack([found[name] for name in pairs])
    known = np.where(np.isnan(table), np.inf, table)
    if len(pairs) > count:
        # Of equal distances the first pair: the order must not hang on the batch.
        kept = np.argpartition(known, count - 1, axis=0)[:count]
        edge = np.take_along_axis(known, kept, axis=0).max(axis=0)
        known = np.where(known > edge, np.inf, known)
    order = np.argsort(known, axis=0, kind="stable")[:count]
    values = [np.take_along_axis(table, rank[None], axis=0)[0] for rank in order]
    words = _words(pairs)
    names = [
        words[np.where(each < far_mm, rank, len(pairs))]
        for rank, each in zip(order, values, strict=True)
    ]
    missing = count - len(order)
    names += [np.full(size, "", dtype=object)] * missing
    values += [far] * missing
    return names, values
