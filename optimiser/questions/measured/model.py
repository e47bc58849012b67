"""The finished car as far as its toe goes: what may be off on it, and what its readings would be.

Every coordinate of both corners may be off by what `[tolerance]` says; toe as set is free, in each
round and on each wheel. What readings do to these is asked of the full kernel and of its rates.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from optimiser.metrics.tolerance import DIMENSIONS, build_corner
from optimiser.metrics.tolerance.draws import SIDEWAYS, TOE_SETTING
from optimiser.metrics.tolerance.shims import Lever, shimmed

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from optimiser.linkage.hardpoints import Hardpoints
    from optimiser.linkage.vectors import Array
    from optimiser.metrics.tolerance import AsBuilt, Conditions, Tolerances
    from optimiser.questions.measured.readings import Readings

RACK_LEFT, RACK_RIGHT, OUTER_LEFT, OUTER_RIGHT = range(4)
"""Places of shims, in the order of `[measuring] fitted_shims_mm`."""
STEP_MM = 0.02
TOE_FREE = float(np.radians(5.0))
TRAVEL_FREE_MM = 10.0
"""Standard deviations of what is not known at all: toe as set, and ride height where it is free."""


@dataclass(frozen=True, slots=True)
class Unknowns:
    """What is unknown of a car and its readings, each in standard deviations of before: (K,).

    In this order: deviations of the left corner, those of the right one but the rack's sideways
    place, which they share; toe as set on each wheel in each round; ride height likewise where it
    is not known.

    Attributes:
        moving: dimensions that may be off, (d,).
        sizes: their standard deviations, (d,).
        zeros: side and round of each toe.
        free_travel: whether ride height was not known.
    """

    moving: tuple[int, ...]
    sizes: tuple[float, ...]
    zeros: tuple[tuple[int, int], ...]
    free_travel: bool

    @classmethod
    def of(cls, tolerances: Tolerances, readings: Readings, free_travel: bool) -> Unknowns:
        """Those of a study's tolerances and of the rounds that were measured."""
        deviation = tolerances.standard_deviations()
        moving = [i for i in np.flatnonzero(deviation > 0.0).tolist() if i != TOE_SETTING]
        rounds = sorted(set(zip(readings.side.tolist(), readings.round.tolist(), strict=True)))
        sizes = tuple(deviation[moving].tolist())
        return cls(tuple(moving), sizes, tuple(rounds), free_travel)

    @property
    def right(self) -> tuple[int, ...]:
        """Places in `moving` of what is the right corner's own."""
        return tuple(i for i, name in enumerate(self.moving) if name != SIDEWAYS)

    @property
    def size(self) -> int:
        """How many there are."""
        zeros = len(self.zeros) * (2 if self.free_travel else 1)
        return len(self.moving) + len(self.right) + zeros

    def shares(self, side: int) -> Array:
        """Deviations (d,) of a corner, in standard deviations, as a matrix on the unknowns."""
        count = len(self.moving)
        matrix = np.zeros((count, self.size))
        if side == 0:
            matrix[np.arange(count), np.arange(count)] = 1.0
        else:
            matrix[list(self.right), count + np.arange(len(self.right))] = 1.0
            for row in set(range(count)) - set(self.right):
                matrix[row, row] = -1.0  # a rack too far left is outboard there, inboard here
        return matrix

    def deviations(self, values: Array, side: int) -> Array:
        """Deviations (..., D) of a corner, mm, of unknowns (..., K)."""
        out = np.zeros((*values.shape[:-1], len(DIMENSIONS)))
        out[..., list(self.moving)] = (values @ self.shares(side).T) * np.array(self.sizes)
        return out

    def toe_column(self, side: int, round_: int) -> int:
        """Where the toe of a wheel in a round stands."""
        return len(self.moving) + len(self.right) + self.zeros.index((side, round_))

    def travel_column(self, side: int, round_: int) -> int:
        """Where its ride height stands."""
        return self.toe_column(side, round_) + len(self.zeros)


