"""P-matrices: how acoustic sections are joined.

Conventions: sawfem/conventions.py. A section has an acoustic port 1 on its left, 2 on its right,
and E electrical ports. Incoming waves a1, a2 and voltages V give outgoing waves b1, b2 and
currents I into the ports,

    (b1, b2, I_1 .. I_E)^T = P (a1, a2, V_1 .. V_E)^T.

|a|^2/2 and |b|^2/2 are powers in watt; V and I are peak values, the power into a port is
Re(V* I)/2. With these scales reciprocity reads P12 = P21, P3i = -2 Pi3 and P_ee symmetric, and
without losses

    |P11|^2 + |P12|^2 = 1,   |P13|^2 + |P23|^2 = Re P33,   P13 + P11 P13* + P12 P23* = 0

(Tobolka, IEEE Trans. Sonics Ultrason. SU-26, 426 (1979); Morgan, Surface Acoustic Wave Filters,
2nd ed., 2007, ch. 8; from memory). Waves are the true fields at the reference planes, exp(-j k x),
with no local carrier taken out: gaps of any length and sections of any pitch join directly. Steps
of wave impedance between a grating and its neighbour are not part of a section.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sawfem.errors import InputError

ComplexArray = NDArray[np.complex128]
FloatArray = NDArray[np.float64]


def as_frequencies(frequency: ArrayLike) -> FloatArray:
    """Frequencies in hertz as a one-dimensional array of positive finite numbers.

    Raises InputError otherwise.
    """
    try:
        values = np.atleast_1d(np.asarray(frequency, dtype=float))
    except (TypeError, ValueError) as error:
        raise InputError(
            key="frequency", found=repr(frequency), expected="numbers in hertz"
        ) from error
    if values.ndim != 1 or values.size == 0:
        raise InputError(key="frequency", found=f"shape {values.shape}", expected="a list (F,)")
    bad = values[~(np.isfinite(values) & (values > 0.0))]
    if bad.size:
        raise InputError(key="frequency", found=f"{bad[0]:g} Hz", expected="positive, finite")
    return values


@dataclass(frozen=True)
class PMatrix:
    """One acoustic track seen from its two ends and its E electrical ports.

    Attributes
    ----------
    frequency : (F,) in hertz.
    matrix : (F, 2 + E, 2 + E) complex; rows b1, b2, I; columns a1, a2, V. Waves in sqrt(W), V in
        volt, I in ampere: P_ee is an admittance in siemens.
    """

    frequency: FloatArray
    matrix: ComplexArray

    def __post_init__(self) -> None:
        size = self.matrix.shape[-1] if self.matrix.ndim == 3 else 0
        if size < 2 or self.matrix.shape != (self.frequency.size, size, size):
            raise InputError(
                key="P-matrix",
                found=f"shape {self.matrix.shape} for {self.frequency.size} frequencies",
                expected="(F, 2 + E, 2 + E)",
            )

    def __repr__(self) -> str:
        low, high = self.frequency.min(), self.frequency.max()
        return (
            f"PMatrix({self.frequency.size} frequencies from {low:.6g} to {high:.6g} Hz, "
            f"electrical ports: {self.electrical_ports})"
        )

    @property
    def electrical_ports(self) -> int:
        """E."""
        return int(self.matrix.shape[-1]) - 2

    @property
    def reflection(self) -> ComplexArray:
        """P11, (F,): reflection at the left end with every electrical port shorted."""
        return self.matrix[:, 0, 0]

    @property
    def transmission(self) -> ComplexArray:
        """P21, (F,): transmission from left to right, electrical ports shorted."""
        return self.matrix[:, 1, 0]

    @property
    def admittance(self) -> ComplexArray:
        """P_ee, (F, E, E) in siemens: nothing comes in from outside (a1 = a2 = 0)."""
        return self.matrix[:, 2:, 2:]

    def mirrored(self) -> PMatrix:
        """The same section turned round: acoustic ports 1 and 2 exchanged."""
        order = [1, 0, *range(2, self.matrix.shape[-1])]
        return PMatrix(self.frequency, self.matrix[:, order][:, :, order])

    def connected(self, incidence: ArrayLike) -> PMatrix:
        """Connect electrical ports in parallel: V = T V', I' = T^T I.

        ``incidence`` T is (E, E'): T[i, j] is +1 where port i hangs on the new port j, -1 where
        it hangs there with its poles exchanged, 0 elsewhere. A row of zeros is a shorted port.
        """
        T = np.asarray(incidence, dtype=float)
        ports = self.electrical_ports
        if T.ndim != 2 or T.shape[0] != ports:
            raise InputError(key="incidence", found=f"shape {T.shape}", expected=f"({ports}, E')")
        full = np.zeros((2 + ports, 2 + T.shape[1]))
        full[:2, :2] = np.eye(2)
        full[2:, 2:] = T
        return PMatrix(self.frequency, full.T @ self.matrix @ full)

    def loaded(self, port: int, admittance: ArrayLike) -> PMatrix:
        """Hang a passive admittance (scalar or (F,), siemens) on electrical port ``port`` (from 0).

        I = -Y_L V there, so V = -(P_ea a + ...)/(P_ee + Y_L) and the port disappears.
        """
        ports = self.electrical_ports
        if not 0 <= port < ports:
            raise InputError(key="port", found=str(port), expected=f"0 to {ports - 1}")
        row = 2 + port
        kept = [i for i in range(2 + ports) if i != row]
        denominator = self.matrix[:, row, row] + np.asarray(admittance)
        column = self.matrix[:, kept, row]
        line = self.matrix[:, row, kept] / denominator[:, None]
        direct = self.matrix[:, kept][:, :, kept]
        return PMatrix(self.frequency, direct - column[:, :, None] * line[:, None, :])

    def _scaled(self) -> ComplexArray:
        """P with voltages in units of 1/sqrt(|P_ee|), which makes every block O(1), (F, n, n)."""
        unit = np.ones(self.matrix.shape[:2])
        size = np.abs(np.einsum("fii->fi", self.admittance))
        unit[:, 2:] = 1.0 / np.sqrt(np.where(size > 0.0, size, 1.0))
        return unit[:, :, None] * self.matrix * unit[:, None, :]

    def reciprocity_error(self) -> float:
        """Largest violation of P12 = P21, P3i = -2 Pi3, P_ee = P_ee^T; dimensionless.

        Voltages are measured in units of 1/sqrt(|P_ee|), so that every entry is of order one.
        """
        balanced = self._scaled()
        balanced[:, 2:, :2] /= -2.0
        return float(np.max(np.abs(balanced - balanced.transpose(0, 2, 1))))

    def power_matrix(self) -> ComplexArray:
        """Q, (F, 2 + E, 2 + E) Hermitian: x^H Q x = |a|^2 - |b|^2 + Re(V^H I) of x = (a, V).

        Twice the power lost inside, voltages in units of 1/sqrt(|P_ee|): zero without losses,
        positive semidefinite for a passive section.
        """
        P = self._scaled()
        waves, currents = P[:, :2], P[:, 2:]
        Q = -waves.conj().transpose(0, 2, 1) @ waves
        Q[:, [0, 1], [0, 1]] += 1.0
        Q[:, 2:, :] += 0.5 * currents
        Q[:, :, 2:] += 0.5 * currents.conj().transpose(0, 2, 1)
        return np.asarray(Q)

    def power_error(self) -> float:
        """Largest entry of the power matrix in magnitude: zero for a section without losses."""
        return float(np.max(np.abs(self.power_matrix())))

    def least_loss(self) -> float:
        """Smallest eigenvalue of the power matrix: negative means that power is made."""
        return float(np.min(np.linalg.eigvalsh(self.power_matrix())))


def delay(
    length: float | FloatArray,
    velocity: float | FloatArray,
    frequency: ArrayLike,
    *,
    attenuation: float | FloatArray = 0.0,
) -> PMatrix:
    """A free stretch of surface: P12 = P21 = exp(-(j w/v + alpha) length), nothing else.

    Parameters
    ----------
    length : m. A negative length moves the reference planes over each other, which a gap shorter
        than half a pitch on either side needs.
    velocity : m/s.
    attenuation : alpha in Np/m.

    Any of the three may be (F,), one for each frequency.
    """
    if not np.all(np.asarray(velocity) > 0.0):
        found = float(np.min(velocity))
        raise InputError(key="velocity", found=f"{found:g} m/s", expected="more than 0")
    f = as_frequencies(frequency)
    matrix = np.zeros((f.size, 2, 2), dtype=complex)
    matrix[:, 0, 1] = np.exp(-(2j * np.pi * f / velocity + attenuation) * length)
    matrix[:, 1, 0] = matrix[:, 0, 1]
    return PMatrix(f, matrix)


def _star(left: PMatrix, right: PMatrix) -> PMatrix:
    """Join port 2 of ``left`` to port 1 of ``right`` (Redheffer's star product, 1959).

    With y running from left to right across the joint and x back,
        y = A21 a1 + A2V VA + A22 x,   x = B11 y + B12 a2 + B1V VB,
    both are rows over the free inputs (a1, a2, VA, VB), divided by 1 - A22 B11.
    """
    if left.frequency.shape != right.frequency.shape or np.any(left.frequency != right.frequency):
        raise InputError(key="cascade", found="other frequencies", expected="one frequency axis")
    A, B = left.matrix, right.matrix
    EA, EB = left.electrical_ports, right.electrical_ports
    size = 2 + EA + EB
    of_a = np.array([0, *range(2, 2 + EA)])  # a1, VA: all of A but its joint, in A and in the whole
    of_b = np.array([1, *range(2 + EA, size)])  # a2, VB in the whole
    in_b = np.array([1, *range(2, 2 + EB)])  # the same, in B

    into_right = np.zeros((left.frequency.size, size), dtype=complex)
    into_left = np.zeros_like(into_right)
    into_right[:, of_a] = A[:, 1, of_a]
    into_left[:, of_b] = B[:, 0, in_b]
    rounds = (1.0 - A[:, 1, 1] * B[:, 0, 0])[:, None]
    y = (into_right + A[:, 1, 1, None] * into_left) / rounds
    x = (into_left + B[:, 0, 0, None] * into_right) / rounds

    joined = np.zeros((left.frequency.size, size, size), dtype=complex)
    joined[:, of_a[:, None], of_a] = A[:, of_a[:, None], of_a]
    joined[:, of_b[:, None], of_b] = B[:, in_b[:, None], in_b]
    joined[:, of_a] += A[:, of_a, 1, None] * x[:, None, :]
    joined[:, of_b] += B[:, in_b, 0, None] * y[:, None, :]
    return PMatrix(left.frequency, joined)


def cascade(sections: Iterable[PMatrix]) -> PMatrix:
    """Sections side by side, first on the left; electrical ports stay separate, in that order.

    Use ``connected`` afterwards to put ports in parallel. Raises InputError when there is no
    section or when the frequencies differ.
    """
    parts = list(sections)
    if not parts:
        raise InputError(key="cascade", found="no section", expected="at least one")
    total = parts[0]
    for part in parts[1:]:
        total = _star(total, part)
    return total
