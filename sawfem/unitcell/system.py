"""The cell at one Bloch phase: finite elements inside, exact waves below, exact field above.

    A(w, gamma) = K(gamma) - W^2 M(gamma) + sum_n P_n^H Y(w, k_n) P_n - sum_n Q_n^H eps0 |k_n| Q_n

with k_n = (gamma + 2 pi n)/p, W = w p / VELOCITY, P_n = (1/p) int exp(+j k_n x)(.) dx on the
floor of the slab and Q_n alike on the upper side of the air. Every Floquet harmonic meets the
exact surface admittance of whatever planar stack lies below: no absorbing layer, no tuning, and
radiated bulk waves leave (finite elements with a spectral half-space: Endoh, Hashimoto,
Yamaguchi, Jpn. J. Appl. Phys. 34, 2638 (1995); exact boundary operators: Keller & Givoli,
J. Comput. Phys. 82, 172 (1989); from memory).

The charge of an electrode is minus the reaction of its potential unknown.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import scipy.sparse as sp
from numpy.typing import ArrayLike, NDArray

from sawfem.conventions import CHARGE, FIELD
from sawfem.errors import InputError
from sawfem.material import Medium
from sawfem.planewave.admittance import SurfaceAdmittance
from sawfem.planewave.generalised import GeneralisedTensor
from sawfem.planewave.lossy_admittance import Floor, LossyAdmittance
from sawfem.unitcell.discretisation import SCALED_EPSILON_0, Discretisation
from sawfem.unitcell.forms import VELOCITY
from sawfem.unitcell.losses import lossy_body
from sawfem.unitcell.sparse import factorise

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

#: Charge over potential in the scaled units, F/m: Q = CHARGE p q, V = FIELD p v.
CAPACITANCE = CHARGE / FIELD


def below_the_floor(
    discretisation: Discretisation,
) -> tuple[Medium, tuple[tuple[Medium, float], ...], tuple[int, ...]]:
    """What lies below the meshed slab: substrate, layers with thickness in m upwards, shorts."""
    substrate, layers = discretisation.cell.stack.media()
    depth = discretisation.mesh.depth * discretisation.cell.period
    below: list[tuple[Medium, float]] = []
    remaining = depth
    for medium, thickness in reversed(layers):
        inside = min(remaining, thickness)
        remaining -= inside
        if thickness - inside > 1e-9 * thickness:
            below.append((medium, thickness - inside))
    # Shorts keep their number, counted from below; those in the slab have been refused.
    shorts = tuple(i for i in discretisation.cell.stack.shorts if i < len(below))
    return substrate, tuple(below[::-1]), shorts


def floor_admittance(discretisation: Discretisation) -> Floor:
    """Surface admittance of what lies below the meshed slab; of vacuum below a membrane."""
    substrate, layers, shorts = below_the_floor(discretisation)
    if discretisation.cell.stack.is_membrane and not layers:
        return SurfaceAdmittance.from_tensors(GeneralisedTensor.from_medium(substrate), [])
    rule = discretisation.loss_rule
    body = lossy_body(substrate, rule)
    bodies = [(lossy_body(medium, rule), height) for medium, height in layers]
    if body.is_lossy or any(layer.is_lossy for layer, _ in bodies):
        return LossyAdmittance.of(body, bodies, shorts)
    return SurfaceAdmittance(substrate, layers, shorts=shorts)


def steepest_harmonic(discretisation: Discretisation) -> float:
    """Largest |k_n| p that the floor and the air must hold, but for the lowest six harmonics.

    What the floor reflects of harmonic n returns to the electrodes as exp(-2 |k_n| depth): beyond
    |k| depth = 18 it is below rounding.
    """
    return float(min(18.0 / discretisation.mesh.clearance, 2.0 * np.pi * 24.0))


def floquet_harmonics(discretisation: Discretisation, phase: float) -> Array:
    """k_n p = gamma + 2 pi n that the floor and the air must hold, sorted by magnitude.

    Truncation by |k|, never by |n|, keeps the pairs n, -n-1 of gamma = pi together.
    """
    largest = max(steepest_harmonic(discretisation), abs(phase) + 2.0 * np.pi * 3.0)
    reach = int(np.ceil(largest / (2.0 * np.pi))) + 2
    k = phase + 2.0 * np.pi * np.arange(-reach, reach + 1)
    k = k[np.abs(k) <= largest * (1.0 + 1e-12)]
    order = np.lexsort((k < 0.0, np.round(np.abs(k), 9)))
    return np.asarray(k[order])


def scaled_floor(
    floor: Floor,
    frequencies: Complex | Array,
    wavenumbers: Complex | Array,
    period: float,
) -> Complex:
    """Scaled p Y(w, k_n): (m,) frequencies in hertz, (h,) k_n p -> (m, h, 4, 4)."""
    f = np.asarray(frequencies)
    # Y(w, -k) = Y(w, k)^T, so the pairs of gamma = pi cost one solution.
    backward = np.real(wavenumbers) < 0.0
    size = np.where(backward, -wavenumbers, wavenumbers)
    _, first, place = np.unique(np.round(size, 9), return_index=True, return_inverse=True)
    blocks = scaled_floor_pairs(floor, f[:, None], size[first], period)[:, place]
    blocks[:, backward] = blocks[:, backward].swapaxes(-1, -2)
    return np.asarray(blocks)


def scaled_floor_pairs(
    floor: Floor,
    frequencies: ArrayLike,
    wavenumbers: ArrayLike,
    period: float,
) -> Complex:
    """Scaled p Y(w, k) of frequencies in hertz and k p that are broadcast: (..., 4, 4)."""
    omega = 2.0 * np.pi * np.asarray(frequencies)
    omega, k = np.broadcast_arrays(omega, np.asarray(wavenumbers))
    backward = np.real(k) < 0.0
    blocks = period * floor.scaled(omega, np.where(backward, -k, k) / period)
    blocks[backward] = blocks[backward].swapaxes(-1, -2)
    return np.asarray(blocks)


def air_weights(wavenumbers: Complex | Array) -> Complex | Array:
    """Scaled eps0 |k_n| of the half-space of air, (h,); continued from Re k_n to complex k_n."""
    ahead = np.where(np.real(wavenumbers) < 0.0, -wavenumbers, wavenumbers)
    return np.asarray(SCALED_EPSILON_0 * ahead)


@dataclass(frozen=True)
class BlochSystem:
    """A discretised cell at one phase gamma.

    Parameters
    ----------
    discretisation : the assembled cell.
    phase : gamma, radians.
    floor : surface admittance below the slab.

    Attributes
    ----------
    stiffness, mass : K(gamma), M(gamma), with the electrodes' unknowns last.
    bottom : (harmonics, 4, unknowns) traces P_n, components u1, u2, u3, phi.
    top : (harmonics, unknowns) traces Q_n of the potential.
    wavenumbers : (harmonics,) k_n p, sorted by magnitude.
    """

    discretisation: Discretisation
    phase: float
    floor: Floor
    stiffness: sp.csr_array = field(init=False, repr=False)
    mass: sp.csr_array = field(init=False, repr=False)
    wavenumbers: Array = field(init=False, repr=False)
    bottom: Complex = field(init=False, repr=False)
    top: Complex = field(init=False, repr=False)

    def __post_init__(self) -> None:
        if not np.isfinite(self.phase):
            raise InputError(key="phase", found=f"{self.phase!r}", expected="a finite number")
        put = object.__setattr__
        put(self, "stiffness", self.discretisation.stiffness.at(self.phase))
        put(self, "mass", self.discretisation.mass.at(self.phase))
        put(self, "wavenumbers", floquet_harmonics(self.discretisation, self.phase))
        put(self, "bottom", self._bottom_traces())
        put(self, "top", self._top_traces())

    @property
    def electrodes(self) -> int:
        """Number of electrodes; their unknowns are the last ones."""
        return self.discretisation.electrodes

    @property
    def size(self) -> int:
        """Number of unknowns, electrodes included."""
        return self.discretisation.size

    @cached_property
    def losses(self) -> tuple[tuple[bool, sp.csr_array], ...]:
        """K_s and K_v of what the materials lose, each with whether it is multiplied by W."""
        return tuple(self._lost())

    def _lost(self) -> Iterator[tuple[bool, sp.csr_array]]:
        for loss in self.discretisation.losses:
            yield loss.viscous, loss.matrix.at(self.phase)

    def scaled_frequency(self, frequency: complex) -> complex:
        """W = w p / VELOCITY of a frequency in hertz."""
        return 2.0 * np.pi * frequency * self.discretisation.cell.period / VELOCITY

    def _bottom_traces(self) -> Complex:
        d = self.discretisation
        scalar = d.bottom.harmonics(self.wavenumbers)
        return np.stack([d.fold(scalar, c, self.phase) for c in range(4)], axis=1)

    def _top_traces(self) -> Complex:
        d = self.discretisation
        return d.fold(d.top.harmonics(self.wavenumbers), 3, self.phase)

    def floor_blocks(
        self, frequencies: Complex | Array, kept: NDArray[np.bool_] | slice = slice(None)
    ) -> Complex:
        """Scaled p Y(w, k_n), shape (m, harmonics, 4, 4), in the order of ``wavenumbers``.

        ``kept`` chooses among the harmonics.
        """
        return scaled_floor(
            self.floor, frequencies, self.wavenumbers[kept], self.discretisation.cell.period
        )

    @cached_property
    def bottom_used(self) -> NDArray[np.int64]:
        """Unknowns that the floor sees."""
        return np.flatnonzero(np.abs(self.bottom).max(axis=(0, 1)) > 0.0)

    @cached_property
    def top_used(self) -> NDArray[np.int64]:
        """Unknowns that the upper side of the air sees."""
        return np.flatnonzero(np.abs(self.top).max(axis=0) > 0.0)

    def air_weights(self) -> Complex | Array:
        """Scaled eps0 |k_n|, shape (harmonics,)."""
        return air_weights(self.wavenumbers)

    def matrix(self, frequency: complex) -> sp.csc_array:
        """A(w, gamma), sparse, with the dense blocks of the floor and of the air."""
        omega = self.scaled_frequency(frequency)
        a = sp.csc_array(self.stiffness - omega**2 * self.mass, dtype=complex)
        for viscous, lost in self.losses:
            a = a + 1j * (omega if viscous else 1.0) * lost
        bottom = self.bottom.reshape(-1, self.size)
        blocks = np.matmul(self.floor_blocks(np.array([frequency]))[0], self.bottom)
        return sp.csc_array(
            a
            + _outer(bottom, blocks.reshape(-1, self.size))
            - _outer(self.top, self.air_weights()[:, None] * self.top)
        )

    def solve(self, frequency: complex, potentials: Complex | Array) -> Complex:
        """All unknowns for given electrode potentials; (unknowns, columns), scaled.

        Parameters
        ----------
        frequency : hertz.
        potentials : (electrodes, columns), in units of FIELD p.
        """
        a = self.matrix(frequency)
        free = self.size - self.electrodes
        values = np.asarray(potentials, dtype=complex).reshape(self.electrodes, -1)
        factor = factorise(a[:free, :free])
        x = factor.solve(-(a[:free, free:] @ values))
        return np.vstack([x, values])

    def admittance(self, frequency: float) -> Complex:
        """Admittance matrix of the electrodes of one period, S/m: I = Y V, (e, e).

        Raises
        ------
        InputError : a frequency that is not above zero.
        """
        if not (np.isfinite(frequency) and frequency > 0.0):
            raise InputError(
                key="frequency", found=f"{frequency!r} Hz", expected="a number above zero"
            )
        x = self.solve(frequency, np.eye(self.electrodes))
        reaction = self.matrix(frequency)[self.size - self.electrodes :] @ x
        return np.asarray(-2j * np.pi * frequency * CAPACITANCE * reaction)


def _outer(left: Complex, right: Complex) -> sp.csr_array:
    """left^H right as a sparse matrix over the columns that are used."""
    used = np.flatnonzero(np.abs(left).max(axis=0) > 0.0)
    dense = left[:, used].conj().T @ right[:, used]
    size = left.shape[1]
    rows = np.repeat(used, used.size)
    columns = np.tile(used, used.size)
    return sp.csr_array((dense.ravel(), (rows, columns)), shape=(size, size))


def harmonic_admittance(discretisation: Discretisation, frequency: float, phase: float) -> complex:
    """Y(f, gamma) of a cell with one electrode, S/m, from one full solution."""
    system = BlochSystem(discretisation, phase, floor_admittance(discretisation))
    return complex(system.admittance(frequency)[0, 0])
