"""The closed-form section and the devices against other roads to the same answer."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import skrf
from scipy.integrate import solve_ivp
from scipy.linalg import expm

from sawfem.device import Resonator, device_response
from sawfem.device.network import admittance_to_scattering, scattering_to_admittance
from sawfem.device.pmatrix import cascade
from sawfem.device.section import grating_section, transducer_section
from sawfem.extract.constants import ComConstants

CONSTANTS = ComConstants(
    pitch=2.2e-6,
    velocity=3870.0,
    reflection=0.02 * np.exp(0.7j),
    transduction=0.1 * np.exp(-0.4j),
    capacitance=250e-12,
    attenuation=300.0,
)
F0 = CONSTANTS.centre_frequency
# As of a leaky cut, and without a mirror: losses in every constant, C and a with a slope.
LEAKY = replace(
    CONSTANTS,
    reflection=0.02 * np.exp(0.7j) - 3e-4j * np.exp(0.3j),
    reflection_back=0.02 * np.exp(-0.7j) - 3e-4j * np.exp(-0.3j),
    transduction=0.1 * np.exp(-0.4j) + 3e-4j,
    transduction_back=0.1 * np.exp(0.4j) + 3e-4j,
    capacitance_loss=4e-3,
    capacitance_slope=0.8,
    slope_width=0.04,
    phase_over_group_velocity=1.3,
)
APERTURE = 1e-4
OFFSETS = [0.0, 0.001, 0.02 / np.pi, -0.03, 0.2]


def local_matrix(f, open_strips=False, constants=CONSTANTS):
    """Matrix of d(R, S, I, V)/dx as the equations stand in sawfem/extract/coupled.py.

    All but C is times g: along the grating the wave needs v/g for what it does.
    """
    p, g = constants.pitch, constants.phase_over_group_velocity
    w = 2 * np.pi * f
    d = g * (w / constants.velocity - np.pi / p - 1j * constants.attenuation)
    scale = 1 + constants.capacitance_slope * constants.slope_width * np.tanh(
        (f / F0 - 1) / constants.slope_width
    )
    k, k_back = g * constants.reflection / p, constants.reflection_back
    a, a_back = constants.transduction, constants.transduction_back
    k_back = np.conj(k) if k_back is None else g * k_back / p
    a_back = np.conj(a) if a_back is None else a_back
    a, a_back = (part / p * np.sqrt(g * APERTURE * f / F0 * scale) for part in (a, a_back))
    C = constants.capacitance * (1 - 1j * constants.capacitance_loss) / p * APERTURE * scale
    A = np.zeros((4, 4), dtype=complex)
    A[0] = [-1j * d, 1j * k, 0, 1j * a]
    A[1] = [-1j * k_back, 1j * d, 0, -1j * a_back]
    A[2] = [-2j * a_back, -2j * a, 0, 1j * w * C]
    if open_strips:  # V at every x from dI/dx = 0
        voltage = -A[2, :2] / A[2, 3]
        A[:2, :2] += np.outer(A[:2, 3], voltage)
        A[:, 3] = 0
        A[2] = 0
    return A


def pmatrix_of_transfer(T, electrodes):
    """P of the true fields from the transfer matrix of (R, S, I, V), plane by plane."""
    left, right = np.exp(1j * np.pi / 2), np.exp(-1j * np.pi * (electrodes - 0.5))
    P = np.empty((3, 3), dtype=complex)
    for column, (a1, a2, V) in enumerate(np.eye(3)):
        R0, SL = a1 / left, a2 * right
        S0 = (SL - T[1, 0] * R0 - T[1, 3] * V) / T[1, 1]
        RL, _, current, _ = T @ [R0, S0, 0, V]
        P[:, column] = [S0 / left, RL * right, current]
    return P


def relative(measured, expected):
    """Largest deviation of each block of P, over that block's largest entry."""
    blocks = ((slice(2), slice(2)), (slice(2), 2), (2, slice(2)), (2, 2))
    return max(np.abs(measured[b] - expected[b]).max() / np.abs(expected[b]).max() for b in blocks)


@pytest.mark.parametrize("constants", [CONSTANTS, LEAKY], ids=["one loss", "leaky"])
@pytest.mark.parametrize("offset", OFFSETS)
@pytest.mark.parametrize("electrodes", [1, 2, 35, 240])
def test_section_against_matrix_exponential(electrodes, offset, constants):
    f = F0 * (1 + offset)
    T = expm(local_matrix(f, constants=constants) * electrodes * CONSTANTS.pitch)
    P = transducer_section(constants, electrodes, APERTURE, [f]).matrix[0]
    assert relative(P, pmatrix_of_transfer(T, electrodes)) < 1e-11


@pytest.mark.parametrize("offset", OFFSETS)
def test_section_against_stepwise_integration(offset):
    electrodes, f = 60, F0 * (1 + offset)
    A = local_matrix(f)
    scale = electrodes * CONSTANTS.pitch
    T = np.empty((4, 4), dtype=complex)
    for column, start in enumerate(np.eye(4, dtype=complex)):
        run = solve_ivp(
            lambda _, y: scale * (A @ y), (0, 1), start, method="DOP853", rtol=1e-12, atol=1e-14
        )
        T[:, column] = run.y[:, -1]
    P = transducer_section(CONSTANTS, electrodes, APERTURE, [f]).matrix[0]
    assert relative(P, pmatrix_of_transfer(T, electrodes)) < 1e-9


