"""The unit cell by two ways: slab depth, layers, small and full model, order of convergence."""

import numpy as np
import pytest

from sawfem.design import Stack, UnitCell
from sawfem.errors import ConvergenceError
from sawfem.extract import solve_grating
from sawfem.planewave import estimate_velocities
from sawfem.unitcell.discretisation import discretise
from sawfem.unitcell.mesh import MeshSettings
from sawfem.unitcell.reduced import reduce
from sawfem.unitcell.stopband import find_stop_band, resonances
from sawfem.unitcell.system import BlochSystem, floor_admittance

PITCH = 2.0e-6
NIOBATE = ("lithium-niobate/kovacs-1990", [0.0, 38.0, 0.0], 0.02)
QUARTZ = ("quartz/bechmann-1958", [0.0, 132.75, 0.0], 0.02)
TANTALATE = ("lithium-tantalate/smith-welsh-1971", [0.0, -48.0, 0.0], 0.08)


def grating(stack: Stack, height: float, **changes: float) -> UnitCell:
    return UnitCell.grating(
        stack, "aluminium/kaye-laby", pitch=PITCH, thickness=2.0 * PITCH * height, **changes
    )


def edges(cell: UnitCell, settings: MeshSettings, velocities: tuple[float, float] | None = None):
    """All edges as complex frequencies."""
    if velocities is None:
        substrate, layers = cell.stack.media()
        omega = np.pi * 3000.0 / cell.period if layers else None
        wave = estimate_velocities(substrate, layers, omega)[0]
        velocities = wave.velocity_free, wave.velocity_metallised
    band = find_stop_band(discretise(cell, settings), *velocities)
    return np.array([edge.frequency for edge in (*band.shorted, *band.open)])


@pytest.mark.parametrize(("crystal", "euler", "height"), [NIOBATE, QUARTZ, TANTALATE])
def test_depth_of_the_slab_does_not_matter(crystal, euler, height):
    """From 0.25 to 0.5 to 1 pitch on the same near-surface mesh: below 3e-6, and less on a finer
    mesh. What the slab holds in elements below 0.25 pitch, the floor holds exactly."""
    cell = grating(Stack(crystal, euler=euler), height)
    changes = []
    for order, gradings in ((3, 2), (4, 3)):
        found = [
            edges(cell, MeshSettings(order, gradings, 0.15, depth=depth, reach=0.25))
            for depth in (0.25, 0.5, 1.0)
        ]
        changes.append(max(np.max(np.abs(np.diff(found, axis=0) / found[0]), axis=1)))
    assert changes[0] < 3e-6
    assert changes[1] < 0.2 * changes[0]


def test_a_layer_of_the_own_crystal_changes_nothing():
    bare = Stack("lithium-niobate/kovacs-1990", cut="(YXl)128")
    coated = bare.with_layer("lithium-niobate/kovacs-1990", 0.9 * PITCH, cut="(YXl)128")
    settings = MeshSettings(3, 2, 0.15)
    a = edges(grating(bare, 0.02), settings, (3979.0, 3871.0))
    b = edges(grating(coated, 0.02), settings, (3979.0, 3871.0))
    assert np.max(np.abs(b / a - 1.0)) < 1e-9


def test_a_meshed_interface_inside_one_crystal_changes_nothing_beyond_the_mesh():
    bare = Stack("lithium-niobate/kovacs-1990", cut="(YXl)128")
    coated = bare.with_layer("lithium-niobate/kovacs-1990", 0.2 * PITCH, cut="(YXl)128")
    settings = MeshSettings(4, 3, 0.15)
    a = edges(grating(bare, 0.02), settings, (3979.0, 3871.0))
    b = edges(grating(coated, 0.02), settings, (3979.0, 3871.0))
    assert np.max(np.abs(b / a - 1.0)) < 5e-7


@pytest.mark.parametrize("thickness", [0.5, 0.8])
def test_layer_by_elements_and_layer_by_admittance_agree(thickness):
    """Zinc oxide on silicon: wholly inside the slab, cut through by its floor."""
    stack = Stack("silicon/mason-1958", euler=[0.0, 0.0, 0.0]).with_layer(
        "zinc-oxide/bateman-1962", thickness * PITCH, euler=[0.0, 0.0, 0.0]
    )
    cell = grating(stack, 0.02)
    meshed = edges(cell, MeshSettings(4, 3, 0.15, depth=1.1, reach=0.25))
    exact = edges(cell, MeshSettings(4, 3, 0.15, depth=0.3, reach=0.25))
    assert meshed.shape == exact.shape == (4,)
    assert np.max(np.abs(exact / meshed - 1.0)) < 1e-6


@pytest.mark.parametrize("height", [0.02, 0.05])
def test_edges_converge_at_the_order_of_graded_elements(height):
    """Adding an order and a grading multiplies the error by a constant factor (exponential
    convergence in the number of unknowns to the power 1/3: Babuska & Guo 1988)."""
    cell = grating(Stack("lithium-niobate/kovacs-1990", cut="(YXl)128"), height)
    found = [edges(cell, MeshSettings(o, o - 1, 0.15), (3979.0, 3871.0)) for o in (2, 3, 4, 5)]
    errors = np.max(np.abs(np.array(found[:-1]) / found[-1] - 1.0), axis=1)
    assert np.all(errors[1:] < errors[:-1] / 4.0)
    assert errors[-1] < 2e-5


