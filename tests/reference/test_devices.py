"""Devices against published closed forms. Each test names its publication and mark.

Marks: "mem" from memory, digits unconfirmed; "exact" a property of the named function.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq, minimize_scalar

from sawfem.device import Resonator, Transversal, device_response, transversal_response
from sawfem.device.pmatrix import cascade, delay
from sawfem.device.section import grating_section, transducer_section
from sawfem.extract.constants import ComConstants

PITCH, VELOCITY, APERTURE = 2.0e-6, 3488.0, 150e-6
CAPACITANCE = 210e-12  # per electrode and metre
A_P = 0.1  # a p in sqrt(S/m), near a strong crystal's
F0 = VELOCITY / (2 * PITCH)
QUIET = ComConstants(PITCH, VELOCITY, 0.0, A_P * np.exp(0.3j), CAPACITANCE)
DIRECTIONAL = ComConstants(PITCH, VELOCITY, 0.021 * np.exp(0.9j), A_P * np.exp(-0.2j), CAPACITANCE)


def conductance(f, pairs):
    """Acoustic conductance with the factor f/f0 of the transduction taken out."""
    P = transducer_section(QUIET, 2 * pairs, APERTURE, f)
    return P.admittance[:, 0, 0].real / (np.atleast_1d(f) / F0)


@pytest.mark.parametrize("pairs", [5, 20, 90])
def test_uniform_transducer_is_a_sinc(pairs):
    # Tancrell & Holland, Proc. IEEE 59, 393 (1971): nulls f0 (1 +- 1/N); -13.26 dB; 0.886 f0/N.
    peak = conductance(F0, pairs)[0]
    # G = 8 |a p|^2 N^2 W (Morgan 2007, ch. 5 and 8, in this normalisation; mem, rederived)
    assert peak == pytest.approx(8 * A_P**2 * pairs**2 * APERTURE, rel=1e-12)
    nulls = F0 * (1 + np.array([-2, -1, 1, 2]) / pairs)
    assert np.all(np.abs(conductance(nulls, pairs)) < 1e-12 * peak)
    lobe = minimize_scalar(
        lambda f: -conductance(f, pairs)[0],
        bounds=(F0 * (1 + 1 / pairs), F0 * (1 + 2 / pairs)),
        method="bounded",
    )
    assert 10 * np.log10(-lobe.fun / peak) == pytest.approx(-13.26, abs=0.005)
    edge = brentq(lambda f: conductance(f, pairs)[0] - peak / 2, F0, F0 * (1 + 1 / pairs))
    assert 2 * (edge - F0) == pytest.approx(0.886 * F0 / pairs, rel=1e-3)


def test_admittance_of_smith_et_al():
    # Smith, Gerard, Collins, Reeder, Shaw, IEEE Trans. MTT-17, 856 (1969), mem:
    # Ga = Ga0 sinc^2 X, Ba = Ga0 (sin 2X - 2X)/(2 X^2), X = pi N (f - f0)/f0.
    pairs = 25
    f = F0 * (1 + np.linspace(-0.153, 0.161, 201))
    X = np.pi * pairs * (f - F0) / F0
    P = transducer_section(QUIET, 2 * pairs, APERTURE, f)
    acoustic = P.admittance[:, 0, 0] - 2j * np.pi * f * 2 * pairs * CAPACITANCE * APERTURE
    Ga0 = 8 * A_P**2 * pairs**2 * APERTURE * f / F0
    expected = Ga0 * ((np.sin(X) / X) ** 2 + 1j * (np.sin(2 * X) - 2 * X) / (2 * X**2))
    np.testing.assert_allclose(acoustic, expected, rtol=1e-10, atol=1e-11 * Ga0.max())


def test_peak_conductance_of_massless_electrodes():
    # Morgan 2007 (mem): G = 2.871 w0 eps_inf W N^2 dv/v for single electrodes, ratio 0.5.
    # Edges of Datta & Hunsinger, J. Appl. Phys. 51, 4817 (1980), mem, (1 - f/f0)/(dv/v): open
    # 0.0431 and 0.5003 (common), shorted 0.9570; capacitance per pair eps_inf (Engan 1969).
    # The edges give |a|^2 through d1 + d2 = 4 |a|^2/(w C).
    eps_inf, dv_over_v, pairs = 400e-12, 1.0e-4, 12
    centre = (0.5003 + 0.9570) / 2
    d_sum = np.pi / PITCH * dv_over_v * ((centre - 0.0431) + (centre - 0.5003))
    capacitance = eps_inf / 2
    a_squared = d_sum * 2 * np.pi * F0 * capacitance / PITCH / 4
    constants = ComConstants(PITCH, VELOCITY, 0.0, PITCH * np.sqrt(a_squared), capacitance)
    G = transducer_section(constants, 2 * pairs, APERTURE, [F0]).admittance[0, 0, 0].real
    expected = 2.871 * 2 * np.pi * F0 * eps_inf * APERTURE * pairs**2 * dv_over_v
    assert pytest.approx(expected, rel=5e-4) == G


def test_two_transducers_have_twice_the_side_lobe():
    # sinc for each of two equal transducers: -26.5 dB (Tancrell & Holland 1971; exact).
    pairs = 20
    weak = ComConstants(PITCH, VELOCITY, 0.0, 1e-6, CAPACITANCE)
    device = Transversal((2 * pairs, 2 * pairs), APERTURE, 1e-4, terminations=(1e-3, 1e-3))
    f = F0 * np.linspace(1 + 1 / pairs, 1 + 2 / pairs, 2001)
    lobe = np.abs(device_response(device, weak, f).y[:, 1, 0]) / (f / F0)
    peak = np.abs(device_response(device, weak, [F0]).y[0, 1, 0])
    assert 20 * np.log10(lobe.max() / peak) == pytest.approx(-26.52, abs=0.01)


@pytest.mark.parametrize("electrodes", [10, 100, 1000])
@pytest.mark.parametrize("r", [0.002, 0.03])
def test_reflectivity_of_a_grating(electrodes, r):
    # Morgan 2007, ch. 8; Chen & Haus, IEEE Trans. SU-32, 395 (1985), mem: peak tanh(N |r|) and
    # stop band f0 (1 +- |r|/pi), where x = N |r| gives |P11| = x/sqrt(1 + x^2);
    # first nulls where (d^2 - |k|^2) L^2 = pi^2.
    constants = ComConstants(PITCH, VELOCITY, r * np.exp(0.9j), 0.0, CAPACITANCE)
    x = electrodes * r
    null = np.sqrt(r**2 + (np.pi / electrodes) ** 2) / np.pi
    f = F0 * (1 + np.array([0.0, -r / np.pi, r / np.pi, null, -null]))
    measured = np.abs(grating_section(constants, electrodes, f).reflection)
    edge = x / np.hypot(1, x)
    assert measured[:3] == pytest.approx([np.tanh(x), edge, edge], rel=1e-9)
    assert np.all(measured[3:] < 1e-9)


@pytest.mark.parametrize("electrodes", [1, 2, 20])
def test_infinite_grating(electrodes):
    # Y/L = j w C - 4 j [d |a|^2 + Re(k a*^2)]/(d^2 - |k|^2): Plessky & Koskela, Int. J. High Speed
    # Electron. Syst. 10, 867 (2000), mem. Here a cell closed on itself: what leaves on the right
    # enters on the left, times (-1)^N since the polarity of the next cell is (-1)^N.
    f = F0 * np.array([0.9, 0.97, 0.9935, 1.0, 1.0035, 1.02, 1.1])
    section = transducer_section(DIRECTIONAL, electrodes, APERTURE, f)
    swap = (-1) ** electrodes * np.array([[0, 1], [1, 0]])  # a1 = +-b2, a2 = +-b1
    P = section.matrix
    b = np.linalg.solve(np.eye(2) - P[:, :2, :2] @ swap, P[:, :2, 2:])
    measured = (P[:, 2:, 2:] + P[:, 2:, :2] @ swap @ b)[:, 0, 0]
    w = 2 * np.pi * f
    d = w / VELOCITY - np.pi / PITCH
    k = DIRECTIONAL.reflection / PITCH
    a = DIRECTIONAL.transduction / PITCH * np.sqrt(f / F0 * APERTURE)
    C = CAPACITANCE / PITCH * APERTURE
    per_length = 1j * w * C - 4j * (d * abs(a) ** 2 + (k * np.conj(a) ** 2).real) / (
        d**2 - abs(k) ** 2
    )
    np.testing.assert_allclose(measured, per_length * electrodes * PITCH, rtol=1e-8)


def test_open_strips_stop_between_the_zeros_of_the_grating():
    # Open-circuit edges: d1 + d2 = 4 |a|^2/(w C), d1 d2 = -|k|^2 - 4 Re(k a*^2)/(w C), the zeros of
    # the infinite grating's admittance (Plessky & Koskela 2000, mem).
    k = DIRECTIONAL.reflection / PITCH
    a = DIRECTIONAL.transduction / PITCH
    wC = 2 * np.pi * F0 * CAPACITANCE / PITCH
    sum_, product = 4 * abs(a) ** 2 / wC, -(abs(k) ** 2) - 4 * (k * np.conj(a) ** 2).real / wC
    edges = np.roots([1, -sum_, product]).real
    f = (edges + np.pi / PITCH) * VELOCITY / (2 * np.pi)
    electrodes = 700
    measured = np.abs(grating_section(DIRECTIONAL, electrodes, f, connection="open").reflection)
    # at an edge |P11| = x/sqrt(1 + x^2), x = |k_open| L with |k_open| half the distance of edges
    x = abs(edges[0] - edges[1]) / 2 * electrodes * PITCH
    assert x > 10
    assert measured == pytest.approx(x / np.hypot(1, x), rel=1e-9)
    middle = grating_section(DIRECTIONAL, electrodes, [f.mean()], connection="open")
    assert abs(middle.reflection[0]) == pytest.approx(np.tanh(x), rel=1e-12)


def conjugate_match(section):
    return np.conj(1 / section.admittance[:, 0, 0])


def test_matched_bidirectional_transducer_halves_its_waves():
    # Morgan 2007; Campbell, Surface Acoustic Wave Devices, 1998, mem: conjugate-matched at the
    # port, a quarter of a wave's power is reflected, a quarter passes, half goes to the load.
    P = transducer_section(QUIET, 40, APERTURE, [F0])
    loaded = P.loaded(0, 1 / conjugate_match(P))
    assert abs(loaded.reflection[0]) == pytest.approx(0.5, rel=1e-12)
    assert abs(loaded.transmission[0]) == pytest.approx(0.5, rel=1e-12)


def test_least_loss_and_triple_transit():
    # Two bidirectional transducers: 6 dB least loss; triple transit 12 dB below the main signal
    # when matched (Morgan 2007; Campbell 1998, mem). Terminations follow the conjugate of each
    # transducer's own admittance; echoes are told apart by their delay over one period of the
    # round trip, S21 = sum_m t (r^2)^m exp(-(2m + 1) j w tau).
    way = 4000 * PITCH
    device = Transversal((4, 4), APERTURE, way)
    count = 64
    round_trip = 2 * (way + 3 * PITCH) / VELOCITY
    f = F0 + (np.arange(count) - count / 2) / (count * round_trip)
    own = conjugate_match(transducer_section(QUIET, 4, APERTURE, f))
    z = np.column_stack([own, own])
    response = transversal_response(device, QUIET, QUIET, f, terminations=z)
    main_path = np.exp(1j * np.pi * f * round_trip)
    echoes = np.abs(np.fft.ifft(response.s[:, 1, 0] * main_path))
    echoes = np.sort(echoes)[::-1]
    assert -20 * np.log10(echoes[0]) == pytest.approx(6.02, abs=0.01)
    assert 20 * np.log10(echoes[1] / echoes[0]) == pytest.approx(-12.04, abs=0.05)
    # and it shows as ripple: (1 + 1/4)/(1 - 1/4) from best to worst
    ripple = np.abs(response.s[:, 1, 0])
    assert ripple.max() / ripple.min() == pytest.approx(5 / 3, rel=0.01)


def test_triple_transit_falls_with_mismatch():
    # A mismatched load raises the loss and lowers the echo (same sources).
    P = transducer_section(QUIET, 40, APERTURE, [F0])
    matched = P.loaded(0, 1 / conjugate_match(P))
    short = P.loaded(0, 1e3)
    assert abs(short.reflection[0]) < 1e-3 < abs(matched.reflection[0])


def test_foster():
    # Foster, Bell Syst. Tech. J. 3, 259 (1924): without losses dB/df > 0 and dB/df > |B|/f.
    constants = ComConstants(PITCH, VELOCITY, 0.02, A_P, CAPACITANCE)
    device = Resonator(61, (3000, 3000), APERTURE, 1.2 * PITCH)
    half_band = 0.02 / np.pi
    f = F0 * np.linspace(1 - 0.95 * half_band, 1 + 0.95 * half_band, 4001)
    y = device_response(device, constants, f).y[:, 0, 0]
    assert np.abs(y.real).max() < 1e-6 * np.abs(y.imag).max()
    slope = np.diff(y.imag) / np.diff(f)
    pole = (y.imag[1:] < 0) & (y.imag[:-1] > 0)
    assert pole.sum() >= 1
    least = np.minimum(np.abs(y.imag[1:]), np.abs(y.imag[:-1])) / f[1:]
    assert np.all(slope[~pole] > least[~pole] * (1 - 1e-3))


def test_susceptance_is_the_transform_of_the_conductance():
    # Kramers - Kronig (causality, exp(+j w t)): B(f) - w C = (1/pi) P int G(f')/(f' - f) df' for a
    # transducer that reflects and directs; the factor f/f0 of |a|^2 is taken out, since without
    # it the section depends on f - f0 alone. Maclaurin's rule: every second sample, the singular
    # one left out. What lies outside the range of integration is worth 1e-5 of the peak.
    electrodes = 40
    f = F0 * np.linspace(0.2, 1.8, 16001)
    P = transducer_section(DIRECTIONAL, electrodes, APERTURE, f)
    static = 2 * np.pi * f * electrodes * CAPACITANCE * APERTURE
    G = P.admittance[:, 0, 0].real / (f / F0)
    B = (P.admittance[:, 0, 0].imag - static) / (f / F0)
    middle = np.arange(7000, 9001, 50)
    step = f[1] - f[0]
    others = [np.arange((i + 1) % 2, f.size, 2) for i in middle]
    transform = [
        2 * step / np.pi * np.sum(G[n] / (f[n] - f[i])) for i, n in zip(middle, others, strict=True)
    ]
    np.testing.assert_allclose(transform, B[middle], atol=2e-5 * np.abs(B[middle]).max())


def test_open_track_has_no_hidden_reflection():
    # A grating and its continuation at the same velocity: only the grating reflects.
    f = F0 * np.linspace(0.98, 1.02, 21)
    grating = grating_section(DIRECTIONAL, 80, f)
    longer = cascade([grating, delay(1e-3, VELOCITY, f)])
    np.testing.assert_array_equal(grating.reflection, longer.reflection)
