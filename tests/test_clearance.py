"""Distances of capsules to capsules and boxes, and their least over many poses.

The referees are a general-purpose collision library, python-fcl, which shares no code with the
project; dense sampling; and arithmetic that anyone can redo.
"""

import itertools

import fcl
import numpy as np
import pytest
from fcl_shapes import box_mesh, capsule, distance, segment_mesh
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.distance import cdist
from scipy.spatial.transform import Rotation

from optimiser.evaluation.clearance.engine import (
    Picked,
    box_apart,
    components,
    floor_segment_segment,
    least,
    minimum_segment_box,
    minimum_segment_segment,
    segment_apart,
    segment_box_distance,
    segment_segment_distance,
)

REFEREE_MM = 1e-6
ROUNDING_MM = 1e-9


def random_segments(rng, count, reach=500.0):
    """Ends (count, 3): half of them anywhere, half short."""
    p0 = rng.uniform(-reach, reach, (count, 3))
    p1 = rng.uniform(-reach, reach, (count, 3))
    short = np.arange(count) % 2 == 1
    return p0, np.where(short[:, None], p0 + 0.1 * (p1 - p0), p1)


def random_boxes(rng, count, reach=500.0):
    low = rng.uniform(-reach, 0.8 * reach, (count, 3))
    return low, low + rng.uniform(5.0, 300.0, (count, 3))


def point_to_box(points, low, high):
    """Signed distance of points, straight from the definition."""
    over = np.maximum(low - points, points - high)
    outside = np.sqrt((np.maximum(over, 0.0) ** 2).sum(axis=-1))
    return np.where((over < 0.0).all(axis=-1), over.max(axis=-1), outside)


def least_along(function, p0, p1):
    """Least of a convex function along segments (n, 3), by golden section to rounding."""
    ratio = (np.sqrt(5.0) - 1.0) / 2.0
    low, high = np.zeros(len(p0)), np.ones(len(p0))

    def at(t):
        return function(p0 + t[:, None] * (p1 - p0))

    best = np.minimum(at(low), at(high))
    for _ in range(100):
        a, b = high - ratio * (high - low), low + ratio * (high - low)
        left, right = at(a), at(b)
        low, high = np.where(left <= right, low, a), np.where(left <= right, b, high)
        best = np.minimum(best, np.minimum(left, right))
    return best


# --- against general-purpose collision libraries -----------------------------------------------


def test_capsules_agree_with_fcl():
    """python-fcl: its own closed form for two capsules, distance of separated ones."""
    rng = np.random.default_rng(11)
    (p0, p1), (q0, q1) = random_segments(rng, 3000), random_segments(rng, 3000)
    radii = rng.uniform(1.0, 60.0, (2, 3000))
    ours = segment_segment_distance(p0, p1, q0, q1) - radii.sum(axis=0)
    separated = np.flatnonzero(ours > 0.1)
    assert len(separated) > 2000
    theirs = []
    for i in separated:
        one, other = capsule(p0[i], p1[i], radii[0, i]), capsule(q0[i], q1[i], radii[1, i])
        theirs.append(distance(one, other))
    np.testing.assert_allclose(ours[separated], theirs, rtol=0.0, atol=REFEREE_MM)


def test_capsules_touch_when_fcl_says_so():
    """python-fcl: collision of two capsules is the sign of the clearance."""
    rng = np.random.default_rng(12)
    (p0, p1), (q0, q1) = random_segments(rng, 1500, 150.0), random_segments(rng, 1500, 150.0)
    radii = rng.uniform(1.0, 80.0, (2, 1500))
    ours = segment_segment_distance(p0, p1, q0, q1) - radii.sum(axis=0)
    overlaps = []
    for i in range(1500):
        one, other = capsule(p0[i], p1[i], radii[0, i]), capsule(q0[i], q1[i], radii[1, i])
        answer = fcl.collide(one, other, fcl.CollisionRequest(), fcl.CollisionResult())
        overlaps.append(answer > 0)
    clear = np.abs(ours) > 1e-3  # the library's collision test has a tolerance of its own
    assert 300 < np.sum(overlaps) < 1200
    np.testing.assert_array_equal((ours < 0.0)[clear], np.array(overlaps)[clear])


