"""Unwanted responses by name, against closed forms of cavities and gratings."""

import numpy as np
import pytest

from sawfem.device import Resonator
from sawfem.device.assembly import Circuit, ResonatorPart
from sawfem.device.circuit import CircuitPort
from sawfem.device.section import grating_section
from sawfem.device.track import Gratings
from sawfem.device.unwanted import ABOVE, BELOW, MAIN, MODE, UPPER, all_ringing, ringing, stop_band
from sawfem.device.wiring import GROUND
from sawfem.extract.constants import ComConstants

P, V, R = 2e-6, 4000.0, 0.02
CENTRE = V / (2.0 * P)
PLAIN = ComConstants(P, V, 0.0, 1e-3, 2.4e-10)
MIRROR = ComConstants(P, V, -R, 1e-3, 2.4e-10)
GRATINGS = Gratings({"plain": PLAIN, "mirror": MIRROR})


def cavity(gap, attenuation=20.0):
    # A weak transducer that reflects nothing, far from two deep mirrors; the loss keeps the modes
    # wide enough to be sampled.
    resonator = Resonator(20, (400, 400), 100e-6, gap=gap * P, attenuation=attenuation)
    return ResonatorPart(resonator, "plain", "mirror")


@pytest.mark.parametrize("gap", [300.0, 500.0])
def test_modes_of_a_cavity_have_the_spacing_of_its_length(gap):
    # Standing waves between two mirrors: every other mode, v/(L + 2 Lp) apart, Lp = p/(2 r) the
    # depth of a mirror at its middle (Campbell 1998, from memory).
    found = ringing("cavity", cavity(gap), GRATINGS, 0.985 * CENTRE, 1.015 * CENTRE)
    inside = sorted(peak.frequency for peak in found.peaks if peak.name in (MAIN, MODE))
    low, high = found.stop_band
    assert all(low < f < high for f in inside)
    length = (20 + 2.0 * gap) * P + 2.0 * P / (2.0 * R)
    steps = np.diff(inside)
    middle = steps[np.argmin(np.abs(np.array(inside[1:]) - 0.5 * steps - CENTRE))]
    assert middle == pytest.approx(V / length, rel=0.03)
    expected = (high - low) / (V / length)
    assert len(inside) == pytest.approx(expected, abs=1.5)


@pytest.mark.parametrize("connection", ["shorted", "open"])
def test_edges_are_those_of_a_long_grating(connection):
    # Within the edges a long grating reflects all, beyond them it lets through (second way).
    constants = ComConstants(P, V, -0.02, 0.03, 2.4e-10)
    low, high = stop_band(constants, connection)
    f = np.array([low * (1 - 3e-4), low * (1 + 3e-4), high * (1 - 3e-4), high * (1 + 3e-4)])
    through = np.abs(grating_section(constants, 3000, f, connection=connection).transmission) ** 2
    assert through[0] > 0.01
    assert through[3] > 0.01
    assert np.all(through[1:3] < 1e-6)


def test_a_transducer_alone_has_side_lobes_where_its_sinc_has():
    # Conductance sinc^2(N pi (f - f0)/f0 /2): lobes of -13.26 dB at 2.861/N f0 from the middle
    # (maxima of sinc^2 at 1.4303 pi; common tables).
    resonator = Resonator(100, (0, 0), 100e-6, gap=P)
    found = ringing(
        "alone", ResonatorPart(resonator, "plain"), GRATINGS, 0.94 * CENTRE, 1.06 * CENTRE
    )
    main, first, second = found.peaks[:3]
    assert main.name == MAIN
    assert {first.name, second.name} == {BELOW, ABOVE}
    for lobe in (first, second):
        assert abs(lobe.frequency / CENTRE - 1.0) == pytest.approx(2.861 / 100, rel=0.02)
        assert lobe.level == pytest.approx(-13.26, abs=0.5)


def test_a_resonator_rings_at_the_upper_edge_too():
    constants = ComConstants(2.2e-6, 3870.0, -0.02, 0.03, 2.4e-10)
    resonator = Resonator(101, (60, 60), 150e-6, gap=2.2e-6)
    parts = {"r": ResonatorPart(resonator, "main"), "q": ResonatorPart(resonator, "main")}
    placed = (("r", (("in", GROUND),)), ("r", (("in", GROUND),)), ("q", (("in", GROUND),)))
    circuit = Circuit(parts, placed, (CircuitPort("1", ("in", GROUND)),))
    centre = constants.centre_frequency
    told = all_ringing(circuit, Gratings({"main": constants}), 0.96 * centre, 1.05 * centre)
    assert [item.part for item in told] == ["r", "q"]
    names = {peak.name for peak in told[0].peaks}
    assert names >= {MAIN, UPPER, BELOW, ABOVE}
    levels = [peak.level for peak in told[0].peaks]
    assert levels == sorted(levels, reverse=True)