@pytest.mark.parametrize("constants", [CONSTANTS, LEAKY], ids=["one loss", "leaky"])
@pytest.mark.parametrize("offset", OFFSETS)
def test_open_strips_against_matrix_exponential(offset, constants):
    electrodes, f = 35, F0 * (1 + offset)
    T = expm(local_matrix(f, open_strips=True, constants=constants) * electrodes * CONSTANTS.pitch)
    P = grating_section(constants, electrodes, [f], connection="open").matrix[0]
    np.testing.assert_allclose(P, pmatrix_of_transfer(T, electrodes)[:2, :2], atol=1e-12)


def test_isolated_sections_left_open_become_open_strips():
    # Single electrodes on bus-bars of their own, each port left open, float at the voltage that
    # draws no current. V is one number over a pitch here and follows R and S along it in the
    # closed form: the two meet as the square of what happens in one pitch.
    deviations = []
    for scale in (1.0, 0.5, 0.25):
        weaker = replace(
            CONSTANTS,
            reflection=scale * CONSTANTS.reflection,
            transduction=np.sqrt(scale) * CONSTANTS.transduction,
            attenuation=scale * CONSTANTS.attenuation,
        )
        f = F0 * (1 + scale * np.array(OFFSETS))
        count = round(50 / scale)
        electrode = transducer_section(weaker, 1, APERTURE, f).loaded(0, 0.0)
        one_by_one = cascade([electrode] * count).matrix
        at_once = grating_section(weaker, count, f, connection="open").matrix
        deviations.append(np.abs(one_by_one - at_once).max(axis=(1, 2)))
    orders = -np.diff(np.log2(deviations), axis=0)
    np.testing.assert_allclose(orders, 2.0, atol=0.05)
    assert np.all(deviations[-1][:3] < 4e-6)


def test_resonator_electrode_by_electrode():
    # A synchronous resonator (every electrode at one pitch) is a row of single electrodes, the
    # outer ones shorted; gaps are no gaps then.
    device = Resonator(41, (30, 50), APERTURE, CONSTANTS.pitch)
    f = F0 * np.linspace(0.98, 1.02, 25)
    response = device_response(device, CONSTANTS, f)
    row = cascade(
        transducer_section(CONSTANTS, 1, APERTURE, f, polarity=(-1) ** n) for n in range(41)
    ).connected(np.ones((41, 1)))
    shorted = transducer_section(CONSTANTS, 1, APERTURE, f).connected(np.zeros((1, 0)))
    whole = cascade([*[shorted] * 30, row, *[shorted] * 50])
    np.testing.assert_allclose(response.y, whole.admittance, rtol=1e-10)


def test_resonator_as_a_boundary_value_problem():
    # Reflector, stretch, transducer, stretch, reflector by transfer matrices of the true fields
    # and one linear solution for "nothing comes in": no P-matrix, no star product.
    device = Resonator(41, (30, 50), APERTURE, 3.3 * CONSTANTS.pitch, gap_velocity=3979.0)
    for f in F0 * np.linspace(0.985, 1.015, 7):
        local = local_matrix(f)
        shorted = local.copy()
        shorted[:, 3] = 0
        shorted[2] = 0

        def section(A, electrodes):
            T = expm(A * electrodes * CONSTANTS.pitch)
            left, right = 1j, np.exp(-1j * np.pi * (electrodes - 0.5))
            into = np.diag([1 / left, left, 1, 1])
            out = np.diag([right, 1 / right, 1, 1])
            return out @ T @ into

        turn = np.exp(-2j * np.pi * f / 3979.0 * 2.3 * CONSTANTS.pitch)
        gap = np.diag([turn, 1 / turn, 1, 1])
        track = section(shorted, 50) @ gap @ section(local, 41) @ gap @ section(shorted, 30)
        # in at the left: R = 0, V = 1; S0 such that S = 0 at the right
        S0 = -track[1, 3] / track[1, 1]
        expected = track[2, 1] * S0 + track[2, 3]
        measured = device_response(device, CONSTANTS, [f]).y[0, 0, 0]
        assert measured == pytest.approx(expected, rel=1e-10)


def test_conversions_agree_with_scikit_rf():
    rng = np.random.default_rng(2)
    for ports in (1, 2, 3):
        y = 0.02 * (rng.normal(size=(9, ports, ports)) + 1j * rng.normal(size=(9, ports, ports)))
        y = y + 0.1 * np.eye(ports)
        z = rng.uniform(5, 200, (9, ports)) + 1j * rng.normal(size=(9, ports)) * 60
        s = admittance_to_scattering(y, z)
        np.testing.assert_allclose(s, skrf.network.y2s(y, z, s_def="power"), rtol=1e-9, atol=1e-11)
        np.testing.assert_allclose(
            scattering_to_admittance(s, z),
            skrf.network.s2y(s, z, s_def="power"),
            rtol=1e-8,
            atol=1e-11,
        )


def test_network_agrees_with_scikit_rf():
    device = Resonator(61, (80, 80), APERTURE, 2.4e-6, load=30.0 + 12.0j)
    response = device_response(device, CONSTANTS, F0 * np.linspace(0.98, 1.02, 51))
    network = response.network()
    np.testing.assert_allclose(network.y, response.y, rtol=1e-9)
    np.testing.assert_array_equal(network.s, response.s)
    renormalised = response.network(50.0)
    network.renormalize(50.0, s_def="power")
    np.testing.assert_allclose(renormalised.s, network.s, rtol=1e-9)
