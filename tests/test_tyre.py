"""Clearance of the tyre: the ring by hand, by sampling, and as a mesh before python-fcl."""

from __future__ import annotations

import itertools
from dataclasses import replace

import fcl
import numpy as np
import pytest
from fcl_shapes import distance
from scipy.spatial.transform import Rotation

from optimiser.evaluation.asked import KeepOut
from optimiser.evaluation.clearance.edges import shapes
from optimiser.evaluation.clearance.engine import Picked, Ring, minimum_segment_ring
from optimiser.evaluation.clearance.tyre import Tyres

RING = Ring(outside=280.0, inside=180.0, half=90.0, shoulder=25.0)
WITHIN_MM = 2e-3
"""How nearly the least along a segment of half a metre is found."""
MESH_MM, BORE_MM = 0.25, 0.1
"""What the mesh's facets lie inside of the ring, and in its bore outside of it."""


def to_ring(p0, p1, centre, axis, ring=RING, ceiling=1e6):
    """Of segments (n, 3), a pose each."""
    each = [np.atleast_2d(np.asarray(p, float)) for p in (p0, p1, centre, axis)]
    count = max(len(p) for p in each)
    start, end, middle, k = (
        Picked(np.broadcast_to(p, (count, 3)).T[..., None], np.arange(count)) for p in each
    )
    return minimum_segment_ring(start, end, (middle, k), ring, ceiling=ceiling)


@pytest.mark.parametrize(
    ("p0", "p1", "expected"),
    [
        ((0, -50, 0), (0, 50, 0), 180.0),  # along the axle, within the bore
        ((0, -200, 0), (0, -100, 0), np.hypot(180.0, 10.0)),  # beside it: to the bead's edge
        ((300, -500, 0), (300, 500, 0), 20.0),  # past the tread
        ((0, 100, 230), (0, 300, 230), 10.0),  # before the side
        ((0, 0, 200), (0, 0, 230), -50.0),  # in the tyre, 50 from the tread
        # To the shoulder's arc, whose middle is at 255 off and 65 along.
        ((0, 95, 295), (0, 95, 295), np.hypot(40.0, 30.0) - 25.0),
        ((-400, 95, 0), (400, 95, 0), 5.0),  # across the side, from tread to tread
        ((-400, 50, 0), (400, 50, 0), -40.0),  # through it: 40 from the side
        ((-150, 95, 0), (150, 95, 0), np.hypot(30.0, 5.0)),  # ends within the bore's circle
    ],
)
def test_ring_by_hand(p0, p1, expected):
    for ends in ((p0, p1), (p1, p0)):
        for way in (1.0, -1.0):
            ours = to_ring(*ends, (0, 0, 0), (0, way, 0))
            assert ours[0] == pytest.approx(expected, abs=WITHIN_MM)


def random_segments(rng, count):
    tilt = Rotation.random(count, rng=rng).as_matrix()
    ends = rng.uniform(-1.0, 1.0, (2, count, 3)) * np.array([380.0, 380.0, 260.0])
    centre = rng.uniform(-50.0, 50.0, (count, 3))
    p0, p1 = centre + np.einsum("nij,enj->eni", tilt, ends)
    return p0, p1, centre, tilt[:, :, 2]


def signed(points, centre, axis, ring):
    """Of points (..., 3), by many points of the outline of the profile."""
    along = np.sum((points - centre) * axis, axis=-1)
    off = np.linalg.norm(points - centre - along[..., None] * axis, axis=-1)
    return ring.distance(off, along)


@pytest.mark.parametrize("ring", [RING, Ring(280.0, 180.0, 90.0), Ring(250.0, 230.0, 60.0, 15.0)])
def test_ring_against_dense_sampling(ring):
    rng = np.random.default_rng(41)
    p0, p1, centre, axis = random_segments(rng, 400)
    ours = to_ring(p0, p1, centre, axis, ring)
    t = np.linspace(0.0, 1.0, 4001)[:, None, None]
    each = signed(p0 + t * (p1 - p0), centre, axis, ring).min(axis=0)
    step = np.linalg.norm(p1 - p0, axis=-1) / 4000.0
    assert 0.2 < np.mean(ours < 0.0) < 0.8
    assert np.all(ours <= each + WITHIN_MM)
    assert np.all(ours >= each - 0.5 * step - 1e-9)
    near = to_ring(p0, p1, centre, axis, ring, ceiling=20.0)
    np.testing.assert_allclose(near, np.minimum(ours, 20.0), rtol=0.0, atol=WITHIN_MM)


def outline(ring, count=12):
    """Closed polygon (k, 2) of the profile, (off the axle, along it)."""
    r, h, s = ring.outside, ring.half, ring.shoulder
    angle = np.linspace(0.0, 0.5 * np.pi, count)
    arc = np.stack([r - s + s * np.cos(angle), h - s + s * np.sin(angle)], axis=-1)
    corner = [(ring.inside, h), (ring.inside, -h)]
    return np.concatenate([arc, corner, arc[::-1] * (1.0, -1.0)])


def test_profile_is_the_distance_to_its_outline():
    rng = np.random.default_rng(42)
    points = rng.uniform((0.0, -200.0), (400.0, 200.0), (300, 2))
    line = outline(RING, 400)
    edges = np.stack([line, np.roll(line, -1, axis=0)], axis=1)
    run = edges[:, 1] - edges[:, 0]
    share = np.sum((points[:, None] - edges[:, 0]) * run, axis=-1) / np.sum(run**2, axis=-1)
    near = edges[:, 0] + np.clip(share, 0.0, 1.0)[..., None] * run
    each = np.linalg.norm(points[:, None] - near, axis=-1).min(axis=1)
    ours = RING.distance(points[:, 0], points[:, 1])
    outside = ours > 0.0
    assert 100 < np.sum(outside) < 290
    np.testing.assert_allclose(ours[outside], each[outside], rtol=0.0, atol=1e-3)


