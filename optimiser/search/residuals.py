"""A problem as refinement sees it: scaled continuous variables in, smooth residuals out.

The largest departure of toe and the largest Ackermann error have kinks, but the single departures,
and the extremes of the error between two nodes, that they are the largest of have none; those are
what is differentiated.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import prod
from typing import TYPE_CHECKING, Literal

import numpy as np

from optimiser.evaluation.changed import departures_of, excess_over
from optimiser.evaluation.designs import VARIABLES, Designs, FollowsRack, Range
from optimiser.evaluation.moves import KEPT, MOVED_CLEARANCE, MOVED_MM
from optimiser.evaluation.quantities import closest_names, is_pair
from optimiser.metrics.between_nodes import between_nodes, extremes
from optimiser.metrics.joints import inner_joint_angle, outer_joint_misalignment

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from optimiser.evaluation.asked import Bound, BumpObjective
    from optimiser.evaluation.designs import Evaluation
    from optimiser.evaluation.problem import Problem
    from optimiser.evaluation.solved import Solved
    from optimiser.linkage.vectors import Array

    Mask = NDArray[np.bool_]
    Indices = NDArray[np.intp]

Kind = Literal["largest", "rms", "value"]
"""An objective is the largest of its rows, the root of their sum of squares, or its one row."""

STEP = 1e-5
"""Step of the finite differences, as a share of each variable's range."""
_CHUNK_DESIGNS = 512
_FAR_MM = 1000.0


@dataclass(frozen=True, slots=True)
class Table:
    """K designs and what was found of them; NaN where a design cannot assemble.

    Attributes:
        scaled: continuous variables, 0 to 1, (K, n).
        like: the designs, with their other variables.
        rows: everything that is linearised, (K, R): rows of each objective, then of each limit.
        objectives: (K, m).
        limits: (K, c), kept when <= 0, in what counts as a millimetre of each.
        feasible: (K,).
    """

    scaled: Array
    like: Designs
    rows: Array
    objectives: Array
    limits: Array
    feasible: Mask

    def __len__(self) -> int:
        return len(self.scaled)

    def select(self, index: Indices | Mask) -> Table:
        """Some of the designs."""
        return Table(
            self.scaled[index],
            self.like.select(index),
            self.rows[index],
            self.objectives[index],
            self.limits[index],
            self.feasible[index],
        )

    def replaced(self, index: Indices, other: Table) -> Table:
        """The same with some designs exchanged for others."""
        order = np.arange(len(self))
        order[index] = len(self) + np.arange(len(other))
        return Table.join([self, other]).select(order)

    @classmethod
    def join(cls, tables: list[Table]) -> Table:
        """One batch after another."""
        return cls(
            np.concatenate([table.scaled for table in tables]),
            Designs.join([table.like for table in tables]),
            np.concatenate([table.rows for table in tables]),
            np.concatenate([table.objectives for table in tables]),
            np.concatenate([table.limits for table in tables]),
            np.concatenate([table.feasible for table in tables]),
        )


