"""One small model of a cell for every frequency and phase of a region, and how wrong it may be.

The basis grows by full solutions at chosen points (f, gamma): the electrodes' potentials and the
two lowest harmonics of the floor as inputs. By Woodbury's identity the harmonics make the span
smooth across the branch points of the bulk waves, and they hold the dual solutions as well, so
that the error of Y is of second order. K and M enter by three matrices each (affine in
exp(-j gamma)), floor and air by their thin traces: nothing but the basis is approximated.

Certificate. With the reduced solutions x of A x = b and y of A^H y = c and their full residuals
r and r_d, exactly

    Y - Y_r = j w C0 r_d^H A^-1 r,    C0 = CAPACITANCE.

|r| and |r_d| are measured in the norm of H^-1, H the elastic and electric energy of the cell,
by projection on a few random vectors with covariance H^-1: E |Omega^H r|^2 = k r^H H^-1 r. No
squared norms are expanded, so the bound has no floor at the root of the rounding error. A is
close to H on what the basis leaves unresolved, so

    |Y - Y_r| <= SAFETY w C0 (2 rho rho_d + 3e-14 |a| |d|)

(reduced bases: Hesthaven, Rozza, Stamm 2016; randomised residual norms: Smetana, Zahm, Patera,
SIAM J. Sci. Comput. 41, A900 (2019); from memory). It is an estimate with high probability, not
a proof.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray
from scipy.sparse.linalg import splu, spsolve_triangular

from sawfem.errors import ConvergenceError, InputError
from sawfem.planewave import SurfaceAdmittance
from sawfem.unitcell.discretisation import Discretisation, Trace
from sawfem.unitcell.forms import VELOCITY
from sawfem.unitcell.sparse import factorise
from sawfem.unitcell.system import (
    CAPACITANCE,
    BlochSystem,
    air_weights,
    floor_admittance,
    floquet_harmonics,
    scaled_floor,
)

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

#: Factor of the certificate; 2 covered every one of 300 random points of three unlike cells.
SAFETY = 3.0
#: Number of random test vectors.
PROBES = 20
#: Rounding term of the certificate.
ROUNDING = 3e-14
#: Training phases in the long-wave corner, over pi; there Y falls as gamma.
LONG_WAVES = (1e-4, 1e-3, 1e-2)
#: |Y| below this share of w C is measured against that share.
SMALL = 0.01


@dataclass(frozen=True)
class Region:
    """Frequencies (hertz) and phases (radians) over which a model is to hold."""

    frequencies: tuple[float, float]
    phases: tuple[float, float] = (0.0, np.pi)

    def __post_init__(self) -> None:
        low, high = self.frequencies
        if not 0.0 < low < high < np.inf:
            raise InputError(
                key="frequencies",
                found=f"{self.frequencies!r}",
                expected="two frequencies in hertz, the lower one first and above zero",
            )
        first, last = self.phases
        if not 0.0 <= first < last <= np.pi + 1e-12:
            raise InputError(
                key="phases", found=f"{self.phases!r}", expected="two phases from 0 to pi"
            )

    def grid(self, frequencies: int, phases: int) -> list[tuple[float, float]]:
        """Training points; near gamma = 0 a few more."""
        first, last = self.phases
        gammas = list(np.linspace(max(first, 1e-4 * np.pi), last, phases))
        if first <= LONG_WAVES[0] * np.pi:
            gammas += [share * np.pi for share in LONG_WAVES]
        return [(f, g) for f in np.linspace(*self.frequencies, frequencies) for g in gammas]

    def holds(self, frequency: float, phase: float) -> bool:
        """Whether a point lies inside; phases are folded to 0..pi."""
        low, high = self.frequencies
        folded = abs((phase + np.pi) % (2.0 * np.pi) - np.pi)
        first, last = self.phases
        return low <= frequency <= high and first - 1e-12 <= folded <= last + 1e-12


@dataclass(frozen=True)
class CertifiedAnswer:
    """Admittance matrix (e, e) in S/m and the bound on its largest entry's error."""

    admittance: Complex
    bound: float


