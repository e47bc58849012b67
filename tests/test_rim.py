"""Clearance in the rim: the wall with its edges, by hand, by sampling and by python-fcl."""

from __future__ import annotations

from dataclasses import replace

import fcl
import numpy as np
import pytest
from packaging_case import ROOM, problem
from scipy.spatial.transform import Rotation

from optimiser.answer.whole_sweep import on_grid
from optimiser.evaluation.asked import Rim, Travel
from optimiser.evaluation.clearance.engine import minimum_segment_rim
from optimiser.evaluation.clearance.metrics import FAR_MM
from optimiser.evaluation.designs import Range, Stock

ACROSS = np.array([0.0, 1.0, 0.0])


def distance(p0, p1, centre, axis, radius, half_width, **more):
    """Of segments (n, 3), a pose each."""
    points = [np.atleast_2d(np.asarray(point, float))[:, None] for point in (p0, p1, centre, axis)]
    return minimum_segment_rim(*points, radius, half_width, **more)


@pytest.mark.parametrize(
    ("p0", "p1", "expected"),
    [
        ((0, -20, 0), (0, 20, 0), 50.0),  # along the axle
        ((30, -10, 0), (30, 10, 40), 0.0),  # widest at its end, at the wall: 30, 40, 50
        ((0, 0, 60), (0, 0, 60), -10.0),  # a point in the wall, 10 mm from the bore and the ends
        ((0, 4, 58), (0, 4, 58), -6.0),  # 8 mm from the bore, and 6 from the end
        ((0, 10, 30), (0, 10, 30), 20.0),  # a point in the plane of the end
        # Enters 5 mm off the axle, 45 mm from the wall; passes its edge at 90 / sqrt(5).
        ((0, -80, 40), (0, 0, 0), 90.0 / np.sqrt(5.0)),
        ((0, -80, 0), (0, -10.1, 0), np.hypot(50.0, 0.1)),  # stops short of the cylinder
        ((0, 13, 46), (0, 13, 46), 5.0),  # past the edge: 3, 4, 5
        ((0, 13, 46), (0, 90, 46), 5.0),
        ((-80, 10.5, 0), (80, 10.5, 0), 0.5),  # runs past the end face
        ((-80, 9.5, 0), (80, 9.5, 0), -0.5),
        ((-80, 0, 0), (80, 0, 0), -10.0),  # the way out is past the ends, not back in the bore
    ],
)
def test_rim_by_hand(p0, p1, expected):
    """A rim of 50 mm inside radius about the y axis, from y = -10 to y = 10."""
    for ends in ((p0, p1), (p1, p0)):
        for axis in (ACROSS, -ACROSS):
            ours = distance(*ends, (0, 0, 0), axis, 50.0, 10.0)
            assert ours.shape == (1,)
            assert ours[0] == pytest.approx(expected, abs=1e-9)


def random_cases(seed, count):
    rng = np.random.default_rng(seed)
    tilt = Rotation.random(count, rng=rng).as_matrix()
    centre = rng.uniform(-50.0, 50.0, (count, 3))
    ends = rng.uniform(-1.0, 1.0, (2, count, 3)) * np.array([170.0, 170.0, 250.0])
    p0, p1 = centre + np.einsum("nij,enj->eni", tilt, ends)
    return p0, p1, centre, tilt[:, :, 2]


SIZES = pytest.mark.parametrize(("radius", "half"), [(175.0, 75.0), (120.0, 40.0), (100.0, 15.0)])


def signed(points, centre, axis, radius, half):
    """The definition at points (..., 3)."""
    along = np.sum((points - centre) * axis, axis=-1)
    off = np.linalg.norm(points - centre - along[..., None] * axis, axis=-1)
    beside = np.abs(along) - half
    outside = np.hypot(np.maximum(radius - off, 0.0), np.maximum(beside, 0.0))
    within = np.maximum(radius - off, beside)
    return np.where(within < 0.0, within, outside)


