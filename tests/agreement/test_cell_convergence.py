"""Mesh, slab, harmonics and basis of a unit cell converge at the order that theory states."""

from dataclasses import replace

import numpy as np
import pytest

from sawfem.design import Stack, UnitCell
from sawfem.unitcell.certified import CellModel
from sawfem.unitcell.discretisation import discretise
from sawfem.unitcell.mesh import MeshSettings
from sawfem.unitcell.system import harmonic_admittance

COARSE = MeshSettings(3, 1, 0.2)
FREQUENCY, PHASE = 0.8e9, 2.0
#: A slab so shallow that its harmonics can be counted, in periods.
SHALLOW = 0.12


@pytest.fixture(scope="module")
def cell():
    stack = Stack("lithium-niobate/kovacs-1990", cut="(YXl)128")
    return UnitCell.grating(stack, "aluminium/kaye-laby", pitch="2.228 um", thickness="89 nm")


def test_grading_converges_with_the_singularity_of_the_charge(cell):
    """The field beside an electrode's foot goes as r^(l - 1) with eps_s cot(pi l) +
    eps_0 cot(pi l / 2) = 0, l = 0.507 on niobate; the energy of the innermost element of size
    q^n goes as q^(2 l n) (wedge exponents of electrostatics: Meixner, IEEE Trans. AP-20, 442
    (1972); graded meshes: Babuska & Guo 1988; from memory).
    """
    ratio, exponent = 0.25, 0.507
    y = [
        harmonic_admittance(discretise(cell, MeshSettings(4, n, ratio)), FREQUENCY, PHASE)
        for n in (1, 2, 3, 4)
    ]
    steps = np.abs(np.diff(y))
    rates = np.log(steps[1:] / steps[:-1]) / np.log(ratio)
    np.testing.assert_allclose(rates, 2.0 * exponent, rtol=0.25)


def test_depth_of_the_slab_does_not_matter(cell):
    """The floor is exact: what changes with the depth is the mesh alone."""
    shallow, deep = (
        harmonic_admittance(
            discretise(cell, MeshSettings(5, 3, 0.15, depth=depth, largest=0.2)), FREQUENCY, PHASE
        )
        for depth in (0.35, 0.7)
    )
    assert abs(shallow / deep - 1.0) < 3e-6


@pytest.fixture(scope="module")
def model(cell):
    shallow = replace(COARSE, depth=SHALLOW, reach=SHALLOW)
    return CellModel(cell, (0.75e9, 0.85e9), (0.3, 2.5), mesh=shallow, tolerance=1e-10)


def test_harmonics_converge_exponentially(model):
    """What the floor reflects of harmonic k comes back as exp(-2 |k| depth)."""
    phase = 0.5
    exact = model.admittance(FREQUENCY, phase)[0, 0]
    cuts, errors = [], []
    for count in (3, 5, 7, 9):
        largest = 2.0 * np.pi * count + phase + 0.1
        cut = replace(model.projected, largest=largest)
        y = cut.at(phase).answer(FREQUENCY).admittance[0, 0]
        cuts.append(2.0 * np.pi * count)
        errors.append(abs(y / exact - 1.0))
    rate = np.polyfit(cuts, np.log(errors), 1)[0]
    assert rate == pytest.approx(-2.0 * SHALLOW, rel=0.35)


def test_basis_converges_exponentially(cell):
    """Reduced bases of smooth solution sets: each snapshot divides the error by a factor (Binev
    et al., SIAM J. Math. Anal. 43, 1457 (2011): greedy choice keeps the rate; from memory).
    """
    counts, reached = [], []
    for tolerance in (1e-2, 1e-4, 1e-6, 1e-8):
        grown = CellModel(cell, (0.75e9, 0.95e9), mesh=COARSE, tolerance=tolerance, training=(7, 9))
        counts.append(len(grown.snapshots))
        reached.append(grown.reached)
    rate = np.polyfit(counts, np.log10(reached), 1)[0]
    assert rate < -0.5
