r"""Setting a point out on a car: by distances from points that are there, and from the ground.

        A         B           P lies on a sphere about each of A, B and C. An error dd in one of the
         \       /            distances moves it by dP, with u the directions from A, B, C to P:
          \     /
           \   /                  dd = U dP,   U = (u_A, u_B, u_C), a row each
            \ /
             P------C         so that |dP| <= |dd| / s, s the least singular value of U.

Three directions square to one another have s = 1; all in one plane s = 0, and P slides freely. The
ground is a sphere without end: its direction is up, its distance the height. Elementary geometry.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from optimiser.linkage.vectors import norm, unit

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike

    from optimiser.linkage.vectors import Array

_STEPS = 6
"""Newton's steps: of a millimetre in a distance of a hundred three are exact to rounding."""
_UP = np.array([0.0, 0.0, 1.0])


@dataclass(frozen=True, slots=True, eq=False)
class Reference:
    """Something to measure from, in body axes.

    Attributes:
        name: what it is called.
        at: the point, (3,) mm; None: the ground, from which heights are measured.
    """

    name: str
    at: Array | None

    def distance(self, point: ArrayLike) -> Array:
        """Distance of points (..., 3), or their height, (...) mm."""
        at = np.asarray(point, float)
        return np.asarray(at[..., 2]) if self.at is None else norm(at - self.at)

    def direction(self, point: ArrayLike) -> Array:
        """The way in which that grows fastest, a unit vector, (..., 3)."""
        at = np.asarray(point, float)
        return np.broadcast_to(_UP, at.shape) if self.at is None else unit(at - self.at)


@dataclass(frozen=True, slots=True)
class BestThree:
    """The three distances that hold a point best.

    Attributes:
        indices: of the references, in their order.
        least: least singular value of their directions, 0 to 1.
    """

    indices: tuple[int, int, int]
    least: float


def best_three(point: ArrayLike, references: Sequence[Reference]) -> BestThree:
    """Of all threes of references that whose least singular value is greatest; the first of equals.

    Raises:
        ValueError: there are fewer than three.
    """
    if len(references) < 3:
        raise ValueError("it takes three references")
    directions = np.array([one.direction(point) for one in references])
    threes = list(combinations(range(len(references)), 3))
    least = np.linalg.svd(directions[np.array(threes)], compute_uv=False)[:, -1]
    best = int(np.argmax(least.round(9)))
    return BestThree(threes[best], float(least[best]))


def point_at(references: Sequence[Reference], distances: ArrayLike, near: ArrayLike) -> Array:
    """The point (..., 3) at three distances (..., 3), of the two that there are that near `near`.

    By Newton's method from there; NaN where the distances have no point in common nearby.
    """
    wanted = np.asarray(distances, float)
    point = np.broadcast_to(np.asarray(near, float), (*wanted.shape[:-1], 3))
    for _ in range(_STEPS):
        found = np.stack([one.distance(point) for one in references], axis=-1)
        ways = np.stack([one.direction(point) for one in references], axis=-2)
        point = point + np.linalg.solve(ways, (wanted - found)[..., None])[..., 0]
    found = np.stack([one.distance(point) for one in references], axis=-1)
    missed = np.abs(found - wanted).max(axis=-1) > 1e-6
    return np.where(missed[..., None], np.nan, point)
