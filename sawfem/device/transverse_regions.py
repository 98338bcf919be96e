"""Regions across a resonator and the oblique dispersion of the wave in each.

At a fixed wavenumber k1 along x1 the frequency of a wave is an even function of the wavenumber k2
along the electrodes, f = f(k2^2) (that of a standing wave always is; a beam that steers has an odd
part, which averages out between its two directions). A guide asks for the inverse,

    k2^2 = b1 (f - f0) + b2 (f - f0)^2 + ...,     f0 = f(0), the cut-off,   D = df/d(k2^2) = 1/b1.

For a medium of one velocity v, k2^2 = (2 pi f/v)^2 - k1^2, this ends with b2: it is exact. From
computed points it is the polynomial through them, used for k2^2 < 0 (waves that decay) as well;
beyond what the points reach, or where it would turn back, it goes on along its last slope.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sawfem.errors import GeometryError, InputError

Array = NDArray[np.float64]

#: Share of the slope at the cut-off down to which a polynomial is followed.
_LEAST_SLOPE = 0.2
_CHECKED = 401


@dataclass(frozen=True)
class RegionDispersion:
    """k2^2(f) of the wave of one region at the wavenumber k1 of the grating.

    Attributes
    ----------
    cutoff : f0, Hz, frequency of the wave that runs straight along x1.
    coefficients : b1, b2, ... in rad^2/m^2 per Hz, Hz^2, ...; b1 is not zero.
    reach : (low, high), Hz, where the polynomial is used.

    Raises
    ------
    InputError : numbers of no dispersion.
    """

    cutoff: float
    coefficients: tuple[float, ...]
    reach: tuple[float, float]

    def __post_init__(self) -> None:
        numbers = np.array([self.cutoff, *self.coefficients])
        good = bool(self.coefficients) and np.all(np.isfinite(numbers)) and self.cutoff > 0.0
        low, high = self.reach
        if not good or self.coefficients[0] == 0.0 or not low <= self.cutoff <= high:
            raise InputError(
                key="dispersion",
                found=f"cut-off {self.cutoff!r} Hz with {self.coefficients!r}",
                expected="finite numbers, a frequency above 0 and a slope that is not zero",
            )

    @classmethod
    def parabolic(cls, cutoff: float, slope: float) -> RegionDispersion:
        """A parabola, f = cutoff + slope k2^2; slope D in Hz m^2."""
        if slope == 0.0:
            raise InputError(key="slope", found="0", expected="a frequency that varies with k2")
        return cls(cutoff, (1.0 / slope,), (-np.inf, np.inf))

    @classmethod
    def isotropic(cls, velocity: float, wavenumber: float) -> RegionDispersion:
        """One velocity v, m/s: f = v sqrt(k1^2 + k2^2)/(2 pi), k1 in rad/m; exact."""
        if not (velocity > 0.0 and wavenumber > 0.0):
            raise InputError(
                key="velocity", found=f"{velocity!r} m/s", expected="more than 0, k1 too"
            )
        per_hertz = (2.0 * np.pi / velocity) ** 2
        cutoff = velocity * wavenumber / (2.0 * np.pi)
        return cls(cutoff, (2.0 * per_hertz * cutoff, per_hertz), (0.0, np.inf))

    @classmethod
    def from_points(cls, transverse: ArrayLike, frequency: ArrayLike) -> RegionDispersion:
        """Through points: k2 in rad/m, (m,), not negative, zero first and rising; f in Hz.

        Raises InputError for points that are none, or whose frequency does not move one way.
        """
        k2, f = np.asarray(transverse, dtype=float), np.asarray(frequency, dtype=float)
        shaped = k2.ndim == 1 and k2.shape == f.shape and k2.size >= 2
        finite = shaped and bool(np.all(np.isfinite(k2)) and np.all(np.isfinite(f)))
        if not finite or k2[0] != 0.0 or np.any(np.diff(k2) <= 0.0):
            raise InputError(
                key="transverse", found="no such points", expected="k2 = 0 and rising, with f(k2)"
            )
        steps = np.diff(f)
        if not (np.all(steps > 0.0) or np.all(steps < 0.0)):
            raise InputError(
                key="frequency",
                found="a frequency that turns back within the points",
                expected="a smaller reach of k2, over which it rises or falls throughout",
            )
        span = f[-1] - f[0]
        x = (f[1:] - f[0]) / span
        series = np.linalg.solve(x[:, None] ** np.arange(1, f.size), k2[1:] ** 2)
        if series[0] <= 0.0:
            raise InputError(
                key="frequency",
                found="a curvature at k2 = 0 against that of the points",
                expected="a smaller reach of k2",
            )
        low, high = _followed(series)
        ends = sorted((f[0] + low * span, f[0] + high * span))
        coefficients = tuple(float(b / span**n) for n, b in enumerate(series, start=1))
        return cls(float(f[0]), coefficients, (float(ends[0]), float(ends[1])))

    @property
    def slope(self) -> float:
        """D = df/d(k2^2) at k2 = 0, Hz m^2; half the curvature d^2f/dk2^2."""
        return 1.0 / self.coefficients[0]

    def anisotropy(self, wavenumber: float) -> float:
        """Anisotropy g of a beam, f ~ f0 (1 + (1 + g) k2^2/(2 k1^2)): -1 does not spread.

        That is the anisotropy of sawfem/planewave/beam.py where v does not depend on frequency.
        """
        return 2.0 * self.slope * wavenumber**2 / self.cutoff - 1.0

    def transverse_squared(self, frequency: ArrayLike) -> Array:
        """k2^2 in rad^2/m^2 at frequencies in Hz, of their shape; negative where it decays."""
        f = np.asarray(frequency, dtype=float)
        inside = np.clip(f, *self.reach)
        x, beyond = inside - self.cutoff, f - inside
        value, slope = np.zeros_like(x), np.zeros_like(x)
        for n in range(len(self.coefficients), 0, -1):
            slope = slope * x + n * self.coefficients[n - 1]
            value = value * x + self.coefficients[n - 1]
        return np.asarray(value * x + beyond * slope)

    def mixed(self, other: RegionDispersion, share: float) -> RegionDispersion:
        """(1 - share) of this one and ``share`` of another, at equal k2: f = sum of the shares.

        To first order in what strips do to a surface, half of the strips do half of it. The
        inverse is taken to the third order at k2 = 0.
        """
        mine, its = _direct(self), _direct(other)
        a1, a2, a3 = (1.0 - share) * mine + share * its
        cutoff = (1.0 - share) * self.cutoff + share * other.cutoff
        b1 = 1.0 / a1
        coefficients = (b1, -a2 * b1**3, (2.0 * a2**2 - a1 * a3) * b1**5)
        spans = [np.array(d.reach) - d.cutoff for d in (self, other)]
        least = np.where(np.abs(spans[0]) < np.abs(spans[1]), spans[0], spans[1])
        scale = float(np.max(np.abs(least[np.isfinite(least)]), initial=0.0)) or 0.1 * cutoff
        series = np.array([b * scale**n for n, b in enumerate(coefficients, start=1)])
        low, high = _followed(series * np.sign(series[0]))
        reach = max(low * scale, least[0]), min(high * scale, least[1])
        return RegionDispersion(
            float(cutoff), tuple(map(float, coefficients)), (cutoff + reach[0], cutoff + reach[1])
        )


@dataclass(frozen=True)
class TransverseRegion:
    """A region of finite width beside the overlap.

    Attributes
    ----------
    name : "end gap", "dummy fingers", "bus-bar". width : m. dispersion : of its wave.
    """

    name: str
    width: float
    dispersion: RegionDispersion

    def __post_init__(self) -> None:
        if not (np.isfinite(self.width) and self.width > 0.0):
            raise GeometryError(
                key="width", found=f"{self.width!r} m", expected="more than 0, finite"
            )


def _followed(series: Sequence[float] | Array) -> tuple[float, float]:
    """Ends of -1 <= x <= 1 about zero where sum b_n x^n keeps a fair share of its first slope."""
    x = np.linspace(-1.0, 1.0, _CHECKED)
    slope = sum(n * b * x ** (n - 1) for n, b in enumerate(series, start=1))
    bad = np.flatnonzero(np.asarray(slope) < _LEAST_SLOPE * series[0])
    below, above = bad[x[bad] < 0.0], bad[x[bad] > 0.0]
    low = x[below[-1] + 1] if below.size else -1.0
    high = x[above[0] - 1] if above.size else 1.0
    return float(low), float(high)


def _direct(dispersion: RegionDispersion) -> Array:
    """a1, a2, a3 of f = f0 + a1 q + a2 q^2 + a3 q^3: the inverted series."""
    b1, b2, b3 = (*dispersion.coefficients, 0.0, 0.0)[:3]
    return np.array([1.0 / b1, -b2 / b1**3, (2.0 * b2**2 - b1 * b3) / b1**5])