class Model:
    """A problem's continuous variables and residuals; counts the designs it evaluates."""

    def __init__(self, problem: Problem) -> None:
        self.problem, self.evaluated = problem, 0
        asked = problem.objectives
        extra: list[Kind] = ["rms" if name == MOVED_MM else "value" for name in asked.extra]
        self.kinds = (_kind(asked.bump_steer), _kind(asked.ackermann_error), *extra)
        self.parts: tuple[slice, ...] = ()
        """Columns of `Table.rows` that belong to each objective, then to each limit; known from
        the first table on."""
        free = {}
        for name in problem.variables:
            choice = problem.space[name]
            if isinstance(choice, Range) and choice.low < choice.high:
                free[name] = choice
        self.columns = [problem.variables.index(name) for name in free]
        self.held = [
            number
            for number, name in enumerate(problem.variables)
            if name not in free and not isinstance(problem.space[name], FollowsRack)
        ]
        """Columns of the variables that keep their value."""
        self.low = np.array([choice.low for choice in free.values()])
        self.high = np.array([choice.high for choice in free.values()])
        if problem.suspension is not None:
            room = problem.suspension.room_mm
            self.columns += range(len(problem.variables), len(problem.columns))
            self.low = np.concatenate([self.low, -room])
            self.high = np.concatenate([self.high, room])

    def scaled(self, designs: Designs) -> Array:
        """Continuous variables (K, n) of designs as shares of their ranges."""
        share = (designs.values[:, self.columns] - self.low) / (self.high - self.low)
        return np.asarray(np.clip(share, 0.0, 1.0))

    def racks(self, like: Designs) -> Indices:
        """Index of the rack of each design, (K,)."""
        return like.rack

    def designs(self, scaled: Array, like: Designs) -> Designs:
        """Designs with these continuous variables and the other variables of `like`."""
        values = like.values.copy()
        inside = self.low + scaled * (self.high - self.low)
        values[:, self.columns] = np.clip(inside, self.low, self.high)
        height = self.problem.space["arm_height_mm"]
        if isinstance(height, FollowsRack):
            rack_height = values[:, VARIABLES.index("rack_height_mm")]
            values[:, VARIABLES.index("arm_height_mm")] = rack_height + height.offset_mm
        return Designs(like.rack, values)

    def table(self, scaled: Array, like: Designs) -> Table:
        """Evaluate designs."""
        designs = self.designs(scaled, like)
        self.evaluated += len(designs)
        parts = []
        for start in range(0, len(designs), _CHUNK_DESIGNS):
            some = designs.select(slice(start, start + _CHUNK_DESIGNS))
            solved = self.problem.solve(some)
            found = self.problem.judge(some, solved)
            rows = self._rows(some, solved, found.objectives)
            rows += self._limit_rows(some, solved, found)
            share = slice(start, start + len(some))
            parts.append(
                Table(
                    scaled[share],
                    some,
                    self.stacked(rows),
                    found.objectives,
                    found.scaled_constraints,
                    found.feasible,
                )
            )
        return Table.join(parts)

    def stacked(self, rows: Sequence[Array]) -> Array:
        """Rows (K, .) of each objective, then of each limit, side by side, (K, R).

        Which are whose is noted in `parts` the first time.
        """
        if not self.parts:
            ends = np.cumsum([0, *(part.shape[1] for part in rows)]).tolist()
            self.parts = tuple(map(slice, ends[:-1], ends[1:]))
        return np.concatenate(rows, axis=1)

    @property
    def _weights(self) -> Array:
        suspension = self.problem.suspension
        return np.zeros(0) if suspension is None else suspension.weights

    def _rows(self, designs: Designs, solved: Solved, objectives: Array) -> list[Array]:
        """Rows of each objective, in the objective's own unit."""
        rows = []
        toe, error = np.degrees(solved.bump.departure), np.degrees(solved.ackermann.error)
        grid, wanted = self.problem.travel.grid(), self.problem.steering.wanted_toe
        for number, kind in enumerate(self.kinds):
            if kind == "value":
                rows.append(objectives[:, number : number + 1])
            elif number > 1:
                rows.append(self.problem.moves(designs) * self._weights)
            elif number == 0:
                largest = kind == "largest"
                rows.append(wanted.counted(toe, grid) if largest else toe * _root_weights(grid))
            elif kind == "largest":
                rows.append(extremes(error))
            else:
                inner = between_nodes(np.nan_to_num(solved.ackermann.inner))
                rows.append(between_nodes(error) * _root_weights(inner))
        return rows

    def _limit_rows(self, designs: Designs, solved: Solved, found: Evaluation) -> list[Array]:
        """Rows whose largest is each limit: one a pose, or a pair that may touch."""
        envelope = solved.envelope
        rows, bounds = [], self.problem.bounds
        scales = self.problem.constraint_scales
        for number, name in enumerate(self.problem.constraint_names):
            # A rack without this limit is as good as far from it; -inf has no differences.
            limit = np.maximum(found.constraints[:, number : number + 1], -_FAR_MM)
            if name in bounds:
                over = self._bound_rows(bounds[name], designs, solved, found)
            elif name == "toggle_margin_deg":
                over = -np.degrees(envelope.toggle_margin)
            elif name == "inner_joint_angle_deg":
                over = np.degrees(inner_joint_angle(envelope))
            elif name == "outer_joint_angle_deg":
                bolt = self.problem.car.outer_bolt
                each = outer_joint_misalignment(envelope, solved.rest, bolt)
                over = np.degrees(np.concatenate(list(each), axis=1))
            elif name in KEPT:
                departures = departures_of(self.problem, solved)[name]
                over = np.concatenate([departures, -departures], axis=1)
            elif name == MOVED_CLEARANCE:
                over = excess_over(self.problem, name, found.metrics)
            elif name == "clearance_mm" and (pairs := _pairs(found)):
                # A pair of unknown size is as good as far apart.
                over = -np.nan_to_num(np.stack(pairs, axis=1), nan=_FAR_MM)
            else:
                over = limit
            # Nor has a number that its rack says too little for.
            without = np.isneginf(found.constraints[:, number : number + 1])
            over = np.where(without, -_FAR_MM, over)
            # What the study allows is the same at every pose.
            over = over + (limit - np.max(over, axis=1, keepdims=True))
            rows.append(over / scales[number])
        return rows

    def _bound_rows(
        self, bound: Bound, designs: Designs, solved: Solved, found: Evaluation
    ) -> Array:
        """Rows of a bound on any quantity, one a side; of the largest of many one for each."""
        many = None if bound.least is not None else self._departures(solved, bound.name)
        if many is not None:
            return np.asarray(np.degrees(np.concatenate([many, -many], axis=1)))
        return bound.excess(self.problem.bounded(bound.name, designs, found.metrics))

    def _departures(self, solved: Solved, name: str) -> Array | None:
        """What a quantity is the largest size of, (N, R), radians; None of others."""
        heights, found = solved.heights, None
        if name == "bump_steer_deg":
            wanted, grid = self.problem.steering.wanted_toe, self.problem.travel.grid()
            found = wanted.counted(solved.bump.departure, grid)
        elif name == "ackermann_error_deg":
            found = extremes(solved.ackermann.error)
        elif name == "part_lock_bump_steer_deg":
            found = solved.part_lock
        elif heights is not None and name == "ride_height_bump_steer_deg":
            found = heights.counted
        elif heights is not None and name == "ride_height_part_lock_bump_steer_deg":
            found = heights.part_lock
        elif heights is not None and name == "ride_height_ackermann_error_deg":
            found = extremes(heights.ackermann.error)
        return None if found is None else found.reshape(len(found), prod(found.shape[1:]))

    def jacobian(self, table: Table, free: Mask) -> Array:
        """Derivatives (K, n, R) of the rows by forward differences, all designs in one call.

        Backward at the upper bound, and where the step ahead cannot assemble; NaN where neither
        step can. Only those of the variables that are `free`, (K, n); 0 for the others.
        """
        sign = np.where(table.scaled + STEP <= 1.0, 1.0, -1.0)
        result = self._differences(table, sign, free, np.arange(len(table)))
        inside = (table.scaled >= STEP) & (table.scaled <= 1.0 - STEP)
        lost = np.flatnonzero((~np.isfinite(result).all(axis=2) & inside).any(axis=1))
        if len(lost):
            other = self._differences(table, -sign, free, lost)
            known = np.isfinite(result[lost])
            result[lost] = np.where(known, result[lost], other)
        return result

    def _differences(self, table: Table, sign: Array, free: Mask, chosen: Indices) -> Array:
        row, column = np.nonzero(free[chosen])
        base = table.select(chosen)
        step = STEP * sign[chosen][row, column]
        moved = base.scaled[row]
        moved[np.arange(len(row)), column] += step
        result = np.zeros((*base.scaled.shape, base.rows.shape[1]))
        if not len(row):
            return result
        rows = self.table(np.clip(moved, 0.0, 1.0), base.like.select(row)).rows
        result[row, column] = (rows - base.rows[row]) / step[:, None]
        return result


def _kind(objective: BumpObjective) -> Kind:
    kinds: dict[BumpObjective, Kind] = {"largest": "largest", "rms": "rms"}
    return kinds.get(objective, "value")


def _pairs(found: Evaluation) -> list[Array]:
    """Clearance (N,) of every pair that is measured, or of the closest where these are told."""
    if found.closest:
        return [found.metrics[name] for _, name in closest_names()]
    return [values for name, values in found.metrics.items() if is_pair(name)]


def _root_weights(at: Array) -> Array:
    """Roots of trapezium weights of unit sum, so that a root of a sum of squares is the RMS."""
    gaps = np.diff(at, axis=-1)
    edge = np.zeros((*gaps.shape[:-1], 1))
    weights = 0.5 * (np.concatenate([gaps, edge], axis=-1) + np.concatenate([edge, gaps], axis=-1))
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(np.sqrt(weights / (at[..., -1:] - at[..., :1])))
