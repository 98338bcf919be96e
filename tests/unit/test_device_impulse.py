"""Impulse and step response against closed forms: rectangle, triangle, two paths."""

import numpy as np
import pytest

from sawfem.device import Transversal
from sawfem.device.impulse import equidistant, impulse_response
from sawfem.device.transversal import transversal_response
from sawfem.errors import InputError
from sawfem.extract.constants import ComConstants

CENTRE = 868e6
F = CENTRE + np.linspace(-60e6, 60e6, 2401)
LATE = 300e-9
LENGTH = 150e-9
TRAVEL = np.exp(-2j * np.pi * F * LATE)


def fitted(values, shape):
    """Factor that brings values nearest to a shape: the window rounds the tip, which is one."""
    return (values @ shape) / (values @ values)


def test_a_sinc_is_a_rectangle_and_its_step_a_ramp():
    # One uniform transducer of N periods: a rectangle of N/f0 (Tancrell & Holland 1971), so that
    # the step rises linearly: 0.8 N/f0 from 10 to 90 %. The delayed centre is at LATE.
    found = impulse_response(F, np.sinc((F - CENTRE) * LENGTH) * TRAVEL, carrier=CENTRE)
    assert found.half_width == pytest.approx(LENGTH, abs=0.1 * found.resolution)
    assert found.rise_time == pytest.approx(0.8 * LENGTH, rel=5e-3)
    assert found.step[-1] == pytest.approx(1.0, abs=2e-3)


def test_a_pair_of_equal_transducers_is_a_triangle():
    # sinc^2 <-> a triangle of the base 2N/f0, 1 - |t|/T, wherever the window resolves it (Smith,
    # Gerard, Collins, Reeder, Shaw, IEEE Trans. Microwave Theory Tech. 17, 856 (1969); Morgan,
    # Surface Acoustic Wave Filters, 2nd ed. (2007), ch. 1; from memory).
    found = impulse_response(F, np.sinc((F - CENTRE) * LENGTH) ** 2 * TRAVEL, carrier=CENTRE)
    assert found.main == pytest.approx(LATE, abs=1e-10)
    assert found.sidelobe is None
    inside = (np.abs(found.time - LATE) < 0.9 * LENGTH) & (np.abs(found.time - LATE) > 0.1 * LENGTH)
    triangle = 1.0 - np.abs(found.time[inside] - LATE) / LENGTH
    assert fitted(found.envelope[inside], triangle) * found.envelope[inside] == pytest.approx(
        triangle, abs=2e-3
    )
    # Its integral: t^2/2 to the middle, so 10 to 90 % in 2 T (1 - sqrt(0.2)).
    assert found.rise_time == pytest.approx(2.0 * LENGTH * (1.0 - np.sqrt(0.2)), rel=3e-3)


def test_a_device_without_reflection_gives_that_triangle():
    # Weak coupling, no reflection, short circuits at the ports: nothing but the first transit. The
    # base is twice the 50 periods of a transducer of 100 electrodes.
    constants = ComConstants(2e-6, 3500.0, 0.0, 1e-4, 2.4e-10)
    device = Transversal((100, 100), 1e-3, 400e-6, terminations=(1e-3, 1e-3))
    centre = constants.centre_frequency
    f = np.linspace(0.9, 1.1, 2001) * centre
    response = transversal_response(device, constants, constants, f)
    found = impulse_response(f, response.s[:, 1, 0], carrier=centre)
    way = float(response.figures["delay"].value.real)
    length = 100 * 2e-6 / 3500.0
    assert found.main == pytest.approx(way, abs=0.01 * length)
    inside = (np.abs(found.time - way) < 0.85 * length) & (np.abs(found.time - way) > 0.25 * length)
    triangle = 1.0 - np.abs(found.time[inside] - way) / length
    assert fitted(found.envelope[inside], triangle) * found.envelope[inside] == pytest.approx(
        triangle, abs=0.01
    )
    rise = 2.0 * length * (1.0 - np.sqrt(0.2))
    assert found.rise_time == pytest.approx(rise, rel=0.02)


@pytest.mark.parametrize("size", [0.3, 0.01])
def test_two_paths_are_a_lobe_of_their_ratio_and_two_steps(size):
    # H = exp(-j w t1) (1 + r exp(-j w t2)): a lobe of r at t1 + t2, and a step to 1 and then on.
    gap = 200e-9
    band = np.exp(-(((F - CENTRE) / 15e6) ** 2))
    echo = size * np.exp(-2j * np.pi * (F - CENTRE) * gap)
    found = impulse_response(F, band * TRAVEL * (1.0 + echo), carrier=CENTRE)
    assert found.main == pytest.approx(LATE, abs=1e-10)
    assert found.sidelobe == pytest.approx(20.0 * np.log10(size), abs=0.02)
    between = np.interp(LATE + 0.5 * gap, found.step_time, found.step)
    assert between == pytest.approx(1.0 / (1.0 + size), abs=1e-3)
    assert found.step[-1] == pytest.approx(1.0, abs=1e-3)


def test_lobes_of_the_window_are_no_lobes_of_the_device():
    assert impulse_response(F, TRAVEL).sidelobe is None


def test_what_is_no_band_is_refused():
    assert not equidistant(np.array([1.0, 2.0, 4.0] * 4))
    with pytest.raises(InputError, match="one band"):
        impulse_response(np.array([1.0, 2.0, 4.0] * 4), np.ones(12))
    with pytest.raises(InputError, match="another band"):
        impulse_response(F, np.zeros(F.size))
