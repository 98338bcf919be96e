"""Voigt matrices, full tensors and rotation against written-out formulas."""

import numpy as np
import pytest

from sawfem.tensors import (
    VOIGT,
    piezoelectric_matrix,
    piezoelectric_tensor,
    rotate,
    stiffness_matrix,
    stiffness_tensor,
)


def symmetric(seed, size):
    matrix = np.random.default_rng(seed).normal(size=(size, size))
    return matrix + matrix.T


def turn_z(degrees):
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    return np.array([[c, s, 0], [-s, c, 0], [0, 0, 1]])


def test_voigt_order_is_that_of_ieee_std_176():
    assert VOIGT == ((0, 0), (1, 1), (2, 2), (1, 2), (0, 2), (0, 1))


def test_stiffness_tensor_has_both_symmetries_and_returns():
    matrix = symmetric(1, 6)
    tensor = stiffness_tensor(matrix)
    assert tensor[0, 1, 2, 0] == matrix[5, 4]
    assert tensor[1, 0, 0, 2] == matrix[5, 4]
    np.testing.assert_array_equal(tensor, tensor.transpose(2, 3, 0, 1))
    np.testing.assert_array_equal(tensor, tensor.transpose(1, 0, 2, 3))
    np.testing.assert_array_equal(stiffness_matrix(tensor), matrix)


def test_piezoelectric_tensor_returns():
    matrix = np.random.default_rng(2).normal(size=(3, 6))
    tensor = piezoelectric_tensor(matrix)
    assert tensor[2, 0, 2] == tensor[2, 2, 0] == matrix[2, 4]
    np.testing.assert_array_equal(piezoelectric_matrix(tensor), matrix)


def test_cubic_stiffness_along_a_face_diagonal():
    """c11' = (c11 + c12)/2 + c44 and c66' = (c11 - c12)/2, Auld 1973, chapter 3 (from memory)."""
    c11, c12, c44 = 165.7, 63.9, 79.6
    matrix = np.diag([c11, c11, c11, c44, c44, c44])
    matrix[:3, :3] += c12 * (1 - np.eye(3))
    turned = stiffness_matrix(rotate(stiffness_tensor(matrix), turn_z(45.0)))
    assert turned[0, 0] == pytest.approx((c11 + c12) / 2 + c44, rel=1e-14)
    assert turned[5, 5] == pytest.approx((c11 - c12) / 2, rel=1e-14)
    assert turned[0, 1] == pytest.approx((c11 + c12) / 2 - c44, rel=1e-14)


def test_rotation_of_a_vector_and_of_its_product():
    turn = turn_z(30.0) @ np.array([[1.0, 0, 0], [0, 0.6, 0.8], [0, -0.8, 0.6]])
    a, b, c = np.random.default_rng(3).normal(size=(3, 3))
    np.testing.assert_allclose(rotate(a, turn), turn @ a, rtol=1e-14)
    product = np.einsum("i,j,k->ijk", a, b, c)
    expected = np.einsum("i,j,k->ijk", turn @ a, turn @ b, turn @ c)
    np.testing.assert_allclose(rotate(product, turn), expected, rtol=1e-13, atol=1e-15)


def test_mirror_reverses_odd_ranks_only_where_its_axis_occurs_odd_times():
    mirror = np.diag([-1.0, 1.0, 1.0])
    tensor = np.arange(27.0).reshape(3, 3, 3)
    turned = rotate(tensor, mirror)
    assert turned[0, 1, 1] == -tensor[0, 1, 1]
    assert turned[0, 0, 1] == tensor[0, 0, 1]
    assert turned[0, 0, 0] == -tensor[0, 0, 0]
