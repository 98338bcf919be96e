"""Poles of a function that is known on the real axis alone: the natural frequencies behind a peak.

The samples are interpolated by a rational function in barycentric form whose support points are
chosen one by one where it is worst (the AAA algorithm; Nakatsukasa, Sete, Trefethen, SIAM J. Sci.
Comput. 40, A1494 (2018); from memory):

    r(x) = sum_k w_k y_k/(x - x_k) / sum_k w_k/(x - x_k).

Its poles are eigenvalues of an arrow-shaped pencil, and the residue at a pole is numerator over
derivative of the denominator.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.linalg import eig

from sawfem.device.pmatrix import ComplexArray, FloatArray

#: Relative misfit at which the interpolant is good enough, and its largest degree.
TOLERANCE, DEGREE = 1e-11, 24
#: Half the stretch of the samples in widths of the peak, and how many there are.
REACH, SAMPLES = 3.0, 61


@dataclass(frozen=True)
class Pole:
    """A simple pole: ``function`` is residue/(f - frequency) near it, f and frequency in hertz."""

    frequency: complex
    residue: complex

    @property
    def quality(self) -> float:
        """|f|/(2 Im f): 2 pi times the energy stored over what is lost in a period, ringing freely.

        The amplitude of exp(+j 2 pi f t) decays by Im f, the energy twice as fast.
        """
        return float(abs(self.frequency) / (2.0 * self.frequency.imag))


def pole_behind(
    function: Callable[[FloatArray], ComplexArray], peak: float, width: float
) -> Pole | None:
    """The pole that makes the peak of ``function`` (F,) -> (F,) at ``peak``, ``width`` wide, Hz.

    Of several the one that contributes most at the peak; None where none lies within the stretch
    of the samples on the side of decay (Im f > 0).
    """
    x = np.linspace(-REACH, REACH, SAMPLES)
    values = np.asarray(function(peak + width * x), dtype=complex)
    if not np.all(np.isfinite(values)) or not np.any(values):
        return None
    poles, residues = _poles(x, values)
    inside = (poles.imag > 0.0) & (np.abs(poles) < REACH)
    if not np.any(inside):
        return None
    poles, residues = poles[inside], residues[inside]
    best = int(np.argmax(np.abs(residues / poles)))
    return Pole(peak + width * complex(poles[best]), width * complex(residues[best]))


def _poles(x: FloatArray, y: ComplexArray) -> tuple[ComplexArray, ComplexArray]:
    """Poles and residues of the rational interpolant of samples y (n,) at x (n,)."""
    support, weights = _interpolant(x, y)
    nodes, values = x[support], y[support]
    m = nodes.size
    arrow = np.zeros((m + 1, m + 1), dtype=complex)
    arrow[0, 1:] = weights
    arrow[1:, 0] = 1.0
    arrow[1:, 1:] = np.diag(nodes)
    mass = np.eye(m + 1)
    mass[0, 0] = 0.0
    found = eig(arrow, mass, right=False)
    poles = found[np.isfinite(found)]
    gap = poles[:, None] - nodes
    with np.errstate(divide="ignore", invalid="ignore"):
        above = (weights * values / gap).sum(axis=1)
        slope = -(weights / gap**2).sum(axis=1)
        residues = above / slope
    good = np.isfinite(residues)
    return poles[good], residues[good]


def _interpolant(x: FloatArray, y: ComplexArray) -> tuple[np.ndarray, ComplexArray]:
    """Support points (indices) and weights."""
    scale = float(np.abs(y).max())
    support: list[int] = []
    fitted = np.full(y.shape, y.mean())
    weights = np.empty(0, dtype=complex)
    for _ in range(min(DEGREE, x.size // 2)):
        support.append(int(np.argmax(np.abs(y - fitted))))
        others = np.setdiff1d(np.arange(x.size), support)
        cauchy = 1.0 / (x[others, None] - x[support])
        loewner = (y[others, None] - y[support]) * cauchy
        weights = np.linalg.svd(loewner)[2][-1].conj()
        fitted = y.copy()
        fitted[others] = (cauchy @ (weights * y[support])) / (cauchy @ weights)
        if np.abs(y - fitted).max() <= TOLERANCE * scale:
            break
    return np.array(support), weights