def test_segments_to_boxes_agree_with_fcl_meshes():
    """python-fcl: exact triangle distances, the box as twelve and the segment as a flat one.

    Its shape solver (capsule to box) was up to 2e-4 mm off in 1842 random pairs and offers no
    tolerance, so the meshes are the check.
    """
    rng = np.random.default_rng(13)
    (p0, p1), (low, high) = random_segments(rng, 3000), random_boxes(rng, 3000)
    ours = segment_box_distance(p0, p1, low, high)
    separated = np.flatnonzero(ours > 0.0)
    assert len(separated) > 2000
    theirs = []
    for i in separated:
        theirs.append(distance(segment_mesh(p0[i], p1[i]), box_mesh(low[i], high[i])))
    np.testing.assert_allclose(ours[separated], theirs, rtol=0.0, atol=REFEREE_MM)


# --- against search along the segment, and sampling ---------------------------------------------


def test_segment_to_box_is_the_least_signed_distance_along_it():
    rng = np.random.default_rng(21)
    (p0, p1), (low, high) = random_segments(rng, 20000, 80.0), random_boxes(rng, 20000, 80.0)
    ours = segment_box_distance(p0, p1, low, high)
    assert 0.1 < np.mean(ours < 0.0) < 0.9
    wanted = least_along(lambda x: point_to_box(x, low, high), p0, p1)
    np.testing.assert_allclose(ours, wanted, rtol=0.0, atol=ROUNDING_MM)


def test_segment_to_box_where_coordinates_coincide():
    """Ends on a small grid, so that runs are zero along an axis and ends lie on faces."""
    grid = np.array(list(itertools.product((-2.0, -1.0, 0.0, 0.5, 1.0, 3.0), repeat=3)))
    rng = np.random.default_rng(22)
    p0, p1 = grid[rng.integers(0, len(grid), (2, 30000))]
    low = np.full((30000, 3), -1.0)
    high = np.where(rng.uniform(size=(30000, 3)) < 0.2, -1.0, 1.0)  # some boxes are flat
    ours = segment_box_distance(p0, p1, low, high)
    wanted = least_along(lambda x: point_to_box(x, low, high), p0, p1)
    np.testing.assert_allclose(ours, wanted, rtol=0.0, atol=1e-12)


def test_overlap_signs_against_dense_sampling():
    rng = np.random.default_rng(23)
    (p0, p1), (low, high) = random_segments(rng, 400, 80.0), random_boxes(rng, 400, 80.0)
    q0, q1 = random_segments(rng, 400, 80.0)
    t = np.linspace(0.0, 1.0, 801)[:, None]
    on_p = p0[:, None] + t * (p1 - p0)[:, None]
    on_q = q0[:, None] + t[::8] * (q1 - q0)[:, None]
    step_p, step_q = np.linalg.norm(p1 - p0, axis=1) / 800, np.linalg.norm(q1 - q0, axis=1) / 100

    sampled = point_to_box(on_p, low[:, None], high[:, None]).min(axis=1)
    ours = segment_box_distance(p0, p1, low, high)
    assert np.all((ours <= sampled + 1e-9) & (sampled <= ours + step_p / 2 + 1e-9))
    inside = ((on_p > low[:, None]) & (on_p < high[:, None])).all(axis=-1).any(axis=1)
    assert np.all(ours[inside] < 0.0)
    assert inside.sum() > 50

    apart = np.array([cdist(p, q).min() for p, q in zip(on_p, on_q, strict=True)])
    ours = segment_segment_distance(p0, p1, q0, q1)
    assert np.all((ours <= apart + 1e-9) & (apart <= ours + (step_p + step_q) / 2 + 1e-9))


