"""Devices that cannot exist are refused, with the key at fault."""

from __future__ import annotations

import numpy as np
import pytest

from sawfem.device import Resonator, Transversal, device_response
from sawfem.errors import GeometryError, InputError, SawfemError
from sawfem.extract.constants import ComConstants

BUOY = ComConstants(2.2e-6, 3870.0, 0.006, 0.1, 250e-12)
BAND = np.linspace(0.98, 1.02, 21) * BUOY.centre_frequency
RESONATOR = {"fingers": 61, "reflector_fingers": (80, 90), "aperture": 1e-4, "gap": 2.2e-6}
FILTER = {"fingers": (60, 40), "aperture": 1e-4, "gap": 1e-4}


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("fingers", 1),
        ("fingers", 61.0),
        ("fingers", True),
        ("reflector_fingers", (80, -1)),
        ("reflector_fingers", 80),
        ("aperture", 0.0),
        ("aperture", np.nan),
        ("aperture", True),
        ("gap", -1e-6),
        ("gap", "1 um"),
        ("reflector_connection", "grounded"),
        ("load", -50.0),
        ("load", 50j),
        ("sheet_resistance", -0.1),
        ("attenuation", -1.0),
        ("gap_velocity", 0.0),
        ("electrode_width", 0.0),
    ],
)
def test_resonator_refuses(key, value):
    with pytest.raises(InputError, match=key) as caught:
        Resonator(**(RESONATOR | {key: value}))
    assert caught.value.key == key
    assert caught.value.expected


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("fingers", (60, 1)),
        ("fingers", 60),
        ("polarity", ("+-", "+--")),
        ("aperture", -1e-4),
        ("gap", 0.0),
        ("terminations", (50.0, 0.0)),
        ("terminations", 50.0),
        ("sheet_resistance", np.inf),
        ("electrode_width", (1e-6, -1e-6)),
        ("gap_velocity", np.nan),
        ("attenuation", -1.0),
    ],
)
def test_transversal_refuses(key, value):
    with pytest.raises(InputError, match=key) as caught:
        Transversal(**(FILTER | {key: value}))
    assert caught.value.key == key


def test_double_electrodes_come_in_twos():
    with pytest.raises(GeometryError, match="even"):
        Transversal(**(FILTER | {"fingers": (61, 40), "polarity": ("++--", "+-")}))
    with pytest.raises(GeometryError, match="4 or more"):
        Transversal(**(FILTER | {"fingers": (2, 40), "polarity": ("++--", "+-")}))


def test_resistance_needs_a_width():
    with pytest.raises(GeometryError, match="electrode_width"):
        Resonator(**RESONATOR, sheet_resistance=0.3)
    with pytest.raises(GeometryError, match="electrode_width"):
        Transversal(**FILTER, sheet_resistance=0.3)


def test_electrodes_may_not_overlap():
    touching = Resonator(**(RESONATOR | {"gap": 1.0e-6}), electrode_width=1.1e-6)
    with pytest.raises(GeometryError, match="gap"):
        device_response(touching, BUOY, BAND)
    wide = Resonator(**RESONATOR, electrode_width=2.2e-6)
    with pytest.raises(GeometryError, match="electrode_width"):
        device_response(wide, BUOY, BAND)
    near = Transversal(**(FILTER | {"gap": 1.0e-6}), electrode_width=(1.1e-6, 1.1e-6))
    with pytest.raises(GeometryError, match="gap"):
        device_response(near, BUOY, BAND)
    # a quarter-wavelength pitch leaves half the room
    double = Transversal(**FILTER, polarity=("++--", "++--"), electrode_width=(1.1e-6, 1.1e-6))
    with pytest.raises(GeometryError, match="electrode_width"):
        device_response(double, BUOY, BAND)


def test_constants_go_by_role():
    device = Resonator(**RESONATOR)
    with pytest.raises(InputError, match="transducer, reflector"):
        device_response(device, {"input": BUOY, "output": BUOY}, BAND)
    one = device_response(device, BUOY, BAND)
    two = device_response(device, {"transducer": BUOY, "reflector": BUOY}, BAND)
    np.testing.assert_array_equal(one.y, two.y)


@pytest.mark.parametrize("frequency", [BAND[::-1], [BAND[0], BAND[0]], [], [-1.0]])
def test_frequencies_increase(frequency):
    for device in (Resonator(**RESONATOR), Transversal(**FILTER)):
        with pytest.raises(SawfemError, match="frequency"):
            device_response(device, BUOY, frequency)
