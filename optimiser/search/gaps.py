"""Gaps in a front of three or four objectives, by the volume that designs there would gain.

Such a front is a surface. The distance between two of its designs says little of what lies between
them: along one objective it may be long and worth nothing. So points are scattered over the box of
the objectives, and what counts is how many of them, that no design dominates yet, the design half
way between two neighbours would dominate.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from optimiser.linkage.vectors import Array
    from optimiser.search.residuals import Indices, Mask

NEAREST = 6
_POINTS = 4000


def widest_gaps(values: Array, reference: Array, count: int) -> tuple[Indices, Indices]:
    """Pairs of designs with the most to gain between them, each with what the others leave.

    Args:
        values: objectives (n, m) of a front, below the reference.
        reference: where the box ends, (m,).
        count: how many pairs are wanted; fewer where nothing more would be gained.
    """
    none = np.empty(0, dtype=np.intp)
    if len(values) < 2:
        return none, none
    low = values.min(axis=0)
    share = (values - low) / np.maximum(reference - low, 1e-12)
    first, second = _near(share)
    points = np.random.default_rng(0).random((_POINTS, share.shape[1]))
    points = points[~_dominates(share, points).any(axis=0)]
    gains = _dominates(0.5 * (share[first] + share[second]), points)
    chosen: list[int] = []
    while len(chosen) < count:
        total = gains.sum(axis=1)
        widest = int(np.argmax(total))
        if not total[widest]:
            break
        chosen.append(widest)
        gains[:, gains[widest]] = False
    return first[chosen], second[chosen]


def _near(share: Array) -> tuple[Indices, Indices]:
    """Each design with those nearest to it, a pair once."""
    distance = np.linalg.norm(share[:, None, :] - share[None, :, :], axis=2)
    np.fill_diagonal(distance, np.inf)
    near = np.argsort(distance, axis=1, kind="stable")[:, : min(NEAREST, len(share) - 1)]
    first = np.repeat(np.arange(len(share)), near.shape[1])
    pairs = np.unique(np.sort(np.stack([first, near.ravel()], axis=1), axis=1), axis=0)
    return pairs[:, 0], pairs[:, 1]


def _dominates(designs: Array, points: Array) -> Mask:
    """Where design k is at most point p in every objective, (K, P)."""
    result = np.ones((len(designs), len(points)), dtype=bool)
    for design, point in zip(designs.T, points.T, strict=True):
        result &= design[:, None] <= point
    return result
