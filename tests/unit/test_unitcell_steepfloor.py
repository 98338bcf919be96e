"""The interpolated floor against the exact one, harmonic by harmonic."""

import numpy as np
import pytest

from sawfem.design import Stack, UnitCell
from sawfem.unitcell.discretisation import discretise
from sawfem.unitcell.mesh import MeshSettings
from sawfem.unitcell.reduced import reduce
from sawfem.unitcell.steepfloor import ASIDE, START, STOP, SteepFloor
from sawfem.unitcell.system import BlochSystem, floor_admittance

COARSE = MeshSettings(3, 1, 0.2)
CENTRE = 900e6

STACKS = {
    "leaky tantalate": Stack("lithium-tantalate/smith-welsh-1971", cut="(YXl)42"),
    "slow layer below": Stack("diamond/mcskimin-1972").with_layer(
        "zinc-oxide/bateman-1962", "3 um"
    ),
}


@pytest.fixture(scope="module", params=STACKS)
def model(request):
    cell = UnitCell.grating(
        STACKS[request.param], "aluminium/kaye-laby", pitch="2 um", thickness="80 nm"
    )
    d = discretise(cell, COARSE)
    return reduce(BlochSystem(d, np.pi, floor_admittance(d)), CENTRE)


def test_matrices_are_those_of_the_exact_floor(model):
    """On the real axis, and as far from it as contours go, to rounding."""
    half = 0.5 * (STOP - START)
    real = CENTRE * np.array([START, 0.8, 0.93, 1.0, 1.11, STOP])
    aside = 1j * ASIDE * half * CENTRE
    f = np.concatenate([real, real + 0.9 * aside, real - 0.5 * aside])
    assert model._steep is not None
    assert model._steep.holds(f)
    omega = model.system.scaled_frequency(1.0) * f
    air = model.top.conj().T @ (model.system.air_weights()[:, None] * model.top)
    exact = model.stiffness - np.multiply.outer(omega**2, model.mass) + model._floor(f) - air
    size = np.abs(exact).max()
    assert np.abs(model.matrices(f) - exact).max() < 1e-12 * size
    # Beyond the interval the floor is the exact one, and nothing jumps on the way.
    edge = CENTRE * STOP * np.array([1.0 - 1e-12, 1.0 + 1e-12])
    inside, outside = model.matrices(edge[:1]), model.matrices(edge[1:])
    assert not model._steep.holds(edge[1:].astype(complex))
    assert np.abs(inside - outside).max() < 1e-11 * size


def test_what_does_not_decay_is_not_interpolated():
    """A pole of one steep harmonic sends it to the exact ones, poles of all leave nothing."""
    wavenumbers = np.pi * np.array([1.0, -1.0, 3.0, -3.0, 5.0, -5.0])

    def with_poles(harmonics):
        def harmonic_sum(f, chosen):
            pole = 1.0 / (f / CENTRE - 1.0 - 1e-3j)
            kept = np.isin(np.flatnonzero(chosen), harmonics).any()
            return (np.ones_like(f) + (pole if kept else 0.0))[:, None, None] * np.eye(2)

        return harmonic_sum

    smooth = SteepFloor.around(CENTRE, wavenumbers, with_poles([]))
    assert smooth.exact.sum() == 2
    one = SteepFloor.around(CENTRE, wavenumbers, with_poles([2, 3]))
    assert one.exact.sum() == 4
    assert SteepFloor.around(CENTRE, wavenumbers, with_poles([4, 5])) is None
