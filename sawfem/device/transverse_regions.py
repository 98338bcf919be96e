"""Regions across a resonator and the oblique dispersion of the wave in each.

At a fixed wavenumber k1 along x1 the frequency of a wave is an even function of the wavenumber k2
along the electrodes (that of a standing wave always is; a wave that steers has an odd part, which
its two directions average out). A guide asks for the inverse,

    k2^2 = b1 y + b2 y^2 + ...,   y = f^2 - f0^2,   f0 = f(k2 = 0), the cut-off,
    A = d f^2/d(k2^2) = 1/b1 at k2 = 0.

For a medium of one velocity v, f^2 = v^2 (k1^2 + k2^2)/(2 pi)^2, it ends with b1: A = (v/2 pi)^2.
From computed points, of waves that run (k2^2 > 0) or decay (k2^2 < 0) across, it is the polynomial
through all of them; beyond them, or where it would turn back, it goes on along its last slope.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sawfem.errors import ConvergenceError, GeometryError, InputError

Array = NDArray[np.float64]

#: Share of the slope at the cut-off down to which a polynomial is followed.
_LEAST_SLOPE = 0.2
_CHECKED = 401
#: Points at which two dispersions are averaged.
_AVERAGED = 9


@dataclass(frozen=True)
class RegionDispersion:
    """k2^2(f) of the wave of one region at the wavenumber k1 of the grating.

    Attributes
    ----------
    cutoff : f0, Hz, frequency of the wave that runs straight along x1.
    coefficients : b1, b2, ... in rad^2/m^2 per Hz^2, Hz^4, ...; b1 is not zero.
    reach : (low, high) of y = f^2 - f0^2, Hz^2, where the polynomial is used; zero lies within.

    Raises
    ------
    InputError : numbers of no dispersion.
    """

    cutoff: float
    coefficients: tuple[float, ...]
    reach: tuple[float, float] = (-np.inf, np.inf)

    def __post_init__(self) -> None:
        numbers = np.array([self.cutoff, *self.coefficients])
        good = bool(self.coefficients) and np.all(np.isfinite(numbers)) and self.cutoff > 0.0
        low, high = self.reach
        if not good or self.coefficients[0] == 0.0 or not low <= 0.0 <= high:
            raise InputError(
                key="dispersion",
                found=f"cut-off {self.cutoff!r} Hz with {self.coefficients!r}",
                expected="finite numbers, a frequency above 0 and a slope that is not zero",
            )

    @classmethod
    def parabolic(cls, cutoff: float, slope: float) -> RegionDispersion:
        """Square of the frequency linear in that of k2: f^2 = cutoff^2 + slope k2^2, Hz^2 m^2."""
        if slope == 0.0:
            raise InputError(key="slope", found="0", expected="a frequency that varies with k2")
        return cls(cutoff, (1.0 / slope,))

    @classmethod
    def isotropic(cls, velocity: float, wavenumber: float) -> RegionDispersion:
        """One velocity, m/s, in all directions; ``wavenumber`` k1 in rad/m."""
        if not (velocity > 0.0 and wavenumber > 0.0):
            raise InputError(
                key="velocity", found=f"{velocity!r} m/s", expected="more than 0, k1 too"
            )
        per_wavenumber = velocity / (2.0 * np.pi)
        return cls.parabolic(per_wavenumber * wavenumber, per_wavenumber**2)

    @classmethod
    def from_points(cls, transverse_squared: ArrayLike, frequency: ArrayLike) -> RegionDispersion:
        """Through points: k2^2 in rad^2/m^2, (m,), rising, zero among them; f in Hz.

        Raises InputError for points that are none, or whose frequency does not move one way.
        """
        q = np.asarray(transverse_squared, dtype=float)
        f = np.asarray(frequency, dtype=float)
        shaped = q.ndim == 1 and q.shape == f.shape and q.size >= 2
        finite = shaped and bool(np.all(np.isfinite(q)) and np.all(np.isfinite(f)))
        if not finite or not np.any(q == 0.0) or np.any(np.diff(q) <= 0.0):
            raise InputError(
                key="transverse_squared",
                found="no such points",
                expected="rising k2^2 with k2 = 0 among them, and f of each",
            )
        steps = np.diff(f)
        if not (np.all(steps > 0.0) or np.all(steps < 0.0)):
            raise InputError(
                key="frequency",
                found="a frequency that turns back within the points",
                expected="a smaller reach of k2, over which it rises or falls throughout",
            )
        f0 = float(f[q == 0.0][0])
        y = (f - f0) * (f + f0)
        scale = float(np.max(np.abs(y)))
        kept = q != 0.0
        powers = np.arange(1, f.size)
        series = np.linalg.solve((y[kept] / scale)[:, None] ** powers, q[kept])
        sign = float(np.sign(steps[0]))
        if series[0] * sign <= 0.0:
            raise InputError(
                key="frequency",
                found="a slope at k2 = 0 against that of the points",
                expected="a smaller reach of k2",
            )
        ends = (float(y.min() / scale), float(y.max() / scale))
        low, high = _followed(sign * series, ends)
        coefficients = tuple(float(b / scale**n) for n, b in zip(powers, series, strict=True))
        return cls(f0, coefficients, (low * scale, high * scale))

    @property
    def slope(self) -> float:
        """A = d f^2/d(k2^2) at k2 = 0, Hz^2 m^2."""
        return 1.0 / self.coefficients[0]

    def anisotropy(self, wavenumber: float) -> float:
        """Anisotropy g of a beam, f ~ f0 (1 + (1 + g) k2^2/(2 k1^2)): -1 does not spread.

        That is the anisotropy of sawfem/planewave/beam.py where v does not depend on frequency.
        """
        return self.slope * (wavenumber / self.cutoff) ** 2 - 1.0

    def _both(self, frequency: ArrayLike) -> tuple[Array, Array]:
        """k2^2, and its slope d k2^2/d f^2."""
        f = np.asarray(frequency, dtype=float)
        y = (f - self.cutoff) * (f + self.cutoff)
        inside = np.clip(y, *self.reach)
        value, slope = np.zeros_like(y), np.zeros_like(y)
        for n in range(len(self.coefficients), 0, -1):
            slope = slope * inside + n * self.coefficients[n - 1]
            value = value * inside + self.coefficients[n - 1]
        return np.asarray(value * inside + (y - inside) * slope), slope

    def transverse_squared(self, frequency: ArrayLike) -> Array:
        """k2^2 in rad^2/m^2 at frequencies in Hz, of their shape; negative where it decays."""
        return self._both(frequency)[0]

    def complex_squared(self, frequency: complex) -> complex:
        """k2^2 in rad^2/m^2 at a complex frequency in Hz near the window of the points."""
        y = (frequency - self.cutoff) * (frequency + self.cutoff)
        inside = complex(float(np.clip(y.real, *self.reach)), y.imag)
        value, slope = 0.0j, 0.0j
        for n in range(len(self.coefficients), 0, -1):
            slope = slope * inside + n * self.coefficients[n - 1]
            value = value * inside + self.coefficients[n - 1]
        return value * inside + (y - inside) * slope

    def weight(self, frequency: ArrayLike) -> Array:
        """A d k2^2/d f^2 at frequencies in Hz: 1 where f^2 is linear in k2^2."""
        return np.asarray(self.slope * self._both(frequency)[1])

    def frequency(self, transverse_squared: ArrayLike) -> Array:
        """Frequency in Hz at k2^2 in rad^2/m^2: the inverse, by Newton's method."""
        q = np.asarray(transverse_squared, dtype=float)
        square = self.cutoff**2 + self.slope * q
        for _ in range(50):
            value, slope = self._both(np.sqrt(np.maximum(square, 0.0)))
            step = (q - value) / slope
            square = square + step
            if np.all(np.abs(step) <= 1e-14 * self.cutoff**2):
                return np.asarray(np.sqrt(square))
        raise ConvergenceError("the frequency at a transverse wavenumber did not settle")

    def mean(self, other: RegionDispersion, low: float, high: float) -> RegionDispersion:
        """Mean of two frequencies at equal k2^2, between two of them in rad^2/m^2.

        Half of the strips do to a surface, to first order, half of what all of them do.
        """
        q = np.linspace(min(low, 0.0), max(high, 0.0), _AVERAGED)
        q = np.unique(np.append(q[np.abs(q) > 1e-3 * np.ptp(q)], 0.0))
        return RegionDispersion.from_points(q, 0.5 * (self.frequency(q) + other.frequency(q)))


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


def _followed(series: Sequence[float] | Array, ends: tuple[float, float]) -> tuple[float, float]:
    """Stretch about zero, within ``ends``, where sum b_n x^n keeps a share of its first slope."""
    x = np.linspace(*ends, _CHECKED)
    powers = np.arange(1, len(series) + 1)
    slope = (powers * np.asarray(series)) @ x[None, :] ** (powers[:, None] - 1)
    bad = np.flatnonzero(slope < _LEAST_SLOPE * series[0])
    below, above = bad[x[bad] < 0.0], bad[x[bad] > 0.0]
    low = float(x[below[-1] + 1]) if below.size else ends[0]
    high = float(x[above[0] - 1]) if above.size else ends[1]
    return min(low, 0.0), max(high, 0.0)
