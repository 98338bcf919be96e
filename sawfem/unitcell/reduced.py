"""A small model of the cell at one Bloch phase, good over a band of frequencies.

The unknowns are replaced by combinations of solutions of the finite-element part alone (free
floor, free air) driven through each electrode and through the lowest harmonics of the floor and
of the air, at the centre frequency, with the first and second derivative in W^2 of what the
lowest harmonics and the electrodes do,

    A0 x = b,    A0 x' = M x,    A0 x'' = 2 M x',    A0 = K - W0^2 M,

which reach down to the static charge: with pairs x depth of 0.7 derived, C errs by 5e-9 at most on
niobate, tantalate and quartz. Where x'' still moves C by more than STATIC, and for several
electrodes or whole waves a period, solutions near rest stand in for it.
The floor and the air are then put back exactly, harmonic by harmonic, so radiation and its
branch points are not approximated. Reduced bases: Hesthaven, Rozza, Stamm, Certified Reduced
Basis Methods for Parametrized Partial Differential Equations, 2016.

Harmonics above the driven ones decay within the slab. With driven pairs x depth of 1 period the
frequencies of modes err by up to 5e-7, with 1.6 by 1e-9 (measured on niobate, tantalate and
quartz, the most demanding); ``frequency_error`` estimates what is left.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
import scipy.linalg
import scipy.sparse as sp
from numpy.typing import NDArray
from scipy.sparse.linalg import SuperLU

from sawfem.errors import InputError
from sawfem.planewave.lossy_admittance import LossyAdmittance
from sawfem.unitcell.sparse import factorise
from sawfem.unitcell.steepfloor import SteepFloor
from sawfem.unitcell.system import CAPACITANCE, BlochSystem

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

#: Frequency of the near-static snapshots over the centre frequency.
NEAR_REST = 0.15
#: Driven pairs of harmonics times the depth of the slab in periods, and those derived twice.
DRIVEN, DERIVED = 1.6, 0.7
#: Relative change of the static charge by second derivatives above which solutions near rest take
#: their place: each derivative takes the error down by a factor of 500 or more.
STATIC = 1e-4


@dataclass(frozen=True)
class ReducedSystem:
    """Projection of a BlochSystem.

    Attributes
    ----------
    system : the full system.
    centre : frequency of the snapshots, hertz.
    basis : (free unknowns, r) orthonormal columns.
    factor : sparse factors of K - W^2 M at the centre, without floor and air.
    stiffness, mass : (r + e, r + e) with the electrodes last.
    bottom : (harmonics, 4, r + e);  top : (harmonics, r + e).
    """

    system: BlochSystem
    centre: float
    basis: Complex | Array = field(repr=False)
    factor: SuperLU = field(repr=False)
    stiffness: Complex | Array = field(repr=False)
    mass: Complex | Array = field(repr=False)
    bottom: Complex = field(repr=False)
    top: Complex = field(repr=False)

    @property
    def electrodes(self) -> int:
        """Number of electrodes; their unknowns are the last ones."""
        return self.system.electrodes

    @property
    def order(self) -> int:
        """Number of reduced unknowns without the electrodes."""
        return int(self.basis.shape[1])

    def matrix(self, frequency: complex) -> Complex:
        """A(w, gamma) projected, (r + e, r + e)."""
        return np.asarray(self.matrices(np.array([frequency]))[0])

    def matrices(self, frequencies: Complex | Array) -> Complex:
        """A(w, gamma) projected, at many frequencies in hertz: (m, r + e, r + e)."""
        f = np.asarray(frequencies, dtype=complex)
        omega = self.system.scaled_frequency(1.0) * f
        weights = np.stack([np.ones_like(f), -(omega**2)], axis=1)
        if self._steep is None or not self._steep.holds(f):
            return _combined(weights, self._parts) + self._floor(f)
        weights = np.hstack([weights, self._steep.weights(f)])
        return _combined(weights, self._interpolated) + self._floor(f, self._steep.exact)

    @cached_property
    def _parts(self) -> NDArray[Any]:
        """Stiffness with the air, and mass; (2, r + e, r + e)."""
        air: NDArray[Any] = self.top.conj().T @ (self.system.air_weights()[:, None] * self.top)
        if self._is_real and np.abs(air.imag).max() <= 1e-13 * np.abs(air.real).max():
            air = air.real
        return np.stack([self.stiffness - air, self.mass])

    @cached_property
    def _steep(self) -> SteepFloor | None:
        """Harmonics of the floor that are interpolated in frequency."""
        return SteepFloor.around(self.centre, self.system.wavenumbers, self._floor)

    @cached_property
    def _interpolated(self) -> NDArray[Any]:
        """Matrices of ``_parts`` and of the steep harmonics, in one stack."""
        assert self._steep is not None
        return np.concatenate([self._parts, self._steep.coefficients])

    def _floor(
        self, frequencies: Complex | Array, chosen: NDArray[np.bool_] | None = None
    ) -> Complex:
        """sum_n P_n^H Y(w, k_n) P_n of the chosen harmonics, or of all, projected;
        (m, r + e, r + e).
        """
        size = self.order + self.electrodes
        # Real vectors see the harmonics k and -k as conjugates, and Y(-k) = Y(k)^T: the sum over
        # backward harmonics is the transpose of the one over forward harmonics.
        k = self.system.wavenumbers
        wanted = np.ones(k.size, dtype=bool) if chosen is None else chosen
        paired = self._is_real and bool(np.all(np.abs(k) > 1e-12))
        kept = wanted & (k > 0.0) if paired else wanted
        traces = self.bottom[kept]
        blocks = self.system.floor_blocks(frequencies, kept)
        flat = traces.reshape(-1, size)
        waves = np.matmul(blocks, traces).reshape(frequencies.size, -1, size)
        forward = flat.conj().T @ waves
        return np.asarray(forward + forward.swapaxes(-1, -2) if paired else forward)

    def admittance(self, frequency: complex) -> Complex:
        """Admittance matrix of the electrodes, S/m, (e, e)."""
        return -2j * np.pi * frequency * CAPACITANCE * self._reaction(frequency)

    def admittances(self, frequencies: Complex | Array) -> Complex:
        """The same at many frequencies, (m, e, e)."""
        f = np.asarray(frequencies, dtype=complex)
        a, r = self.matrices(f), self.order
        reaction = a[:, r:, r:] - a[:, r:, :r] @ np.linalg.solve(a[:, :r, :r], a[:, :r, r:])
        return np.asarray(-2j * np.pi * CAPACITANCE * f[:, None, None] * reaction)

    def capacitance(self) -> Complex:
        """Static charge of the electrodes over their potentials, F/m, (e, e)."""
        return -CAPACITANCE * self._reaction(0.0)

    def _reaction(self, frequency: complex) -> Complex:
        a = self.matrix(frequency)
        r = self.order
        return np.asarray(a[r:, r:] - a[r:, :r] @ np.linalg.solve(a[:r, :r], a[:r, r:]))

    def expand(self, vector: Complex) -> Complex:
        """Reduced unknowns (r or r + e) -> all unknowns of the full system."""
        r = self.order
        potentials = vector[r:] if vector.shape[0] > r else np.zeros(self.electrodes)
        return np.concatenate([_times(self.basis, vector[:r]), potentials]).astype(complex)

    def restrict(self, vectors: NDArray[Any]) -> NDArray[Any]:
        """V^T of vectors over all unknowns of the full system (n, m): (order, m)."""
        return np.asarray(self.basis.T @ vectors[: self.basis.shape[0]])

    def frequency_error(
        self, frequency: complex, vector: Complex, left: Complex | None = None
    ) -> float:
        """Estimate of the relative error of a mode's frequency that the small basis makes.

        With the full residual r = A x of the mode, the frequency of a symmetric problem is off
        by r^T A^-1 r / (x^T A' x) to leading order; A^-1 is taken from the factors of the
        snapshots, which differ from A by the floor and by a small change of frequency.

        Parameters
        ----------
        frequency, vector : a mode of the reduced system; electrodes included (r + e).
        left : its left vector where that is another one, in a cell that loses.
        """
        x = self.expand(vector)
        s = self.system
        free = s.size - s.electrodes
        r = self.residual(frequency, x)[:free]
        answer = self._backward(r)
        step = 1e-6 * abs(frequency)
        matrices = self.matrices(np.array([frequency + step, frequency - step]))
        slope = (matrices[0] - matrices[1]) / (2.0 * step)
        return float(abs(np.vdot(r, answer)) / abs(vector.conj() @ slope @ vector * frequency))

    def _backward(self, right: Complex) -> Complex:
        """A^-1 from the factors of the snapshots, without floor and air."""
        solve = self.factor.solve
        if self._is_real:
            return np.asarray(solve(right.real) + 1j * solve(right.imag))
        return np.asarray(solve(right))

    @property
    def _is_real(self) -> bool:
        return bool(np.isrealobj(self.basis))

    def residual(self, frequency: complex, x: Complex) -> Complex:
        """A(w, gamma) x of the full system, without ever forming its dense blocks."""
        s = self.system
        omega = s.scaled_frequency(frequency)
        floor, roof = s.bottom_used, s.top_used
        bottom, top = s.bottom.reshape(-1, s.size)[:, floor], s.top[:, roof]
        blocks = s.floor_blocks(np.array([frequency]))[0]
        waves = np.matmul(blocks, (bottom @ x[floor]).reshape(-1, 4, 1)).ravel()
        air = s.air_weights() * (top @ x[roof])
        inner = np.asarray(_times(s.stiffness, x) - omega**2 * _times(s.mass, x))
        inner[floor] += bottom.conj().T @ waves
        inner[roof] -= top.conj().T @ air
        return inner

    def power_balance(self, frequency: float) -> float:
        """Electrical power in less power radiated through the floor, relative to the apparent one.

        Powers per period and metre of aperture at unit potential of the first electrode:
        Re(Y)/2 goes in, and w/2 Im(U^H T_3) p summed over the harmonics of the floor comes out.
        Both vanish where nothing is radiated, hence the division by |Y|/2.
        """
        r = self.order
        a = self.matrix(frequency)
        drive = np.zeros(self.electrodes, dtype=complex)
        drive[0] = 1.0
        x = np.concatenate([-np.linalg.solve(a[:r, :r], a[:r, r:] @ drive), drive])
        y = -2j * np.pi * frequency * CAPACITANCE * complex(a[r] @ x)
        u = self.bottom @ x
        traction = np.einsum("nij,nj->ni", self.system.floor_blocks(np.array([frequency]))[0], u)
        radiated = float(np.sum(np.imag(u.conj() * traction)))
        radiated *= 2.0 * np.pi * frequency * CAPACITANCE
        return abs(y.real - radiated) / abs(y)


def reduce(system: BlochSystem, centre: float, *, bottom_pairs: int = 0) -> ReducedSystem:
    """Build the small model around a centre frequency in hertz.

    ``bottom_pairs`` is the number of harmonic pairs driven at the floor; 0 takes the smallest
    that meets the rule of the module docstring.

    Raises
    ------
    InputError : a cell whose materials lose; CellModel takes those.
    """
    if system.discretisation.losses or isinstance(system.floor, LossyAdmittance):
        raise InputError(
            key="losses",
            found="a cell with lossy materials",
            expected="one without: its losses by perturbation, or a CellModel, which holds them",
        )
    depth = system.discretisation.mesh.clearance
    pairs = bottom_pairs or max(3, int(np.ceil(DRIVEN / depth)))
    inputs, low = _inputs(system, pairs, int(np.ceil(DERIVED / depth)))
    snapshots = _Snapshots.at(system, centre, inputs)
    # Where all periods may do the same, a uniform motion at rest takes no force: only near rest
    # is there a solution.
    alone = system.electrodes == 1 and abs(np.sin(0.5 * system.phase)) > 0.1
    if alone:
        model, change = snapshots.derived_model(low)
        if change < STATIC:
            return model
    return snapshots.model([snapshots.derived(slice(None), 1), snapshots.near_rest()])


def _combined(weights: Complex, matrices: NDArray[Any]) -> Complex:
    """Sums of matrices (t, n, n) with complex weights (m, t): (m, n, n)."""
    flat = matrices.reshape(matrices.shape[0], -1)
    if np.isrealobj(flat):
        found = np.empty((weights.shape[0], flat.shape[1]), dtype=complex)
        found.real, found.imag = weights.real @ flat, weights.imag @ flat
    else:
        found = weights @ flat
    return found.reshape(-1, *matrices.shape[1:])


def _times(matrix: Any, vector: Complex) -> Complex:
    """Matrix @ vector; a real matrix is not copied to complex numbers for it."""
    if np.isrealobj(matrix) or matrix.dtype.kind == "f":
        return np.asarray(matrix @ vector.real + 1j * (matrix @ vector.imag))
    return np.asarray(matrix @ vector)


def _inputs(
    system: BlochSystem, pairs: int, low_pairs: int
) -> tuple[Complex | Array, NDArray[np.int64]]:
    """Right-hand sides on the free unknowns: electrodes, then floor and air harmonics.

    With them the columns of the electrodes, of the lowest pairs of the floor and of the air.
    """
    free = system.size - system.electrodes
    drive = system.stiffness[:free, free:].toarray()
    floor = system.bottom[: 2 * pairs].reshape(-1, system.size)[:, :free].conj().T
    air = system.top[:4, :free].conj().T
    harmonic = np.repeat(np.arange(floor.shape[1] // 4), 4)
    if np.isrealobj(system.stiffness.data):
        # Harmonics come in conjugate pairs (k, -k): cosine and sine do as well, in real numbers.
        kept = _first_of_pairs(system.wavenumbers[: 2 * pairs], 4)
        floor, harmonic = floor[:, kept], harmonic[kept]
        air = air[:, _first_of_pairs(system.wavenumbers[:4], 1)]
        parts, orders = [drive], [np.zeros(drive.shape[1])]
        for traces, order in ((floor, harmonic), (air, np.zeros(air.shape[1]))):
            parts += [traces.real, traces.imag]
            orders += [order, order]
    else:
        parts, orders = [drive, floor, air], [np.zeros(drive.shape[1]), harmonic]
        orders.append(np.zeros(air.shape[1]))
    return np.hstack(parts), np.flatnonzero(np.concatenate(orders) < 2 * low_pairs)


def driven_inputs(system: BlochSystem) -> tuple[Complex | Array, NDArray[np.int64]]:
    """What a small model is driven by, (free, m): electrodes, the lowest harmonics of floor and
    air; and the columns whose answers are derived, too.
    """
    depth = system.discretisation.mesh.clearance
    pairs = max(3, int(np.ceil(DRIVEN / depth)))
    return _inputs(system, pairs, int(np.ceil(DERIVED / depth)))


def _first_of_pairs(wavenumbers: Array, components: int) -> NDArray[np.int64]:
    kept = np.flatnonzero(wavenumbers > -1e-12)
    return np.asarray((kept[:, None] * components + np.arange(components)).ravel())


@dataclass(frozen=True)
class _Snapshots:
    """Solutions on the free unknowns for inputs (free, m), and the factors that gave them."""

    system: BlochSystem
    centre: float
    inputs: NDArray[Any]
    stiffness: sp.csc_array
    mass: sp.csc_array
    factor: SuperLU
    solution: NDArray[Any]

    @classmethod
    def at(cls, system: BlochSystem, centre: float, inputs: NDArray[Any]) -> _Snapshots:
        """Solutions at the centre frequency."""
        free = system.size - system.electrodes
        # The transpose of rows is columns; of a Hermitian matrix it is the conjugate.
        stiffness = system.stiffness[:free, :free].T.conj()
        mass = system.mass[:free, :free].T.conj()
        factor = _shifted(system, centre, stiffness, mass)
        return cls(system, centre, inputs, stiffness, mass, factor, factor.solve(inputs))

    def derived(self, chosen: Any, times: int) -> NDArray[Any]:
        """Derivatives of the chosen solutions up to an order, but for constant factors."""
        found = [self.solution[:, chosen]]
        for _ in range(times):
            found.append(self.factor.solve(np.asarray(self.mass @ found[-1])))
        return np.hstack(found[1:])

    def near_rest(self) -> NDArray[Any]:
        """Solutions near rest."""
        factor = _shifted(self.system, NEAR_REST * self.centre, self.stiffness, self.mass)
        return np.asarray(factor.solve(self.inputs))

    def model(self, more: list[NDArray[Any]]) -> ReducedSystem:
        """The small model on the solutions and more."""
        basis, _ = orthonormal(np.hstack([self.solution, *more]))
        return project(self.system, self.centre, basis, self.factor)

    def derived_model(self, low: NDArray[np.int64]) -> tuple[ReducedSystem, float]:
        """The small model with two derivatives of the low inputs and three of the electrode, and by
        how much the second ones change the static charge of the one electrode, relatively.
        """
        third = self.derived([0], 3)[:, -1:]
        vectors = np.hstack([self.solution, self.derived(low, 2), third])
        basis, kept = orthonormal(vectors)
        model = project(self.system, self.centre, basis, self.factor)
        fewer = int(np.sum(kept < vectors.shape[1] - low.size - 1))
        a = model.matrix(0.0)
        # The basis is built column by column: its leading part spans what came first.
        charges = [
            a[-1, -1] - a[-1, :n] @ np.linalg.solve(a[:n, :n], a[:n, -1])
            for n in (model.order, fewer)
        ]
        return model, float(abs(charges[1] / charges[0] - 1.0))


def _shifted(
    system: BlochSystem, frequency: float, stiffness: sp.csc_array, mass: sp.csc_array
) -> SuperLU:
    """Factors of K - W^2 M, without floor and air."""
    return factorise(stiffness - abs(system.scaled_frequency(frequency)) ** 2 * mass)


def orthonormal(vectors: NDArray[Any]) -> tuple[Complex | Array, NDArray[np.int64]]:
    """Orthonormal basis of the columns, and the columns that gave it one by one; directions lost
    in rounding are dropped.
    """
    length = np.linalg.norm(vectors, axis=0)
    kept = np.flatnonzero(length > 1e-13 * length.max())  # the sine of the harmonic k = 0 is none
    scaled = vectors[:, kept] / length[kept]
    while True:
        q, r = scipy.linalg.qr(scaled, mode="economic", check_finite=False)
        sound = np.abs(np.diag(r)) > 1e-12
        if sound.all():
            return np.asarray(q), kept
        # The direction that stands for a lost column is arbitrary, yet later columns have parts
        # along it: leave the column out and not only its direction.
        scaled, kept = scaled[:, sound], kept[sound]


def with_electrodes(system: BlochSystem, basis: Complex | Array) -> Complex | Array:
    """(unknowns, r + e): the basis with one column for each electrode, which come last."""
    full: NDArray[Any] = scipy.linalg.block_diag(basis, np.eye(system.electrodes))
    return full


def project(
    system: BlochSystem, centre: float, basis: Complex | Array, factor: SuperLU
) -> ReducedSystem:
    """The small model on a basis (free unknowns, r), with the factors that it was made with."""
    full = with_electrodes(system, basis)

    def both_sides(matrix: sp.csr_array) -> Complex | Array:
        return np.asarray(full.conj().T @ np.asarray(matrix @ full))

    def right_side(traces: Complex) -> Complex:
        # Traces see the unknowns on one side of the cell only.
        used = np.flatnonzero(np.abs(traces).reshape(-1, traces.shape[-1]).max(axis=0) > 0.0)
        return np.asarray(traces[..., used] @ full[used])

    return ReducedSystem(
        system=system,
        centre=centre,
        basis=basis,
        factor=factor,
        stiffness=both_sides(system.stiffness),
        mass=both_sides(system.mass),
        bottom=right_side(system.bottom),
        top=right_side(system.top),
    )
