"""The reduced model over (f, gamma) against full solutions, and its certificate."""

import os

import numpy as np
import pytest

from sawfem.design import Electrode, Overcoat, Stack, UnitCell
from sawfem.errors import ConvergenceError, InputError
from sawfem.unitcell.certified import CellModel
from sawfem.unitcell.discretisation import discretise
from sawfem.unitcell.mesh import MeshSettings
from sawfem.unitcell.region import Region
from sawfem.unitcell.sparse import factorise
from sawfem.unitcell.system import CAPACITANCE, BlochSystem, floor_admittance

PITCH = 2.0e-6
COARSE = MeshSettings(3, 1, 0.2)
#: Random points a cell; SAWFEM_POINTS=300 takes as many as the criterion names.
POINTS = int(os.environ.get("SAWFEM_POINTS", "25"))
ALUMINIUM = "aluminium/kaye-laby"


def strip(width, centre, thickness="120 nm"):
    return Electrode(ALUMINIUM, thickness, width, centre=centre)


def weak():
    """ST-X quartz, Al 2 %."""
    stack = Stack("quartz/bechmann-1958", euler=[0.0, 132.75, 0.0])
    return UnitCell.grating(stack, ALUMINIUM, pitch=PITCH, thickness="80 nm"), 3140.0


def strong():
    """128 deg Y-X lithium niobate, Al 2 %."""
    stack = Stack("lithium-niobate/kovacs-1990", cut="(YXl)128")
    return UnitCell.grating(stack, ALUMINIUM, pitch=PITCH, thickness="80 nm"), 3900.0


def leaky():
    """42 deg Y-X lithium tantalate, Al 8 %: radiates into the bulk."""
    stack = Stack("lithium-tantalate/smith-welsh-1971", cut="(YXl)42")
    return UnitCell.grating(stack, ALUMINIUM, pitch=PITCH, thickness="320 nm"), 4050.0


def layered():
    """42 deg Y-X lithium tantalate, 1.2 um, on silica on silicon: guided waves."""
    stack = Stack("silicon/mason-1958", euler=[0.0, 0.0, 0.0])
    stack = stack.with_layer("silica/auld-1973", "1 um")
    stack = stack.with_layer("lithium-tantalate/smith-welsh-1971", "1.2 um", cut="(YXl)42")
    return UnitCell.grating(stack, ALUMINIUM, pitch=PITCH, thickness="320 nm"), 3900.0


def three_electrodes():
    """Unidirectional: three unlike electrodes a wavelength."""
    stack = Stack("lithium-niobate/kovacs-1990", cut="(YXl)128")
    electrodes = [
        strip("0.5 um", "0.5 um"),
        strip("0.5 um", "1.5 um"),
        strip("0.9 um", "3.0 um"),
    ]
    return UnitCell(stack, electrodes, "4 um"), 2.0 * 3900.0  # the period is a wavelength


def buried():
    """Electrodes in a groove under a flat overcoat of silica that covers them."""
    stack = Stack("lithium-niobate/kovacs-1990", cut="(YXl)128")
    cell = UnitCell(
        stack,
        [strip("1 um", "1 um")],
        PITCH,
        overcoat=[Overcoat("silica/auld-1973", "300 nm", top="flat")],
        recess="40 nm",
    )
    return cell, 3700.0


CELLS = (weak, strong, leaky, layered, three_electrodes, buried)


@pytest.fixture(scope="module", params=CELLS, ids=lambda make: make.__name__)
def grown(request):
    """A model over +-15 % and 0..pi to 1e-8, its mesh, and its centre frequency."""
    cell, velocity = request.param()
    discretisation = discretise(cell, COARSE)
    centre = velocity / (2.0 * cell.period)
    band = (0.85 * centre, 1.15 * centre)
    return CellModel(discretisation, band), discretisation, centre


def random_points(centre, count):
    rng = np.random.default_rng(11)
    return [(centre * rng.uniform(0.85, 1.15), np.pi * rng.uniform()) for _ in range(count)]


def test_certificate_bounds_the_error(grown):
    """At least 99 % of random points, and not wider than a factor 100 in the median."""
    model, discretisation, centre = grown
    floor = floor_admittance(discretisation)
    errors, bounds, sizes = [], [], []
    for frequency, phase in random_points(centre, POINTS):
        full = BlochSystem(discretisation, phase, floor).admittance(frequency)
        answer = model.answer(frequency, phase)
        errors.append(np.max(np.abs(full - answer.admittance)))
        bounds.append(answer.bound)
        sizes.append(np.max(np.abs(full)))
    errors, bounds, sizes = np.array(errors), np.array(bounds), np.array(sizes)
    covered = float(np.mean(errors <= bounds))
    effectivity = float(np.median(bounds / errors))
    relative = float(np.max(errors / np.maximum(sizes, 0.01 * np.max(sizes))))
    print(
        f"{model.order=} {len(model.snapshots)=} {covered=:.4f} {effectivity=:.1f} {relative=:.1e}"
    )
    assert covered >= 0.99
    assert effectivity < 100.0
    # Beside a pole, between training points, the tolerance can be missed; the bound shows it.
    assert relative < 1e-7
    assert model.order < 160


