"""Transverse modes of a resonator: standing waves across its aperture.

Across the aperture a resonator is a layered guide: the overlap of its electrodes in the middle,
on either side perhaps the gap before the finger tips, dummy fingers and a bus-bar, and beyond them
the free surface. Along x1 every region has the wavenumber of the grating, k1 = pi/p, and its own
wave obeys the exact f = f_region(k2) (:mod:`.transverse_regions`), k2 along the electrodes.

Model (scalar; Schmidt & Coldren, IEEE Trans. SU-22, 115 (1975), thin-film guides on anisotropic
media; Haus & Wang, J. Appl. Phys. 49, 1061 (1978), modes of grating guides: both from memory).
One amplitude psi(x2), in the region r

    psi'' + q_r(f) psi = 0,       q_r(f) = k2^2 of f_r(k2) = f,
    psi and D_r psi' continuous,  D_r = df_r/d(k2^2) at k2 = 0,

D psi' being the amplitude of the power that flows across. With parabolic dispersion this is
-(D psi')' + f_r psi = f psi, self-adjoint: modes are orthogonal and complete. What it leaves out:
the change of the motion against depth from region to region, other waves that an end scatters
into, and a coupling of x1 and x2 beyond k1 = pi/p (a beam that steers).

Guided modes decay outside: q < 0 there. All D must have one sign. With D > 0 (1 + g > 0, g the
anisotropy of the beam) a wave is held where the region has the lower f(0), with D < 0 where it
has the higher one; where signs differ the condition above holds no guided modes, and it is
refused. What a drive excites beyond its guided modes radiates sideways.

All modes are found: the number of those below a frequency is the number of zeros of the solution
that starts at the middle (Sturm's oscillation theorem; q_r rises with f D/|D| in every region, so
that it holds though q_r(f) is no straight line), and bisection of that number isolates each.
The guide is symmetric: modes are even or odd in x2, in turn, from number 1 (even) on.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sawfem.device.transverse_regions import RegionDispersion, TransverseRegion
from sawfem.errors import ConvergenceError, GeometryError, InputError

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

#: Halvings of a bracket: beyond the digits of a frequency.
_HALVINGS = 60
#: Gauss points on a stretch of one radian (or one decay length) at most.
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(12)
#: Points of a profile on each region.
_DRAWN = 101
#: Decay lengths of the outside that a profile shows.
_TAIL = 4.0


@dataclass(frozen=True, eq=False)
class TransverseMode:
    """One guided mode.

    Attributes
    ----------
    number : 1, 2, ...: zeros of the profile plus one. Odd numbers are even in x2.
    frequency : Hz, with k1 = pi/p along x1.
    excitation : share of the drive's norm in this mode, (int w psi)^2 / (int w^2 int psi^2); the
        sum over all guided modes is at most 1 (Bessel).
    strength : (int w psi)^2 / (W int psi^2): its motional capacitance over that of a wave of
        uniform amplitude across the whole aperture W, which a model along x1 alone takes.
    confinement : share of int psi^2 in the overlap of the electrodes.
    position, profile : (m,) x2 in metres from the middle, and psi, int psi^2 dx2 = 1, in
        m^(-1/2), positive in the outermost lobe of x2 > 0; the outside is shown for four decay
        lengths.
    """

    number: int
    frequency: float
    excitation: float
    strength: float
    confinement: float
    position: Array = field(repr=False)
    profile: Array = field(repr=False)

    @property
    def symmetric(self) -> bool:
        """Even in x2."""
        return self.number % 2 == 1


@dataclass(frozen=True, eq=False)
class TransverseGuide:
    """A guide that is symmetric about x2 = 0.

    Attributes
    ----------
    aperture : W, m, width of the overlap.
    overlap : dispersion there.
    beside : regions of finite width from the overlap outwards, on both sides alike.
    outside : dispersion of the unlimited outer region.
    overlaps : overlap of each electrode over W, 0 to 1, centred in the aperture; (1,) drives
        all of it. w(x2) is the share of electrodes whose overlap reaches x2.

    Raises
    ------
    InputError : dispersions of unlike curvature. GeometryError : a width that is none.
    """

    aperture: float
    overlap: RegionDispersion
    outside: RegionDispersion
    beside: tuple[TransverseRegion, ...] = ()
    overlaps: tuple[float, ...] = (1.0,)

    def __post_init__(self) -> None:
        if not (np.isfinite(self.aperture) and self.aperture > 0.0):
            raise GeometryError(
                key="aperture", found=f"{self.aperture!r} m", expected="more than 0, finite"
            )
        a = np.asarray(self.overlaps, dtype=float)
        if a.ndim != 1 or not a.size or np.any(~((a >= 0.0) & (a <= 1.0))) or not a.any():
            raise InputError(
                key="overlaps", found="a number outside 0 to 1, or none", expected="shares of W"
            )
        signs = {float(np.sign(d.slope)) for d in self._dispersions}
        if len(signs) != 1:
            raise InputError(
                key="slowness",
                found="regions whose frequency rises with k2 beside regions where it falls",
                expected="one sign of the curvature: else no mode is guided in the scalar model",
            )

    @cached_property
    def _dispersions(self) -> tuple[RegionDispersion, ...]:
        return (self.overlap, *(region.dispersion for region in self.beside), self.outside)

    @cached_property
    def _widths(self) -> tuple[float, ...]:
        """Of the regions of the half x2 > 0, without the outside."""
        return (0.5 * self.aperture, *(region.width for region in self.beside))

    @property
    def sign(self) -> float:
        """That of the curvature: +1 where frequency rises with k2."""
        return float(np.sign(self.overlap.slope))

    @property
    def window(self) -> tuple[float, float] | None:
        """Frequencies in which guided modes can lie, Hz: from where it is lowest (for D < 0
        highest) to the cut-off of the outside; None where there are none.
        """
        cutoffs = [self.sign * d.cutoff for d in self._dispersions]
        low, high = min(cutoffs[:-1]), cutoffs[-1]
        return (self.sign * low, self.sign * high) if low < high else None

    def count(self, frequency: ArrayLike) -> NDArray[np.intp]:
        """(m, 2) even and odd modes before each frequency (m,) on the way through the window.

        Frequencies beyond the window count as its end.
        """
        f = np.atleast_1d(np.asarray(frequency, dtype=float))
        if self.window is None:
            return np.zeros((f.size, 2), dtype=np.intp)
        start, end = self.window
        f = np.clip(f, min(start, end), max(start, end))
        return np.stack([self._zeros(f, parity) for parity in (0, 1)], axis=1)

    def _zeros(self, f: Array, parity: int) -> NDArray[np.intp]:
        """Zeros in 0 < x2 < infinity of the solution with psi' = 0 (0) or psi = 0 (1) at 0."""
        psi, flux = np.full(f.size, 1.0 - parity), np.full(f.size, float(parity))
        zeros = np.zeros(f.size, dtype=np.intp)
        for dispersion, width in zip(self._dispersions, self._widths, strict=False):
            q, d = dispersion.transverse_squared(f), abs(dispersion.slope)
            zeros += _zeros_inside(psi, flux / d, q, width)
            psi, slope, _ = _across(psi, flux / d, q, width)
            size = np.hypot(psi, slope * width)
            psi, flux = psi / size, d * slope / size
        q = np.minimum(self.outside.transverse_squared(f), 0.0)
        growing = flux + abs(self.outside.slope) * np.sqrt(-q) * psi
        return np.asarray(zeros + (psi * growing < 0.0))

    def frequencies(self) -> Array:
        """(n,) of all guided modes in the order of their numbers, Hz."""
        if self.window is None:
            return np.empty(0)
        start, end = self.window
        totals = self.count([end])[0]
        found = np.empty(int(totals.sum()))
        for parity in (0, 1):
            order = np.arange(totals[parity])
            low, high = np.full(order.size, start), np.full(order.size, end)
            for _ in range(_HALVINGS if order.size else 0):
                middle = 0.5 * (low + high)
                passed = self._zeros(middle, parity) > order
                high, low = np.where(passed, middle, high), np.where(passed, low, middle)
            found[parity::2] = 0.5 * (low + high)
        if np.any(np.diff(self.sign * found) < 0.0):
            raise ConvergenceError(
                "transverse modes came out of order: even and odd do not alternate"
            )
        return found

    def modes(self) -> tuple[TransverseMode, ...]:
        """All guided modes, from number 1 on; none where :attr:`window` is None."""
        return tuple(
            self._mode(number, float(f)) for number, f in enumerate(self.frequencies(), start=1)
        )

    def _mode(self, number: int, f: float) -> TransverseMode:
        pieces = self._pieces(number, f)
        outer = pieces[-1].left[0]
        decay = np.sqrt(max(-float(self.outside.transverse_squared(np.array(f))), 0.0))
        norms = [piece.norm() for piece in pieces]
        tail = outer**2 / (2.0 * decay) if decay > 0.0 else np.inf
        total = 2.0 * (sum(norms) + tail)
        a = np.asarray(self.overlaps)
        driven = 0.0
        if number % 2 and np.isfinite(total):
            driven = 2.0 * float(np.mean(pieces[0].integral(0.5 * self.aperture * a)))
        strength = driven**2 / (self.aperture * total)
        x, psi = _joined(pieces, outer, decay, sum(self._widths), number)
        last = psi[np.flatnonzero(np.abs(psi) > 1e-3 * np.abs(psi).max())[-1]]
        return TransverseMode(
            number=number,
            frequency=f,
            excitation=strength / _drive_norm(a),
            strength=strength,
            confinement=float(2.0 * norms[0] / total),
            position=x,
            profile=psi * np.sign(last) / np.sqrt(total),
        )

    def _pieces(self, number: int, f: float) -> list[_Piece]:
        """The profile of a mode on the regions of x2 > 0, and a piece of no width outside.

        The solution from the middle and the one from outside are joined where they fit best: each
        is exact while it grows and spoilt by rounding where it decays.
        """
        at = np.array(f)
        q = [float(d.transverse_squared(at)) for d in self._dispersions]
        slopes = [abs(d.slope) for d in self._dispersions]
        widths = self._widths
        middle = (1.0, 0.0) if number % 2 else (0.0, 1.0)
        outward = _carried(middle, q[:-1], slopes[:-1], widths)
        kappa = np.sqrt(max(-q[-1], 0.0))
        edge = (1.0, slopes[-1] * kappa)  # seen from outside, where x2 runs the other way
        inward = _carried(edge, q[-2::-1], slopes[-2::-1], widths[::-1])[::-1]
        scale = slopes[0] / self.aperture  # makes psi and D psi' comparable
        misfit = []
        for out, back in zip(outward[1:], inward[1:], strict=True):
            u = np.array([out[0], out[1] / scale])
            v = np.array([back[0], -back[1] / scale])
            cross = u[0] * v[1] - u[1] * v[0]
            misfit.append(abs(cross) / (np.linalg.norm(u) * np.linalg.norm(v)))
        join = int(np.argmin(misfit)) + 1
        u = np.array([outward[join][0], outward[join][1] / scale])
        v = np.array([inward[join][0], -inward[join][1] / scale])
        ratio = float(u @ v / (v @ v))
        # Amplitudes at all interfaces on one scale: the logarithms are of what was taken out.
        states = []
        for index in range(len(widths) + 1):
            inside = index <= join
            psi, flux, log = (outward if inside else inward)[index]
            reference = (outward if inside else inward)[join][2]
            factor = np.exp(np.clip(log - reference, -700.0, 700.0)) * (1.0 if inside else ratio)
            states.append((psi * factor, (flux if inside else -flux) * factor))
        pieces = [
            _Piece(
                q[index],
                width,
                (states[index][0], states[index][1] / slopes[index]),
                states[index + 1][0],
            )
            for index, width in enumerate(widths)
        ]
        pieces.append(_Piece(q[-1], 0.0, (states[-1][0], 0.0), states[-1][0]))
        return pieces


