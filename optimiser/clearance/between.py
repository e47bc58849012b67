"""Poses between solved ones, for clearance: a small part can lie between two poses of a sweep.

Solved are the travel grid with the rack at centre and, at droop, rest and bump, a few rack
displacements either way. A point of the linkage is blended from them,

    f(t, r) = f(t, 0) + sum over rows i and columns j of  T_i(t) R_j(r) (f(t_i, r_j) - f(t_i, 0))

        r                                   x  solved
        |  x           x           x        .  blended
        |  .  .  .  .  .  .  .  .  .
        |  x           x           x        T, R  Lagrange's polynomials of the rows
        +--x--x--x--x--x--x--x--x--x--> t         and columns
        |  x           x           x

which is exact at every solved pose, and exact for the inner joint, whose place is straight in r.
Elementary interpolation; the tests measure what it leaves against the kernel.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from optimiser.vectors import Array

_MOST_TRAVELS = 9
_RACKS = 17


@dataclass(frozen=True, slots=True)
class Between:
    """A grid of F poses as blends of E solved ones.

    Attributes:
        travel_mm: wheel travel of each pose, (F,).
        share: rack displacement as a share of its end, (F,).
        weights: parts of the solved poses in each, (E, F).
    """

    travel_mm: Array
    share: Array
    weights: Array


def poses_between(travel_mm: Array, share: Array) -> Between:
    """The grid for solved poses (E,) as the head of this module has them.

    Args:
        travel_mm: wheel travel of each solved pose: a grid with `share` 0 first, then rows at
            the least of it, 0 and the greatest.
        share: rack displacement of each as a share of its end, the same in every row.
    """
    return _between(tuple(travel_mm.tolist()), tuple(share.tolist()))


@lru_cache(maxsize=16)
def _between(travels: tuple[float, ...], shares: tuple[float, ...]) -> Between:
    travel, share = np.array(travels), np.array(shares)
    grid = travel[share == 0.0]
    pick = np.round(np.linspace(0, len(grid) - 1, min(len(grid), _MOST_TRAVELS))).astype(int)
    rows, columns = np.array([grid[0], 0.0, grid[-1]]), np.unique(share)
    at_t, at_r = (
        axis.ravel()
        for axis in np.meshgrid(grid[pick], np.linspace(-1.0, 1.0, _RACKS), indexing="ij")
    )
    weights = np.zeros((len(travel), len(at_t)))
    centre = {value: index for index, value in enumerate(grid)}
    weights[[centre[t] for t in at_t], np.arange(len(at_t))] = 1.0
    in_travel, in_rack = _lagrange(at_t, rows), _lagrange(at_r, columns)
    for index in np.flatnonzero(share != 0.0):
        row = int(np.flatnonzero(rows == travel[index])[0])
        part = in_travel[row] * in_rack[int(np.flatnonzero(columns == share[index])[0])]
        weights[index] += part
        weights[centre[rows[row]]] -= part
    return Between(at_t, at_r, weights)


def _lagrange(x: Array, nodes: Array) -> Array:
    """Lagrange's polynomials (nodes, x) of distinct nodes."""
    return np.array(
        [
            np.prod([(x - other) / (node - other) for other in nodes if other != node], axis=0)
            for node in nodes
        ]
    )
