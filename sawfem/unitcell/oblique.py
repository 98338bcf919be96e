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

An electrode is a conductor along x2, so that its potential cannot vary as exp(-j k2 x2): for
k2 != 0 it is zero, driven, grounded or floating. What is followed is the shorted grating.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray

from sawfem.errors import ConvergenceError, InputError
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
from sawfem.unitcell.modes import polish
from sawfem.unitcell.reduced import ReducedSystem, reduce
from sawfem.unitcell.stopband import Edge, StopBand, resonances
from sawfem.unitcell.system import BlochSystem, below_the_floor, floor_admittance

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

#: Overlap of a mode with the one before it from which it counts as the same.
SAME_MODE = 0.7


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


@dataclass(frozen=True, eq=False)
class ObliqueBranch:
    """One wave of a shorted grating at a fixed phase, against the transverse wavenumber.

    Attributes
    ----------
    period : m. phase : gamma, radians, so that k1 = gamma/p.
    transverse : (m,) k2, rad/m, ascending, zero among them.
    frequency : (m,) Hz, complex; positive imaginary part for radiation into the bulk.
    error : largest estimate of the relative error that the small basis makes.
    """

    period: float
    phase: float
    transverse: Array
    frequency: Complex
    error: float

    @property
    def angle(self) -> Array:
        """(m,) direction of the wave vector from x1 towards x2, degrees."""
        return np.asarray(np.degrees(np.arctan2(self.transverse, self.phase / self.period)))

    @property
    def slowness(self) -> Array:
        """(m, 2) k/w along x1 and x2, s/m."""
        omega = 2.0 * np.pi * self.frequency.real
        return np.column_stack([self.phase / self.period / omega, self.transverse / omega])

    def derivatives(self) -> tuple[float, float]:
        """dw/dk2 in m/s and d^2w/dk2^2 in m^2/s at k2 = 0, from the polynomial through all points.

        With an odd number of points placed evenly about zero these are central differences.
        """
        scale = float(np.max(np.abs(self.transverse)))
        omega = 2.0 * np.pi * self.frequency.real
        series = np.polynomial.Polynomial.fit(
            self.transverse / scale, omega, self.transverse.size - 1, domain=[-1, 1]
        ).coef
        return float(series[1] / scale), float(2.0 * series[2] / scale**2)


def follow_oblique(
    discretisation: Discretisation,
    phase: float,
    start: complex,
    vector: Complex,
    transverse: Sequence[float] | Array,
) -> ObliqueBranch:
    """Follow a shorted mode of the grating from k2 = 0 to transverse wavenumbers.

    Parameters
    ----------
    discretisation, phase : the cell, and gamma in radians.
    start, vector : frequency in Hz and all unknowns (``model.expand``) of the mode at k2 = 0.
    transverse : (m,) k2 in rad/m; zero is added.

    Raises
    ------
    ConvergenceError : the mode is lost, as where it meets another one; take smaller steps.
    """
    k2 = np.unique(np.append(np.asarray(transverse, dtype=float), 0.0))
    forms = TransverseForms.of(discretisation)
    period = discretisation.cell.period
    middle = int(np.flatnonzero(k2 == 0.0)[0])
    found: dict[int, complex] = {}
    errors = []
    first: tuple[complex, Complex] | None = None
    for way in (range(middle, k2.size), range(middle - 1, -1, -1)):
        known: list[tuple[float, complex]] = [] if first is None else [(0.0, first[0])]
        shape = vector if first is None else first[1]
        for index in way:
            guess = _ahead(known, float(k2[index]), start)
            floor = floor_admittance(discretisation)
            system = ObliqueSystem(discretisation, phase, floor, float(k2[index] * period), forms)
            frequency, shape, error = _same_mode(system, guess, shape)
            known.append((float(k2[index]), frequency))
            found[index] = frequency
            errors.append(error)
            first = first or (frequency, shape)
    values = np.array([found[index] for index in range(k2.size)])
    return ObliqueBranch(period, phase, k2, values, max(errors))


def follow_edge(band: StopBand, edge: Edge, transverse: Sequence[float] | Array) -> ObliqueBranch:
    """Follow a shorted edge of a stop band; parameters and errors as for :func:`follow_oblique`.

    Raises InputError for an open edge: there is no open grating at k2 != 0 (module docstring).
    """
    if not edge.shorted:
        raise InputError(key="edge", found="an open edge", expected="one of band.shorted")
    system = band.model.system
    vector = band.model.expand(edge.vector)
    return follow_oblique(system.discretisation, system.phase, edge.frequency, vector, transverse)


def follow_wave(
    discretisation: Discretisation,
    phase: float,
    velocities: tuple[float, float],
    transverse: Sequence[float] | Array,
) -> ObliqueBranch:
    """Follow the wave that couples most to the electrodes, outside the stop band.

    Parameters
    ----------
    phase : gamma in (0, pi). velocities : between which it runs along x1 (w p/gamma), m/s.
    transverse : as for :func:`follow_oblique`.

    Raises
    ------
    ConvergenceError : no wave of the shorted grating between the velocities, or one that is lost.
    """
    low, high = velocities
    system = BlochSystem(discretisation, phase, floor_admittance(discretisation))
    centre = 0.5 * (low + high) * phase / (2.0 * np.pi * discretisation.cell.period)
    model = reduce(system, centre)
    shorted = resonances(model, low, high)[0]
    if not shorted:
        raise ConvergenceError(
            f"no wave of the shorted grating between {low:.0f} and {high:.0f} m/s"
        )
    edge = max(shorted, key=lambda wave: wave.coupling)
    vector = model.expand(edge.vector)
    return follow_oblique(discretisation, phase, edge.frequency, vector, transverse)


def _ahead(known: list[tuple[float, complex]], place: float, start: complex) -> complex:
    """The frequency that the last two points lead to."""
    if len(known) < 2:
        return known[-1][1] if known else start
    (a, f), (b, g) = known[-2:]
    return g + (g - f) * (place - b) / (b - a)


def _same_mode(
    system: ObliqueSystem, guess: complex, shape: Complex
) -> tuple[complex, Complex, float]:
    """Frequency, unknowns and error of the mode nearest to a guess that looks like ``shape``."""
    # The finite elements of a membrane resonate with the grating: beside that, they are regular.
    beside = 1.001 if system.discretisation.underside is not None else 1.0
    model = reduce(system, beside * guess.real)
    r = model.order

    def matrices(frequencies: Complex) -> Complex:
        return model.matrices(frequencies)[:, :r, :r]

    before = shape[: model.basis.shape[0]]
    mode = polish(matrices, guess, np.asarray(model.basis.conj().T @ before))
    if mode is None:
        raise _lost(system, "no mode")
    new = model.expand(mode.vector)
    likeness = abs(_product(model, new, shape)) / np.sqrt(
        abs(_product(model, new, new)) * abs(_product(model, shape, shape))
    )
    if likeness < SAME_MODE:
        raise _lost(system, f"a mode that is alike to {likeness:.2f}")
    padded = np.concatenate([mode.vector, np.zeros(model.electrodes, dtype=complex)])
    return mode.frequency, new, model.frequency_error(mode.frequency, padded)


def _product(model: ReducedSystem, a: Complex, b: Complex) -> complex:
    """a^H M b: kinetic energy of two sets of unknowns."""
    return complex(a.conj() @ np.asarray(model.system.mass @ b))


def _lost(system: ObliqueSystem, found: str) -> ConvergenceError:
    return ConvergenceError(
        f"an oblique wave was lost at k2 p = {system.transverse:.4g}: {found} was found there; "
        "take smaller steps of the transverse wavenumber"
    )
