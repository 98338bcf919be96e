"""The surface admittance at its edges: k = 0, rest, branch points, units, bad input."""

import numpy as np
import pytest

from sawfem.conventions import CHARGE, EPSILON_0, FIELD, STRESS
from sawfem.design import Stack
from sawfem.errors import ConvergenceError, GeometryError, InputError
from sawfem.planewave import SurfaceAdmittance, static_permittivity
from sawfem.planewave.generalised import GeneralisedTensor
from sawfem.planewave.limiting import bulk_onsets

K = 2.0 * np.pi / 4.0e-6
OMEGA = 2.0e9 * np.pi
NIOBATE = Stack("lithium-niobate/kovacs-1990", euler=(0, 38, 0)).media()[0]
SILICA = Stack("silica/auld-1973").media()[0]


@pytest.fixture(params=["bare", "layered"])
def stack(request) -> SurfaceAdmittance:
    layers = [(SILICA, 0.4e-6)] if request.param == "layered" else []
    return SurfaceAdmittance(NIOBATE, layers)


def test_shapes_broadcast(stack) -> None:
    omega, k = np.linspace(0.0, OMEGA, 3)[:, None], K * np.arange(-2.0, 3.0)
    y = stack(omega, k)
    assert y.shape == (3, 5, 4, 4)
    np.testing.assert_allclose(y[2, 3], stack(OMEGA, K), rtol=1e-12)
    assert stack(OMEGA, K).shape == (4, 4)


def test_units_of_the_scaled_form(stack) -> None:
    traction = np.diag([STRESS, STRESS, STRESS, CHARGE])
    displacement = np.diag([1.0, 1.0, 1.0, 1.0 / FIELD])
    expected = traction @ stack.scaled(OMEGA, K) @ displacement
    np.testing.assert_allclose(stack(OMEGA, K), expected, rtol=1e-14)


def test_continuous_at_k_zero(stack) -> None:
    at_zero = stack.scaled(OMEGA, 0.0)
    assert np.all(at_zero[3] == 0.0)
    assert np.all(at_zero[:, 3] == 0.0)
    size = np.abs(at_zero).max()
    for q in (1e-12, 1e-10, 1e-8, 1e-6, 1e-4):
        near = stack.scaled(OMEGA, q * OMEGA / 4000.0)
        assert np.abs(near - at_zero).max() < 5.0 * q * size + 1e-9 * size


def test_charge_vanishes_linearly_with_k() -> None:
    stack = SurfaceAdmittance(NIOBATE)
    k = OMEGA / 4000.0 * np.array([1e-5, 1e-4])
    ratio = stack.scaled(OMEGA, k)[:, 3, 3] / k
    assert ratio[0] == pytest.approx(ratio[1], rel=1e-6)


def test_straight_down_each_bulk_wave_meets_its_impedance() -> None:
    """Isotropic: T = j omega sqrt(rho c) u for the shear and the longitudinal wave (Auld 1973)."""
    y = SurfaceAdmittance(SILICA)(OMEGA, 0.0)
    shear, longitudinal = SILICA.stiffness[0, 2, 0, 2], SILICA.stiffness[2, 2, 2, 2]
    moduli = np.array([shear, shear, longitudinal])
    expected = np.diag([*(1j * OMEGA * np.sqrt(SILICA.density * moduli)), 0.0])
    np.testing.assert_allclose(y, expected, atol=1e-12 * np.abs(y).max())


def test_at_rest() -> None:
    assert np.all(SurfaceAdmittance(NIOBATE)(0.0, 0.0) == 0.0)
    y = SurfaceAdmittance(NIOBATE)(0.0, K)
    np.testing.assert_allclose(y, y.conj().T, atol=1e-12 * np.abs(y).max())
    slow = SurfaceAdmittance(NIOBATE)(1e-3 * K, K)
    np.testing.assert_allclose(slow, y, rtol=1e-9, atol=1e-12 * np.abs(y).max())


def test_at_rest_an_isotropic_dielectric_is_that_of_the_text_book() -> None:
    """Electric: -eps |k|. Elastic (Johnson, Contact Mechanics, 1985, section 13.2): the surface
    stiffness under a normal load alone is |k| mu / (1 - nu); here the inverse's diagonal."""
    y = SurfaceAdmittance(SILICA)(0.0, K)
    assert y[3, 3].real == pytest.approx(-SILICA.permittivity[0, 0] * K, rel=1e-12)
    mu, lame = SILICA.stiffness[0, 2, 0, 2], SILICA.stiffness[0, 0, 2, 2]
    poisson = lame / (2.0 * (lame + mu))
    compliance = np.linalg.inv(y[:3, :3])
    assert compliance[2, 2].real == pytest.approx((1.0 - poisson) / (mu * K), rel=1e-10)
    assert compliance[1, 1].real == pytest.approx(1.0 / (mu * K), rel=1e-10)


def test_finite_and_continuous_up_to_a_branch_point() -> None:
    stack = SurfaceAdmittance(NIOBATE)
    for onset in bulk_onsets(GeneralisedTensor.from_medium(NIOBATE)):
        at = stack.scaled(onset * K, K)
        for offset in (1e-15, 1e-12, 1e-9, 1e-6):
            for sign in (-1.0, 1.0):
                near = stack.scaled(onset * (1.0 + sign * offset) * K, K)
                assert np.abs(near - at).max() < 20.0 * np.sqrt(offset + 1e-14) * np.abs(at).max()


def test_complex_frequency_next_to_the_real_axis(stack) -> None:
    real = stack.scaled(3950.0 * K, K)
    near = stack.scaled(3950.0 * K * (1.0 + 1e-9j), K)
    assert np.abs(real - near).max() < 1e-6 * np.abs(real).max()


def test_bad_input() -> None:
    stack = SurfaceAdmittance(NIOBATE)
    with pytest.raises(InputError, match="not finite"):
        stack(np.nan, K)
    with pytest.raises(InputError, match="negative"):
        stack(-OMEGA, K)
    with pytest.raises(InputError, match="real start"):
        stack.along(np.array([OMEGA * 1j + OMEGA]), K)
    for thickness in (0.0, -1e-6, np.inf):
        with pytest.raises(GeometryError, match="thickness"):
            SurfaceAdmittance(NIOBATE, [(SILICA, thickness)])
    with pytest.raises(GeometryError, match="wavenumber"):
        static_permittivity(NIOBATE, [(SILICA, 1e-6)])


def test_path_through_a_branch_point_fails_loudly() -> None:
    onset = bulk_onsets(GeneralisedTensor.from_medium(NIOBATE))[1] * K
    path = onset * (1.0 + np.array([-0.02, 0.02]))
    with pytest.raises(ConvergenceError, match="branch point"):
        SurfaceAdmittance(NIOBATE).along(path, K)


def test_static_permittivity_of_a_layered_stack_lies_between_its_ends() -> None:
    layers = [(SILICA, 0.4e-6)]
    thin = static_permittivity(NIOBATE, layers, k=1e2)
    thick = static_permittivity(NIOBATE, layers, k=1e9)
    assert thin == pytest.approx(static_permittivity(NIOBATE), rel=1e-3)
    assert thick == pytest.approx(SILICA.permittivity[0, 0] + EPSILON_0, rel=1e-9)
    assert thick < static_permittivity(NIOBATE, layers, k=K) < thin
