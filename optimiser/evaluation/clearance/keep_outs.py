"""The parts of the car that the steering may not touch, as shapes in body axes."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise, product
from types import MappingProxyType
from typing import TYPE_CHECKING, Literal

import numpy as np

from optimiser.linkage.mirror import mirrored
from optimiser.linkage.vectors import unit

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from optimiser.evaluation.asked import Carrier, Room
    from optimiser.linkage.hardpoints import Hardpoints
    from optimiser.linkage.vectors import Array

_ROUND = 24  # points of a drawn circle
_LINES = 8  # lines along a drawn capsule


@dataclass(frozen=True, slots=True)
class KeepOutShape:
    """A box along the axes, all within a radius of a line, or a cylinder about it with flat ends.

    Attributes:
        name: as in the study; ', mirrored' when it is the mirror image.
        start: one corner, or one end, (3,) in body axes.
        stop: the opposite corner, or the other end.
        radius_mm: None for a box.
    """

    name: str
    kind: Literal["box", "capsule", "cylinder"]
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
        elif self.kind == "cylinder":
            flat = _hull(np.concatenate(self._rings()).reshape(-1, 3)[:, [across, up]])
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
        rings = self._rings()
        edges = [pair for ring in rings for pair in _pairs(ring)]
        for step in range(_LINES):
            at = step * _ROUND // _LINES
            edges.append((rings[0][at], rings[1][at]))
        if self.kind == "cylinder":
            return np.array(edges)
        along, side, other = self._axes()
        # The round ends: two half circles each.
        half = np.linspace(0.0, np.pi, _ROUND // 2 + 1)[:, None]
        for end, way in ((self.start, -along), (self.stop, along)):
            for axis in (side, other):
                arc = end + self.radius_mm * (np.cos(half) * axis + np.sin(half) * way)
                edges += list(_pairs(arc))
        return np.array(edges)

    def _axes(self) -> tuple[Array, Array, Array]:
        """Unit vectors along the line and square to it."""
        along = self.stop - self.start
        if not np.any(along):
            along = np.array([0.0, 0.0, 1.0])
        along = unit(along)
        side = unit(np.cross(along, np.eye(3)[np.argmin(np.abs(along))]))
        return along, side, np.cross(along, side)

    def _rings(self) -> tuple[Array, Array]:
        """The circles (k, 3) about both ends of the line."""
        _, side, other = self._axes()
        angle = np.linspace(0.0, 2.0 * np.pi, _ROUND + 1)[:, None]
        ring = (self.radius_mm or 0.0) * (np.cos(angle) * side + np.sin(angle) * other)
        return self.start + ring, self.stop + ring


def _hull(points: Array) -> Array:
    """Convex hull (k, 2) of points in a plane, by the monotone chain (Andrew 1979; from memory)."""
    order = points[np.lexsort((points[:, 1], points[:, 0]))].tolist()
    hull: list[list[float]] = []
    for way in (order, order[::-1]):
        chain: list[list[float]] = []
        for x, y in way:
            while len(chain) > 1 and _turn(chain[-2], chain[-1], (x, y)) <= 0.0:
                chain.pop()
            chain.append([x, y])
        hull += chain[:-1]
    return np.array(hull)


def _turn(a: Sequence[float], b: Sequence[float], c: Sequence[float]) -> float:
    """Positive where the way from a over b to c turns left."""
    return (b[0] - a[0]) * (c[1] - b[1]) - (b[1] - a[1]) * (c[0] - b[0])


def _pairs(points: Array) -> Iterator[tuple[Array, Array]]:
    return pairwise(points)


def carried_to(drawn: Hardpoints, design: Hardpoints) -> dict[Carrier, Array]:
    """How far a design stands of where its parts were drawn, (3,) by what carries them.

    The rack where the design has it; arms and upright outboard, where kept tie rods widen the
    track.
    """
    wider = np.asarray(design.wheel_centre - drawn.wheel_centre)
    return {
        "rack": np.asarray(design.inner_joint - drawn.inner_joint),
        "lower_arm": wider,
        "upper_arm": wider,
        "upright": wider,
    }


def keep_outs(
    room: Room, moved: Mapping[Carrier, Array] = MappingProxyType({})
) -> tuple[KeepOutShape, ...]:
    """Every keep-out in body axes at the design position, mirror images included.

    What moves is there on both sides; `moved` says how far a design has it from the drawing.
    """
    shapes: list[KeepOutShape] = []
    nothing = np.zeros(3)
    for item in room.keep_outs:
        radius = None if item.kind == "box" else item.radius_mm
        low = np.array(item.low) + moved.get(item.on, nothing)
        high = np.array(item.high) + moved.get(item.to_on or item.on, nothing)
        if item.length_mm is not None:
            high = low + item.length_mm * unit(high - low)
        shapes.append(KeepOutShape(item.name, item.kind, low, high, radius))
        if item.mirror or item.moves:
            name = f"{item.name}, mirrored"
            shapes.append(KeepOutShape(name, item.kind, mirrored(low), mirrored(high), radius))
    return tuple(shapes)
