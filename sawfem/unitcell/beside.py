"""Modes of a cell at phases beside that of its stop band, from the edges and little more.

At phase gamma0 = pi or 2 pi the matrices are symmetric, and A(gamma0 - t) = A(gamma0 + t)^T: the
left vector of a mode at gamma0 - t is its right vector at gamma0 + t. With edges x and

    A z = -dA/dgamma x - dA/df (combination of both x that lets it be solved),

a mode at gamma0 - t is x - t z to first order, and its frequency in the span of x and z is good to
t^4 (Rayleigh's quotient with both vectors; k.p expansion of the theory of bands, Luttinger & Kohn,
Phys. Rev. 97, 869 (1955), from memory). In that span of four the cell at gamma0 - t is taken
exactly: finite elements, floor and air at their own wavenumbers. z comes from the small model of
the stop band and one more solution of its factors for each edge.

Along one mode, with left and right vectors y and x,

    df/dgamma = -(y^H dA/dgamma x) / (y^H dA/df x)

which times 2 pi p is the velocity of its energy (Auld, Acoustic Fields and Waves in Solids, 1973,
section 10; from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import scipy.sparse as sp
from numpy.typing import NDArray

from sawfem.unitcell.affine import AffineMatrix, Trace
from sawfem.unitcell.modes import Mode, polish, value_and_slope
from sawfem.unitcell.reduced import ReducedSystem
from sawfem.unitcell.stopband import Edge, StopBand
from sawfem.unitcell.system import BlochSystem, air_weights, scaled_floor

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

#: Step of the phase for the derivative of the floor's admittance. Between both sides of k_n = 0 the
#: |k| of a mean potential drops out, which has no derivative there.
STEP = 1e-4


@dataclass(frozen=True)
class Beside:
    """A stop band's wave at phases beside that of the band.

    Attributes
    ----------
    system : the cell at the phase gamma0 of the band.
    vectors : (unknowns, 4): the two shorted edges and what they change into, z.
    forms : (4, 4) S^T K S of the constant and of the forward part of the stiffness, and of the
        mass, between the four vectors S.
    """

    system: BlochSystem
    vectors: Complex
    forms: tuple[Complex, Complex, Complex, Complex] = field(repr=False)
    floor: _Line = field(repr=False)
    roof: _Line = field(repr=False)

    @classmethod
    def of(cls, band: StopBand) -> Beside:
        """From a band with two shorted edges."""
        model, system = band.model, band.model.system
        f = complex(np.mean([edge.frequency for edge in band.shorted]))
        X = np.stack([model.expand(edge.vector) for edge in band.shorted], axis=1)
        floor, roof = _lines(system)
        torn, smooth = _phase_derivative(system, f, X, floor, roof)
        S = np.hstack([X, _answers(band, f, -torn, -smooth)])
        d = system.discretisation
        parts = (d.stiffness.constant, d.stiffness.forward, d.mass.constant, d.mass.forward)
        forms = tuple(S.T @ _times(matrix, S) for matrix in parts)
        return cls(system, S, forms, floor, roof)  # type: ignore[arg-type]

    def mode(self, back: float, near: complex, *, below: bool) -> Mode | None:
        """The mode at a phase of ``back`` radians before the band's, beside an edge.

        Parameters
        ----------
        near : frequency of the edge, Hz. below : whether the mode lies below it.

        Returns
        -------
        Its vector holds coefficients of ``vectors``. None where no mode is found on that side.
        """
        matrices = self._at(back)
        a, slope = value_and_slope(matrices, near)
        changes, vectors = np.linalg.eig(-np.linalg.solve(slope, a))
        on_side = [i for i in range(changes.size) if (changes[i].real < 0.0) == below]
        for index in sorted(on_side, key=lambda i: abs(changes[i])):
            mode = polish(matrices, near + changes[index], vectors[:, index])
            if mode is not None and (mode.frequency.real < near.real) == below:
                return mode
        return None

    def _at(self, back: float) -> Callable[[Complex], Complex]:
        """The cell at the phase gamma0 - back between the four vectors: (m,) -> (m, 4, 4)."""
        s = self.system
        k = s.wavenumbers - back
        turn = np.exp(-1j * (s.phase - back))
        K, K_forward, M, M_forward = self.forms
        # With v^T K v for the left side the part backward is the transpose of the one forward.
        stiffness = K + turn * K_forward + np.conj(turn) * K_forward.T
        mass = M + turn * M_forward + np.conj(turn) * M_forward.T
        right, left = (self.floor.traces(self.vectors, -back, sign) for sign in (1, -1))
        upper, lower = (self.roof.traces(self.vectors, -back, sign) for sign in (1, -1))
        air = np.einsum("ncl,n,ncr->lr", lower, air_weights(k), upper)

        def matrices(frequencies: Complex) -> Complex:
            omega = s.scaled_frequency(1.0) * np.asarray(frequencies)
            blocks = scaled_floor(s.floor, frequencies, k, s.discretisation.cell.period)
            moved = np.matmul(blocks, right).reshape(omega.size, -1, right.shape[-1])
            below = left.reshape(-1, left.shape[-1]).T @ moved
            return np.asarray(stiffness - air - omega[:, None, None] ** 2 * mass + below)

        return matrices


def phase_slope(model: ReducedSystem, edge: Edge) -> complex:
    """df/dgamma of a mode with shorted electrodes at the model's phase, Hz per radian."""
    kept = model.order
    a, slope = (part[:kept, :kept] for part in value_and_slope(model.matrices, edge.frequency))
    right, left = edge.vector[:kept], np.linalg.svd(a)[0][:, -1]
    s = model.system
    X = model.expand(right)[:, None]
    torn, smooth = _phase_derivative(s, edge.frequency, X, *_lines(s))
    moved = np.vdot(model.expand(left), (torn + smooth)[:, 0])
    return complex(-moved / (left.conj() @ slope @ right))


