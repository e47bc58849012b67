r"""The right side of the car: the only place that knows how it follows from the left one.

The car is symmetric in its middle plane, y = 0. A right corner is held and solved as its mirror
image, which is a left corner. What both sides share shows in the mirror the other way round:

        rack at r, to the left          rack at -r
        right wheel steers left         its image, a left wheel, steers right
              |   /                           \   |

so the right wheel at rack displacement r is the mirror image of the left wheel at -r. All that is
here works both ways: the image of an image is the thing itself.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from optimiser.linkage.vectors import Array

_FLIP = np.array([1.0, -1.0, 1.0])


def mirrored(vectors: ArrayLike) -> Array:
    """Points or directions (..., 3) in the mirror: y changes sign."""
    return np.asarray(np.asarray(vectors, float) * _FLIP)


def mirrored_rack(rack_mm: ArrayLike) -> Array:
    """Rack displacement (...) in the mirror: there the bar moves the other way."""
    return np.asarray(-np.asarray(rack_mm, float))


def mirrored_steer(steer: ArrayLike) -> Array:
    """Steer angle (...), or a change of it, in the mirror: left turns become right turns."""
    return np.asarray(-np.asarray(steer, float))


def across(points: Array) -> Array:
    """Distance across the car of points (..., 3) on the left from those on the right, (...) mm."""
    return np.asarray(points[..., 1] - mirrored(points)[..., 1])
