"""Responses: physical placing of the electrodes, figures, checks, networks, Touchstone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq

from sawfem.device import Resonator, Transversal, device_response, transversal_response
from sawfem.device.pmatrix import cascade, delay
from sawfem.device.response import Response, make_checks
from sawfem.device.section import transducer_section
from sawfem.errors import InputError
from sawfem.extract.constants import ComConstants
from sawfem.quantities import entry

# Invented: a harbour buoy's telemetry at 868 MHz.
BUOY = ComConstants(2.228e-6, 3875.7, 0.0061, 0.12, 245e-12, attenuation=20.0)
BARE = replace(BUOY, reflection=0.0, transduction=1.0e-4, attenuation=0.0)
F0 = BUOY.centre_frequency
BAND = np.linspace(0.96 * F0, 1.05 * F0, 301)
RESONATOR = Resonator(
    fingers=121,
    reflector_fingers=(200, 250),
    aperture=178e-6,
    gap=2.228e-6,
    sheet_resistance=0.34,
    electrode_width=1.114e-6,
    attenuation=10.0,
)
FILTER = Transversal(
    fingers=(60, 40),
    aperture=178e-6,
    gap=300e-6,
    polarity=("++--", "+-"),
    terminations=(50.0, 120.0 - 30.0j),
    gap_velocity=3979.0,
)


def test_figures_and_checks_of_a_resonator():
    response = device_response(RESONATOR, BUOY, BAND)
    assert response.y.shape == response.s.shape == (301, 1, 1)
    assert all(check.ok for check in response.checks.values()), response.checks
    figures = response.figures
    assert figures["resonance"].value < figures["antiresonance"].value
    assert figures["static_capacitance"].value == pytest.approx(121 * 245e-12 * 178e-6)
    # 60 fingers on one bus-bar, 61 on the other
    one_finger = 0.34 * 178e-6 / (3 * 1.114e-6)
    assert figures["series_resistance"].value == pytest.approx(one_finger * (1 / 60 + 1 / 61))
    text = repr(response)
    assert "1 port" in text
    assert "resonance" in text


def test_figures_do_not_depend_on_the_listed_frequencies():
    fine = device_response(RESONATOR, BUOY, BAND).figures
    coarse = device_response(RESONATOR, BUOY, [BAND[0], BAND[-1]]).figures
    for name, figure in fine.items():
        assert coarse[name].value == pytest.approx(figure.value, rel=1e-9), name


def test_losses_lower_the_quality():
    band = [BAND[0], BAND[-1]]
    lossy = device_response(RESONATOR, BUOY, band).figures
    for change in ({"attenuation": 0.0}, {"sheet_resistance": 0.0}):
        better = device_response(replace(RESONATOR, **change), BUOY, band).figures
        key = "quality_factor_resonance"
        assert better[key].value > 1.01 * lossy[key].value


def test_reflectors_of_their_own_pitch_move_the_response():
    own = replace(BUOY, pitch=BUOY.pitch * 1.01)
    both = {"transducer": BUOY, "reflector": own}
    shifted = device_response(RESONATOR, both, BAND)
    assert all(check.ok for check in shifted.checks.values())
    plain = device_response(RESONATOR, BUOY, BAND)
    assert np.abs(shifted.y - plain.y).max() > 0.1 * np.abs(plain.y).max()


@pytest.mark.parametrize("polarity", ["+-", "++--"])
def test_delay_is_the_distance_between_electrode_centres(polarity):
    # Weak transducers without reflection: the phase of Y21 is that of the way from the middle of
    # one array of electrodes to the middle of the other, part of it at the gap's velocity.
    per_cell = 1 if polarity == "+-" else 2
    pitch = BARE.pitch / per_cell
    counts = (12 * per_cell, 8 * per_cell)
    device = Transversal(counts, 1e-4, 500e-6, (polarity, polarity), gap_velocity=3979.0)
    f = F0 * np.linspace(0.995, 1.005, 41)
    response = device_response(device, BARE, f)
    inside = (counts[0] + counts[1]) / 2 * pitch
    across = 500e-6 - pitch
    expected = inside / BARE.velocity + across / 3979.0
    assert response.figures["delay"].value == pytest.approx(expected, rel=1e-12)
    measured = -np.polyfit(2 * np.pi * f, np.unwrap(np.angle(response.y[:, 1, 0])), 1)[0]
    assert measured == pytest.approx(expected, rel=1e-6)


def test_gap_without_a_velocity_continues_the_grating():
    # A gap of one pitch at the grating's velocity: one undriven cell left out between the two.
    device = Transversal((20, 20), 1e-4, 3 * BARE.pitch)
    f = F0 * np.linspace(0.95, 1.05, 11)
    response = device_response(device, BARE, f)
    blank = replace(BARE, transduction=0.0)
    track = cascade(
        [
            transducer_section(BARE, 20, 1e-4, f),
            transducer_section(blank, 2, 1e-4, f).connected(np.zeros((1, 0))),
            transducer_section(BARE, 20, 1e-4, f),
        ]
    )
    np.testing.assert_allclose(response.y, track.admittance, rtol=1e-9)


def test_passband_figures_of_a_filter():
    device = replace(FILTER, polarity=("+-", "+-"), terminations=(50.0, 50.0))
    response = device_response(device, BARE, np.linspace(0.93 * F0, 1.07 * F0, 2001))
    figures = response.figures
    assert figures["insertion_loss"].value == pytest.approx(response.insertion_loss.min())
    assert figures["centre_frequency"].value == pytest.approx(F0, rel=2e-3)
    # 30 and 20 pairs: |sinc 30x sinc 20x| = 1/sqrt 2 at x = +-0.01233 (solved numerically)
    edge = brentq(lambda x: np.sinc(30 * x) * np.sinc(20 * x) - 10**-0.15, 1e-4, 1 / 30)
    assert figures["bandwidth"].value == pytest.approx(2 * edge * F0, rel=5e-3)
    cut = device_response(device, BARE, np.linspace(F0, 1.01 * F0, 11))
    assert "3 dB" in cut.reasons["bandwidth"]


def test_static_capacitances_of_a_filter_are_those_of_its_admittance():
    """What hardly couples stores alone: Im Y/w of each port, 30 cells of two and 40 electrodes."""
    plain = replace(FILTER, terminations=(50.0, 50.0))
    response = device_response(plain, replace(BARE, transduction=1e-6), BAND)
    omega = 2.0 * np.pi * response.frequency
    for port, name, cells in ((0, "input", 30), (1, "output", 40)):
        found = float(response.figures[f"static_capacitance_{name}"])
        np.testing.assert_allclose(response.y[:, port, port].imag / omega, found, rtol=1e-6)
        assert found == pytest.approx(cells * BARE.capacitance * FILTER.aperture, rel=1e-12)


def test_insertion_loss_needs_two_ports():
    response = device_response(RESONATOR, BUOY, BAND)
    with pytest.raises(InputError, match="two ports"):
        _ = response.insertion_loss
    assert response.group_delay.shape == BAND.shape


def test_terminations_may_follow_the_frequency():
    z = np.column_stack([50.0 + 1j * np.linspace(0, 40, BAND.size), np.full(BAND.size, 75.0)])
    varying = transversal_response(FILTER, BUOY, BUOY, BAND, terminations=z)
    fixed = transversal_response(FILTER, BUOY, BUOY, BAND, terminations=z[150])
    np.testing.assert_array_equal(varying.y, fixed.y)
    np.testing.assert_allclose(varying.s[150], fixed.s[150], rtol=1e-12)
    assert np.abs(varying.s[0] - fixed.s[0]).max() > 1e-6


def test_checks_fail_on_an_active_or_unreciprocal_answer():
    response = device_response(FILTER, BUOY, BAND)
    assert all(check.ok for check in response.checks.values()), response.checks
    lossless = delay(1e-3, 3000.0, BAND)
    y = response.y.copy()
    y[:, 1, 0] *= 1.0001
    assert not make_checks(y, response.s, lossless)["reciprocity"].ok
    assert not make_checks(response.y, 1.2 * np.ones((301, 1, 1)), lossless)["passivity"].ok
    lossy = delay(1e-3, 3000.0, BAND, attenuation=1.0)
    assert not make_checks(response.y, response.s, lossy)["power_balance"].ok


@pytest.mark.parametrize("device", [RESONATOR, replace(FILTER, terminations=(50.0, 50.0))])
def test_touchstone_comes_back_identical(device, tmp_path):
    import skrf

    response = device_response(device, BUOY, BAND)
    response.network().write_touchstone("buoy", dir=str(tmp_path))
    back = skrf.Network(str(tmp_path / f"buoy.s{response.ports}p"))
    np.testing.assert_array_equal(back.s, response.s)
    np.testing.assert_array_equal(back.f, response.frequency)
    np.testing.assert_array_equal(back.z0, response.reference)


def test_touchstone_of_complex_terminations_is_referred_to_one_resistance(tmp_path):
    import skrf

    response = device_response(FILTER, BUOY, BAND)
    response.network(75.0).write_touchstone("buoy", dir=str(tmp_path))
    back = skrf.Network(str(tmp_path / "buoy.s2p"))
    np.testing.assert_allclose(back.z0, 75.0)
    np.testing.assert_allclose(back.y, response.y, rtol=1e-8)


def test_response_is_frozen():
    response = device_response(RESONATOR, BUOY, BAND)
    assert isinstance(response, Response)
    with pytest.raises(AttributeError):
        response.y = response.s


def test_every_figure_stands_in_the_table_of_quantities():
    for device in (RESONATOR, FILTER):
        response = device_response(device, BUOY, BAND)
        for name, figure in response.figures.items():
            assert figure.unit == entry(name).unit
        assert all(entry(name) for name in response.reasons)
