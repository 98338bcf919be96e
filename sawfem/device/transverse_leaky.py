"""Modes across an aperture that leak into bus-bars too wide to send anything back.

Where the bus-bar holds the wave better than the overlap (slower, for A > 0), no mode is confined to
the aperture: between narrow bus-bars the guided modes of :mod:`.transverse` reach into them, and
under wide or absorbing ones each standing wave of the aperture loses power sideways. With the model
of :mod:`.transverse`, only an outgoing wave in the bus-bar,

    A psi' = -j A_b k_b psi at its inner edge,   k_b^2 = q_b(f),   Re(A_b k_b) > 0,

holds at complex frequencies alone, Im f > 0 for exp(+j w t): quality factor Re f/(2 Im f) (leaky
modes: Snyder & Love, Optical Waveguide Theory, 1983, ch. 24; from memory). As A_b k_b is far above
A k for low modes, the edge is nearly a wall, psi = 0, from which each mode is started.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Sequence
from dataclasses import dataclass

from sawfem.device.transverse_regions import RegionDispersion, TransverseRegion

#: Steps of the secant method, and relative change of f at which it ends.
STEPS, CONVERGED = 40, 1e-14
#: Even modes that are looked for at most, and the quality factor below which one is no resonance.
MOST, LEAST_QUALITY = 5, 5.0


@dataclass(frozen=True)
class LeakyMode:
    """One standing wave of the aperture that leaks.

    Attributes
    ----------
    number : half waves across the aperture; odd, even in x2.
    frequency : Hz, complex, positive imaginary part.
    """

    number: int
    frequency: complex

    @property
    def quality_factor(self) -> float:
        """By leakage alone."""
        return self.frequency.real / (2.0 * self.frequency.imag)


def leaky_modes(
    aperture: float,
    overlap: RegionDispersion,
    busbar: RegionDispersion,
    between: Sequence[TransverseRegion] = (),
) -> tuple[LeakyMode, ...]:
    """Even leaky modes between bus-bars that go on for ever, lowest first.

    Parameters
    ----------
    aperture : m. between : regions of finite width between overlap and bus-bar, outwards.

    None where the bus-bar does not hold the wave better than the overlap.
    """
    sign = math.copysign(1.0, overlap.slope)
    alike = sign * busbar.slope > 0.0
    if not alike or sign * busbar.cutoff >= sign * overlap.cutoff:
        return ()
    found: list[LeakyMode] = []
    for number in range(1, 2 * MOST, 2):
        wall = float(overlap.frequency((number * math.pi / aperture) ** 2))
        frequency = _root(wall, aperture, overlap, busbar, between)
        if frequency is None or frequency.imag <= 0.0:
            break
        mode = LeakyMode(number, frequency)
        apart = all(abs(frequency / other.frequency - 1.0) > 1e-9 for other in found)
        if mode.quality_factor < LEAST_QUALITY or not apart:
            break
        found.append(mode)
    return tuple(found)


def _root(
    start: float,
    aperture: float,
    overlap: RegionDispersion,
    busbar: RegionDispersion,
    between: Sequence[TransverseRegion],
) -> complex | None:
    """The complex frequency near ``start`` at which only an outgoing wave is left, or None."""
    f, before = complex(start), complex(start) * (1.0 + 1e-7j)
    there = mismatch(before, aperture, overlap, busbar, between)
    for _ in range(STEPS):
        here = mismatch(f, aperture, overlap, busbar, between)
        if here == there:
            return None
        step = -here * (f - before) / (here - there)
        before, there, f = f, here, f + step
        if not abs(f / start - 1.0) < 0.1:
            return None
        if abs(step) < CONVERGED * abs(f):
            return f
    return None


def mismatch(
    frequency: complex,
    aperture: float,
    overlap: RegionDispersion,
    busbar: RegionDispersion,
    between: Sequence[TransverseRegion] = (),
) -> complex:
    """(A psi' + j A_b k_b psi) aperture/A_b at the inner edge of the bus-bar, psi = 1 at x2 = 0."""
    psi, flux = 1.0 + 0.0j, 0.0j
    parts = [(0.5 * aperture, overlap), *((part.width, part.dispersion) for part in between)]
    for width, dispersion in parts:
        k = cmath.sqrt(dispersion.complex_squared(frequency))
        cosine = cmath.cos(k * width)
        over = cmath.sin(k * width) / k if abs(k * width) > 1e-8 else complex(width)
        slope = flux / dispersion.slope
        psi, flux = (
            psi * cosine + slope * over,
            dispersion.slope * (slope * cosine - k**2 * over * psi),
        )
    outgoing = cmath.sqrt(busbar.complex_squared(frequency))
    if outgoing.real * busbar.slope < 0.0:
        outgoing = -outgoing
    return (flux + 1j * busbar.slope * outgoing * psi) * aperture / busbar.slope
