"""Full solutions of the cell, gathered to a basis on which its matrices are projected.

A snapshot at (f, gamma) solves for the electrodes' potentials and for the two lowest harmonics
of the floor as inputs. By Woodbury's identity the harmonics make the span smooth across the
branch points of the bulk waves, and they hold the dual solutions as well.

H, the energy in which the basis is orthonormal and residuals are measured: stiffness and w0^2
mass of the displacements, permittivity of the potential, averaged over the phase. Random vectors
Omega with covariance H^-1 give E |Omega^H r|^2 = k r^H H^-1 r.

An electrode's column is not its unknown alone, which would jump to nothing within the narrow
elements beside it, but that and the potential of least energy around it (its lift): the energy of
the columns is that of the cell on the finest mesh too, and with it the rounding.
"""

from __future__ import annotations

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray
from scipy.sparse.linalg import SuperLU, splu, spsolve_triangular

from sawfem.errors import ConvergenceError
from sawfem.unitcell.discretisation import Discretisation
from sawfem.unitcell.forms import VELOCITY
from sawfem.unitcell.pointmatrix import PointMatrix
from sawfem.unitcell.projected import ProjectedCell, harmonics_at
from sawfem.unitcell.side import SideIntegrals
from sawfem.unitcell.sparse import factorise
from sawfem.unitcell.system import floor_admittance, scaled_floor, steepest_harmonic

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

#: Number of random test vectors.
PROBES = 20
#: Harmonics of the floor that drive a snapshot.
DRIVEN = 2
#: Length of a new direction, relative to its vector, below which it is rounding.
LOST = 1e-11


