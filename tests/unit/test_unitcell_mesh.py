"""The mesh of a period: nodes, regions, side walls, interfaces."""

import numpy as np
import pytest

from sawfem.design import Stack, UnitCell
from sawfem.unitcell.mesh import AIR, METAL, STACK, MeshSettings, mesh_cell
from sawfem.unitcell.spacing import graded, split

SETTINGS = MeshSettings(3, 2, 0.2)


def area(mesh, chosen):
    """Area of quadrilaterals by the shoelace formula."""
    x, z = mesh.p[:, mesh.t[:, chosen]]
    return float(0.5 * np.abs(np.sum(x * np.roll(z, -1, 0) - np.roll(x, -1, 0) * z, axis=0)).sum())


@pytest.fixture
def stack():
    return Stack("lithium-niobate/kovacs-1990", cut="(YXl)128")


def cell(stack, **changes):
    keys = {"pitch": 2e-6, "thickness": 0.2e-6, "metallisation_ratio": 0.4, **changes}
    return UnitCell.grating(stack, "aluminium/kaye-laby", **keys)


def test_graded_nodes_shrink_by_the_ratio():
    nodes = graded(0.0, 1.0, "start", 3, 0.25, 1.0)
    assert nodes == pytest.approx([0.0, 0.25**3, 0.25**2, 0.25, 1.0])
    both = graded(0.0, 1.0, "both", 2, 0.25, 1.0)
    assert both == pytest.approx(1.0 - both[::-1])
    assert np.all(np.diff(both) > 0.0)


def test_split_keeps_the_nodes_and_the_size():
    nodes = np.array([0.0, 0.1, 1.0])
    finer = split(nodes, 0.25)
    assert set(nodes) <= set(finer)
    assert np.max(np.diff(finer)) <= 0.25 + 1e-12


def test_regions_have_the_areas_of_the_drawing(stack):
    mesh = mesh_cell(cell(stack), SETTINGS)
    assert area(mesh.mesh, mesh.region == METAL) == pytest.approx(0.4 * 0.1)
    assert area(mesh.mesh, mesh.region == STACK) == pytest.approx(SETTINGS.depth)
    assert area(mesh.mesh, mesh.region == AIR) == pytest.approx(SETTINGS.air + 0.6 * 0.1)


def test_leaning_walls_take_the_trapezoid_from_the_metal_only(stack):
    mesh = mesh_cell(cell(stack, sidewall_angle=70.0), SETTINGS)
    inset = 0.1 / np.tan(np.deg2rad(70.0))
    assert area(mesh.mesh, mesh.region == METAL) == pytest.approx(0.1 * (0.4 - inset))
    assert area(mesh.mesh, mesh.region == STACK) == pytest.approx(SETTINGS.depth)
    total = area(mesh.mesh, np.ones_like(mesh.region, dtype=bool))
    assert total == pytest.approx(SETTINGS.depth + 0.1 + SETTINGS.air)


def test_sides_of_the_period_have_the_same_heights(stack):
    mesh = mesh_cell(cell(stack, sidewall_angle=60.0), SETTINGS).mesh
    left = np.sort(mesh.p[1, np.abs(mesh.p[0]) < 1e-14])
    right = np.sort(mesh.p[1, np.abs(mesh.p[0] - 1.0) < 1e-14])
    assert left.size > 5
    assert np.array_equal(left, right)


def test_interfaces_are_lines_of_nodes(stack):
    layered = stack.with_layer("silica/auld-1973", "0.1 um").with_layer(
        "silica/auld-1973", "0.3 um"
    )
    mesh = mesh_cell(cell(layered), SETTINGS)
    assert mesh.parts == (0, 1, 2)
    assert area(mesh.mesh, mesh.region == STACK) == pytest.approx(0.15)
    assert area(mesh.mesh, mesh.region == STACK + 1) == pytest.approx(0.05)
    assert area(mesh.mesh, mesh.region == STACK + 2) == pytest.approx(SETTINGS.depth - 0.2)


def test_a_layer_thicker_than_the_slab_fills_it(stack):
    mesh = mesh_cell(cell(stack.with_layer("silica/auld-1973", "3 um")), SETTINGS)
    assert mesh.parts == (0,)
