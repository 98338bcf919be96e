"""One amplitude across a layered guide, stretch by stretch in closed form, without overflow.

On a stretch of constant q the solution of psi'' + q psi = 0 is, with k = sqrt(|q|),

    psi(x) = psi cos(k x) + psi' sin(k x)/k    for q > 0,    cosh and sinh for q < 0,

and psi and A psi' go on from one stretch to the next (sawfem/device/transverse.py). Where it grows,
exp(k x) is taken out and kept as a logarithm.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

#: Gauss points on a stretch of less than one radian (or one decay length).
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(12)
#: Points of a profile on each region, a half wave, and at most.
_DRAWN, _EACH, _MOST_DRAWN = 101, 12, 2001
#: Decay lengths of the outside that a profile shows.
_TAIL = 4.0


def zeros_inside(psi: Array, slope: Array, q: Array, width: float) -> NDArray[np.intp]:
    """Zeros in 0 < x <= width of the solution that starts from psi and psi'."""
    k = np.sqrt(np.maximum(q, 0.0))
    phase = np.arctan2(k * psi, slope)
    turning = np.floor((k * width + phase) / np.pi) - np.floor(phase / np.pi)
    end = across(psi, slope, q, width)[0]
    crossing = (psi * end < 0.0) | ((end == 0.0) & (psi != 0.0))
    return np.asarray(np.where(q > 0.0, turning, crossing), dtype=np.intp)


def across(psi: Array, slope: Array, q: Array, width: float | Array) -> tuple[Array, Array, Array]:
    """The solution and its slope at the end of a stretch over exp(growth), and the growth."""
    k = np.sqrt(np.abs(q))
    z = k * width
    growth = np.where(q < 0.0, z, 0.0)
    fade = np.exp(-2.0 * growth)
    cosine = np.where(q < 0.0, 0.5 * (1.0 + fade), np.cos(z))
    sine = np.where(q < 0.0, 0.5 * (1.0 - fade), np.sin(z))
    over = np.where(z > 1e-8, sine / np.maximum(k, 1e-300), width)
    return psi * cosine + slope * over, slope * cosine - q * over * psi, growth


#: psi, A psi' and the logarithm of what was taken out of both, (n,) each.
State = tuple[Array, Array, Array]


def carried(
    start: tuple[Array, Array],
    q: Sequence[Array],
    slopes: Sequence[float],
    widths: Sequence[float],
) -> list[State]:
    """States at the start and after every stretch."""
    psi, flux = start
    log = np.zeros(psi.size)
    states = [(psi, flux, log)]
    for square, d, width in zip(q, slopes, widths, strict=True):
        psi, slope, growth = across(psi, flux / d, square, width)
        size = np.hypot(psi, slope * width)
        psi, flux = psi / size, d * slope / size
        log = log + growth + np.log(size)
        states.append((psi, flux, log))
    return states


def joined(
    outward: Sequence[State], inward: Sequence[State], join: NDArray[np.intp], scale: float
) -> list[tuple[Array, Array]]:
    """(psi, A psi') at all interfaces on one scale, each mode joined at an interface of its own."""
    modes = np.arange(join.size)
    at = [np.stack([state[part] for state in outward])[join, modes] for part in range(3)]
    its = [np.stack([state[part] for state in inward])[join, modes] for part in range(3)]
    ratio = (at[0] * its[0] + at[1] * its[1] / scale**2) / (its[0] ** 2 + (its[1] / scale) ** 2)
    states = []
    for index, (out, back) in enumerate(zip(outward, inward, strict=True)):
        inside = index <= join
        log = np.where(inside, out[2] - at[2], back[2] - its[2])
        factor = np.exp(np.clip(log, -700.0, 700.0)) * np.where(inside, 1.0, ratio)
        states.append(
            (
                np.where(inside, out[0], back[0]) * factor,
                np.where(inside, out[1], back[1]) * factor,
            )
        )
    return states