class CellModel:
    """Reduced model of a cell over a region of (f, gamma), grown until it is good enough.

    Parameters
    ----------
    discretisation : the assembled cell.
    region : where the model is to hold.
    tolerance : bound on |Y - Y_r| / max(|Y|, 0.01 w C) to reach on the training points.
    progress : called as progress(done, total) with the logarithm of the error closed so far.

    Raises
    ------
    ConvergenceError : the tolerance was not reached with ``most`` snapshots.
    """

    def __init__(
        self,
        discretisation: Discretisation,
        region: Region,
        *,
        tolerance: float = 1e-8,
        most: int = 40,
        training: tuple[int, int] = (13, 15),
        progress: Callable[[float, float], None] | None = None,
    ) -> None:
        self.discretisation = discretisation
        self.region = region
        self.tolerance = tolerance
        self._floor = floor_admittance(discretisation)
        self._free = discretisation.size - discretisation.electrodes
        self._energy = _energy_matrix(discretisation, region)
        self._projection = _Projection(discretisation, _random_tests(self._energy))
        self.snapshots: list[tuple[float, float]] = []
        self._capacitance = 0.0
        self._grow(region.grid(*training), most, progress or (lambda done, total: None))

    @property
    def order(self) -> int:
        """Number of reduced unknowns without the electrodes."""
        return self._projection.order

    def admittance(self, frequency: float, phase: float) -> Complex:
        """Admittance matrix of the electrodes of one period, S/m, (e, e).

        Raises
        ------
        InputError : a point outside the region; nothing is extrapolated.
        """
        return self.answer(frequency, phase).admittance

    def certificate(self, frequency: float, phase: float) -> float:
        """Bound on the error of every entry of the admittance matrix, S/m."""
        return self.answer(frequency, phase).bound

    def answer(self, frequency: float, phase: float) -> CertifiedAnswer:
        """Admittance and certificate at once."""
        if not self.region.holds(frequency, phase):
            low, high = self.region.frequencies
            raise InputError(
                key="frequency",
                found=f"{frequency:.6g} Hz at phase {phase:.4g}",
                expected=f"{low:.6g} to {high:.6g} Hz and phases {self.region.phases}: build a "
                "model over a larger region",
            )
        return self._answer(frequency, phase)

    def _answer(self, frequency: float, phase: float) -> CertifiedAnswer:
        d = self.discretisation
        small = self._projection.at(frequency, phase, self._floor)
        r, e = self.order, d.electrodes
        a, dual = small.matrix[: r + e], small.dual[: r + e]
        x = -np.linalg.solve(a[:r, :r], a[:r, r:])
        y = -np.linalg.solve(dual[:r, :r], dual[:r, r:])
        reaction = a[r:, r:] + a[r:, :r] @ x
        omega = 2.0 * np.pi * frequency
        tests = small.matrix[r + e :]
        dual_tests = small.dual[r + e :]
        rho = np.linalg.norm(tests[:, r:] + tests[:, :r] @ x, axis=0) / np.sqrt(PROBES)
        rho_d = np.linalg.norm(dual_tests[:, r:] + dual_tests[:, :r] @ y, axis=0) / np.sqrt(PROBES)
        size = np.linalg.norm(x, axis=0)[None, :] * np.linalg.norm(y, axis=0)[:, None]
        bound = 2.0 * rho[None, :] * rho_d[:, None] + ROUNDING * size
        return CertifiedAnswer(
            np.asarray(-1j * omega * CAPACITANCE * reaction),
            float(SAFETY * omega * CAPACITANCE * np.max(bound)),
        )

    def _grow(
        self,
        points: list[tuple[float, float]],
        most: int,
        progress: Callable[[float, float], None],
    ) -> None:
        middle = points[len(points) // 2]
        self._add(*middle)
        worst: dict[tuple[float, float], float] = dict.fromkeys(points, np.inf)
        first: float | None = None
        while True:
            place, error = self._worst(worst)
            first = first or error
            total = max(np.log10(first / self.tolerance), 1e-3)
            progress(float(np.clip(np.log10(first / error), 0.0, total)), float(total))
            if error <= self.tolerance:
                return
            if len(self.snapshots) >= most:
                raise ConvergenceError(
                    f"the reduced model reached {error:.1e} of {self.tolerance:.1e} with {most} "
                    f"snapshots (worst at {place[0]:.6g} Hz, phase {place[1]:.4g}); ask for a "
                    "smaller region or a larger tolerance"
                )
            self._add(*place)

    def _worst(
        self, estimates: dict[tuple[float, float], float]
    ) -> tuple[tuple[float, float], float]:
        """Point of the largest relative bound. Lazy: an old estimate is renewed only when it
        leads, since bounds hardly ever grow when the basis does.
        """
        renewed: set[tuple[float, float]] = set()
        while True:
            place = max(estimates, key=lambda p: estimates[p])
            if place in renewed:
                return place, estimates[place]
            answer = self._answer(*place)
            floor = SMALL * 2.0 * np.pi * place[0] * self._capacitance
            size = max(float(np.max(np.abs(answer.admittance))), floor)
            estimates[place] = answer.bound / size
            renewed.add(place)

    def _add(self, frequency: float, phase: float) -> None:
        """Full solutions at one point join the basis."""
        system = BlochSystem(self.discretisation, phase, self._floor)
        a = system.matrix(frequency)
        free = self._free
        inputs = np.hstack(
            [
                -a[:free, free:].toarray(),
                system.bottom[:2].reshape(-1, system.size)[:, :free].conj().T,
            ]
        )
        solutions = factorise(a[:free, :free]).solve(inputs)
        self._projection.extend(self._orthonormal(solutions))
        self.snapshots.append((frequency, phase))
        if not self._capacitance:
            electrodes = solutions[:, : self.discretisation.electrodes]
            reaction = a[free:, free:].toarray() + a[free:, :free] @ electrodes
            self._capacitance = CAPACITANCE * float(np.max(np.abs(reaction)))

    def _orthonormal(self, vectors: Complex) -> Complex:
        """The new directions of some vectors, orthonormal in the energy of the cell."""
        basis = self._projection.basis
        kept: list[Complex] = []
        for column in vectors.T:
            v = column / np.sqrt(self._product(column, column).real)
            for _ in range(2):
                for known in (basis, np.array(kept).T if kept else basis[:, :0]):
                    v = v - known @ (known.conj().T @ (self._energy @ v))
            length = np.sqrt(self._product(v, v).real)
            if length > 1e-11:
                kept.append(v / length)
        return np.array(kept, dtype=complex).T.reshape(vectors.shape[0], -1)

    def _product(self, a: Complex, b: Complex) -> complex:
        return complex(a.conj() @ np.asarray(self._energy @ b))


@dataclass(frozen=True)
class _Small:
    """A and A^H tested with [basis, electrodes, random vectors]: (r + e + probes, r + e)."""

    matrix: Complex
    dual: Complex


class _Projection:
    """The affine matrices and the traces on a growing basis."""

    def __init__(self, discretisation: Discretisation, tests: Complex) -> None:
        d = discretisation
        free = d.size - d.electrodes
        self._d = d
        self._parts = [
            sp.csr_array(part)
            for affine in (d.stiffness, d.mass)
            for part in (affine.constant, affine.forward, affine.forward.T)
        ]
        electrodes = np.zeros((d.size, d.electrodes))
        electrodes[free:] = np.eye(d.electrodes)
        padded = np.vstack([tests, np.zeros((d.electrodes, tests.shape[1]))])
        self._fixed = np.hstack([electrodes, padded])
        self._fixed_products = [part @ self._fixed[:, : d.electrodes] for part in self._parts]
        self.basis: Complex = np.zeros((free, 0), dtype=complex)
        self._products = [np.zeros((d.size, 0), dtype=complex) for _ in self._parts]
        self._refresh()

    @property
    def order(self) -> int:
        """Number of basis vectors."""
        return int(self.basis.shape[1])

    def extend(self, vectors: Complex) -> None:
        """New orthonormal columns join the basis."""
        d = self._d
        padded = np.vstack([vectors, np.zeros((d.electrodes, vectors.shape[1]))])
        self.basis = np.hstack([self.basis, vectors])
        self._products = [
            np.hstack([old, part @ padded])
            for old, part in zip(self._products, self._parts, strict=True)
        ]
        self._refresh()

    def _refresh(self) -> None:
        """Small matrices [test]^H part [trial], and the test vectors along the two sides."""
        d = self._d
        padded = np.vstack([self.basis, np.zeros((d.electrodes, self.order))])
        test = np.hstack([padded, self._fixed])
        self._small = [
            test.conj().T @ np.hstack([product, fixed])
            for product, fixed in zip(self._products, self._fixed_products, strict=True)
        ]
        self._bottom = _Side(d, d.bottom, range(4), test)
        self._top = _Side(d, d.top, range(3, 4), test)

    def at(self, frequency: float, phase: float, floor: SurfaceAdmittance) -> _Small:
        """The tested matrices at one point."""
        d = self._d
        omega = 2.0 * np.pi * frequency * d.cell.period / VELOCITY
        turn = np.exp(-1j * phase)
        k0, k1, k2, m0, m1, m2 = self._small
        stiffness = k0 + turn * k1 + np.conj(turn) * k2
        mass = m0 + turn * m1 + np.conj(turn) * m2

        trial = self.order + d.electrodes
        k = floquet_harmonics(d, phase)
        bottom, top = self._bottom.traces(k, turn), self._top.traces(k, turn)[:, 0]
        air = top.conj().T @ (air_weights(k)[:, None] * top[:, :trial])
        blocks = scaled_floor(floor, np.array([frequency]), k, d.cell.period)[0]
        tests = bottom.reshape(-1, bottom.shape[-1]).conj().T

        def below(admittance: Complex) -> Complex:
            waves = np.matmul(admittance, bottom[..., :trial])
            return np.asarray(tests @ waves.reshape(-1, trial))

        shared = stiffness - omega**2 * mass - air
        return _Small(shared + below(blocks), shared + below(blocks.conj().swapaxes(-1, -2)))


class _Side:
    """Vectors along the floor or the upper side, ready for any harmonic and phase."""

    def __init__(
        self, d: Discretisation, trace: Trace, components: range, vectors: Complex
    ) -> None:
        u = d.unknowns
        used = np.unique(trace.weighted.indices)
        padded = np.vstack([vectors, np.zeros((1, vectors.shape[1]))])
        self._x = trace.x
        self._weighted = trace.weighted[:, used].toarray()
        self._wraps = u.wraps[used]
        #: (components, shape functions, vectors)
        self._values = np.stack([padded[u.number[c, used]] for c in components])

    def traces(self, wavenumbers: Array, turn: complex) -> Complex:
        """Harmonics int exp(+j k x) v dx: (harmonics, components, vectors)."""
        waves = np.exp(1j * np.multiply.outer(wavenumbers, self._x)) @ self._weighted
        waves *= np.where(self._wraps, turn, 1.0)
        return np.asarray(np.matmul(waves, self._values).swapaxes(0, 1))


def _energy_matrix(d: Discretisation, region: Region) -> sp.csc_array:
    """H on the free unknowns: stiffness and w0^2 mass of the displacements, permittivity of the
    potential, averaged over the phase (the entries that wrap around drop out).
    """
    free = d.size - d.electrodes
    electric = np.zeros(d.size, dtype=bool)
    numbers = d.unknowns.number[3]
    electric[numbers[numbers >= 0]] = True
    omega = 2.0 * np.pi * np.mean(region.frequencies) * d.cell.period / VELOCITY
    entries = sp.coo_array(d.stiffness.constant)
    rows, columns = entries.coords
    alike = electric[rows] == electric[columns]
    sign = np.where(electric[rows], -1.0, 1.0)
    signed = sp.csr_array(
        (np.where(alike, sign * entries.data, 0.0), (rows, columns)), shape=entries.shape
    )
    energy = sp.csc_array((signed + omega**2 * d.mass.constant)[:free, :free])
    energy.eliminate_zeros()
    return energy


def _random_tests(energy: sp.csc_array) -> Complex:
    """Random vectors with covariance H^-1: with H = L D L^T, L^-T D^-1/2 g for Gaussian g."""
    factor = splu(
        energy,
        permc_spec="MMD_AT_PLUS_A",
        diag_pivot_thresh=0.0,
        options={"SymmetricMode": True},
    )
    diagonal = factor.U.diagonal()
    if np.any(diagonal <= 0.0) or not np.array_equal(factor.perm_r, factor.perm_c):
        raise ConvergenceError("the energy of the cell is not positive definite")
    rng = np.random.default_rng(20240301)
    shape = (energy.shape[0], PROBES)
    gauss = rng.standard_normal(shape) + 1j * rng.standard_normal(shape)
    gauss *= np.sqrt(0.5 * diagonal)[:, None]
    # U = D L^T, so U^-1 D^1/2 g = L^-T D^-1/2 g.
    solved = spsolve_triangular(sp.csr_array(factor.U), gauss, lower=False)
    return np.asarray(solved[factor.perm_c])
