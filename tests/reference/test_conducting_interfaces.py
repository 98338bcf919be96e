"""Conductors inside a stack: shorts at interfaces and metal layers."""

import numpy as np
import pytest

from sawfem.material import load_material
from sawfem.orientation import Orientation
from sawfem.planewave import surface_waves

OMEGA = 2.0 * np.pi * 1.0e9


def turned(name, *euler):
    return load_material(name).rotated(Orientation.from_euler(*euler).rotation)


@pytest.fixture(scope="module")
def niobate():
    return turned("lithium-niobate/kovacs-1990", 0.0, 38.0, 0.0)


def rayleigh(waves):
    return next(wave for wave in waves if wave.kind == "Rayleigh-type")


def test_a_short_under_a_vanishing_film_is_the_metallised_surface(niobate):
    """128 deg Y-X: 3870.90 m/s with a metallised surface (Kovacs set; from memory, reproduced),
    reached linearly in the thickness of a silica film over the short."""
    exact = rayleigh(surface_waves(niobate)).velocity_metallised
    assert exact == pytest.approx(3870.90, abs=0.01)
    silica = turned("silica/auld-1973", 0.0, 0.0, 0.0)
    off = []
    for thickness in (4e-9, 2e-9, 1e-9):
        waves = surface_waves(niobate, [(silica, thickness)], OMEGA, shorts=[0])
        off.append(rayleigh(waves).velocity_free - exact)
    assert abs(off[2]) < 1.0
    assert off[0] / off[1] == pytest.approx(2.0, rel=0.02)
    assert off[1] / off[2] == pytest.approx(2.0, rel=0.02)


def test_a_metal_film_shorts_and_loads(niobate):
    """Aluminium tends to the metallised velocity linearly; without the short the free one,
    3978.97 m/s, would be reached."""
    exact = rayleigh(surface_waves(niobate)).velocity_metallised
    metal = turned("aluminium/kaye-laby", 0.0, 0.0, 0.0)
    off = []
    for thickness in (4e-9, 2e-9, 1e-9):
        wave = rayleigh(surface_waves(niobate, [(metal, thickness)], OMEGA))
        assert wave.velocity_free == pytest.approx(wave.velocity_metallised, rel=1e-10)
        off.append(wave.velocity_free - exact)
    assert abs(off[2]) < 1.0
    assert off[0] / off[1] == pytest.approx(2.0, rel=0.02)
    assert off[1] / off[2] == pytest.approx(2.0, rel=0.02)


def test_a_short_without_a_field_changes_nothing():
    """Silica on silicon is not piezoelectric: a short between them is not felt."""
    silicon = turned("silicon/mason-1958", 0.0, 0.0, 0.0)
    silica = turned("silica/auld-1973", 0.0, 0.0, 0.0)
    plain = surface_waves(silicon, [(silica, 5e-7)], OMEGA)
    shorted = surface_waves(silicon, [(silica, 5e-7)], OMEGA, shorts=[0])
    assert [w.velocity for w in shorted] == pytest.approx([w.velocity for w in plain], rel=1e-10)
