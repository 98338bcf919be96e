"""Branch points of the surface admittance by two ways: extrema of the bulk sheets, and counting.

Where two partial waves meet the number of running ones changes (transonic states: Chadwick &
Smith, Adv. Appl. Mech. 17, 303 (1977); from memory).
"""

import numpy as np
import pytest

from sawfem.material import load_material
from sawfem.orientation import Orientation
from sawfem.planewave.generalised import GeneralisedTensor
from sawfem.planewave.limiting import branch_points, bulk_onsets
from sawfem.planewave.partial_waves import OSCILLATING, stroh_matrix


def by_counting(tensor, low, high, samples=3000):
    """Velocities between which the number of running partial waves changes, bisected."""

    def running(velocities):
        mu = np.linalg.eigvals(stroh_matrix(tensor, np.ones_like(velocities), velocities))
        return np.sum(np.abs(mu.imag) <= OSCILLATING, axis=-1)

    grid = np.linspace(low, high, samples)
    counts = running(grid)
    found = []
    for i in np.flatnonzero(np.diff(counts)):
        a, b = grid[i], grid[i + 1]
        while b - a > 1e-11 * b:
            middle = 0.5 * (a + b)
            same = running(np.array([middle]))[0] == counts[i]
            a, b = (middle, b) if same else (a, middle)
        found.append(0.5 * (a + b))
    return found


@pytest.mark.parametrize(
    "crystal",
    [
        "lithium-niobate/kovacs-1990",
        "quartz/bechmann-1958",
        "lithium-tantalate/smith-welsh-1971",
        "silicon/mason-1958",
    ],
)
def test_every_change_of_the_count_is_an_extremum(crystal):
    material = load_material(crystal)
    rng = np.random.default_rng(5)
    for _ in range(15):
        rotation = Orientation.from_euler(*rng.uniform(-180.0, 180.0, 3)).rotation
        tensor = GeneralisedTensor.from_medium(material.rotated(rotation))
        points = np.array(branch_points(tensor))
        for velocity in by_counting(tensor, 0.5 * points[0], 1.02 * points[-1]):
            assert np.min(np.abs(points / velocity - 1.0)) < 1e-7


@pytest.mark.parametrize(
    ("crystal", "euler", "maximum"),
    [
        ("lithium-niobate/kovacs-1990", (0.0, 38.0, 0.0), 4752.338),
        ("silicon/mason-1958", (0.0, 0.0, 20.0), 5844.920),
    ],
)
def test_maxima_of_the_sheets_are_branch_points_too(crystal, euler, maximum):
    rotation = Orientation.from_euler(*euler).rotation
    tensor = GeneralisedTensor.from_medium(load_material(crystal).rotated(rotation))
    assert np.min(np.abs(np.array(branch_points(tensor)) - maximum)) < 1e-3
    assert np.min(np.abs(np.array(bulk_onsets(tensor)) - maximum)) > 1.0