# --- segments: cases by hand ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("p0", "p1", "q0", "q1", "expected"),
    [
        ((0, 0, 0), (0, 0, 0), (3, 4, 0), (3, 4, 0), 5.0),  # two points
        ((1, 2, 3), (1, 2, 3), (1, 2, 3), (1, 2, 3), 0.0),  # the same point
        ((5, 3, 4), (5, 3, 4), (0, 0, 0), (10, 0, 0), 5.0),  # point beside a segment
        ((0, 0, 0), (10, 0, 0), (13, 4, 0), (13, 4, 0), 5.0),  # point beyond its end
        ((0, 0, 0), (10, 0, 0), (2, 0, 7), (8, 0, 7), 7.0),  # parallel, side by side
        ((0, 0, 0), (10, 0, 0), (8, 0, 7), (2, 0, 7), 7.0),  # antiparallel
        ((0, 0, 0), (10, 0, 0), (13, 4, 0), (20, 4, 0), 5.0),  # parallel, past each other
        ((0, 0, 0), (10, 0, 0), (-20, 4, 0), (-3, 4, 0), 5.0),  # parallel, before
        ((0, 0, 0), (10, 0, 0), (12, 0, 0), (20, 0, 0), 2.0),  # one line, apart
        ((0, 0, 0), (10, 0, 0), (5, 0, 0), (20, 0, 0), 0.0),  # one line, overlapping
        ((-5, 0, 0), (5, 0, 0), (0, -5, 6), (0, 5, 6), 6.0),  # crossing at a height
        ((-5, 0, 0), (5, 0, 0), (0, -5, 0), (0, 5, 0), 0.0),  # crossing
        ((-5, 0, 0), (5, 0, 0), (8, 4, 0), (8, 9, 0), 5.0),  # end to end
        ((-5, 0, 0), (5, 0, 0), (2, 3, 0), (2, 9, 0), 3.0),  # end to middle
    ],
)
def test_segments_by_hand(p0, p1, q0, q1, expected):
    distance = segment_segment_distance(p0, p1, q0, q1)
    assert distance.shape == ()
    assert distance == pytest.approx(expected, abs=1e-12)
    assert segment_segment_distance(q1, q0, p1, p0) == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize("height", [0.0, 1e-6, 1.0, 40.0])
def test_nearly_parallel_segments_keep_all_digits(height):
    """Segments of 1000 mm that cross in their middles at a height, at ever smaller angles.

    The distance is the height, whatever the angle. With differences of scalar products, as
    commonly written, the error is of the order of 1e-6 mm at angles near 1e-8.
    """
    angle = np.concatenate([[0.0], 10.0 ** np.linspace(-17.0, 0.0, 400)])
    along = np.stack([np.cos(angle), np.sin(angle), np.zeros_like(angle)], axis=-1)
    start, middle = np.array([-300.0, 0.0, 0.0]), np.array([17.0, 0.0, height])
    end = np.array([700.0, 0.0, 0.0])
    turn = Rotation.from_rotvec([0.3, -0.7, 1.1]).as_matrix().T
    ours = segment_segment_distance(
        start @ turn, end @ turn, (middle - 450.0 * along) @ turn, (middle + 550.0 * along) @ turn
    )
    np.testing.assert_allclose(ours, height, rtol=0.0, atol=2e-12)


# --- boxes: cases by hand ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("p0", "p1", "expected"),
    [
        ((-9, 0, 0), (9, 0, 0), -1.0),  # along the long axis, 1 mm below top and bottom
        ((-9, 0, 0.25), (9, 0, 0.25), -0.75),
        ((0, 0, -9), (0, 0, 9), -1.0),  # straight through the thin side
        ((0, 0, 5), (0, 0, 0.6), -0.4),  # ends inside
        ((0, 0, 0), (0, 0, 0), -1.0),  # a point inside
        ((2.9, 0, 0), (2.9, 0, 0), -0.1),
        ((7, 5, 0), (7, 5, 0), 5.0),  # a point beside an edge
        ((5, 3, 3), (5, 3, 3), 3.0),  # a point off a corner
        ((-9, 0, 4), (9, 0, 4), 3.0),  # beside a face, parallel
        ((-9, 0, 1), (9, 0, 1), 0.0),  # sliding on a face
        ((-9, 2, 1), (9, 2, 1), 0.0),  # sliding on an edge
        ((6, -9, 5), (6, 9, 5), 5.0),  # past an edge, parallel
        ((3, 9, 0), (9, 2, 0), 42 / np.sqrt(85)),  # askew past an edge
    ],
)
def test_boxes_by_hand(p0, p1, expected):
    """A box of 6 by 4 by 2 mm about the origin."""
    for ends in ((p0, p1), (p1, p0)):
        ours = segment_box_distance(*ends, (-3, -2, -1), (3, 2, 1))
        assert ours.shape == ()
        assert ours == pytest.approx(expected, abs=1e-12)


