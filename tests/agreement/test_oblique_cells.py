"""Oblique waves of cells of several electrodes and of cells that lose: plane waves, the plain
grating, closed forms and perturbation."""

from dataclasses import replace

import numpy as np
import pytest

from sawfem.design import Electrode, Stack, UnitCell
from sawfem.extract.grating import grating_waves
from sawfem.material.imperfection import LossTangent, Viscosity
from sawfem.unitcell.discretisation import discretise
from sawfem.unitcell.losses import material_losses
from sawfem.unitcell.mesh import MeshSettings
from sawfem.unitcell.obliquewaves import Start, follow_oblique
from sawfem.unitcell.perturbation import cell_materials, substituted
from sawfem.unitcell.runningwaves import at_one_frequency, follow_wave
from sawfem.unitcell.stopband import find_stop_band
from tests.support.losses import turned
from tests.support.weak import weak_surface, without_grating

WAVE = 4e-6
COARSE = MeshSettings(3, 1, 0.2)
AL, NIOBATE = "aluminium/kaye-laby", "lithium-niobate/kovacs-1990"
DOUBLE = ("hot", "hot", "ground", "ground")


def comb(stack, metal, connections, shares, thickness):
    """Electrodes (centre, width) in wavelengths, in a cell a wavelength long."""
    strips = [
        Electrode(metal, thickness, width * WAVE, centre=centre * WAVE) for centre, width in shares
    ]
    assert len(strips) == len(connections)
    return UnitCell(stack, strips, WAVE)


EIGHTHS = [((2 * i + 1) / 8, 1 / 8) for i in range(4)]


def test_massless_double_electrodes_turn_the_wave_as_the_plane_wave_flows():
    """dw/dk2 at k2 = 0 is v tan(power-flow angle) of the plane wave (Auld, Acoustic Fields and
    Waves, 1973): the shorted comb lies between the free and the metallised surface, nearer to the
    latter by the same share in the frequency and in the derivative. So does the comb whose hot
    bus-bar floats.

    Crystal with a tenth of its piezoelectricity (K^2 = 6.5e-4), 20 deg off a symmetric direction.
    """
    stack, metal, plane = weak_surface()
    wave = plane(0.0)
    cell = comb(stack, metal, DOUBLE, EIGHTHS, 1e-4 * WAVE)
    d = discretise(cell, COARSE)
    phase = 1.9 * np.pi
    k1 = phase / WAVE
    window = 0.99 * wave.velocity_metallised, 1.005 * wave.velocity_free
    slopes, shares = [], []
    for open_circuit in (False, True):
        branch = follow_wave(
            d,
            phase,
            window,
            np.array([-0.05, 0.05]) * k1,
            open_circuit=open_circuit,
            connections=DOUBLE,
        )
        assert branch.error < 1e-8
        free, metallised = without_grating(branch, plane)
        f = [b.frequency[1].real for b in (free, branch, metallised)]
        share = (f[0] - f[1]) / (f[0] - f[2])
        assert 0.0 < share < 1.0
        a, found, b = (item.derivatives()[0] for item in (free, branch, metallised))
        straight = wave.velocity_free * np.tan(np.radians(wave.power_flow_angle))
        assert a == pytest.approx(straight, rel=5e-3)  # three points of the curve
        assert min(a, b) < found < max(a, b)
        assert found == pytest.approx(a + share * (b - a), rel=3e-4)
        slopes.append(found)
        shares.append(share)
    assert shares[1] < shares[0]  # floating bus-bars short less
    assert slopes[0] != slopes[1]


