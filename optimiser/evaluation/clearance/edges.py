"""Keep-outs as edges and faces, which is where a tyre meets them: see `engine.ring`."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import product
from typing import TYPE_CHECKING

import numpy as np

from optimiser.evaluation.clearance.parts import KINDS, obstacles
from optimiser.linkage.vectors import unit

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimiser.evaluation.asked import KeepOut
    from optimiser.evaluation.clearance.parts import Obstacles
    from optimiser.linkage.vectors import Array

    Index = NDArray[np.intp]

SIDES = 32
"""Of the prism around a cylinder, which reaches half a per cent of its radius out of it."""


@dataclass(frozen=True, slots=True)
class Shapes:
    """Edges and faces of K keep-outs, those of each together.

    Attributes:
        group: the keep-outs.
        start: one end of each edge, (3, M) mm; of a capsule its line is the only edge.
        end: the other.
        edges: first edge of each keep-out and of the next, (K + 1,).
        middle: of each face, (3, F).
        axes: outward unit normal and two unit vectors in the face, (3, 3, F).
        size: half sizes along those two, (2, F); of a round face its radius, twice.
        round: which faces are round, (F,).
        faces: first face of each keep-out and of the next, (K + 1,).
    """

    group: Obstacles
    start: Array
    end: Array
    edges: Index
    middle: Array
    axes: Array
    size: Array
    round: NDArray[np.bool_]
    faces: Index


@lru_cache(maxsize=64)
def shapes(keep_outs: tuple[KeepOut, ...]) -> Shapes:
    """Of keep-outs on one body and, on the car's own, of their mirror images."""
    group = obstacles(keep_outs)
    edges: list[Array] = []
    faces: list[tuple[Array, Array, tuple[float, float], bool]] = []
    edge_counts, face_counts = [0], [0]
    for index, number in enumerate(group.kind):
        kind, start, end = KINDS[number], group.start[index], group.end[index]
        if kind == "box":
            edges += _box_edges(start, end)
            faces += _box_faces(start, end)
        elif kind == "cylinder":
            radius = float(group.round_mm[index])
            edges += _prism_edges(start, end, radius)
            faces += _ends(start, end, radius)
        else:
            edges.append(np.stack([start, end]))
        edge_counts.append(len(edges))
        face_counts.append(len(faces))
    ends = np.array(edges).reshape(-1, 2, 3)
    return Shapes(
        group,
        ends[:, 0].T,
        ends[:, 1].T,
        np.array(edge_counts),
        np.array([face[0] for face in faces]).reshape(-1, 3).T,
        np.array([face[1] for face in faces]).reshape(-1, 3, 3).transpose(1, 2, 0),
        np.array([face[2] for face in faces]).reshape(-1, 2).T,
        np.array([face[3] for face in faces], dtype=bool),
        np.array(face_counts),
    )


def _box_edges(low: Array, high: Array) -> list[Array]:
    corners = [np.where(pick, high, low) for pick in product((False, True), repeat=3)]
    return [
        np.stack([corners[i], corners[i | bit]])
        for i in range(8)
        for bit in (1, 2, 4)
        if not i & bit
    ]


def _box_faces(low: Array, high: Array) -> list[tuple[Array, Array, tuple[float, float], bool]]:
    middle, half, eye = 0.5 * (low + high), 0.5 * (high - low), np.eye(3)
    found = []
    for axis, sign in product(range(3), (-1.0, 1.0)):
        one, other = (axis + 1) % 3, (axis + 2) % 3
        axes = np.stack([sign * eye[axis], eye[one], eye[other]])
        at = middle + sign * half[axis] * eye[axis]
        found.append((at, axes, (float(half[one]), float(half[other])), False))
    return found


def _across(start: Array, end: Array) -> tuple[Array, Array, Array]:
    along = unit(end - start)
    side = unit(np.cross(along, np.eye(3)[np.argmin(np.abs(along))]))
    return along, side, np.cross(along, side)


def _prism_edges(start: Array, end: Array, radius: float) -> list[Array]:
    _, side, other = _across(start, end)
    angle = np.linspace(0.0, 2.0 * np.pi, SIDES, endpoint=False)[:, None]
    ring = radius / np.cos(np.pi / SIDES) * (np.cos(angle) * side + np.sin(angle) * other)
    after = np.roll(ring, -1, axis=0)
    return [
        np.stack([a, b])
        for i in range(SIDES)
        for a, b in (
            (start + ring[i], end + ring[i]),
            (start + ring[i], start + after[i]),
            (end + ring[i], end + after[i]),
        )
    ]


def _ends(
    start: Array, end: Array, radius: float
) -> list[tuple[Array, Array, tuple[float, float], bool]]:
    along, side, other = _across(start, end)
    return [
        (at, np.stack([sign * along, side, other]), (radius, radius), True)
        for at, sign in ((start, -1.0), (end, 1.0))
    ]
