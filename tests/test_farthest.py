"""The farthest-point pick against a plain search over all points, and what it does with few."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from optimiser.base.farthest import farthest_points


@given(seed=st.integers(0, 10_000), size=st.integers(2, 30), count=st.integers(1, 12))
def test_each_point_is_the_farthest_from_those_before_it(seed, size, count):
    points = np.random.default_rng(seed).uniform(-1.0, 1.0, (size, 3))
    chosen = farthest_points(points, count).tolist()
    assert chosen[0] == 0
    assert len(set(chosen)) == len(chosen) == min(count, size)
    for number in range(1, len(chosen)):
        before = points[chosen[:number]]
        nearest = [min(np.sqrt(((p - q) ** 2).sum()) for q in before) for p in points]
        assert nearest[chosen[number]] == pytest.approx(max(nearest), rel=1e-12)


def test_corners_before_the_middle():
    points = np.array([[0.0, 0.0], [0.5, 0.5], [1.0, 1.0], [1.0, 0.0], [0.9, 0.9]])
    assert farthest_points(points, 3).tolist() == [0, 2, 3]
    assert farthest_points(points, 99).tolist()[:3] == [0, 2, 3]
    assert farthest_points(points[:1], 5).tolist() == [0]


def test_of_equally_far_points_the_first_and_the_same_point_again():
    assert farthest_points(np.array([[0.0], [1.0], [-1.0]]), 2).tolist() == [0, 1]
    assert farthest_points(np.zeros((3, 2)), 3).tolist() == [0, 0, 0]