@dataclass(frozen=True)
class CarModel:
    """A design whose built car was measured.

    Attributes:
        points: its left corner as designed.
        conditions: what it is judged under.
        tolerances: how exactly it was built.
        fitted_mm: shims at the four places in each round, (R, 4).
        brackets_mm: distance of the rack's brackets; None where both are shimmed alike.
        bolt: direction of the outer joint's bolt; None: along the steering axis.
    """

    points: Hardpoints
    conditions: Conditions
    tolerances: Tolerances
    fitted_mm: Array
    brackets_mm: float | None = None
    bolt: tuple[float, float, float] | None = None

    @cached_property
    def lever(self) -> Lever:
        """Shims to joints; where the brackets' distance is not known, of shims that are alike."""
        joints = 2.0 * float(self.points.inner_joint[1])
        return Lever(joints, joints if self.brackets_mm is None else self.brackets_mm)

    @property
    def now_mm(self) -> Array:
        """Shims that are fitted now, (4,)."""
        return np.asarray(self.fitted_mm[-1])

    def rises(self, shims_mm: ArrayLike, side: int) -> tuple[Array, Array]:
        """Rise of a side's inner and outer joint, (...) mm, of shims (..., 4)."""
        shims = np.asarray(shims_mm, float)
        inner = self.lever.rises(shims[..., [RACK_LEFT, RACK_RIGHT]])[..., side]
        return inner, shims[..., OUTER_LEFT + side]

    def built(
        self, deviations: Array, rise_mm: ArrayLike, outer_mm: ArrayLike, spacer_mm: ArrayLike = 0.0
    ) -> AsBuilt:
        """Corners that are off by (..., D) with these shims, toe as designed."""
        moved = shimmed(self.points, rise_mm, outer_mm, spacer_mm, self.bolt)
        return build_corner(moved, deviations, self.conditions.attitude)

    def toe(self, corners: AsBuilt, travel_mm: ArrayLike, rack_mm: ArrayLike = 0.0) -> Array:
        """Toe-in (..., P), radians."""
        return np.asarray(-corners.solve(travel_mm, rack_mm).steer)

    def change(self, corners: AsBuilt) -> Array:
        """Change of toe-in from rest over the study's travel, (..., P), radians."""
        grid = self.conditions.travel_mm
        toe = self.toe(corners, grid)
        return toe - toe[..., np.flatnonzero(grid == 0.0)[:1]]

    def greatest(self, change: Array) -> Array:
        """Greatest bump steer (...) of changes (..., P), as the study counts it; radians."""
        grid, wanted = self.conditions.travel_mm, self.conditions.wanted_toe
        counted = wanted.counted(wanted.departure(change, grid), grid)
        return np.asarray(np.max(np.abs(counted), axis=-1))


@dataclass(frozen=True, slots=True, eq=False)
class Expected:
    """What readings (n,) would be, radians, and their rates.

    Attributes:
        toe: (n,).
        rates: per unknown, (n, K).
        per_travel: rad/mm, (n,).
        per_rack: rad/mm, (n,).
    """

    toe: Array
    rates: Array
    per_travel: Array
    per_rack: Array


def expected(model: CarModel, readings: Readings, unknowns: Unknowns, values: Array) -> Expected:
    """Readings of the car whose unknowns are `values` (K,); NaN where it reaches no such pose."""
    count = len(readings)
    toe, per_travel, per_rack = np.empty((3, count))
    rates = np.zeros((count, unknowns.size))
    for side, round_ in unknowns.zeros:
        mine = readings.of(side, round_)
        rise, outer = model.rises(model.fitted_mm[round_], side)
        travel, rack = readings.travel_mm[mine], readings.own_rack_mm[mine]
        column = unknowns.toe_column(side, round_)
        if unknowns.free_travel:
            travel = travel + TRAVEL_FREE_MM * values[unknowns.travel_column(side, round_)]
        deviations = unknowns.deviations(values, side)
        steps = np.zeros((1 + len(unknowns.moving), len(DIMENSIONS)))
        steps[np.arange(1, len(steps)), list(unknowns.moving)] = STEP_MM
        corners = model.built(deviations + steps, rise, outer)
        each = len(travel)
        # The same poses a step further in travel and in rack, for the rates of both.
        poses = (
            np.concatenate([travel, travel + STEP_MM, travel]),
            np.concatenate([rack, rack, rack + STEP_MM]),
        )
        found = model.toe(corners, *poses)
        rest, further, aside = found[0, :each], found[0, each : 2 * each], found[0, 2 * each :]
        toe[mine] = rest + TOE_FREE * values[column]
        per_travel[mine], per_rack[mine] = (further - rest) / STEP_MM, (aside - rest) / STEP_MM
        own = (found[1:, :each] - rest) / STEP_MM * np.array(unknowns.sizes)[:, None]
        rates[mine] = own.T @ unknowns.shares(side)
        rates[mine, column] = TOE_FREE
        if unknowns.free_travel:
            rates[mine, unknowns.travel_column(side, round_)] = TRAVEL_FREE_MM * per_travel[mine]
    return Expected(toe, rates, per_travel, per_rack)