def test_box_with_crossed_corners_is_refused():
    for function in (segment_box_distance, minimum_segment_box):
        with pytest.raises(ValueError, match="a coordinate of box_min exceeds that of box_max"):
            function((0, 0, 0), (1, 0, 0), (0, 0, 5), (1, 1, 4))


# --- symmetry and rigid motion -------------------------------------------------------------------

reproducible = settings(deadline=None, max_examples=200, derandomize=True, database=None)
coordinate = st.floats(-600.0, 600.0, allow_subnormal=False)
point = st.tuples(coordinate, coordinate, coordinate).map(np.array)
turn = st.tuples(*[st.floats(-3.0, 3.0)] * 3).map(lambda v: Rotation.from_rotvec(v).as_matrix())


@reproducible
@given(p0=point, p1=point, q0=point, q1=point, turn=turn, shift=point)
def test_segments_do_not_care_for_order_or_place(p0, p1, q0, q1, turn, shift):
    ours = segment_segment_distance(p0, p1, q0, q1)
    assert segment_segment_distance(q0, q1, p0, p1) == pytest.approx(ours, abs=ROUNDING_MM)
    assert segment_segment_distance(p1, p0, q0, q1) == pytest.approx(ours, abs=ROUNDING_MM)
    moved = (turn @ p + shift for p in (p0, p1, q0, q1))
    assert segment_segment_distance(*moved) == pytest.approx(ours, abs=ROUNDING_MM)


@reproducible
@given(p0=point, p1=point, q0=point, q1=point, s=st.floats(0, 1), t=st.floats(0, 1))
def test_no_two_points_are_closer_than_the_distance(p0, p1, q0, q1, s, t):
    apart = np.linalg.norm(p0 + s * (p1 - p0) - q0 - t * (q1 - q0))
    assert segment_segment_distance(p0, p1, q0, q1) <= apart + ROUNDING_MM


@reproducible
@given(
    p0=point,
    p1=point,
    corners=st.tuples(point, point),
    axes=st.permutations([0, 1, 2]),
    flips=st.tuples(*[st.sampled_from([-1.0, 1.0])] * 3),
    shift=point,
    t=st.floats(0, 1),
)
def test_boxes_do_not_care_for_mirrors_axes_or_place(p0, p1, corners, axes, flips, shift, t):
    def moved(x):
        return x[axes] * flips + shift

    low, high = np.minimum(*corners), np.maximum(*corners)
    ours = segment_box_distance(p0, p1, low, high)
    assert segment_box_distance(p1, p0, low, high) == pytest.approx(ours, abs=ROUNDING_MM)
    faces = moved(low), moved(high)
    theirs = segment_box_distance(moved(p0), moved(p1), np.minimum(*faces), np.maximum(*faces))
    assert theirs == pytest.approx(ours, abs=ROUNDING_MM)
    assert ours <= point_to_box(p0 + t * (p1 - p0), low, high) + ROUNDING_MM


# --- shapes, blocks and missing poses ------------------------------------------------------------


def test_arguments_broadcast(monkeypatch):
    rng = np.random.default_rng(41)
    p0, p1 = rng.uniform(-100, 100, (2, 6, 1, 7, 3))
    q0, q1 = np.sort(rng.uniform(-100, 100, (2, 4, 1, 3)), axis=0)
    for function in (segment_segment_distance, segment_box_distance):
        whole = function(p0, p1, q0, q1)
        assert whole.shape == (6, 4, 7)
        assert whole[5, 2, 3] == function(p0[5, 0, 3], p1[5, 0, 3], q0[2, 0], q1[2, 0])
        for size in (1, 5, 11, 60):
            monkeypatch.setattr(components, "BLOCK", size)
            np.testing.assert_array_equal(function(p0, p1, q0, q1), whole)
        monkeypatch.undo()


def test_a_missing_pose_is_nan():
    missing = (np.nan, np.nan, np.nan)
    assert np.isnan(segment_segment_distance(missing, (0, 0, 0), (1, 0, 0), (2, 0, 0)))
    assert np.isnan(segment_segment_distance((1, 0, 0), (2, 0, 0), (0, 0, 0), missing))
    assert np.isnan(segment_box_distance(missing, (0, 0, 0), (1, 0, 0), (2, 1, 1)))
    assert np.isnan(segment_box_distance(missing, missing, (1, 0, 0), (2, 1, 1)))


