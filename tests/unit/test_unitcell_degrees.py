"""Degrees that fall towards corners: closed forms of the rule, and what it costs in accuracy."""

from dataclasses import replace

import numpy as np
import pytest

from sawfem.design import Overcoat, Stack, UnitCell
from sawfem.unitcell.degrees import _bernstein, corners, degrees, left_out
from sawfem.unitcell.discretisation import discretise, shape_functions
from sawfem.unitcell.mesh import MeshSettings, mesh_cell
from sawfem.unitcell.reduced import reduce
from sawfem.unitcell.system import BlochSystem, floor_admittance

SETTINGS = MeshSettings(order=5, gradings=3, ratio=0.1, thrift=0.3)


@pytest.fixture(scope="module")
def cell() -> UnitCell:
    stack = Stack("lithium-niobate/kovacs-1990", cut="(YXl)128")
    return UnitCell.grating(stack, "aluminium/kaye-laby", pitch="2 um", thickness="80 nm")


@pytest.mark.parametrize(("place", "aside"), [(1.7, 0.0), (0.3, 0.4), (-2.0, 1.0)])
def test_rho_is_the_ratio_of_chebyshev_coefficients_of_a_pole(place, aside):
    """1/(z - x) has the Chebyshev coefficients 2 rho^n/(z^2 - 1)^(1/2), falling exactly as rho^n.

    Rivlin, Chebyshev Polynomials, 1990, section 3.3; from memory.
    """
    found = _bernstein(np.array([-1.0]), np.array([1.0]), place, np.array([aside]))[0]
    count = 400
    t = np.pi * (np.arange(count) + 0.5) / count
    values = 1.0 / (place + 1j * aside - np.cos(t))
    three, six = (2.0 / count * np.sum(values * np.cos(n * t)) for n in (3, 6))
    assert abs(six / three) ** (1.0 / 3.0) == pytest.approx(found, rel=1e-9)


def test_degrees_rise_from_the_corners_and_respect_the_mirror(cell):
    mesh = mesh_cell(cell, SETTINGS)
    across, up = degrees(mesh, SETTINGS.order, SETTINGS.thrift)
    x, z = mesh.mesh.p[:, mesh.mesh.t]
    middle = x.mean(axis=0), z.mean(axis=0)
    touching = np.zeros(across.size, dtype=bool)
    for corner_x, corner_z in corners(mesh):
        touching |= np.any(np.hypot(x - corner_x, z - corner_z) < 1e-12, axis=0)
    assert touching.sum() == 16  # four corners, four elements each
    assert np.all(across[touching] == 2)
    assert np.all(up[touching] == 2)
    large = (np.ptp(x, axis=0) > 0.2) & (np.ptp(z, axis=0) > 0.14)
    assert large.any()
    assert across[large].min() == up[large].min() == SETTINGS.order
    order = np.lexsort((middle[0], np.round(middle[1], 9)))
    mirrored = np.lexsort((1.0 - middle[0], np.round(middle[1], 9)))
    np.testing.assert_array_equal(across[order], across[mirrored])
    np.testing.assert_array_equal(up[order], up[mirrored])


def test_corners_of_a_coated_strip_that_leans(cell):
    """Four of the metal; an overcoat adds four of its own and none along the straight walls."""
    leaning = {"thickness": "80 nm", "sidewall_angle": 75.0, "pitch": "2 um"}
    plain = UnitCell.grating(cell.stack, "aluminium/kaye-laby", **leaning)
    assert len(corners(mesh_cell(plain, SETTINGS))) == 4
    film = Overcoat("silica/auld-1973", "60 nm")
    coated = UnitCell.grating(cell.stack, "aluminium/kaye-laby", **leaning, overcoat=[film])
    assert len(corners(mesh_cell(coated, SETTINGS))) == 8


def test_vertices_stay_and_no_thrift_leaves_nothing_out(cell):
    """With all vertex functions the elements still hold every linear field: the patch test."""
    mesh = mesh_cell(cell, SETTINGS)
    basis = shape_functions(mesh, SETTINGS.order)
    dropped = left_out(mesh, basis, SETTINGS.order, SETTINGS.thrift)
    assert dropped.any()
    assert not dropped[basis.nodal_dofs].any()
    assert not left_out(mesh, basis, SETTINGS.order, 0.0).any()


def test_half_the_unknowns_for_the_same_error(cell):
    """Y(f, pi) against that of a finer mesh of one degree throughout."""
    truth, _ = _admittance(cell, MeshSettings(order=5, gradings=4, ratio=0.15))
    uniform, many = _admittance(cell, MeshSettings(order=4, gradings=3, ratio=0.15))
    spare, few = _admittance(cell, SETTINGS)
    assert few < 0.55 * many
    assert abs(spare / truth - 1.0) < 1.5 * abs(uniform / truth - 1.0)


def test_an_order_and_a_layer_more_is_a_digit(cell):
    """The error falls geometrically, which is what the error bars of a grating stand on."""
    answers = [
        _admittance(cell, replace(SETTINGS, order=order, gradings=order - 2))[0]
        for order in (3, 4, 5, 6)
    ]
    errors = np.abs(np.array(answers[:-1]) / answers[-1] - 1.0)
    assert np.all(errors[1:] < 0.2 * errors[:-1])
    assert errors[-1] < 2e-4


def _admittance(cell: UnitCell, settings: MeshSettings) -> tuple[complex, int]:
    d = discretise(cell, settings)
    system = BlochSystem(d, np.pi, floor_admittance(d))
    return complex(reduce(system, 900e6).admittance(900e6)[0, 0]), d.size
