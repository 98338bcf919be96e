"""Films of many wavelengths: the waves tend to those of a half-space of the film."""

from functools import cache

import numpy as np
import pytest

from sawfem.design import Stack
from sawfem.planewave.admittance import SurfaceAdmittance
from sawfem.planewave.counting import inertia
from sawfem.planewave.leaky_search import leaky_roots
from sawfem.planewave.limiting import lowest_onset
from sawfem.planewave.modes import both_surfaces
from sawfem.planewave.pairing import profiles
from sawfem.planewave.surface_waves import Wave, leaky_estimates, surface_waves

FREQUENCY = 900e6
OMEGA = 2.0 * np.pi * FREQUENCY
TANTALATE = "lithium-tantalate/kushibiki-1999"
CUT = "(YXl)42"


def film(micrometres: float) -> Stack:
    return Stack("silicon/mason-1958").with_layer(TANTALATE, micrometres * 1e-6, cut=CUT)


@cache
def waves(micrometres: float) -> tuple[Wave, ...]:
    return surface_waves(*film(micrometres).media(), OMEGA)


@pytest.mark.parametrize("thickness", [10.0, 40.0, 80.0])
def test_coupling_of_a_thick_film_tends_to_that_of_the_half_space(thickness: float) -> None:
    """2 to 20 wavelengths of lithium tantalate on silicon guide waves by the dozen; the strongest
    has the K^2 of the leaky wave of the half-space, give or take the split between neighbours."""
    (bulk,) = leaky_estimates(*Stack(TANTALATE, cut=CUT).media())
    coupled = [wave for wave in waves(thickness) if wave.coupling_k2 is not None]
    strongest = max(coupled, key=lambda wave: wave.coupling_k2)
    assert strongest.coupling_k2 == pytest.approx(bulk.coupling_k2, rel=0.08)
    assert strongest.velocity_free == pytest.approx(bulk.velocity_free, rel=3e-3)
    assert strongest.velocity_metallised == pytest.approx(bulk.velocity_metallised, rel=3e-3)
    others = [wave.coupling_k2 for wave in coupled if wave is not strongest]
    assert max(others) < 0.4 * bulk.coupling_k2


def test_rayleigh_wave_of_a_thick_film_is_that_of_the_half_space() -> None:
    """Several wavelengths down it has died out."""
    (bulk,) = surface_waves(*Stack(TANTALATE, cut=CUT).media())
    slowest = waves(20.0)[0]
    assert slowest.velocity_free == pytest.approx(bulk.velocity_free, rel=1e-9)
    assert slowest.velocity_metallised == pytest.approx(bulk.velocity_metallised, rel=1e-9)
    assert slowest.power_flow_angle == pytest.approx(bulk.power_flow_angle, abs=1e-6)


@pytest.mark.parametrize("thickness", [10.0, 40.0])
def test_every_wave_once(thickness: float) -> None:
    """As many of both surfaces as counted at the limit, and no two of them the same."""
    stack = SurfaceAdmittance(*film(thickness).media())
    limit = lowest_onset(stack.tensors[0])
    k = np.array([OMEGA / (limit * np.sqrt(1.0 - 1e-12))])
    for metallised in (False, True):
        counted = int(inertia(stack, np.array([OMEGA]), k, metallised=metallised).count[0])
        both = [
            wave.velocity_metallised if metallised else wave.velocity_free
            for wave in waves(thickness)
        ]
        found = sorted(velocity for velocity in both if velocity is not None)
        assert len(found) == counted
        assert np.diff(found).min() > 1e-9 * limit


def test_profiles_of_different_waves_are_orthogonal_in_a_thick_film() -> None:
    """At one wavenumber exactly so, with the density as weight; here the wavenumbers are those of
    one frequency, and neighbours of one family in a homogeneous film still nearly are."""
    stack = SurfaceAdmittance(*film(10.0).media())
    ((family, modes),) = both_surfaces(stack, OMEGA).items()
    rows = profiles(stack.restricted(family), OMEGA, modes[False])
    overlap = np.abs(rows.conj() @ rows.T) ** 2
    np.testing.assert_allclose(np.diag(overlap), 1.0, rtol=1e-12)
    neighbours = np.diag(overlap, 1)
    assert np.median(neighbours) < 0.02


@pytest.mark.parametrize("layers", [1, 10])
def test_fifty_wavelengths_of_the_substrates_own_crystal(layers: int) -> None:
    """They change nothing, in one piece or in ten: stable to 1e-9."""
    bare = Stack("quartz/bechmann-1958", cut="(YXl)42.75").media()[0]
    (expected,) = surface_waves(bare)
    thickness = 50.0 * expected.velocity / FREQUENCY
    (found,) = surface_waves(bare, [(bare, thickness / layers)] * layers, OMEGA)
    assert found.velocity_free == pytest.approx(expected.velocity_free, rel=1e-9)
    assert found.velocity_metallised == pytest.approx(expected.velocity_metallised, rel=1e-9)
    assert found.coupling_k2 == pytest.approx(expected.coupling_k2, rel=1e-6)


def test_leaky_waves_of_very_thick_films_are_not_sought_and_that_is_said() -> None:
    """Their number grows with the thickness and the time with its square: bounded, not hoped."""
    stack = SurfaceAdmittance(*film(120.0).media())
    ((_, roots, coverage),) = leaky_roots(stack, OMEGA, 0.01)
    assert roots == ([], [])
    (strip,) = coverage
    assert strip.attenuation == 0.0
    assert "33.1 wavelengths" in strip.note
    assert leaky_estimates(*film(120.0).media(), OMEGA) == ()
