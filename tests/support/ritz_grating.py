"""A grating of metal strips without a mesh: polynomials in the strip, harmonics in the substrate.

The strip, a trapezium of isotropic metal, takes Legendre polynomials in both directions (Ritz). At
its foot it meets the substrate by tractions t(x), and the foot carries a charge s(x); both are sums
of T_m(2x/w)/sqrt(1 - (2x/w)^2), whose space harmonics are Bessel functions:

    B_nm = (1/p) int exp(+j k_n x) T_m/sqrt(...) dx = (pi w/2p) j^m J_m(k_n w/2).

Each harmonic of the substrate answers (t, s) by its exact surface admittance Y, with the vacuum
eps0 |k| above it. Equal displacements at the foot and one potential there, both weighted with the
same functions, make a matrix of some forty rows (the moments of Blotekjaer, Ingebrigtsen, Skeie,
IEEE Trans. Electron Devices ED-20, 1133 (1973), with mechanical tractions beside the charge; from
memory). Of sawfem it takes Y alone: no element, no reduced model, no search of the unit cell.

Left out: the electric field beside the strip and above its foot, whose charge the unit cell has.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.polynomial import legendre
from numpy.typing import NDArray
from scipy.linalg import eigvals
from scipy.special import jv

from sawfem.conventions import CHARGE, EPSILON_0, FIELD, STRESS
from sawfem.design import Stack
from sawfem.planewave.admittance import SurfaceAdmittance

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]


def strip_matrices(
    sizes: tuple[float, float, float],
    metal: tuple[float, float, float],
    degrees: tuple[int, int],
) -> tuple[Array, Array]:
    """Stiffness and mass of (u1, u2, u3) in a strip, fields independent of x2.

    Parameters
    ----------
    sizes : height, width at the foot, cotangent of the side walls.
    metal : first Lame constant, shear modulus, Pa; density.
    degrees : polynomials across and up.
    """
    height, width, cotangent = sizes
    lame, shear, density = metal
    across, weights_across = legendre.leggauss(degrees[0] + 6)
    up, weights_up = legendre.leggauss(degrees[1] + 6)
    # x = s a(z), z = (1 + t) h/2, with the half width a(z) = w/2 - z cot.
    s, t = np.meshgrid(across, up, indexing="ij")
    half = 0.5 * width - 0.5 * (1.0 + t) * height * cotangent
    area = half * 0.5 * height * np.outer(weights_across, weights_up)
    values = [legendre.legvander(x, n - 1) for x, n in zip((across, up), degrees, strict=True)]
    slopes = [
        legendre.legval(x, legendre.legder(np.eye(n))).T
        for x, n in zip((across, up), degrees, strict=True)
    ]

    def product(one: Array, other: Array) -> Array:
        return np.einsum("ip,jq->ijpq", one, other).reshape(*s.shape, -1)

    shape, by_s, by_t = (
        product(a, b)
        for a, b in ((values[0], values[1]), (slopes[0], values[1]), (values[0], slopes[1]))
    )
    dx = by_s / half[..., None]
    dz = by_t * 2.0 / height + (s * cotangent / half)[..., None] * by_s

    def integral(one: Array, other: Array) -> Array:
        return np.asarray(np.einsum("ij,ijp,ijq->pq", area, one, other, optimize=True))

    xx, zz, xz = integral(dx, dx), integral(dz, dz), integral(dx, dz)
    none = np.zeros_like(xx)
    stiffness = np.block(
        [
            [(lame + 2.0 * shear) * xx + shear * zz, none, lame * xz + shear * xz.T],
            [none, shear * (xx + zz), none],
            [lame * xz.T + shear * xz, none, (lame + 2.0 * shear) * zz + shear * xx],
        ]
    )
    return stiffness, np.kron(np.eye(3), density * integral(shape, shape))


def null_frequency(matrix: Callable[[float], Complex], start: float) -> complex:
    """Complex f nearest to ``start`` at which A(f) is singular: A x = -df A' x at f = Re f."""
    f = start
    for _ in range(10):
        step = 1e-5 * f
        slope = (matrix(f + step) - matrix(f - step)) / (2.0 * step)
        inverse = eigvals(np.linalg.solve(matrix(f), slope))
        df = -1.0 / inverse[np.argmax(np.abs(inverse))]
        if abs(df.real) < 1e-7 * f:
            return complex(f + df)
        f += df.real
    raise AssertionError(f"no edge near {start:.6g} Hz")


