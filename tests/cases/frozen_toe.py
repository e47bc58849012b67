"""Paths of the outer joint with toe frozen, and the circle fit of any path, in the program's steps.

The program takes these steps inside `ideal_for_motion`; here each can be looked at by itself.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from optimiser.linkage.attitude import STRAIGHT, Attitude
from optimiser.metrics.ideal.circle import CircleFit, as_fit, fit_rows
from optimiser.metrics.ideal.upright import UprightMotion, upright_motion

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from optimiser.linkage.hardpoints import Hardpoints
    from optimiser.linkage.vectors import Array


def path_of(motion: UprightMotion, point: ArrayLike) -> Array:
    """Path in the body, (..., P, 3), of points of the upright given at rest."""
    a = motion.coordinates(point)[..., None, :, None]
    return np.asarray(motion.lower + np.sum(a * motion.frame, axis=-2))


def frozen_toe_path(
    points: Hardpoints,
    outer_joint: ArrayLike,
    travel_mm: ArrayLike,
    attitude: Attitude = STRAIGHT,
) -> Array:
    """Path of outer joints in the body with the steer angle held, (..., P, 3) mm."""
    return path_of(upright_motion(points, travel_mm, attitude), outer_joint)


def fit_circle_at(
    path_mm: ArrayLike,
    x_mm: ArrayLike,
    *,
    weights: ArrayLike | None = None,
    through: ArrayLike | None = None,
) -> CircleFit:
    """Fit the point P of given x that is equally far from all points of a path.

    Args:
        path_mm: points (..., P, 3).
        x_mm: x of the wanted point, (...).
        weights: (P,), of any positive sum; equal weights when None.
        through: point (..., 3) whose distance from P is the radius; None lets the radius be free.
    """
    path, x = np.asarray(path_mm, float), np.asarray(x_mm, float)
    count = path.shape[-2]
    shape = np.broadcast_shapes(path.shape[:-2], x.shape)
    w = np.ones(count) if weights is None else np.asarray(weights, float)
    flat = np.broadcast_to(path, (*shape, count, 3)).reshape(-1, count, 3)
    at = np.broadcast_to(x, shape).ravel()
    pin = None
    if through is not None:
        pin = np.broadcast_to(np.asarray(through, float), (*shape, 3)).reshape(-1, 3)
    with np.errstate(invalid="ignore", divide="ignore"):
        columns = [np.ascontiguousarray(flat[..., j]) for j in range(3)]
        rows, _ = fit_rows(columns, at, w / w.sum(), pin)
    return as_fit(rows, shape)
