"""Small vector geometry against numpy, scipy's rotations and known angles."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from optimiser.linkage.vectors import (
    angle_between,
    cross,
    cross_first,
    dot,
    dot_first,
    norm,
    rotate,
    unit,
)

RNG = np.random.default_rng(3)
A, B = RNG.normal(size=(2, 4, 5, 3))

vector = st.tuples(*[st.floats(-1e3, 1e3)] * 3).map(np.array)
nonzero = vector.filter(lambda v: np.linalg.norm(v) > 1e-3)


def test_products_agree_with_numpy():
    np.testing.assert_allclose(dot(A, B), np.einsum("...i,...i", A, B), rtol=1e-14)
    np.testing.assert_allclose(cross(A, B), np.cross(A, B), rtol=0, atol=1e-15)
    np.testing.assert_allclose(norm(A), np.linalg.norm(A, axis=-1), rtol=1e-15)


def test_products_broadcast_over_any_batch():
    assert dot(A, B[0, 0]).shape == (4, 5)
    assert cross(A[:, :1], B[:1]).shape == (4, 5, 3)
    assert dot((1, 2, 3), (4, 5, 6)) == 32.0


def test_products_with_the_component_first_are_the_same_numbers():
    first, second = np.moveaxis(A, -1, 0), np.moveaxis(B, -1, 0)
    np.testing.assert_array_equal(dot_first(first, second), dot(A, B))
    np.testing.assert_array_equal(np.moveaxis(cross_first(first, second), 0, -1), cross(A, B))
    np.testing.assert_array_equal(cross_first(A[0, 0], B[0, 0]), cross(A[0, 0], B[0, 0]))
    assert cross_first(first, second[:, :1]).shape == first.shape


def test_unit_vectors_and_the_zero_vector():
    np.testing.assert_allclose(norm(unit(A)), 1.0, rtol=1e-15)
    both = unit([[0.0, 3.0, 4.0], [0.0, 0.0, 0.0]])
    np.testing.assert_array_equal(both[0], [0.0, 0.6, 0.8])
    assert np.isnan(both[1]).all()


@pytest.mark.parametrize("angle", [0.0, 1e-12, 1e-9, 1e-4, 1.0, np.pi / 2, 3.0, np.pi - 1e-9])
def test_small_and_flat_angles_keep_their_digits(angle):
    # arccos of the scalar product would lose all digits of an angle below 1e-8.
    turned = 250.0 * np.array([np.cos(angle), np.sin(angle), 0.0])
    assert angle_between((7.0, 0.0, 0.0), turned) == pytest.approx(angle, rel=1e-14, abs=1e-16)


@given(moved=vector, axis=nonzero, angle=st.floats(-10.0, 10.0))
def test_rotate_agrees_with_scipy(moved, axis, angle):
    axis = axis / np.linalg.norm(axis)
    expected = Rotation.from_rotvec(angle * axis).apply(moved)
    np.testing.assert_allclose(rotate(moved, axis, angle), expected, rtol=0, atol=1e-9)


def test_rotate_takes_batches_of_angles():
    turned = rotate((1.0, 0.0, 0.0), (0.0, 0.0, 1.0), np.array([[0.0], [np.pi / 2]]))
    np.testing.assert_allclose(turned[:, 0], [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]], atol=1e-16)
