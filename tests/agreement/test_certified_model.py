"""The reduced model over (f, gamma) against full solutions, and its certificate."""

import numpy as np
import pytest

from sawfem.design import Electrode, Stack, UnitCell
from sawfem.errors import InputError
from sawfem.unitcell.certified import CellModel
from sawfem.unitcell.discretisation import discretise
from sawfem.unitcell.mesh import MeshSettings
from sawfem.unitcell.region import Region
from sawfem.unitcell.system import BlochSystem, floor_admittance

PITCH = 2.0e-6
COARSE = MeshSettings(3, 1, 0.2)


def model_and_points(cell, velocity, count, tolerance=1e-8):
    """A model over +-15 % and 0..pi, random points, full and reduced answers there."""
    discretisation = discretise(cell, COARSE)
    centre = velocity / (2.0 * PITCH)
    model = CellModel(discretisation, (0.85 * centre, 1.15 * centre), tolerance=tolerance)
    floor = floor_admittance(discretisation)
    rng = np.random.default_rng(11)
    pairs = []
    for _ in range(count):
        frequency, phase = centre * rng.uniform(0.85, 1.15), np.pi * rng.uniform()
        full = BlochSystem(discretisation, phase, floor).admittance(frequency)
        pairs.append((full, model.answer(frequency, phase)))
    return model, pairs


CELLS = {
    "strong": (("lithium-niobate/kovacs-1990", [0.0, 38.0, 0.0]), 0.02, 3900.0),
    "weak": (("quartz/bechmann-1958", [0.0, 132.75, 0.0]), 0.02, 3140.0),
    "leaky": (("lithium-tantalate/smith-welsh-1971", [0.0, -48.0, 0.0]), 0.08, 4050.0),
}


@pytest.mark.parametrize("name", CELLS)
def test_certificate_bounds_the_error(name):
    """At least 99 % of random points, and not wider than a factor 100 in the median."""
    (crystal, euler), height, velocity = CELLS[name]
    cell = UnitCell.grating(
        Stack(crystal, euler=euler),
        "aluminium/kaye-laby",
        pitch=PITCH,
        thickness=height * 2.0 * PITCH,
    )
    model, pairs = model_and_points(cell, velocity, 60)
    errors = np.array([np.max(np.abs(full - answer.admittance)) for full, answer in pairs])
    bounds = np.array([answer.bound for _, answer in pairs])
    assert np.mean(errors <= bounds) >= 0.99
    assert np.median(bounds / errors) < 100.0
    sizes = np.array([np.max(np.abs(full)) for full, _ in pairs])
    assert np.max(errors / np.maximum(sizes, 0.01 * np.max(sizes))) < 1e-8
    assert model.order < 150


def test_two_electrodes_a_period():
    stack = Stack("lithium-niobate/kovacs-1990", euler=[0.0, 38.0, 0.0])
    electrodes = [
        Electrode("aluminium/kaye-laby", "80 nm", "0.4 um", centre="0.5 um"),
        Electrode("aluminium/kaye-laby", "80 nm", "0.6 um", centre="1.4 um"),
    ]
    _, pairs = model_and_points(UnitCell(stack, electrodes, PITCH), 3900.0, 12, 1e-6)
    for full, answer in pairs:
        assert np.max(np.abs(full - answer.admittance)) <= answer.bound
        assert answer.admittance.shape == (2, 2)


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
