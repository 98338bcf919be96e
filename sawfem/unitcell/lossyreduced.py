"""The small model at one Bloch phase of a cell whose materials lose.

As sawfem/unitcell/reduced.py, with A0 = K + j (K_s + W0 K_v) - W0^2 M complex: what is lost is no
small change of an answer then. A is not Hermitian, and the left vector of a mode, y^H A = 0, is a
field of the cell that gains what this one loses. The basis holds both,

    A0 x = b,    A0^H y = b,

and the first derivative in W^2 of what the electrodes and the lowest harmonics do, so that a
frequency is off by the product of two small errors, as it is without loss:

    |df| = |r_y^H A^-1 r_x| / |y^H A' x|,    r_x = A x,  r_y = A^H y.

It is made for the modes of a grating: the static charge of the electrodes is not driven.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from typing import Any

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray

from sawfem.planewave.lossy_admittance import LossyAdmittance
from sawfem.unitcell.reduced import (
    ReducedSystem,
    driven_inputs,
    orthonormal,
    project,
    with_electrodes,
)
from sawfem.unitcell.sparse import factorise
from sawfem.unitcell.system import BlochSystem

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]


@dataclass(frozen=True)
class LossyReducedSystem(ReducedSystem):
    """Projection of a BlochSystem that loses.

    Attributes
    ----------
    lost : (losses, r + e, r + e) K_s and K_v, in the order of ``system.losses``.
    """

    lost: Complex = field(repr=False)

    def matrices(self, frequencies: Complex | Array) -> Complex:
        """A(w, gamma) projected, at many frequencies in hertz: (m, r + e, r + e)."""
        f = np.asarray(frequencies, dtype=complex)
        omega = self.system.scaled_frequency(1.0) * f
        total = super().matrices(f)
        for (viscous, _), matrix in zip(self.system.losses, self.lost, strict=True):
            factor = omega if viscous else np.ones_like(omega)
            total = total + 1j * factor[:, None, None] * matrix
        return total

    def frequency_error(
        self, frequency: complex, vector: Complex, left: Complex | None = None
    ) -> float:
        """As of the base class, with the left vector of the mode, electrodes included (r + e)."""
        left = vector if left is None else left
        step = 1e-6 * abs(frequency)
        after, before = self.matrices(np.array([frequency + step, frequency - step]))
        slope = (after - before) / (2.0 * step)
        free = self.system.size - self.system.electrodes
        right = full_residual(self.system, frequency, self.expand(vector))[:free]
        other = full_residual(self.system, frequency, self.expand(left), adjoint=True)[:free]
        change = np.vdot(other, self.factor.solve(right))
        return float(abs(change) / abs(left.conj() @ slope @ vector * frequency))


def full_residual(
    system: BlochSystem, frequency: complex, x: Complex, *, adjoint: bool = False
) -> Complex:
    """A(w, gamma) x of a full system that may lose, or A^H x, without its dense blocks."""
    omega = system.scaled_frequency(frequency)
    floor, roof = system.bottom_used, system.top_used
    bottom, top = system.bottom.reshape(-1, system.size)[:, floor], system.top[:, roof]
    blocks = system.floor_blocks(np.array([frequency]))[0]
    factors = [1j * (omega if viscous else 1.0) for viscous, _ in system.losses]
    square, weights = omega**2, np.asarray(system.air_weights())
    if adjoint:
        blocks, square, weights = blocks.conj().swapaxes(-1, -2), np.conj(square), weights.conj()
        factors = [np.conj(factor) for factor in factors]
    waves = np.matmul(blocks, (bottom @ x[floor]).reshape(-1, 4, 1)).ravel()
    inner = np.asarray(system.stiffness @ x - square * (system.mass @ x), dtype=complex)
    for factor, (_, matrix) in zip(factors, system.losses, strict=True):
        inner += factor * (matrix @ x)
    inner[floor] += bottom.conj().T @ waves
    inner[roof] -= top.conj().T @ (weights * (top @ x[roof]))
    return inner


def reduce_lossy(system: BlochSystem, centre: float) -> LossyReducedSystem:
    """The small model around a centre frequency in hertz, of a cell that loses or does not."""
    omega = abs(system.scaled_frequency(centre))
    free = system.size - system.electrodes
    inner = sp.csc_array(system.stiffness - omega**2 * system.mass, dtype=complex)
    inputs, low = driven_inputs(system)
    drives = [inputs]
    for viscous, matrix in system.losses:
        inner = inner + 1j * (omega if viscous else 1.0) * matrix
        drives.append(matrix[:free, free:].toarray())
    every = np.hstack(drives).astype(complex)
    factor = factorise(inner[:free, :free])
    mass = sp.csc_array(system.mass[:free, :free])
    solve: Any = factor.solve
    driven = solve(every)
    snapshots: list[NDArray[Any]] = [driven, solve(np.asarray(mass @ driven[:, low]))]
    if has_loss(system):
        # Of the left vectors what differs: the steep harmonics hardly reach what loses.
        gained = solve(every[:, low], "H")
        snapshots += [gained, solve(np.asarray(mass @ gained), "H")]
    basis, _ = orthonormal(np.hstack(snapshots))
    plain = project(system, centre, basis, factor)
    full = with_electrodes(system, basis)
    lost = [full.conj().T @ np.asarray(matrix @ full) for _, matrix in system.losses]
    size = full.shape[1]
    values = {entry.name: getattr(plain, entry.name) for entry in fields(plain)}
    return LossyReducedSystem(**values, lost=np.array(lost).reshape(-1, size, size))


def has_loss(system: BlochSystem) -> bool:
    """Whether a system loses, in the slab or below it."""
    return bool(system.losses) or isinstance(system.floor, LossyAdmittance)
