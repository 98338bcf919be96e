"""What becomes of a beam that passes a track more than once.

One passage from transducer to transducer costs the factor D (:mod:`.diffraction`). Three do not
simply cost D of the threefold distance, nor D cubed; which of the two is nearer depends on what
turned the wave back.

Take an aperture W at each end of a distance d, and functions across it that are orthonormal,

    phi_n(y) = sqrt((2 n + 1)/W) P_n(2 y/W)    on |y| < W/2, zero elsewhere.

The field that arrives at B of what left A is, with the plane surface waves of
:mod:`.angular_spectrum` and k1 = k + delta(k2),

    K_nm = (1/2 pi) int conj(F_n) F_m exp(-j delta d) dk2,   F_n(k2) = int phi_n exp(j k2 y) dy,
    F_n = sqrt((2 n + 1) W) j^n j_n(k2 W/2) exp(j k2 y_A)    (j_n the spherical Bessel function)

and K_00 is the factor of two lines at that distance. Backwards, k1 = -k - delta(-k2), because a
slowness curve is symmetric about its centre; with k2 -> -k2 this is the transposed matrix: a beam
that walked aside on a steering cut walks back, and the track is reciprocal.

* A transducer that answers the field by its voltage (the load's or the source's) sees the mean
  over its aperture, phi_0, and drives phi_0 again, whatever came. Each passage of such an echo
  costs D on its own: three of them D^3 exactly. This regeneration needs nothing from here, since
  it is made outside of the admittances, by what ends the ports.
* Electrodes that reflect a wave turn its front round as it is, but only the part that lies under
  them. Three passages then cost (K K^T K)_00. Were the mirrors wider than the beam, that would be
  D(3 d), or D(2 d') of an odd way on a steering cut; mirrors as wide as the source cut off on each
  passage what spread beyond them, and what is cut off does not come back by diffraction.

So every reflection of a row multiplies all phi_n alike, only phi_0 meets the ports, and each space
is K instead of one: a cascade of matrices (:func:`spread_admittance`), all orders of echoes in it.

Approximated: mirrors and transducers are lines, a transducer at its middle, a reflector at the
depth tanh(kappa L)/(2 kappa) of its Bragg reflection (the group delay of a uniform one; L/2 of a
weak one); a single passage takes D of the true overlaps instead, D_ij for what goes directly from
port i to j and D_ij/K_00 on what goes the same way and back. Elements that stand closer than a
wavelength are one: under them the electrodes guide the wave (its transverse modes), and nothing
spreads between them here. A wave that passes under an element is cut to its aperture, except for
the single passage. Apodised rows are strips of their own and keep the factor of one passage.

Resonators of plane mirrors by diffraction from strip to strip: Fox & Li, Bell Syst. Tech. J. 40,
453 (1961); the integral of a Legendre polynomial: Abramowitz & Stegun 10.1.14 (both from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.special import spherical_jn

from sawfem.device.angular_spectrum import spectrum
from sawfem.device.pmatrix import ComplexArray, FloatArray, PMatrix
from sawfem.errors import InputError
from sawfem.planewave.slowness_curve import SlownessCurve

#: Functions across the aperture: FEWEST + MORE sqrt(W^2/(wavelength d)), at most MOST.
FEWEST, MORE, MOST = 6, 2.5, 40
#: Numbers of one matrix that are handled at once.
TOGETHER = 2_000_000


@dataclass(frozen=True)
class Way:
    """From one mirror or transducer to the next one behind a space: m.

    ``distance`` between their lines, ``aperture`` of both, ``aside`` : by how much the second lies
    further along y than the first.
    """

    distance: float
    aperture: float
    aside: float = 0.0

    def __post_init__(self) -> None:
        if not (self.distance > 0.0 and self.aperture > 0.0):
            raise InputError(
                key="gap",
                found=f"{self.distance:g} m between apertures of {self.aperture:g} m",
                expected="positive lengths",
            )


def functions(way: Way, wavelength: float) -> int:
    """How many functions across the aperture tell what passes more than once."""
    fresnel = way.aperture**2 / (wavelength * way.distance)
    return min(MOST, FEWEST + math.ceil(MORE * math.sqrt(fresnel)))


def passage(curve: SlownessCurve, frequency: float, way: Way, count: int) -> ComplexArray:
    """K (count, count) of one way at one frequency, Hz; without the phase k d."""
    W, d = way.aperture, way.distance
    waves = spectrum(curve, frequency, d, W + abs(way.aside), gap=d)
    kappa = 0.5 * W * waves.k2
    n = np.arange(count)
    bessel = np.array([spherical_jn(int(order), np.abs(kappa)) for order in n])
    bessel *= np.where(kappa < 0.0, (-1.0) ** n[:, None], 1.0)
    F = np.sqrt((2.0 * n + 1.0) * W)[:, None] * (1j**n)[:, None] * bessel
    carried = waves.weight * np.exp(-1j * (waves.excess * d + waves.k2 * way.aside))
    return np.asarray((F.conj() * carried) @ F.T)


@dataclass(frozen=True, eq=False)
class Passages:
    """The ways of one track over frequency.

    Attributes
    ----------
    frequency : (n,) Hz, increasing, four or more.
    ways : of each space between groups of elements, from the left, (n, N, N).
    """

    frequency: FloatArray
    ways: tuple[ComplexArray, ...]

    @classmethod
    def along(cls, curve: SlownessCurve, frequency: FloatArray, ways: Sequence[Way]) -> Passages:
        """All ways of a track; every one with as many functions as the shortest needs."""
        middle = float(np.mean(frequency))
        wavelength = float(curve.at(0.0)[0]) / middle
        count = max(functions(way, wavelength) for way in ways)
        found = [
            np.array([passage(curve, float(f), way, count) for f in frequency]) for way in ways
        ]
        return cls(np.asarray(frequency, dtype=float), tuple(found))

    @property
    def count(self) -> int:
        """Functions across the aperture, N."""
        return int(self.ways[0].shape[-1])

    def at(self, frequency: FloatArray) -> list[ComplexArray]:
        """K (F, N, N) of every way at frequencies (F,), Hz: splines; at the ends it stays."""
        near = np.clip(frequency, self.frequency[0], self.frequency[-1])
        return [np.asarray(CubicSpline(self.frequency, way)(near)) for way in self.ways]

    def straight(self, frequency: FloatArray) -> ComplexArray:
        """(F, G, G): K_00 of what passes from group to group once, cut to the apertures between."""
        ways = self.at(frequency)
        found = np.ones((len(frequency), len(ways) + 1, len(ways) + 1), dtype=complex)
        for first in range(len(ways)):
            field = ways[first][:, :, 0]
            for last in range(first, len(ways)):
                if last > first:
                    field = np.einsum("fnm,fm->fn", ways[last], field)
                found[:, first, last + 1] = found[:, last + 1, first] = field[:, 0]
        return found

    def admittance(
        self, groups: Sequence[PMatrix], spaces: Sequence[ComplexArray], at: FloatArray
    ) -> ComplexArray:
        """:func:`spread_admittance` with the ways as they are at frequencies ``at`` (F,), Hz."""
        return spread_admittance(groups, spaces, self.at(at))

    def echo(self, way: int, frequency: float, times: int = 3) -> complex:
        """What is left of a wave that passes one way ``times`` over, turned round in between."""
        K = self.at(np.array([frequency]))[way][0]
        field = K[:, 0]
        for number in range(1, times):
            field = (K.T if number % 2 else K) @ field
        return complex(field[0])


def spread_admittance(
    groups: Sequence[PMatrix], spaces: Sequence[ComplexArray], ways: Sequence[ComplexArray]
) -> ComplexArray:
    """Y (F, E, E) of groups of elements with spaces between them in which beams spread.

    Parameters
    ----------
    groups : P-matrices from the left, all with the same E electrical ports (in parallel).
    spaces : transmission of each space, (F,), as of a beam that does not spread.
    ways : K of each space, (F, N, N).

    Nothing comes in at the ends. With the wave y that arrives at a group B of what the row A to
    its left makes of voltages V and of what B sends back, W = t K,

        y = R (B11 y + e0 B1V V) + W A2V V,   R = W A22 W^T,
        A2V <- B21 y/V + e0 B2V,   A22 <- B22 + B21 (1 - R B11)^-1 R B12,   A_V2 = -2 A_2V^T.
    """
    F = groups[0].frequency.size
    chunk = max(1, TOGETHER // ways[0].shape[-1] ** 2)
    parts = []
    for start in range(0, F, chunk):
        at = slice(start, start + chunk)
        matrices = [group.matrix[at] for group in groups]
        carried = [t[at, None, None] * K[at] for t, K in zip(spaces, ways, strict=True)]
        parts.append(_joined(matrices, carried))
    return np.concatenate(parts)


def _joined(groups: list[ComplexArray], ways: list[ComplexArray]) -> ComplexArray:
    """Y of a part of the frequencies."""
    N = ways[0].shape[-1]
    one = np.eye(N)
    first = groups[0]
    y, ports = first[:, 2:, 2:].copy(), first.shape[-1] - 2
    back = first[:, 1, 1, None, None] * one
    driven = np.zeros((len(first), N, ports), dtype=complex)
    driven[:, 0] = first[:, 1, 2:]
    for number, (B, W) in enumerate(zip(groups[1:], ways, strict=True)):
        turned = W.swapaxes(1, 2)
        R = W @ back @ turned
        B11, B12, B22 = (B[:, i, j, None, None] for i, j in ((0, 0), (0, 1), (1, 1)))
        own = np.zeros_like(driven)
        own[:, 0] = B[:, 0, 2:]
        right = R @ own + W @ driven
        last = number == len(ways) - 1
        sides = right if last else np.concatenate([right, R * B12], axis=2)
        solved = np.linalg.solve(one - R * B11, sides)
        arrived = solved[:, :, :ports]
        left = turned @ (B11 * arrived + own)
        y += B[:, 2:, 2:] - 2.0 * driven.swapaxes(1, 2) @ left
        y += B[:, 2:, 0, None] * arrived[:, 0, None, :]
        driven = B12 * arrived
        driven[:, 0] += B[:, 1, 2:]
        if not last:
            back = B22 * one + B12 * solved[:, :, ports:]
    return y
