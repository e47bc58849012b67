"""What build tolerances do to bump steer and Ackermann error, by the full kernel."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimiser.linkage.attitude import STRAIGHT
from optimiser.linkage.mirror import mirrored_rack, mirrored_steer
from optimiser.metrics.between_nodes import largest_between
from optimiser.metrics.kinematic import (
    kingpin_track,
    lock_fractions,
    solve_lock,
    summarise_toe,
    wanted_outer,
)
from optimiser.metrics.tolerance.built import AsBuilt, build_corner, join_corners
from optimiser.metrics.tolerance.draws import Tolerances, draw_cars
from optimiser.metrics.wanted import FROZEN

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from optimiser.linkage.attitude import Attitude
    from optimiser.linkage.hardpoints import Hardpoints
    from optimiser.linkage.poses import Poses
    from optimiser.linkage.vectors import Array
    from optimiser.metrics.wanted import Target, WantedToe

PERCENTILE = 0.95
CHUNK_CARS = 1024


@dataclass(frozen=True, slots=True, eq=False)
class Conditions:
    """What cars are judged under; angles in radians.

    Attributes:
        travel_mm: travel grid (P,) that holds 0.
        attitude: designed, of each wheel at rest.
        inner_lock: required angle of the inner wheel.
        ackermann_target: 1 is pure rolling, 0 parallel; or a curve, see `wanted_outer`.
        wanted_toe: how toe is wanted to change over travel, and how nearly.
        nodes: rack displacements up to lock at which Ackermann error is taken.
    """

    travel_mm: Array
    wheelbase_mm: float
    attitude: Attitude
    inner_lock: float
    ackermann_target: Target = 1.0
    wanted_toe: WantedToe = FROZEN
    nodes: int = 12


@dataclass(frozen=True, slots=True, eq=False)
class CarCurves:
    """Curves of C cars, radians, NaN where a car cannot be assembled or steered to lock.

    Attributes:
        toe_change: change of toe-in over travel of the left and the right wheel, (C, 2, P).
        counted: its departure from what is wanted, as it counts (`WantedToe.counted`), (C, 2, P).
        ackermann_error: over the lock in the left and the right turn, (C, 2, nodes + 1).
        ends: poses (2 C, 4) at both ends of the travel and at the lock in either turn, of all left
            wheels and then of the images of all right ones; None where nothing was solved.
    """

    toe_change: Array
    counted: Array
    ackermann_error: Array
    ends: Poses | None = None

    @property
    def bump_steer(self) -> Array:
        """Largest bump steer of the worse wheel, (C,)."""
        return np.asarray(np.max(np.abs(self.counted), axis=(-2, -1)))

    @property
    def largest_ackermann_error(self) -> Array:
        """Largest Ackermann error in the worse turn, between the nodes too, (C,)."""
        return np.asarray(np.max(largest_between(self.ackermann_error), axis=-1))


def solve_cars(left: AsBuilt, right: AsBuilt, conditions: Conditions) -> CarCurves:
    """Curves of cars whose two corners differ, each of batch shape (C,).

    `right` is the mirror image of the right corner. In a left turn the rack moves so that the
    left wheel turns by the lock, and the image of the right one stands as a left wheel with the
    rack in the mirror. In a right turn the two change places.
    """
    both = join_corners([left, right])
    (count,) = left.shape
    lock, rest, _ = solve_lock(both.points, np.asarray(conditions.inner_lock), both.attitude)
    other = np.concatenate([np.arange(count, 2 * count), np.arange(count)])
    share = lock_fractions(conditions.nodes)[1:]
    grid = conditions.travel_mm
    bump, turns = len(grid), len(share)
    towards = lock[:, None] * share
    rack = np.concatenate(
        [np.zeros((2 * count, bump)), towards, mirrored_rack(towards[other])], axis=1
    )
    poses = both.solve(np.concatenate([grid, np.zeros(2 * turns)]), rack)
    steer = poses.steer
    toe = steer[:, np.flatnonzero(grid == 0.0)[:1]] - steer[:, :bump]
    turned = steer[:, bump:] - rest[:, None]
    turned = np.concatenate([np.zeros((2 * count, 1)), turned], axis=1)
    inner = turned[:, : turns + 1]
    outer = mirrored_steer(turned[other][:, [0, *range(turns + 1, 2 * turns + 1)]])
    half = 0.5 * kingpin_track(both.points, both.attitude)
    track = (half + half[other])[:, None]
    error = outer - wanted_outer(inner, track, conditions.wheelbase_mm, conditions.ackermann_target)
    toe, wanted = np.stack([toe[:count], toe[count:]], axis=1), conditions.wanted_toe
    return CarCurves(
        toe,
        wanted.counted(wanted.departure(toe, grid), grid),
        np.stack([error[:count], error[count:]], axis=1),
        poses.select(np.array([0, bump - 1, bump + turns - 1, -1])),
    )


def largest_bump(corners: AsBuilt, conditions: Conditions) -> Array:
    """Largest bump steer, radians, of corners of any batch shape (...)."""
    toe = -corners.solve(conditions.travel_mm, 0.0).steer
    unknown = np.full(toe.shape[:-1], np.nan)
    return summarise_toe(toe, conditions.travel_mm, unknown, conditions.wanted_toe).largest


def percentile(values: ArrayLike, share: float = PERCENTILE) -> Array:
    """Least value that at least `share` of the values (..., S) do not exceed; no interpolation.

    A NaN, a car that cannot be assembled, counts as worse than any number. The percentile is
    therefore NaN exactly when more than 1 - `share` of the cars fail.
    """
    ranked = np.asarray(values, float)
    ranked = np.where(np.isnan(ranked), np.inf, ranked)
    rank = max(1, int(np.ceil(share * ranked.shape[-1] - 1e-9)))
    found = np.partition(ranked, rank - 1, axis=-1)[..., rank - 1]
    return np.where(np.isfinite(found), found, np.nan)


def percentile_error(values: ArrayLike, share: float = PERCENTILE) -> Array:
    """Standard error of `percentile` (...) over values (..., S), from the sample alone.

    Of S independent cars the number below the true percentile is binomial, S p on average with a
    standard deviation of sqrt(S p (1 - p)): half the distance of the values that far apart in
    rank. The cars fill their space more evenly than independent ones, so that it errs upward.
    NaN where the upper of the two fails. Elementary statistics of order.
    """
    ranked = np.sort(np.where(np.isnan(values), np.inf, np.asarray(values, float)), axis=-1)
    count = ranked.shape[-1]
    off = np.sqrt(count * share * (1.0 - share))
    low, high = (int(np.ceil(count * share + way)) for way in (-off, off))
    apart = ranked[..., min(high, count) - 1], ranked[..., max(low, 1) - 1]
    with np.errstate(invalid="ignore"):
        error = 0.5 * (apart[0] - apart[1])
    return np.where(np.isfinite(error), error, np.nan)


@dataclass(frozen=True, slots=True, eq=False)
class Spread:
    """Bump steer and Ackermann error of S cars built to each design (...), radians.

    Attributes:
        bump_steer: largest over travel, of the worse wheel of each car, (..., S); NaN for a car
            that cannot be assembled or steered to lock.
        ackermann_error: largest up to lock, in the worse turn of each car, (..., S); NaN likewise.
    """

    bump_steer: Array
    ackermann_error: Array

    @classmethod
    def of(cls, bump_steer: Array, ackermann_error: Array) -> Spread:
        """From values of all cars: one that fails in one respect fails altogether."""
        fails = np.isnan(bump_steer) | np.isnan(ackermann_error)
        return cls(np.where(fails, np.nan, bump_steer), np.where(fails, np.nan, ackermann_error))

    @property
    def bump_steer_p95(self) -> Array:
        """95th percentile, (...); NaN when more than 5 % of the cars fail."""
        return percentile(self.bump_steer)

    @property
    def ackermann_error_p95(self) -> Array:
        """95th percentile, (...); NaN when more than 5 % of the cars fail."""
        return percentile(self.ackermann_error)

    @property
    def failing(self) -> NDArray[np.intp]:
        """Number of cars that cannot be assembled or steered to lock, (...)."""
        return np.asarray(np.sum(np.isnan(self.bump_steer), axis=-1), dtype=np.intp)

    def reasons(self) -> NDArray[np.object_]:
        """Why a design (...) has no percentile, empty where it has one."""
        cars = self.bump_steer.shape[-1]
        failing, broken = self.failing, np.isnan(self.bump_steer_p95)
        text = np.full(broken.shape, "", dtype=object)
        for index in np.ndindex(broken.shape):
            if broken[index]:
                text[index] = (
                    f"{failing[index]} of {cars} cars built to the stated tolerances cannot be "
                    "assembled or steered to the required lock, more than 5 %: "
                    "build more exactly, or keep more toggle margin"
                )
        return text


def built_cars(
    points: Hardpoints, tolerances: Tolerances, attitude: Attitude = STRAIGHT
) -> tuple[AsBuilt, AsBuilt]:
    """Left corners, and mirror images of the right ones, of the cars drawn: (..., S) each.

    `points` has batch shape (...).
    """
    cars, apart = draw_cars(tolerances), points.with_pose_axes(1)
    left, right = (build_corner(apart, side, attitude) for side in (cars.left, cars.right))
    return left, right


def tolerance_spread(points: Hardpoints, tolerances: Tolerances, conditions: Conditions) -> Spread:
    """Build every drawn car of every design (N,), or of one design (), and judge it.

    The cars are solved in blocks of `CHUNK_CARS`, so that memory stays small for any N and S.
    Each car takes 2 (P + 2 nodes) poses and the search of two locks.
    """
    cars = draw_cars(tolerances)
    shape = np.broadcast_shapes(*(value.shape[:-1] for _, value in points.items()))
    size = int(np.prod(shape, dtype=int))
    bump, ackermann = np.empty((2, size * len(cars)))
    for start in range(0, len(bump), CHUNK_CARS):
        index = np.arange(start, min(start + CHUNK_CARS, len(bump)))
        design, car = np.divmod(index, len(cars))
        chosen = points.select(design) if shape else points
        left, right = (
            build_corner(chosen, side[car], conditions.attitude) for side in (cars.left, cars.right)
        )
        curves = solve_cars(left, right, conditions)
        bump[index], ackermann[index] = curves.bump_steer, curves.largest_ackermann_error
    return Spread.of(*(value.reshape(*shape, len(cars)) for value in (bump, ackermann)))
