"""Echoes by when they arrive, and the step response, on signals made by hand."""

from __future__ import annotations

import numpy as np
import pytest

from sawfem.device import Transversal
from sawfem.device.spurious import echo_figures, step_response
from sawfem.device.transversal import transversal_response
from sawfem.extract.constants import ComConstants

F = np.linspace(800e6, 940e6, 1401)
TAU = 150e-9


def band(f, width):
    return np.exp(-(((f - 870e6) / width) ** 2))


def test_levels_are_those_that_were_put_in():
    w = 2j * np.pi * F
    s21 = band(F, 20e6) * (np.exp(-w * TAU) + 0.1 * np.exp(-3 * w * TAU) + 0.01)
    figures, reasons = echo_figures(F, s21, TAU)
    assert not reasons
    assert figures["triple_transit"].value == pytest.approx(-20.0, abs=0.1)
    assert figures["direct_feedthrough"].value == pytest.approx(-40.0, abs=0.5)


def test_bands_that_cannot_tell_are_said():
    s21 = np.exp(-2j * np.pi * F * TAU)
    assert "narrow" in echo_figures(F[:100], s21[:100], TAU)[1]["triple_transit"]
    assert "apart" in echo_figures(F[::100], s21[::100], TAU)[1]["triple_transit"]


def test_triple_transit_of_a_matched_pair_is_12_decibel():
    # Smith, IEEE Trans. (1969): conjugately matched bidirectional transducers: 6 dB each way, and
    # an echo 12 dB below the direct signal (from memory).
    constants = ComConstants(2e-6, 3900.0, 0.0, 0.02, 2.4e-10)
    device = Transversal((40, 40), 2e-3, 800e-6)
    f = np.linspace(0.965, 1.035, 2001) * constants.centre_frequency
    y = transversal_response(device, constants, constants, f).y
    matched = 1.0 / y[:, [0, 1], [0, 1]].conj()
    response = transversal_response(device, constants, constants, f, terminations=matched)
    level = response.figures["triple_transit"].value
    assert level == pytest.approx(-12.0, abs=1.0)


def test_step_settles_at_the_transfer_function():
    s21 = band(F, 15e6) * np.exp(-2j * np.pi * F * TAU)
    times = np.array([-50e-9, 20e-9, TAU, 600e-9])
    y = step_response(F, s21, 872e6, times)
    final = band(872e6, 15e6) * np.exp(-2j * np.pi * 872e6 * TAU)
    assert abs(y[0]) < 1e-6
    assert abs(y[3] - final) < 1e-3
    assert abs(y[2]) == pytest.approx(0.5 * abs(final), rel=0.1)  # half-way at the delay


def test_a_long_signal_is_not_taken_for_feedthrough():
    s21 = np.exp(-2j * np.pi * F * TAU)
    figures, reasons = echo_figures(F, s21, TAU, extent=140e-9)
    assert "direct_feedthrough" not in figures
    assert "too long" in reasons["direct_feedthrough"]
    assert figures["triple_transit"].value < -60.0