def test_uniform_refinement_converges_at_the_order_of_the_corner():
    """Without grading the error of an edge falls as h^(2 l), l the exponent of the potential at
    the corner of a thin electrode: eps_s cot(pi l) + eps_0 cot(pi l/2) = 0, near 1/2 for
    niobate. That is order one, whatever the degree of the elements."""
    cell = grating(Stack("lithium-niobate/kovacs-1990", cut="(YXl)128"), 0.02)
    reference = edges(cell, MeshSettings(5, 4, 0.15), (3979.0, 3871.0))
    errors = []
    sizes = (0.125, 0.0625, 0.03125)
    for size in sizes:
        found = edges(cell, MeshSettings(2, 0, 0.5, largest=size), (3979.0, 3871.0))
        errors.append(np.max(np.abs(found / reference - 1.0)))
    order = np.log(errors[0] / errors[-1]) / np.log(sizes[0] / sizes[-1])
    assert order == pytest.approx(1.0, abs=0.25)


@pytest.mark.parametrize(("crystal", "euler", "height"), [NIOBATE, QUARTZ, TANTALATE])
@pytest.mark.parametrize("phase", [np.pi, 0.5 * np.pi, 2.0, -np.pi])
def test_small_model_answers_as_the_full_one(crystal, euler, height, phase):
    cell = grating(Stack(crystal, euler=euler), height)
    discretisation = discretise(cell, MeshSettings(3, 2, 0.15))
    system = BlochSystem(discretisation, phase, floor_admittance(discretisation))
    centre = 3500.0 * abs(phase) / (2.0 * np.pi * PITCH)
    model = reduce(system, centre)
    for share in (0.5, 0.93, 1.07, 1.2):
        full = system.admittance(share * centre)[0, 0]
        small = model.admittance(share * centre)[0, 0]
        assert abs(small - full) < 1e-5 * abs(full)


def test_estimated_error_of_the_small_model_is_fair():
    cell = grating(Stack("quartz/bechmann-1958", euler=[0.0, 132.75, 0.0]), 0.02)
    discretisation = discretise(cell, MeshSettings(3, 2, 0.15))
    system = BlochSystem(discretisation, np.pi, floor_admittance(discretisation))
    centre = 3140.0 / (2.0 * PITCH)
    shorted, _, _, _ = resonances(reduce(system, centre, bottom_pairs=3), 2900.0, 3200.0)
    exact, _, _, _ = resonances(reduce(system, centre, bottom_pairs=9), 2900.0, 3200.0)
    model = reduce(system, centre, bottom_pairs=3)
    for edge, truth in zip(shorted, exact, strict=True):
        error = abs(edge.frequency / truth.frequency - 1.0)
        estimate = model.frequency_error(edge.frequency, edge.vector)
        assert error <= estimate <= 20.0 * error


def test_trapezoid_tends_to_the_rectangle():
    """Steep side walls: the change of the edges is linear in the inset."""
    stack = Stack("lithium-niobate/kovacs-1990", cut="(YXl)128")
    settings = MeshSettings(3, 2, 0.15)
    straight = edges(grating(stack, 0.03), settings, (3979.0, 3871.0))
    changes = []
    for angle in (80.0, 85.0, 88.0):
        leaning = edges(grating(stack, 0.03, sidewall_angle=angle), settings, (3979.0, 3871.0))
        inset = 1.0 / np.tan(np.deg2rad(angle))
        changes.append((leaning[0] / straight[0] - 1.0).real / inset)
    assert changes[0] == pytest.approx(changes[2], rel=0.1)
    assert changes[1] == pytest.approx(changes[2], rel=0.05)


def test_a_cut_without_coupling_is_refused_in_one_sentence():
    """Silicon is not piezoelectric: no stop band to ask for."""
    cell = grating(Stack("silicon/mason-1958", euler=[0.0, 0.0, 0.0]), 0.02)
    with pytest.raises(ConvergenceError, match="no surface wave of this stack couples"):
        solve_grating(cell)


def test_small_model_at_phase_zero():
    """gamma = 0: the harmonic k = 0 is its own mirror image and must count once."""
    cell = grating(Stack("lithium-niobate/kovacs-1990", cut="(YXl)128"), 0.02)
    discretisation = discretise(cell, MeshSettings(3, 2, 0.15))
    system = BlochSystem(discretisation, 0.0, floor_admittance(discretisation))
    centre = 3500.0 / (2.0 * PITCH)
    model = reduce(system, centre)
    x = np.zeros(model.order + 1, dtype=complex)
    x[:] = np.cos(np.arange(x.size))
    full = system.matrix(centre) @ model.expand(x)
    projected = np.concatenate([model.basis.T @ full[:-1], full[-1:]])
    small = model.matrix(centre) @ x
    assert np.linalg.norm(small - projected) < 1e-9 * np.linalg.norm(projected)