# --- least over poses ----------------------------------------------------------------------------


def swept_rods(rng, designs, poses=49, reach=400.0):
    """Segments (designs, poses, 3) that swing smoothly, much as tie rods do; invented."""
    turn = np.linspace(-0.5, 0.5, poses)[:, None] * rng.uniform(0.3, 1.0, (designs, 1, 1))
    lift = np.cos(np.linspace(0.0, 9.0, poses))[:, None] * 60.0
    start = rng.uniform(-reach, reach, (designs, 1, 3)) + turn * np.array([40.0, 120.0, 0.0])
    run = rng.uniform(-reach, reach, (designs, 1, 3)) / 2
    return start, start + run + turn**2 * run[..., ::-1] + lift * np.array([0.1, 0.0, 1.0])


def obstacles(rng, count, kind):
    """Two points of each fixed segment, or the corners of each box: (count, 1, 3)."""
    if kind == "box":
        low, high = random_boxes(rng, count, 400.0)
        return low[:, None], high[:, None]
    q0, q1 = random_segments(rng, count, 400.0)
    return q0[:, None], q1[:, None]


BOTH = pytest.mark.parametrize(
    ("kind", "minimum", "distance"),
    [
        ("segment", minimum_segment_segment, segment_segment_distance),
        ("box", minimum_segment_box, segment_box_distance),
    ],
)


@BOTH
def test_least_over_poses_is_the_least_of_all_distances(kind, minimum, distance):
    rng = np.random.default_rng(51)
    p0, p1 = (p[:, None] for p in swept_rods(rng, 700))
    fixed = obstacles(rng, 10, kind)
    ours = minimum(p0, p1, *fixed)
    assert ours.shape == (700, 10)
    wanted = distance(p0, p1, *fixed).min(axis=-1)
    np.testing.assert_allclose(ours, wanted, rtol=0.0, atol=ROUNDING_MM)
    if kind == "box":
        assert 0.03 < np.mean(ours < 0.0) < 0.9


@BOTH
def test_least_over_unrelated_poses(kind, minimum, distance):
    """Poses that have nothing to do with each other, through each other and the obstacles."""
    rng = np.random.default_rng(52)
    p0, p1 = (p.reshape(50, 1, 40, 3) for p in random_segments(rng, 2000, 300.0))
    fixed = obstacles(rng, 6, kind)
    ours = minimum(p0, p1, *fixed)
    wanted = distance(p0, p1, *fixed).min(axis=-1)
    np.testing.assert_allclose(ours, wanted, rtol=0.0, atol=ROUNDING_MM)


@BOTH
def test_obstacles_may_move_with_the_poses_or_differ_by_design(kind, minimum, distance):
    rng = np.random.default_rng(53)
    p0, p1 = (p[:, None] for p in swept_rods(rng, 30))
    q0, q1 = obstacles(rng, 5, kind)
    swing = 40.0 * np.sin(np.linspace(0.0, 5.0, 49))[:, None] * np.array([0.0, 0.3, 1.0])
    for move in (swing, rng.uniform(-50, 50, (30, 1, 1, 3)), rng.uniform(-50, 50, (30, 5, 49, 3))):
        fixed = q0 + move, q1 + move
        wanted = distance(p0, p1, *fixed).min(axis=-1)
        np.testing.assert_allclose(minimum(p0, p1, *fixed), wanted, rtol=0.0, atol=ROUNDING_MM)
        again = minimum(p0[:, 0], p1[:, 0], *(f[..., 2, :, :] for f in fixed))
        np.testing.assert_allclose(again, wanted[:, 2], rtol=0.0, atol=ROUNDING_MM)


