"""How far the distances may be off by which both ends of a tie rod are set out.

Each of three distances of the inner joint and three of the outer joint may be off either way; toe
is reset by the tie rod, and both sides are off alike. Alone: the largest that keeps bump steer and
Ackermann error to what is accepted, as all smaller ones do, looked for in steps. All at once: to
first order the change of toe over travel is the sum of what each does; every one gets the same
share of what is left to the acceptable bump steer at the travel at which that is least, and all
are scaled until the sum uses it up. The 64 cars with each distance at one end or the other of what
it may be off are then solved in full, and all are taken smaller until each is acceptable. What the
distances are measured from is taken as drawn.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING

import numpy as np

from optimiser.metrics.setting_out import Reference, point_at
from optimiser.metrics.tolerance.built import AsBuilt
from optimiser.metrics.tolerance.spread import solve_cars

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from optimiser.linkage.hardpoints import Hardpoints
    from optimiser.linkage.vectors import Array
    from optimiser.metrics.tolerance.spread import CarCurves, Conditions

STEP_MM = 0.05
"""What is allowed is a multiple of this, rounded down."""
MOST_MM = 5.0
"""More is never allowed: limits and clearances would have to be looked at again."""
_DIFFERENCE_MM = 0.05
_COARSE = 5  # steps
_ALL_BUT = 1.0 + 1e-6
"""A search leaves designs on what is accepted, where rounding must not decide."""
_SMALLER = 0.9
_TRIES = 40
_COUNT = 6


@dataclass(frozen=True, slots=True)
class Allowed:
    """What six distances may be off either way, three of the inner joint, then three of the outer.

    Multiples of `STEP_MM`; 0 where less than one is allowed.

    Attributes:
        at_once_mm: all of them at once, each the worst way.
        alone_mm: each by itself, the other five exact.
        bump_steer: the most that any of the 64 cars then has, radians.
        ackermann_error: likewise.
    """

    at_once_mm: tuple[float, ...]
    alone_mm: tuple[float, ...]
    bump_steer: float
    ackermann_error: float


def allowed_off(
    points: Hardpoints,
    inner: Sequence[Reference],
    outer: Sequence[Reference],
    conditions: Conditions,
    acceptable: tuple[float, float],
) -> Allowed | None:
    """Of one design (unbatched points) and the three references of each joint.

    Args:
        points: the left corner at rest.
        inner: what the inner joint is set out from.
        outer: what the outer joint is set out from.
        conditions: what cars are judged under.
        acceptable: bump steer and Ackermann error, radians.

    Returns None where the design itself is not acceptable, or cannot be assembled.
    """

    def built(off: Array) -> CarCurves:
        corners = _corners(points, inner, outer, off, conditions)
        return solve_cars(corners, corners, conditions)

    def kept(off: Array) -> NDArray[np.bool_]:
        curves = built(off.reshape(-1, _COUNT))
        good = curves.bump_steer <= acceptable[0] * _ALL_BUT
        good &= curves.largest_ackermann_error <= acceptable[1] * _ALL_BUT
        return np.asarray(good).reshape(off.shape[:-1])

    if not kept(np.zeros((1, _COUNT))).all():
        return None
    alone = _alone(kept)
    allowed = np.minimum(_first_order(built, acceptable[0]), alone)
    ends = np.array(list(product((-1.0, 1.0), repeat=_COUNT)))
    for _ in range(_TRIES):
        whole = STEP_MM * np.floor(allowed / STEP_MM + 1e-9)
        if kept(ends * whole).all():
            break
        allowed = _SMALLER * allowed
    else:
        whole = np.zeros(_COUNT)
    curves = built(ends * whole)
    return Allowed(
        tuple(whole.round(9).tolist()),
        tuple(alone.round(9).tolist()),
        float(np.max(curves.bump_steer)),
        float(np.max(curves.largest_ackermann_error)),
    )


def _alone(kept: Callable[[Array], NDArray[np.bool_]]) -> Array:
    """What each may be off by itself, the lesser of both ways, (6,): up to the first that fails."""
    ways = np.array([1.0, -1.0])[:, None, None] * np.eye(_COUNT)  # (2, 6, 6)

    def reached(sizes: Array) -> NDArray[np.intp]:
        good = kept(sizes[..., None] * ways[:, :, None])
        return np.asarray(np.logical_and.accumulate(good, axis=-1).sum(axis=-1))

    coarse = _COARSE * STEP_MM
    grid = np.broadcast_to(coarse * np.arange(1, round(MOST_MM / coarse) + 1), (2, _COUNT, 20))
    size = coarse * reached(grid)
    fine = size[..., None] + STEP_MM * np.arange(1, _COARSE)
    size = np.where(size < MOST_MM, size + STEP_MM * reached(fine), MOST_MM)
    return np.asarray(size.min(axis=0))


def _first_order(built: Callable[[Array], CarCurves], most: float) -> Array:
    """What all may be off at once to first order, (6,), each with the same share of bump steer."""
    steps = _DIFFERENCE_MM * np.eye(_COUNT)
    toe = built(np.concatenate([np.zeros((1, _COUNT)), steps, -steps])).counted[:, 0]
    left = most - np.abs(toe[0])
    rates = np.abs(toe[1 : _COUNT + 1] - toe[_COUNT + 1 :]) / (2.0 * _DIFFERENCE_MM)
    with np.errstate(divide="ignore", invalid="ignore"):
        allowed = np.nanmin(left / (_COUNT * rates), axis=1, initial=MOST_MM)
        return np.asarray(allowed * np.nanmin(left / (allowed @ rates), initial=MOST_MM))


def _corners(
    points: Hardpoints,
    inner: Sequence[Reference],
    outer: Sequence[Reference],
    off_mm: Array,
    conditions: Conditions,
) -> AsBuilt:
    """Left corners of which each distance is off by (C, 6) mm, toe reset."""
    ends = [
        point_at(threes, np.array([one.distance(at) for one in threes]) + off, at)
        for threes, at, off in (
            (inner, points.inner_joint, off_mm[:, :3]),
            (outer, points.outer_joint, off_mm[:, 3:]),
        )
    ]
    attitude = conditions.attitude.over(off_mm.shape[:1])
    return AsBuilt(points.with_tie_rod(ends[1], ends[0]), attitude)