@SIZES
def test_rim_against_dense_sampling(radius, half):
    p0, p1, centre, axis = random_cases(31, 400)
    ours = distance(p0, p1, centre, axis, radius, half)
    t = np.linspace(0.0, 1.0, 4001)[:, None, None]
    sampled = signed(p0 + t * (p1 - p0), centre, axis, radius, half).min(axis=0)
    step = np.linalg.norm(p1 - p0, axis=1) / 4000
    assert 0.1 < np.mean(ours < 0.0) < 0.9
    assert np.all(ours <= sampled + 1e-6)
    assert np.all(sampled <= ours + step)
    near = distance(p0, p1, centre, axis, radius, half, ceiling=20.0)
    np.testing.assert_allclose(near, np.minimum(ours, 20.0), rtol=0, atol=1e-6)


def wall(radius, half, outer=600.0, corners=720):
    """Mesh of a rim about the z axis whose wall ends at an outer radius; a many-sided prism."""
    angle = np.linspace(0.0, 2.0 * np.pi, corners, endpoint=False)
    ring = np.stack([np.cos(angle), np.sin(angle), np.zeros(corners)], axis=1)
    up = np.array([0.0, 0.0, half])
    rings = [size * ring + side * up for size, side in (
        (outer, -1.0), (radius, -1.0), (radius, 1.0), (outer, 1.0))]  # fmt: skip
    here = np.arange(corners)
    after = (here + 1) % corners
    triangles = []
    for band in range(3):
        a, b = band * corners, (band + 1) * corners
        triangles += [np.stack([a + here, a + after, b + here], axis=1)]
        triangles += [np.stack([a + after, b + after, b + here], axis=1)]
    model = fcl.BVHModel()
    model.beginModel(4 * corners, 6 * corners)
    model.addSubModel(np.concatenate(rings), np.concatenate(triangles))
    model.endModel()
    return fcl.CollisionObject(model, fcl.Transform())


@SIZES
def test_rim_against_a_collision_library(radius, half):
    """A segment as a flat triangle; what has no common point with the wall's mesh."""
    p0, p1, centre, axis = random_cases(32, 150)
    ours = distance(p0, p1, centre, axis, radius, half)
    rim, compared = wall(radius, half), 0
    for index in np.flatnonzero(ours > 0.5):
        turn = Rotation.align_vectors([[0.0, 0.0, 1.0]], [axis[index]])[0]
        start, end = (turn.apply(p[index] - centre[index]) for p in (p0, p1))
        if max(np.linalg.norm(start[:2]), np.linalg.norm(end[:2])) > 500.0:
            continue
        rod = fcl.BVHModel()
        rod.beginModel(3, 1)
        rod.addSubModel(np.array([start, end, end]), np.array([[0, 1, 2]]))
        rod.endModel()
        body = fcl.CollisionObject(rod, fcl.Transform())
        theirs = fcl.distance(rim, body, fcl.DistanceRequest(), fcl.DistanceResult())
        # The prism's flats stand in the bore by R (1 - cos(pi / 720)), under 2 microns.
        assert ours[index] == pytest.approx(theirs, abs=5e-3)
        compared += 1
    assert compared > 30


def test_least_over_poses_and_missing_ones():
    p0, p1, centre, axis = (points.reshape(40, 10, 3) for points in random_cases(33, 400))
    flat = [points.reshape(-1, 3) for points in (p0, p1, centre, axis)]
    each = distance(*flat, 175.0, 75.0).reshape(40, 10)
    ours = minimum_segment_rim(p0, p1, centre, axis, 175.0, 75.0)
    np.testing.assert_allclose(ours, each.min(axis=1), rtol=0, atol=1e-9)
    one = minimum_segment_rim(p0[3:4], p1[3:4], centre[3:4], axis[3:4], 175.0, 75.0)
    assert one[0] == ours[3]
    p1[5, 2, 1] = np.nan
    gone = minimum_segment_rim(p0, p1, centre, axis, 175.0, 75.0)
    assert np.isnan(gone).tolist() == [index == 5 for index in range(40)]
    far = minimum_segment_rim(p0 * 0.0, p0 * 0.0, p0 * 0.0, axis, 175.0, 75.0, ceiling=20.0)
    assert (far == 20.0).all()


# --- of designs ----------------------------------------------------------------------------------


def with_rim(rim, **space):
    asked = problem(replace(ROOM, keep_outs=(), arm_tube_diameter_mm=None, rim=rim))
    return replace(asked, space=asked.space | space)


