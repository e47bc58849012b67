"""The step of `linear_steps` where one number alone is made small: least distances.

The linear programme cuts the ball of a root of a sum of squares by planes, and needs many. Here the
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
from typing import TYPE_CHECKING, ClassVar

import numpy as np
from scipy.optimize import nnls

from optimiser.search.linear_steps import MARGIN, Task

if TYPE_CHECKING:
    from optimiser.linkage.vectors import Array
    from optimiser.search.residuals import Indices

_PROXIMAL = 0.1
"""Weight eps of a step through the whole range of a variable, against the objective's present
size; so small that it only decides where the limits leave a choice."""
_BROKEN, _STIFF = 2e3, 1e4
"""Weight rho of breaking a limit by what counts as a millimetre, against the same: less where
limits are far from kept, so that rounding leaves the step its digits; more near the end."""
_WITHIN = 1e-5
"""What a limit is to be kept by: more than the weight of breaking it leaves."""
_LEAST_SIZE = 1.0


@dataclass(frozen=True, slots=True)
class LeastDistance(Task):
    """Steps that make one objective small, the others are left out.

    Of a root of a sum of squares r are its rows. Of the largest of some rows it is one more
    variable t, at least each of them, that is made small; nothing knows it as r then.
    """

    broken: ClassVar[float] = _BROKEN

    def solve(self) -> tuple[Array, Array]:
        """Steps (K, n) and the merit (K,) that the linear model promises of them."""
        low, high, room = self.reach()
        jacobian, rows = np.nan_to_num(self.jacobian), self.table.rows
        steps, promise = np.zeros(low.shape), np.empty(len(low))
        part = self.model.parts[self._objective]
        for k in range(len(steps)):
            steps[k] = self._step(rows[k], jacobian[k], (low[k], high[k], room[k]))
            after = rows[k] + steps[k] @ jacobian[k]
            level = _size(after[part], self._is_root) / self.rays[k, self._objective]
            excess = [max(0.0, after[limit].max() + MARGIN) for limit in self._limits]
            promise[k] = level + self.price[k] * sum(excess)
        return steps, promise

    @property
    def _objective(self) -> int:
        """Which objective is made small: the one root of a sum of squares, or the only one."""
        kinds = self.model.kinds
        return kinds.index("rms") if "rms" in kinds else 0

    @property
    def _is_root(self) -> bool:
        return self.model.kinds[self._objective] == "rms"

    @property
    def _limits(self) -> tuple[slice, ...]:
        return self.model.parts[len(self.model.kinds) :]

    def _step(self, rows: Array, jacobian: Array, reach: tuple[Array, Array, Array]) -> Array:
        """Step (n,) of one design; nothing where rounding leaves no answer."""
        low, high, room = reach
        free = np.flatnonzero(high > low)
        step = np.zeros(len(low))
        if not len(free):
            return step
        part = self.model.parts[self._objective]
        size = max(_LEAST_SIZE, _size(rows[part], self._is_root))
        planes, bounds, weights = self._planes(rows, jacobian, room, free)
        scale, origin = np.full(len(free), _PROXIMAL * size), np.zeros(len(free))
        if self._is_root:
            # d = (size x - origin) / scale: each variable that r knows has one row of it.
            slopes = jacobian[free][:, part]
            at = np.argmax(np.abs(slopes), axis=1)
            slope = slopes[np.arange(len(free)), at]
            scale = np.where(slope != 0.0, slope, scale)
            origin = np.where(slope != 0.0, rows[part][at], 0.0)
        box = np.concatenate([np.eye(len(free)), -np.eye(len(free))])
        planes = np.concatenate([planes, np.pad(box, ((0, 0), (0, len(weights))))])
        bounds = np.concatenate([bounds, low[free], -high[free]])
        bounds = bounds + planes[:, : len(free)] @ (origin / scale)
        planes[:, : len(free)] *= size / scale
        planes[:, len(free) :] /= np.where(np.isinf(weights), 1.0 / size, weights)
        nearest = _nearest(planes, bounds)
        step[free] = (size * nearest[: len(free)] - origin) / scale
        return np.asarray(np.clip(step, low, high)) if np.isfinite(step).all() else 0.0 * step

    def _planes(
        self, rows: Array, jacobian: Array, room: Array, free: Indices
    ) -> tuple[Array, Array, Array]:
        """Planes and bounds of -C d + e >= c of the limits that a step can reach, and weights of e.

        Columns are the free variables, then one for each limit's e. Of an objective that is the
        largest of its rows there is one more such limit; the weight of its t is infinite here.
        """
        parts = list(self._limits)
        if not self._is_root:
            parts.append(self.model.parts[self._objective])
        slopes, values, owners = [], [], []
        span = room @ np.abs(jacobian)
        for number, part in enumerate(parts):
            own = number == len(self._limits)
            # Of the largest of rows those that cannot become it are left out.
            least = (rows - span)[part].max() if own else -_WITHIN
            near = np.flatnonzero((rows + span)[part] >= least) + part.start
            slopes.append(-jacobian[free][:, near].T)
            values.append(rows[near] + (0.0 if own else _WITHIN))
            owners.append(np.full(len(near), number))
        owner = np.concatenate(owners)
        each = np.unique(owner)
        elastic = (owner[:, None] == each[None]).astype(float)
        planes = np.concatenate([np.concatenate(slopes), elastic], axis=1)
        weights = np.where(each == len(self._limits), np.inf, self.broken)
        return planes, np.concatenate(values), weights


@dataclass(frozen=True, slots=True)
class StiffLeastDistance(LeastDistance):
    """The same near the end, where limits that cost much are still broken by little."""

    broken: ClassVar[float] = _STIFF


def _size(rows: Array, is_root: bool) -> float:
    return float(np.sqrt(np.sum(rows**2)) if is_root else rows.max())


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
