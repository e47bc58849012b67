"""Small vector geometry over any batch shape: the last axis holds x, y, z."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]


def dot(a: ArrayLike, b: ArrayLike) -> Array:
    """Scalar product over the last axis; shapes (..., 3) broadcast to (...)."""
    x, y = np.asarray(a, dtype=float), np.asarray(b, dtype=float)
    return np.asarray(x[..., 0] * y[..., 0] + x[..., 1] * y[..., 1] + x[..., 2] * y[..., 2])


def cross(a: ArrayLike, b: ArrayLike) -> Array:
    """Vector product over the last axis; shapes (..., 3) broadcast."""
    x, y = np.asarray(a, dtype=float), np.asarray(b, dtype=float)
    return np.stack(
        [
            x[..., 1] * y[..., 2] - x[..., 2] * y[..., 1],
            x[..., 2] * y[..., 0] - x[..., 0] * y[..., 2],
            x[..., 0] * y[..., 1] - x[..., 1] * y[..., 0],
        ],
        axis=-1,
    )


def norm(a: ArrayLike) -> Array:
    """Length over the last axis, (..., 3) to (...)."""
    return np.sqrt(dot(a, a))


def dot_first(a: Array, b: Array) -> Array:
    """Scalar product of vectors that have their component first, (3, ...) to (...)."""
    product = a * b
    return np.asarray(product[0] + product[1] + product[2])


def cross_first(a: Array, b: Array) -> Array:
    """Vector product of vectors that have their component first; (3, ...) broadcast."""
    out = np.empty(a.shape if a.shape == b.shape else np.broadcast_shapes(a.shape, b.shape))
    for i, (j, k) in enumerate(((1, 2), (2, 0), (0, 1))):
        np.subtract(a[j] * b[k], a[k] * b[j], out=out[i, ...])
    return out


def unit(a: ArrayLike) -> Array:
    """Direction of `a`; a zero vector gives NaN, so that a batch survives."""
    x = np.asarray(a, dtype=float)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(x / norm(x)[..., None])


def angle_between(a: ArrayLike, b: ArrayLike) -> Array:
    """Angle in radians, 0 to pi, between vectors of any length.

    By atan2 of vector and scalar product: arccos of a number near one loses half the digits.
    """
    return np.asarray(np.arctan2(norm(cross(a, b)), dot(a, b)))


def rotate(vector: ArrayLike, axis: ArrayLike, angle: ArrayLike) -> Array:
    """Turn `vector` about a unit `axis` by `angle` radians, right-handed (Rodrigues' formula)."""
    v, k = np.asarray(vector, dtype=float), np.asarray(axis, dtype=float)
    c = np.cos(np.asarray(angle, dtype=float))[..., None]
    s = np.sin(np.asarray(angle, dtype=float))[..., None]
    return np.asarray(v * c + cross(k, v) * s + k * dot(k, v)[..., None] * (1.0 - c))
