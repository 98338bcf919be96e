"""Functions of frequency from few values: a closed form, and refusal."""

import numpy as np
import pytest

from sawfem.device.settled import Settled, settle
from sawfem.errors import ConvergenceError


def _resonance(f):
    """A sharp pole beside a zero, on a slope: (f - z)/(f - p) (1 + s f)."""
    return (f - (868.4e6 + 0.3e6j)) / (f - (868.0e6 + 0.25e6j)) * (1.0 + 0.2 * f / 868e6)


def test_few_values_tell_a_resonance():
    steps = []
    found = settle(
        _resonance,
        np.linspace(850e6, 890e6, 9),
        tolerance=1e-4,
        most=60,
        progress=lambda done, total: steps.append((done, total)),
    )
    assert found.frequency.size < 40
    fine = np.linspace(850e6, 890e6, 4001)
    assert np.abs(found(fine) / _resonance(fine) - 1.0).max() < 1e-3
    assert found.error <= 1e-4
    assert [done for done, _ in steps] == list(range(1, found.frequency.size + 1))
    assert all(done < total for done, total in steps)
    given = Settled.through(fine[::40], _resonance(fine[::40]), 1e-6)
    assert np.abs(given(fine) / _resonance(fine) - 1.0).max() < 1e-5
    few = Settled.through(np.array([1e9, 2e9]), np.array([1.0 + 0j, 3.0]), 1e-6)
    assert few([1e9, 1.5e9]) == pytest.approx([1.0, 2.0])
    assert Settled.through(np.array([1e9]), np.array([2j]), 1e-6)([1e9]) == pytest.approx([2j])


def test_noise_does_not_settle():
    rng = np.random.default_rng(3)
    with pytest.raises(ConvergenceError, match="not settled"):
        settle(lambda f: rng.normal() + 3.0, np.linspace(1.0, 2.0, 9), tolerance=1e-3, most=40)
