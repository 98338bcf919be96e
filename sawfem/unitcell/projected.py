"""The cell on a small basis: everything that is needed to answer, and no mesh.

With basis Q, random test vectors Omega (:mod:`sawfem.unitcell.snapshots`) and the electrodes'
unknowns last,

    A(w, gamma) = K(gamma) - W^2 M(gamma) + sum_n P_n^H Y(w, k_n) P_n - sum_n Q_n^H eps0 |k_n| Q_n,

K and M by three projected matrices each (constant, exp(-j gamma), exp(+j gamma)), the traces by
:mod:`sawfem.unitcell.side`. What the materials lose adds j (K_s + W K_v) to K, projected alike
by material and mechanism (:mod:`sawfem.unitcell.losses`), and makes the constants of Y complex.
Nothing but the basis is approximated. Every factor is analytic in the frequency and in gamma
between the branch points of the bulk waves: exp(+j gamma) is 1/exp(-j gamma), P_n^H stands for
int exp(-j k_n x), and |k_n| for k_n sign(Re k_n), so that complex frequencies and complex phases
(loss along the grating) are answered alike.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import scipy.linalg
from numpy.typing import NDArray

from sawfem.planewave.lossy_admittance import Floor, LossyAdmittance
from sawfem.unitcell.forms import VELOCITY
from sawfem.unitcell.system import CAPACITANCE, air_weights, scaled_floor

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

#: Factor of the certificate: with it every one of 300 random points of six unlike cells is bound,
#: the closest by a factor 2.4, and the median of bound over error stays below 100 in all six.
SAFETY = 1.5
#: Rounding term of the certificate: of the small matrices, and of what cancelled when they were
#: made of those of the mesh (some eps of the latter's size: solutions in extended precision on five
#: meshes of a cell).
ROUNDING = 3e-14
CANCELLED = 4e-16
#: Stiffness, mass, traces and losses, tested with the random vectors.
Tests = tuple[Complex, Complex, Complex, Complex]


@dataclass(frozen=True)
class CertifiedAnswer:
    """Admittance matrix (e, e) in S/m and the bound on its largest entry's error."""

    admittance: Complex
    bound: float


@dataclass(frozen=True, eq=False)
class ProjectedCell:
    """Projected matrices and traces of a cell.

    Attributes
    ----------
    period : m. electrodes : their number e. largest : largest |k_n| p of the harmonics.
    floor : surface admittance of what lies below the meshed slab.
    stiffness, mass : (3, r + e, r + e), factors 1, exp(-j gamma), exp(+j gamma).
    stiffness_tests, mass_tests : (3, probes, r + e), tested with the random vectors.
    orders : (n,) harmonics at hand.
    bottom_nodes, top_nodes : (m,) x_m of :mod:`sawfem.unitcell.side`.
    bottom, top : (m, n, 4, r + e + probes) and (m, n, 1, r + e + probes).
    loss, loss_tests : (l, 3, r + e, r + e) and (l, 3, probes, r + e), what the materials lose.
    loss_names : (material, mechanism) of each; "viscous" ones are multiplied by W.
    cancelling : (r + e,) size of the terms that cancel in the energy of every column.
    """

    period: float
    electrodes: int
    largest: float
    floor: Floor = field(repr=False)
    stiffness: Complex = field(repr=False)
    mass: Complex = field(repr=False)
    stiffness_tests: Complex = field(repr=False)
    mass_tests: Complex = field(repr=False)
    orders: NDArray[np.int64] = field(repr=False)
    bottom_nodes: Array = field(repr=False)
    top_nodes: Array = field(repr=False)
    bottom: Complex = field(repr=False)
    top: Complex = field(repr=False)
    loss: Complex = field(repr=False)
    loss_tests: Complex = field(repr=False)
    cancelling: Array = field(repr=False)
    loss_names: tuple[tuple[str, str], ...] = ()

    @property
    def order(self) -> int:
        """Number of reduced unknowns without the electrodes."""
        return int(self.mass.shape[-1]) - self.electrodes

    @property
    def probes(self) -> int:
        """Number of random test vectors."""
        return int(self.mass_tests.shape[1])

    @property
    def is_lossy(self) -> bool:
        """Whether anything is lost but by radiation."""
        return bool(self.loss_names) or isinstance(self.floor, LossyAdmittance)

    def loss_factors(self, omega: complex) -> Complex:
        """1 or W of each loss, (l,), at a scaled frequency W."""
        return np.array(
            [omega if mechanism == "viscous" else 1.0 for _, mechanism in self.loss_names],
            dtype=complex,
        )

    def harmonics(self, phase: complex) -> tuple[NDArray[np.intp], Complex | Array]:
        """Places in ``orders`` of the harmonics that count at a phase, and their k_n p."""
        return harmonics_at(self.orders, self.largest, phase)

    def at(self, phase: complex) -> CellAtPhase:
        """The cell at one phase, -pi to pi in its real part."""
        return CellAtPhase.of(self, phase)

    def floor_blocks(self, frequencies: Complex | Array, phase: complex) -> Complex:
        """Scaled p Y(w, k_n) of the harmonics at a phase: (frequencies, n, 4, 4)."""
        _, k = self.harmonics(phase)
        return scaled_floor(self.floor, frequencies, k, self.period)


