"""The branch: on the real axis against vanishing loss, off it against tracked eigenvalues."""

import numpy as np
import pytest
from scipy.optimize import linear_sum_assignment

from sawfem.design import Stack
from sawfem.material import Medium
from sawfem.planewave import SurfaceAdmittance
from sawfem.planewave.generalised import GeneralisedTensor
from sawfem.planewave.limiting import bulk_onsets
from sawfem.planewave.partial_waves import partial_waves, stroh_matrix

K = 2.0 * np.pi / 4.0e-6
CUTS = [
    ("lithium-niobate/kovacs-1990", (0, 38, 0)),
    ("lithium-tantalate/smith-welsh-1971", (0, -48, 0)),
    ("quartz/bechmann-1958", (10, 110, 35)),
    ("silica/auld-1973", (0, 0, 0)),
]


def medium(cut) -> Medium:
    return Stack(cut[0], euler=cut[1]).media()[0]


def by_decay(tensor: GeneralisedTensor, omega: complex, k: complex) -> np.ndarray:
    """Scaled Y from the four partial waves that decay downwards at this very point."""
    mu, vectors = np.linalg.eig(stroh_matrix(tensor, np.array(k / K), np.array(omega / K)))
    chosen = vectors[:, np.argsort(mu.imag)[:4]]
    return 1j * K * chosen[4:] @ np.linalg.inv(chosen[:4])


def tracked(tensor: GeneralisedTensor, omega: complex, k: complex, steps: int) -> np.ndarray:
    """Scaled Y by following eight single eigenvalues from the real point, nearest to nearest."""
    mu, _ = partial_waves(stroh_matrix(tensor, np.array([k.real / K]), np.array([omega.real / K])))
    current, vectors = mu[0], np.empty(0)
    for t in np.linspace(0.0, 1.0, steps):
        q, s = (k.real + 1j * t * k.imag) / K, (omega.real + 1j * t * omega.imag) / K
        values, vectors = np.linalg.eig(stroh_matrix(tensor, np.array(q), np.array(s)))
        _, order = linear_sum_assignment(np.abs(current[:, None] - values[None, :]))
        current, vectors = values[order], vectors[:, order]
    return 1j * K * vectors[4:, :4] @ np.linalg.inv(vectors[:4, :4])


@pytest.mark.parametrize("cut", CUTS, ids=str)
def test_oscillating_waves_are_those_left_by_vanishing_loss(cut) -> None:
    """A source that grows slowly, Im omega < 0, leaves only waves that decay away from it."""
    tensor = GeneralisedTensor.from_medium(medium(cut))
    stack, onsets = SurfaceAdmittance(medium(cut)), np.array(bulk_onsets(tensor))
    rng = np.random.default_rng(7)
    for velocity in rng.uniform(1000.0, 12e3, 60):
        if np.abs(velocity / onsets - 1.0).min() < 3e-3:
            continue
        for k in (K, -K):
            exact = stack.scaled(velocity * K, k)
            nearly = by_decay(tensor, velocity * K * (1.0 - 1e-8j), k)
            assert np.abs(exact - nearly).max() < 1e-5 * np.abs(exact).max()


@pytest.mark.parametrize("cut", CUTS, ids=str)
def test_complex_points_against_tracked_eigenvalues(cut) -> None:
    tensor, stack = GeneralisedTensor.from_medium(medium(cut)), SurfaceAdmittance(medium(cut))
    rng = np.random.default_rng(11)
    for _ in range(4):
        omega = rng.uniform(2500.0, 9000.0) * K * (1.0 + 0.15j * rng.uniform(-1.0, 1.0))
        k = K * rng.choice([-1.0, 1.0]) * (1.0 + rng.choice([0.0, 0.08j, -0.08j]))
        found, expected = stack.scaled(omega, k), tracked(tensor, omega, k, 800)
        assert np.abs(found - expected).max() < 1e-10 * np.abs(expected).max()


def test_path_reaches_the_same_point_as_the_straight_line() -> None:
    stack = SurfaceAdmittance(medium(CUTS[1]), [(medium(CUTS[3]), 0.3e-6)])
    omega = 3900.0 * K * (1.0 + 0.01j * np.linspace(0.0, 1.0, 5))
    np.testing.assert_allclose(stack.along(omega, K)[-1], stack(omega[-1], K), rtol=1e-10)


def test_turn_around_a_branch_point_changes_the_sheet() -> None:
    """Once around the onset of the fast shear wave exchanges two partial waves; twice does not."""
    cut = medium(CUTS[1])
    onset = bulk_onsets(GeneralisedTensor.from_medium(cut))[1] * K
    stack = SurfaceAdmittance(cut)
    circle = onset * (1.0 + 0.02 * np.exp(1j * np.linspace(0.0, 4.0 * np.pi, 97)))
    circle[[0, 48, 96]] = circle[0].real
    y = stack.along(circle, K)
    size = np.abs(y[0]).max()
    assert np.abs(y[48] - y[0]).max() > 1e-2 * size
    assert np.abs(y[96] - y[0]).max() < 1e-9 * size
