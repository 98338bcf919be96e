"""Where a transducer drives and picks up waves: the overlaps of its electrodes, one by one.

Between neighbours on different bus-bars lies a source of strength (c_n - c_n+1) / 2, c the
polarity, at the middle of the two and over the length on which they overlap (the delta-function
model: Tancrell & Holland, Proc. IEEE 59, 393 (1971)). x runs along the track, y over its aperture
from the middle.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import ArrayLike

from sawfem.device.angular_spectrum import ComplexArray, FloatArray
from sawfem.device.track import Transducer
from sawfem.errors import InputError

#: Spectra of single widths that are kept at once.
KEPT = 100


@dataclass(frozen=True, eq=False)
class Segments:
    """Straight sources across the track: arrays (n,).

    Attributes
    ----------
    x, y : m, of their middles. width : m, over y; positive. weight : amplitude, complex.
    aside : m, how much of y is an offset of the whole transducer, by which its own beam without
        steering would miss others; :func:`parallel` leaves it out.

    Raises InputError for arrays of unlike length, or without a segment of positive width.
    """

    x: FloatArray
    y: FloatArray
    width: FloatArray
    weight: ComplexArray
    aside: FloatArray = field(default_factory=lambda: np.zeros(1))

    def __post_init__(self) -> None:
        given = (self.x, self.y, self.width, self.aside)
        parts = np.broadcast_arrays(*(np.atleast_1d(a) for a in given))
        weight = np.broadcast_to(np.atleast_1d(np.asarray(self.weight, complex)), parts[0].shape)
        if parts[0].ndim != 1 or not np.all(np.isfinite(np.array([*parts, weight]))):
            raise InputError(key="segments", found="not lists of numbers", expected="numbers")
        if parts[0].size == 0 or np.any(parts[2] <= 0.0):
            raise InputError(
                key="aperture", found=f"{parts[2].tolist()[:3]} m", expected="positive widths"
            )
        for name, part in zip(("x", "y", "width", "aside"), parts, strict=True):
            object.__setattr__(self, name, np.asarray(part, dtype=float))
        object.__setattr__(self, "weight", weight)

    def __len__(self) -> int:
        return len(self.x)

    @classmethod
    def line(cls, width: float, *, x: float = 0.0, y: float = 0.0) -> Segments:
        """One uniform source of a width, m."""
        return cls(np.array([x]), np.array([y]), np.array([width]), np.array([1.0 + 0j]))

    @classmethod
    def profile(cls, width: float, amplitudes: ArrayLike, *, x: float = 0.0) -> Segments:
        """A source of ``width`` m whose amplitude over y is given on equal strips."""
        a = np.asarray(amplitudes, dtype=complex)
        y = width * ((np.arange(a.size) + 0.5) / a.size - 0.5)
        return cls(np.full(a.size, x), y, np.full(a.size, width / a.size), a)

    @classmethod
    def of_transducer(
        cls, transducer: Transducer, left: float, pitch: float, aperture: float
    ) -> Segments:
        """Overlaps of a transducer whose first cell starts at ``left``; lengths in metres.

        Electrode n of polarity 1 hangs on the upper bus-bar and reaches down to -w_n W / 2, one of
        polarity -1 up to w_n W / 2 (as drawn in :mod:`.geometry`). InputError where no two
        neighbours overlap.
        """
        c = transducer.sequence.astype(float)
        w = np.ones(len(c)) if transducer.weights is None else np.asarray(transducer.weights)
        strength = 0.5 * (c[:-1] - c[1:])
        centre = left + pitch * (np.arange(len(c)) + 0.5)
        x = 0.5 * (centre[:-1] + centre[1:])
        shared = 0.5 * aperture * (w[:-1] + w[1:])
        # Where the left neighbour is the upper one the overlap is centred on (w_n+1 - w_n) W / 4.
        shift = 0.25 * aperture * (w[1:] - w[:-1]) * np.sign(strength)
        kept = (strength != 0.0) & (shared > 0.0)
        if not kept.any():
            raise InputError(
                key="polarity", found="no electrodes that overlap", expected="two that differ"
            )
        return cls(
            x[kept],
            shift[kept] + transducer.offset,
            shared[kept],
            strength[kept].astype(complex),
            np.array([transducer.offset]),
        )

    @classmethod
    def joined(cls, parts: Iterable[Segments]) -> Segments:
        """All of several."""
        every = list(parts)
        return cls(
            *(
                np.concatenate([getattr(part, name) for part in every])
                for name in ("x", "y", "width", "weight", "aside")
            )
        )

    @property
    def extent(self) -> tuple[float, float]:
        """Least and largest y that a segment reaches, m."""
        return (
            float(np.min(self.y - 0.5 * self.width)),
            float(np.max(self.y + 0.5 * self.width)),
        )

    @property
    def middle(self) -> float:
        """Centre of the sources along x, m, weighted with width and strength."""
        share = self.width * np.abs(self.weight)
        return float(np.sum(share * self.x) / np.sum(share))

    def moved(self, x: float = 0.0, y: float = 0.0) -> Segments:
        """The same elsewhere."""
        return replace(self, x=self.x + x, y=self.y + y)

    def phased(self, wavenumber: float) -> Segments:
        """Weights times exp(j wavenumber x): how the sources add up for a wave along x1."""
        return replace(self, weight=self.weight * np.exp(1j * wavenumber * self.x))

    def mirrored(self) -> Segments:
        """The same seen from the other end: turned by 180 degrees in the surface."""
        return replace(self, x=-self.x, y=-self.y, aside=-self.aside)


def driven(
    sources: Segments, k1: ComplexArray, k2: FloatArray, plane: float, *, leftwards: bool = False
) -> ComplexArray:
    """Sum w_n W_n sinc(k2 W_n / 2) exp(+-j k2 y_n) exp(-j k1 |plane - x_n|), (n,), m.

    The spectrum on the line x = ``plane`` of what sources to its left drive, or with ``leftwards``
    what sources to its right make of the plane wave (k1, k2), referred to that line.
    """
    sign = -1.0 if leftwards else 1.0
    order = np.argsort(sign * sources.x)
    total = np.zeros(len(k2), dtype=complex)
    shapes: dict[float, FloatArray] = {}
    steps: dict[float, ComplexArray] = {}
    at = float(sources.x[order[0]])
    # Farthest first: the sum so far moves on to the next source, which adds its own.
    for index in order:
        x, y = float(sources.x[index]), float(sources.y[index])
        distance = abs(x - at)
        if distance:
            key = float(np.float32(distance))
            if key not in steps:
                steps[key] = np.exp(-1j * k1 * distance)
            total *= steps[key]
        at = x
        width = float(sources.width[index])
        if width not in shapes:
            if len(shapes) >= KEPT:
                shapes.clear()
            shapes[width] = width * np.sinc(k2 * (width / (2.0 * math.pi)))
        part = sources.weight[index] * shapes[width]
        total += part * np.exp(1j * sign * k2 * y) if y else part
    return np.asarray(total * np.exp(-1j * k1 * abs(plane - at)))


def parallel(source: Segments, receiver: Segments) -> complex:
    """Sum w_n w_m (common width of n and m): the coupling of beams that do not spread, m.

    Of transducers that lie in one row: their offsets are left out.
    """
    one, other = source.y - source.aside, receiver.y - receiver.aside
    low = np.maximum.outer(one - 0.5 * source.width, other - 0.5 * receiver.width)
    high = np.minimum.outer(one + 0.5 * source.width, other + 0.5 * receiver.width)
    shared = np.maximum(high - low, 0.0)
    return complex(source.weight @ shared @ receiver.weight)