@BOTH
def test_one_moving_end_one_pose_one_design(kind, minimum, distance):
    rng = np.random.default_rng(54)
    p0, p1 = swept_rods(rng, 8)
    q0, q1 = (q[0, 0] for q in obstacles(rng, 1, kind))
    pivot = p0[:, :1]
    wanted = distance(pivot, p1, q0, q1).min(axis=-1)
    np.testing.assert_allclose(minimum(pivot, p1, q0, q1), wanted, rtol=0.0, atol=ROUNDING_MM)
    one = minimum(pivot[3], p1[3], q0, q1)
    assert one.shape == ()
    assert one == pytest.approx(wanted[3], abs=ROUNDING_MM)
    single = minimum(pivot[3, 0], p1[3, 7], q0, q1)
    assert single.shape == ()
    assert single == distance(pivot[3, 0], p1[3, 7], q0, q1)
    points = minimum(p1, p1, q0, q1)
    wanted = distance(p1, p1, q0, q1).min(axis=-1)
    np.testing.assert_allclose(points, wanted, rtol=0.0, atol=ROUNDING_MM)


@BOTH
def test_least_does_not_depend_on_blocks(kind, minimum, distance, monkeypatch):
    rng = np.random.default_rng(55)
    p0, p1 = (p[:, None] for p in swept_rods(rng, 20))
    fixed = obstacles(rng, 7, kind)
    wanted = distance(p0, p1, *fixed).min(axis=-1)
    for size in (1, 6, 20, 1000):
        monkeypatch.setattr(least, "_BLOCK", size)
        monkeypatch.setattr(least, "_BOUND_BLOCK", 10 * size)
        np.testing.assert_allclose(minimum(p0, p1, *fixed), wanted, rtol=0.0, atol=ROUNDING_MM)


@BOTH
@pytest.mark.parametrize("ceiling", [-5.0, 0.0, 30.0, 200.0])
def test_ceiling(kind, minimum, distance, ceiling, monkeypatch):
    rng = np.random.default_rng(56)
    p0, p1 = (p[:, None] for p in swept_rods(rng, 40))
    fixed = obstacles(rng, 12, kind)
    wanted = np.minimum(distance(p0, p1, *fixed).min(axis=-1), ceiling)
    assert kind == "segment" or np.any(wanted < ceiling)
    for size in (8192, 1):
        monkeypatch.setattr(least, "_BLOCK", size)
        ours = minimum(p0, p1, *fixed, ceiling=ceiling)
        np.testing.assert_allclose(ours, wanted, rtol=0.0, atol=ROUNDING_MM)


@BOTH
@pytest.mark.parametrize("ceiling", [np.inf, 1.0])
def test_a_missing_pose_makes_the_least_nan(kind, minimum, distance, ceiling):
    rng = np.random.default_rng(57)
    p0, p1 = (p[:, None] for p in swept_rods(rng, 6))
    fixed = obstacles(rng, 3, kind)
    p0[1, 0, 24] = np.nan  # the pose that is measured first
    p1[2, 0, 3] = np.nan
    p0[3] = np.nan
    ours = minimum(p0, p1, *fixed, ceiling=ceiling)
    assert np.isnan(ours[1:4]).all()
    assert np.isfinite(ours[[0, 4, 5]]).all()
    wanted = np.minimum(distance(p0, p1, *fixed).min(axis=-1), ceiling)
    np.testing.assert_allclose(ours, wanted, rtol=0.0, atol=ROUNDING_MM)


@BOTH
def test_no_poses_and_no_designs(kind, minimum, distance):
    fixed = obstacles(np.random.default_rng(58), 3, kind)
    with pytest.raises(ValueError, match="there are no poses"):
        minimum(np.zeros((2, 1, 0, 3)), np.zeros((2, 1, 0, 3)), *fixed)
    assert minimum(np.zeros((0, 1, 5, 3)), np.zeros((0, 1, 5, 3)), *fixed).shape == (0, 3)


@BOTH
def test_most_poses_are_rejected_unmeasured(kind, minimum, distance, monkeypatch):
    """A fifth of the poses at most is measured, of motions like a linkage's."""
    measured = []

    def counted(function):
        def count(*points):
            measured.append(points[0][0].size)
            return function(*points)

        return count

    name = "_BOX" if kind == "box" else "_SEGMENT"
    real = getattr(least, name)
    counting = least._Obstacle(counted(real.distance), counted(real.normal), real.reach)
    monkeypatch.setattr(least, name, counting)
    rng = np.random.default_rng(59)
    p0, p1 = (p[:, None] for p in swept_rods(rng, 300))
    fixed = obstacles(rng, 10, kind)
    minimum(p0, p1, *fixed)
    everything = sum(measured)
    assert 2 * 300 * 10 / 2 < everything < 0.2 * 300 * 10 * 49
    measured.clear()
    # Of what lies far one pose is enough; the program does not even ask, see test_packaging.
    minimum(p0 + 5000.0, p1 + 5000.0, *fixed, ceiling=100.0)
    assert sum(measured) == 300 * 10


