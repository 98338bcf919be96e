"""The unit cell against the closed forms of massless strips (publications: support/strips.py)."""

import numpy as np
import pytest

from sawfem.design import Stack
from sawfem.extract.double_electrode import double_electrode_constants
from sawfem.extract.edges import transduction_from_residues, two_modes
from sawfem.extract.grating import MESHES
from sawfem.material import load_material
from sawfem.planewave import estimate_velocities, plane_waves, static_permittivity
from sawfem.unitcell.discretisation import discretise
from sawfem.unitcell.mesh import MeshSettings
from sawfem.unitcell.stopband import find_stop_band
from tests.support.strips import (
    PITCH,
    Strips,
    capacitance_factor,
    open_reflection,
    shorted_reflection,
    solve_strips,
    strip_cell,
    weakened,
)

#: A weak cut: on ST-X quartz dv/v is 5.8e-4, so first-order theory holds to the fourth digit.
FINE = MeshSettings(order=4, gradings=4, ratio=0.15)


@pytest.fixture(scope="module")
def st_quartz() -> dict[float, Strips]:
    stack = Stack("quartz/bechmann-1958", euler=[0.0, 132.75, 0.0])
    return {eta: solve_strips(stack, eta, FINE) for eta in (0.3, 0.5, 0.7)}


@pytest.mark.parametrize("eta", [0.3, 0.5, 0.7])
def test_shorted_reflection_on_st_quartz(st_quartz, eta):
    assert st_quartz[eta].reflection == pytest.approx(shorted_reflection(eta), rel=1e-3)


@pytest.mark.parametrize("eta", [0.3, 0.5, 0.7])
def test_open_reflection_on_st_quartz(st_quartz, eta):
    strips = st_quartz[eta]
    low, high = (edge.frequency.real for edge in strips.band.open)
    reflection = np.pi * (high - low) / (high + low) / strips.coupling
    assert reflection == pytest.approx(open_reflection(eta), rel=2e-3)


@pytest.mark.parametrize("eta", [0.3, 0.5, 0.7])
def test_capacitance_against_metallisation_ratio(st_quartz, eta):
    assert st_quartz[eta].capacitance == pytest.approx(capacitance_factor(eta), rel=5e-3)


@pytest.mark.parametrize(
    ("material", "euler", "picofarads"),
    [
        ("lithium-niobate/kovacs-1990", (0.0, 38.0, 0.0), 493.1),
        ("lithium-niobate/warner-1967", (0.0, 38.0, 0.0), 488.0),
        ("lithium-niobate/warner-1967", (0.0, 90.0, 90.0), 416.0),
        ("lithium-tantalate/smith-welsh-1971", (0.0, -54.0, 0.0), 453.0),
    ],
)
def test_capacitance_of_a_finger_pair(material, euler, picofarads):
    """eps_inf of the substrate at equal line and space (Engan 1969: mem); its values in pF/m are
    calc, and stand for themselves in test_halfspaces.py."""
    stack = Stack(material, euler=euler)
    waves = plane_waves(stack, leaky=True)
    wave = max(waves, key=lambda wave: wave.coupling_k2 or 0.0)
    cell = discretise(strip_cell(stack, 0.5), MESHES[0])
    band = find_stop_band(cell, wave.velocity_free, wave.velocity_metallised)
    pair = 0.5e12 * band.model.capacitance()[0, 0].real
    assert pair == pytest.approx(picofarads, rel=1.5e-3)


def test_three_edges_at_half_metallisation(st_quartz):
    """0.9570 shorted, 0.5003 common, 0.0433 open: from the two reflections above, and their
    common edge; digits from memory of the publications, verified by the closed form."""
    strips = st_quartz[0.5]
    shorted = strips.normalised(strips.band.shorted)
    open_ = strips.normalised(strips.band.open)
    assert shorted == pytest.approx([0.9570, 0.5003], abs=1e-3)
    assert open_ == pytest.approx([0.5003, 0.0431], abs=1e-3)


def test_one_edge_is_common(st_quartz):
    band = st_quartz[0.5].band
    assert band.shorted[1].frequency.real == pytest.approx(band.open[0].frequency.real, rel=1e-11)
    assert band.resonance is band.shorted[0]