def _joined(
    pieces: Sequence[_Piece], outer: float, decay: float, edge: float, number: int
) -> tuple[Array, Array]:
    """Positions and profile from the outside on one hand to that on the other."""
    places, values, start = [], [], 0.0
    for piece in pieces[:-1]:
        x = np.linspace(0.0, piece.width, _DRAWN)
        places.append(start + x)
        values.append(piece.at(x))
        start += piece.width
    tail = min(_TAIL / decay, edge) if decay > 0.0 else edge
    x = np.linspace(0.0, tail, _DRAWN)[1:]
    places.append(start + x)
    values.append(outer * np.exp(-decay * x))
    half, psi = np.concatenate(places), np.concatenate(values)
    parity = 1.0 if number % 2 else -1.0
    return (
        np.concatenate([-half[:0:-1], half]),
        np.concatenate([parity * psi[:0:-1], psi]),
    )


def cosine_overlaps(electrodes: int) -> tuple[float, ...]:
    """Overlaps whose drive across the aperture is w(x2) = cos(pi x2/W).

    The share of electrodes whose overlap exceeds s W must be cos(pi s/2): the overlap of the one
    at the share u = (i + 1/2)/N is (2/pi) arccos(u), largest first.
    """
    share = (np.arange(electrodes) + 0.5) / electrodes
    return tuple(float(a) for a in 2.0 / np.pi * np.arccos(share))


