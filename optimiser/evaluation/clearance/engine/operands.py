"""Points in many poses as `least` takes them: in blocks, and without repeating what is shared."""

from __future__ import annotations

from dataclasses import dataclass
from math import prod
from typing import TYPE_CHECKING

import numpy as np

from optimiser.evaluation.clearance.engine.components import Vector, cut, split

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimiser.linkage.vectors import Array

    Index = NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class Picked:
    """Points of n pairs, where many pairs share a row: it is not repeated in memory.

    Attributes:
        points: components of R rows in all poses, (3, R, poses) mm.
        rows: row of each pair, (n,).
    """

    points: Array
    rows: Index

    @property
    def shape(self) -> tuple[int, ...]:
        """Of the points that this stands for, (n, poses, 3)."""
        return len(self.rows), self.points.shape[2], 3

    def select(self, chosen: Index | NDArray[np.bool_]) -> Picked:
        """Some of the pairs."""
        return Picked(self.points, self.rows[chosen])


def cut_points(points: Array | Picked, block: tuple[slice, ...]) -> Array | Picked:
    """The part that belongs to a block of the batch."""
    if isinstance(points, Picked):
        return Picked(points.points, points.rows[block[0]])
    return cut(points, block)


class Operand:
    """Points (*batch, poses, 3), either axis of length 1 where they do not vary."""

    __slots__ = ("_flat", "_offset", "moves", "points")

    def __init__(self, points: Array | Picked, batch: tuple[int, ...]) -> None:
        poses = points.shape[-2]
        self.points = points
        self.moves = poses > 1
        if isinstance(points, Picked):
            self._offset = points.rows * poses
            parts = tuple(points.points)
        else:
            rows = np.arange(0, prod(points.shape[:-1]), poses).reshape(points.shape[:-2])
            self._offset = np.broadcast_to(rows, batch).ravel()
            parts = split(points)
        self._flat = tuple(np.ascontiguousarray(part).reshape(-1) for part in parts)

    def components(self) -> Vector:
        """All points, (*batch, poses) each, or 1 where they do not vary."""
        if isinstance(self.points, Picked):
            x, y, z = (part.take(self.points.rows, axis=0) for part in self.points.points)
            return x, y, z
        return split(self.points)

    def at(self, entry: Index, pose: Index) -> Vector:
        """Points of the given entries of the batch, flattened, in the given poses."""
        index = self._offset.take(entry)
        if self.moves:
            index += pose
        x, y, z = (part.take(index) for part in self._flat)
        return x, y, z

    def project(self, normal: Array, block: tuple[slice, ...], out: Array) -> None:
        """Scalar product of a block of normals (*batch, 3) with all poses, into `out`."""
        if isinstance(self.points, Picked):
            rows = self.points.rows[block]
            np.multiply(normal[:, :1], self.points.points[0].take(rows, axis=0), out=out)
            for axis in (1, 2):
                part = self.points.points[axis].take(rows, axis=0)
                part *= normal[:, axis : axis + 1]
                out += part
            return
        points = np.swapaxes(cut(self.points, block), -1, -2)
        if points.shape[-3] == 1:  # one moving part before a row of obstacles: one product
            np.matmul(normal, points[..., 0, :, :], out=out)
        else:
            np.matmul(normal[..., None, :], points, out=out[..., None, :])
