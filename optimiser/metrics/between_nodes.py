"""A smooth curve between the even nodes at which it was solved: its peaks, and what to integrate.

        |      _.-^-._            x   solved
        |   x'         'x         .   blended, `_PARTS` parts an interval
        | .'             '.
        x-------------------x--

Between two nodes the polynomial through the six nearest nodes is taken (Lagrange's; elementary).
The tests hold peak and root mean square of Ackermann error against curves of a thousand nodes.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from optimiser.linkage.vectors import Array

_PARTS = 16
"""Of an interval: a peak between two of the points is off by a thousandth of what nodes miss."""
_NEAREST = 6


def between_nodes(values: Array) -> Array:
    """The curve (..., 17 (n - 1)) through values (..., n) at even nodes, interval after interval.

    Both ends of each interval belong to it, so that inner nodes stand twice.
    """
    # A product for each curve: its numbers then do not depend on the batch it is in.
    return np.asarray((values[..., None, :] @ _blends(values.shape[-1]))[..., 0, :])


def extremes(values: Array) -> Array:
    """Greatest and least (..., 2 (n - 1)) in each interval of the curve through values (..., n).

    The greatest of their sizes is that of the whole curve, and each changes smoothly with it but
    for the moments at which its place jumps.
    """
    curve = between_nodes(values)
    each = curve.reshape(*curve.shape[:-1], values.shape[-1] - 1, _PARTS + 1)
    return np.concatenate([each.max(axis=-1), each.min(axis=-1)], axis=-1)


def largest_between(values: Array) -> Array:
    """Greatest size (...) of the curve through values (..., n); NaN where one of them is."""
    return np.asarray(np.max(np.abs(extremes(values)), axis=-1))


@lru_cache(maxsize=8)
def _blends(nodes: int) -> Array:
    """Parts (n, 17 (n - 1)) of the nodes in the points of the curve; read-only."""
    width = min(_NEAREST, nodes)
    out = np.zeros((nodes, nodes - 1, _PARTS + 1))
    for interval in range(nodes - 1):
        first = min(max(interval - width // 2 + 1, 0), nodes - width)
        at = interval + np.linspace(0.0, 1.0, _PARTS + 1)
        mine = range(first, first + width)
        for node in mine:
            others = np.array([other for other in mine if other != node])
            part = np.prod((at[:, None] - others) / (node - others), axis=1)
            out[node, interval] = part
    blends = out.reshape(nodes, -1)
    blends.setflags(write=False)
    return blends
