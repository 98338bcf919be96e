"""Waves of a grating that run at an angle to it: fields ~ exp(-j gamma x1/p - j k2 x2).

With d/dx2 = -j k2 on the trial and +j k2 on the test functions, the weak form of
sawfem/unitcell/forms.py gains terms of first and second order in k2, both affine in the Bloch
phase as K and M are:

    K(gamma, k2) = K + j k2 N + k2^2 M2,
    N_JK  = sum_l G_2JKl int V_J dU_K/dx_l - sum_i G_iJK2 int dV_J/dx_i U_K       (i, l = 1, 3)
    M2_JK = G_2JK2 int V_J U_K

N is real and antisymmetric (G_iJK2 = G_2KJi), so K(gamma, k2) is Hermitian. Each harmonic of the
floor is a plane wave along (k_n, k2): it meets the surface admittance of the stack turned to its
direction, and the air above takes up eps0 sqrt(k_n^2 + k2^2). What materials lose
(sawfem/unitcell/losses.py) is the imaginary part of G, and has an N and an M2 of its own.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray

from sawfem.errors import InputError
from sawfem.planewave.lossy_admittance import Floor, LossyAdmittance
from sawfem.unitcell.affine import AffineMatrix
from sawfem.unitcell.discretisation import SCALED_EPSILON_0, AffineParts, Discretisation, tensors_of
from sawfem.unitcell.forms import VELOCITY, transverse_forms
from sawfem.unitcell.losses import lossy_body
from sawfem.unitcell.system import BlochSystem, below_the_floor

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
Index = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class TransverseForms:
    """The two further matrices of a cell: real, square in its unknowns.

    Attributes
    ----------
    first : N, antisymmetric: its backward part is minus the transpose of the forward one.
    second : M2, symmetric.
    losses : the same of each of the cell's losses, in their order.
    """

    first: AffineMatrix
    second: AffineMatrix
    losses: tuple[TransverseForms, ...] = ()

    @classmethod
    def of(cls, discretisation: Discretisation) -> TransverseForms:
        """Assemble them for a cell."""
        d = discretisation
        real = _Collected(d)
        lost = {(loss.material, loss.mechanism): _Collected(d) for loss in d.losses}
        for index, medium in enumerate(d.mesh.media):
            tensor, _, components = tensors_of(medium)
            elements = np.flatnonzero(d.mesh.medium == index)
            forms = transverse_forms(d.basis, elements)
            real.add(forms, tensor, components)
            for term in () if medium is None or not lost else d.loss_rule(medium):
                # A viscous term is over w: over W = w p / VELOCITY.
                unit = VELOCITY / d.cell.period if term.viscous else 1.0
                into = lost[medium.name, term.mechanism] if medium is not None else real
                into.add(forms, unit * term.tensor, components)
        return cls(*real.matrices(), tuple(cls(*part.matrices()) for part in lost.values()))

    def at(self, phase: float, transverse: float) -> sp.csr_array:
        """The matrix j k2 N + k2^2 M2 at a Bloch phase, for k2 p = ``transverse``."""
        turn = np.exp(-1j * phase)
        n = self.first
        odd = n.constant + turn * n.forward - np.conj(turn) * n.forward.T
        return sp.csr_array(1j * transverse * odd + transverse**2 * self.second.at(phase))


class _Collected:
    """N and M2 as they are put together, medium by medium."""

    def __init__(self, discretisation: Discretisation) -> None:
        unknowns = discretisation.unknowns
        self._first, self._second = AffineParts(unknowns), AffineParts(unknowns)

    def add(
        self,
        forms: tuple[Index, Index, tuple[Array, Array], Array],
        tensor: Array,
        components: range,
    ) -> None:
        """Add one medium with a tensor G_iJKl."""
        rows, columns, (across, up), mass = forms
        places = rows, columns
        for j in components:
            for k in components:
                # int dV/dx_i U at (row, column) is int V dU/dx_i at (column, row).
                slope = tensor[0, j, k, 1] * across + tensor[2, j, k, 1] * up
                self._first.put(places, j, k, -slope)
                self._first.put(places[::-1], k, j, slope)
                self._second.put(places, j, k, tensor[1, j, k, 1] * mass)

    def matrices(self) -> tuple[AffineMatrix, AffineMatrix]:
        """N and M2."""
        return self._first.matrix(), self._second.matrix()


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

    def _lost(self) -> Iterator[tuple[bool, sp.csr_array]]:
        plain = super()._lost()
        if self.transverse == 0.0:
            yield from plain
            return
        for (viscous, matrix), more in zip(plain, self.forms.losses, strict=True):
            yield viscous, sp.csr_array(matrix + more.at(self.phase, self.transverse))

    @cached_property
    def _floors(self) -> list[tuple[Floor, float, Array]]:
        """For every harmonic: the floor turned to its direction, |k|, and the turn of (U, phi)."""
        substrate, layers, shorts = below_the_floor(self.discretisation)
        rule = self.discretisation.loss_rule
        found = []
        for k in self.wavenumbers:
            angle = float(np.arctan2(self.transverse, k))
            body = lossy_body(substrate, rule, angle)
            bodies = [(lossy_body(medium, rule, angle), height) for medium, height in layers]
            lossy = LossyAdmittance.of(body, bodies, shorts)
            # Constants that do not depend on the frequency are put together once.
            floor = lossy if lossy.is_viscous else lossy.at(0.0)
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
