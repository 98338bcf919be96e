"""Cells of several electrodes, one wave long: against cells of one, closed forms and mirrors."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from sawfem.design import Electrode, Stack, UnitCell
from sawfem.device.section import transducer_section
from sawfem.errors import GeometryError
from sawfem.extract import solve_grating
from sawfem.extract.double_electrode import double_electrode_constants
from sawfem.extract.edges import TwoModes, transduction_from_residues, two_modes
from sawfem.extract.grating import MESHES, _constants
from sawfem.planewave import Wave
from sawfem.unitcell.connection import connect
from sawfem.unitcell.discretisation import discretise
from sawfem.unitcell.reduced import reduce
from sawfem.unitcell.stopband import StopBand, find_stop_band, refine_stop_band
from sawfem.unitcell.system import BlochSystem, floor_admittance

WAVE = 4.0e-6
METAL = "aluminium/kaye-laby"
NIOBATE = Stack("lithium-niobate/kovacs-1990", cut="(YXl)128"), 3978.97, 3870.90
#: What of a plane wave goes into the constants of a grating is not looked at here.
WAVE_OF_STACK = Wave("Rayleigh-type", *NIOBATE[1:], 0.0542, 0.0, (1j, 0.0, 1.0))
QUARTZ = Stack("quartz/bechmann-1958", euler=[0.0, 132.75, 0.0]), 3158.07, 3156.24


def strips(*shapes: tuple[float, float], height: float = 0.02) -> list[Electrode]:
    """Electrodes of (centre, width) in wavelengths."""
    return [
        Electrode(METAL, height * WAVE, width * WAVE, centre=centre * WAVE)
        for centre, width in shapes
    ]


def solved(
    base: tuple[Stack, float, float], electrodes: list[Electrode], connections: Sequence[str]
) -> tuple[StopBand, TwoModes]:
    stack, free, metallised = base
    cell = UnitCell(stack, electrodes, WAVE)
    band = find_stop_band(discretise(cell, MESHES[0]), free, metallised, connections=connections)
    return band, two_modes(band)


@pytest.fixture(scope="module")
def plain() -> tuple[StopBand, TwoModes]:
    stack, free, metallised = NIOBATE
    cell = UnitCell.grating(stack, METAL, pitch=0.5 * WAVE, thickness=0.02 * WAVE)
    band = find_stop_band(discretise(cell, MESHES[0]), free, metallised)
    return band, two_modes(band)


@pytest.fixture(scope="module")
def unidirectional() -> tuple[StopBand, TwoModes]:
    """A hot and a grounded strip of an eighth, and a grounded reflector of a quarter wave."""
    shapes = ((1 / 8, 1 / 8), (3 / 8, 1 / 8), (3 / 4, 1 / 4))
    return solved(QUARTZ, strips(*shapes), ("hot", "ground", "ground"))


def test_two_electrodes_a_wave_are_the_plain_grating(plain):
    """The stop band at 2 pi of two periods is that at pi of one (Bloch), to the coarse mesh."""
    band, whole = solved(NIOBATE, strips((1 / 4, 1 / 4), (3 / 4, 1 / 4)), ("hot", "ground"))
    one, modes = plain
    assert band.pitch == pytest.approx(one.pitch)
    for edge, other in zip((*band.shorted, *band.open), (*one.shorted, *one.open), strict=True):
        assert edge.frequency.real == pytest.approx(other.frequency.real, rel=5e-5)
    assert whole.com.velocity == pytest.approx(modes.com.velocity, rel=3e-5)
    assert whole.com.reflection == pytest.approx(modes.com.reflection, abs=4e-5)
    assert whole.com.transduction == pytest.approx(modes.com.transduction, rel=1e-3)
    assert whole.com.capacitance == pytest.approx(modes.com.capacitance, rel=1e-3)
    assert whole.transduction_centre == pytest.approx(0.25 * WAVE, abs=1e-6 * WAVE)
    found, expected = (
        _constants(each.model.system.discretisation.cell, WAVE_OF_STACK, each, picture, None)
        for each, picture in ((band, whole), plain)
    )
    for name in ("capacitance_per_pair", "capacitance_fitted_per_pair", "coupling_k2_effective"):
        assert getattr(found, name) == pytest.approx(getattr(expected, name), rel=1e-3)


def test_double_electrodes_have_no_shorted_stop_band(plain):
    """Their true period is a quarter wave (common knowledge of the trade): shorted, nothing is
    reflected; floating bus-bars leave the electrical gap alone. The same constants come from the
    plain grating at pi/2 a pitch."""
    shapes = [((2 * i + 1) / 8, 1 / 8) for i in range(4)]
    connections = ("hot", "hot", "ground", "ground")
    band, modes = solved(NIOBATE, strips(*shapes), connections)
    f1, f2 = (edge.frequency.real for edge in band.shorted)
    assert abs(f2 / f1 - 1.0) < 1e-8
    assert band.counted
    assert modes.com.directivity == 0.0
    assert modes.transduction_centre == pytest.approx(0.25 * WAVE, abs=1e-6 * WAVE)
    gap = band.open[1].frequency.real / band.open[0].frequency.real - 1.0
    assert gap > 0.015
    assert band.open[0].frequency.real == pytest.approx(f1, rel=1e-8)

    stack, _, _ = NIOBATE
    quarter = UnitCell.grating(stack, METAL, pitch=0.25 * WAVE, thickness=0.02 * WAVE)
    other = double_electrode_constants(quarter)
    assert modes.com.velocity == pytest.approx(other.velocity, rel=3e-5)
    assert abs(modes.com.transduction) == pytest.approx(abs(other.transduction), rel=0.01)
    # Engan, Electron. Lett. 10, 395 (1974), and IEEE Trans. ED-16, 1014 (1969); from memory:
    # the static capacitance of double electrodes is sqrt(2) times that of single ones, thin metal.
    double = band.model.capacitance()[0, 0].real
    single = 0.5 * plain[0].model.capacitance()[0, 0].real
    assert double / single == pytest.approx(np.sqrt(2.0), rel=4e-3)


def test_capacitance_of_thin_double_electrodes():
    """sqrt(2) as the metal gets thin (Engan 1969): 1e-3 off on this mesh, 3e-4 on the next."""
    capacitances = []
    for shapes, connections in (
        ([((2 * i + 1) / 8, 1 / 8) for i in range(4)], ("hot", "hot", "ground", "ground")),
        ([((2 * i + 1) / 4, 1 / 4) for i in range(2)], ("hot", "ground")),
    ):
        cell = UnitCell(NIOBATE[0], strips(*shapes, height=0.0025), WAVE)
        d = discretise(cell, MESHES[0])
        model = reduce(BlochSystem(d, 2.0 * np.pi, floor_admittance(d)), 970e6)
        capacitances.append(connect(model, connections).capacitance()[0, 0].real)
    assert capacitances[0] / capacitances[1] == pytest.approx(np.sqrt(2.0), rel=1.5e-3)


def test_eight_electrodes_a_wave():
    """Four of eight on either bus-bar: a period of an eighth of the wave, which reflects nothing.
    Found again from known edges, too, the pair of equal frequency is one wave that the electrodes
    drive and one that they do not: both ways to the transduction agree."""
    shapes = [((2 * i + 1) / 16, 1 / 16) for i in range(8)]
    band, _ = solved(QUARTZ, strips(*shapes), ("hot",) * 4 + ("ground",) * 4)
    again = refine_stop_band(band.model.system.discretisation, band)
    for each in (band, again):
        modes = two_modes(each)
        assert abs(modes.reflection) < 1e-9
        assert min(edge.coupling for edge in each.shorted) < 1e-9 * each.resonance.coupling
        assert abs(modes.transduction) == pytest.approx(transduction_from_residues(each), rel=1e-5)
        assert modes.transduction_centre == pytest.approx(0.25 * WAVE, abs=1e-6 * WAVE)


def test_three_electrodes_launch_to_one_side(unidirectional):
    """Four distinct edges, and the direction that the places of reflector and hot strip dictate.

    On quartz a quarter-wave strip reflects with k < 0 at its own centre x_r (the plain grating,
    half of its k p for one strip a wave): at x_0 that is k exp[2 j K (x_r - x_0)].
    """
    band, modes = unidirectional
    edges = [edge.frequency.real for edge in (*band.shorted, *band.open)]
    assert np.min(np.diff(np.sort(edges))) > 1e-5 * edges[0]
    stack, free, metallised = QUARTZ
    cell = UnitCell.grating(stack, METAL, pitch=0.5 * WAVE, thickness=0.02 * WAVE)
    one = two_modes(find_stop_band(discretise(cell, MESHES[0]), free, metallised))
    assert one.reflection.real < 0.0
    predicted = 0.5 * one.reflection * np.exp(4j * np.pi * (3 / 4 - 1 / 8))
    assert modes.reference == pytest.approx(WAVE / 8)
    assert modes.reflection == pytest.approx(predicted, abs=0.03 * abs(predicted))
    assert modes.com.directivity > 0.95
    # Stop-band edges tell the cosine of the same angle.
    d1, d2 = (2 * np.pi * e.frequency.real / modes.velocity - np.pi / band.pitch for e in band.open)
    size = abs(modes.reflection) / band.pitch
    cosine = -(d1 * d2 + size**2) / ((d1 + d2) * size)
    k, a = modes.reflection, modes.transduction
    assert cosine == pytest.approx(np.cos(np.angle(k) - 2 * np.angle(a)), abs=4e-3)
    # A transducer of 60 waves at the middle of its stop band launches to the right.
    P = transducer_section(modes.com, 120, 50 * WAVE, [modes.com.centre_frequency]).matrix[0]
    assert abs(P[1, 2]) > 1.5 * abs(P[0, 2])


def test_the_mirrored_cell_has_mirrored_phases(unidirectional):
    shapes = ((1 / 4, 1 / 4), (5 / 8, 1 / 8), (7 / 8, 1 / 8))
    _, mirrored = solved(QUARTZ, strips(*shapes), ("ground", "ground", "hot"))
    _, modes = unidirectional
    assert mirrored.reference == pytest.approx(WAVE - modes.reference)
    assert mirrored.reflection == pytest.approx(modes.com.both_reflections[1], rel=1e-5)
    assert mirrored.transduction == pytest.approx(modes.com.both_transductions[1], rel=1e-5)
    assert mirrored.com.directivity == pytest.approx(-modes.com.directivity, abs=1e-6)
    centres = mirrored.transduction_centre + modes.transduction_centre
    assert centres == pytest.approx(WAVE, abs=1e-6 * WAVE)


def test_connections_are_what_network_theory_makes_of_the_matrix(unidirectional):
    """Floating: its row of I = Y V is zero; the rest follows by elimination."""
    band, _ = unidirectional
    full = reduce(band.model.system, band.resonance.frequency.real)
    f = 1.01 * band.resonance.frequency.real
    y = full.admittance(f)
    one = connect(full, ("hot", "ground", "floating")).admittance(f)[0, 0]
    assert one == pytest.approx(y[0, 0] - y[0, 2] * y[2, 0] / y[2, 2], rel=1e-10)
    both = connect(full, ("hot", "ground", "hot")).admittance(f)[0, 0]
    assert both == pytest.approx(y[0, 0] + y[0, 2] + y[2, 0] + y[2, 2], rel=1e-10)


@pytest.mark.parametrize(
    ("connections", "said"),
    [
        (None, "none for 2 electrodes"),
        (("hot",), "1 for 2 electrodes"),
        (("hot", "earth"), "'earth'"),
        (("hot", "floating"), "no ground electrode"),
        (("ground", "ground"), "no hot electrode"),
    ],
)
def test_connections_that_cannot_be(connections, said):
    cell = UnitCell(NIOBATE[0], strips((1 / 4, 1 / 4), (3 / 4, 1 / 4)), WAVE)
    with pytest.raises(GeometryError, match=said):
        solve_grating(cell, connections=connections)
