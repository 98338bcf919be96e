"""Buried strips and membranes against plane waves, the closed form of strips, and other cuts.

Closed form of massless strips, eta = 0.5, small coupling: edges at (1 - f/f0)/(dv/v) = 0.0431
(open), 0.5003 (common), 0.9570 (shorted), f0 the free wave at gamma = pi (Datta & Hunsinger, J.
Appl. Phys. 51, 4817 (1980); Blotekjaer, Ingebrigtsen & Skeie, IEEE Trans. Electron Devices
ED-20, 1139 (1973); from memory). It is of first order in K^2, hence the weakened crystal.
"""

from dataclasses import replace

import numpy as np
import pytest

from sawfem.conventions import EPSILON_0
from sawfem.design import Overcoat, Stack, UnitCell
from sawfem.extract import solve_grating
from sawfem.extract.grating import grating_waves
from sawfem.material import load_material
from sawfem.planewave import static_permittivity, surface_waves
from sawfem.unitcell.discretisation import discretise
from sawfem.unitcell.mesh import MeshSettings
from sawfem.unitcell.stopband import find_stop_band
from sawfem.unitcell.system import BlochSystem, floor_admittance

PERIOD = 2e-6
SILICA = "silica/auld-1973"


def interface_frequency(cell: UnitCell, shorted: bool) -> float:
    """Frequency of the sagittal wave of the coated stack at k = pi/p, free or shorted, Hz."""
    substrate, layers, interface = cell.planar()
    wavenumber = np.pi / cell.period
    velocity = 3900.0
    for _ in range(40):
        waves = surface_waves(
            substrate, layers, wavenumber * velocity, shorts=(interface,) if shorted else ()
        )
        new = next(wave.velocity_free for wave in waves if wave.shear_horizontal < 0.5)
        if abs(new - velocity) < 1e-10 * velocity:
            break
        velocity = new
    return velocity * wavenumber / (2.0 * np.pi)


def test_strips_buried_without_mechanical_contrast_meet_the_closed_form():
    """Metal with the elastic constants and the density of the silica around it: strips alone."""
    niobate, silica = load_material("lithium-niobate/kovacs-1990"), load_material(SILICA)
    weak = replace(niobate, piezoelectric=0.1 * niobate.piezoelectric)
    metal = replace(
        load_material("aluminium/kaye-laby"), stiffness=silica.stiffness, density=silica.density
    )
    stack = Stack(weak, cut="(YXl)128")
    coat = Overcoat(silica, 0.5 * PERIOD, top="flat")
    cell = UnitCell.grating(stack, metal, pitch=PERIOD, thickness=4e-4 * PERIOD, overcoat=[coat])
    free, short = (interface_frequency(cell, shorted) for shorted in (False, True))
    coupling = (free - short) / free
    assert 1e-4 < coupling < 1e-3

    discretisation = discretise(cell, MeshSettings(4, 3, 0.15))
    band = find_stop_band(discretisation, 2 * PERIOD * free, 2 * PERIOD * short)
    places = [(1.0 - edge.frequency.real / free) / coupling for edge in (*band.shorted, *band.open)]
    assert places == pytest.approx([0.9570, 0.5003, 0.5003, 0.0431], abs=1.5e-3)


def test_capacitance_of_buried_strips_is_that_of_the_two_half_spaces():
    """Per pair at eta = 0.5: eps of the stack + eps of the coat (Engan, IEEE Trans. ED-16, 1014
    (1969), from memory). A coat of 1.5 p is a half-space to exp(-3 pi) = 8e-5 of the contrast.
    """
    stack = Stack("quartz/bechmann-1958", euler=(0.0, 132.75, 0.0))
    coat = Overcoat(SILICA, 1.5 * PERIOD, top="flat")
    cell = UnitCell.grating(
        stack, "aluminium/kaye-laby", pitch=PERIOD, thickness=1e-4 * PERIOD, overcoat=[coat]
    )
    d = discretise(cell, MeshSettings(4, 3, 0.15))
    system = BlochSystem(d, np.pi, floor_admittance(d))
    frequency = 1e-3 * 3000.0 / (2 * PERIOD)
    found = 0.5 * system.admittance(frequency)[0, 0].imag / (2 * np.pi * frequency)
    quartz = static_permittivity(stack.media()[0]) - EPSILON_0
    assert found == pytest.approx(quartz + 3.75 * EPSILON_0, rel=1e-3)


def membrane(thickness: float) -> Stack:
    return Stack("air").with_layer("zinc-oxide/bateman-1962", thickness, euler=(0.0, 90.0, 0.0))


def test_a_membrane_meshed_whole_and_one_cut_above_its_underside_agree():
    """0.25 p is within 1.5 slab depths of 0.35 p, and beyond those of 0.12 p: then what is left
    of the plate is a layer of exact waves over vacuum. The meshes differ: their error is left.
    """
    cell = UnitCell.grating(
        membrane(0.25 * PERIOD), "aluminium/kaye-laby", pitch=PERIOD, thickness=0.05 * PERIOD
    )
    answers = []
    for depth in (0.35, 0.12):
        d = discretise(cell, MeshSettings(5, 3, 0.15, depth=depth))
        assert (d.underside is None) == (depth == 0.12)
        answers.append(BlochSystem(d, 2.4, floor_admittance(d)).admittance(0.5e9)[0, 0])
    assert answers[0] == pytest.approx(answers[1], rel=1e-5)
    assert abs(answers[0].real) < 1e-9 * abs(answers[0])  # nothing is radiated


