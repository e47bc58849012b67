"""Many designs at once to their best along a ray: sequential linear programming.

A ray s gives each objective F_j its share; what is made small is the worst ratio max_j F_j / s_j.
Swept over rays this reaches every part of a front, whatever its shape.

    F_2 |     .   ray s           One programme for all designs, block by block: step d, level t,
        |   .   /                 excess e, with residuals r_i linearised about the design,
        |    . /
        |     *                   least t + nu sum(e)   with  +-(r_i + J_i d) <= s_j t,
        |    /  .  front                                      c + C d <= e,   e >= 0,
        |   /      .  .                                       bounds,  |d_k| <= trust region.
        +------------------ F_1

The penalty nu is exact: at the end the limits c are kept, and the bounds always are. A root mean
square is no largest of anything: its ball is cut by planes, more where the model bulges out.
A step that is spoilt by curvature is asked for again with the curvature met on the way added to
the constants (second-order correction); without it designs crawl along the curved valley where
bump steer vanishes. Trust region, ratio test and correction: Fletcher, Practical Methods of
Optimization, chapter on non-differentiable optimisation (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import csr_array

from optimiser.search.residuals import Model, Table

if TYPE_CHECKING:
    from optimiser.linkage.vectors import Array
    from optimiser.search.residuals import Indices, Mask

MARGIN = 1e-7
"""What a limit is kept by beyond 0, in its own unit, so that rounding does not break it."""
PENALTY = 20.0
"""Price of breaking a limit by one mm or degree, as a multiple of the level at the start."""
FIRST_TRUST = 0.2
LEAST_TRUST = 1e-7
CUTS = 8
_CUT_ERROR = 3e-4
_FLAT = 1e-9


@dataclass(frozen=True, slots=True)
class Fits:
    """Where K designs ended.

    Attributes:
        table: the best feasible design met on the way, or the last one if none was.
        level: max_j F_j / s_j of it, (K,).
        gain: share of the level that the last linear programme still promised, (K,); with `fresh`
            one about where they ended.
        here: where the walks stand, feasible or not, to go on from.
    """

    table: Table
    level: Array
    gain: Array
    here: Table


def fit(
    model: Model,
    start: Table,
    rays: Array,
    *,
    steps: int,
    tolerance: float = 1e-5,
    trust: float = FIRST_TRUST,
    within: tuple[Array, Array] | None = None,
    fresh: float | None = None,
    penalty: float = PENALTY,
    programme: type[Task] | None = None,
) -> Fits:
    """Follow rays (K, m) down from K designs that assemble.

    Args:
        model: of the problem.
        start: the designs.
        rays: what each objective may be, all above 0; infinity leaves an objective out.
        steps: linear programmes at most.
        tolerance: a design is done when its programme promises less than this share of its level.
        trust: first trust region, a share of the variables' ranges.
        within: least and greatest scaled variables of each design, (K, n) each, where they are not
            the problem's; with both the same a variable is held.
        fresh: trust region of one more programme, whose steps are not taken. What a walk promised
            last says nothing where its own trust region has collapsed.
        penalty: price of breaking a limit by one mm or degree, as a multiple of the level at the
            start.
        programme: what finds each step; None: the linear programme.
    """
    walk = _Walk(model, start, rays, trust, within, penalty, programme or Task)
    for _ in range(steps):
        k = np.flatnonzero(walk.active)
        if not len(k):
            break
        walk.advance(k, tolerance)
    return walk.fits(fresh)


class _Walk:
    """K designs on their way down, and the best feasible one that each has met."""

    def __init__(
        self,
        model: Model,
        start: Table,
        rays: Array,
        trust: float,
        within: tuple[Array, Array] | None,
        penalty: float,
        programme: type[Task],
    ) -> None:
        self.model, self.here, self.best = model, start, start
        self.programme = programme
        none = np.zeros(start.scaled.shape)
        self.low, self.high = within or (none, none + 1.0)
        self.jacobian = model.jacobian(start, self.low < self.high)
        self.stale = np.zeros(len(start), dtype=bool)
        self.rays = _without_constants(model, start, self.jacobian, rays)
        level = _level(start, self.rays)
        self.price = penalty * np.maximum(level, 1e-12)
        self.merit = _merit(start, self.rays, self.price)
        self.best_level = np.where(start.feasible, level, np.inf)
        self.region = np.full(len(start), trust)
        self.gain = np.full(len(start), np.inf)
        self.active = np.ones(len(start), dtype=bool)

    def advance(self, k: Indices, tolerance: float) -> None:
        """One programme for the designs k; a step is taken where it makes the merit less."""
        rays, price, merit = self.rays[k], self.price[k], self.merit[k]
        task = self._task(self.region).select(k)
        step, promise = task.solve()
        wanted = merit - promise
        self.gain[k] = wanted / np.maximum(_level(task.table, rays), 1e-300)
        tried = self.model.table(task.stepped(step), task.table.like)
        tried = _corrected(task, tried, step, wanted, merit)
        reached = _merit(tried, rays, price)
        with np.errstate(invalid="ignore", divide="ignore"):
            ratio = np.where(np.isfinite(reached), (merit - reached) / wanted, -1.0)
        factor = np.where(ratio > 0.75, 2.0, np.where(ratio < 0.25, 0.3, 1.0))
        self.region[k] = np.minimum(self.region[k] * factor, 1.0)
        self.active[k] = (self.gain[k] > tolerance) & (self.region[k] > LEAST_TRUST)
        self._take(k, tried, reached, (reached < merit) & (ratio > 0.05))

    def _take(self, k: Indices, tried: Table, reached: Array, better: Mask) -> None:
        moved = k[better]
        self.here = self.here.replaced(moved, tried.select(better))
        self.merit[moved] = reached[better]
        level = _level(tried, self.rays[k])
        record = tried.feasible & (level < self.best_level[k])
        self.best = self.best.replaced(k[record], tried.select(record))
        self.best_level[k[record]] = level[record]
        self.stale[moved] = True
        self._differentiate(k[self.active[k]])

    def _differentiate(self, k: Indices) -> None:
        """Derivatives of those of the designs k that have moved since they were found."""
        again = k[self.stale[k]]
        if len(again):
            free = self.low[again] < self.high[again]
            self.jacobian[again] = self.model.jacobian(self.here.select(again), free)
            self.stale[again] = False

    def _task(self, region: Array) -> Task:
        return self.programme(
            self.model, self.here, self.jacobian, self.rays, self.price, region, self.low, self.high
        )

    def fits(self, fresh: float | None) -> Fits:
        """The best feasible designs; where there is none, the last ones."""
        if fresh is not None:
            self._differentiate(np.arange(len(self.here)))
            _, promise = self._task(np.full(len(self.here), fresh)).solve()
            with np.errstate(invalid="ignore"):
                self.gain = (self.best_level - promise) / np.maximum(self.best_level, 1e-300)
        lost = np.flatnonzero(~np.isfinite(self.best_level))
        table = self.best.replaced(lost, self.here.select(lost))
        return Fits(table, _level(table, self.rays), self.gain, self.here)


def _corrected(task: Task, tried: Table, step: Array, wanted: Array, merit: Array) -> Table:
    """Tried designs, exchanged for their second-order correction where that is better."""
    reached = _merit(tried, task.rays, task.price)
    poor = np.flatnonzero(np.isfinite(reached) & (merit - reached < 0.25 * wanted) & (wanted > 0.0))
    if not len(poor):
        return tried
    curved = task.select(poor).with_rows_of(tried.select(poor), step[poor])
    second, _ = curved.solve()
    again = task.model.table(curved.stepped(second), curved.table.like)
    better = _merit(again, task.rays[poor], task.price[poor]) < reached[poor]
    return tried.replaced(poor[better], again.select(better))


def _level(table: Table, rays: Array) -> Array:
    return np.asarray(np.max(table.objectives / rays, axis=1))


def _merit(table: Table, rays: Array, price: Array) -> Array:
    """Level plus the price of broken limits, (K,); infinite where a design cannot assemble."""
    excess = np.maximum(table.limits + MARGIN, 0.0).sum(axis=1)
    merit = _level(table, rays) + price * excess
    return np.where(np.isfinite(merit), merit, np.inf)


def _without_constants(model: Model, start: Table, jacobian: Array, rays: Array) -> Array:
    """Rays with the objectives left out that no variable moves, such as the price of one rack."""
    rays = np.array(rays, dtype=float)
    for number, kind in enumerate(model.kinds):
        part = model.parts[number]
        slope = np.nanmax(np.abs(jacobian[:, :, part]), axis=(1, 2), initial=0.0)
        flat = slope <= _FLAT * np.abs(start.objectives[:, number])
        if kind == "value":
            rays[flat, number] = np.inf
    return rays


# --- the linear programme ------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Task:
    """What finds the steps of K designs: one linear programme of K blocks."""

    model: Model
    table: Table
    jacobian: Array
    rays: Array
    price: Array
    region: Array
    low: Array
    high: Array

    def select(self, index: Indices) -> Task:
        """Some of the designs."""
        return replace(
            self,
            table=self.table.select(index),
            jacobian=self.jacobian[index],
            rays=self.rays[index],
            price=self.price[index],
            region=self.region[index],
            low=self.low[index],
            high=self.high[index],
        )

    def stepped(self, step: Array) -> Array:
        """Scaled variables (K, n) after a step."""
        return np.asarray(np.clip(self.table.scaled + step, self.low, self.high))

    def reach(self) -> tuple[Array, Array, Array]:
        """Least and greatest step, and the trust region, of each variable, (K, n) each.

        Nothing moves along a variable whose derivatives are not known.
        """
        known = np.isfinite(self.jacobian).all(axis=2)
        room = np.where(known, self.region[:, None], 0.0)
        low = np.maximum(-room, self.low - self.table.scaled)
        high = np.minimum(room, self.high - self.table.scaled)
        return low, high, room

    def with_rows_of(self, tried: Table, step: Array) -> Task:
        """The same programme with rows that are exact at the tried step, not at the design."""
        rows = tried.rows - np.einsum("knr,kn->kr", np.nan_to_num(self.jacobian), step)
        table = Table(
            self.table.scaled,
            self.table.like,
            rows,
            self.table.objectives,
            self.table.limits,
            self.table.feasible,
        )
        return replace(self, table=table)

    def solve(self) -> tuple[Array, Array]:
        """Steps (K, n) and the merit (K,) that the linear model promises of them.

        The blocks of each rack are one programme, so that what a rack comes to does not depend on
        the racks beside it, to the last bit. A programme that cannot be solved, which only
        rounding could cause, promises nothing.
        """
        step, promise = np.empty(self.table.scaled.shape), np.empty(len(self.table))
        racks = self.model.racks(self.table.like)
        for rack in np.unique(racks):
            mine = np.flatnonzero(racks == rack)
            step[mine], promise[mine] = self.select(mine)._solve_together()
        return step, promise

    def _solve_together(self) -> tuple[Array, Array]:
        scale = np.maximum(_level(self.table, self.rays), 1e-300)
        jacobian = np.nan_to_num(self.jacobian)
        low, high, room = self.reach()
        blocks = _Blocks(jacobian.shape[1], self.table.limits.shape[1], len(self.table))
        self._add_objectives(blocks, jacobian, room, scale)
        self._add_limits(blocks, jacobian, room)
        nowhere = np.zeros(len(self.table))
        self._add_cuts(blocks, jacobian, np.zeros(low.shape), nowhere, scale)
        step, level, excess = blocks.solve(low, high, self.price / scale)
        for _ in range(CUTS):
            if not self._add_cuts(blocks, jacobian, step, level, scale):
                break
            step, level, excess = blocks.solve(low, high, self.price / scale)
        return step, level * scale + self.price * excess

    def _add_objectives(self, blocks: _Blocks, jacobian: Array, room: Array, scale: Array) -> None:
        for number, kind in enumerate(self.model.kinds):
            part = self.model.parts[number]
            share = (self.rays[:, number] * scale)[:, None]
            rows, slopes = self.table.rows[:, part] / share, jacobian[:, :, part]
            slopes = slopes / share[:, :, None]
            if kind == "rms":
                continue
            # Rows that cannot become the largest within the trust region are left out.
            reach = np.einsum("knr,kn->kr", np.abs(slopes), room)
            floor = np.max(np.abs(rows) - reach, axis=1, keepdims=True)
            for sign in (1.0, -1.0) if kind == "largest" else (1.0,):
                near = np.isfinite(share) & (sign * rows + reach >= floor)
                k, row = np.nonzero(near)
                blocks.add(k, sign * slopes[k, :, row], -sign * rows[k, row], level=-1.0)

    def _add_limits(self, blocks: _Blocks, jacobian: Array, room: Array) -> None:
        first = len(self.model.kinds)
        for number, part in enumerate(self.model.parts[first:]):
            rows, slopes = self.table.rows[:, part], jacobian[:, :, part]
            # Rows that cannot be broken within the trust region are left out.
            reach = np.einsum("knr,kn->kr", np.abs(slopes), room)
            k, row = np.nonzero(rows + reach > -MARGIN)
            blocks.add(k, slopes[k, :, row], -MARGIN - rows[k, row], excess=number)

    def _add_cuts(
        self, blocks: _Blocks, jacobian: Array, step: Array, level: Array, scale: Array
    ) -> bool:
        """Planes square to the linearised residual vectors at `step`; False when none is needed."""
        added = False
        for number, kind in enumerate(self.model.kinds):
            part = self.model.parts[number]
            if kind != "rms":
                continue
            share = (self.rays[:, number] * scale)[:, None]
            rows, slopes = self.table.rows[:, part] / share, jacobian[:, :, part]
            slopes = slopes / share[:, :, None]
            there = rows + np.einsum("knr,kn->kr", slopes, step)
            size = np.sqrt(np.sum(there**2, axis=1))
            k = np.flatnonzero(size > level * (1.0 + _CUT_ERROR))
            if len(k):
                normal = there[k] / size[k, None]
                blocks.add(
                    k,
                    np.einsum("knr,kr->kn", slopes[k], normal),
                    -np.sum(rows[k] * normal, axis=1),
                    level=-1.0,
                )
                added = True
        return added


class _Blocks:
    """K programmes of one shape side by side; columns of a block: step, level, excesses."""

    def __init__(self, variables: int, limits: int, count: int) -> None:
        self.variables, self.limits, self.count = variables, limits, count
        self.width = variables + 1 + limits
        self.rows: list[Indices] = []
        self.columns: list[Indices] = []
        self.values: list[Array] = []
        self.bounds: list[Array] = []
        self.size = 0

    def add(
        self, k: Indices, slopes: Array, bound: Array, *, level: float = 0.0, excess: int = -1
    ) -> None:
        """Rows slopes d + level t - e[excess] <= bound, one for each entry of k."""
        row = self.size + np.arange(len(k), dtype=np.intp)
        base = k * self.width
        n = self.variables
        self._put(
            np.repeat(row, n), (base[:, None] + np.arange(n, dtype=np.intp)).ravel(), slopes.ravel()
        )
        if level:
            self._put(row, base + n, np.full(len(k), level))
        if excess >= 0:
            self._put(row, base + n + 1 + excess, np.full(len(k), -1.0))
        self.bounds.append(bound)
        self.size += len(k)

    def _put(self, row: Indices, column: Indices, value: Array) -> None:
        self.rows.append(row)
        self.columns.append(column)
        self.values.append(value)

    def solve(self, low: Array, high: Array, price: Array) -> tuple[Array, Array, Array]:
        """Steps (K, n), levels (K,) and sums of excesses (K,)."""
        n, shape = self.variables, (self.count, self.width)
        cost, least, most = np.zeros(shape), np.zeros(shape), np.full(shape, np.inf)
        least[:, :n], most[:, :n] = low, high
        cost[:, n] = 1.0
        cost[:, n + 1 :] = price[:, None]
        matrix = csr_array(
            (
                np.concatenate(self.values),
                (np.concatenate(self.rows), np.concatenate(self.columns)),
            ),
            shape=(self.size, self.count * self.width),
        )
        # No variable is whole, so that this is the linear programme that `linprog` would solve, by
        # the same solver; that one takes as long again to look at its arguments. So small a
        # programme is solved sooner than it is made smaller.
        found = milp(
            cost.ravel(),
            constraints=LinearConstraint(matrix, -np.inf, np.concatenate(self.bounds)),
            bounds=Bounds(least.ravel(), most.ravel()),
            options={"presolve": False},
        )
        if found.x is None:
            return np.zeros((self.count, n)), np.full(self.count, np.inf), np.zeros(self.count)
        solution = found.x.reshape(shape)
        return solution[:, :n], solution[:, n], solution[:, n + 1 :].sum(axis=1)
