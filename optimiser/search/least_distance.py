"""The step of `linear_steps` where a root of a sum of squares is made small: least distances.

The linear programme cuts the ball of such an objective by planes, and needs many of them. Here the
step is the exact answer of a quadratic programme, one for each design,

    least |r + J d|^2 + (eps d')^2 + (rho e)^2  with  c + C d <= e,  bounds,  |d_k| <= trust region,

r being the rows of the objective, d' the variables that it does not know (they follow the limits,
and stay near where they are), e what a limit that cannot be kept yet is broken by. In the variables
x = (r + J d, eps d', rho e) it asks for the point nearest to the origin on one side of planes:
least distance programming, by non-negative least squares. Lawson and Hanson, Solving Least Squares
Problems, chapter on inequality constraints (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.optimize import nnls

from optimiser.search.linear_steps import MARGIN, Task

if TYPE_CHECKING:
    from optimiser.linkage.vectors import Array
    from optimiser.search.residuals import Indices

_PROXIMAL = 0.1
"""Weight eps of a step through the whole range of a variable, against the objective's present
size; so small that it only decides where the limits leave a choice."""
_BROKEN = 1e4
"""Weight rho of breaking a limit by a millimetre or degree, against the same."""
_WITHIN = 1e-5
"""What a limit is to be kept by: more than the weight of breaking it leaves."""
_LEAST_SIZE = 1.0


@dataclass(frozen=True, slots=True)
class LeastDistance(Task):
    """Steps that make the root of a sum of squares small; the other objectives are left out."""

    def solve(self) -> tuple[Array, Array]:
        """Steps (K, n) and the merit (K,) that the linear model promises of them."""
        low, high, room = self.reach()
        number = self.model.kinds.index("rms")
        part = self.model.parts[number]
        jacobian = np.nan_to_num(self.jacobian)
        rows, slopes = self.table.rows, jacobian[:, :, part]
        steps = np.zeros(low.shape)
        promise = np.empty(len(steps))
        for k in range(len(steps)):
            steps[k] = self._step(k, rows[k], jacobian[k], slopes[k], (low[k], high[k], room[k]))
            after = rows[k] + steps[k] @ jacobian[k]
            level = np.sqrt(np.sum(after[part] ** 2)) / self.rays[k, number]
            excess = [max(0.0, after[limit].max() + MARGIN) for limit in self._limits]
            promise[k] = level + self.price[k] * sum(excess)
        return steps, promise

    @property
    def _limits(self) -> tuple[slice, ...]:
        return self.model.parts[len(self.model.kinds) :]

    def _step(
        self, k: int, rows: Array, jacobian: Array, slopes: Array, reach: tuple[Array, Array, Array]
    ) -> Array:
        """Step (n,) of one design; nothing where rounding leaves no answer."""
        low, high, room = reach
        free = np.flatnonzero(high > low)
        step = np.zeros(len(low))
        if not len(free):
            return step
        part = self.model.parts[self.model.kinds.index("rms")]
        planes, bounds = self._planes(rows, jacobian, room, free)
        limits = planes.shape[1] - len(free)
        size = max(_LEAST_SIZE, float(np.sqrt(np.sum(rows[part] ** 2))))
        # d = (size x - origin) / scale: each variable that the objective knows has one row of it.
        at = np.argmax(np.abs(slopes[free]), axis=1)
        slope = slopes[free, at]
        mine = slope != 0.0
        scale = np.where(mine, slope, _PROXIMAL * size)
        origin = np.where(mine, rows[part][at], 0.0)
        box = np.concatenate([np.eye(len(free)), -np.eye(len(free))])
        planes = np.concatenate([planes, np.pad(box, ((0, 0), (0, limits)))])
        bounds = np.concatenate([bounds, low[free], -high[free]])
        bounds = bounds + planes[:, : len(free)] @ (origin / scale)
        planes[:, : len(free)] *= size / scale
        planes[:, len(free) :] /= _BROKEN
        nearest = _nearest(planes, bounds)
        step[free] = (size * nearest[: len(free)] - origin) / scale
        return np.asarray(np.clip(step, low, high)) if np.isfinite(step).all() else 0.0 * step

    def _planes(
        self, rows: Array, jacobian: Array, room: Array, free: Indices
    ) -> tuple[Array, Array]:
        """Planes and bounds of -C d + e >= c of the limits that a step can reach.

        Columns are the free variables, then one for each limit's e.
        """
        limits = self._limits
        slopes, values, owners = [], [], []
        reach = rows + room @ np.abs(jacobian)
        for number, limit in enumerate(limits):
            near = np.flatnonzero(reach[limit] > -_WITHIN) + limit.start
            slopes.append(-jacobian[free][:, near].T)
            values.append(rows[near] + _WITHIN)
            owners.append(np.full(len(near), number))
        owner = np.concatenate(owners)
        elastic = (owner[:, None] == np.unique(owner)[None]).astype(float)
        return np.concatenate([np.concatenate(slopes), elastic], axis=1), np.concatenate(values)


def _nearest(planes: Array, bounds: Array) -> Array:
    """The point x nearest to the origin with planes x >= bounds; NaN where there is none."""
    size = np.sqrt(np.sum(planes**2, axis=1))
    there = size > 0.0
    planes, bounds = planes[there] / size[there, None], bounds[there] / size[there]
    if not (bounds > 0.0).any():
        return np.zeros(planes.shape[1])
    system = np.concatenate([planes, bounds[:, None]], axis=1).T
    target = np.zeros(len(system))
    target[-1] = 1.0
    try:
        dual, _ = nnls(system, target)
    except RuntimeError:  # it turned in a circle
        return np.full(planes.shape[1], np.nan)
    left = system @ dual - target
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(-left[:-1] / left[-1])
