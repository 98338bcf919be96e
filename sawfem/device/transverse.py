"""Transverse modes of a resonator: standing waves across its aperture.

Across the aperture a resonator is a layered guide: the overlap of its electrodes in the middle,
on either side perhaps the gap before the finger tips, dummy fingers and a bus-bar, and beyond them
the free surface. Along x1 every region has the wavenumber of the grating, k1 = pi/p, and its own
wave obeys the exact f = f_region(k2) (:mod:`.transverse_regions`), k2 along the electrodes.

Model (scalar; Schmidt & Coldren, IEEE Trans. SU-22, 115 (1975), thin-film guides on anisotropic
media; Haus & Wang, J. Appl. Phys. 49, 1061 (1978), modes of grating guides: both from memory).
One amplitude psi(x2), in the region r

    psi'' + q_r(f) psi = 0,       q_r(f) = k2^2 at which f_r(k2) = f,
    psi and A_r psi' continuous,  A_r = d f_r^2/d(k2^2) at k2 = 0,

A psi' being what carries power across: for one density it is the shear stress of the scalar wave.
Where f_r^2 is linear in k2^2, as in isotropic regions, this is -(A psi')' + f_r(0)^2 psi = f^2 psi,
self-adjoint: modes are orthogonal and complete. Otherwise it is an eigenproblem that is not linear
in f^2, whose residues are <w, psi>^2/<psi, m psi> with the weight m = A dq/df^2, near 1. What it
leaves out: the change of the motion against depth from region to region, other waves that an end
scatters into, and a coupling of x1 and x2 beyond k1 = pi/p (a beam that steers).

Guided modes decay outside: q < 0 there. All A must have one sign. With A > 0 (1 + g > 0, g the
anisotropy of the beam) a wave is held where the region has the lower f(0), with A < 0 where it
has the higher one; where signs differ the condition above holds no guided modes, and it is
refused. What a drive excites beyond its guided modes radiates sideways.

All modes are found: the number of those below a frequency is the number of zeros of the solution
that starts at the middle (Sturm's oscillation theorem; q_r rises with f A/|A| in every region, so
that it holds though q_r(f) is no straight line), and bisection of that number isolates each.
The guide is symmetric: modes are even or odd in x2, in turn, from number 1 (even) on.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sawfem.device.transverse_regions import RegionDispersion, TransverseRegion
from sawfem.device.transverse_shapes import Shape, across, carried, drawn, joined, zeros_inside
from sawfem.errors import ConvergenceError, GeometryError, InputError

Array = NDArray[np.float64]

#: Parts into which a bracket is cut, and how often: beyond the digits of a frequency.
_SECTIONS = np.linspace(0.0, 1.0, 17)
_ROUNDS = 14


@dataclass(frozen=True, eq=False)
class TransverseMode:
    """One guided mode.

    Attributes
    ----------
    number : 1, 2, ...: zeros of the profile plus one. Odd numbers are even in x2.
    frequency : Hz, with k1 = pi/p along x1.
    excitation : share of the drive's norm in this mode, (int w psi)^2 / (int w^2 int m psi^2);
        the sum over all guided modes is at most 1 (Bessel) where m = 1.
    strength : (int w psi)^2 / (W int m psi^2): motional inductance of a wave of uniform amplitude
        across the whole aperture W, which a model along x1 alone takes, over that of the mode.
    confinement : share of int m psi^2 in the overlap of the electrodes.
    position, profile : (m,) x2 in metres from the middle, and psi with int psi^2 dx2 = W, positive
        in the outermost lobe of x2 > 0; the outside is shown for four decay lengths.
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
        """Frequencies in which guided modes can lie, Hz: from where it is lowest (for A < 0
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
            zeros += zeros_inside(psi, flux / d, q, width)
            psi, slope, _ = across(psi, flux / d, q, width)
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
            for _ in range(_ROUNDS if order.size else 0):
                ends = low[:, None] + (high - low)[:, None] * _SECTIONS
                inner = ends[:, 1:-1]
                passed = self._zeros(inner.ravel(), parity).reshape(inner.shape) > order[:, None]
                first = np.where(passed.any(axis=1), passed.argmax(axis=1), inner.shape[1])
                low, high = ends[order, first], ends[order, first + 1]
            found[parity::2] = 0.5 * (low + high)
        if np.any(np.diff(self.sign * found) < 0.0):
            raise ConvergenceError(
                "transverse modes came out of order: even and odd do not alternate"
            )
        return found

    def modes(self, *, profiles: bool = True) -> tuple[TransverseMode, ...]:
        """All guided modes, from number 1 on; none where :attr:`window` is None.

        ``profiles`` False leaves position and profile empty, which saves time.
        """
        frequency = self.frequencies()
        if not frequency.size:
            return ()
        shapes = self._shapes(frequency)
        outside = np.sqrt(np.maximum(-self.outside.transverse_squared(frequency), 0.0))
        edge = shapes[-1].outer
        with np.errstate(divide="ignore", invalid="ignore"):
            tail = np.where(outside > 0.0, edge**2 / (2.0 * outside), np.inf)
        plain = [*(shape.norm() for shape in shapes), tail]
        weighted = [d.weight(frequency) * n for d, n in zip(self._dispersions, plain, strict=True)]
        total = 2.0 * np.sum(weighted, axis=0)
        a = np.asarray(self.overlaps)
        even = np.arange(frequency.size) % 2 == 0
        driven = 2.0 * np.mean(shapes[0].integral(0.5 * self.aperture * a), axis=1)
        strength = np.where(even & np.isfinite(total), driven**2 / (self.aperture * total), 0.0)
        x, psi = np.empty(0), np.empty((frequency.size, 0))
        places: list[Array] = [x] * frequency.size
        if profiles:
            places, psi = drawn(shapes, edge, outside, even)
            psi = psi * np.sqrt(0.5 * self.aperture / np.sum(plain, axis=0))[:, None]
        return tuple(
            TransverseMode(
                number=index + 1,
                frequency=float(frequency[index]),
                excitation=float(strength[index]) / _drive_norm(a),
                strength=float(strength[index]),
                confinement=float(2.0 * weighted[0][index] / total[index]),
                position=places[index],
                profile=psi[index],
            )
            for index in range(frequency.size)
        )

    def _shapes(self, f: Array) -> list[Shape]:
        """The profiles of all modes (n,) on the regions of x2 > 0.

        The solution from the middle and the one from outside are joined where they fit best: each
        is exact while it grows and spoilt by rounding where it decays.
        """
        q = [d.transverse_squared(f) for d in self._dispersions]
        slopes = [abs(d.slope) for d in self._dispersions]
        widths = self._widths
        odd = np.asarray(np.arange(f.size) % 2, dtype=float)
        outward = carried((1.0 - odd, odd), q[:-1], slopes[:-1], widths)
        kappa = np.sqrt(np.maximum(-q[-1], 0.0))
        start = np.ones(f.size), slopes[-1] * kappa  # from outside, where x2 runs the other way
        inward = carried(start, q[-2::-1], slopes[-2::-1], widths[::-1])[::-1]
        inward = [(psi, -flux, log) for psi, flux, log in inward]
        scale = slopes[0] / self.aperture  # makes psi and A psi' comparable
        pairs = [
            (
                np.stack([a[0], a[1] / scale]) / np.hypot(a[0], a[1] / scale),
                np.stack([b[0], b[1] / scale]) / np.hypot(b[0], b[1] / scale),
            )
            for a, b in zip(outward[1:], inward[1:], strict=True)
        ]
        misfit = [np.abs(u[0] * v[1] - u[1] * v[0]) for u, v in pairs]
        join = np.argmin(misfit, axis=0) + 1
        states = joined(outward, inward, join, scale)
        return [
            Shape(q[i], widths[i], states[i][0], states[i][1] / slopes[i], states[i + 1][0])
            for i in range(len(widths))
        ]


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
