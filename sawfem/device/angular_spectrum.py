"""Fields of surface-wave sources as sums of plane surface waves on the cut's own slowness curve.

A source that puts the amplitude u(0, y) on the line x = 0 makes, at x > 0,

    u(x, y) = (1 / 2 pi) integral A(k2) exp(-j k1(k2) x - j k2 y) d k2,
    A(k2) = integral u(0, y) exp(j k2 y) dy,

time as exp(+j w t): Goodman, Introduction to Fourier Optics (angular spectrum); for surface waves
Kharusi & Farnell, IEEE Trans. SU-18, 35 (1971) (from memory). k1(k2) is exact. u is the amplitude
of the wave normalised to its power: every direction is taken to be driven equally well.

The integral runs over the direction theta, so that d k2 = k cos(theta + psi) / cos(psi) d theta is
smooth where the curve turns back. Beyond that turn waves are evanescent: k1 goes on as it does on
an ellipse of the same curvature, which is exact for a circle and a model otherwise; the part that
these waves add is kept apart, as a bound of what the model may do. Where the curve ends earlier,
because the wave was not found, the spectrum is rolled off smoothly before the end. So it is in
directions whose power passes far beside everything that is looked at: what a smooth spectrum
sends there stays there. Of a wave that leaks, what it fades more than along x1 is part of k1.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sawfem.errors import InputError
from sawfem.planewave.slowness_curve import SlownessCurve

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

#: Gauss points of a panel, and the phase in radians that a panel may span.
POINTS, SPAN = 10, 10.0
#: Share of the directions on one side over which an open end is rolled off.
ROLL = 0.5
#: Lengths sqrt(wavelength x gap) beside the geometrical beam that every direction is kept for.
ZONES = 6.0
#: Evanescent waves are followed until they have fallen by exp(-FALL) over the gap.
FALL = 36.0


@dataclass(frozen=True, eq=False)
class Spectrum:
    """Plane waves of one frequency: nodes of a quadrature over k2, arrays (n,).

    Attributes
    ----------
    k1, k2 : rad/m; k1 complex, with a negative imaginary part where evanescent.
    weight : d k2 / (2 pi), 1/m. straight : k1 along x1 itself, rad/m.
    propagating : (n,), which of them carry power. rolled : whether directions were rolled off.
    """

    k1: ComplexArray
    k2: FloatArray
    weight: FloatArray
    straight: float
    propagating: NDArray[np.bool_]
    rolled: bool = False

    @property
    def excess(self) -> ComplexArray:
        """Wavenumber k1 less that of the wave along x1."""
        return self.k1 - self.straight

    def carried(self) -> Spectrum:
        """The same without evanescent waves."""
        at = self.propagating
        return replace(
            self, k1=self.k1[at], k2=self.k2[at], weight=self.weight[at], propagating=at[at]
        )


def spectrum(
    curve: SlownessCurve,
    frequency: float,
    along: float,
    across: float,
    *,
    gap: float | None = None,
    span: float = SPAN,
    roll: float = ROLL,
) -> Spectrum:
    """Nodes that integrate fields at distances up to ``along`` and ``across``, m.

    Parameters
    ----------
    gap : m, the least distance; None leaves evanescent waves out. span, roll : as ``SPAN`` and
        ``ROLL``; other values of them show what the choice is worth.

    Raises
    ------
    InputError : a frequency or distances that are not positive.
    """
    for key, value in (("frequency", frequency), ("distance", along), ("distance", gap or along)):
        if not (math.isfinite(value) and value > 0.0):
            raise InputError(key=key, found=f"{value:g}", expected="a positive number")
    omega = 2.0 * math.pi * frequency
    ends = _ends(curve, frequency, across, gap)
    low, high = (end for end, _ in ends)
    knots = curve.angle[(curve.angle > low) & (curve.angle < high)]
    edges = _panels(curve, np.array([low, *knots, high]), omega, along, across, span)
    theta, weight = _gauss(edges)
    s1, s2 = curve.components(theta)
    psi = curve.flow(theta)
    step = np.hypot(s1, s2) * np.cos(theta + psi) / np.cos(psi)
    weight = weight * step * _window(theta, ends, roll)
    fading = _faded(curve, theta, omega)
    parts: list[tuple[ComplexArray, FloatArray, FloatArray]] = [
        (
            omega * s1.astype(np.complex128) - 1j * fading,
            omega * s2,
            omega * weight / (2.0 * math.pi),
        )
    ]
    for side, (_, whole) in zip((-1.0, 1.0), ends, strict=True):
        if gap is not None and whole:
            parts.append(_evanescent(curve, side, omega, gap, across, span))
    k1, k2, weights = (np.concatenate(column) for column in zip(*parts, strict=True))
    return Spectrum(
        k1=k1,
        k2=k2,
        weight=weights,
        straight=omega * float(curve.slowness(0.0)),
        propagating=np.arange(len(k2)) < len(theta),
        rolled=not all(whole for _, whole in ends),
    )


def _faded(curve: SlownessCurve, theta: FloatArray, omega: float) -> FloatArray:
    """What a wave fades by along x1, beyond what the wave along x1 does, Np/m.

    With k2 real and k(theta) (1 - j beta) the normal part of the change of k is beta k cos(psi);
    all of it lies along x1: beta k cos(psi) / cos(theta + psi), to first order in beta.
    """
    if curve.fading is None:
        return np.zeros_like(theta)
    psi = curve.flow(theta)
    # Grazing waves never arrive: they are kept from fading or growing without bound.
    ahead = np.maximum(np.cos(theta + psi), 1e-3)
    lost = curve.fade(theta) * omega * curve.slowness(theta) * np.cos(psi) / ahead
    return np.asarray(lost - float(curve.fade(0.0)) * omega * float(curve.slowness(0.0)))


End = tuple[float, bool]


def _ends(
    curve: SlownessCurve, frequency: float, across: float, gap: float | None
) -> tuple[End, End]:
    """The outermost directions, and whether the curve turns back there so that none is lost."""
    found = []
    for side, end, closed in zip((-1.0, 1.0), curve.forward, curve.closed, strict=True):
        here = end, closed
        if gap is not None:
            zone = math.sqrt(curve.at(0.0)[0] / frequency * gap)
            ray = math.atan((across + ZONES * zone) / gap)
            grid = np.linspace(0.0, end, 721)
            past = np.flatnonzero(side * (grid + curve.flow(grid)) > ray)
            # The window is 1 over the inner half of the directions.
            if past.size and 2.0 * abs(grid[past[0]]) < 0.9 * abs(end):
                here = float(2.0 * grid[past[0]]), False
        found.append(here)
    return found[0], found[1]


def _gauss(edges: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Nodes and weights of Gauss-Legendre panels."""
    x, w = np.polynomial.legendre.leggauss(POINTS)
    middle, half = 0.5 * (edges[1:] + edges[:-1]), 0.5 * np.diff(edges)
    nodes = middle[:, None] + half[:, None] * x
    return nodes.ravel(), (half[:, None] * w).ravel()


