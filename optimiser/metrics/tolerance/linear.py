"""What build tolerances do, to first order: a few milliseconds for each of many designs.

One car for each dimension of the left corner, a small step off, gives the rates at which toe curve
and Ackermann error bend; the right corner's are their mirror image. Every drawn car is then a sum
of rates. They hold where cars can be assembled and steered to lock with room to spare, which is
told from the same rates; a sum would tell nothing of a car that fails. A few of the drawn cars are
solved in full as well: where those about the percentile part from their sums, or the worst of all
do not stay beyond it, or too little is left to the toggle or to any other end of what a corner
reaches, the design is judged by full cars throughout.

The tests hold the percentiles against thousands of full cars.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from optimiser.linkage.mirror import mirrored_rack
from optimiser.metrics.between_nodes import between_nodes
from optimiser.metrics.tolerance.built import build_corner
from optimiser.metrics.tolerance.draws import (
    DIMENSIONS,
    SIDEWAYS,
    TOE_SETTING,
    Cars,
    Tolerances,
    draw_cars,
)
from optimiser.metrics.tolerance.spread import (
    PERCENTILE,
    CarCurves,
    solve_cars,
    tolerance_spread,
)

if TYPE_CHECKING:
    from numpy.typing import DTypeLike, NDArray

    from optimiser.linkage.hardpoints import Hardpoints
    from optimiser.linkage.vectors import Array
    from optimiser.metrics.tolerance.spread import Conditions

LINEAR_CARS = 4096
"""By 1,024 the percentiles of designs on a front were all 2 % too low, by 4,096 0.3 % at most."""
STEP_MM, STEP_TOE = 0.02, 2e-5
TRUSTED = 0.03
"""Share of the percentile by which a full car about it may part from its sum."""
FAR = 8.0
"""Standard deviations that what a corner reaches must be away, see `Poses.reach`. Four would do if
the squares were straight; measured, of designs nearer than 8 one in twenty had cars that fail."""
BLOCK_DESIGNS = 64
"""Designs at a time: more win nothing, and each takes a megabyte."""
_BLOCK_CARS = 1024
_FEW_POINTS = 4
"""Every so many of the points between the nodes are looked at; the solved nodes are among them."""


@dataclass(frozen=True, slots=True, eq=False)
class Percentiles:
    """95th percentiles over the cars built to each of N designs, radians.

    Attributes:
        bump_steer: (N,); NaN where more than 5 % of the cars fail.
        ackermann_error: likewise.
        reasons: why there is no percentile, empty where there is one, (N,).
        full: where full cars were judged, (N,).
    """

    bump_steer: Array
    ackermann_error: Array
    reasons: NDArray[np.object_]
    full: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class _Rates:
    """Curves (N, ...) of designs and their rates (N, D, ...) per unit of each dimension."""

    toe: Array  # its departure from what is wanted, as it counts
    toe_rate: Array
    error: Array  # at the nodes
    error_rate: Array
    reach: Array  # (N, 2, 16): `Poses.reach` at the ends of what either corner does
    reach_rate: Array


def linear_percentiles(
    points: Hardpoints, tolerances: Tolerances, conditions: Conditions
) -> Percentiles:
    """Percentiles of `LINEAR_CARS` cars of each of N designs (N,), to first order where that holds.

    A design whose cars part from their sums, or fail, is judged by `tolerance_spread`.
    """
    cars, drawn = _drawn(replace(tolerances, samples=max(LINEAR_CARS, tolerances.samples)))
    count = len(points.inner_joint)
    found, trusted = np.empty((count, 2)), np.empty(count, dtype=bool)
    for start in range(0, count, BLOCK_DESIGNS):
        block = np.arange(start, min(start + BLOCK_DESIGNS, count))
        some = points.select(block)
        rates = _rates(some, conditions)
        rough = np.stack([_sums(rates, design, drawn) for design in range(len(block))])
        found[block], proved = _proved(some, conditions, cars, rates, rough)
        trusted[block] = proved & _reached(rates, tolerances)
    reasons = np.full(count, "", dtype=object)
    rest = np.flatnonzero(~trusted)
    if len(rest):
        spread = tolerance_spread(points.select(rest), tolerances, conditions)
        found[rest] = np.stack([spread.bump_steer_p95, spread.ackermann_error_p95], axis=1)
        reasons[rest] = spread.reasons()
    return Percentiles(found[:, 0], found[:, 1], reasons, ~trusted)


@lru_cache(maxsize=4)
def _drawn(tolerances: Tolerances) -> tuple[Cars, _Drawn]:
    """The cars, and their deviations as the sums take them; both only to be read."""
    cars = draw_cars(tolerances)
    # Single precision finds the car of the percentile in half the time; double says what it has.
    return cars, _Drawn.of(cars, np.float32)


def _rates(points: Hardpoints, conditions: Conditions) -> _Rates:
    """Forward differences of every dimension of the left corner, 1 + D cars a design."""
    size = len(DIMENSIONS)
    steps = np.full(size, STEP_MM)
    steps[TOE_SETTING] = STEP_TOE
    left = np.concatenate([np.zeros((1, size)), np.diag(steps)])
    # Every deviation on the left alone, except the one that a car's corners share.
    right = np.zeros_like(left)
    right[:, SIDEWAYS] = mirrored_rack(left[:, SIDEWAYS])
    each = np.arange(size + 1)
    curves = _solve(
        points, conditions, Cars(left, right), np.tile(each, (len(points.inner_joint), 1))
    )
    toe, error, reach = curves.counted[..., 0, :], curves.ackermann_error, _reach(curves)
    with np.errstate(invalid="ignore"):
        return _Rates(
            toe[:, 0],
            (toe[:, 1:] - toe[:, :1]) / steps[:, None],
            error[:, 0],
            (error[:, 1:] - error[:, :1]) / steps[:, None, None],
            reach[:, 0],
            (reach[:, 1:] - reach[:, :1]) / steps[:, None, None],
        )


def _reach(curves: CarCurves) -> Array:
    """`Poses.reach` at the ends of what each corner of cars (N, K) does, (N, K, 2, 16)."""
    assert curves.ends is not None
    shape = curves.counted.shape[:2]
    squares = curves.ends.reach.reshape(4, 2, *shape, -1)
    return squares.transpose(2, 3, 1, 0, 4).reshape(*shape, 2, -1)


def _reached(rates: _Rates, tolerances: Tolerances) -> NDArray[np.bool_]:
    """Where no end of what a design (N,) does is within `FAR` deviations of what it reaches."""
    sizes = tolerances.standard_deviations()[:, None, None]
    left = rates.reach_rate * sizes
    right = left[:, :, ::-1].copy()
    right[:, SIDEWAYS] = 0.0  # as in `_sums`
    with np.errstate(invalid="ignore"):
        off = np.sqrt(np.sum(left * left + right * right, axis=1))
        return np.asarray((rates.reach > FAR * off).all(axis=(1, 2)))


def _between(error: Array) -> Array:
    """Ackermann error at the nodes and between them, (..., n); straight ahead there is none."""
    curve = between_nodes(error).reshape(*error.shape[:-1], error.shape[-1] - 1, -1)
    return curve[..., _FEW_POINTS::_FEW_POINTS].reshape(*error.shape[:-1], -1)


def _solve(
    points: Hardpoints, conditions: Conditions, cars: Cars, which: NDArray[np.intp]
) -> CarCurves:
    """Curves of some cars (N, K) of each of N designs, solved in full: (N, K, ...)."""
    shape = which.shape
    chosen = points.select(np.repeat(np.arange(shape[0]), shape[1]))
    left, right = (
        build_corner(chosen, side[which.ravel()], conditions.attitude)
        for side in (cars.left, cars.right)
    )
    curves = solve_cars(left, right, conditions)
    return CarCurves(
        curves.toe_change.reshape(*shape, *curves.toe_change.shape[1:]),
        curves.counted.reshape(*shape, *curves.counted.shape[1:]),
        curves.ackermann_error.reshape(*shape, *curves.ackermann_error.shape[1:]),
        curves.ends,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Drawn:
    """Deviations (D, S) of cars, the cars last, since numpy then takes many at a time.

    Attributes:
        own: of the right corner without what it shares: that one's rate of a turn is taken on whole
            cars and is in the left corner's.
    """

    left: Array
    right: Array
    own: Array

    @classmethod
    def of(cls, cars: Cars, kind: DTypeLike) -> _Drawn:
        own = cars.right.copy()
        own[:, SIDEWAYS] = 0.0
        left, right, own = (side.T.astype(kind, order="C") for side in (cars.left, cars.right, own))
        return cls(left, right, own)


def _sums(rates: _Rates, design: int, drawn: _Drawn) -> Array:
    """Bump steer and Ackermann error (2, S) of the cars of one design, each car a sum of rates."""
    kind = drawn.left.dtype

    def rows(values: Array) -> Array:
        return np.ascontiguousarray(values.T, dtype=kind)

    toe, toe_rate = rates.toe[design].astype(kind)[:, None], rows(rates.toe_rate[design])
    blends, error = rows(_between(np.eye(rates.error.shape[-1]))), rates.error[design].astype(kind)
    error_rate = [rows(rates.error_rate[design][:, turn]) for turn in (0, 1)]
    size = np.empty((2, 2, drawn.left.shape[1]), kind)
    for start in range(0, size.shape[2], _BLOCK_CARS):
        block = slice(start, start + _BLOCK_CARS)
        left, right, own = drawn.left[:, block], drawn.right[:, block], drawn.own[:, block]
        for side, mine in enumerate((left, right)):
            curve = toe_rate @ mine
            curve += toe
            np.abs(curve, out=curve).max(axis=0, out=size[0, side, block])
        for turn in (0, 1):
            # What the left corner does in a left turn, the right one does in a right turn.
            curve = error_rate[turn] @ left
            curve += error_rate[1 - turn] @ own
            curve += error[turn][:, None]
            curve = blends @ curve
            np.abs(curve, out=curve).max(axis=0, out=size[1, turn, block])
    return np.asarray(size.max(axis=1))


def _proved(
    points: Hardpoints, conditions: Conditions, cars: Cars, rates: _Rates, rough: Array
) -> tuple[Array, NDArray[np.bool_]]:
    """Percentiles (N, 2), and where the cars that decide, solved in full, rank as their sums (N,).

    Of each number the car of the percentile, by the sums `rough` (N, 2, S), has to be what its sum
    says, and the worst of all at least as bad.
    """
    size = rough.shape[2]
    rank = int(np.ceil(PERCENTILE * size - 1e-9)) - 1
    about, worst = np.argpartition(rough, rank, axis=2)[:, :, rank], rough.argmax(axis=2)
    which = np.concatenate([about, worst], axis=1)
    curves = _solve(points, conditions, cars, which)
    ackermann = np.abs(_between(curves.ackermann_error)).max(axis=(-2, -1))
    full = np.stack([curves.bump_steer, ackermann], axis=1)
    sums = np.stack(
        [
            _sums(rates, row, _Drawn.of(Cars(cars.left[few], cars.right[few]), np.float64))
            for row, few in enumerate(which)
        ]
    )
    found = np.stack([sums[:, 0, 0], sums[:, 1, 1]], axis=1)
    as_said = np.stack([full[:, 0, 0], full[:, 1, 1]], axis=1)
    at_worst = np.stack([full[:, 0, 2], full[:, 1, 3]], axis=1)
    known = np.isfinite(rough).all(axis=(1, 2)) & np.isfinite(full).all(axis=(1, 2))
    with np.errstate(invalid="ignore"):
        good = np.abs(as_said - found) <= TRUSTED * found
        good &= at_worst >= (1.0 - TRUSTED) * found
    return found, np.asarray(known & good.all(axis=1))