class _Line:
    """The floor, or the upper side of the air, at phases around gamma0.

    P_n X = int exp(+j k_n x) X dx for k_n of the phase gamma0 + t.
    """

    def __init__(self, system: BlochSystem, trace: Trace, components: tuple[int, ...]) -> None:
        u = system.discretisation.unknowns
        weighted = sp.csc_array(trace.weighted)
        used = np.flatnonzero(np.diff(weighted.indptr))
        number = u.number[list(components)][:, used]
        self._weighted = sp.csr_array(weighted[:, used])
        self._number = np.where(number < 0, system.size, number)  # the last row of zeros
        self._wraps = u.wraps[used][:, None]
        self._size = system.size
        self._phase = system.phase
        self._x = trace.x
        self._waves = np.exp(1j * np.multiply.outer(system.wavenumbers, trace.x))

    def traces(self, X: Complex, shift: float, sign: int = 1) -> Complex:
        """P_n X of unknowns (unknowns, m), or conj(P_n) X with ``sign`` -1; (harmonics, c, m)."""
        values, _ = self._values(X, shift, sign)
        waves = self._waves if sign > 0 else self._waves.conj()
        return self._summed(waves, np.exp(1j * sign * shift * self._x)[:, None] * values)

    def derivative(self, X: Complex) -> Complex:
        """d(P_n)/dgamma X at gamma0."""
        values, torn = self._values(X, 0.0, 1)
        return self._summed(self._waves, torn + 1j * self._x[:, None] * values)

    def forces(self, amplitudes: Complex) -> tuple[Complex, Complex]:
        """P_n^H of amplitudes (harmonics, c, m), and its derivative by gamma; (unknowns, m)."""
        turn = np.exp(1j * self._phase)
        found = np.zeros((2, self._size + 1, amplitudes.shape[2]), dtype=complex)
        backward = self._waves.conj().T
        for number, part in zip(self._number, amplitudes.swapaxes(0, 1), strict=True):
            density = backward @ part
            here = self._weighted.T @ density
            there = self._weighted.T @ (-1j * self._x[:, None] * density)
            there = there + np.where(self._wraps, 1j, 0.0) * here
            for place, values in enumerate((here, there)):
                np.add.at(found[place], number, np.where(self._wraps, turn, 1.0) * values)
        return found[0, :-1], found[1, :-1]

    def _values(self, X: Complex, shift: float, sign: int) -> tuple[Complex, Complex]:
        """X at the points times their weights, and what its fold at the sides adds to the
        derivative by gamma; (points, c m).
        """
        padded = np.vstack([X, np.zeros((1, X.shape[1]))])[self._number]
        turn = np.exp(-1j * sign * (self._phase + shift))
        folded = np.where(self._wraps, turn, 1.0) * padded
        torn = np.where(self._wraps, -1j * sign, 0.0) * folded
        flat = [np.concatenate(list(part), axis=1) for part in (folded, torn)]
        return self._weighted @ flat[0], self._weighted @ flat[1]

    def _summed(self, waves: Complex, values: Complex) -> Complex:
        return (waves @ values).reshape(waves.shape[0], len(self._number), -1)


