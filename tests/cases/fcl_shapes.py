"""Shapes for python-fcl, a general-purpose collision library."""

from __future__ import annotations

import itertools

import fcl
import numpy as np
from scipy.spatial.transform import Rotation

_BOX_TRIANGLES = [
    (0, 1, 3), (0, 3, 2), (4, 6, 7), (4, 7, 5), (0, 4, 5), (0, 5, 1),
    (2, 3, 7), (2, 7, 6), (0, 2, 6), (0, 6, 4), (1, 5, 7), (1, 7, 3),
]  # fmt: skip


def _mesh(points, triangles):
    model = fcl.BVHModel()
    model.beginModel(len(points), len(triangles))
    model.addSubModel(np.asarray(points, dtype=float), np.asarray(triangles))
    model.endModel()
    return fcl.CollisionObject(model, fcl.Transform())


def segment_mesh(start, end):
    """A segment as a flat triangle."""
    return _mesh([start, end, end], [(0, 1, 2)])


def box_mesh(low, high):
    """A box along the axes as twelve triangles."""
    return _mesh(list(itertools.product(*zip(low, high, strict=True))), _BOX_TRIANGLES)


def capsule(start, end, radius):
    along = np.asarray(end, float) - start
    length = np.linalg.norm(along)
    turn = np.eye(3)
    if length > 0.0:
        turn = Rotation.align_vectors([along / length], [[0.0, 0.0, 1.0]])[0].as_matrix()
    middle = 0.5 * (np.asarray(start) + end)
    return fcl.CollisionObject(fcl.Capsule(radius, length), fcl.Transform(turn, middle))


def distance(one, other):
    """Of separated shapes."""
    return fcl.distance(one, other, fcl.DistanceRequest(), fcl.DistanceResult())