def test_strong_coupling_on_yz_niobate():
    """YZ LiNbO3 (Warner), K^2 4.8 %: 0.956, 0.492, 0.041 and |r|/(dv/v) = 0.742; calculated
    values of an independent half-space program, no publication."""
    stack = Stack("lithium-niobate/warner-1967", euler=[0.0, 90.0, 90.0])
    strips = solve_strips(stack, 0.5, MeshSettings(order=4, gradings=3, ratio=0.15))
    edges = strips.normalised(strips.band.shorted) + strips.normalised(strips.band.open[1:])
    assert edges == pytest.approx([0.956, 0.492, 0.041], abs=3e-3)
    assert strips.reflection == pytest.approx(0.742, abs=3e-3)


@pytest.mark.parametrize(
    ("crystal", "euler"),
    [
        ("lithium-niobate/kovacs-1990", [0.0, 38.0, 0.0]),
        ("lithium-niobate/warner-1967", [0, 90, 90]),
    ],
)
def test_edges_approach_the_closed_form_with_the_coupling(crystal, euler):
    """128 deg Y-X and YZ niobate with their piezoelectric constants times 1, 1/2, 1/4, 1/8.

    The closed form is first order in K^2, so the edges must come to 1/2 and 1/2 +- (2/pi) r at
    least in proportion to K^2. Both cuts do so faster (the terms of order K^2 nearly cancel in
    the normalised edges): the bound is one-sided, with the mesh's own error as a floor.
    """
    material = load_material(crystal)
    spread = 2.0 / np.pi * shorted_reflection(0.5)
    limit = np.array([0.5 + spread, 0.5, 0.5 - 2.0 / np.pi * open_reflection(0.5)])
    couplings, deviations = [], []
    for factor in (1.0, 0.5, 0.25, 0.125):
        stack = Stack(weakened(material, factor), euler=euler)
        strips = solve_strips(stack, 0.5, FINE, height=2e-5)
        edges = (*strips.band.shorted, strips.band.open[1])
        couplings.append(strips.coupling)
        deviations.append(np.max(np.abs(strips.normalised(edges) - limit)))
    # An error of 2e-8 in frequency, what this mesh makes, seen through dv/v.
    floor = 2e-8 / np.array(couplings)
    assert deviations[0] > 3e-3
    slope = deviations[0] / couplings[0]
    for coupling, deviation, mesh in zip(couplings, deviations, floor, strict=True):
        assert deviation <= 1.25 * slope * coupling + mesh
    order = np.log(deviations[0] / deviations[2]) / np.log(couplings[0] / couplings[2])
    assert order > 1.0
    assert deviations[3] < 1e-4


def test_peak_conductance_of_single_electrodes(st_quartz):
    """2.871 w0 eps_inf W N^2 dv/v for N pairs (quasi-static theory: Morgan, Surface Acoustic Wave
    Filters, 2007, from memory; it follows from the three edges). G = 8 (a p)^2 N^2 W."""
    strips = st_quartz[0.5]
    picture = two_modes(strips.band)
    omega = np.pi * picture.velocity / PITCH
    unit = omega * strips.static * strips.coupling
    assert 8.0 * picture.transduction**2 / unit == pytest.approx(2.871, rel=1e-2)
    residues = transduction_from_residues(strips.band)
    assert 8.0 * residues**2 / unit == pytest.approx(2.871, rel=1e-2)


def test_double_electrodes():
    """3.111 w0 eps_inf W N^2 dv/v and a capacitance of sqrt(2) eps_inf per pair (Morgan 2007;
    Engan 1969; from memory), for strips a quarter wavelength apart."""
    stack = Stack("quartz/bechmann-1958", euler=[0.0, 132.75, 0.0])
    constants = double_electrode_constants(strip_cell(stack, 0.5))
    substrate, layers = stack.media()
    wave = estimate_velocities(substrate, layers)[0]
    coupling = (wave.velocity_free - wave.velocity_metallised) / wave.velocity_free
    static = static_permittivity(substrate, layers)
    assert constants.pitch == 2.0 * PITCH
    assert constants.reflection == 0.0
    assert 2.0 * constants.capacitance / static == pytest.approx(np.sqrt(2.0), rel=5e-3)
    omega = np.pi * constants.velocity / constants.pitch
    unit = omega * static * coupling
    assert 8.0 * abs(constants.transduction) ** 2 / unit == pytest.approx(3.111, rel=1e-2)
