"""Electrodes driven, grounded, floating and tied: closed forms of circuits."""

import numpy as np
import pytest

from sawfem.errors import InputError
from sawfem.unitcell.states import ElectricalState, electrode_potentials, terminal_admittance


def ladder(values):
    """Admittance matrix of capacitor-like admittances from each node to ground and to the next."""
    n = len(values)
    y = np.diag(np.array(values, dtype=complex))
    for i in range(n - 1):
        y[i, i] += 1.0
        y[i + 1, i + 1] += 1.0
        y[i, i + 1] -= 1.0
        y[i + 1, i] -= 1.0
    return 1j * y


def test_series_connection():
    """Two unit admittances in a row over a floating node: one half (Ohm)."""
    y = ladder([0.0, 0.0, 0.0])
    between = terminal_admittance(y, ElectricalState(driven=[0], floating=[1]))
    assert between[0, 0] == pytest.approx(0.5j)


def test_open_circuit_carries_no_current():
    """All floating but one driven: only what leaks to ground flows."""
    y = ladder([0.3, 0.2, 0.5])
    state = ElectricalState(driven=[0], floating=[1, 2])
    v = electrode_potentials(y, state, np.array([2.0]))
    currents = y @ v
    np.testing.assert_allclose(currents[1:], 0.0, atol=1e-14)
    assert v[0] == 2.0
    # 0.3 + 1 || (0.2 + 1 || 0.5)
    expected = 0.3 + 1 / (1 + 1 / (0.2 + 1 / (1 + 1 / 0.5)))
    assert terminal_admittance(y, state)[0, 0] == pytest.approx(1j * expected)


def test_all_floating_is_open_circuit():
    state = ElectricalState.open(3)
    assert terminal_admittance(ladder([0.3, 0.2, 0.5]), state).shape == (0, 0)
    v = electrode_potentials(ladder([0.3, 0.2, 0.5]), state, np.zeros(0))
    np.testing.assert_array_equal(v, 0.0)


def test_tied_electrodes_share_potential_and_charge():
    y = ladder([0.3, 0.2, 0.5, 0.1])
    state = ElectricalState(driven=[1], floating=[(0, 2)])
    v = electrode_potentials(y, state, np.array([1.0]))
    assert v[0] == v[2]
    assert v[3] == 0.0
    currents = y @ v
    assert abs(currents[0] + currents[2]) < 1e-14
    # Tied by a third way: as one node of the merged circuit.
    merge = np.array([[1, 0, 0], [0, 1, 0], [1, 0, 0], [0, 0, 1]], dtype=float)
    small = merge.T @ y @ merge
    again = terminal_admittance(small, ElectricalState(driven=[1], floating=[0]))
    np.testing.assert_allclose(terminal_admittance(y, state), again, rtol=1e-14)


def test_many_points_at_once():
    rng = np.random.default_rng(3)
    y = rng.standard_normal((5, 4, 3, 3)) + 1j * rng.standard_normal((5, 4, 3, 3))
    state = ElectricalState(driven=[2, 0], floating=[1])
    both = terminal_admittance(y, state)
    assert both.shape == (5, 4, 2, 2)
    np.testing.assert_allclose(both[1, 2], terminal_admittance(y[1, 2], state))


@pytest.mark.parametrize(
    "make",
    [
        lambda: ElectricalState(driven=[0], floating=[0]),
        lambda: ElectricalState(driven=[-1]),
        lambda: terminal_admittance(ladder([1.0, 1.0]), ElectricalState(driven=[2])),
        lambda: terminal_admittance(ladder([0.0, 0.0]), ElectricalState(floating=[0, 1])),
        lambda: electrode_potentials(ladder([1.0, 1.0]), ElectricalState([0]), np.zeros(2)),
    ],
)
def test_states_that_cannot_be(make):
    with pytest.raises(InputError):
        make()