def test_the_stop_band_of_a_membrane_lies_between_its_free_and_metallised_plate_waves():
    cell = UnitCell.grating(
        membrane(0.5e-6), "aluminium/kaye-laby", pitch=PERIOD, thickness=2e-4 * PERIOD
    )
    wave = grating_waves(cell)[0]
    solution = solve_grating(cell, accuracy=1e-2)
    constants = solution.constants
    assert constants.reasons == {}
    edges = [2 * PERIOD * f for f in (*constants.stopband_short, *constants.stopband_open)]
    assert wave.velocity_metallised < min(edges)
    assert max(edges) < wave.velocity_free
    assert max(edges) - min(edges) > 0.8 * (wave.velocity_free - wave.velocity_metallised)
    assert constants.attenuation == 0.0
    assert constants.bulk_onset is None
    assert all(value <= limit for value, limit in solution.checks.values())


def test_a_metal_plane_below_a_layer_reaches_the_floor():
    """The same plane at three depths of the floor; and at a great depth there is none."""

    def answer(silica: float, settings: MeshSettings, plane: bool = True) -> complex:
        stack = Stack("quartz/bechmann-1958", euler=(0.0, 132.75, 0.0))
        if plane:
            stack = stack.with_layer("aluminium/kaye-laby", 0.05 * PERIOD)
        stack = stack.with_layer(SILICA, silica * PERIOD)
        cell = UnitCell.grating(stack, "aluminium/kaye-laby", pitch=PERIOD, thickness=0.02 * PERIOD)
        d = discretise(cell, settings)
        return complex(BlochSystem(d, 2.4, floor_admittance(d)).admittance(0.3e9)[0, 0])

    near = [answer(0.45, MeshSettings(5, 3, 0.15, depth=depth)) for depth in (0.35, 0.25, 0.2)]
    assert near[0] == pytest.approx(near[1], rel=1e-5)
    assert near[0] == pytest.approx(near[2], rel=1e-5)
    settings = MeshSettings(3, 2, 0.15)
    change = [abs(answer(t, settings) / answer(t, settings, plane=False) - 1) for t in (0.4, 4.0)]
    assert change[0] > 10 * change[1]


@pytest.mark.parametrize("plane", ["layer", "interface"])
def test_a_metal_plane_within_the_mesh_is_one_below_its_floor(plane, monkeypatch):
    """Zinc oxide of 0.12 p on a metal plane on silicon: the floor above the plane, which is then
    exact, and below it. The meshes differ: 4e-5, 2e-6, 4e-8 from step to step."""
    stack = Stack("silicon/mason-1958")
    stack = stack.with_layer("aluminium/kaye-laby", 0.05 * PERIOD) if plane == "layer" else stack
    stack = stack.with_layer("zinc-oxide/bateman-1962", 0.12 * PERIOD, euler=(0.0, 0.0, 0.0))
    stack = stack.shorted(0) if plane == "interface" else stack
    cell = UnitCell.grating(stack, "aluminium/kaye-laby", pitch=PERIOD, thickness=0.02 * PERIOD)

    def answer(settings: MeshSettings, least: float) -> complex:
        monkeypatch.setattr("sawfem.unitcell.mesh.LEAST_DEPTH", least)
        d = discretise(cell, settings)
        assert (d.mesh.depth < 0.12) == (least < 0.1)
        return complex(BlochSystem(d, 2.4, floor_admittance(d)).admittance(0.8e9)[0, 0])

    apart = []
    for n in (2, 3):
        above, below = (answer(MeshSettings(n + 1, n, 0.15), least) for least in (0.07, 9.0))
        apart.append(abs(above - below) / abs(above))
    assert apart[0] < 2e-4
    assert apart[1] < 0.25 * apart[0]


def test_capacitance_of_a_strip_close_to_a_metal_plane():
    """C/eps_0 = w/g + (2/pi) ln(17.08 (w/2g + 0.92)) of a wide strip of no thickness in vacuum at
    g over a plane (Wheeler, IEEE Trans. MTT-13, 172 (1965), from memory): 23.33; its neighbours are
    180 g away. A plane of 0.005 p lies within the mesh: 23.50, 23.39, 23.38 from mesh to mesh, of
    which the thickness (0.004 g) and the neighbours make some 0.02.
    """
    silica, period = load_material(SILICA), 20e-6
    vacuum = replace(silica, permittivity=np.eye(3) * EPSILON_0)
    stack = Stack("quartz/bechmann-1958").with_layer(vacuum, 0.005 * period).shorted(0)
    cell = UnitCell.grating(
        stack,
        "aluminium/kaye-laby",
        pitch=period,
        thickness=2e-5 * period,
        metallisation_ratio=0.1,
    )
    d = discretise(cell, MeshSettings(4, 3, 0.15))
    y = BlochSystem(d, np.pi, floor_admittance(d)).admittance(1e6)[0, 0]
    found = y.imag / (2e6 * np.pi * EPSILON_0)
    assert found == pytest.approx(20.0 + 2.0 / np.pi * np.log(17.08 * 10.92), rel=4e-3)
