"""A conformal film that ends in a step over a lower electrode: what the waves say of it."""

from dataclasses import replace

import numpy as np
import pytest

from sawfem.design import Electrode, Overcoat, Stack, UnitCell
from sawfem.material import load_material
from sawfem.planewave.buried import buried_waves
from sawfem.unitcell.discretisation import discretise
from sawfem.unitcell.mesh import MeshSettings
from sawfem.unitcell.stopband import find_stop_band

WAVE = 2e-6
AL, SILICA = "aluminium/kaye-laby", "silica/auld-1973"
SETTINGS = MeshSettings(4, 2, 0.15)
EPSILON_0 = 8.8541878128e-12


def cell(coat, *, thickness="180 nm", low="60 nm", mirrored=False):
    """A high hot strip, a lower grounded one; the gap between them is 150 nm wide."""
    places = [0.60e-6, 1.05e-6]
    strips = [
        Electrode(AL, height, "0.3 um", centre=WAVE - x if mirrored else x)
        for height, x in zip(("120 nm", low), places, strict=True)
    ]
    overcoat = [] if coat is None else [Overcoat(coat, thickness)]
    strips.sort(key=lambda strip: strip.centre)
    stack = Stack("lithium-niobate/kovacs-1990", cut="(YXl)128")
    return UnitCell(stack, strips, WAVE, overcoat=overcoat)


def edges(drawn, connections, window=(3700.0, 4000.0), settings=SETTINGS):
    band = find_stop_band(
        discretise(drawn, settings), window[1], window[0], connections=connections
    )
    return np.array([edge.frequency for edge in (*band.shorted, *band.open)])


def test_a_film_that_weighs_nothing_leaves_the_waves_alone():
    """With the permittivity of vacuum, no mass and no stiffness, the lines of its step, which run
    through the lower electrode, are the mesh's alone: to the mesh, the edges are those without it.
    """
    silica = load_material(SILICA)
    nothing = replace(
        silica,
        stiffness=1e-7 * silica.stiffness,
        density=1e-7 * silica.density,
        permittivity=EPSILON_0 * np.eye(3),
    )
    connections = ("hot", "ground")
    bare, coated = (edges(cell(coat), connections) for coat in (None, nothing))
    np.testing.assert_allclose(coated.real, bare.real, rtol=2e-5)
    apart = np.abs(np.subtract.outer(bare.real, bare.real))
    assert apart.max() > 1e-2 * bare.real.max()


def test_a_step_and_its_mirror_image_are_one_grating():
    """128 deg Y-X looks the same from both ends of x1. The film counts: thirty
    nanometres of it move the edges far more than the meshes differ.
    """
    substrate, layers, interface = cell(SILICA).planar()
    wave = next(
        w
        for w in buried_waves(substrate, layers, 2 * np.pi * 1.9e9, interface)
        if w.coupling_k2 and w.coupling_k2 > 1e-3
    )
    window = wave.velocity_metallised, wave.velocity_free
    coarse = MeshSettings(3, 1, 0.2)
    found = edges(cell(SILICA), ("hot", "ground"), window, coarse)
    image = edges(cell(SILICA, mirrored=True), ("ground", "hot"), window, coarse)
    np.testing.assert_allclose(image.real, found.real, rtol=1e-9)
    thicker = edges(cell(SILICA, thickness="210 nm"), ("hot", "ground"), window, coarse)
    assert np.all(np.abs(thicker.real / found.real - 1.0) > 1e-4)


@pytest.mark.slow
def test_a_step_that_gets_small_is_none():
    """As the lower strip grows as high as the other, the step over it vanishes: the edges tend to
    those of the level film, by as much as the strip lacks in height.
    """
    level = edges(cell(SILICA, low="120 nm"), ("hot", "ground"))
    four, two = (edges(cell(SILICA, low=f"{120 - less} nm"), ("hot", "ground")) for less in (4, 2))
    assert np.max(np.abs(four / level - 1.0)) > 6e-4
    # Straight on to no step; a mesh without the step's lines differs by its own error.
    np.testing.assert_allclose((2.0 * two - four).real, level.real, rtol=3e-5)
