"""Matrices of a cell that are affine in exp(-j gamma), and traces along its sides.

The Bloch condition U(x + p) = exp(-j gamma) U(x) makes every matrix of the cell

    A(gamma) = A_a + exp(-j gamma) A_b + exp(+j gamma) A_b^T

with real matrices that are assembled once (sawfem/unitcell/discretisation.py), and a harmonic of a
field along a side is P_n = (1/p) int exp(+j k_n x)(.) dx of its shape functions.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]


@dataclass(frozen=True)
class Trace:
    """Values of the scalar shape functions along a horizontal side of the cell.

    Attributes
    ----------
    x : (points,) quadrature points in periods.
    weighted : (points, n) shape functions times quadrature weights, over all scalar unknowns.
    """

    x: Array
    weighted: sp.csr_array

    def harmonics(self, wavenumbers: Complex | Array) -> Complex:
        """Int exp(+j k x) phi_i dx for every k (in 1/p); shape (k, n)."""
        waves = np.exp(1j * np.multiply.outer(np.asarray(wavenumbers), self.x))
        product: Complex = (self.weighted.T @ waves.T).T
        return product


@dataclass(frozen=True)
class AffineMatrix:
    """A(gamma) = constant + exp(-j gamma) forward + exp(+j gamma) forward^T, all real."""

    constant: sp.csr_array
    forward: sp.csr_array

    def at(self, phase: float) -> sp.csr_array:
        """The Hermitian matrix at a Bloch phase in radians; real where exp(-j gamma) is."""
        factor = np.exp(-1j * phase)
        if abs(factor.imag) < 1e-15:
            return sp.csr_array(self.constant + factor.real * (self.forward + self.forward.T))
        return sp.csr_array(
            self.constant + factor * self.forward + np.conj(factor) * self.forward.T
        )


@dataclass(frozen=True)
class LossMatrix:
    """What one material loses in one way: K_s, or K_v of :mod:`sawfem.unitcell.losses`.

    Attributes
    ----------
    material, mechanism : its name; "mechanical", "viscous" or "dielectric".
    matrix : real, of the pattern of the stiffness; a viscous one is multiplied by W.
    """

    material: str
    mechanism: str
    matrix: AffineMatrix

    @property
    def viscous(self) -> bool:
        """Whether it grows with the frequency."""
        return self.mechanism == "viscous"
