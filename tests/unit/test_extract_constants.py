"""Constants of a grating: units, what reaches a device model, and how errors of edges spread."""

import math
from dataclasses import replace

import numpy as np
import pytest

from sawfem.extract.constants import (
    ComConstants,
    decibels_per_wavelength,
    effective_coupling,
    nepers_per_metre,
)
from sawfem.extract.coupled import two_mode_admittance
from sawfem.extract.uncertainty import numerical_uncertainty


def test_a_neper_in_decibels() -> None:
    """1 Np = 20 lg(e) dB = 8.685889638 dB (ISO 80000-3:2006, annex of logarithmic quantities; the
    digits from memory): a wave that falls to 1/e over one wavelength."""
    assert decibels_per_wavelength(1.0 / 4e-6, 4e-6) == pytest.approx(8.685889638, rel=1e-9)
    assert nepers_per_metre(8.685889638, 4e-6) == pytest.approx(1.0 / 4e-6, rel=1e-9)
    amplitude = math.exp(-nepers_per_metre(3.0, 2e-6) * 2e-6)
    assert -20.0 * math.log10(amplitude) == pytest.approx(3.0, rel=1e-12)


def test_bars_of_what_is_made_of_edges(solved_grating) -> None:
    """Propagation of errors by differences: v = p (f1 + f2); k p, a p and K_eff^2 by what edges
    move from each other, and not by what all of them move alike.
    """
    fine = solved_grating.constants
    short, opened = fine.stopband_short, fine.stopband_open
    alike, apart = 5e3, 2e3
    coarse = replace(
        fine,
        stopband_short=(short[0] + alike - apart, short[1] + alike + apart),
        stopband_open=(opened[0] + alike + apart, opened[1] + alike + apart),
        numerical={},
    )
    bars = numerical_uncertainty(coarse, fine)
    assert bars["velocity"] == pytest.approx(fine.pitch * 2.0 * alike, rel=1e-9)

    def strength(low: float, high: float) -> float:
        return math.pi * (high - low) / (high + low)

    most = strength(short[0] - apart, short[1] + apart) - strength(*short)
    assert bars["reflection_per_electrode"].real == pytest.approx(most, rel=1e-2)

    # Edges of one wave: the lower shorted one with the upper open one or with the lower one.
    spread = sum(opened) - sum(short)
    share = math.sqrt(1.0 + 2.0 * apart / spread) - 1.0
    strong = abs(fine.transduction_per_electrode)
    assert bars["transduction_per_electrode"].real == pytest.approx(share * strong, rel=1e-2)

    resonance, quiet = short if fine.resonant_edge == "lower" else short[::-1]
    antiresonance = max(opened, key=lambda f: abs(f - quiet))
    shift = alike - apart if fine.resonant_edge == "lower" else alike + apart
    moved = effective_coupling(resonance + shift, antiresonance + alike + apart)
    found = abs(moved - fine.coupling_k2_effective)
    assert bars["coupling_k2_effective"] == pytest.approx(found, rel=1e-2)


def test_a_device_gets_capacitances_of_one_electrode(solved_grating) -> None:
    """At phase pi the electrodes are at +-1, two volts from bus-bar to bus-bar, and each carries
    the charge of two neighbours: a quarter of Y(0, pi)/(j w) is the capacitance an electrode."""
    com = solved_grating.constants.com()
    model = solved_grating.band.model
    assert com.static == pytest.approx(0.25 * float(model.capacitance()[0, 0].real), rel=1e-9)
    # What fits inside the stop band is what is measured at rest but for the pull of far modes.
    assert com.capacitance == pytest.approx(com.static, rel=0.1)
    assert com.pitch == solved_grating.constants.pitch


def test_the_slope_of_the_capacitance_ends_outside_the_band() -> None:
    """S at the centre, by differences; constant far from it, 1 +- S W, and positive throughout."""
    com = ComConstants(2e-6, 3900.0, 0.01, 0.1, 2e-10, capacitance_slope=4.0, slope_width=0.05)
    centre = com.centre_frequency
    step = 1e-6
    low, middle, high = com.scale(centre * np.array([1.0 - step, 1.0, 1.0 + step]))
    assert middle == pytest.approx(1.0, abs=1e-12)
    assert (high - low) / (2.0 * step) == pytest.approx(4.0, rel=1e-6)
    far = com.scale(centre * np.array([0.1, 0.6, 1.4, 3.0]))
    np.testing.assert_allclose(far, [0.8, 0.8, 1.2, 1.2], rtol=1e-6)


@pytest.mark.parametrize("name", ["reflection", "transduction"])
@pytest.mark.parametrize("mirror", [True, False])
def test_a_constant_is_moved_with_its_backward_wave(name: str, mirror: bool) -> None:
    """A cell with a mirror keeps k' = k and a' = a, one without losses k' = k* and a' = a*."""
    value, change = 0.02 + 0.015j, 1e-3 - 2e-3j
    back = value if mirror else value.conjugate()
    com = ComConstants(2e-6, 3900.0, 0.01 + 0j, 0.1 + 0j, 2e-10, attenuation=5e4)
    com = replace(com, **{name: value, f"{name}_back": back})
    moved = com.moved(name, change)
    forward, backward = getattr(moved, f"both_{name}s")
    assert forward == pytest.approx(value + change)
    assert backward == pytest.approx(forward if mirror else forward.conjugate())


def test_harmonic_admittance_of_a_grating_that_only_stores() -> None:
    """Without transduction Y(f, pi) is j w C between neighbours at +-1: four times that of an
    electrode between the bus-bars; a cell of two pitches between them has twice that."""
    com = ComConstants(2e-6, 3900.0, 0.01, 0.0, 2e-10, capacitance_loss=0.02)
    f = np.array([0.9, 1.0, 1.1]) * com.centre_frequency + 1e5
    one = 2j * np.pi * f * 2e-10 * (1.0 - 0.02j)
    np.testing.assert_allclose(two_mode_admittance(com, f), 4.0 * one, rtol=1e-12)
    np.testing.assert_allclose(two_mode_admittance(com, f, share=0.5), 2.0 * one, rtol=1e-12)