# --- bounds that settle pairs unmeasured ---------------------------------------------------------


def as_picked(points, rows):
    """Points (R, poses, 3) with a row for each pair."""
    return Picked(np.ascontiguousarray(np.moveaxis(points, -1, 0)), rows)


def pairs_of_rods(seed, count=300):
    """Rods of 40 designs (R, poses, 3), and a row of them and an obstacle of each kind by pair."""
    rng = np.random.default_rng(seed)
    p0, p1 = swept_rods(rng, 40)
    return p0, p1, rng.integers(0, 40, count), rng


@BOTH
def test_shared_rows_give_what_repeated_ones_give(kind, minimum, distance, monkeypatch):
    p0, p1, rows, rng = pairs_of_rods(1)
    q0, q1 = obstacles(rng, len(rows), kind)
    wanted = distance(p0[rows], p1[rows], q0, q1).min(axis=-1)
    for kept in (1 << 19, 500):
        monkeypatch.setattr(least, "_BOUNDS_KEPT", kept)
        found = minimum(as_picked(p0, rows), as_picked(p1, rows), q0, q1)
        np.testing.assert_allclose(found, wanted, rtol=0, atol=ROUNDING_MM)
    near = minimum(as_picked(p0, rows), as_picked(p1, rows), q0, q1, ceiling=60.0)
    np.testing.assert_allclose(near, np.minimum(wanted, 60.0), rtol=0, atol=ROUNDING_MM)


def test_both_of_a_pair_may_share_rows():
    p0, p1, rows, rng = pairs_of_rods(2)
    q0, q1 = swept_rods(rng, 15)
    others = rng.integers(0, 15, len(rows))
    four = [as_picked(p, rows) for p in (p0, p1)] + [as_picked(q, others) for q in (q0, q1)]
    wanted = segment_segment_distance(p0[rows], p1[rows], q0[others], q1[others]).min(axis=-1)
    np.testing.assert_allclose(minimum_segment_segment(*four), wanted, rtol=0, atol=ROUNDING_MM)
    floor = floor_segment_segment(*four)
    assert np.all(floor <= wanted + ROUNDING_MM)
    assert np.mean(floor > 0.5 * wanted) > 0.5


def test_floor_is_below_every_distance_and_not_far():
    p0, p1, rows, rng = pairs_of_rods(3)
    q0, q1 = obstacles(rng, len(rows), "segment")
    wanted = segment_segment_distance(p0[rows], p1[rows], q0, q1).min(axis=-1)
    floor = floor_segment_segment(as_picked(p0, rows), as_picked(p1, rows), q0, q1)
    assert np.all(floor <= wanted + ROUNDING_MM)
    assert np.mean(floor > wanted - 10.0) > 0.5


@BOTH
def test_one_pose_and_boxes_bound_all_poses(kind, minimum, distance):
    p0, p1, rows, rng = pairs_of_rods(4)
    q0, q1 = obstacles(rng, len(rows), kind)
    wanted = distance(p0[rows], p1[rows], q0, q1).min(axis=-1)
    q0, q1 = q0[:, 0], q1[:, 0]

    def parts(points):
        return tuple(points.T)

    def box(points):
        return parts(points.min(axis=1)), parts(points.max(axis=1))

    for pose in (0, 24, 48):
        start, end = p0[rows], p1[rows]
        line = (parts(start[:, pose]), parts(end[:, pose]), box(start), box(end))
        if kind == "box":
            bound = box_apart(line, parts(q0), parts(q1))
        else:
            still = parts(q0), parts(q1)
            bound = segment_apart(line, (*still, *((q, q) for q in still)))
        assert np.all(bound <= wanted + ROUNDING_MM)
        far = wanted > 100.0
        assert np.mean(bound[far] > 0.0) > 0.5