@pytest.mark.slow
def test_shorted_double_electrodes_are_the_plain_grating():
    """With every electrode at zero the true period is a quarter wave: f(k2) and k1(k2) of the cell
    at 1.9 pi are those of the plain grating at 0.475 pi (Bloch), to the coarse mesh.
    """
    stack = Stack(NIOBATE, cut="(YXl)128")
    four = comb(stack, AL, DOUBLE, EIGHTHS, 0.02 * WAVE)
    one = UnitCell.grating(stack, AL, pitch=WAVE / 4, thickness=0.02 * WAVE)
    window = 3700.0, 4000.0
    phase = 1.9 * np.pi
    k2 = np.array([0.2]) * phase / WAVE
    found = []
    for cell, gamma, connections in ((four, phase, DOUBLE), (one, phase / 4.0, None)):
        d = discretise(cell, COARSE)
        branch = follow_wave(d, gamma, window, k2, connections=connections)
        k1, f = at_one_frequency(d, branch, branch.frequency[0].real)
        assert k1[0] == pytest.approx(phase / WAVE, rel=1e-9)
        assert np.ptp(f.real) == 0.0
        found.append((branch.frequency.real, k1))
    # The slab of the plain grating is a quarter as deep, and its mesh as much finer: of that the
    # frequencies know, of which the ratios to straight on know less.
    for double, single in zip(*found, strict=True):
        np.testing.assert_allclose(double, single, rtol=2.5e-4)
        np.testing.assert_allclose(double[1] / double[0], single[1] / single[0], rtol=8e-6)
        assert abs(double[1] / double[0] - 1.0) > 1e-2


def test_three_electrodes_of_a_unidirectional_cell_go_on_from_their_band():
    """The wave below the band meets the electrodes as they are connected, one of them floating:
    towards 2 pi it goes over into an edge of the band, shorted and open, at k2 = 0 and beside.
    """
    stack = Stack(NIOBATE, cut="(YXl)128")
    connections = ("hot", "ground", "floating")
    cell = comb(stack, AL, connections, [(0.125, 0.125), (0.375, 0.125), (0.75, 0.25)], 0.01 * WAVE)
    d = discretise(cell, COARSE)
    wave = grating_waves(cell, phase=2.0 * np.pi)[0]
    band = find_stop_band(d, wave.velocity_free, wave.velocity_metallised, connections=connections)
    window = 0.85 * wave.velocity_metallised, 1.01 * wave.velocity_free
    k2 = np.array([0.1]) * 2.0 * np.pi / WAVE
    for open_circuit, edges in ((False, band.shorted), (True, band.open)):
        lowest = Start.of(band, edges[0])
        at_edge = follow_oblique(d, 2.0 * np.pi, [lowest], k2)[0]
        assert at_edge.floating.shape[1] == (2 if open_circuit else 1)
        apart = []
        for less in (2e-3, 1e-3):
            branch = follow_wave(
                d,
                2.0 * np.pi * (1.0 - less),
                window,
                k2,
                open_circuit=open_circuit,
                connections=connections,
            )
            np.testing.assert_array_equal(branch.floating, at_edge.floating)
            apart.append(1.0 - branch.frequency.real / at_edge.frequency.real)
        # Below an edge w falls by less than v, and by ever less: the wave stands there.
        assert np.all(apart[1] > 0.0)
        assert np.all(apart[0] > 2.0 * apart[1])
        assert np.all(apart[0] < 2e-3)


def lossy(cell, strength):
    """Invented losses: the crystal viscous and dielectric, the metal by its Q."""
    crystal, metal = cell_materials(cell)
    eta = Viscosity(2e-12 * strength * crystal.stiffness)  # w eta/c = 1/80 near 1 GHz
    lossy_crystal = replace(crystal, viscosity=eta, loss_tangent=LossTangent(0.008 * strength))
    cell = substituted(cell, crystal, lossy_crystal)
    return substituted(cell, metal, replace(metal, mechanical_q=40.0 / strength))


@pytest.fixture(scope="module")
def plain():
    """Al on 128 deg Y-X niobate, its band and its edges at three k2."""
    stack = Stack(NIOBATE, cut="(YXl)128")
    cell = UnitCell.grating(stack, AL, pitch=WAVE / 2, thickness="80 nm")
    d = discretise(cell, COARSE)
    band = find_stop_band(d, 4000.0, 3700.0)
    return cell, d, band


K2 = np.array([0.1, 0.2]) * 2.0 * np.pi / WAVE


