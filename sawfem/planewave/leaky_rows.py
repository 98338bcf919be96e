"""Leaky waves along a row of orientations of a half-space: searched for at a few, followed between.

At the ends and in the middle of a run, and at one point drawn at random, all roots are counted and
found as anywhere else (:mod:`.leaky_search`). In between every wave goes on from where those lead,
by the secant method at all points at once, on the sheet of its strip. A followed root is a root, so
that no wave is invented; a point where one is doubtful is searched as well. Where two searched
points count differently the span between them is halved, and where the drawn point has other waves
than those that were followed to it, every point of the run is searched.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from sawfem.errors import ConvergenceError
from sawfem.planewave.admittance import SurfaceAdmittance
from sawfem.planewave.counting import VACUUM
from sawfem.planewave.generalised import (
    Array,
    ComplexArray,
    GeneralisedTensor,
    Mask,
    uncoupled_components,
)
from sawfem.planewave.leaky import LARGEST_LOSS, kept_roots
from sawfem.planewave.leaky_search import leaky_roots
from sawfem.planewave.limiting import branch_points, bulk_onsets
from sawfem.planewave.modes import HALF_SPACE_FREQUENCY, SurfaceMode, embedded
from sawfem.planewave.partial_waves import newton, partial_waves, wave_ratio
from sawfem.planewave.sheet import chosen_waves

#: Components that a followed wave has: families apart are searched for at every point.
ALL = (0, 1, 2, 3)
#: Points of the shortest run along which waves are followed.
SHORTEST = 8
#: Steps of the secant method, relative change that ends it, and the largest least singular value
#: over the largest of a root.
STEPS, SETTLED, SINGULAR = 12, 1.0e-11, 1.0e-9
#: Longest step, as an angle; the real angles from which the half-space is carried to a complex one,
#: clear of the ends of a strip, and the shares of that way.
LONGEST, CLEAR_OF_ENDS, CARRIED = 0.1, 1.0e-4, (0.25, 0.5, 0.75, 1.0)
#: Second step of Newton's method over the first up to which Z is sure to be the one it was.
CONTRACTION = 0.25
#: Share of the bound of the loss beyond which a point is searched, since the search ends there.
INSIDE = 0.9
#: Relative distance below which two roots are one, and of a followed root from a searched one.
SAME = 1.0e-9
#: Least likeness of the motions of a wave at both ends.
ALIKE = 0.5

#: Waves of the free and of the metallised surface, slowest first.
Sides = tuple[tuple[SurfaceMode, ...], tuple[SurfaceMode, ...]]
#: The same waves of one surface at two points of a row.
Tracks = list[tuple[SurfaceMode, SurfaceMode]]


@dataclass(frozen=True, eq=False)
class Found:
    """Waves by families at one orientation; ``whole`` if all components couple and every strip
    was searched to the whole loss.
    """

    families: tuple[Sides, ...]
    whole: bool

    @property
    def sides(self) -> Sides:
        """Of the one family."""
        return self.families[0]


def searched(tensor: GeneralisedTensor) -> Found:
    """All leaky waves of one half-space, as :func:`.leaky_modes` finds them."""
    stack = SurfaceAdmittance.from_tensors(tensor, ())
    families, whole = [], True
    for family, (free, metallised), strips in leaky_roots(
        stack, HALF_SPACE_FREQUENCY, LARGEST_LOSS
    ):
        fastest = bulk_onsets(tensor.restricted(family))[-1]
        families.append((kept_roots(free, fastest), kept_roots(metallised, fastest)))
        whole &= family == ALL and not any(strip.note for strip in strips)
    return Found(tuple(families), whole and len(families) == 1)


def along_row(tensors: Sequence[GeneralisedTensor], seed: int) -> tuple[list[Found], int]:
    """Leaky waves of half-spaces that follow one another in small steps.

    Parameters
    ----------
    tensors : blocks in device axes. seed : of the draw of the point that is searched besides.

    Returns
    -------
    The waves of each, and how many were followed instead of searched for.
    """
    count = len(tensors)
    if count < SHORTEST:
        return [searched(tensor) for tensor in tensors], 0
    known: dict[int, Found] = {}

    def at(index: int) -> Found:
        if index not in known:
            known[index] = searched(tensors[index])
        return known[index]

    marks = (0, count // 2, count - 1)
    drawn = int(np.random.default_rng(seed).choice(np.setdiff1d(np.arange(count), marks)))
    followed: dict[int, Found] = {}
    spans = list(pairwise(marks))
    while spans:
        a, b = spans.pop()
        tracks = _tracks(at(a), at(b))
        if tracks is not None:
            try:
                followed |= _between(tensors, tracks, (a, b))
            except (np.linalg.LinAlgError, ConvergenceError):
                continue  # all of the span is searched
        elif b - a > 2:  # a wave sets in or ends in between
            spans += [(a, (a + b) // 2), ((a + b) // 2, b)]
    there = followed.pop(drawn, None)
    if there is not None and not _same(there, at(drawn)):
        followed = {}  # a wave was lost or another met: nothing along this run is trusted
    result = [followed.get(index) or at(index) for index in range(count)]
    return result, count - len(known)


def _between(
    tensors: Sequence[GeneralisedTensor],
    tracks: tuple[Tracks, Tracks],
    span: tuple[int, int],
) -> dict[int, Found]:
    """Waves between two points of a row, wherever they are beyond doubt."""
    a, b = span
    if b - a < 2:
        return {}
    batch = _Batch(tensors[a : b + 1])
    sound = np.array([_is_whole(tensor) for tensor in tensors[a : b + 1]])
    modes: list[list[list[SurfaceMode]]] = [[[], []] for _ in sound]
    for surface, pairs in enumerate(tracks):
        roots: list[ComplexArray] = []
        for left, right in pairs:
            ends = _slowness(left), _slowness(right)
            root = batch.root(*ends, metallised=bool(surface))
            if root is None:
                return {}
            u, motion, good = root
            sound &= good
            for other in roots:
                sound &= np.abs(u / other - 1.0) > SAME
            roots.append(u)
            for point in np.flatnonzero(sound):
                modes[point][surface].append(_mode(u[point], motion[point]))
    result = {}
    for point in np.flatnonzero(sound[1:-1]) + 1:  # the ends are known
        free, metallised = (sorted(side, key=lambda m: m.velocity) for side in modes[point])
        result[a + int(point)] = Found(((tuple(free), tuple(metallised)),), whole=True)
    return result


def _is_whole(tensor: GeneralisedTensor) -> bool:
    return tuple(uncoupled_components([tensor])) == (ALL,)


def _tracks(left: Found, right: Found) -> tuple[Tracks, Tracks] | None:
    """The same waves at both ends, or None where they are not the same."""
    if not (left.whole and right.whole):
        return None
    both: tuple[Tracks, Tracks] = ([], [])
    for surface in (0, 1):
        old, new = left.sides[surface], list(right.sides[surface])
        if len(old) != len(new):
            return None
        for mode in old:
            alike = [abs(np.vdot(mode.displacement, one.displacement)) ** 2 for one in new]
            best = int(np.argmax(alike))
            if alike[best] < ALIKE:
                return None
            both[surface].append((mode, new.pop(best)))
    return both


def _same(one: Found, other: Found) -> bool:
    """As many waves of the same slowness."""
    if not other.whole:
        return False
    for mine, theirs in zip(one.sides, other.sides, strict=True):
        if len(mine) != len(theirs):
            return False
        for a, b in zip(mine, theirs, strict=True):
            if abs(_slowness(a) / _slowness(b) - 1.0) > SAME:
                return False
    return True


def _slowness(mode: SurfaceMode) -> complex:
    return (1.0 - 1j * mode.attenuation) / mode.velocity


def _mode(u: complex, motion: ComplexArray) -> SurfaceMode:
    return SurfaceMode(1.0 / u.real, embedded(motion, ALL), max(-u.imag / u.real, 0.0), ALL)


class _Batch:
    """Half-spaces of many orientations, all components coupled."""

    def __init__(self, tensors: Sequence[GeneralisedTensor]) -> None:
        blocks = [tensor.stroh_blocks for tensor in tensors]
        self.turned, self.inverse, self.stiffness, mass = map(np.stack, zip(*blocks, strict=True))
        self.mass = tensors[0].density * mass
        self.ends = [np.array(branch_points(tensor)) for tensor in tensors]
        self.fastest = np.array([bulk_onsets(tensor)[-1] for tensor in tensors])

    def strips(self, left: complex, right: complex) -> tuple[Array, Array] | None:
        """Strips that hold a wave whose slowness goes from left to right over the orientations.

        Returns mean and half the difference of the slownesses at their ends, (m,) s/m; None where
        there is no strip. Narrow strips may come and go along a row.
        """
        counts = [len(ends) for ends in self.ends]
        speeds = 1.0 / np.linspace(left.real, right.real, len(self.ends))
        places = [int(np.searchsorted(e, v)) for e, v in zip(self.ends, speeds, strict=True)]
        for count, place in ((counts[-1], places[-1]), (counts[0], places[0])):
            places = [place if c == count else p for c, p in zip(counts, places, strict=True)]
        if any(not 0 < p < c for p, c in zip(places, counts, strict=True)):
            return None
        chosen = zip(self.ends, places, strict=True)
        slow = 1.0 / np.array([ends[place - 1 : place + 1] for ends, place in chosen])
        return 0.5 * slow.sum(axis=1), 0.5 * (slow[:, 0] - slow[:, 1])

    def matrix(self, u: ComplexArray | Array) -> ComplexArray:
        """Stroh's matrix at q = 1 and s = 1 / u, (m, 8, 8)."""
        squared = (1.0 / np.asarray(u)[:, None, None]) ** 2
        upper = np.concatenate([self.turned, self.inverse], axis=2)
        lower = [squared * self.mass - self.stiffness, np.swapaxes(self.turned, 1, 2)]
        return np.concatenate([upper, np.concatenate(lower, axis=2)], axis=1)

    def carried(
        self, angle: ComplexArray, strips: tuple[Array, Array]
    ) -> tuple[ComplexArray, Mask]:
        """Z at complex angles of the strips, from the real axis, and where it is sure."""
        start = np.clip(angle.real, CLEAR_OF_ENDS, np.pi - CLEAR_OF_ENDS)
        _, vectors = partial_waves(self.matrix(slowness(start, strips)))
        z, sound = wave_ratio(vectors[..., :4])
        for share in CARRIED:
            matrix = self.matrix(slowness(start + share * (angle - start), strips))
            before = z
            z, clear = chosen_waves(matrix, before)
            doubtful = np.flatnonzero(~clear)
            if doubtful.size:
                z[doubtful], clear[doubtful] = newton(
                    matrix[doubtful], before[doubtful], contraction=CONTRACTION
                )
            sound &= clear
        return z, sound

    def root(
        self, left: complex, right: complex, *, metallised: bool
    ) -> tuple[ComplexArray, ComplexArray, Mask] | None:
        """Roots between those of the first and the last orientation, slownesses in s/m.

        Returns slownesses (m,), motions (m, 4), and where they are beyond doubt; None where the
        two ends have no strip in common. The secant method runs in the angle of a strip,
        u = mean - half cos(angle), in which Z is smooth at its ends (:mod:`.sheet`).
        """
        strips = self.strips(left, right)
        if strips is None:
            return None
        (mean, half), count = strips, len(self.ends)
        edges = (mean[[0, -1]] - np.array([left, right])) / half[[0, -1]]
        first, last = np.arccos(edges + 0.0j)

        x = first + (last - first) * np.linspace(0.0, 1.0, count)
        z, sure = self.carried(x, strips)

        def surface(angle: ComplexArray) -> ComplexArray:
            nonlocal z, sure
            matrix = self.matrix(slowness(angle, strips))
            z, good = newton(matrix, z, contraction=CONTRACTION)
            sure = sure & good
            y = 1j * z
            if metallised:
                return np.asarray(y[:, :3, :3])
            y[:, -1, -1] -= VACUUM
            return y

        x, settled = secant(lambda angle: np.linalg.det(surface(angle)), x)
        u = slowness(x, strips)
        _, values, vectors = np.linalg.svd(surface(x))
        motion = np.zeros((count, 4), dtype=complex)
        motion[:, : vectors.shape[2]] = vectors[:, -1].conj()
        sound = settled & sure & (values[:, -1] < SINGULAR * values[:, 0])
        return u, motion, sound & self._inside(u, mean, half)

    def _inside(self, u: ComplexArray, mean: Array, half: Array) -> Mask:
        """Within the strip and the losses that are searched, and not near the bound of these."""
        velocity, loss = 1.0 / u.real, -u.imag / u.real
        bound = np.minimum(LARGEST_LOSS, (mean + half) / (mean - half) - 1.0)
        good = (np.abs(u.real - mean) < half) & (velocity < self.fastest)
        return np.asarray(good & (loss > -1e-9) & (loss < INSIDE * bound))


def slowness(angle: Array | ComplexArray, strips: tuple[Array, Array]) -> ComplexArray:
    """U of angles in strips of (mean, half)."""
    mean, half = strips
    return np.asarray(mean - half * np.cos(angle))


def secant(f: Callable[[ComplexArray], ComplexArray], x: ComplexArray) -> tuple[ComplexArray, Mask]:
    """Roots of f from starts (m,), each on its own, and where they have settled."""
    before, x = x, x + 1.0e-4
    f_before, settled = f(before), np.zeros(x.shape, dtype=bool)
    for _ in range(STEPS):
        here = f(x)
        with np.errstate(divide="ignore", invalid="ignore"):
            step = -here * (x - before) / (here - f_before)
        step = np.where(np.isfinite(step) & ~settled, step, 0.0)
        step *= np.minimum(1.0, LONGEST / np.maximum(np.abs(step), 1e-300))
        before, f_before, x = x, here, x + step
        settled |= np.abs(step) < SETTLED
        if settled.all():
            break
    return x, settled
