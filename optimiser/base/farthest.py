"""A few of many points that lie far from each other."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray


def farthest_points(points: NDArray[np.float64], count: int) -> NDArray[np.intp]:
    """Rows of the first point and of others, each the farthest from all those before it.

    Args:
        points: (n, k), at least one; coordinates in units that make distances comparable.
        count: how many are wanted; all n where there are no more. Of points that are equally far
            the first is taken, and a point that lies on a chosen one may be taken again.
    """
    chosen = [0]
    distance = np.linalg.norm(points - points[0], axis=1)
    while len(chosen) < min(count, len(points)):
        chosen.append(int(np.argmax(distance)))
        nearer = np.linalg.norm(points - points[chosen[-1]], axis=1)
        distance = np.minimum(distance, nearer)
    return np.array(chosen, dtype=np.intp)
