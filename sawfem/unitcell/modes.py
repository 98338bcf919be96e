"""Resonances of a small frequency-dependent matrix inside an ellipse, none missed.

A(f) x = 0 is nonlinear in f, since the floor's admittance is. Beyn's contour integral (Linear
Algebra Appl. 436, 3839 (2012)) turns all roots inside a closed contour into one small linear
eigenproblem; each is then polished by nonlinear inverse iteration (Ruhe, SIAM J. Numer. Anal.
10, 674 (1973)), and their number is checked against the winding of det A around the contour
(zeros minus poles). The contour must not enclose or cross a branch point of the bulk waves.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import lu_factor, lu_solve

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
#: A at several complex frequencies: (m,) -> (m, n, n).
MatrixFunction = Callable[[Complex], Complex]

#: Polished roots must solve A x = 0 to this residual, relative to the norm of A.
RESIDUAL = 1e-10
#: Imaginary part of a guess, over the half width of the contour, below which its root is sought
#: from the real axis, on which most of them lie.
AXIS = 1e-5
#: Imaginary part of a matrix, over the real one, that is rounding.
REAL = 1e-13


@dataclass(frozen=True)
class Mode:
    """One root: complex frequency in hertz (positive imaginary part: loss) and its vector."""

    frequency: complex
    vector: Complex
    residual: float


@dataclass(frozen=True)
class Ellipse:
    """A contour around a piece of the real frequency axis, hertz, or of a slope beside it.

    ``lift`` and ``rise`` : imaginary part of its middle, and what it gains to the right end.
    """

    centre: float
    half_width: float
    ratio: float = 0.3
    lift: float = 0.0
    rise: float = 0.0

    def points(self, count: int) -> tuple[Complex, Complex]:
        """Points on the contour and dz/dt at them, t from 0 to 2 pi."""
        t = 2.0 * np.pi * (np.arange(count) + 0.5) / count
        a, b = self.half_width, self.half_width * self.ratio
        return self.at(t), -a * np.sin(t) + 1j * (b * np.cos(t) - self.rise * np.sin(t))

    def at(self, t: NDArray[np.float64]) -> Complex:
        """Points on the contour at the angles t."""
        a, b = self.half_width, self.half_width * self.ratio
        height = self.lift + self.rise * np.cos(t) + b * np.sin(t)
        return np.asarray(self.centre + a * np.cos(t) + 1j * height)

    def holds(self, z: complex, *, margin: float = 1.0) -> bool:
        """Whether z lies inside, or inside the ellipse widened by a factor."""
        x = (z.real - self.centre) / self.half_width
        y = (z.imag - self.lift - self.rise * x) / (self.half_width * self.ratio)
        return bool(x * x + y * y <= margin * margin)


class Factored:
    """A at the points of a contour, factorised: solutions of A x = b, and phases of det A.

    Parameters
    ----------
    samples : (points, n, n).
    inner : factors of the leading part of the same matrices, if there are some: then only the
        Schur complement of the last unknowns is new.
    mirrored : the samples are the first half of a contour, above the real axis, and A is real on
        that axis, so that A at a conjugate point is the conjugate of A (Schwarz's reflection).

    Attributes
    ----------
    points, size : of the whole contour; n. phases : (points,) of det A.
    """

    def __init__(
        self, samples: Complex, inner: Factored | None = None, *, mirrored: bool = False
    ) -> None:
        self.size = samples.shape[1]
        self._mirrored = mirrored
        self._inner = inner
        if inner is None:
            self._factors = [lu_factor(a, check_finite=False) for a in samples]
            phases = np.array([_phase(*factors) for factors in self._factors])
        else:
            n = inner.size
            self._rows, self._columns = samples[:, n:, :n], inner.given(samples[:, :n, n:])
            self._schur = samples[:, n:, n:] - self._rows @ self._columns
            phases = inner.phases[: len(samples)] * np.linalg.slogdet(self._schur)[0]
        self.phases: Complex = self._both_halves(phases)
        self.points = self.phases.size

    def solve(self, right: Array) -> Complex:
        """A x = b at all points, for real right-hand sides (n, k): (points, n, k)."""
        count = self.points // 2 if self._mirrored else self.points
        return self._both_halves(self.given(np.broadcast_to(right, (count, *right.shape))))

    def given(self, right: NDArray[Any]) -> Complex:
        """A x = b at the points of the samples, for right-hand sides of their own."""
        if self._inner is None:
            return np.stack(
                [
                    lu_solve(factors, b, check_finite=False)
                    for factors, b in zip(self._factors, right, strict=True)
                ]
            )
        n = self._inner.size
        first = self._inner.given(right[:, :n])
        last = np.linalg.solve(self._schur, right[:, n:] - self._rows @ first)
        return np.concatenate([first - self._columns @ last, last], axis=1)

    def _both_halves(self, found: Complex) -> Complex:
        return np.concatenate([found, found[::-1].conj()]) if self._mirrored else found


def _phase(factor: Complex, swaps: NDArray[np.int32]) -> complex:
    """Phase of a determinant from its LU factors."""
    diagonal = np.diag(factor)
    odd = int(np.sum(swaps != np.arange(swaps.size))) % 2
    return complex(np.prod(diagonal / np.abs(diagonal))) * (-1.0 if odd else 1.0)


def find_modes(
    matrices: MatrixFunction,
    ellipse: Ellipse,
    samples: Complex | Factored,
    *,
    probes: int = 8,
    credible: float = 0.01,
) -> tuple[Mode, ...]:
    """All roots of A(f) x = 0 inside the ellipse, sorted by frequency.

    Parameters
    ----------
    matrices : A at given frequencies, for the polishing.
    ellipse : the contour.
    samples : (points, n, n), A at ``ellipse.points(points)``, or the factors of it.
    probes : random right-hand sides; at least the number of roots inside.
    credible : a candidate is polished if it misses A x = 0 by less than this share of the
        half width. Roots are hit to 1e-3 or better, ghosts of rounding miss by more.
    """
    factored = samples if isinstance(samples, Factored) else Factored(samples)
    points, size = factored.points, factored.size
    z, weight = ellipse.points(points)
    rng = np.random.default_rng(20240229)
    probe = rng.standard_normal((size, min(probes, size)))
    solutions = factored.solve(probe)
    solutions *= (weight / (1j * points * ellipse.half_width))[:, None, None]
    scaled = (z - ellipse.centre) / ellipse.half_width
    moment0 = solutions.sum(axis=0)
    moment1 = (solutions * scaled[:, None, None]).sum(axis=0)
    u, s, vh = np.linalg.svd(moment0, full_matrices=False)
    rank = int(np.sum(s > 1e-8 * s[0])) if s[0] > 0.0 else 0
    if rank == 0:
        return ()
    u, s, vh = u[:, :rank], s[:rank], vh[:rank]
    small = u.conj().T @ moment1 @ vh.conj().T / s
    roots, vectors = np.linalg.eig(small)
    guesses = ellipse.centre + ellipse.half_width * roots
    starts = (u @ vectors).T
    found: list[Mode] = []
    for guess, start in zip(guesses, starts, strict=True):
        # Rounding leaves ghosts outside: polish only what could be inside.
        if not ellipse.holds(complex(guess), margin=1.1):
            continue
        if abs(guess.imag) < AXIS * ellipse.half_width:
            guess = guess.real
        a, slope = value_and_slope(matrices, complex(guess))
        distance = np.linalg.norm(a @ start) / np.linalg.norm(slope @ start)
        if distance > credible * ellipse.half_width:
            continue
        mode = polish(matrices, complex(guess), start, first=(a, slope))
        if mode is not None and ellipse.holds(mode.frequency) and not already_found(mode, found):
            found.append(mode)
    return tuple(sorted(found, key=lambda mode: mode.frequency.real))


def polish(
    matrices: MatrixFunction,
    guess: complex,
    start: Complex,
    *,
    steps: int = 10,
    first: tuple[Complex, Complex] | None = None,
) -> Mode | None:
    """Refine one root by nonlinear inverse iteration; None when it does not settle nearby.

    ``first`` is A and dA/dz at the guess, where they are known. Where A is real, as it is of a
    standing wave that loses nothing, root and vector are kept real.
    """
    z = guess
    x: NDArray[Any] = start / np.linalg.norm(start)
    for _ in range(steps):
        if abs(z.imag) < 1e-13 * abs(z):
            z = complex(z.real)
        a: NDArray[Any]
        slope: NDArray[Any]
        a, slope = value_and_slope(matrices, z) if first is None else first
        first = None
        if z.imag == 0.0 and np.abs(a.imag).max() <= REAL * np.abs(a.real).max():
            a, slope, x = a.real, slope.real, _turned_real(x)
        try:
            u = np.linalg.solve(a, slope @ x)
        except np.linalg.LinAlgError:
            break
        change = 1.0 / complex(np.vdot(x, u))
        x = u / np.linalg.norm(u)
        z = z - change
        if abs(z - guess) > 0.1 * abs(guess) or z.real <= 0.0:
            return None
        # The iteration converges quadratically: the next step would be below rounding.
        if abs(change) < 1e-9 * abs(z):
            break
    a = matrices(np.array([z]))[0]
    # The largest column is no larger than the norm of A.
    size = np.linalg.norm(a, axis=0).max()
    residual = float(np.linalg.norm(a @ x) / size)
    return Mode(z, x.astype(complex), residual) if residual < RESIDUAL else None


def _turned_real(vector: Complex) -> Array:
    """The real part of a vector, turned such that it holds the most of it."""
    turn = np.sqrt(np.sum(vector**2))
    return np.asarray((vector * (turn.conj() / abs(turn) if turn else 1.0)).real)


def value_and_slope(matrices: MatrixFunction, z: complex) -> tuple[Complex, Complex]:
    """A(z) and dA/dz, the latter by central differences (error near 1e-10)."""
    step = 1e-6 * abs(z)
    a, after, before = matrices(np.array([z, z + step, z - step]))
    return a, (after - before) / (2.0 * step)


def already_found(mode: Mode, found: list[Mode]) -> bool:
    """Whether the same root is in the list with vectors of which this one is a combination.

    Modes may share a frequency, as coincident stop-band edges do; then any vector of their span
    comes out of the iteration.
    """
    near = [
        other.vector
        for other in found
        if abs(other.frequency - mode.frequency) < 1e-9 * abs(mode.frequency)
    ]
    if not near:
        return False
    span = np.linalg.qr(np.array(near).T)[0]
    rest = mode.vector - span @ (span.conj().T @ mode.vector)
    return bool(np.linalg.norm(rest) < 1e-3 * np.linalg.norm(mode.vector))


def winding_number(
    matrices: MatrixFunction,
    ellipse: Ellipse,
    samples: Complex | Factored,
    *,
    known: Sequence[complex] = (),
    halvings: int = 6,
    ends: int = 0,
) -> int | None:
    """Zeros minus poles of det A inside a contour, by the turns of its phase.

    Where the phase turns by more than 1.5 radians from one point to the next, points are put in
    between until it does not; None if that does not help, as when a root lies on the contour.

    Parameters
    ----------
    samples : (points, n, n), A at ``ellipse.points(points)``, or the factors of it.
    known : roots inside. The turns are those of det A / prod(z - known), which a root close to the
        contour leaves calm, and one more for each: two such roots beside one another turn the phase
        of det A by nearly a full turn from point to point, which looks like none. What is no root
        counts as a pole, so that the answer is the same.
    ends : points, ever closer, to put to either side of where the contour crosses the real axis:
        a pair of roots beside it turns the phase by nearly a full turn from point to point, which
        looks like none.
    """
    factored = samples if isinstance(samples, Factored) else Factored(samples)
    count = factored.points
    t = 2.0 * np.pi * (np.arange(count) + 0.5) / count

    def calmed(phases: Complex, angles: Array) -> Complex:
        for root in known:
            toward = ellipse.at(angles) - root
            phases = phases * toward.conj() / np.abs(toward)
        return phases

    phases = calmed(factored.phases, t)
    if ends:
        beside = np.pi / count * 0.5 ** np.arange(1, ends + 1)
        extra = np.concatenate([beside, np.pi - beside, np.pi + beside, 2.0 * np.pi - beside])
        order = np.argsort(np.append(t, extra))
        t = np.append(t, extra)[order]
        more = calmed(np.linalg.slogdet(matrices(ellipse.at(extra)))[0], extra)
        phases = np.append(phases, more)[order]
    for _ in range(halvings):
        steps = np.angle(np.roll(phases, -1) / phases)
        wide = np.flatnonzero(np.abs(steps) > 1.5)
        if wide.size == 0:
            return int(np.rint(np.sum(steps) / (2.0 * np.pi))) + len(known)
        after = np.append(t[1:], t[0] + 2.0 * np.pi)
        between = 0.5 * (t[wide] + after[wide])
        t = np.insert(t, wide + 1, between)
        more = calmed(np.linalg.slogdet(matrices(ellipse.at(between)))[0], between)
        phases = np.insert(phases, wide + 1, more)
    return None
