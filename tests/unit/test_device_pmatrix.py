"""P-matrix algebra against elimination by a linear solver."""

from __future__ import annotations

import numpy as np
import pytest

from sawfem.device.pmatrix import PMatrix, cascade, delay
from sawfem.device.section import transducer_section
from sawfem.errors import InputError
from sawfem.extract.constants import ComConstants

BUOY = ComConstants(2.2e-6, 3870.0, 0.02 * np.exp(0.7j), 0.1 * np.exp(-0.4j), 250e-12)
F0 = BUOY.centre_frequency
F = np.linspace(0.97 * F0, 1.03 * F0, 5)


def random_pmatrix(ports, seed):
    rng = np.random.default_rng(seed)
    shape = (F.size, 2 + ports, 2 + ports)
    return PMatrix(F, rng.normal(size=shape) + 1j * rng.normal(size=shape))


def test_cascade_solves_the_joint():
    # Unknowns (y, x) at the joint, one linear system per input: no star product in sight.
    A, B = random_pmatrix(2, 1), random_pmatrix(1, 2)
    whole = cascade([A, B])
    assert whole.electrical_ports == 3
    rng = np.random.default_rng(3)
    drive = rng.normal(size=5) + 1j * rng.normal(size=5)  # a1, a2, VA1, VA2, VB
    for a, b, total in zip(A.matrix, B.matrix, whole.matrix, strict=True):
        in_a = np.array([drive[0], 0, drive[2], drive[3]])
        in_b = np.array([0, drive[1], drive[4]])
        joint = np.array([[1, -a[1, 1]], [-b[0, 0], 1]])
        y, x = np.linalg.solve(joint, [a[1] @ in_a, b[0] @ in_b])
        in_a[1], in_b[0] = x, y
        out_a, out_b = a @ in_a, b @ in_b
        expected = [out_a[0], out_b[1], out_a[2], out_a[3], out_b[2]]
        np.testing.assert_allclose(total @ drive, expected, rtol=1e-10)


def test_cascade_is_associative_and_mirrors_in_reverse():
    parts = [random_pmatrix(e, 10 + e) for e in (1, 0, 2)]
    one = cascade(parts).matrix
    other = cascade([parts[0], cascade(parts[1:])]).matrix
    np.testing.assert_allclose(one, other, rtol=1e-9)
    back = cascade([p.mirrored() for p in parts[::-1]]).mirrored().matrix
    order = [0, 1, 3, 4, 2]  # electrical ports come in the order of the sections
    np.testing.assert_allclose(one[:, order][:, :, order], back, rtol=1e-9)


def test_loaded_port_carries_the_current_of_its_load():
    P = random_pmatrix(2, 5)
    load = 0.3 - 0.2j
    rest = P.loaded(0, load)
    drive = np.array([1.0, 0.5j, -0.2])  # a1, a2, V2
    for full, part in zip(P.matrix, rest.matrix, strict=True):
        b1, b2, current = part @ drive
        rows = full[:, [0, 1, 3]] @ drive
        voltage = -rows[2] / (full[2, 2] + load)
        expected = rows + full[:, 2] * voltage
        np.testing.assert_allclose(expected[2], -load * voltage, rtol=1e-10)
        np.testing.assert_allclose([b1, b2, current], expected[[0, 1, 3]], rtol=1e-10)


def test_connected_ports_share_voltage_and_add_currents():
    P = random_pmatrix(3, 6)
    joined = P.connected([[1, 0], [-1, 0], [0, 0]])  # two on port 0, the third shorted, port 1 idle
    drive = np.array([0.4, 1j, 0.7, 5.0])
    for full, part in zip(P.matrix, joined.matrix, strict=True):
        out = full @ np.array([0.4, 1j, 0.7, -0.7, 0.0])
        np.testing.assert_allclose(part @ drive, [out[0], out[1], out[2] - out[3], 0], atol=1e-12)


def test_delay_turns_and_fades():
    P = delay(1e-3, 3000.0, F, attenuation=50.0)
    expected = np.exp(-2j * np.pi * F * 1e-3 / 3000.0) * np.exp(-0.05)
    np.testing.assert_allclose(P.transmission, expected, rtol=1e-10)
    assert P.least_loss() == pytest.approx(1 - np.exp(-0.1), rel=1e-12)
    undone = cascade([P, delay(-1e-3, 3000.0, F, attenuation=50.0)])
    np.testing.assert_allclose(undone.transmission, 1.0, rtol=1e-12)


def test_checks_notice_what_is_wrong():
    good = transducer_section(BUOY, 40, 1e-4, F)
    assert good.power_error() < 1e-12
    broken = good.matrix.copy()
    broken[2, 2, 0] *= 1.001
    assert PMatrix(F, broken).reciprocity_error() > 1e-5
    active = good.matrix.copy()
    active[2, 2, 2] -= 0.01 * abs(active[2, 2, 2])
    assert PMatrix(F, active).least_loss() < -1e-3
    assert PMatrix(F, active).power_error() > 1e-3


def test_power_matrix_is_the_power_balance():
    P = random_pmatrix(1, 8)
    rng = np.random.default_rng(9)
    x = rng.normal(size=3) + 1j * rng.normal(size=3)
    Q = P.power_matrix()
    for full, form in zip(P.matrix, Q, strict=True):
        unit = np.array([1, 1, 1 / np.sqrt(abs(full[2, 2]))])
        waves = unit * x
        out = full @ waves
        lost = np.sum(np.abs(waves[:2]) ** 2) - np.sum(np.abs(out[:2]) ** 2)
        lost += (np.conj(waves[2]) * out[2]).real
        assert (np.conj(x) @ form @ x).real == pytest.approx(lost, rel=1e-10)


def test_refusals():
    P = random_pmatrix(1, 1)
    with pytest.raises(InputError, match="cascade"):
        cascade([])
    with pytest.raises(InputError, match="frequency axis"):
        cascade([P, delay(1e-3, 3000.0, F + 1.0)])
    with pytest.raises(InputError, match="P-matrix"):
        PMatrix(F, np.zeros((3, 3, 3), dtype=complex))
    with pytest.raises(InputError, match="port"):
        P.loaded(1, 0.02)
    with pytest.raises(InputError, match="incidence"):
        P.connected([[1], [1]])
    with pytest.raises(InputError, match="velocity"):
        delay(1e-3, 0.0, F)


def test_repr_says_what_it_is():
    text = repr(transducer_section(BUOY, 40, 1e-4, F))
    assert "5 frequencies" in text
    assert "electrical ports: 1" in text
