"""How a rack lies in the car: its feet, its pinion and its bolts as one rigid body.

Frame of a rack: the origin is midway between its inner joints with the rack centred, the axes are
those of its own car, x forward, y left along the bar, z up; the catalogue calls them forward, along
and up. It is laid into this car in three steps:

    1  turned end for end, or not:  half a turn about the vertical, (x, y, z) -> (-x, -y, z)
    2  rolled about its own bar:    what was up goes rearward by a positive angle
    3  moved to its place:          the origin comes to (rack fore-aft, 0, rack height)

         z up                    z up
          |   / p                 |           seen from the left, forward to the left of the page:
          |  /                    |           a pinion p leans rearward by a, and when rolled by r
          | / a                   | a + r     by a + r
    x <---o---              x <---o---____
                                          p

Every way of laying the bar across the car is one of these: upside down is end for end and then half
a turn of roll. Turning negates where a thing is along the bar, the pinion's angle a and its lean.
Elementary geometry.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from optimiser.linkage.racks import Rack
    from optimiser.linkage.vectors import Array

HALF_TURN_DEG = 180.0
FACING_DEG = (-45.0, 135.0)
"""Angles of a pinion, from straight up and positive rearward, at which it can face a column behind
the rack: from forward of up to below the rear. Common practice, no source."""
_MIDDLE_DEG = 45.0  # of these


def laid(vectors: ArrayLike, turned: ArrayLike, roll: ArrayLike) -> Array:
    """Vectors (..., 3) of a rack's frame in the axes of this car, steps 1 and 2 of the module.

    Args:
        vectors: forward, left and up in the rack's own car; of points from the frame's origin.
        turned: whether the rack is turned end for end, (...).
        roll: about the bar, radians, positive when what was up goes rearward, (...).
    """
    given = np.asarray(vectors, float)
    sign = np.where(turned, -1.0, 1.0)
    x, y, z = sign * given[..., 0], sign * given[..., 1], given[..., 2]
    cos, sin = np.cos(roll), np.sin(roll)
    return np.stack(np.broadcast_arrays(x * cos - z * sin, y, x * sin + z * cos), axis=-1)


def pinion_axis(angle: ArrayLike, lean: ArrayLike) -> Array:
    """Direction (..., 3) of a pinion's axis, outward, `(-sin a cos l, sin l, cos a cos l)`.

    Args:
        angle: a, about the bar from straight up, positive rearward, radians.
        lean: l, along the bar, positive when the outer end is nearer the left, radians.
    """
    a, lean_ = np.broadcast_arrays(np.asarray(angle, float), np.asarray(lean, float))
    cos = np.cos(lean_)
    return np.stack([-np.sin(a) * cos, np.sin(lean_), np.cos(a) * cos], axis=-1)


def beside_bar(angle: ArrayLike) -> Array:
    """Direction (..., 3) in which a pinion's axis misses the bar's, `(cos a, 0, sin a)`.

    Square to the bar and to the axis: forward where the pinion points straight up.
    """
    a = np.asarray(angle, float)
    return np.stack([np.cos(a), np.zeros_like(a), np.sin(a)], axis=-1)


def default_roll_deg(rack: Rack, turned: bool | None) -> float:
    """Roll of a rack of which the study does not say: what keeps its pinion at its angle.

    As made it is 0; turned end for end twice `pinion_angle_deg`, which brings the pinion back to
    the angle that it has in its own car; 0 where that is not known.
    """
    return 2.0 * (rack.pinion_angle_deg or 0.0) if turned else 0.0


def roll_words(roll_deg: float) -> str:
    """A roll in words: 'by 76.0 deg, its top rearward'."""
    return f"by {abs(roll_deg):.1f} deg, its top {'rearward' if roll_deg > 0.0 else 'forward'}"


def angle_in_car_deg(angle_deg: ArrayLike, turned: ArrayLike, roll_deg: ArrayLike) -> Array:
    """Angle of a pinion in this car, `a + r` as made and `r - a` turned; NaN where a is not known.

    Args:
        angle_deg: in the rack's own car, degrees from straight up, positive rearward.
        turned: whether the rack is turned end for end.
        roll_deg: of the rack.
    """
    own = np.asarray(angle_deg, float)
    return np.asarray(np.where(turned, -own, own) + np.asarray(roll_deg, float))


def facing_deg(angle_deg: ArrayLike) -> Array:
    """The same angle within half a turn of the middle of `FACING_DEG`, from -135 to below 225."""
    low = _MIDDLE_DEG - HALF_TURN_DEG
    return np.asarray(np.mod(np.asarray(angle_deg, float) - low, 2.0 * HALF_TURN_DEG) + low)


# --- where it is fastened ------------------------------------------------------------------------

FOOT_COLUMNS = tuple(
    f"{side}_foot_{way}_mm" for side in ("left", "right") for way in ("along", "forward", "up")
)
"""Catalogue columns of both feet; along the bar to the left, forward and up in their own car."""


def own_feet(rack: Rack) -> Array:
    """Both feet (2, 3) in the rack's frame, the left one of its own car first; NaN if not known."""
    cells = [getattr(rack, name) for name in FOOT_COLUMNS]
    if None in cells:
        return np.full((2, 3), np.nan)
    along, forward, up = np.array(cells, dtype=float).reshape(2, 3).T
    return np.stack([forward, along, up], axis=-1)


def feet_in_car(own: Array, turned: ArrayLike, roll: ArrayLike) -> Array:
    """Feet (..., 2, 3) from the origin of the rack's frame, that on the left of THIS car first.

    Args:
        own: of `own_feet`, (..., 2, 3).
        turned: whether the rack is turned end for end, (...).
        roll: radians, (...).
    """
    turn, rolled = np.asarray(turned)[..., None], np.asarray(roll, float)[..., None]
    feet = laid(own, turn, rolled)
    return np.where(turn[..., None], feet[..., ::-1, :], feet)


def tilt(direction: ArrayLike) -> Array:
    """Angle in radians (...) of directions (..., 3) to the nearest axis, whichever way it points.

    CAD axes are signed body axes, so that this is the tilt to the nearest of those as well.
    """
    size = np.sort(np.abs(np.asarray(direction, float)), axis=-1)
    return np.asarray(np.arctan2(np.hypot(size[..., 0], size[..., 1]), size[..., 2]))


def distance_to_boxes(points: Array, low: Array, high: Array) -> Array:
    """Least distance in mm (...) of points (..., 3) to boxes (k, 3), 0 inside; inf of no box."""
    if not len(low):
        return np.full(points.shape[:-1], np.inf)
    at = points[..., None, :]
    gap = np.maximum(np.maximum(low - at, at - high), 0.0)
    return np.asarray(np.sqrt(np.sum(gap**2, axis=-1)).min(axis=-1))


def beyond_faces(points: Array, low: Array, high: Array) -> Array:
    """How far points (..., 3) are beyond each face, mm, (..., 6), of the box that suits them best.

    Of boxes (k, 3), k at least 1, the one of which the farthest face is the least; negative inside.
    The greatest has a slope inside too, where `distance_to_boxes` is 0.
    """
    at = points[..., None, :]
    beyond = np.concatenate([low - at, at - high], axis=-1)
    best = np.argmin(beyond.max(axis=-1), axis=-1)[..., None, None]
    return np.asarray(np.take_along_axis(beyond, best, axis=-2)[..., 0, :])