def test_power_balance_reciprocity_and_passivity(grown):
    """Electrical power in is acoustic power through the floor (nothing else is lost);
    Y(-gamma) = Y(gamma)^T, the left side by full solutions; the Hermitian part is not negative.
    """
    model, discretisation, centre = grown
    floor = floor_admittance(discretisation)
    e = model.electrodes
    for number, (frequency, phase) in enumerate(random_points(centre, 40)):
        answer = model.answer(frequency, phase)
        size = np.max(np.abs(answer.admittance))
        hermitian = 0.5 * (answer.admittance + answer.admittance.conj().T)
        assert np.linalg.eigvalsh(hermitian)[0] > -1e-8 * size
        drives = np.vstack([np.eye(e), 1j ** np.arange(e)])
        x = model.at(phase).driven(frequency, drives.T)
        radiated = model.at(phase).radiated(frequency, x)
        electrical = 0.5 * np.einsum("vi,ij,vj->v", drives.conj(), hermitian, drives).real
        np.testing.assert_allclose(radiated, electrical, rtol=0, atol=1e-8 * size)
        if number % 10 == 0:
            back = BlochSystem(discretisation, -phase, floor).admittance(frequency)
            error = np.max(np.abs(back - answer.admittance.T))
            assert error <= max(answer.bound, 1e-8 * size)


def test_nothing_is_extrapolated():
    cell = UnitCell.grating(
        Stack("quartz/bechmann-1958", euler=[0.0, 132.75, 0.0]),
        "aluminium/kaye-laby",
        pitch=PITCH,
        thickness="80 nm",
    )
    model = CellModel(
        cell, ("750 MHz", 8.0e8), (0.9 * np.pi, np.pi), mesh=COARSE, tolerance=1e-4, training=(3, 3)
    )
    for point in ((7.4e8, np.pi), (7.7e8, 0.5 * np.pi)):
        with pytest.raises(InputError, match="extend"):
            model.admittance(*point)


@pytest.mark.parametrize(
    ("frequencies", "phases"),
    [((2e9, 1e9), (0.0, np.pi)), ((0.0, 1e9), (0.0, np.pi)), ((1e9, 2e9), (2.0, 1.0))],
)
def test_regions_that_cannot_be(frequencies, phases):
    with pytest.raises(InputError):
        Region(frequencies, phases)


def by_extended_precision(discretisation, frequency, phase, rounds=4):
    """Y of the one electrode, S/m, of the very matrix of the mesh, free of the rounding of its
    solution: residuals in extended precision correct a factorisation (iterative refinement).
    """
    system = BlochSystem(discretisation, phase, floor_admittance(discretisation))
    matrix, free = system.matrix(frequency), system.size - 1
    entries, factor = matrix.tocoo(), factorise(matrix[:free, :free])
    values = entries.data.astype(np.clongdouble)
    x = np.zeros(system.size, dtype=np.clongdouble)
    x[free] = 1.0
    for _ in range(rounds):
        product = np.zeros(system.size, dtype=np.clongdouble)
        np.add.at(product, entries.row, values * x[entries.col])
        x[:free] -= factor.solve(product[:free].astype(complex))
    return complex(-2j * np.pi * frequency * CAPACITANCE * product[free])


@pytest.mark.skipif(np.finfo(np.longdouble).eps > 2e-19, reason="no extended precision here")
def test_rounding_on_fine_meshes_is_within_the_certificate():
    """Elements of 1e-4 of a period have stiffnesses of 1e5, whose rounding is bound as well."""
    cell, velocity = strong()
    centre = velocity / (2.0 * PITCH)
    fine = discretise(cell, MeshSettings(order=6, gradings=4, ratio=0.1, thrift=0.3))
    model = CellModel(fine, (0.99 * centre, centre), tolerance=1e-7, training=(3, 3))
    for frequency, phase in model.snapshots[:4]:
        exact = by_extended_precision(fine, frequency, phase)
        answer = model.answer(frequency, phase)
        error = abs(answer.admittance[0, 0] - exact)
        scale = max(abs(exact), 0.01 * 2.0 * np.pi * frequency * model.capacitance)
        assert error <= answer.bound <= 1e-7 * scale
    # An electrode's column has the energy of the cell, however narrow the elements beside it are.
    coarse = CellModel(cell, (0.99 * centre, centre), (0.0, 0.1), mesh=COARSE, training=(2, 2))
    energies = [abs(m.projected.stiffness[0, -1, -1]) for m in (model, coarse)]
    assert energies[0] == pytest.approx(energies[1], rel=0.05)


def test_a_tolerance_below_rounding_is_refused_as_such():
    """Not with forty snapshots that only add rounding, and not as a matter of the region."""
    cell, velocity = weak()
    centre = velocity / (2.0 * PITCH)
    steep = MeshSettings(order=2, gradings=6, ratio=0.1, thrift=0.3)
    with pytest.raises(ConvergenceError, match="rounding on this mesh"):
        CellModel(
            cell, (0.95 * centre, centre), (0.0, 0.1), mesh=steep, tolerance=1e-10, training=(2, 2)
        )
