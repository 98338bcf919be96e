"""Free waves of a grating on the certified model: by other methods and closed forms."""

import numpy as np
import pytest
from scipy.sparse.linalg import splu

from sawfem.design import Stack, UnitCell
from sawfem.errors import InputError
from sawfem.unitcell.certified import CellModel
from sawfem.unitcell.discretisation import discretise
from sawfem.unitcell.gratingmodes import (
    branch_frequencies,
    branch_phases,
    modes_at_frequency,
    modes_at_phase,
)
from sawfem.unitcell.mesh import MeshSettings
from sawfem.unitcell.states import ElectricalState
from sawfem.unitcell.stopband import find_stop_band
from sawfem.unitcell.system import BlochSystem, floor_admittance

PITCH = 2.0e-6
COARSE = MeshSettings(3, 1, 0.2)
OPEN = ElectricalState.open(1)
CELLS = {
    "weak": ("quartz/bechmann-1958", [0.0, 132.75, 0.0], 0.02, (0.92, 1.02), 3140.0, (3158, 3156)),
    "leaky": (
        "lithium-tantalate/smith-welsh-1971",
        [0.0, -48.0, 0.0],
        0.08,
        (0.92, 1.05),
        4050.0,
        (4210, 4110),
    ),
}


@pytest.fixture(scope="module", params=CELLS)
def case(request):
    crystal, euler, height, band, velocity, waves = CELLS[request.param]
    cell = UnitCell.grating(
        Stack(crystal, euler=euler),
        "aluminium/kaye-laby",
        pitch=PITCH,
        thickness=height * 2.0 * PITCH,
    )
    mesh = discretise(cell, COARSE)
    centre = velocity / (2.0 * PITCH)
    model = CellModel(mesh, (band[0] * centre, band[1] * centre), (2.6, np.pi), training=(7, 7))
    return request.param, mesh, model, waves


def test_edges_are_those_of_the_other_reduced_model(case):
    """At gamma = pi: the model of one phase, other snapshots and another way to the contours."""
    _, mesh, model, waves = case
    band = find_stop_band(mesh, *map(float, waves))
    low, high = model.region.frequencies
    for state, edges in ((None, band.shorted), (OPEN, band.open)):
        found = modes_at_phase(model, np.pi, state=state)
        assert found.counted
        for edge in edges:
            assert low < edge.frequency.real < high
            nearest = min(found.modes, key=lambda m: abs(m.frequency - edge.frequency))
            assert abs(nearest.frequency - edge.frequency) < 3e-8 * abs(edge.frequency)


def full_frequency(mesh, mode, phase, model):
    """The root next to a mode of the full cell: Newton's method with sparse factors."""
    system = BlochSystem(mesh, phase, floor_admittance(mesh))
    free = system.size - system.electrodes
    x, f = model.expand(mode.vector)[:free], complex(mode.frequency)
    for _ in range(4):
        step = 1e-6 * abs(f)
        a, after, before = (system.matrix(z)[:free, :free] for z in (f, f + step, f - step))
        u = splu(a.tocsc()).solve(np.asarray((after - before) @ x) / (2.0 * step))
        change = 1.0 / np.vdot(x, u) * np.vdot(x, x)
        x, f = u / np.linalg.norm(u), f - change
        if abs(change) < 1e-13 * abs(f):
            break
    return f


def test_error_bounds_hold_against_the_full_cell(case):
    _, mesh, model, _ = case
    for phase in (np.pi, 3.0):
        for mode in modes_at_phase(model, phase).modes:
            exact = full_frequency(mesh, mode, phase, model)
            rounding = 1e-12 * abs(exact)
            assert abs(mode.frequency - exact) <= mode.error + rounding
            assert mode.error < 1e-7 * abs(exact)


def test_phases_at_a_frequency_invert_frequencies_at_a_phase(case):
    """One and the same dispersion relation, solved for either variable."""
    name, _, model, _ = case
    slow = min(modes_at_phase(model, 3.0).modes, key=lambda m: m.frequency.real)
    found = modes_at_frequency(model, slow.frequency.real)
    assert found.counted
    back = min(found.modes, key=lambda m: abs(m.phase - 3.0))
    if name == "weak":
        assert abs(back.phase - 3.0) < 1e-7
        assert abs(back.attenuation) < 1e-9
        return
    # Loss in time over group velocity is loss along the way, to first order of the loss.
    step = 1e-3
    beside = [
        min(modes_at_phase(model, g).modes, key=lambda m: abs(m.frequency - slow.frequency))
        for g in (3.0 - step, 3.0 + step)
    ]
    group = (beside[1].frequency - beside[0].frequency).real / (2.0 * step)
    assert back.attenuation == pytest.approx(slow.frequency.imag / group, rel=0.02)
    assert back.attenuation > 1e-5


def test_decay_in_the_middle_of_a_weak_stop_band():
    """Two coupled waves: in the middle of the stop band the amplitude falls by |kappa| p a
    period, |kappa| p = pi (f2 - f1)/(f2 + f1) (Haus, Waves and Fields in Optoelectronics, 1984,
    coupled modes of a periodic structure; from memory). Exact for weak reflection.
    """
    crystal, euler, height, *_ = CELLS["weak"]
    cell = UnitCell.grating(
        Stack(crystal, euler=euler), "aluminium/kaye-laby", pitch=PITCH, thickness=height * 4e-6
    )
    model = CellModel(cell, (7.6e8, 7.95e8), (2.9, np.pi), mesh=COARSE, training=(5, 5))
    first, second = (m.frequency.real for m in modes_at_phase(model, np.pi).modes)
    middle = modes_at_frequency(model, 0.5 * (first + second))
    assert middle.counted
    (mode,) = middle.modes
    assert mode.phase.real == pytest.approx(np.pi, abs=1e-8)
    assert mode.attenuation == pytest.approx(np.pi * (second - first) / (second + first), rel=0.01)


def test_branch_points_at_both_ends_are_the_same(case):
    """w = v |gamma + 2 pi n| / p, solved for w and for gamma."""
    _, _, model, _ = case
    cell = model.projected
    low, high = model.region.frequencies
    for frequency in branch_frequencies(cell, 2.9, low, high):
        phases = branch_phases(cell, frequency, 2.5, np.pi)
        assert min(abs(g - 2.9) for g in phases) < 1e-12


def test_modes_outside_the_region_are_refused(case):
    _, _, model, _ = case
    with pytest.raises(InputError, match="extend"):
        modes_at_phase(model, 1.0)
    with pytest.raises(InputError, match="extend"):
        modes_at_frequency(model, 2.0 * model.region.frequencies[1])
