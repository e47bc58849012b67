"""What a rack makes of a corner up to where the steering ends: lock, turning circle, gearing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimiser.linkage.at_rack import RightPoses, solve_linkage
from optimiser.metrics.kinematic import overall_ratio, turning_diameter, wheel_attitude

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import ArrayLike

    from optimiser.linkage.attitude import Attitude
    from optimiser.linkage.hardpoints import Hardpoints
    from optimiser.linkage.vectors import Array

    Column = Callable[[Array], tuple[Array, Array]]

GEARING_NODES = 24
"""Rack positions from straight ahead to the end, over which the overall ratio is followed."""


def greatest_rate(column: Column, turned: Array) -> Array:
    """d(pinion)/d(wheel) for turns (N, n) of the pinion, of either way of turning the greater."""
    return np.maximum(column(turned)[1], column(-turned)[1])


@dataclass(frozen=True, slots=True)
class Gearing:
    """What racks do with corners, each of batch shape (...); angles in radians.

    NaN where a wheel does not follow to the end, or where the rack's travel per turn is not known.

    Attributes:
        inner_at_end: inner wheel angle where the rack or the stops end.
        outer_at_end: outer wheel angle there.
        turning_diameter_mm: between kerbs, with the outer wheel at that angle.
        turns: steering-wheel turns from lock to lock over the travel that is used.
        ratio_at_centre: overall ratio at straight ahead.
        ratio_mean: overall ratio, mean of the two wheels, from straight ahead to the end.
        ratio_spread: greatest less least local overall ratio over that range.
    """

    inner_at_end: Array
    outer_at_end: Array
    turning_diameter_mm: Array
    turns: Array
    ratio_at_centre: Array
    ratio_mean: Array
    ratio_spread: Array


def gearing(
    points: Hardpoints,
    attitude: Attitude,
    end_mm: ArrayLike,
    per_turn_mm: ArrayLike,
    *,
    wheelbase_mm: float,
    tyre_width_mm: float = 0.0,
    nodes: int = GEARING_NODES,
    column: Column | None = None,
) -> Gearing:
    """Gearing of corners (...) whose racks are used up to `end_mm` (...) either way.

    Args:
        points: the left corners.
        attitude: at rest.
        end_mm: greatest rack displacement.
        per_turn_mm: rack travel for a turn of the steering wheel, NaN where it is not known.
        wheelbase_mm: for the turning circle, SAE J695 (read).
        tyre_width_mm: with 0 the circle is that of the contact point.
        nodes: rack positions either way; the spread of the ratio is over these, all else is of
            straight ahead and the ends.
        column: what the steering wheel does for turns of the pinion; None: it turns with it.
    """
    end, per_turn = np.asarray(end_mm, float), np.asarray(per_turn_mm, float)
    at = np.linspace(-end, end, 2 * nodes + 1, axis=-1)
    poses = solve_linkage(
        points.with_pose_axes(1), 0.0, at, attitude.with_pose_axes(1) if end.ndim else attitude
    )
    right = RightPoses.of_even_sweep(poses)
    steer, other = (side.steer - side.steer[..., nodes, None] for side in (poses, right))
    # The left wheel is the inner one where it is steered to the left, at one end of the rack.
    upper = steer[..., -1] > 0.0
    inner, outer = (np.where(upper, side[..., -1], side[..., 0]) for side in (steer, other))
    # Where a wheel does not follow to the end, which of the two is the inner one is not known.
    there = np.isfinite(inner) & np.isfinite(outer)
    inner, outer = (np.where(there, side, np.nan) for side in (inner, outer))
    wheel = wheel_attitude(poses, attitude.loaded_radius_mm)
    offset = wheel.scrub_radius_mm[..., nodes] + 0.5 * tyre_width_mm
    local = overall_ratio(0.5 * (poses.steer_per_rack + right.steer_per_rack), per_turn[..., None])
    swept, mean = 2.0 * end / per_turn, 2.0 * np.pi * end / per_turn
    if column is not None:
        wheel_turn, rate = column(2.0 * np.pi * at / per_turn[..., None])
        local = local / rate
        mean = 0.5 * (wheel_turn[..., -1] - wheel_turn[..., 0])
        swept = mean / np.pi
    return Gearing(
        inner_at_end=inner,
        outer_at_end=outer,
        turning_diameter_mm=turning_diameter(outer, wheelbase_mm, offset),
        turns=np.where(there, swept, np.nan),
        ratio_at_centre=local[..., nodes],
        ratio_mean=mean / (0.5 * (inner + outer)),
        ratio_spread=np.ptp(local, axis=-1),
    )
