"""How many waves a surface carries below a given velocity: counted, not searched.

For fields that die out downwards, U^H Y U is the energy functional of the stack with the surface
held at U, so at fixed k every eigenvalue of the Hermitian Y falls with the frequency, and each
wave of the stack takes one eigenvalue through zero (Barnett & Lothe 1985 for half-spaces). With
layers Y also has poles, the waves of the stack whose surface is clamped; they count as well
(Wittrick & Williams, Q. J. Mech. Appl. Math. 24, 263 (1971)). The layers are therefore cut into
slabs so thin that none has a wave of its own between clamped faces, and the negative
eigenvalues of every interface met on the way up are added:

    count = sum over interfaces n_-(S) + n_-(Y at the top) - number of free potentials.

Each free potential contributes one negative eigenvalue of its own, the electric energy being
negative in Y. A slab of thickness h clamped at both faces has no wave below
v_min sqrt(k^2 + (pi/h)^2), where v_min is the slowest bulk wave at constant field: continue its
fields by zero and read the energy in Fourier space.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sawfem.conventions import CHARGE, EPSILON_0, FIELD
from sawfem.planewave.admittance import SurfaceAdmittance
from sawfem.planewave.generalised import Array, ComplexArray, Numbers
from sawfem.planewave.layers import two_point_stiffness, wave_groups
from sawfem.planewave.limiting import slowest_unstiffened

#: The vacuum above a free surface takes up the charge eps_0 |k| phi; here in the solvers' units.
VACUUM = EPSILON_0 * FIELD / CHARGE


@dataclass(frozen=True, eq=False)
class Inertia:
    """Negative eigenvalues at real (omega, k).

    Attributes
    ----------
    buried : (m,), waves counted below the surface: poles of the surface matrix passed.
    surface : (m, n, n), Hermitian matrix of the surface over |k|, dimensionless.
    count : (m,), waves of the stack that are slower.
    """

    buried: NDArray[np.intp]
    surface: ComplexArray
    count: NDArray[np.intp]


def surface_matrix(
    admittance: SurfaceAdmittance, omega: float | Array, k: Numbers, *, metallised: bool
) -> ComplexArray:
    """The matrix that is singular where the surface carries a wave, over k sign(Re k).

    Free: scaled Y less the vacuum's eps_0 |k| at the potential, (m, 4, 4); metallised: phi = 0,
    the mechanical block, (m, 3, 3). Fewer rows on a restricted stack. Dimensionless.
    """
    length = np.asarray(k) * np.sign(np.real(k))
    y = np.asarray(admittance.scaled(omega, k) / length[..., None, None])
    substrate = admittance.tensors[0]
    if not substrate.electric:
        return y
    if metallised:
        return np.asarray(y[..., :-1, :-1])
    y[..., -1, -1] -= VACUUM
    return y


def inertia(admittance: SurfaceAdmittance, omega: Array, k: Array, *, metallised: bool) -> Inertia:
    """Count the waves slower than omega / k, for omega / k below the substrate's limiting velocity.

    Parameters
    ----------
    omega, k : (m,), real and positive.
    """
    omega, k = np.broadcast_arrays(np.asarray(omega, float), np.asarray(k, float))
    matrix = hermitian(surface_matrix(admittance, omega, k, metallised=metallised))
    buried = np.zeros(k.shape, dtype=np.intp)
    if admittance.tensors[1]:
        buried = _buried(admittance, omega, k)
    potentials = int(admittance.tensors[0].electric and not metallised)
    return Inertia(buried, matrix, buried + _negative(matrix) - potentials)


def _buried(admittance: SurfaceAdmittance, omega: Array, k: Array) -> NDArray[np.intp]:
    """Waves of the stack with a clamped surface, by elimination from the bottom upwards."""
    substrate, layers = admittance.tensors
    below = SurfaceAdmittance.from_tensors(substrate, ()).scaled(omega, k) / k[:, None, None]
    total = np.zeros(k.shape, dtype=np.intp)
    for tensor, thickness in layers:
        bound = slowest_unstiffened(tensor)
        transverse = np.sqrt(np.maximum((omega / bound) ** 2 - k**2, 0.0))
        slabs = int(np.ceil(thickness * transverse.max() / (0.9 * np.pi))) + 1
        groups, _ = wave_groups(tensor, np.ones_like(k), omega / k, k * (thickness / slabs))
        stiffness = 1j * two_point_stiffness(groups)
        n = tensor.size
        feet, across = stiffness[:, :n, :n], stiffness[:, :n, n:]
        back, heads = stiffness[:, n:, :n], stiffness[:, n:, n:]
        for _ in range(slabs):
            pivot = hermitian(below + feet)
            total += _negative(pivot) - int(tensor.electric)
            below = heads - back @ np.linalg.solve(pivot, across)
    return total


def hermitian(matrix: ComplexArray) -> ComplexArray:
    """Hermitian part of a stack of matrices."""
    return np.asarray(0.5 * (matrix + np.conj(np.swapaxes(matrix, -1, -2))))


def _negative(matrix: ComplexArray) -> NDArray[np.intp]:
    return np.asarray(np.sum(np.linalg.eigvalsh(matrix) < 0.0, axis=-1))