def test_scaled_constants_turn_the_oblique_frequency(plain):
    """c -> c s^2, e -> e s with s^2 = 1 + j/Q in every material: the potential phi = s phi' gives
    back the equations without loss at w/s, at any k2. So every frequency is s times as large.
    """
    cell, d, band = plain
    changed, rule, s = turned(cell, 40.0)
    losing = discretise(changed, COARSE, losses=rule)
    starts = [Start.of(band, edge) for edge in (band.shorted[0], band.open[-1])]
    quiet = follow_oblique(d, np.pi, starts, K2)
    starts = [replace(start, frequency=start.frequency * s) for start in starts]
    for one, other in zip(quiet, follow_oblique(losing, np.pi, starts, K2), strict=True):
        np.testing.assert_allclose(other.frequency, s * one.frequency, rtol=5e-9)
        assert other.error < 2e-8
    # Below the band, and at one frequency: k1 at which Re f is given, Im f to it by the ratio.
    phase, window = 0.95 * np.pi, (3700.0, 4000.0)
    quiet, other = (follow_wave(one, phase, window, K2) for one in (d, losing))
    np.testing.assert_allclose(other.frequency, s * quiet.frequency, rtol=5e-9)
    k1, f = at_one_frequency(losing, other, other.frequency[0].real)
    np.testing.assert_allclose(
        k1, at_one_frequency(d, quiet, quiet.frequency[0].real)[0], rtol=1e-8
    )
    np.testing.assert_allclose(f.imag / f.real, s.imag / s.real, rtol=1e-6)


def test_a_lossy_grating_against_perturbation_to_second_order(plain):
    """df = j (1/Q dlnc_metal + w eta/c ..) from differences of the lossless oblique frequencies,
    which know nothing of the loss's matrices: half the loss, a quarter of the distance.
    """
    cell, _, band = plain
    starts = [Start.of(band, edge) for edge in (band.shorted[0], band.open[-1])]
    crystal, metal = cell_materials(cell)

    def frequencies(changed):
        found = follow_oblique(discretise(changed, COARSE), np.pi, starts, K2)
        return np.array([branch.frequency for branch in found])

    def slope(material, name):
        step = 1e-4
        value = getattr(material, name)
        ends = [
            frequencies(substituted(cell, material, replace(material, **{name: value * factor})))
            for factor in (1.0 - step, 1.0 + step)
        ]
        return (ends[1] - ends[0]) / (2.0 * step)

    base = frequencies(cell)
    stiff, metallic = slope(crystal, "stiffness"), slope(metal, "stiffness")
    electric = slope(crystal, "permittivity")
    omega = 2.0 * np.pi * base.real
    shift = 1j * (omega * 2e-12 * stiff + metallic / 40.0 - 0.008 * electric)
    assert np.all(np.abs(shift) > 3e-3 * base.real)
    apart = []
    for strength in (1.0, 0.5, 0.25):
        losing = discretise(lossy(cell, strength), COARSE, losses=material_losses)
        found = follow_oblique(losing, np.pi, starts, K2)
        exact = np.array([branch.frequency for branch in found])
        apart.append(np.abs(exact - base - strength * shift) / base.real)
    assert np.all(apart[0] < 3e-4)
    np.testing.assert_allclose(apart[0] / apart[1], 4.0, rtol=0.03)
    np.testing.assert_allclose(apart[1] / apart[2], 4.0, rtol=0.05)


@pytest.mark.slow
def test_a_viscous_stack_below_the_slab_is_turned_with_the_wave():
    """Loss in the floor and in the slab are one: another depth of the floor, the same frequency."""
    stack = Stack(NIOBATE, euler=(10.0, 38.0, 20.0))
    cell = UnitCell.grating(stack, AL, pitch=WAVE / 2, thickness=0.03 * WAVE)
    found = []
    for depth in (0.35, 0.25):
        settings = MeshSettings(4, 2, 0.15, depth=depth, reach=0.25)
        d = discretise(lossy(cell, 1.0), settings, losses=material_losses)
        wave = grating_waves(cell)[0]
        window = 0.85 * wave.velocity_metallised, 1.01 * wave.velocity_free
        branch = follow_wave(d, 0.95 * np.pi, window, K2[-1:])
        found.append(branch.frequency)
    np.testing.assert_allclose(found[1], found[0], rtol=1e-7)
    assert np.all(found[0].imag > 3e-3 * found[0].real)
