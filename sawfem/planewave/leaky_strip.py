"""The surface determinant between two branch points, on one sheet of complex wavenumbers.

Between consecutive branch points of the substrate the same partial waves run and the same decay
at every real k. The determinant of the surface matrix is continued from there to complex k. The
continuation is steered: with t in [0, 1] a place on the strip's stretch of real k, and b = -Im k,

    k = k_t + f b (2 t - 1) - j b,

so that with f = 1 the ends of the strip fan out by 45 degrees and a root that has moved across a
branch point by less than its own loss is still seen: it lies on the sheet that is continued past
that branch point, the second one that matters physically. The half-space itself is continued by
:mod:`.sheet`.
"""

from __future__ import annotations

import numpy as np

from sawfem.planewave.admittance import SurfaceAdmittance
from sawfem.planewave.counting import closed, elimination
from sawfem.planewave.generalised import Array, ComplexArray
from sawfem.planewave.sheet import Sheet


class Strip:
    """log det of the surface of one family of components, for omega / k between two velocities.

    Parameters
    ----------
    admittance : of the stack, restricted to the family. omega : rad/s.
    slow, fast : branch points at the ends, m/s. fan : f above, 1 or 0.

    Attributes
    ----------
    sheet : the substrate's impedance on this sheet.
    """

    def __init__(
        self,
        admittance: SurfaceAdmittance,
        omega: float,
        slow: float,
        fast: float,
        fan: float = 1.0,
    ) -> None:
        self.admittance, self.omega = admittance, omega
        self.slow, self.fast, self.fan = slow, fast, fan
        self.least, self.largest = omega / fast, omega / slow
        self.sheet = Sheet(admittance.tensors[0], slow, fast)

    def wavenumber(self, angle: Array, loss: Array) -> ComplexArray:
        """K of coordinates: angle 0 (fast end) to pi (slow end), and loss -Im k / k_t."""
        t = 0.5 - 0.5 * np.cos(angle)
        start = self.least + t * (self.largest - self.least)
        fall = loss * start
        return np.asarray(start + self.fan * fall * (2.0 * t - 1.0) - 1j * fall)

    def place(self, k: ComplexArray) -> Array:
        """The t of k."""
        width, spread = self.largest - self.least, -self.fan * k.imag
        return np.asarray((k.real - self.least + spread) / (width + 2.0 * spread))

    def matrices(self, k: ComplexArray) -> tuple[ComplexArray, ComplexArray]:
        """Y over k at the surface (m, n, n), and the factor (m,) by which its poles are removed,
        as log |f| + j arg f: the determinants of all buried interfaces.
        """
        # The slabs of a layer are counted at the smallest Re k; a fixed one keeps their number.
        k = np.append(k, 0.9 * self.least)
        y = np.zeros((k.size, self.sheet.tensor.size, self.sheet.tensor.size), dtype=complex)
        y[:-1] = 1j * self.sheet.impedance(k[:-1] / self.omega)
        factor = np.zeros(k.size, dtype=complex)
        if self.admittance.tensors[1]:
            omega = np.full(k.size, self.omega)
            for pivot, above in elimination(self.admittance, omega, k, y, radiating=True):
                factor += _logarithm(pivot)
                y = above
        if len(self.admittance.tensors[1]) in self.admittance.shorts:
            moving = self.admittance.tensors[0].moving
            y = y[:, :moving, :moving]
        return y[:-1], factor[:-1]

    def surface(self, k: complex, *, metallised: bool) -> ComplexArray:
        """Surface matrix at one k; singular where there is a wave."""
        y, _ = self.matrices(np.array([k]))
        return np.asarray(closed(self.admittance, y, metallised=metallised)[0])

    def logarithms(self, k: ComplexArray) -> ComplexArray:
        """Log det (m, 2) of the free and the metallised surface; arg modulo 2 pi."""
        y, factor = self.matrices(k)
        columns = [
            factor + _logarithm(closed(self.admittance, y, metallised=metal))
            for metal in (False, True)
        ]
        return np.stack(columns, axis=1)


def _logarithm(matrix: ComplexArray) -> ComplexArray:
    sign, size = np.linalg.slogdet(matrix)
    with np.errstate(divide="ignore"):
        return np.asarray(size + 1j * np.angle(sign))
