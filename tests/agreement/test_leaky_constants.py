"""The equations of coupled modes against the exact harmonic admittance of a leaky cut."""

from __future__ import annotations

import numpy as np
import pytest

from sawfem.design import Stack, UnitCell
from sawfem.device import Resonator, device_response
from sawfem.device.resonance import resonance_figures
from sawfem.extract import GratingSolution, solve_grating
from sawfem.extract.coupled import two_mode_admittance
from sawfem.extract.edges import FIT_ERROR, sampled_admittance

PITCH = 2.0e-6


@pytest.fixture(scope="module")
def tantalate() -> GratingSolution:
    """42 deg rotated Y-X tantalate, aluminium of 8 % of the wavelength."""
    stack = Stack("lithium-tantalate/smith-welsh-1971", cut="(YXl)42")
    cell = UnitCell.grating(
        stack, "aluminium/kaye-laby", pitch=PITCH, thickness=0.16 * 2 * PITCH / 2
    )
    return solve_grating(cell, accuracy=1e-4)


def test_pole_and_zero_are_as_wide_as_the_exact_ones(tantalate):
    """Frequencies and -3 dB widths of conductance and resistance to 1e-4: both losses are in."""
    com = tantalate.constants.com()
    low, high = (edge for edge in tantalate.picture.band)
    of_modes, _ = resonance_figures(lambda f: two_mode_admittance(com, f), low, 1.045e9)
    exact, _ = resonance_figures(
        lambda f: sampled_admittance(tantalate.band.model, f), low, 1.045e9
    )
    assert high > 1.045e9
    for name in ("resonance", "antiresonance"):
        assert of_modes[name].value == pytest.approx(exact[name].value, rel=1e-8)
        key = f"quality_factor_{name}"
        assert of_modes[key].value == pytest.approx(exact[key].value, rel=1e-4)
    # Heights hold what C and a are there: to the misfit of the picture.
    for name in ("peak_conductance", "peak_resistance"):
        assert of_modes[name].value == pytest.approx(exact[name].value, rel=FIT_ERROR)
    # 1/Q = 2 Im f / Re f of the complex edges, where no other loss is near.
    edge = tantalate.band.antiresonance.frequency
    quality = 0.5 * edge.real / edge.imag
    assert of_modes["quality_factor_antiresonance"].value == pytest.approx(quality, rel=1e-3)


def test_picture_is_passive_and_says_where_it_holds(tantalate):
    """One channel radiates in this cell, so that Q is nearly of rank one: Im a is as large as
    passivity allows, and the fitted loss of C meets the one that the edges demand."""
    constants, picture = tantalate.constants, tantalate.picture
    assert picture.com.least_loss() > -1e-12
    assert picture.overstep < 0.05 * picture.com.capacitance_loss
    low, high = constants.fit_range
    assert low < 0.99 * constants.stopband_short[0]
    assert constants.stopband_open[0] < high < constants.next_bulk_onset
    f = np.linspace(low, high, 301)
    edges = [edge.frequency.real for edge in (*tantalate.band.shorted, *tantalate.band.open)]
    f = f[np.min(np.abs(f[:, None] - edges), axis=1) > 0.02 * np.ptp(picture.band)]
    exact = sampled_admittance(tantalate.band.model, f)
    off = np.abs(two_mode_admittance(constants.com(), f) / exact - 1.0)
    assert off.max() < 1.1 * FIT_ERROR
    assert constants.fit_misfit < 0.02


def test_long_resonator_has_the_quality_of_the_grating(tantalate):
    """The more electrodes, the nearer the antiresonance comes to that of the endless grating."""
    edge = tantalate.band.antiresonance.frequency
    quality = 0.5 * edge.real / edge.imag
    f = np.linspace(0.975e9, 1.04e9, 401)
    found = []
    for fingers in (201, 801):
        device = Resonator(fingers, (80, 80), 80e-6, PITCH)
        response = device_response(device, tantalate.constants, f)
        assert all(check.ok for check in response.checks.values())
        found.append(response.figures["quality_factor_antiresonance"].value)
    assert found[0] < found[1] < quality
    assert found[1] == pytest.approx(quality, rel=0.08)