def dense(asked, designs, rim, part="tie_rod"):
    """Least distance of capsules over 31 x 41 solved poses, by points along the rod."""
    solved = on_grid(asked, asked.solve(designs), 31, 41)
    poses = solved.envelope
    t = np.linspace(0.0, 1.0, 301)[:, None, None, None]
    ends = (poses.inner_joint, poses.outer_joint)
    if part == "outer_joint":
        ends = (ends[1], ends[1])
    points = ends[0] + t * (ends[1] - ends[0])
    middle = poses.wheel_centre + rim.offset_mm * poses.spin_axis
    each = signed(points, middle, poses.spin_axis, rim.inside_radius_mm, 0.5 * rim.width_mm)
    return each.min(axis=(0, 2)) - (16.0 if part == "outer_joint" else 7.0)


@pytest.mark.parametrize(
    "rim", [Rim(175.0, 150.0), Rim(150.0, 60.0, -20.0), Rim(185.0, 260.0), Rim(160.0, 90.0, 40.0)]
)
def test_rim_steers_and_moves_with_the_wheel(rim):
    """All poses of the sweep count, the ones between those solved in the search too."""
    asked = with_rim(rim, rack_height_mm=Range(150.0, 300.0), arm_length_mm=Range(90.0, 140.0))
    rng = np.random.default_rng(5)
    free = {"rack_height_mm": rng.uniform(150.0, 300.0, 12)}
    free["arm_length_mm"] = rng.uniform(90.0, 140.0, 12)
    designs = asked.designs(np.zeros(12, dtype=int), free)
    found = asked.evaluate(designs)
    rows = np.flatnonzero(found.assembles)
    assert len(rows) > 5
    truth = dense(asked, designs.select(rows), rim)
    ours = found.metrics["clearance_tie_rod_rim_mm"][rows]
    np.testing.assert_allclose(ours, np.minimum(truth, FAR_MM), rtol=0, atol=0.6)
    joint = dense(asked, designs.select(rows), rim, "outer_joint")
    ours = found.metrics["clearance_outer_joint_rim_mm"][rows]
    np.testing.assert_allclose(ours, np.minimum(joint, FAR_MM), rtol=0, atol=1e-6)


def test_the_edge_of_the_rim_counts():
    """A narrow rim that the rod passes outside of: its edge is near, no part of it is within."""
    rim = Rim(150.0, 40.0, 11.0)
    asked = with_rim(rim)
    design = asked.designs(0, {})
    ours = asked.evaluate(design).metrics["clearance_tie_rod_rim_mm"][0]
    assert ours == pytest.approx(dense(asked, design, rim)[0], abs=0.6)
    poses = asked.solve(design).envelope
    along = np.sum((poses.outer_joint - poses.wheel_centre) * poses.spin_axis, axis=-1)
    assert np.all(np.abs(along - 11.0) > 20.0 + 7.0)  # the rod never is within its width
    assert ours < 0.6 * FAR_MM


def test_a_rim_that_does_not_steer_would_be_another_matter():
    rim = Rim(175.0, 150.0)
    asked = with_rim(rim)
    solved = asked.solve(asked.designs(0, {}))
    poses = solved.envelope
    still = minimum_segment_rim(
        poses.inner_joint, poses.outer_joint, poses.wheel_centre, ACROSS[None, None], 175.0, 75.0
    )
    ours = asked.evaluate(asked.designs(0, {})).metrics["clearance_tie_rod_rim_mm"][0]
    assert abs(ours - (still[0] - 7.0)) > 3.0


def test_poses_between_the_solved_ones_count():
    """A rod deepest in the wall between two of them: there it is all the wall is thick."""
    rim = Rim(160.0, 40.0, -50.0)
    place = {"rack_height_mm": 296.0, "arm_length_mm": 91.0}
    place |= {"rack_fore_aft_mm": 158.0, "arm_angle_deg": 23.0}
    asked = with_rim(rim, **{name: Stock((value,)) for name, value in place.items()})
    asked = replace(asked, travel=Travel(100.0, 100.0, 5.0))
    design = asked.designs(0, {})
    truth = dense(asked, design, rim)[0]
    assert truth == pytest.approx(-20.0 - 7.0, abs=0.5)
    ours = asked.evaluate(design).metrics["clearance_tie_rod_rim_mm"][0]
    assert ours == pytest.approx(truth, abs=0.5)
    solved = asked.clearances(design, asked.solve(design), poses_between=False)
    assert solved["clearance_tie_rod_rim_mm"][0] > truth + 10.0
