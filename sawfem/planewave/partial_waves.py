"""Partial waves of one medium and the choice between them.

State (U, L) with U = (u1, u2, u3, phi) and T_3 = j kappa L, for a reference wavenumber kappa > 0
that makes everything dimensionless. With q = k / kappa and s = omega / kappa the equations of
motion read (Stroh 1962; Barnett & Lothe 1985; for piezoelectrics Lothe & Barnett 1976)

    d/dx3 (U, L) = j kappa M (U, L),
    M = [ q G33^-1 G31                               G33^-1       ]
        [ rho s^2 I' - q^2 (G11 - G13 G33^-1 G31)    q G13 G33^-1 ],

a real matrix for real q and s. A partial wave is an eigenvector, M (U, L) = mu (U, L), with
fields ~ exp(j kappa mu x3): it decays downwards (x3 -> -inf) if Im mu < 0. Four of the eight
belong to a half-space below; for these L = Z U, and the surface admittance is Y = j kappa Z.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sawfem.planewave.generalised import ComplexArray, GeneralisedTensor, Numbers

#: |Im mu| below which a wave counts as oscillating: the square root of the rounding error,
#: because beside a branch point mu is the root of a double one.
OSCILLATING = 1.0e-8
#: Normalised flux that rounding cannot make beside a branch point (there it is O(OSCILLATING)).
SURE_FLUX = 1.0e-6
#: Relative change of the stiffness that splits coinciding partial waves for a first guess.
SPLITTING = 1.0e-6
#: Length of a Newton step that counts as converged: the square of the next one is below rounding.
ROUNDING = 1.0e-9
#: Norm of the inverse of the four displacement vectors beyond which they count as coinciding.
COINCIDING = 1.0e3


def stroh_matrix(tensor: GeneralisedTensor, q: Numbers, s: Numbers) -> Numbers:
    """The matrix M above.

    Parameters
    ----------
    tensor : blocks of the medium, n components.
    q : (...), wavenumber over kappa. s : (...), angular frequency over kappa, m/s.

    Returns
    -------
    (..., 2n, 2n), real where q and s are.
    """
    turned, inverse, stiffness, mass = tensor.stroh_blocks
    n = tensor.size
    q, s = np.asarray(q)[..., None, None], np.asarray(s)[..., None, None]
    matrix = np.empty((*q.shape[:-2], 2 * n, 2 * n), dtype=np.result_type(q, s, turned))
    matrix[..., :n, :n] = q * turned
    matrix[..., :n, n:] = inverse
    matrix[..., n:, :n] = tensor.density * s**2 * mass - q**2 * stiffness
    matrix[..., n:, n:] = q * turned.T
    return matrix


def waves_below(mu: ComplexArray, vectors: ComplexArray) -> NDArray[np.intp]:
    """Choose the branch: order the partial waves so that the ones of a half-space below lead.

    A wave that decays downwards belongs to it, Im mu < 0; a purely oscillating one if its energy
    flows down, Re(U^H L) > 0, that is Im(U^H T_3) > 0. Frequency and wavenumber are real, no
    artificial loss is put in: a relative loss of 1e-9 would change Y by up to 4e-5 beside a
    branch point. The eigenvalues of a lossless medium are real or come in conjugate pairs, and
    exactly half of them are always chosen.

    Parameters
    ----------
    mu : (..., 2n). vectors : (..., 2n, 2n), columns (U, L).

    Returns
    -------
    (..., 2n) indices: first the n of the half-space below, then the n of one above.
    """
    n = mu.shape[-1] // 2
    decay = -np.imag(mu)
    if np.abs(decay).min(initial=1.0) > OSCILLATING:
        return np.argsort(decay < 0.0, axis=-1, kind="stable")
    displacement, traction = vectors[..., :n, :], vectors[..., n:, :]
    flux = np.real(np.sum(displacement.conj() * traction, axis=-2))
    flux /= np.linalg.norm(displacement, axis=-2) * np.linalg.norm(traction, axis=-2) + 1e-300
    by_flux = (np.abs(flux) > SURE_FLUX) | (decay == 0.0)
    oscillating = np.abs(decay) <= OSCILLATING
    # Ranks: decaying waves at +-2, oscillating ones in between by their normalised flux; a pair
    # so close to a branch point that its flux is rounding error is ranked by its decay.
    score = np.where(by_flux, np.clip(flux, -1.0, 1.0), 1e-7 * np.sign(decay))
    score = np.where(oscillating, score, 2.0 * np.sign(decay))
    return np.argsort(-score, axis=-1, kind="stable")


def partial_waves(matrix: Numbers) -> tuple[ComplexArray, ComplexArray]:
    """Eigenvalues (..., 2n) and eigenvectors (..., 2n, 2n); those of a half-space below lead."""
    mu, vectors = np.linalg.eig(matrix)
    mu, vectors = mu.astype(complex, copy=False), vectors.astype(complex, copy=False)
    order = waves_below(mu, vectors)
    mu = np.take_along_axis(mu, order, axis=-1)
    return mu, np.take_along_axis(vectors, order[..., None, :], axis=-1)


def impedances(
    tensor: GeneralisedTensor, q: Numbers, s: Numbers, *, both: bool = False
) -> tuple[ComplexArray, ComplexArray]:
    """Z of the half-space below and, with ``both``, of the one above (else an empty array).

    Where partial waves coincide (isotropic media at rest) the eigenvectors do not span; there
    Z starts from a neighbouring medium and is brought to the exact one by Newton's method.

    Parameters
    ----------
    q, s : (m,). At complex q or s the waves are chosen by their decay there and then: right for
        the inside of a layer, where the choice is a matter of form, not for a half-space.

    Returns
    -------
    Two arrays (m, n, n).
    """
    n = tensor.size
    matrix = stroh_matrix(tensor, q, s)
    mu, vectors = np.linalg.eig(matrix)
    order = waves_below(mu, vectors)
    groups = (slice(0, n), slice(n, 2 * n)) if both else (slice(0, n),)
    rows, columns = np.arange(len(mu))[:, None, None], np.arange(2 * n)[:, None]
    result = []
    neighbour: ComplexArray | None = None
    for group in groups:
        z, sound = wave_ratio(vectors[rows, columns, order[:, None, group]])
        bad = np.flatnonzero(~sound)
        if bad.size:
            if neighbour is None:
                split = stroh_matrix(tensor.split(SPLITTING), q, s)
                neighbour = partial_waves(split)[1]
            guess, _ = wave_ratio(neighbour[bad][..., group])
            z[bad] = newton(matrix[bad], guess, contraction=np.inf)[0]
        result.append(polished(matrix, z))
    return result[0], result[1] if both else np.empty(0, dtype=complex)


def wave_ratio(vectors: ComplexArray) -> tuple[ComplexArray, NDArray[np.bool_]]:
    """Z = L U^-1 of n partial waves (m, 2n, n), and where the vectors U are independent enough."""
    n = vectors.shape[-1]
    # Vectors come with norm one and U never vanishes in them but for a scale of its own.
    scale = np.sqrt(np.sum(np.abs(vectors[:, :n]) ** 2, axis=1, keepdims=True)) + 1e-300
    scaled = vectors / scale
    inverse = safe_inverse(scaled[:, :n])
    sound = np.sum(np.abs(inverse) ** 2, axis=(1, 2)) < COINCIDING**2
    return scaled[:, n:] @ inverse, sound


def safe_inverse(matrix: Numbers) -> ComplexArray:
    """Inverses of a stack (m, n, n); huge where a matrix is singular."""
    try:
        return np.asarray(np.linalg.inv(matrix), dtype=complex)
    except np.linalg.LinAlgError:
        regular = np.abs(np.linalg.det(matrix)) > 0.0
        one = np.eye(matrix.shape[-1])
        inverse = np.linalg.inv(np.where(regular[:, None, None], matrix, one))
        return np.where(regular[:, None, None], inverse, 1e100)


def residual(matrix: Numbers, z: ComplexArray) -> ComplexArray:
    """Riccati residual F(Z) = M21 + M22 Z - Z M11 - Z M12 Z; it vanishes for every half-space."""
    n = z.shape[-1]
    below = matrix[..., n:, :n] + matrix[..., n:, n:] @ z
    return below - z @ (matrix[..., :n, :n] + matrix[..., :n, n:] @ z)


def newton_step(matrix: Numbers, z: ComplexArray) -> ComplexArray:
    """The step D with (M22 - Z M12) D - D (M11 + M12 Z) = -F(Z), a Sylvester equation."""
    n = z.shape[-1]
    left = matrix[..., n:, n:] - z @ matrix[..., :n, n:]
    right = matrix[..., :n, :n] + matrix[..., :n, n:] @ z
    return sylvester(left, right, -residual(matrix, z))


def sylvester(left: Numbers, right: Numbers, constant: Numbers) -> ComplexArray:
    """Solve left D - D right = constant for stacks (..., n, n) by one linear system of n^2.

    ``constant`` may have one axis more in front: several right-hand sides of the same system.
    """
    n = left.shape[-1]
    one = np.eye(n)
    system = left[..., :, None, :, None] * one[:, None, :]
    system = system - one[:, None, :, None] * np.swapaxes(right, -1, -2)[..., None, :, None, :]
    system = system.reshape(*left.shape[:-2], n * n, n * n)
    flat = constant.reshape(*constant.shape[:-2], n * n)
    if constant.ndim == left.ndim:
        return np.asarray(np.linalg.solve(system, flat[..., None]).reshape(constant.shape))
    solution = np.linalg.solve(system, np.moveaxis(flat, 0, -1))
    return np.asarray(np.moveaxis(solution, -1, 0).reshape(constant.shape))


def newton(
    matrix: Numbers, guess: ComplexArray, *, steps: int = 8, contraction: float = 0.05
) -> tuple[ComplexArray, NDArray[np.bool_]]:
    """Newton's method for F(Z) = 0 from a guess, and where it converged beyond doubt.

    Beyond doubt: the second step is at most ``contraction`` times the first (in the theorem of
    Kantorovich the ratio must stay below 1/2), and the last one is at the level of rounding.
    """
    z = np.array(guess, dtype=complex)
    size = _norm(z) + 1.0
    first = last = np.zeros(size.shape)
    contracting = np.ones(size.shape, dtype=bool)
    for number in range(steps):
        step = newton_step(matrix, z)
        z = z + step
        last = _norm(step) / size
        if number == 0:
            first = last
        elif number == 1:
            contracting = (first < ROUNDING) | (last <= contraction * first)
        # Points in doubt are not waited for.
        if np.all((last < 1e-13) | ~contracting):
            break
    return z, contracting & (last < ROUNDING)


def polished(matrix: Numbers, z: ComplexArray) -> ComplexArray:
    """One Newton step where the residual of Z stands above rounding, kept where it helps."""
    before = _norm(residual(matrix, z))
    size = _norm(matrix) * (1.0 + _norm(z))
    rough = np.flatnonzero(before > 1e-14 * size)
    if rough.size == 0:
        return z
    better = z[rough] + newton_step(matrix[rough], z[rough])
    after = _norm(residual(matrix[rough], better))
    keep = after < before[rough]
    z = z.copy()
    z[rough[keep]] = better[keep]
    return z


def _norm(matrix: Numbers) -> NDArray[np.float64]:
    """Frobenius norm of a stack of matrices."""
    flat = matrix.reshape(*matrix.shape[:-2], -1)
    return np.asarray(np.sqrt(np.einsum("...i,...i->...", flat, flat.conj()).real))