def ring_mesh(ring, centre, axis, around=120):
    """The surface of the ring as triangles."""
    line = outline(ring)
    turn = Rotation.align_vectors([axis], [[0.0, 0.0, 1.0]])[0].as_matrix()
    angle = np.linspace(0.0, 2.0 * np.pi, around, endpoint=False)
    points = np.stack(
        [
            line[:, 0] * np.cos(angle)[:, None],
            line[:, 0] * np.sin(angle)[:, None],
            line[:, 1] + 0.0 * angle[:, None],
        ],
        axis=-1,
    )
    count, triangles = len(line), []
    for i, j in itertools.product(range(around), range(count)):
        a, b = i * count + j, i * count + (j + 1) % count
        c, d = ((i + 1) % around * count + k % count for k in (j, j + 1))
        triangles += [(a, b, c), (b, d, c)]
    model = fcl.BVHModel()
    model.beginModel(around * count, len(triangles))
    model.addSubModel(points.reshape(-1, 3), np.array(triangles))
    model.endModel()
    return fcl.CollisionObject(model, fcl.Transform(turn, np.asarray(centre)))


def random_solid(rng, kind):
    middle = rng.uniform((-400.0, -400.0, -250.0), (400.0, 400.0, 250.0))
    half = rng.uniform(5.0, 120.0, 3) * rng.choice([-1.0, 1.0], 3)
    low, high = middle - half, middle + half
    if kind == "box":
        low, high = np.minimum(low, high), np.maximum(low, high)
    return KeepOut("it", kind, tuple(low), tuple(high), 0.0 if kind == "box" else 40.0)


def solid_to_ring(item, centre, axis, ring=RING):
    tyres = Tyres(ring, np.reshape(centre, (3, 1, 1)), np.reshape(axis, (3, 1, 1)))
    some = shapes((replace(item, on="lower_arm"),))  # no mirror image
    one = np.zeros(1, dtype=np.intp)
    return float(tyres.to_shapes(some, one, one, 1000.0)[0])


@pytest.mark.parametrize("kind", ["box", "capsule", "cylinder"])
def test_solids_agree_with_a_mesh_of_the_ring(kind):
    """python-fcl, whose distance of a shape to a mesh is exact to its own tolerance.

    A cylinder's prism stands out of it by half a per cent of its radius.
    """
    rng = np.random.default_rng(43)
    prism = 0.2 if kind == "cylinder" else 0.0
    separated = 0
    for _ in range(25):
        item = random_solid(rng, kind)
        axis = Rotation.random(rng=rng).as_matrix()[2]
        mesh = ring_mesh(RING, np.zeros(3), axis)
        low, high = np.array(item.low), np.array(item.high)
        if kind == "box":
            shape = fcl.CollisionObject(fcl.Box(*(high - low)), fcl.Transform(0.5 * (low + high)))
        else:
            along = (high - low) / np.linalg.norm(high - low)
            turn = Rotation.align_vectors([along], [[0.0, 0.0, 1.0]])[0].as_matrix()
            make = fcl.Cylinder if kind == "cylinder" else fcl.Capsule
            body = make(item.radius_mm, float(np.linalg.norm(high - low)))
            shape = fcl.CollisionObject(body, fcl.Transform(turn, 0.5 * (low + high)))
        ours, theirs = solid_to_ring(item, np.zeros(3), axis), distance(mesh, shape)
        if theirs <= 0.0:
            assert ours < MESH_MM
        else:
            assert theirs - MESH_MM - prism <= ours <= theirs + BORE_MM
            separated += 1
    assert separated > 8


def test_a_plate_beside_the_wheel_is_as_far_as_its_face():
    """Larger than the tyre and parallel to it: no edge is near, and no point nearest."""
    for tilt in (0.0, 1e-12, 1e-3):
        axis = np.array([0.0, np.cos(tilt), np.sin(tilt)])
        plate = KeepOut("plate", "box", (-900.0, -140.0, -900.0), (900.0, -100.0, 900.0))
        assert solid_to_ring(plate, np.zeros(3), axis) == pytest.approx(10.0, abs=0.4)


def test_a_panel_through_which_the_tyre_goes_overlaps_it():
    """None of the panel's edges is near; what is pushed aside least is along its normal."""
    panel = KeepOut("panel", "box", (-900.0, -500.0, 180.0), (900.0, 500.0, 182.0))
    assert solid_to_ring(panel, np.zeros(3), (0.0, 1.0, 0.0)) == pytest.approx(-100.0, abs=1e-6)
    beyond = replace(panel, low=(-900.0, -500.0, 290.0), high=(900.0, 500.0, 292.0))
    assert solid_to_ring(beyond, np.zeros(3), (0.0, 1.0, 0.0)) == pytest.approx(10.0, abs=1e-6)


def test_what_reaches_into_the_bore_does_not_touch():
    """A bracket in the barrel: within the tyre's convex hull, and nearest with a corner."""
    bracket = KeepOut("bracket", "box", (-60.0, -400.0, -80.0), (60.0, 0.0, 80.0))
    ours = solid_to_ring(bracket, np.zeros(3), (0.0, 1.0, 0.0))
    assert ours == pytest.approx(180.0 - 100.0, abs=1e-6)
