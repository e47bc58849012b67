"""First-order effect of every dimension of a corner, and which of them matters most.

Central differences of the full kernel, all in one call, give the rate at which each dimension of
the left corner bends the toe curve and the Ackermann error curves; the right corner's are their
mirror image. Rates of whole curves are used, not of the largest value on them: that has a kink
where another travel takes over as the worst, and a good design sits in just such a kink.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimiser.linkage.mirror import mirrored_rack
from optimiser.metrics.tolerance.built import build_corner
from optimiser.metrics.tolerance.draws import (
    DIMENSIONS,
    NAMES,
    SIDEWAYS,
    TOE_SETTING,
    Tolerances,
)
from optimiser.metrics.tolerance.spread import Conditions, solve_cars

if TYPE_CHECKING:
    from optimiser.linkage.hardpoints import Hardpoints
    from optimiser.linkage.vectors import Array

STEP_MM = 0.02
STEP_TOE = 2e-5


@dataclass(frozen=True, slots=True, eq=False)
class Sensitivities:
    """Rates per mm, or per radian of the toe setting, of one design; angles in radians.

    Attributes:
        toe_change: bump steer of the design over travel, (P,).
        toe_rate: rate of the left wheel's toe change for each of `DIMENSIONS`, (D, P).
        ackermann_error: of the design over the lock, (n,).
        ackermann_rate: rate of that error for each dimension of the left corner, in the left
            turn, where it is the inner one, and the right one, where it is the outer: (D, 2, n).
    """

    toe_change: Array
    toe_rate: Array
    ackermann_error: Array
    ackermann_rate: Array

    @property
    def bump_per_unit(self) -> Array:
        """Greatest change of toe anywhere in the travel per unit of each dimension, (D,)."""
        return np.asarray(np.max(np.abs(self.toe_rate), axis=1))

    @property
    def ackermann_per_unit(self) -> Array:
        """Greatest change of Ackermann error up to lock, in either turn, per unit, (D,)."""
        return np.asarray(np.max(np.abs(self.ackermann_rate), axis=(1, 2)))

    def bump_importance(self, tolerances: Tolerances) -> Array:
        """Share of each dimension in the mean square deviation of the toe curve, (D,); sums to 1.

        All zero where no tolerance bends the curve.
        """
        return _shares(_squares(self.toe_rate, tolerances))

    def ackermann_importance(self, tolerances: Tolerances) -> Array:
        """Share of each dimension in the mean square deviation of Ackermann error, (D,).

        Both corners of the car count, and both turns; `rack sideways` moves both at once.
        """
        return _shares(_squares(self.ackermann_rate, tolerances))


def _squares(rates: Array, tolerances: Tolerances) -> Array:
    deviation = tolerances.standard_deviations()
    return np.asarray((rates.reshape(len(rates), -1) * deviation[:, None]) ** 2)


def _shares(squares: Array) -> Array:
    each = np.sum(squares, axis=1)
    total = float(np.sum(each))
    return np.zeros(len(each)) if total == 0.0 else np.asarray(each / total)


def sensitivities(points: Hardpoints, conditions: Conditions) -> Sensitivities:
    """Central differences at one design (unbatched points), 1 + 2 D cars in one call.

    NaN throughout where the design itself, or a car a step from it, cannot be assembled.
    """
    count = len(DIMENSIONS)
    steps = np.full(count, STEP_MM)
    steps[TOE_SETTING] = STEP_TOE
    left = np.concatenate([np.zeros((1, count)), np.diag(steps), -np.diag(steps)])
    # Every deviation on the left alone, except the one that a car's corners share.
    right = np.zeros_like(left)
    right[:, SIDEWAYS] = mirrored_rack(left[:, SIDEWAYS])
    curves = solve_cars(
        build_corner(points, left, conditions.attitude),
        build_corner(points, right, conditions.attitude),
        conditions,
    )
    toe, error = curves.toe_change[:, 0], curves.ackermann_error
    up, down = slice(1, count + 1), slice(count + 1, None)
    return Sensitivities(
        toe[0],
        (toe[up] - toe[down]) / (2.0 * steps[:, None]),
        error[0, 0],
        (error[up] - error[down]) / (2.0 * steps[:, None, None]),
    )


@dataclass(frozen=True, slots=True)
class Importance:
    """One dimension's row of the table; angles in degrees, per mm or, for toe, per degree.

    Attributes:
        name: dimension in plain words.
        tolerance: the stated number, mm or degrees.
        bump_per_unit: greatest change of toe anywhere in the travel per mm (per degree).
        bump_share: share in the spread of bump steer, 0 to 1.
        ackermann_per_unit: greatest change of Ackermann error up to lock per mm (per degree).
        ackermann_share: share in the spread of Ackermann error, 0 to 1.
    """

    name: str
    tolerance: float
    bump_per_unit: float
    bump_share: float
    ackermann_per_unit: float
    ackermann_share: float


def importance_table(rates: Sensitivities, tolerances: Tolerances) -> list[Importance]:
    """Rows of all dimensions, the one that matters most for bump steer first."""
    # Angle per angle is the same number in degrees; angle per mm is not.
    unit = np.full(len(DIMENSIONS), np.degrees(1.0))
    unit[TOE_SETTING] = 1.0
    sizes = tolerances.sizes()
    sizes[TOE_SETTING] = np.degrees(sizes[TOE_SETTING])
    columns = (
        sizes,
        rates.bump_per_unit * unit,
        rates.bump_importance(tolerances),
        rates.ackermann_per_unit * unit,
        rates.ackermann_importance(tolerances),
    )
    rows = [
        Importance(name, *(float(column[i]) for column in columns)) for i, name in enumerate(NAMES)
    ]
    return sorted(rows, key=lambda row: -row.bump_share)


def matters_most(rates: Sensitivities, tolerances: Tolerances) -> str:
    """Which dimension matters most for bump steer and for Ackermann error, in one sentence."""
    if not (np.isfinite(rates.toe_rate).all() and np.isfinite(rates.ackermann_rate).all()):
        return (
            "What matters most cannot be told: the design, or a car hardly different from it, "
            "cannot be assembled or steered to the required lock."
        )
    table = importance_table(rates, tolerances)
    by_bump = table[0]
    by_turn = max(table, key=lambda row: row.ackermann_share)
    if not by_bump.bump_share > 0.0 and not by_turn.ackermann_share > 0.0:
        return "No stated tolerance changes bump steer or Ackermann error."
    normal = " as standard deviation" if tolerances.distribution == "normal" else ""
    unit, effect = ("deg", "deg per deg") if by_bump.name == "toe setting" else ("mm", "deg per mm")
    return (
        f"For bump steer the {by_bump.name} matters most: it makes "
        f"{100.0 * by_bump.bump_share:.0f} % of the spread, {by_bump.bump_per_unit:.3f} {effect} "
        f"at ±{by_bump.tolerance:g} {unit}{normal}; for Ackermann error it is the "
        f"{by_turn.name}, {100.0 * by_turn.ackermann_share:.0f} %."
    )