@dataclass(frozen=True, eq=False)
class CellAtPhase:
    """A projected cell at one phase; frequencies are still free.

    Attributes
    ----------
    wavenumbers : (n,) k_n p, sorted by magnitude.
    stiffness, mass : (r + e, r + e), the air included in the former.
    right : (4 n, r + e) traces P_n. left : (r + e, 4 n) traces P_n^H.
    loss : (l, r + e, r + e).
    tests : residual of A with the random vectors: (stiffness, mass (probes, r + e), P_n^H
        (probes, 4 n), loss (l, probes, r + e)). dual_tests : the same of A^H.
    """

    cell: ProjectedCell = field(repr=False)
    phase: complex
    wavenumbers: Complex | Array = field(repr=False)
    stiffness: Complex = field(repr=False)
    mass: Complex = field(repr=False)
    right: Complex = field(repr=False)
    left: Complex = field(repr=False)
    loss: Complex = field(repr=False)
    tests: Tests = field(repr=False)
    dual_tests: Tests = field(repr=False)

    @classmethod
    def of(cls, cell: ProjectedCell, phase: complex) -> CellAtPhase:
        """Collect what a phase fixes."""
        size = cell.order + cell.electrodes
        kept, k = cell.harmonics(phase)
        right, left = _sides(cell.bottom, cell.bottom_nodes, kept, phase)
        upper, lower = _sides(cell.top, cell.top_nodes, kept, phase)
        air = air_weights(k)[:, None] * upper
        # A^H holds the matrices of the conjugate phase; at a real phase they are the same.
        conjugate = np.conj(phase)
        real = conjugate == phase
        stiffness = _turned(cell.stiffness, phase) - lower[:size] @ air[:, :size]
        tests = (
            _turned(cell.stiffness_tests, phase) - lower[size:] @ air[:, :size],
            _turned(cell.mass_tests, phase),
            left[size:],
            _each_turned(cell.loss_tests, phase),
        )
        dual_tests = tests
        if not real:
            dual_tests = (
                _turned(cell.stiffness_tests, conjugate) - (lower[:size] @ air[:, size:]).conj().T,
                _turned(cell.mass_tests, conjugate),
                right[:, size:].conj().T,
                _each_turned(cell.loss_tests, conjugate),
            )
        return cls(
            cell=cell,
            phase=phase,
            wavenumbers=k,
            stiffness=stiffness,
            mass=_turned(cell.mass, phase),
            right=np.ascontiguousarray(right[:, :size]),
            left=np.ascontiguousarray(left[:size]),
            loss=_each_turned(cell.loss, phase),
            tests=tests,
            dual_tests=dual_tests,
        )

    def scaled_frequency(self, frequency: complex) -> complex:
        """W = w p / VELOCITY of a frequency in hertz."""
        return 2.0 * np.pi * frequency * self.cell.period / VELOCITY

    def floor_blocks(self, frequencies: Complex | Array) -> Complex:
        """Scaled p Y(w, k_n): (frequencies, n, 4, 4)."""
        return scaled_floor(self.cell.floor, frequencies, self.wavenumbers, self.cell.period)

    def matrix(self, frequency: complex, blocks: Complex | None = None) -> Complex:
        """A(w, gamma), (r + e, r + e); ``blocks`` are those of the floor if they are known."""
        if blocks is None:
            blocks = self.floor_blocks(np.array([frequency]))[0]
        omega = self.scaled_frequency(frequency)
        waves = np.matmul(blocks, self.right.reshape(-1, 4, self.right.shape[1]))
        a = self.stiffness - omega**2 * self.mass + self.left @ waves.reshape(self.right.shape)
        for factor, loss in zip(self.cell.loss_factors(omega), self.loss, strict=True):
            a += 1j * factor * loss
        return np.asarray(a)

    def matrices(self, frequencies: Complex | Array) -> Complex:
        """A(w, gamma) at many frequencies in hertz: (m, r + e, r + e)."""
        blocks = self.floor_blocks(frequencies)
        pairs = zip(np.asarray(frequencies).tolist(), blocks, strict=True)
        return np.stack([self.matrix(f, block) for f, block in pairs])

    def answer(self, frequency: float, blocks: Complex | None = None) -> CertifiedAnswer:
        """Admittance matrix of the electrodes and the bound on its error."""
        if blocks is None:
            blocks = self.floor_blocks(np.array([frequency]))[0]
        r, e = self.cell.order, self.cell.electrodes
        a = self.matrix(frequency, blocks)
        factor = scipy.linalg.lu_factor(a[:r, :r], check_finite=False)
        x = -scipy.linalg.lu_solve(factor, a[:r, r:], check_finite=False)
        y = -scipy.linalg.lu_solve(factor, a[r:, :r].conj().T, trans=2, check_finite=False)
        reaction = a[r:, r:] + a[r:, :r] @ x
        rho, rho_d = self.residuals(
            frequency, blocks, np.vstack([x, np.eye(e)]), np.vstack([y, np.eye(e)])
        )
        bound = 2.0 * rho[None, :] * rho_d[:, None] + self._rounding(x, y)
        omega = 2.0 * np.pi * frequency
        return CertifiedAnswer(
            np.asarray(-1j * omega * CAPACITANCE * reaction),
            float(SAFETY * omega * CAPACITANCE * np.max(bound)),
        )

    def _rounding(self, x: Complex, y: Complex) -> Array:
        """Rounding of the reaction for columns x and y, electrodes left out."""
        small = np.linalg.norm(x, axis=0)[None, :] * np.linalg.norm(y, axis=0)[:, None]
        share, electrodes = np.split(self.cell.cancelling, [x.shape[0]])
        terms, dual = (
            np.sqrt(electrodes + np.sum(share[:, None] * np.abs(v) ** 2, axis=0)) for v in (x, y)
        )
        return np.asarray(ROUNDING * small + CANCELLED * terms[None, :] * dual[:, None])

    def residuals(
        self, frequency: complex, blocks: Complex, x: Complex, y: Complex
    ) -> tuple[Array, Array]:
        """Norms of A x and A^H y in H^-1 for columns x and y, electrodes included."""
        omega = self.scaled_frequency(frequency)
        stiffness, mass, left, losses = self.tests
        inner = stiffness @ x - omega**2 * (mass @ x) + left @ _through(blocks, self.right @ x)
        factors = self.cell.loss_factors(omega)
        for factor, loss in zip(factors, losses, strict=True):
            inner += 1j * factor * (loss @ x)
        stiffness, mass, left, losses = self.dual_tests
        dual = stiffness @ y - np.conj(omega) ** 2 * (mass @ y)
        dual += left @ _through(blocks.conj().swapaxes(-1, -2), self.left.conj().T @ y)
        for factor, loss in zip(factors, losses, strict=True):
            dual -= 1j * np.conj(factor) * (loss @ y)
        share = 1.0 / np.sqrt(self.cell.probes)
        return np.linalg.norm(inner, axis=0) * share, np.linalg.norm(dual, axis=0) * share

    def driven(self, frequency: complex, potentials: Complex | Array) -> Complex:
        """Reduced unknowns (r + e, columns) for given electrode potentials (e, columns)."""
        r = self.cell.order
        a = self.matrix(frequency)
        values = np.asarray(potentials, dtype=complex).reshape(self.cell.electrodes, -1)
        return np.vstack([-np.linalg.solve(a[:r, :r], a[:r, r:] @ values), values])

    def radiated(self, frequency: float, vectors: Complex) -> Array:
        """Power through the floor a period and metre of aperture, W/m, for reduced vectors
        (r + e, columns) in units of one volt: w/2 Im(U^H T_3) p summed over the harmonics.

        With lossy media below the floor it holds what they take from the evanescent field as well.
        """
        u = self.right @ vectors
        traction = _through(self.floor_blocks(np.array([frequency]))[0], u)
        flux = np.sum(np.imag(u.conj() * traction), axis=0)
        return np.asarray(np.pi * frequency * CAPACITANCE * flux)

    def dissipated(self, frequency: float, vectors: Complex) -> dict[tuple[str, str], Array]:
        """Power that each material of the meshed cell takes up, W/m, by (material, mechanism);
        vectors as for :meth:`radiated`: w/2 x^H (K_s or W K_v) x p.
        """
        factors = self.cell.loss_factors(self.scaled_frequency(frequency)).real
        scale = np.pi * frequency * CAPACITANCE
        found = {}
        for name, factor, loss in zip(self.cell.loss_names, factors, self.loss, strict=True):
            share = np.sum(vectors.conj() * (loss @ vectors), axis=0).real
            found[name] = np.asarray(scale * factor * share)
        return found


