"""How exactly one chosen design must be made, as far as its study has data for it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimiser.tolerance import (
    Band,
    Importance,
    ShimTable,
    accuracy_bands,
    built_cars,
    importance_table,
    matters_most,
    sensitivities,
    shim_table,
    solve_cars,
    tolerance_spread,
)

if TYPE_CHECKING:
    from optimiser.results import Chosen
    from optimiser.vectors import Array

_LOW, _HIGH = 5.0, 95.0


@dataclass(frozen=True, slots=True, eq=False)
class Built:
    """Cars built to the study's tolerances; angles in degrees.

    Attributes:
        cars: how many were built on paper.
        bump_steer_p95_deg: 95 of 100 cars are at most this; NaN when too many fail.
        ackermann_error_p95_deg: likewise.
        reason: why there is no such number; empty when there is.
        matters_most: which dimension does, in words.
        rows: every dimension, the one that matters most for bump steer first.
        toe_low_deg: toe change over travel (P,) that 5 of 100 wheels are below.
        toe_high_deg: the one that 95 of 100 are below.
    """

    cars: int
    bump_steer_p95_deg: float
    ackermann_error_p95_deg: float
    reason: str
    matters_most: str
    rows: tuple[Importance, ...]
    toe_low_deg: Array
    toe_high_deg: Array


@dataclass(frozen=True, slots=True, eq=False)
class Accuracy:
    """What is known about one design; `built` is None without `[tolerance]` in the study."""

    bands: tuple[Band, ...]
    shims: ShimTable
    built: Built | None


def accuracy(chosen: Chosen) -> Accuracy:
    """Bands of each dimension alone, shims, and cars built to the study's tolerances."""
    problem, points, conditions = chosen.problem, chosen.points, chosen.problem.conditions
    acceptable = problem.steering.acceptable_bump_steer
    return Accuracy(
        accuracy_bands(points, conditions, acceptable),
        shim_table(points, conditions),
        _built(chosen),
    )


def _built(chosen: Chosen) -> Built | None:
    problem, points = chosen.problem, chosen.points
    tolerances, conditions = problem.tolerances, problem.conditions
    if tolerances is None:
        return None
    spread = tolerance_spread(points, tolerances, conditions)
    rates = sensitivities(points, conditions)
    left, right = built_cars(
        points,
        tolerances,
        static_toe_in=conditions.static_toe_in,
        static_camber=conditions.static_camber,
    )
    toe = np.degrees(solve_cars(left, right, conditions).toe_change)
    toe = toe[np.isfinite(toe).all(axis=(1, 2))].reshape(-1, toe.shape[-1])
    low, high = np.full((2, toe.shape[-1]), np.nan)
    if len(toe):
        low, high = np.percentile(toe, [_LOW, _HIGH], axis=0)
    return Built(
        cars=tolerances.samples,
        bump_steer_p95_deg=float(np.degrees(spread.bump_steer_p95)),
        ackermann_error_p95_deg=float(np.degrees(spread.ackermann_error_p95)),
        reason=str(spread.reasons()[()]),
        matters_most=matters_most(rates, tolerances),
        rows=tuple(importance_table(rates, tolerances)),
        toe_low_deg=low,
        toe_high_deg=high,
    )
