"""Oblique dispersion of the regions of a resonator against plane waves and their continuation."""

from dataclasses import replace

import numpy as np
import pytest

from sawfem.design import Stack, UnitCell
from sawfem.device.transverse import TransverseGuide
from sawfem.device.transverse_cell import resonator_regions
from sawfem.errors import InputError
from sawfem.extract.grating import solve_grating
from sawfem.material import load_material
from sawfem.planewave.beam import beam
from sawfem.planewave.follow import at_wavelength, locate

PITCH = 2e-6
QUARTZ = "quartz/bechmann-1958"
AL = "aluminium/kaye-laby"


@pytest.fixture(scope="module")
def massless():
    """Strips and bus-bars without mass on ST-X quartz, whose K^2 is 1.2e-3."""
    metal = load_material(AL)
    light = replace(metal, stiffness=1e-6 * metal.stiffness, density=1e-3)
    stack = Stack(QUARTZ, cut="(YXl)42.75")
    cell = UnitCell.grating(stack, light, pitch=PITCH, thickness=4e-4 * PITCH)
    solution = solve_grating(cell, accuracy=1e-4)
    return solution, resonator_regions(solution)


def test_a_massless_grating_bends_as_the_plane_waves_do(massless):
    """d2f/dk2^2 at k2 -> 0 of grating, bus-bar and free surface is that of v(theta): with f = v
    |k|/2 pi it is f0 (1 + g)/k1^2, g = d psi/d theta the anisotropy of the beam (Szabo & Slobodnik,
    IEEE Trans. SU-20, 240 (1973); about 0.38 for ST-X quartz; both from memory).
    """
    solution, regions = massless
    substrate, layers, _ = solution.cell.planar()
    free, metallised = (
        beam(locate(solution.wave, substrate, layers, metallised=metal)) for metal in (False, True)
    )
    k1 = regions.wavenumber
    assert free.anisotropy == pytest.approx(0.38, abs=0.01)
    assert regions.free.anisotropy(k1) == pytest.approx(free.anisotropy, abs=2e-6)
    assert regions.busbar.anisotropy(k1) == pytest.approx(metallised.anisotropy, abs=2e-4)
    # Strips stand between the two surfaces by the same share in frequency and in curvature.
    places = [d.cutoff for d in (regions.free, regions.overlap, regions.busbar)]
    share = (places[0] - places[1]) / (places[0] - places[2])
    between = free.anisotropy + share * (metallised.anisotropy - free.anisotropy)
    assert 0.9 < share < 1.0
    assert regions.overlap.anisotropy(k1) == pytest.approx(between, abs=1e-4)
    wave = solution.wave
    assert wave.velocity_free is not None
    assert wave.velocity_metallised is not None
    for region, velocity in (
        (regions.free, wave.velocity_free),
        (regions.busbar, wave.velocity_metallised),
    ):
        assert region.cutoff == pytest.approx(velocity * k1 / (2.0 * np.pi), rel=1e-6)
    assert regions.overlap.cutoff == pytest.approx(
        solution.band.resonance.frequency.real, rel=1e-12
    )
    assert not regions.remarks


def test_what_decays_across_is_the_continuation_of_what_runs(massless):
    """f(k2^2) is analytic: the polynomial through real directions alone leads to the frequencies
    that complex directions give.
    """
    solution, _ = massless
    k1 = np.pi / PITCH
    substrate, layers, _ = solution.cell.planar()
    wave = locate(solution.wave, substrate, layers)
    wave = at_wavelength(wave, wave.stack, k1)

    def frequency(q: float) -> float:
        angle = np.arctan(np.emath.sqrt(q))
        return at_wavelength(wave, wave.stack.turned(angle), k1 * np.sqrt(1.0 + q)).omega

    nodes = 0.03 * (1.0 - np.cos(np.pi * np.arange(1, 8) / 7.0)) / 2.0
    line = np.polynomial.Polynomial.fit(nodes, [frequency(q) for q in nodes], 6)
    for q, rel in ((-0.004, 1e-10), (-0.012, 1e-7)):
        assert abs(frequency(q) / frequency(0.0) - 1.0) > 1e-3
        assert frequency(q) == pytest.approx(line(q), rel=rel)


def test_points_left_out_do_not_matter(massless):
    """The same guide from one point less of every curve."""
    _, regions = massless
    guides = [TransverseGuide(80.0 * PITCH, r.overlap, r.free) for r in (regions, regions.coarser)]
    fine, coarse = (guide.frequencies() for guide in guides)
    assert fine.size == coarse.size >= 2
    assert fine == pytest.approx(coarse, rel=1e-8)


def test_cells_that_have_no_such_regions(massless):
    solution, _ = massless
    cell = solution.cell
    sunk = UnitCell(cell.stack, cell.electrodes, cell.period, recess=0.2e-9)
    with pytest.raises(InputError, match="recessed"):
        resonator_regions(replace(solution, cell=sunk))


def test_a_leaky_wave_that_is_fastest_outside_is_not_held():
    """42 deg Y-X tantalate with Al: the frequency of the leaky wave falls with k2 (a concave
    slowness curve), and grating, bus-bar and free surface follow in the order of their velocities,
    so that nothing holds it inside. Cut-offs of the free surface: velocity over wavelength.
    """
    stack = Stack("lithium-tantalate/kushibiki-1999", cut="(YXl)42")
    cell = UnitCell.grating(stack, AL, pitch=PITCH, thickness=0.16 * PITCH)
    solution = solve_grating(cell, accuracy=1e-3)
    regions = resonator_regions(solution)
    k1 = regions.wavenumber
    found = (regions.overlap, regions.busbar, regions.free)
    assert sorted(found, key=lambda d: d.cutoff) == list(found)
    assert all(d.anisotropy(k1) < -1.0 for d in found)
    assert regions.free.cutoff == pytest.approx(
        solution.wave.velocity_free * k1 / (2.0 * np.pi), rel=1e-6
    )
    guide = TransverseGuide(80.0 * PITCH, regions.overlap, regions.free)
    assert guide.window is None
    assert guide.modes() == ()