@dataclass(frozen=True, eq=False)
class Shape:
    """Profiles (n,) on one region: k2^2, width, psi and psi' at the inner end, psi at the outer."""

    square: Array
    width: float
    inner: Array
    slope: Array
    outer: Array

    def at(self, x: Array) -> Array:
        """Profiles (n, m) at x (m,) from the inner end.

        Where they decay or grow by much: from both ends, which is stable.
        """
        q, psi, slope = self.square[:, None], self.inner[:, None], self.slope[:, None]
        k = np.sqrt(np.abs(q))
        z = k * self.width
        steep = (q < 0.0) & (z > 1.0)
        value, _, growth = across(psi, slope, q, x)
        value = value * np.exp(np.where(steep, 0.0, growth))
        rest = self.width - x
        grown = -np.expm1(-2.0 * np.maximum(z, 1.0))
        from_inner = np.exp(-k * x) * -np.expm1(-2.0 * k * rest) / grown
        from_outer = np.exp(-k * rest) * -np.expm1(-2.0 * k * x) / grown
        return np.asarray(
            np.where(steep, psi * from_inner + self.outer[:, None] * from_outer, value)
        )

    def norm(self) -> Array:
        """Integrals of psi^2, (n,).

        With E = psi^2 + psi'^2/q, the same at every x, it is [d E - (psi psi')|/q]/2, the bar
        between both ends; Gauss's rule where the region is too thin for the difference.
        """
        q, d = self.square, self.width
        thin = np.abs(q) * d**2 < 1.0
        safe = np.where(thin, 1.0 / d**2, q)
        k = np.sqrt(np.abs(safe))
        z = k * d
        running, turning, growth = across(self.inner, self.slope, safe, d)
        last = turning * np.exp(np.where(safe < 0.0, 0.0, growth))
        # Where it decays or grows both slopes follow from both amplitudes, which is stable.
        short = 2.0 * np.exp(-z) / -np.expm1(-2.0 * z)
        wide = (1.0 + np.exp(-2.0 * z)) / -np.expm1(-2.0 * z)
        first = np.where(safe < 0.0, k * (self.outer * short - self.inner * wide), self.slope)
        last = np.where(safe < 0.0, k * (self.outer * wide - self.inner * short), last)
        end = np.where(safe < 0.0, self.outer, running)
        lower = np.abs(self.inner) < np.abs(end)
        energy = np.where(lower, self.inner**2 + first**2 / safe, end**2 + last**2 / safe)
        closed = 0.5 * (d * energy - (end * last - self.inner * first) / safe)
        x = 0.5 * d * (_NODES + 1.0)
        return np.asarray(np.where(thin, self.at(x) ** 2 @ (0.5 * d * _WEIGHTS), closed))

    def integral(self, ends: Array) -> Array:
        """int_0^end psi dx, (n, m), for ends (m,) from the inner one, psi even there."""
        q = self.square[:, None]
        k = np.sqrt(np.abs(q))
        running = self.inner[:, None] * ends * np.sinc(k * ends / np.pi)
        # psi = psi(W/2) cosh(k x)/cosh(k W/2), whose integral is sinh(k end)/(k cosh(k W/2)).
        z, rate = k * self.width, np.maximum(k, 1e-300)
        grown = np.exp(k * ends - z) * -np.expm1(-2.0 * k * ends)
        decaying = self.outer[:, None] * grown / (rate * (1.0 + np.exp(-2.0 * z)))
        return np.asarray(np.where(q < 0.0, decaying, running))


def drawn(
    shapes: Sequence[Shape], edge: Array, decay: Array, even: Flags
) -> tuple[list[Array], Array]:
    """Positions (m,) of each mode, and profiles (n, m), from one outside to the other."""
    reach = sum(shape.width for shape in shapes)
    places, values, start = [], [], 0.0
    for shape in shapes:
        waves = float(np.sqrt(np.max(shape.square, initial=0.0))) * shape.width / np.pi
        x = np.linspace(0.0, shape.width, int(min(_DRAWN + _EACH * waves, _MOST_DRAWN)) | 1)
        places.append(np.tile(start + x, (edge.size, 1)))
        values.append(shape.at(x))
        start += shape.width
    tail = np.minimum(_TAIL / np.maximum(decay, 1e-300), reach)
    x = tail[:, None] * np.linspace(0.0, 1.0, _DRAWN)[1:]
    places.append(start + x)
    values.append(edge[:, None] * np.exp(-decay[:, None] * x))
    half, psi = np.concatenate(places, axis=1), np.concatenate(values, axis=1)
    outer = np.abs(psi) > 1e-3 * np.abs(psi).max(axis=1, keepdims=True)
    last = psi.shape[1] - 1 - np.argmax(outer[:, ::-1], axis=1)
    psi = psi * np.sign(psi[np.arange(edge.size), last])[:, None]
    parity = np.where(even, 1.0, -1.0)[:, None]
    whole = np.concatenate([parity * psi[:, :0:-1], psi], axis=1)
    return list(np.concatenate([-half[:, :0:-1], half], axis=1)), whole
