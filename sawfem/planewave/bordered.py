"""The root of a bordered determinant: a wavenumber at which the matrix of a stack is singular.

Bordered by the null vectors u, w of a neighbouring wave,

    [ K(k)   conj(w) ] [x]   [0]
    [ u^H       0    ] [f] = [1],

K is singular where f(k) = 0, and f belongs to that wave: others, whose vectors differ, hardly
move it (Griewank & Reddien, IMA J. Numer. Anal. 4, 295 (1984): from memory). The secant method
finds the root in the variable sqrt(1 - v^2 / v_onset^2), v_onset the next onset of a bulk wave
above, in which K is smooth up to the onset.
"""

from __future__ import annotations

import math

import numpy as np

from sawfem.errors import ConvergenceError
from sawfem.planewave.generalised import ComplexArray
from sawfem.planewave.stack_matrix import StackMatrix
from sawfem.planewave.stack_wave import GUIDED, Ceiling, StackWave

#: Relative change of k that counts as converged; the rounding error of K allows no less.
CONVERGED = 1.0e-13
#: The same where f no longer falls: it has met its own rounding error.
STALLED = 1.0e-9
#: Largest |f| of a root, the borders and the vectors being of norm one: far above rounding, and
#: far below f beside an onset that the search only runs into.
ROOT = 1.0e-9
#: Steps of the secant method.
STEPS = 30


def _bordered(
    system: StackMatrix, k: complex, borders: tuple[ComplexArray, ComplexArray]
) -> tuple[complex, ComplexArray, ComplexArray]:
    """F at k, and the right and left vectors."""
    right, left = borders
    n = len(right)
    matrix = np.zeros((n + 1, n + 1), dtype=complex)
    matrix[:n, :n] = system(k)
    matrix[:n, n], matrix[n, :n] = left.conj(), right.conj()
    one = np.zeros(n + 1)
    one[n] = 1.0
    solution = np.asarray(np.linalg.solve(matrix, one), dtype=complex)
    transposed = np.asarray(np.linalg.solve(matrix.T, one), dtype=complex)
    return complex(solution[n]), solution[:n], transposed[:n]


def solved(
    system: StackMatrix, k: complex, borders: tuple[ComplexArray, ComplexArray], ceiling: Ceiling
) -> StackWave:
    """The wave whose f has its root near k."""
    norms = [np.linalg.norm(vector) for vector in borders]
    borders = borders[0] / norms[0], borders[1] / norms[1]
    lossless = not any(medium.is_lossy for medium in system.stack.media)
    real = lossless and ceiling.lowest and abs(k.imag) < GUIDED * k.real
    k, residual = _secant(system, k, borders, ceiling, real=real)
    _, right, left = _bordered(system, k, borders)
    if real:
        left = right.conj()
    u, w = system.embedded(right), system.embedded(left)
    return StackWave(
        stack=system.stack,
        omega=system.omega,
        metallised=system.metallised,
        wavenumber=k,
        nodal=u / np.linalg.norm(u),
        reverse=w / np.linalg.norm(w),
        family=system.family,
        slabs=system.slabs,
        ceiling=ceiling,
        residual=residual,
    )


def _secant(
    system: StackMatrix,
    k: complex,
    borders: tuple[ComplexArray, ComplexArray],
    ceiling: Ceiling,
    *,
    real: bool,
) -> tuple[complex, float]:
    """Root of f near k, and |f| there."""
    omega = system.omega

    def f(place: complex) -> complex:
        at = ceiling.wavenumber(omega, place)
        return _bordered(system, at.real if real else at, borders)[0]

    x = ceiling.place(omega, k)
    x = complex(x.real) if real else x
    before, x = x, x * (1.0 + 1e-5)
    f_before, f_here = f(before), f(x)
    for _ in range(STEPS):
        if f_here == 0.0:
            return ceiling.wavenumber(omega, x), 0.0
        if f_here == f_before:
            break
        move = -f_here * (x - before) / (f_here - f_before)
        move = complex(move.real) if real else move
        limit = 0.5 * x.real if ceiling.velocity else 0.1 * abs(x)
        shrink = min(1.0, limit / max(abs(move), 1e-300)) if (x + move).real <= limit else 1.0
        new = x + move * shrink
        change = abs(ceiling.wavenumber(omega, new) / ceiling.wavenumber(omega, x) - 1.0)
        f_new = f(new)
        settled = change < CONVERGED or (change < STALLED and abs(f_new) >= abs(f_here))
        if settled and min(abs(f_new), abs(f_here)) < ROOT:
            best = new if abs(f_new) <= abs(f_here) else x
            root = ceiling.wavenumber(omega, best)
            if ceiling.velocity is None or omega / root.real < ceiling.velocity:
                return root, min(abs(f_new), abs(f_here))
            break  # beyond the onset the half-space carries other waves: another wave
        before, f_before, x, f_here = x, f_here, new, f_new
    raise ConvergenceError(_not_found(system, ceiling, ceiling.wavenumber(omega, x), abs(f_here)))


def _not_found(system: StackMatrix, ceiling: Ceiling, k: complex, residual: float) -> str:
    text = (
        f"no wave found again near {system.omega / k.real:.8g} m/s "
        f"(f = {system.omega / (2.0 * math.pi):.6g} Hz): last residual {residual:.1e}"
    )
    if ceiling.velocity is not None and abs(ceiling.place(system.omega, k)) < 1e-3:
        text += f"; it has reached the onset of a bulk wave at {ceiling.velocity:.8g} m/s"
    return text
