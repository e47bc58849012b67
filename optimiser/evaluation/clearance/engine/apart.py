"""Lower bounds on the distance of parts that move, from one pose and the boxes around their ends.

Whatever direction n is taken, two lines whose ends stay within boxes are never closer than

    min of n.p over the boxes of the one's ends  -  max of n.q over those of the other's

        +---+                 +---+
        | o-|-----------------|-o |     the one, somewhere within its boxes
        +---+                 +---+
          ^ n        bound
             +---+       +---+
             | o-|-------|-o |          the other
             +---+       +---+

The n of any pose in which they were measured serves well for all the others. This costs as much
as one pose does, and settles most pairs of a car.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from optimiser.evaluation.clearance.engine.components import Vector, dot
from optimiser.evaluation.clearance.engine.cylinder import (
    cylinder_reach,
    segment_cylinder_normal,
)
from optimiser.evaluation.clearance.engine.distance import (
    segment_box_normal,
    segment_segment_normal,
)

if TYPE_CHECKING:
    from optimiser.linkage.vectors import Array

Box = tuple[Vector, Vector]
Ends = tuple[Vector, Vector, Box, Box]
"""Start and end of n segments in any one pose, components (n,) mm, and the boxes in which start
and end stay over all poses, by their least and greatest corners."""


def box_apart(line: Ends, low: Vector, high: Vector) -> Array:
    """Bound on the signed distance of moving segments to boxes from `low` to `high`, (n,)."""
    start, end, *boxes = line
    _, normal = segment_box_normal(start, end, low, high)
    return np.minimum(*(_least(normal, box) for box in boxes)) - _most(normal, (low, high))


def cylinder_apart(line: Ends, start: Vector, end: Vector, size: Vector) -> Array:
    """Bound on the signed distance of moving segments to cylinders; see `engine.cylinder`."""
    p, q, *boxes = line
    _, normal = segment_cylinder_normal(p, q, start, end, size)
    nearest = np.minimum(*(_least(normal, box) for box in boxes))
    return np.asarray(nearest - cylinder_reach(normal, start, end, size))


def segment_apart(line: Ends, other: Ends) -> Array:
    """Bound on the distance of moving segments to others, (n,)."""
    start, end, *boxes = line
    other_start, other_end, *others = other
    _, normal = segment_segment_normal(start, end, other_start, other_end)
    nearest = np.minimum(*(_least(normal, box) for box in boxes))
    return np.asarray(nearest - np.maximum(*(_most(normal, box) for box in others)))


def _least(n: Vector, box: Box) -> Array:
    """Least scalar product of n with the points of a box."""
    return _middle(n, box) - _reach(n, box)


def _most(n: Vector, box: Box) -> Array:
    return _middle(n, box) + _reach(n, box)


def _middle(n: Vector, box: Box) -> Array:
    (x0, y0, z0), (x1, y1, z1) = box
    return 0.5 * dot(n, (x0 + x1, y0 + y1, z0 + z1))


def _reach(n: Vector, box: Box) -> Array:
    (x0, y0, z0), (x1, y1, z1) = box
    return 0.5 * dot((np.abs(n[0]), np.abs(n[1]), np.abs(n[2])), (x1 - x0, y1 - y0, z1 - z0))