class SnapshotBasis:
    """The basis of a cell, its projections kept up to date as it grows.

    Parameters
    ----------
    discretisation : the assembled cell.
    centre : frequency w0 / 2 pi of the energy, hertz.
    lift : (free unknowns, e) of a model to go on with; None for that of least energy.
    """

    def __init__(
        self, discretisation: Discretisation, centre: float, lift: Complex | None = None
    ) -> None:
        d = discretisation
        self.discretisation = d
        self.floor = floor_admittance(d)
        self._free = d.size - d.electrodes
        whole = _energy_matrix(d, centre)
        self._energy = sp.csr_array(whole[: self._free, : self._free])
        self._energy.eliminate_zeros()
        self._steepest = steepest_harmonic(d)
        reach = int(np.ceil(max(self._steepest, 7.0 * np.pi) / (2.0 * np.pi))) + 1
        orders = np.arange(-reach, reach + 1)
        self._bottom = SideIntegrals.along(d, d.bottom, orders)
        self._top = SideIntegrals.along(d, d.top, orders)
        self._matrix = PointMatrix(d, self._bottom, self._top)
        self._products = _Products(d)
        self._squares = sp.csr_array(abs(d.stiffness.constant) ** 2)
        #: Parts K_a, K_b, K_b^T, M_a, ... in the order of their transposes.
        self._mirrored = [3 * part + i for part in range(2 + len(d.losses)) for i in (0, 2, 1)]
        self._columns = 0
        factor = _factored(self._energy)
        if lift is None:
            lift = -factor.solve(whole[: self._free, self._free :].toarray())
        self._start(lift, _random_tests(factor))

    def _start(self, lift: Complex | Array, tests: Complex) -> None:
        """Projections of the fixed vectors alone: electrodes, then random tests."""
        d = self.discretisation
        e = d.electrodes
        fixed = np.zeros((d.size, e + PROBES), dtype=complex)
        fixed[: self._free, :e] = lift
        fixed[self._free :, :e] = np.eye(e)
        fixed[: self._free, e:] = tests
        self._cancelling = self._terms(fixed[:, :e])
        # Conjugate rows, the basis growing at the end: products with them need no copies.
        self._rows = np.zeros((e + PROBES + 40, d.size), dtype=complex)
        self._rows[: e + PROBES] = fixed.conj().T
        self._count = e + PROBES
        self._sides = [self._traces(fixed)]
        self._small = self._products.tested(self._rows[: self._count], fixed[:, :e])

    @property
    def order(self) -> int:
        """Number of basis vectors."""
        return self._columns

    @property
    def basis(self) -> Complex:
        """The basis itself, (free unknowns, r), orthonormal in the energy."""
        fixed = self.discretisation.electrodes + PROBES
        return np.asarray(self._rows[fixed : self._count, : self._free].conj().T)

    @property
    def lift(self) -> Complex:
        """What belongs to one volt of each electrode beside the basis, (free unknowns, e)."""
        return np.asarray(self._rows[: self.discretisation.electrodes, : self._free].conj().T)

    def solve(self, frequency: float, phase: float, blocks: Complex | None = None) -> Complex:
        """Full solutions at one point, electrodes' columns without their lift first;
        (free unknowns, e + 8). To an empty basis the lift itself comes last, so that combinations
        of solutions need not sum up to one.

        ``blocks`` are those of the floor, (n, 4, 4), if they are known.
        """
        kept, k = harmonics_at(self._bottom.orders, self._steepest, phase)
        if blocks is None:
            at = np.array([frequency])
            blocks = scaled_floor(self.floor, at, k, self.discretisation.cell.period)[0]
        matrix, inputs = self._matrix.at(frequency, phase, (kept, k.real), blocks, DRIVEN)
        found = np.asarray(factorise(matrix).solve(inputs))
        found[:, : self.discretisation.electrodes] -= self.lift
        return found if self._columns else np.hstack([found, self.lift])

    def extend(self, vectors: Complex) -> int:
        """Take the new directions of some vectors (free unknowns, v) in; how many there were."""
        new = self._orthonormal(vectors)
        d, e, count = self.discretisation, self.discretisation.electrodes, int(new.shape[1])
        padded = np.vstack([new, np.zeros((e, count))])
        before, after = self._count, self._count + count
        if after > self._rows.shape[0]:
            more = max(40, count, self._rows.shape[0] // 2)
            self._rows = np.vstack([self._rows, np.zeros((more, d.size), dtype=complex)])
        self._rows[before:after] = padded.conj().T
        columns = self._products.tested(self._rows[:after], padded)
        # K_a is symmetric and exp(+j gamma) carries the transpose of exp(-j gamma): new rows
        # against old columns follow from old rows against new columns.
        old = np.r_[0:e, e + PROBES : before]
        across = columns[self._mirrored][:, old].conj().swapaxes(1, 2)
        left = np.concatenate([self._small, across], axis=1)
        self._small = np.concatenate([left, columns], axis=2)
        self._count, self._columns = after, self._columns + count
        self._sides.append(self._traces(padded))
        self._cancelling = np.concatenate([self._cancelling, self._terms(padded)])
        return count

    def projected(self) -> ProjectedCell:
        """The cell on the basis as it is now."""
        d, e = self.discretisation, self.discretisation.electrodes
        r = self._columns
        fixed = e + PROBES
        rows = np.r_[fixed : self._count, 0:e]
        columns = np.r_[e : e + r, 0:e]
        probes = np.arange(e, fixed)
        inner = self._small[:, rows][:, :, columns]
        tests = self._small[:, probes][:, :, columns]
        order = np.r_[rows, probes]
        bottom, top = (
            np.take(
                np.concatenate([sides[index] for sides in self._sides], axis=-1), order, axis=-1
            )
            for index in range(2)
        )
        return ProjectedCell(
            period=d.cell.period,
            electrodes=e,
            largest=self._steepest,
            floor=self.floor,
            stiffness=inner[:3],
            mass=inner[3:6],
            stiffness_tests=tests[:3],
            mass_tests=tests[3:6],
            loss=inner[6:].reshape(-1, 3, *inner.shape[1:]),
            loss_tests=tests[6:].reshape(-1, 3, *tests.shape[1:]),
            cancelling=np.r_[self._cancelling[e:], self._cancelling[:e]],
            loss_names=tuple((part.material, part.mechanism) for part in d.losses),
            orders=self._bottom.orders,
            bottom_nodes=self._bottom.nodes,
            top_nodes=self._top.nodes,
            bottom=bottom,
            top=top,
        )

    def _terms(self, vectors: Complex) -> Array:
        """(sum |q_i K_ij q_j|^2)^1/2 of every vector q: the energy of q is what these terms leave
        of each other, with a rounding error of their size times some eps.
        """
        size = np.abs(vectors) ** 2
        return np.asarray(np.sqrt(np.sum(size * (self._squares @ size), axis=0)))

    def _traces(self, vectors: Complex) -> tuple[Complex, Complex]:
        d = self.discretisation
        return self._bottom.of(d, range(4), vectors), self._top.of(d, range(3, 4), vectors)

    def _orthonormal(self, vectors: Complex) -> Complex:
        """The new directions of some vectors, orthonormal in the energy of the cell."""
        fixed = self.discretisation.electrodes + PROBES
        conjugate = self._rows[fixed : self._count, : self._free]
        product = _real_times(self._energy, vectors)
        length = np.sqrt(np.einsum("ij,ij->j", vectors.conj(), product).real)
        alive = length > 0.0  # nothing moves the floor of a membrane but its potential
        v, product = vectors[:, alive] / length[alive], product[:, alive] / length[alive]
        for _ in range(2):
            shares = conjugate @ product
            v = v - (shares.conj().T @ conjugate).conj().T
            product = _real_times(self._energy, v)
        kept: list[int] = []
        for j in range(v.shape[1]):
            for _ in range(2):
                for i in kept:
                    share = complex(np.vdot(v[:, i], product[:, j]))
                    v[:, j] -= share * v[:, i]
                    product[:, j] -= share * product[:, i]
            left = float(np.vdot(v[:, j], product[:, j]).real)
            if left > LOST**2:
                v[:, j] /= np.sqrt(left)
                product[:, j] /= np.sqrt(left)
                kept.append(j)
        return np.asarray(v[:, kept])


def _real_times(matrix: sp.csr_array, vectors: Complex) -> Complex:
    """Real sparse matrix times complex columns, without a complex copy of the matrix."""
    if matrix.dtype.kind == "c":
        return np.asarray(matrix @ vectors)
    flat = np.ascontiguousarray(vectors).view(np.float64)
    return np.ascontiguousarray(matrix @ flat).view(np.complex128)


class _Products:
    """Products of the parts of K, M and the losses with vectors, tested at once."""

    def __init__(self, d: Discretisation) -> None:
        affines = (d.stiffness, d.mass, *(loss.matrix for loss in d.losses))
        self._count = len(affines)
        constant = [sp.csr_array(affine.constant) for affine in affines]
        self._constant = sp.csr_array(sp.vstack(constant))
        # The parts that wrap around live beside the sides of the cell.
        wrapped = [
            sp.csr_array(matrix)
            for affine in affines
            for matrix in (affine.forward, affine.forward.T)
        ]
        self._beside = [np.flatnonzero(np.diff(matrix.indptr)) for matrix in wrapped]
        self._wrapped = [
            sp.csr_array(matrix[rows]) for matrix, rows in zip(wrapped, self._beside, strict=True)
        ]

    def tested(self, rows: Complex, vectors: Complex) -> Complex:
        """[rows] part [vectors]: (3 n, tests, vectors), K_a, K_b, K_b^T, M_a, M_b, M_b^T, ..."""
        size, count = vectors.shape
        every = _real_times(self._constant, vectors).reshape(self._count, size, count)
        inner = rows @ np.concatenate(every, axis=1)
        result = np.empty((3 * self._count, rows.shape[0], count), dtype=complex)
        result[::3] = inner.reshape(-1, self._count, count).swapaxes(0, 1)
        places = [3 * part + side for part in range(self._count) for side in (1, 2)]
        for place, matrix, beside in zip(places, self._wrapped, self._beside, strict=True):
            result[place] = rows[:, beside] @ _real_times(matrix, vectors)
        return result


def _energy_matrix(d: Discretisation, centre: float) -> sp.csr_array:
    """H on all unknowns; the entries that wrap around drop out of the mean over phases."""
    electric = np.zeros(d.size, dtype=bool)
    numbers = d.unknowns.number[3]
    electric[numbers[numbers >= 0]] = True
    omega = 2.0 * np.pi * centre * d.cell.period / VELOCITY
    entries = sp.coo_array(d.stiffness.constant)
    rows, columns = entries.coords
    alike = electric[rows] == electric[columns]
    sign = np.where(electric[rows], -1.0, 1.0)
    signed = sp.csr_array(
        (np.where(alike, sign * entries.data.real, 0.0), (rows, columns)), shape=entries.shape
    )
    return sp.csr_array(signed + omega**2 * d.mass.constant)


def _factored(energy: sp.csr_array) -> SuperLU:
    """H = L D L^T. ConvergenceError if it is not positive definite."""
    factor = splu(
        sp.csc_array(energy),
        permc_spec="MMD_AT_PLUS_A",
        diag_pivot_thresh=0.0,
        options={"SymmetricMode": True},
    )
    positive = np.all(factor.U.diagonal() > 0.0)
    if not positive or not np.array_equal(factor.perm_r, factor.perm_c):
        raise ConvergenceError("the energy of the cell is not positive definite")
    return factor


def _random_tests(factor: SuperLU) -> Complex:
    """Random vectors with covariance H^-1: with H = L D L^T, L^-T D^-1/2 g for Gaussian g."""
    diagonal = factor.U.diagonal()
    rng = np.random.default_rng(20240301)
    shape = (factor.shape[0], PROBES)
    gauss = rng.standard_normal(shape) + 1j * rng.standard_normal(shape)
    gauss *= np.sqrt(0.5 * diagonal)[:, None]
    # U = D L^T, so U^-1 D^1/2 g = L^-T D^-1/2 g.
    upper = sp.csr_array(factor.U)
    flat = spsolve_triangular(upper, gauss.view(np.float64), lower=False)
    return np.asarray(np.ascontiguousarray(flat).view(np.complex128)[factor.perm_c])