def _lines(s: BlochSystem) -> tuple[_Line, _Line]:
    d = s.discretisation
    return _Line(s, d.bottom, (0, 1, 2, 3)), _Line(s, d.top, (3,))


def _phase_derivative(
    s: BlochSystem, f: complex, X: Complex, floor: _Line, roof: _Line
) -> tuple[Complex, Complex]:
    """dA/dgamma X at the phase of the system, in two parts (unknowns, m).

    The first one acts on test functions that are torn at the sides of the cell: finite elements,
    and the forces of floor and air, d(P^H)/dgamma Y P X; the second one is P^H d(Y P X)/dgamma.
    """
    d, omega, k = s.discretisation, s.scaled_frequency(f), s.wavenumbers
    torn = _affine_derivative(d.stiffness, s.phase, X)
    torn = torn - omega**2 * _affine_derivative(d.mass, s.phase, X)
    y, after, before = (
        scaled_floor(s.floor, np.array([f]), k + shift, d.cell.period)[0]
        for shift in (0.0, STEP, -STEP)
    )
    u = floor.traces(X, 0.0)
    change = (after - before) / (2.0 * STEP) @ u + y @ floor.derivative(X)
    smooth, _ = floor.forces(change)
    torn = torn + floor.forces(y @ u)[1]
    weights, slope = air_weights(k)[:, None, None], air_weights(np.sign(k))[:, None, None]
    weights_slope = np.sign(k)[:, None, None] * slope
    v = roof.traces(X, 0.0)
    smooth = smooth - roof.forces(weights_slope * v + weights * roof.derivative(X))[0]
    return torn - roof.forces(weights * v)[1], smooth


def _affine_derivative(matrix: AffineMatrix, phase: float, X: Complex) -> Complex:
    """dA/dgamma X of an affine matrix."""
    turn = -1j * np.exp(-1j * phase)
    return np.asarray(
        turn * _times(matrix.forward, X) + np.conj(turn) * _times(matrix.forward.T, X)
    )


def _times(matrix: Any, X: Complex) -> Complex:
    """A real matrix times complex columns; those that are zero cost nothing."""
    return _by_parts(lambda part: np.asarray(matrix @ part), X)


def _by_parts(function: Callable[[Array], Array], X: Complex) -> Complex:
    """A real linear function of complex columns (n, m), without what is zero in them."""
    parts = np.hstack([X.real, X.imag])
    some = np.flatnonzero(np.any(parts != 0.0, axis=0))
    answer = function(np.ascontiguousarray(parts[:, some]))
    found = np.zeros((answer.shape[0], parts.shape[1]))
    found[:, some] = answer
    count = X.shape[1]
    return np.asarray(found[:, :count] + 1j * found[:, count:])


def _answers(band: StopBand, f: complex, torn: Complex, smooth: Complex) -> Complex:
    """A z = torn + smooth in the complement of the two edges, (unknowns, 2).

    What the finite elements alone answer to the first part joins what the condition of Bloch has
    torn at the sides of the cell. What is left is smooth along the floor: the small model holds it.
    """
    model, s = band.model, band.model.system
    free = s.size - s.electrodes
    alone = np.zeros_like(torn)
    alone[:free] = _by_parts(model.factor.solve, torn[:free])
    images = np.stack([model.residual(f, column) for column in alone.T], axis=1)
    b = _by_parts(model.restrict, torn + smooth - images)
    kept = model.order
    A, slope = (part[:kept, :kept] for part in value_and_slope(model.matrices, f))
    C = slope @ np.stack([edge.vector[:kept] for edge in band.shorted], axis=1)
    bordered = np.block([[A, C], [C.T, np.zeros((2, 2))]])
    z = np.linalg.solve(bordered, np.vstack([b, np.zeros((2, 2))]))[:kept]
    return np.asarray(alone + np.stack([model.expand(column) for column in z.T], axis=1))