def _each_turned(parts: Complex, phase: complex) -> Complex:
    """As :func:`_turned` for each of (l, 3, ...): (l, ...)."""
    turned = [_turned(part, phase) for part in parts]
    return np.stack(turned) if turned else np.zeros((0, *parts.shape[2:]), dtype=complex)


def harmonics_at(
    orders: NDArray[np.int64], largest: float, phase: complex
) -> tuple[NDArray[np.intp], Complex | Array]:
    """Places of the harmonics that count at a phase, and their k_n p, sorted by magnitude.

    As :func:`sawfem.unitcell.system.floquet_harmonics`, by the real part at complex phases.
    """
    k = phase + 2.0 * np.pi * orders
    reach = max(largest, abs(np.real(phase)) + 6.0 * np.pi)
    size = np.abs(np.real(k))
    kept = np.flatnonzero(size <= reach * (1.0 + 1e-12))
    kept = kept[np.lexsort((np.real(k[kept]) < 0.0, np.round(size[kept], 9)))]
    return kept, np.asarray(k[kept])


def _turned(parts: Complex, phase: complex) -> Complex:
    """Constant + exp(-j gamma) forward + exp(+j gamma) backward."""
    turn = np.exp(-1j * phase)
    return np.asarray(parts[0] + turn * parts[1] + parts[2] / turn)


def _sides(
    integrals: Complex, nodes: Array, kept: NDArray[np.intp], phase: complex
) -> tuple[Complex, Complex]:
    """P_n (components n, v) and P_n^H (v, components n) of all vectors at one phase."""
    flat = integrals.reshape(nodes.size, -1)

    def traces(gamma: complex) -> Complex:
        found = (np.exp(1j * gamma * nodes) @ flat).reshape(integrals.shape[1:])
        return np.asarray(found[kept].reshape(-1, integrals.shape[-1]))

    right = traces(phase)
    left = right if np.imag(phase) == 0.0 else traces(np.conj(phase))
    return right, left.conj().T


def _through(blocks: Complex, traces: Complex) -> Complex:
    """Y(w, k_n) times (4 n, columns)."""
    columns = traces.shape[1]
    return np.asarray(np.matmul(blocks, traces.reshape(-1, 4, columns)).reshape(-1, columns))