def _panels(
    curve: SlownessCurve, knots: FloatArray, omega: float, along: float, across: float, span: float
) -> FloatArray:
    """The knots of the curve, and between them as many panels as the phase needs."""
    inner = np.linspace(0.0, 1.0, 5)
    theta = knots[:-1, None] + np.diff(knots)[:, None] * inner
    psi = curve.flow(theta)
    k = omega * curve.slowness(theta) / np.cos(psi)
    rate = k * (np.abs(np.sin(theta + psi)) * along + np.abs(np.cos(theta + psi)) * across)
    phase = np.max(rate, axis=1) * np.diff(knots)
    counts = np.maximum(1, np.ceil(phase / span)).astype(int)
    edges = [
        np.linspace(a, b, n, endpoint=False)
        for a, b, n in zip(knots[:-1], knots[1:], counts, strict=True)
    ]
    return np.append(np.concatenate(edges), knots[-1])


def _window(theta: FloatArray, ends: tuple[End, End], roll: float) -> FloatArray:
    """Falls smoothly (with all derivatives) to 0 at ends where directions are left out."""
    window = np.ones_like(theta)
    for side, (end, whole) in zip((-1.0, 1.0), ends, strict=True):
        if not whole:
            t = np.clip((side * theta / abs(end) - 1.0 + roll) / roll, 2e-3, 1.0 - 2e-3)
            window = window / (1.0 + np.exp(1.0 / (1.0 - t) - 1.0 / t))
    return window


def _evanescent(
    curve: SlownessCurve, side: float, omega: float, gap: float, across: float, span: float
) -> tuple[ComplexArray, FloatArray, FloatArray]:
    """(k1, k2, weight) beyond the turn: k2 = K cosh(u), k1 = k1(turn) - j K e sinh(u).

    At the turn s2 falls as curvature (s1 - s1(turn))^2 / 2, curvature = (1 + g) cos(psi) / s,
    which gives e = 1 / sqrt(curvature s2).
    """
    end = curve.forward[0 if side < 0.0 else 1]
    s1, s2 = (omega * float(s) for s in curve.components(end))
    psi = float(curve.flow(end))
    reach = math.radians(0.2)
    inner = end - side * reach
    bend = side * (psi - float(curve.flow(inner))) / reach
    curvature = max(1.0 + bend, 1e-3) * math.cos(psi) / math.hypot(s1, s2)
    e = 1.0 / math.sqrt(curvature * abs(s2))
    most = math.asinh(FALL / (abs(s2) * e * gap))
    phase = across * abs(s2) * (math.cosh(most) - 1.0) + FALL
    u, weight = _gauss(np.linspace(0.0, most, 2 + math.ceil(phase / span)))
    k1 = s1 - 1j * abs(s2) * e * np.sinh(u)
    k2 = s2 * np.cosh(u)
    return k1, k2, weight * abs(s2) * np.sinh(u) / (2.0 * math.pi)


__all__ = ["ComplexArray", "FloatArray", "Spectrum", "spectrum"]