def _drive_norm(a: Array) -> float:
    """Integral of w^2 over the aperture, over W, for w of those overlaps."""
    edges = np.concatenate([[0.0], np.sort(a)])
    reach = np.arange(a.size, 0, -1) / a.size
    return float(np.sum(np.diff(edges) * reach**2))


def _zeros_inside(psi: Array, slope: Array, q: Array, width: float) -> NDArray[np.intp]:
    """Zeros in 0 < x <= width of the solution that starts from psi and psi'."""
    k = np.sqrt(np.maximum(q, 0.0))
    phase = np.arctan2(k * psi, slope)
    turning = np.floor((k * width + phase) / np.pi) - np.floor(phase / np.pi)
    end = _across(psi, slope, q, width)[0]
    crossing = (psi * end < 0.0) | ((end == 0.0) & (psi != 0.0))
    return np.asarray(np.where(q > 0.0, turning, crossing), dtype=np.intp)


def _across(psi: Array, slope: Array, q: Array, width: float | Array) -> tuple[Array, Array, Array]:
    """The solution and its slope at the end of a stretch over exp(growth), and the growth."""
    k = np.sqrt(np.abs(q))
    z = k * width
    growth = np.where(q < 0.0, z, 0.0)
    fade = np.exp(-2.0 * growth)
    cosine = np.where(q < 0.0, 0.5 * (1.0 + fade), np.cos(z))
    sine = np.where(q < 0.0, 0.5 * (1.0 - fade), np.sin(z))
    over = np.where(z > 1e-8, sine / np.maximum(k, 1e-300), width)
    return psi * cosine + slope * over, slope * cosine - q * over * psi, growth


