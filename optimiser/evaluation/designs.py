"""Designs and what became of them, as batches of plain arrays."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from optimiser.linkage.vectors import Array

VARIABLES = (
    "rack_height_mm",
    "rack_fore_aft_mm",
    "spacer_mm",
    "arm_length_mm",
    "arm_height_mm",
    "arm_angle_deg",
)

ROLL = "rack_roll_deg"
"""A variable of the studies that let a rack be rolled about its bar, and of no others."""
ALL_VARIABLES = (*VARIABLES, ROLL)

JUDGED = ("bump_steer_deg", "ackermann_error_deg")
"""The metrics that acceptable values are stated for, in the order of `Problem.acceptable`."""


# --- what a design may be ------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Range:
    """A variable free between two bounds."""

    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Stock:
    """A variable that takes one of some values; one value makes it fixed."""

    values: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class FollowsRack:
    """Arm height that keeps its distance above the rack height."""

    offset_mm: float


Choice = Range | Stock | FollowsRack


def ends(choice: Choice) -> tuple[float, float]:
    """Least and greatest allowed value.

    Raises:
        TypeError: the variable follows another and has no values of its own.
    """
    if isinstance(choice, Range):
        return choice.low, choice.high
    values = _stock(choice)
    return min(values), max(values)


def allows(choice: Choice, values: ArrayLike) -> NDArray[np.bool_]:
    """Where values of any shape are allowed, to the last bit; True of what follows another."""
    given = np.asarray(values, float)
    if isinstance(choice, Range):
        return np.asarray((given >= choice.low) & (given <= choice.high))
    if isinstance(choice, Stock):
        return np.isin(given, choice.values)
    return np.ones(given.shape, dtype=bool)


def nearest_allowed(choice: Choice, wanted: ArrayLike) -> Array:
    """The allowed values nearest to values of any shape.

    Raises:
        TypeError: the variable follows another and has no values of its own.
    """
    given = np.asarray(wanted, float)
    if isinstance(choice, Range):
        return np.asarray(np.clip(given, choice.low, choice.high))
    values = np.array(_stock(choice))
    return np.asarray(values[np.argmin(np.abs(given[..., None] - values), axis=-1)])


def _stock(choice: Choice) -> tuple[float, ...]:
    if not isinstance(choice, Stock):
        raise TypeError("a variable that follows another has no values of its own")
    return choice.values


@dataclass(frozen=True, slots=True)
class Designs:
    """N designs: index of the rack (N,), and values (N, 6) in the order of `VARIABLES`.

    (N, 7) in the order of `ALL_VARIABLES` where the study lets the rack be rolled. Where points of
    the suspension may move there are more columns behind these, see `Problem.moves`; a problem
    takes designs without them for those that move nothing.
    """

    rack: NDArray[np.intp]
    values: Array

    def __len__(self) -> int:
        return len(self.rack)

    def column(self, name: str) -> Array:
        """Values (N,) of one variable."""
        return np.asarray(self.values[:, ALL_VARIABLES.index(name)])

    def select(self, index: NDArray[np.intp] | NDArray[np.bool_] | slice) -> Designs:
        """Some of the designs."""
        return Designs(self.rack[index], self.values[index])

    @classmethod
    def join(cls, parts: list[Designs]) -> Designs:
        """One batch after another."""
        return cls(
            np.concatenate([part.rack for part in parts]),
            np.concatenate([part.values for part in parts]),
        )


# --- what became of them -------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Evaluation:
    """Outcome of N designs.

    Attributes:
        objectives: (N, m), in the order of `Objectives.names`; NaN when it cannot assemble.
        constraints: (N, c), in the order of `Problem.constraint_names`; kept when <= 0.
        metrics: every reported number by its column name, each (N,).
        status: 'ok', 'breaks NAME, ...' or 'cannot assemble: ...'.
        scales: how much of each limit's unit counts as a millimetre, as in
            `Problem.constraint_scales`; empty where all are in millimetres and degrees.
        closest: names of the closest pairs of parts by column, (N,) each, of studies that tell
            these in place of every pair.
    """

    objectives: Array
    constraints: Array
    metrics: dict[str, Array]
    status: NDArray[np.object_]
    scales: tuple[float, ...] = ()
    closest: dict[str, NDArray[np.object_]] = field(default_factory=dict)

    @property
    def feasible(self) -> NDArray[np.bool_]:
        """True where the design assembles and keeps every limit."""
        return np.asarray(self.status == "ok")

    @property
    def judged(self) -> Array:
        """Bump steer and Ackermann error that acceptable values are held against, (N, 2) degrees.

        What is accepted is the greatest value, so a search that minimises the root mean square is
        judged by the greatest all the same; one with tolerances by the greater of percentile and
        drawing.
        """
        greatest = [self.metrics[name] for name in JUDGED]
        return np.maximum(self.objectives[:, :2], np.stack(greatest, axis=1))

    @property
    def assembles(self) -> NDArray[np.bool_]:
        """True where every pose exists."""
        return np.asarray(np.isfinite(self.objectives).all(axis=1))

    @property
    def scaled_constraints(self) -> Array:
        """Constraints (N, c) in what counts as a millimetre of each."""
        return self.constraints / np.array(self.scales) if self.scales else self.constraints

    @property
    def excess(self) -> Array:
        """Sum (N,) of what limits are exceeded by, mm and degrees alike; NaN unassembled."""
        total = np.maximum(self.scaled_constraints, 0.0).sum(axis=1)
        return np.where(self.assembles, total, np.nan)

    @property
    def nearest(self) -> int | None:
        """Row of the least excess; None when none assembles."""
        rows = np.flatnonzero(self.assembles)
        return int(rows[np.argmin(self.excess[rows])]) if len(rows) else None

    @property
    def commonest_status(self) -> tuple[str, int]:
        """The status that most designs share, and how many do; of no designs an empty one."""
        if not len(self.status):
            return "", 0
        texts, counts = np.unique(self.status.astype(str), return_counts=True)
        often = int(np.argmax(counts))
        return str(texts[often]), int(counts[often])

    @classmethod
    def join(cls, parts: list[Evaluation]) -> Evaluation:
        """One batch after another."""
        return cls(
            np.concatenate([part.objectives for part in parts]),
            np.concatenate([part.constraints for part in parts]),
            {
                name: np.concatenate([part.metrics[name] for part in parts])
                for name in parts[0].metrics
            },
            np.concatenate([part.status for part in parts]),
            parts[0].scales,
            {
                name: np.concatenate([part.closest[name] for part in parts])
                for name in parts[0].closest
            },
        )

    def select(self, index: NDArray[np.intp] | NDArray[np.bool_] | slice) -> Evaluation:
        """Some of the designs."""
        return Evaluation(
            self.objectives[index],
            self.constraints[index],
            {name: values[index] for name, values in self.metrics.items()},
            self.status[index],
            self.scales,
            {name: values[index] for name, values in self.closest.items()},
        )