class RitzGrating:
    """Edges at the Bragg condition of strips symmetric about x1 = 0 on a symmetric cut.

    Parameters
    ----------
    stack : the substrate; a mirror plane x1 -> -x1 is taken for granted.
    pitch, height, ratio, wall : metres; ratio at the foot; degrees.
    metal : Young's modulus Pa, Poisson's ratio, kg/m^3.
    pairs : of space harmonics. functions : of each traction and of the charge.
    degrees : polynomials across and up the strip.
    """

    def __init__(
        self,
        stack: Stack,
        pitch: float,
        height: float,
        ratio: float,
        wall: float,
        metal: tuple[float, float, float],
        *,
        pairs: int = 32,
        functions: int = 8,
        degrees: tuple[int, int] = (9, 5),
    ) -> None:
        self.admittance = SurfaceAdmittance(*stack.media())
        self.pitch, self.functions = pitch, functions
        self.k = np.pi / pitch * (2.0 * np.arange(-pairs, pairs) + 1.0)
        width = ratio * pitch
        young, poisson, density = metal
        shear = 0.5 * young / (1.0 + poisson)
        lame = 2.0 * shear * poisson / (1.0 - 2.0 * poisson)
        cotangent = 1.0 / np.tan(np.radians(wall))
        self.stiffness, self.mass = strip_matrices(
            (height, width, cotangent), (lame, shear, density), degrees
        )
        m = np.arange(functions)
        self.harmonics = 0.5 * np.pi * ratio * 1j**m * jv(m[None, :], 0.5 * width * self.k[:, None])
        # int L_p T_m/sqrt(1 - s^2), exact by Gauss-Chebyshev; L_q(-1) = (-1)^q at the foot.
        angle = (np.arange(64) + 0.5) * np.pi / 64
        across = legendre.legvander(np.cos(angle), degrees[0] - 1)
        moments = 0.5 * width * np.pi / 64 * across.T @ np.cos(angle[:, None] * m)
        foot = (-1.0) ** np.arange(degrees[1])
        self.foot = np.kron(np.eye(3), np.einsum("pm,q->pqm", moments, foot).reshape(-1, functions))
        # u2, u3 and the potential are even about the strip's centre, u1 is odd.
        even, odd = m[::2], m[1::2]
        parts = (odd, functions + even, 2 * functions + even, 3 * functions + even)
        self.shorted_rows = np.concatenate(parts)

    def matrix(self, frequency: float, *, floating: bool) -> Complex:
        """The moments; its null vectors are standing waves."""
        omega = 2.0 * np.pi * frequency
        answer = self.admittance.scaled(np.full(self.k.size, omega), self.k)
        answer[:, 3, 3] -= EPSILON_0 * FIELD / CHARGE * np.abs(self.k)
        answer = np.linalg.inv(answer)  # (u, phi) of (t, -s)
        answer[:, :, 3] *= -1.0
        rows = 4 * self.functions
        b = self.harmonics
        total = self.pitch * np.einsum(
            "nm,nij,nl->imjl", b.conj(), answer, b, optimize=True
        ).reshape(rows, rows)
        strip = np.linalg.solve(self.stiffness - omega**2 * self.mass, self.foot)
        total[: rows - self.functions, : rows - self.functions] += STRESS * self.foot.T @ strip
        keep = self.shorted_rows
        if floating:  # no net charge, and any potential
            keep = keep[keep != 3 * self.functions]
        return np.asarray(total[np.ix_(keep, keep)] / self.pitch)

    def edge(self, start: float, *, floating: bool = False) -> complex:
        """Complex frequency of the edge nearest to ``start``."""
        return null_frequency(lambda f: self.matrix(f, floating=floating), start)
