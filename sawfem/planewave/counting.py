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
fields by zero and read the energy in Fourier space. A conductor takes the potential out of its
interface. Vacuum below the layers makes a membrane: there the count holds at every velocity.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sawfem.conventions import CHARGE, EPSILON_0, FIELD
from sawfem.planewave.admittance import SurfaceAdmittance, below
from sawfem.planewave.generalised import Array, ComplexArray, Numbers
from sawfem.planewave.layers import slab_stiffness
from sawfem.planewave.limiting import slowest_unstiffened

#: The vacuum above a free surface takes up the charge eps_0 |k| phi; here in the solvers' units.
VACUUM = EPSILON_0 * FIELD / CHARGE


@dataclass(frozen=True, eq=False)
class Inertia:
    """Negative eigenvalues at real (omega, k).

    Attributes
    ----------
    buried : (m,), waves counted below the surface: poles of the surface matrix passed.
    eigenvalues : (m, n), of the Hermitian matrix of the surface over |k|, ascending.
    count : (m,), waves of the stack that are slower.
    """

    buried: NDArray[np.intp]
    eigenvalues: Array
    count: NDArray[np.intp]


def surface_matrix(
    admittance: SurfaceAdmittance, omega: float | Array, k: Numbers, *, metallised: bool
) -> ComplexArray:
    """The matrix that is singular where the surface carries a wave, over k sign(Re k).

    Free: scaled Y less the vacuum's eps_0 |k| at the potential, (m, 4, 4); metallised, or where
    the stack ends in a conductor: phi = 0, the mechanical block, (m, 3, 3). Fewer rows on a
    restricted stack. Dimensionless.
    """
    length = np.asarray(k) * np.sign(np.real(k))
    y = np.asarray(admittance.scaled(omega, k) / length[..., None, None])
    return closed(admittance, y, metallised=metallised)


def closed(admittance: SurfaceAdmittance, y: ComplexArray, *, metallised: bool) -> ComplexArray:
    """The matrix of :func:`surface_matrix` from scaled Y over k (m, n, n)."""
    if not admittance.tensors[0].electric:
        return y
    moving = admittance.tensors[0].moving
    if metallised or admittance.shorted:
        return y[..., :moving, :moving]
    y = y.copy()
    y[..., -1, -1] -= VACUUM
    return y


def inertia(admittance: SurfaceAdmittance, omega: Array, k: Array, *, metallised: bool) -> Inertia:
    """Count the waves slower than omega / k, for omega / k below the substrate's limiting velocity.

    Parameters
    ----------
    omega, k : (m,), real and positive.
    """
    y, buried = eliminated(admittance, omega, k)
    return counted(admittance, y, buried, metallised=metallised)


def counted(
    admittance: SurfaceAdmittance, y: ComplexArray, buried: NDArray[np.intp], *, metallised: bool
) -> Inertia:
    """Counts of one surface from what :func:`eliminated` gave for both."""
    matrix = closed(admittance, y, metallised=metallised)
    values = np.asarray(np.linalg.eigvalsh(matrix), dtype=np.float64)
    potentials = 0 if metallised else admittance.potentials
    return Inertia(buried, values, buried + np.sum(values < 0.0, axis=-1) - potentials)


def eliminated(
    admittance: SurfaceAdmittance, omega: Array, k: Array
) -> tuple[ComplexArray, NDArray[np.intp]]:
    """Scaled Y over k at the surface (m, n, n), and the waves of the stack with it clamped (m,).

    Parameters as for :func:`inertia`.
    """
    omega, k = np.broadcast_arrays(np.asarray(omega, float), np.asarray(k, float))
    substrate = admittance.tensors[0]
    y = 1j * below(substrate, np.ones_like(k), omega / k)
    total = np.zeros(k.shape, dtype=np.intp)
    for pivot, above in elimination(admittance, omega, k, hermitian(y)):
        total += _negative(pivot) - (pivot.shape[-1] - substrate.moving)
        y = above
    return y, total


def elimination(
    admittance: SurfaceAdmittance,
    omega: Numbers,
    k: Numbers,
    y: ComplexArray,
    *,
    radiating: bool = False,
) -> Iterator[tuple[ComplexArray, ComplexArray]]:
    """Eliminate the interfaces from the bottom upwards, by slabs without waves of their own.

    Parameters
    ----------
    omega : (m,) real. k : (m,) real, or complex close to the real axis.
    y : (m, n, n), scaled Y over k of the substrate.
    radiating : y is not Hermitian; otherwise all matrices are kept so.

    Yields
    ------
    The matrix of each interface that is eliminated, over k, and Y over k above it. A potential
    held at zero has no row.
    """
    substrate, layers = admittance.tensors
    moving = substrate.moving
    kappa = np.abs(np.real(k))
    for index, (tensor, thickness) in enumerate(layers):
        bound = slowest_unstiffened(tensor)
        transverse = np.sqrt(np.maximum((omega / bound) ** 2 - kappa**2, 0.0))
        slabs = int(np.ceil(thickness * transverse.max() / (0.9 * np.pi))) + 1
        stiffness = slab_stiffness(tensor, k / kappa, omega / kappa, kappa * (thickness / slabs))
        stiffness = stiffness * (kappa / k)[:, None, None]
        n = tensor.size
        if index in admittance.shorts or tensor.conducting:
            y = y[:, :moving, :moving]
        for _ in range(slabs):
            held = y.shape[-1]
            pivot = y + stiffness[:, :held, :held]
            across, back = stiffness[:, :held, n:], stiffness[:, n:, :held]
            if not radiating:
                pivot = hermitian(pivot)
            y = stiffness[:, n:, n:] - back @ np.linalg.solve(pivot, across)
            yield pivot, (y if radiating else hermitian(y))


def hermitian(matrix: ComplexArray) -> ComplexArray:
    """Hermitian part of a stack of matrices."""
    return np.asarray(0.5 * (matrix + np.conj(np.swapaxes(matrix, -1, -2))))


def _negative(matrix: ComplexArray) -> NDArray[np.intp]:
    return np.asarray(np.sum(np.linalg.eigvalsh(matrix) < 0.0, axis=-1))
