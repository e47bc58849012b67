"""Vectors as tuples of their three components, and large batches cut into blocks.

Sums over a last axis of three run several times slower in numpy than the same sum written out
over three arrays, and arrays that do not fit in the second-level cache slower again.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from optimiser.linkage.vectors import Array

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from numpy.typing import ArrayLike

Vector = tuple[Array, Array, Array]

BLOCK = 4096
"""Elements of one array in a block; a dozen such arrays of 32 kB are alive at a time."""


def as_arrays(*values: ArrayLike) -> list[Array]:
    """Each value as an array of floats."""
    return [np.asarray(value, dtype=np.float64) for value in values]


def split(points: Array) -> Vector:
    """Components of (..., 3), as views."""
    return points[..., 0], points[..., 1], points[..., 2]


def minus(a: Vector, b: Vector) -> Vector:
    """Difference a - b."""
    return a[0] - b[0], a[1] - b[1], a[2] - b[2]


def along(a: Vector, t: Array, u: Vector) -> Vector:
    """Point a + t u."""
    return a[0] + t * u[0], a[1] + t * u[1], a[2] + t * u[2]


def dot(a: Vector, b: Vector) -> Array:
    """Scalar product."""
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]


def cross(a: Vector, b: Vector) -> Vector:
    """Vector product."""
    return (
        a[1] * b[2] - a[2] * b[1],
        a[2] * b[0] - a[0] * b[2],
        a[0] * b[1] - a[1] * b[0],
    )


def length(a: Vector) -> Array:
    """Euclidean length."""
    return np.sqrt(dot(a, a))


def unit_interval(t: Array) -> Array:
    """The number of 0..1 nearest to t; NaN stays NaN."""
    return np.minimum(np.maximum(t, 0.0), 1.0)


def blocks(shape: tuple[int, ...], size: int) -> Iterator[tuple[slice, ...]]:
    """Slices that cut an array of `shape` into pieces of at most `size` elements."""
    axis, inner = len(shape), 1
    while axis and inner * shape[axis - 1] <= size:
        axis -= 1
        inner *= shape[axis]
    whole = (slice(None),) * (len(shape) - axis)
    if axis == 0:
        yield whole
        return
    step = max(1, size // inner)
    for outer in np.ndindex(shape[: axis - 1]):
        for start in range(0, shape[axis - 1], step):
            yield *(slice(i, i + 1) for i in outer), slice(start, start + step), *whole


def cut(array: Array, block: tuple[slice, ...]) -> Array:
    """The part of `array` that belongs to `block`.

    The array has at least as many axes as the block; an axis of length 1 is kept, to broadcast,
    and further axes are kept whole.
    """
    sizes = array.shape[: len(block)]
    return array[tuple(s if n > 1 else slice(None) for s, n in zip(block, sizes, strict=True))]


def with_axes(array: Array, count: int) -> Array:
    """The array with axes of length 1 put in front until it has `count`."""
    return array.reshape((1,) * (count - array.ndim) + array.shape)


def over_blocks(
    kernel: Callable[..., Array], points: Sequence[Array], numbers: Sequence[Array] = ()
) -> Array:
    """`kernel` of the components of `points`, (..., 3) each, and of `numbers`, block by block."""
    shape = np.broadcast_shapes(*(p.shape[:-1] for p in points), *(n.shape for n in numbers))
    out = np.empty(shape or (1,))
    points = [with_axes(p, out.ndim + 1) for p in points]
    numbers = [with_axes(n, out.ndim) for n in numbers]
    for block in blocks(out.shape, BLOCK):
        parts = [split(cut(p, block)) for p in points]
        out[block] = kernel(*parts, *(cut(n, block) for n in numbers))
    return out.reshape(shape)
