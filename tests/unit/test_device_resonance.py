"""Resonance figures on a circuit whose answers are known in closed form."""

from __future__ import annotations

import numpy as np
import pytest

from sawfem.device.rational import pole_behind
from sawfem.device.resonance import find_peak, half_width, resonance_figures, slope_quality

# Butterworth - Van Dyke: C0 beside R, L, C1 in series.
F_SERIES, Q, C0, RATIO = 868.0e6, 900.0, 4.0e-12, 0.05
C1 = C0 * RATIO
L = 1 / ((2 * np.pi * F_SERIES) ** 2 * C1)
R = 2 * np.pi * F_SERIES * L / Q


def circuit(f, resistance=R):
    jw = 2j * np.pi * f
    return jw * C0 + 1 / (resistance + jw * L + 1 / (jw * C1))


def test_figures_of_the_circuit():
    figures, reasons = resonance_figures(circuit, 820e6, 930e6)
    assert not reasons
    # Re Y peaks exactly at the series resonance, where Y = 1/R + j w C0
    assert figures["resonance"].value == pytest.approx(F_SERIES, rel=1e-9)
    assert figures["peak_conductance"].value == pytest.approx(1 / R, rel=1e-9)
    # Re Ym = R/(R^2 + X^2): half height where X = +-R, that is a width f/Q exactly
    assert figures["quality_factor_resonance"].value == pytest.approx(Q, rel=1e-6)
    merit = Q * RATIO
    slope = figures["quality_factor_resonance_phase_slope"].value
    assert slope == pytest.approx(Q, rel=1.5 * (1 / merit**2 + 1 / (2 * Q * merit)))
    # poles of the impedance: f_a = f_s sqrt(1 + C1/C0) up to 1/Q^2, same L/R: Q_a = Q fa/fs
    fa = F_SERIES * np.sqrt(1 + RATIO)
    assert figures["antiresonance"].value == pytest.approx(fa, rel=2 / Q**2)
    assert figures["quality_factor_antiresonance"].value == pytest.approx(
        Q * fa / F_SERIES, rel=5e-3
    )
    # IEEE Std 176-1987 (mem): K^2 = (pi/2)(fr/fa) tan((pi/2)(fa - fr)/fa)
    ratio = F_SERIES / fa
    assert figures["coupling_k2_effective"].value == pytest.approx(
        np.pi / 2 * ratio * np.tan(np.pi / 2 * (1 - ratio)), rel=1e-4
    )


def test_both_quality_factors_of_the_circuit_are_its_own():
    # Series R, L, C1: the pole s^2 + s R/L + 1/(L C1) = 0 has |s| L/R = Q exactly, and so has the
    # half width of Re Ym. With C0 across it the pole of Z is that of C1 C0/(C1 + C0): Q fa/fs.
    figures, _ = resonance_figures(circuit, 820e6, 930e6)
    wide, ringing = (figures[f"quality_factor_resonance{tail}"] for tail in ("", "_energy"))
    assert wide.value == pytest.approx(Q, rel=1e-6)
    assert ringing.value == pytest.approx(Q, rel=1e-7)
    assert ringing.uncertainty == pytest.approx(abs(wide.value - ringing.value))
    ringing = figures["quality_factor_antiresonance_energy"]
    assert ringing.value == pytest.approx(Q * np.sqrt(1 + RATIO), rel=1e-7)
    assert figures["motional_resistance"].value == pytest.approx(R, rel=1e-7)
    assert figures["motional_inductance"].value == pytest.approx(L, rel=1e-7)
    assert figures["motional_capacitance"].value == pytest.approx(C1, rel=1e-7)


@pytest.mark.parametrize("quality", [12.0, 1e3, 1e6])
def test_energy_of_the_circuit_at_its_resonance(quality):
    # By hand: a current of amplitude I stores L I^2/4 in L and as much in C1, and R burns R I^2/2.
    resistance = 2 * np.pi * F_SERIES * L / quality

    def lossy(f):
        return circuit(f, resistance)

    width = F_SERIES / quality
    pole = pole_behind(lossy, F_SERIES, width)
    assert pole.quality == pytest.approx(quality, rel=1e-7)


def test_neighbours_show_in_the_difference_of_the_methods():
    # A second arm two widths away pulls the width of the peak, not the pole of the first.
    def pair(f):
        jw = 2j * np.pi * f
        near = 1.0 + 2.0 / Q
        return circuit(f) + 0.5 / (R + jw * L + near**2 / (jw * C1))

    figures, _ = resonance_figures(pair, 860e6, 875e6)
    ringing = figures["quality_factor_resonance_energy"]
    assert ringing.value == pytest.approx(Q, rel=1e-6)
    assert ringing.uncertainty > 0.03 * Q


def test_a_peak_as_wide_as_its_frequency_has_a_reason():
    def wide(f):
        return circuit(f, resistance=R * Q / 8.0)

    figures, reasons = resonance_figures(wide, 700e6, 1100e6)
    assert "quality_factor_resonance_energy" not in figures
    assert "too wide" in reasons["quality_factor_resonance_energy"]


def test_a_function_without_a_pole_has_none():
    assert pole_behind(lambda f: np.exp(2j * np.pi * f / 1e9), 868e6, 1e6) is None
    assert pole_behind(lambda f: np.zeros(f.shape), 868e6, 1e6) is None


def test_a_peak_sharper_than_any_sampling_is_found():
    def sharp(f):
        return circuit(f, resistance=R * 1e-5)  # Q = 9e7, width 10 Hz in a band of 110 MHz

    peak = find_peak(sharp, 820e6, 930e6)
    assert peak == pytest.approx(F_SERIES, abs=0.1)
    width = half_width(sharp, peak)
    assert width == pytest.approx(F_SERIES / (Q * 1e5), rel=1e-2)
    assert slope_quality(sharp, peak, width) == pytest.approx(Q * 1e5, rel=1e-2)


def test_missing_figures_have_reasons():
    figures, reasons = resonance_figures(circuit, 700e6, 800e6)
    assert not figures
    assert "inside the band" in reasons["resonance"]
    figures, reasons = resonance_figures(circuit, 820e6, 880e6)
    assert "resonance" in figures
    assert "antiresonance" not in figures
    assert reasons["coupling_k2_effective"]


def test_a_width_that_does_not_exist():
    assert half_width(lambda f: np.full(f.shape, 1.0 + 0j), 868e6) is None
