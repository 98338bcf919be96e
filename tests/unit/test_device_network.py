"""Y <-> S with power waves: definition, passivity, refusals (scikit-rf: tests/agreement)."""

from __future__ import annotations

import numpy as np
import pytest

from sawfem.device.network import (
    admittance_to_scattering,
    as_references,
    group_delay,
    in_series,
    scattering_to_admittance,
)
from sawfem.errors import InputError

RNG = np.random.default_rng(4)


def random_admittance(frequencies, ports):
    y = RNG.normal(size=(frequencies, ports, ports)) * 0.02
    y = y + 1j * RNG.normal(size=y.shape) * 0.02
    return y + 0.08 * np.eye(ports)


def test_waves_of_a_driven_network():
    # a and b from voltages and currents, as Kurokawa defines them
    y = random_admittance(4, 3)
    z = np.array([50.0, 20.0 + 35.0j, 120.0 - 80.0j])
    s = admittance_to_scattering(y, z)
    V = RNG.normal(size=(4, 3)) + 1j * RNG.normal(size=(4, 3))
    current = np.einsum("fij,fj->fi", y, V)
    a = (V + z * current) / (2 * np.sqrt(z.real))
    b = (V - z.conj() * current) / (2 * np.sqrt(z.real))
    np.testing.assert_allclose(np.einsum("fij,fj->fi", s, a), b, rtol=1e-10)
    power = np.sum((V.conj() * current).real, axis=1)
    np.testing.assert_allclose(np.sum(abs(a) ** 2 - abs(b) ** 2, axis=1), power, rtol=1e-10)


def test_conjugate_match_reflects_nothing():
    y = np.array([[[0.003 + 0.02j]]])
    assert abs(admittance_to_scattering(y, np.conj(1 / y[0, 0]))[0, 0, 0]) < 1e-15


def test_round_trip_with_references_that_vary():
    y = random_admittance(6, 2)
    z = RNG.uniform(10, 90, (6, 2)) + 1j * RNG.normal(size=(6, 2)) * 40
    s = admittance_to_scattering(y, z)
    np.testing.assert_allclose(scattering_to_admittance(s, z), y, rtol=1e-10)


def test_short_circuit_has_no_admittance():
    with pytest.raises(InputError, match="short circuit"):
        scattering_to_admittance(np.full((1, 1, 1), -1.0 + 0j), 50.0)


@pytest.mark.parametrize("bad", [0.0, -50.0, 50j, np.nan, [50.0, 50.0, 50.0]])
def test_references_need_a_positive_real_part(bad):
    with pytest.raises(InputError, match="reference"):
        as_references(bad, 4, 2)


def test_series_resistance_adds_to_the_impedance():
    y = random_admittance(3, 2)
    lossy = in_series(y, [0.5, 2.0])
    np.testing.assert_allclose(
        np.linalg.inv(lossy), np.linalg.inv(y) + np.diag([0.5, 2.0]), rtol=1e-9, atol=1e-9
    )


def test_group_delay_of_a_delay():
    f = np.linspace(800e6, 900e6, 501)
    np.testing.assert_allclose(group_delay(f, 0.3 * np.exp(-2j * np.pi * f * 1.5e-6)), 1.5e-6)
    assert np.isnan(group_delay(f[:1], np.ones(1, dtype=complex))).all()
