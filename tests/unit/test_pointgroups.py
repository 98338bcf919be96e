"""Symbols, settings and orders of the point groups."""

from itertools import chain

import numpy as np
import pytest

from sawfem.errors import MaterialError
from sawfem.pointgroups import (
    POINT_GROUPS,
    canonical_point_group,
    generators,
    group_operations,
)

# Orders of the groups: International Tables for Crystallography, volume A (from memory).
ORDERS = {
    1: ["1"],
    2: ["-1", "2", "m"],
    3: ["3"],
    4: ["2/m", "222", "mm2", "4", "-4"],
    6: ["-3", "32", "3m", "6", "-6"],
    8: ["mmm", "4/m", "422", "4mm", "-42m"],
    12: ["-3m", "6/m", "622", "6mm", "-6m2", "23"],
    16: ["4/mmm"],
    24: ["6/mmm", "m-3", "432", "-43m"],
    48: ["m-3m"],
    120: ["isotropic"],
}


def test_there_are_32_classes_and_isotropic():
    assert len(POINT_GROUPS) == 33
    assert sorted(chain.from_iterable(ORDERS.values())) == sorted(POINT_GROUPS)


@pytest.mark.parametrize(("order", "group"), [(o, g) for o, gs in ORDERS.items() for g in gs])
def test_order_of_the_group(order, group):
    assert len(group_operations(group)) == order


@pytest.mark.parametrize("group", POINT_GROUPS)
def test_operations_are_orthogonal_and_closed(group):
    operations = group_operations(group)
    for matrix in operations:
        np.testing.assert_allclose(matrix @ matrix.T, np.eye(3), atol=1e-12)
    products = np.einsum("aij,bjk->abik", operations, generators(group) or [np.eye(3)])
    distance = np.abs(products[:, :, None] - operations).max(axis=(3, 4)).min(axis=2)
    assert distance.max() < 1e-9


def test_settings_of_the_axes_follow_ieee_std_176():
    def contains(group, matrix):
        return any(np.allclose(matrix, operation) for operation in group_operations(group))

    assert contains("2", np.diag([-1, 1, -1]))
    assert contains("m", np.diag([1, -1, 1]))
    assert contains("3m", np.diag([-1, 1, 1]))
    assert contains("-6m2", np.diag([-1, 1, 1]))
    assert contains("32", np.diag([1, -1, -1]))
    assert contains("-42m", np.diag([1, -1, -1]))
    assert contains("mm2", np.diag([-1, -1, 1]))


@pytest.mark.parametrize(
    ("text", "symbol"),
    [
        ("m3m", "m-3m"),
        ("4/m -3 2/m", "m-3m"),
        ("m3\u0304m", "m-3m"),
        ("\u22124 3 m", "-43m"),
        ("bar42m", "-42m"),
        ("3m1", "3m"),
        ("321", "32"),
        ("2/m2/m2/m", "mmm"),
        ("Isotropic", "isotropic"),
        (" 6MM ", "6mm"),
    ],
)
def test_usual_spellings(text, symbol):
    assert canonical_point_group(text) == symbol


@pytest.mark.parametrize("text", ["5", "", "3n", "cubic", "m" * 1000])
def test_unknown_class_is_refused_with_the_list(text):
    with pytest.raises(MaterialError, match="one of the 32 classes") as caught:
        canonical_point_group(text)
    assert caught.value.key == "point_group"
    assert len(str(caught.value)) < 500
