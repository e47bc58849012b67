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
Where no travel t of the grid is, f(t, 0) is a cubic through the four nearest. Elementary
interpolation; the tests measure what it leaves against the kernel.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimiser.linkage.vectors import Array

_TRAVELS = 9
"""Least number of wheel travels, evenly from end to end."""
_APART_MM = 15.0
"""Greatest distance of one to the next; there are more of them where it takes more."""
_RACKS = 17


@dataclass(frozen=True, slots=True)
class Between:
    """A grid of F poses as blends of E solved ones, which it contains.

    Attributes:
        travel_mm: wheel travel of each pose, (F,).
        share: rack displacement as a share of its end, (F,).
    """

    travel_mm: Array
    share: Array
    _curve: Array | None
    _centre: NDArray[np.intp]
    _turned: NDArray[np.intp]
    _straight: NDArray[np.intp]
    _weights: Array

    def blend(self, points: Array) -> Array:
        """Points (3, N, F) from the solved ones (3, N, E)."""
        curve = points
        if self._curve is not None:
            curve = (points[..., None, :] @ self._curve)[..., 0, :]
        # One row more than there are: where a power of two of them makes the three coordinates
        # lie whole pages apart, they push each other out of the cache.
        axes, count, _ = points.shape
        out = np.empty((axes, count + 1, len(self._centre)))[:, :count]
        out[...] = curve.take(self._centre, axis=-1)
        moved = points.take(self._turned, axis=-1)
        moved -= points.take(self._straight, axis=-1)
        # A product for each design: its numbers then do not depend on the batch it is in.
        out += (moved[..., None, :] @ self._weights)[..., 0, :]
        return out


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
    rows, columns = np.array([grid[0], 0.0, grid[-1]]), np.unique(share)
    number = max(_TRAVELS, 1 + int(np.ceil((grid[-1] - grid[0]) / _APART_MM - 1e-9)))
    even = np.linspace(grid[0], grid[-1], number)
    # Of a travel that is all but on the grid the grid's is taken.
    nearest = grid[np.argmin(np.abs(even[:, None] - grid), axis=1)]
    fine = np.union1d(np.where(np.abs(even - nearest) < 0.05 * _APART_MM, nearest, even), rows)
    racks = np.union1d(np.linspace(-1.0, 1.0, _RACKS), columns)
    at_t, at_r = (axis.ravel() for axis in np.meshgrid(fine, racks, indexing="ij"))
    others = np.setdiff1d(grid, fine)
    at_t = np.concatenate([at_t, others])
    at_r = np.concatenate([at_r, np.zeros(len(others))])
    centre = {value: index for index, value in enumerate(grid)}
    curve = None
    place = centre
    if not np.isin(fine, grid).all():
        all_t = np.union1d(fine, grid)
        curve = np.zeros((len(travel), len(all_t)))
        curve[: len(grid)] = _cubics(all_t, grid)
        place = {value: index for index, value in enumerate(all_t)}
    turned = np.flatnonzero(share != 0.0)
    straight = np.array([centre[travel[index]] for index in turned], dtype=np.intp)
    in_travel, in_rack = _lagrange(at_t, rows), _lagrange(at_r, columns)
    weights = np.array(
        [
            in_travel[int(np.flatnonzero(rows == travel[index])[0])]
            * in_rack[int(np.flatnonzero(columns == share[index])[0])]
            for index in turned
        ]
    )
    at = np.array([place[t] for t in at_t], dtype=np.intp)
    return Between(at_t, at_r, curve, at, turned, straight, weights)


def _lagrange(x: Array, nodes: Array) -> Array:
    """Lagrange's polynomials (nodes, x) of distinct nodes."""
    return np.array(
        [
            np.prod([(x - other) / (node - other) for other in nodes if other != node], axis=0)
            for node in nodes
        ]
    )


def _cubics(x: Array, nodes: Array) -> Array:
    """Parts (nodes, x) of rising nodes in a cubic through the four nearest to each x."""
    out = np.zeros((len(nodes), len(x)))
    width = min(4, len(nodes))
    for index, value in enumerate(x):
        begin = int(np.searchsorted(nodes, value)) - width // 2
        begin = min(max(begin, 0), len(nodes) - width)
        mine = slice(begin, begin + width)
        out[mine, index] = _lagrange(np.array([value]), nodes[mine])[:, 0]
    return out
