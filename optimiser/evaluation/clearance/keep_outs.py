"""The parts of the car that the steering may not touch, as shapes in body axes."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise, product
from typing import TYPE_CHECKING, Literal

import numpy as np

from optimiser.linkage.mirror import mirrored
from optimiser.linkage.vectors import unit

if TYPE_CHECKING:
    from collections.abc import Iterator

    from optimiser.evaluation.asked import Room
    from optimiser.linkage.vectors import Array

_ROUND = 24  # points of a drawn circle
_LINES = 8  # lines along a drawn capsule


@dataclass(frozen=True, slots=True)
class KeepOutShape:
    """A box along the axes, or all within a radius of a line.

    Attributes:
        name: as in the study; ', mirrored' when it is the mirror image.
        start: one corner, or one end, (3,) in body axes.
        stop: the opposite corner, or the other end.
        radius_mm: None for a box.
    """

    name: str
    kind: Literal["box", "capsule"]
    start: Array
    stop: Array
    radius_mm: float | None = None

    def corners(self) -> Array:
        """Corners (8, 3) of the box, or of the least box around the capsule."""
        grow = 0.0 if self.radius_mm is None else self.radius_mm
        low = np.minimum(self.start, self.stop) - grow
        high = np.maximum(self.start, self.stop) + grow
        return np.array([np.where(pick, high, low) for pick in product((False, True), repeat=3)])

    def outline(self, across: int, up: int) -> Array:
        """Silhouette (k, 3) seen along the third axis; a convex polygon."""
        if self.radius_mm is None:
            low, high = np.minimum(self.start, self.stop), np.maximum(self.start, self.stop)
            turns = ((low, low), (high, low), (high, high), (low, high))
            flat = np.array([(a[across], b[up]) for a, b in turns])
        else:
            angle = np.linspace(0.0, 2.0 * np.pi, 2 * _ROUND, endpoint=False)
            ring = self.radius_mm * np.stack([np.cos(angle), np.sin(angle)], axis=-1)
            a, b = self.start[[across, up]], self.stop[[across, up]]
            # The half of the ring that looks away from the other end, at either end.
            away = ring @ (b - a) > 0.0
            turn = np.roll(np.arange(len(angle)), -int(np.argmin(np.roll(away, 1) | ~away)))
            first = turn[away[turn]]
            flat = np.concatenate([b + ring[first], a - ring[first]])
            if not away.any():  # seen end on
                flat = a + ring
        points = np.zeros((len(flat), 3))
        points[:, across], points[:, up] = flat.T
        return points

    def wireframe(self) -> Array:
        """Edges (n, 2, 3): the twelve of a box, or rings and lines along a capsule."""
        if self.radius_mm is None:
            corners = self.corners()
            pairs = [(i, i | bit) for i in range(8) for bit in (1, 2, 4) if not i & bit]
            return np.array([(corners[i], corners[j]) for i, j in pairs])
        along = self.stop - self.start
        if not np.any(along):
            along = np.array([0.0, 0.0, 1.0])
        along = unit(along)
        side = unit(np.cross(along, np.eye(3)[np.argmin(np.abs(along))]))
        other = np.cross(along, side)
        angle = np.linspace(0.0, 2.0 * np.pi, _ROUND + 1)[:, None]
        ring = self.radius_mm * (np.cos(angle) * side + np.sin(angle) * other)
        edges = [(end + a, end + b) for end in (self.start, self.stop) for a, b in _pairs(ring)]
        for step in range(_LINES):
            at = ring[step * _ROUND // _LINES]
            edges.append((self.start + at, self.stop + at))
        # The round ends: two half circles each.
        half = np.linspace(0.0, np.pi, _ROUND // 2 + 1)[:, None]
        for end, way in ((self.start, -along), (self.stop, along)):
            for axis in (side, other):
                arc = end + self.radius_mm * (np.cos(half) * axis + np.sin(half) * way)
                edges += list(_pairs(arc))
        return np.array(edges)


def _pairs(points: Array) -> Iterator[tuple[Array, Array]]:
    return pairwise(points)


def keep_outs(room: Room) -> tuple[KeepOutShape, ...]:
    """Every keep-out in body axes, mirror images included."""
    shapes: list[KeepOutShape] = []
    for item in room.keep_outs:
        radius = None if item.kind == "box" else item.radius_mm
        low, high = np.array(item.low), np.array(item.high)
        shapes.append(KeepOutShape(item.name, item.kind, low, high, radius))
        if item.mirror:
            name = f"{item.name}, mirrored"
            shapes.append(KeepOutShape(name, item.kind, mirrored(low), mirrored(high), radius))
    return tuple(shapes)
