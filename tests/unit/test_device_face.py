"""Devices as they are written in Python: text with units becomes the same device as SI numbers."""

import math

import numpy as np
import pytest

from sawfem.device import Device, Resonator, Transversal, device_response
from sawfem.errors import GeometryError, InputError, NotFoundError, UnitError
from sawfem.extract import ComConstants, GratingConstants

#: In the range of 128 deg Y-X lithium niobate at 868 MHz; invented.
COM = ComConstants(
    pitch=2.2e-6,
    velocity=3880.0,
    reflection=-0.006 + 0j,
    transduction=0.17 + 0j,
    capacitance=2.4e-10,
)
GRATING = GratingConstants(
    pitch=2.2e-6,
    metallisation_ratio=0.5,
    velocity=3880.0,
    stopband_short=(880e6, 883e6),
    stopband_open=(883e6, None),
    reflection_per_electrode=-0.006 + 0j,
    transduction_per_electrode=0.17 + 0j,
    coupling_k2=0.054,
    coupling_k2_effective=0.067,
    capacitance_per_pair=4.9e-10,
    capacitance_fitted_per_pair=4.8e-10,
    attenuation=0.0,
    attenuation_open=None,
    resonant_edge="lower",
    bulk_onset=None,
    fit_band=None,
    fit_misfit=None,
    numerical={
        "velocity": 0.04,
        "stopband_short": (9e3, 8e3),
        "reflection_per_electrode": 2e-5 + 1e-5j,
    },
)
BAND = ("840 MHz", "920 MHz", 41)


def test_a_resonator_by_text_and_by_numbers() -> None:
    text = Device.resonator(
        fingers=61,
        reflector_fingers=100,
        aperture="178 um",
        load="75 ohm",
        sheet_resistance="0.3 ohm",
        electrode_width="1.1 um",
        propagation_loss="1 dB/us",
    )
    # 1 dB/us is 1e6 dB/s: alpha = loss ln(10) / (20 v)
    numbers = Resonator(
        fingers=61,
        reflector_fingers=(100, 100),
        aperture=178e-6,
        gap=2.2e-6,
        load=75.0,
        sheet_resistance=0.3,
        electrode_width=1.1e-6,
        attenuation=1e6 * math.log(10.0) / (20.0 * 3880.0),
    )
    a = device_response(text, COM, BAND)
    b = device_response(numbers, COM, np.linspace(840e6, 920e6, 41))
    assert np.array_equal(a.frequency, b.frequency)
    assert np.allclose(a.s, b.s, rtol=0.0, atol=1e-12)


def test_a_transversal_filter_by_text_and_by_numbers() -> None:
    text = Device.transversal(
        fingers=(40, 32), aperture="0.2 mm", gap="50 um", transducer="double", load=100 + 5j
    )
    assert text.double_electrodes
    numbers = Transversal(
        fingers=(40, 32),
        aperture=0.2e-3,
        gap=50e-6,
        polarity=("++--", "++--"),
        terminations=(50.0, 100 + 5j),
    )
    a, b = (device_response(device, COM, BAND) for device in (text, numbers))
    assert np.allclose(a.s, b.s, rtol=0.0, atol=1e-12)


def test_constants_of_a_grating_serve_as_they_are() -> None:
    device = Device.resonator(fingers=61, reflector_fingers=(90, 100), aperture="178 um")
    a, b = (device_response(device, constants, BAND) for constants in (GRATING, GRATING.com()))
    assert np.array_equal(a.y, b.y)


def test_double_electrodes_want_their_own_constants() -> None:
    device = Device.transversal(
        fingers=(40, 32), aperture="0.2 mm", gap="50 um", transducer="double"
    )
    for described in (device, device.on(COM)):
        with pytest.raises(InputError, match="double_electrode_constants"):
            device_response(described, GRATING, BAND)


def test_what_cannot_be_used_is_refused() -> None:
    with pytest.raises(UnitError, match="aperture: found unit"):
        Device.resonator(fingers=61, reflector_fingers=100, aperture="178 MHz")
    with pytest.raises(InputError, match="transducer: found 'triple'"):
        Device.transversal(fingers=(4, 4), aperture=1e-4, gap=1e-4, transducer="triple")
    with pytest.raises(GeometryError, match="fingers: found 1"):
        Device.resonator(fingers=1, reflector_fingers=100, aperture=1e-4).on(COM)
    good = Device.resonator(fingers=61, reflector_fingers=100, aperture=1e-4)
    for band in (("920 MHz", "840 MHz", 41), ("840 MHz", "920 MHz", 1), (840e6, 920e6, True)):
        with pytest.raises(InputError, match="frequency: found"):
            device_response(good, COM, band)
    with pytest.raises(InputError, match="expected transducer, reflector"):
        device_response(good, {"input": COM, "output": COM}, BAND)
    with pytest.raises(TypeError):
        Device.resonator(fingers=61, reflector_fingers=100, aperture=1e-4, finger=3)  # type: ignore[call-arg]


def test_a_device_prints_what_it_is() -> None:
    device = Device.resonator(fingers=61, reflector_fingers=100, aperture="178 um")
    assert repr(device) == "Device(resonator, fingers 61, aperture 0.000178 m)"


def test_constants_as_quantities() -> None:
    assert str(GRATING.quantity("velocity")) == "3880.00 ± 0.04 m/s"
    assert str(GRATING.quantity("stopband_short", 1)) == "883.000 ± 0.008 MHz"
    assert GRATING.quantity("reflection_per_electrode").uncertainty == 2e-5
    assert str(GRATING.quantity("stopband_open", 1)) == "not known"
    assert not GRATING.quantity("bulk_onset").known
    with pytest.raises(NotFoundError, match="velocity"):
        GRATING.quantity("velocty")