def _carried(
    start: tuple[float, float],
    q: Sequence[float],
    slopes: Sequence[float],
    widths: Sequence[float],
) -> list[tuple[float, float, float]]:
    """(psi, D psi', logarithm of what was taken out) at the start and after every stretch."""
    psi, flux, log = np.array(start[0]), np.array(start[1]), 0.0
    states = [(float(psi), float(flux), log)]
    for square, d, width in zip(q, slopes, widths, strict=True):
        psi, slope, growth = _across(psi, flux / d, np.array(square), width)
        size = float(np.hypot(psi, slope * width))
        psi, flux = psi / size, d * slope / size
        log += float(growth) + np.log(size)
        states.append((float(psi), float(flux), log))
    return states


@dataclass(frozen=True)
class _Piece:
    """psi on one region: k2^2, width, (psi, psi') at its inner end, psi at its outer end."""

    square: float
    width: float
    left: tuple[float, float]
    right: float

    def at(self, x: Array) -> Array:
        """Profile at x (m,) from the inner end. Evanescent: from both ends, which is stable."""
        k = np.sqrt(abs(self.square))
        if self.square < 0.0 and k * self.width > 1.0:
            z = k * self.width
            rest = self.width - x
            grown = -np.expm1(-2.0 * z)
            inner = np.exp(-k * x) * -np.expm1(-2.0 * k * rest) / grown
            outer = np.exp(-k * rest) * -np.expm1(-2.0 * k * x) / grown
            return np.asarray(self.left[0] * inner + self.right * outer)
        psi, slope = self.left
        value, _, growth = _across(np.array(psi), np.array(slope), np.array(self.square), x)
        return np.asarray(value * np.exp(growth))

    def _nodes(self) -> tuple[Array, Array]:
        """Gauss points and weights over the region."""
        count = int(np.ceil(np.sqrt(abs(self.square)) * self.width)) + 1
        step = self.width / count
        starts = step * np.arange(count)
        x = starts[:, None] + 0.5 * step * (_NODES + 1.0)
        return x.ravel(), np.tile(0.5 * step * _WEIGHTS, count)

    def norm(self) -> float:
        """Integral of psi^2."""
        if self.width == 0.0:
            return 0.0
        x, weight = self._nodes()
        return float(weight @ self.at(x) ** 2)

    def integral(self, ends: Array) -> Array:
        """int_0^end psi dx for ends (m,) from the inner one, psi even there."""
        k = np.sqrt(abs(self.square))
        if self.square >= 0.0:
            return np.asarray(self.left[0] * ends * np.sinc(k * ends / np.pi))
        # psi = psi(W/2) cosh(k x)/cosh(k W/2), whose integral is sinh(k end)/(k cosh(k W/2)).
        z = k * self.width
        rise = np.exp(k * ends - z) * -np.expm1(-2.0 * k * ends) / (k * (1.0 + np.exp(-2.0 * z)))
        return np.asarray(self.right * rise)
