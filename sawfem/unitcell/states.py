"""Electrical states of the electrodes of a cell: driven, grounded, floating, tied to others.

With I = Y V for all electrodes, V = T v + F u: T (e, t) ties electrodes to the driven terminals at
the potentials v, F (e, g) to g floating conductors, whose charges add up to zero,

    F^T Y V = 0,    u = -(F^T Y F)^-1 F^T Y T v,
    Y_t = T^T Y T - T^T Y F (F^T Y F)^-1 F^T Y T,

the Schur complement on Y. A floating electrode is a floating conductor of its own. All this holds
at one Bloch phase: tied electrodes belong to one period, and the neighbouring periods follow by
exp(-j gamma).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sawfem.errors import InputError

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
Group = int | Sequence[int]


@dataclass(frozen=True)
class ElectricalState:
    """Which electrodes are driven, float or are tied together; all others are grounded.

    Parameters
    ----------
    driven : terminals; each one electrode, or several on one terminal.
    floating : conductors without a connection; each one electrode, or several tied together.

    Raises
    ------
    InputError : an electrode that is named twice, or a negative number.

    Examples
    --------
    ``ElectricalState(driven=[0], floating=[2])`` drives the first and leaves the third floating;
    ``ElectricalState(driven=[(0, 2)], floating=[(1, 3)])`` drives two on one terminal and ties
    two others.
    """

    driven: tuple[tuple[int, ...], ...]
    floating: tuple[tuple[int, ...], ...]

    def __init__(self, driven: Sequence[Group] = (), floating: Sequence[Group] = ()) -> None:
        object.__setattr__(self, "driven", _groups(driven))
        object.__setattr__(self, "floating", _groups(floating))
        named = [index for group in (*self.driven, *self.floating) for index in group]
        if len(set(named)) < len(named) or min(named, default=0) < 0:
            raise InputError(
                key="state",
                found=f"electrodes {named}",
                expected="numbers from 0, each electrode in one place",
            )

    @classmethod
    def shorted(cls) -> ElectricalState:
        """All electrodes grounded."""
        return cls()

    @classmethod
    def open(cls, electrodes: int) -> ElectricalState:
        """Every electrode floats on its own."""
        return cls(floating=range(electrodes))

    def terminals(self, electrodes: int) -> Array:
        """T, (e, t). InputError for an electrode that the cell does not have."""
        return _incidence(self.driven, electrodes)

    def conductors(self, electrodes: int) -> Array:
        """F, (e, g)."""
        return _incidence(self.floating, electrodes)


def terminal_admittance(admittance: Complex, state: ElectricalState) -> Complex:
    """Admittance matrix of the driven terminals, S/m.

    Parameters
    ----------
    admittance : (..., e, e), all electrodes, S/m.

    Returns
    -------
    (..., t, t); with one terminal the harmonic admittance of the driven set.

    Raises
    ------
    InputError : electrodes that the cell does not have, or floating conductors whose potential
        nothing fixes (as at gamma = 0, where the field of a uniform potential vanishes).
    """
    e = admittance.shape[-1]
    t = state.terminals(e)
    currents = admittance @ electrode_potentials(admittance, state, np.eye(t.shape[1]))
    return np.asarray(t.T @ currents)


def electrode_potentials(
    admittance: Complex, state: ElectricalState, voltages: Complex | Array
) -> Complex:
    """Potentials of all electrodes for given terminal voltages.

    Parameters
    ----------
    admittance : (..., e, e), S/m. voltages : (t,) or (t, columns), V.

    Returns
    -------
    (..., e) or (..., e, columns), V.
    """
    e = admittance.shape[-1]
    t, f = state.terminals(e), state.conductors(e)
    given = np.asarray(voltages)
    if given.shape[:1] != (t.shape[1],):
        raise InputError(
            key="voltages", found=f"shape {given.shape}", expected=f"{t.shape[1]} terminals"
        )
    driven = t @ (given[:, None] if given.ndim == 1 else given)
    potentials = np.broadcast_to(driven, (*admittance.shape[:-2], *driven.shape)).astype(complex)
    if f.shape[1]:
        try:
            free = -np.linalg.solve(f.T @ admittance @ f, f.T @ admittance @ driven)
        except np.linalg.LinAlgError:
            raise InputError(
                key="state",
                found="floating electrodes whose potential nothing fixes",
                expected="a phase other than 0, or an electrode that is grounded or driven",
            ) from None
        potentials = potentials + f @ free
    return np.asarray(potentials[..., 0] if given.ndim == 1 else potentials)


def _groups(groups: Sequence[Group]) -> tuple[tuple[int, ...], ...]:
    return tuple(
        (int(group),) if isinstance(group, int) else tuple(int(index) for index in group)
        for group in groups
    )


def _incidence(groups: tuple[tuple[int, ...], ...], electrodes: int) -> Array:
    matrix = np.zeros((electrodes, len(groups)))
    for column, group in enumerate(groups):
        if not group or max(group) >= electrodes:
            raise InputError(
                key="state",
                found=f"electrodes {list(group)}",
                expected=f"numbers from 0 to {electrodes - 1}",
            )
        matrix[list(group), column] = 1.0
    return matrix
