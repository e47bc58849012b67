"""A rack's number as one more variable: its spacing, the length of spacers, or its travel.

Everything that makes a design acceptable is a limit here (`Problem.as_limits`), and what is made
small is the number itself, or how far it stays below the greatest that is sane. So the least and
the greatest number with which a rack is acceptable are two fits, with everything free that the
study frees:

    least u  (or greatest)   with  limits(x, u) <= 0,   x the study's variables, within their bounds

The clearance that is asked for is a number too: the greatest that a rack can have as it is.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from optimiser.evaluation.designs import JUDGED, VARIABLES, Designs
from optimiser.evaluation.quantities import AS_BUILT, is_of_tyre, is_pair
from optimiser.metrics.laid_rack import beyond_faces
from optimiser.search.residuals import Model, Table

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimiser.evaluation.designs import Evaluation
    from optimiser.evaluation.problem import Problem
    from optimiser.linkage.racks import Rack
    from optimiser.linkage.vectors import Array

    Indices = NDArray[np.intp]

Number = Literal["inner_joint_spacing_mm", "spacer_mm", "travel_mm", "clearance_mm"]
NUMBERS: tuple[Number, ...] = ("inner_joint_spacing_mm", "spacer_mm", "travel_mm", "clearance_mm")
SPACING, SPACERS, TRAVEL, CLEARANCE = range(len(NUMBERS))
BOUGHT = NUMBERS[:CLEARANCE]
SANE: dict[Number, tuple[float, float]] = {
    "inner_joint_spacing_mm": (100.0, 1500.0),
    "spacer_mm": (0.0, 250.0),
    "travel_mm": (20.0, 400.0),
    "clearance_mm": (-100.0, 100.0),
}
"""What a catalogue or a study file takes; an end beyond it is none."""
SPACER = VARIABLES.index("spacer_mm")
LEAST, GREATEST = 0, 1
_BASE_MM = 70.0
"""Added to the way from the other end of what is sane, so that the price of breaking a limit, a
multiple of the sum, is never small; the more, the more slowly walks follow curved limits. The sum
counts in metres, so that a whole limit costs as much as a metre or two of the number."""
_MM = 1e-3
_CHUNK = 512


@dataclass(frozen=True, slots=True)
class Questions:
    """Which rack, number and direction N designs are about, one code each.

    A code stands in the place of the rack's index.
    """

    code: Indices

    @classmethod
    def of(cls, rack: Indices | int, number: Indices | int, way: Indices | int) -> Questions:
        """From the index of the rack, that of the number in `NUMBERS`, and the direction."""
        return cls(np.atleast_1d(np.asarray((rack * len(NUMBERS) + number) * 2 + way, np.intp)))

    @property
    def rack(self) -> Indices:
        """Index of the rack, (N,)."""
        return self.code // (2 * len(NUMBERS))

    @property
    def number(self) -> Indices:
        """Index of the number in `NUMBERS`, (N,)."""
        return self.code // 2 % len(NUMBERS)

    @property
    def way(self) -> Indices:
        """`LEAST` or `GREATEST`, (N,)."""
        return self.code % 2


class Stretched(Model):
    """Residuals of the limits of a problem, and of one number of the rack beside its variables.

    The number is the last of the scaled variables, a share of `SANE`. In place of the rack's index
    designs have the code of their question.
    """

    def __init__(self, problem: Problem, *, poses_between: bool = True) -> None:
        super().__init__(problem)
        self.poses_between = poses_between
        self.kinds = ("value",)
        self.sane = np.array([SANE[number] for number in NUMBERS])
        # More clearance than the limit is not asked for.
        self.sane[CLEARANCE, 1] = problem.limits.clearance_mm or 0.0
        accepted = dict(zip(JUDGED, problem.acceptable.tolist(), strict=True))
        accepted |= dict(zip(AS_BUILT, problem.acceptable.tolist(), strict=True))
        names = zip(problem.constraint_names, problem.constraint_scales.tolist(), strict=True)
        # Bump steer and Ackermann error as shares of what is accepted, which may be tiny.
        self.scales = np.array([accepted.get(name, scale) for name, scale in names])

    @property
    def rough(self) -> Stretched:
        """The same with clearance in the solved poses alone; itself where there is no clearance."""
        if "clearance_mm" not in self.problem.constraint_names:
            return self
        return Stretched(self.problem, poses_between=False)

    def number(self, table: Table) -> Array:
        """The number (K,) of each design, mm."""
        return self._number(table.scaled, table.like)

    def _number(self, scaled: Array, like: Designs) -> Array:
        low, high = self.sane[Questions(like.rack).number].T
        return np.asarray(low + scaled[:, -1] * (high - low))

    def racks(self, like: Designs) -> Indices:
        """Index of the rack of each design, (K,)."""
        return Questions(like.rack).rack

    def with_number(self, designs: Designs, number: Array) -> Array:
        """Scaled variables (K, n + 1) of designs with this number, clipped to what is sane."""
        low, high = self.sane[Questions(designs.rack).number].T
        share = np.clip((number - low) / (high - low), 0.0, 1.0)
        scaled = np.concatenate([self.scaled(designs), share[:, None]], axis=1)
        # Within the bounds: a variable outside them would leave the others without a step.
        return np.asarray(np.clip(scaled, *self.bounds(designs)))

    def designs(self, scaled: Array, like: Designs) -> Designs:
        """Designs of these variables; a spacer that is asked about is as long as is asked."""
        found = super().designs(scaled[:, :-1], like)
        asked = Questions(like.rack).number == SPACERS
        found.values[asked, SPACER] = self._number(scaled, like)[asked]
        return found

    def bounds(self, like: Designs) -> tuple[Array, Array]:
        """Least and greatest scaled variables (K, n + 1) each, as `linear_steps.fit` takes them.

        A spacer that is asked about is not free beside itself.
        """
        low = np.zeros((len(like), len(self.columns) + 1))
        high = low + 1.0
        if SPACER in self.columns:
            asked = Questions(like.rack).number == SPACERS
            high[asked, self.columns.index(SPACER)] = 0.0
        return low, high

    def table(self, scaled: Array, like: Designs) -> Table:
        """Evaluate designs."""
        designs = self.designs(scaled, like)
        number = self._number(scaled, like)
        self.evaluated += len(designs)
        chunks = [slice(start, start + _CHUNK) for start in range(0, max(1, len(designs)), _CHUNK)]
        return Table.join([self._judged(scaled[c], designs.select(c), number[c]) for c in chunks])

    def _judged(self, scaled: Array, designs: Designs, number: Array) -> Table:
        problem, some = self.stretched(designs, number)
        solved = problem.solve(some)
        found = problem.judge(some, solved, poses_between=self.poses_between)
        # Divided by their own scales in the room below.
        again = self.problem.constraint_scales / self.scales
        limits = self._limit_rows(some, solved, found)
        limits = self._with_feet(limits, problem, some, found)
        asked = Questions(designs.rack)
        limits, constraints, feasible = self._eased(asked, number, limits, found)
        low, high = self.sane[asked.number].T
        along = np.where(asked.way == GREATEST, high - number, number - low)
        value = (_MM * (_BASE_MM + along))[:, None]
        value[~found.assembles] = np.nan
        rows = [value, *(one * factor for one, factor in zip(limits, again, strict=True))]
        return Table(
            scaled,
            designs,
            self.stacked(rows),
            value,
            constraints / self.scales,
            feasible,
        )

    def _with_feet(
        self, limits: list[Array], problem: Problem, some: Designs, found: Evaluation
    ) -> list[Array]:
        """Rows with those of the feet by the faces of their zones, since a distance ends at 0."""
        boxes = [problem.bolting.boxes(foot) for foot in ("left", "right")]
        if "mount_mm" not in problem.bounds or not all(len(low) for low, _ in boxes):
            return limits
        feet, most = problem.lay(some).feet, problem.bounds["mount_mm"].most or 0.0
        beyond = [beyond_faces(feet[:, side], *boxes[side]) for side in (0, 1)]
        at = self.problem.constraint_names.index("mount_mm")
        known = np.isfinite(found.constraints[:, at : at + 1])
        rows = (np.concatenate(beyond, axis=1) - most) / self.problem.constraint_scales[at]
        limits[at] = np.where(known, rows, limits[at])
        return limits

    def _eased(
        self, asked: Questions, number: Array, limits: list[Array], found: Evaluation
    ) -> tuple[list[Array], Array, NDArray[np.bool_]]:
        """Rows of limits, limits and who keeps them, with as much clearance as is asked about."""
        least = self.problem.limits.clearance_mm
        mine = asked.number == CLEARANCE
        if least is None or not mine.any():
            return limits, found.constraints, found.feasible
        at = self.problem.constraint_names.index("clearance_mm")
        less = np.where(mine, least - number, 0.0)
        constraints = found.constraints.copy()
        constraints[:, at] -= less
        limits[at] = limits[at] - less[:, None]
        return limits, constraints, found.assembles & (constraints <= 0.0).all(axis=1)

    def stretched(self, designs: Designs, number: Array) -> tuple[Problem, Designs]:
        """The problem with a rack for each design that has the number asked about.

        They come after those of the catalogue, on which it hangs what has to be measured.
        """
        asked, bought = Questions(designs.rack), self.problem.racks
        racks = [
            _changed(bought[rack], NUMBERS[which], value)
            for rack, which, value in zip(
                asked.rack.tolist(), asked.number.tolist(), number.tolist(), strict=True
            )
        ]
        own = len(bought) + np.arange(len(racks), dtype=np.intp)
        return replace(self.problem, racks=(*bought, *racks)), Designs(own, designs.values)

    def pairs(self, table: Table) -> dict[str, Array]:
        """By how much each pair of parts is further apart than it has to be, (K,) each, mm.

        Every pair is measured, also where designs are told with the closest few.
        """
        limits = self.problem.limits
        if limits.clearance_mm is None and limits.tyre_clearance_mm is None:
            return {}
        problem, some = self.stretched(table.like, self.number(table))
        solved = problem.solve(some)
        found = problem.clearances(some, solved, problem.drive(some, solved))
        pairs = {name: values for name, values in found.items() if is_pair(name)}
        wanted = {
            name: limits.tyre_clearance_mm if is_of_tyre(name) else limits.clearance_mm
            for name in pairs
        }
        return {name: pairs[name] - least for name, least in wanted.items() if least is not None}


def _changed(rack: Rack, number: Number, value: float) -> Rack:
    """A rack with another spacing or travel; a spacer is not of the rack."""
    if number == "inner_joint_spacing_mm":
        return replace(rack, inner_joint_spacing_mm=value)
    return replace(rack, travel_mm=value) if number == "travel_mm" else rack


def broken(table: Table) -> Array:
    """Sum (K,) of what limits are broken by, infinite where a design cannot assemble."""
    total = np.maximum(table.limits, 0.0).sum(axis=1)
    return np.where(np.isfinite(total), total, np.inf)


def questions(table: Table) -> list[tuple[int, int]]:
    """Rack and number of the questions that some designs answer."""
    asked = Questions(table.like.rack)
    return sorted(set(zip(asked.rack.tolist(), asked.number.tolist(), strict=True)))


def rows_of(table: Table, question: tuple[int, int]) -> Indices:
    """Rows of the designs that answer a question, by its rack and number."""
    asked = Questions(table.like.rack)
    return np.flatnonzero((asked.rack == question[0]) & (asked.number == question[1]))
