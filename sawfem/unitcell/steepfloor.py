"""What the steep harmonics of the floor do to a small model, interpolated in frequency.

A harmonic whose |k| lies well above w over the velocity of the slowest bulk wave only decays: its
share P^H Y(w, k) P of the small matrices is analytic far around the frequencies of a stop band,
and a dozen Chebyshev points hold it to rounding. The exact admittance is then needed at every
frequency for the lowest harmonics alone, which radiate and have branch points nearby.

Which harmonics are steep is not assumed: the Chebyshev coefficients must have fallen to rounding,
or the next pair is counted among the exact ones; if no choice will do, as with slow layers that
resonate below the slab, nothing is interpolated.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
#: (frequencies, chosen harmonics) -> sum of their P^H Y P, (m, n, n).
HarmonicSum = Callable[[Array, NDArray[np.bool_]], Complex]

#: Ends of the interpolated frequencies over the centre, and the imaginary part that is allowed
#: over half their distance.
START, STOP, ASIDE = 0.76, 1.16, 0.3
#: Chebyshev points.
POINTS = 12
#: Last coefficients, grown to where they are used furthest from the interval, over the sum.
LEFT = 1e-12
#: |k| p up to which harmonics are exact at first, and how often a pair may join them.
EXACT, CHOICES = 1.5 * np.pi, 3


@dataclass(frozen=True, eq=False)
class SteepFloor:
    """Interpolated harmonics of the floor.

    Attributes
    ----------
    low, high : ends of the interval, hertz.
    exact : (harmonics,) which ones are not in it.
    coefficients : (terms, n, n) of Chebyshev polynomials; real where they can be.
    """

    low: float
    high: float
    exact: NDArray[np.bool_]
    coefficients: Complex | Array = field(repr=False)

    @classmethod
    def around(
        cls, centre: float, wavenumbers: Array, harmonic_sum: HarmonicSum
    ) -> SteepFloor | None:
        """The harmonics that can be interpolated around a centre frequency; None if none can."""
        low, high = START * centre, STOP * centre
        angles = np.pi * (np.arange(POINTS) + 0.5) / POINTS
        nodes = 0.5 * (low + high) + 0.5 * (high - low) * np.cos(angles)
        transform = np.cos(np.outer(np.arange(POINTS), angles)) * (2.0 / POINTS)
        transform[0] *= 0.5
        growth = (ASIDE + np.sqrt(1.0 + ASIDE**2)) ** np.arange(POINTS)
        for choice in range(CHOICES):
            exact = np.abs(wavenumbers) <= EXACT + 2.0 * np.pi * choice
            if exact.all():
                return None
            values = harmonic_sum(nodes, ~exact)
            found = np.tensordot(transform, values, axes=1)
            sizes = np.abs(found).max(axis=(1, 2))
            if np.max((sizes * growth)[-2:]) <= LEFT * sizes.sum():
                if np.abs(found.imag).max() <= 1e-14 * np.abs(found.real).max():
                    found = np.ascontiguousarray(found.real)
                return cls(low, high, exact, found)
        return None

    def holds(self, frequencies: Complex) -> bool:
        """Whether all frequencies lie where the interpolation is good."""
        half = 0.5 * (self.high - self.low)
        return bool(
            np.all(frequencies.real >= self.low)
            and np.all(frequencies.real <= self.high)
            and np.all(np.abs(frequencies.imag) <= ASIDE * half)
        )

    def weights(self, frequencies: Complex) -> Complex:
        """Chebyshev polynomials at the frequencies, (m, terms)."""
        x = (2.0 * frequencies - self.low - self.high) / (self.high - self.low)
        found = np.ones((x.size, POINTS), dtype=complex)
        found[:, 1] = x
        for n in range(2, POINTS):
            found[:, n] = 2.0 * x * found[:, n - 1] - found[:, n - 2]
        return found
