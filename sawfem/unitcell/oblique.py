"""Waves of a grating that run at an angle to it: fields ~ exp(-j gamma x1/p - j k2 x2).

With d/dx2 = -j k2 on the trial and +j k2 on the test functions, the weak form of
sawfem/unitcell/forms.py gains terms of first and second order in k2, both affine in the Bloch
phase as K and M are:

    K(gamma, k2) = K + j k2 N + k2^2 M2,
    N_JK  = sum_l G_2JKl int V_J dU_K/dx_l - sum_i G_iJK2 int dV_J/dx_i U_K       (i, l = 1, 3)
    M2_JK = G_2JK2 int V_J U_K

N is real and antisymmetric (G_iJK2 = G_2KJi), so K(gamma, k2) is Hermitian. Each harmonic of the
floor is a plane wave along (k_n, k2): it meets the surface admittance of the stack turned to its
direction, and the air above takes up eps0 sqrt(k_n^2 + k2^2).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray

from sawfem.errors import InputError
from sawfem.planewave.admittance import SurfaceAdmittance
from sawfem.planewave.scaled_stack import ScaledStack
from sawfem.unitcell.discretisation import (
    SCALED_EPSILON_0,
    AffineMatrix,
    AffineParts,
    Discretisation,
    tensors_of,
)
from sawfem.unitcell.forms import transverse_forms
from sawfem.unitcell.system import BlochSystem, below_the_floor

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]


@dataclass(frozen=True, eq=False)
class TransverseForms:
    """The two further matrices of a cell: real, square in its unknowns.

    Attributes
    ----------
    first : N, antisymmetric: its backward part is minus the transpose of the forward one.
    second : M2, symmetric.
    """

    first: AffineMatrix
    second: AffineMatrix

    @classmethod
    def of(cls, discretisation: Discretisation) -> TransverseForms:
        """Assemble them for a cell."""
        d = discretisation
        first, second = AffineParts(d.unknowns), AffineParts(d.unknowns)
        for index, medium in enumerate(d.mesh.media):
            tensor, _, components = tensors_of(medium)
            elements = np.flatnonzero(d.mesh.medium == index)
            rows, columns, (across, up), mass = transverse_forms(d.basis, elements)
            places = rows, columns
            for j in components:
                for k in components:
                    # int dV/dx_i U at (row, column) is int V dU/dx_i at (column, row).
                    slope = tensor[0, j, k, 1] * across + tensor[2, j, k, 1] * up
                    first.put(places, j, k, -slope)
                    first.put(places[::-1], k, j, slope)
                    second.put(places, j, k, tensor[1, j, k, 1] * mass)
        return cls(first.matrix(), second.matrix())

    def at(self, phase: float, transverse: float) -> sp.csr_array:
        """The matrix j k2 N + k2^2 M2 at a Bloch phase, for k2 p = ``transverse``."""
        turn = np.exp(-1j * phase)
        n = self.first
        odd = n.constant + turn * n.forward - np.conj(turn) * n.forward.T
        return sp.csr_array(1j * transverse * odd + transverse**2 * self.second.at(phase))


@dataclass(frozen=True)
class ObliqueSystem(BlochSystem):
    """A cell at a Bloch phase and a transverse wavenumber.

    Attributes
    ----------
    transverse : k2 p, radians. forms : of the cell.
    """

    transverse: float
    forms: TransverseForms = field(repr=False)

    def __post_init__(self) -> None:
        if not np.isfinite(self.transverse):
            raise InputError(
                key="transverse", found=f"{self.transverse!r}", expected="a finite number"
            )
        super().__post_init__()
        if self.transverse != 0.0:
            more = self.forms.at(self.phase, self.transverse)
            object.__setattr__(self, "stiffness", sp.csr_array(self.stiffness + more))

    @cached_property
    def _floors(self) -> list[tuple[SurfaceAdmittance, float, Array]]:
        """For every harmonic: the floor turned to its direction, |k|, and the turn of (U, phi)."""
        substrate, layers, shorts = below_the_floor(self.discretisation)
        stack = ScaledStack.from_media(substrate, layers, shorts=shorts)
        found = []
        for k in self.wavenumbers:
            angle = float(np.arctan2(self.transverse, k))
            turned = stack.turned(angle)
            floor = SurfaceAdmittance.from_tensors(
                turned.substrate.lossless,
                [(medium.lossless, height) for medium, height in turned.layers],
                shorts=shorts,
            )
            axes = np.eye(4)
            axes[:2, :2] = [[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]]
            found.append((floor, float(np.hypot(k, self.transverse)), axes))
        return found

    def floor_blocks(
        self, frequencies: Complex | Array, kept: NDArray[np.bool_] | slice = slice(None)
    ) -> Complex:
        """Scaled p Y(w, k_n, k2), shape (m, harmonics, 4, 4), as for the base class."""
        if self.transverse == 0.0:
            return super().floor_blocks(frequencies, kept)
        period = self.discretisation.cell.period
        omega = 2.0 * np.pi * np.asarray(frequencies)
        chosen = np.arange(self.wavenumbers.size)[kept]
        blocks = []
        for floor, size, axes in (self._floors[index] for index in chosen):
            y = period * floor.scaled(omega, np.full(omega.shape, size / period))
            blocks.append(axes.T @ y @ axes)
        return np.stack(blocks, axis=1)

    def air_weights(self) -> Array:
        """Scaled eps0 sqrt(k_n^2 + k2^2), shape (harmonics,)."""
        return np.asarray(SCALED_EPSILON_0 * np.hypot(self.wavenumbers, self.transverse))
