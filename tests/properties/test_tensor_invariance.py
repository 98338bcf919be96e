"""Invariants of tensors, classes and orientations over random input."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sawfem.errors import OrientationError
from sawfem.orientation import Orientation
from sawfem.pointgroups import POINT_GROUPS, generators
from sawfem.symmetry import expand, independent_constants
from sawfem.tensors import (
    piezoelectric_tensor,
    rotate,
    stiffness_matrix,
    stiffness_tensor,
)

angle = st.floats(-360.0, 360.0, allow_nan=False)
euler = st.tuples(angle, angle, angle)
group = st.sampled_from(POINT_GROUPS)


def random_matrix(point_group, kind, seed):
    names = independent_constants(point_group, kind)
    values = np.random.default_rng(seed).normal(size=len(names))
    return expand(point_group, kind, dict(zip(names, map(float, values), strict=True)))


def as_tensor(kind, matrix):
    full = {"stiffness": stiffness_tensor, "piezoelectric": piezoelectric_tensor}
    return full.get(kind, np.asarray)(matrix)


@settings(max_examples=200, deadline=None)
@given(
    group,
    st.sampled_from(["stiffness", "piezoelectric", "permittivity", "expansion"]),
    st.integers(0, 2**32),
)
def test_expanded_tensors_are_invariant_under_the_generators(point_group, kind, seed):
    """Neumann's principle, by full tensor rotation (the projector works on Voigt matrices)."""
    tensor = as_tensor(kind, random_matrix(point_group, kind, seed))
    for generator in generators(point_group):
        np.testing.assert_allclose(rotate(tensor, generator), tensor, atol=1e-11)


@settings(deadline=None)
@given(euler, st.sampled_from(["stiffness", "permittivity"]), st.integers(0, 2**32))
def test_isotropic_tensors_do_not_feel_any_rotation(angles, kind, seed):
    tensor = as_tensor(kind, random_matrix("isotropic", kind, seed))
    turned = rotate(tensor, Orientation.from_euler(*angles).rotation)
    np.testing.assert_allclose(turned, tensor, atol=1e-12)


@settings(deadline=None)
@given(angle, st.sampled_from(["6mm", "6/mmm", "622", "-6m2"]), st.integers(0, 2**32))
def test_hexagonal_stiffness_is_isotropic_about_z(degrees, point_group, seed):
    """Nye 1957 (from memory): elastic constants cannot tell a six-fold axis from a full turn."""
    tensor = as_tensor("stiffness", random_matrix(point_group, "stiffness", seed))
    turned = rotate(tensor, Orientation.from_euler(degrees, 0, 0).rotation)
    np.testing.assert_allclose(turned, tensor, atol=1e-12)


@settings(deadline=None)
@given(euler, euler, st.integers(0, 2**32))
def test_rotations_compose(first, second, seed):
    tensor = stiffness_tensor(random_matrix("1", "stiffness", seed))
    a = Orientation.from_euler(*first).rotation
    b = Orientation.from_euler(*second).rotation
    np.testing.assert_allclose(rotate(rotate(tensor, a), b), rotate(tensor, b @ a), atol=1e-11)


@settings(deadline=None)
@given(euler, st.integers(0, 2**32))
def test_linear_invariants_of_the_stiffness(angles, seed):
    """c_iijj and c_ijij do not change under rotation."""
    tensor = stiffness_tensor(random_matrix("1", "stiffness", seed))
    turned = rotate(tensor, Orientation.from_euler(*angles).rotation)
    for trace in ("iijj", "ijij"):
        assert np.einsum(trace, turned) == pytest.approx(np.einsum(trace, tensor), abs=1e-11)
    assert np.sum(turned**2) == pytest.approx(np.sum(tensor**2), rel=1e-11)
    np.testing.assert_allclose(stiffness_tensor(stiffness_matrix(turned)), turned, atol=1e-12)


@settings(max_examples=300, deadline=None)
@given(euler)
def test_euler_angles_return_from_the_matrix(angles):
    given_angles = Orientation.from_euler(*angles)
    again = Orientation(given_angles.rotation)
    back = Orientation.from_euler(*again.euler)
    np.testing.assert_allclose(back.rotation, given_angles.rotation, atol=1e-8)
    assert all(-180.0 <= value <= 180.0 for value in again.euler)


@settings(max_examples=300, deadline=None)
@given(euler)
def test_plate_text_names_every_orientation(angles):
    orientation = Orientation.from_euler(*angles)
    again = Orientation(orientation.rotation)
    plate = Orientation.from_plate(again.plate)
    np.testing.assert_allclose(plate.rotation, orientation.rotation, atol=1e-8)


@settings(max_examples=200, deadline=None)
@given(
    st.permutations("XYZ"),
    st.lists(st.tuples(st.sampled_from("lwt"), st.floats(-360, 360)), max_size=3),
)
def test_plates_are_right_handed_and_return_from_euler(axes, turns):
    text = f"({axes[0]}{axes[1]}{''.join(turn[0] for turn in turns)})"
    plate = Orientation.from_plate(text, rotations=[turn[1] for turn in turns])
    assert np.linalg.det(plate.rotation) == pytest.approx(1.0)
    back = Orientation.from_euler(*plate.euler)
    np.testing.assert_allclose(back.rotation, plate.rotation, atol=1e-8)


@settings(max_examples=300, deadline=None)
@given(st.text(alphabet="(XYZlwt)0123456789./-°' ", max_size=25))
def test_any_text_is_read_or_refused(text):
    try:
        plate = Orientation.from_plate(text)
    except OrientationError:
        return
    assert Orientation.from_plate(plate.plate).plate == plate.plate
