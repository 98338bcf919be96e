"""Velocities of all waves that a free or a metallised surface carries without leaking.

Every wave is bracketed by counting (:mod:`.counting`) and then polished to rounding on the one
eigenvalue of the surface matrix that passes through zero. On a half-space the count is exact and
rises with the velocity. On a layered stack and on a membrane the frequency is held fixed; the
count is exact at every velocity, but a wave whose group velocity opposes its phase velocity takes
a step back, and two such steps may undo each other inside one cell of the scan. ``guard`` rules
that out: no wave moves faster in frequency than c dk, c the fastest bulk wave, so a cell of width
dk at the wavenumber k is passed only by the waves counted between omega - c dk / 2 and
omega + c dk / 2 in its middle; a cell is halved until their number is that of the steps found.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from sawfem.planewave.admittance import SurfaceAdmittance, below
from sawfem.planewave.counting import Inertia, closed, counted, eliminated, hermitian
from sawfem.planewave.generalised import Array, ComplexArray, Indices, Mask, uncoupled_components
from sawfem.planewave.limiting import fastest_bulk, lowest_onset
from sawfem.planewave.matrix_series import MatrixSeries, lobatto
from sawfem.planewave.roots import enclosed_roots, interpolated_root

#: Angular frequency at which half-spaces, which know no scale, are computed, rad/s.
HALF_SPACE_FREQUENCY = 2.0e9 * np.pi
#: Cells of the scan of a layered stack, uniform in sqrt(1 - v^2 / v_limit^2); of a half-space.
SCAN_CELLS = 96
BARE_CELLS = 10
#: Nearest approach to the limiting velocity, as sqrt(1 - v^2 / v_limit^2): 5e-13 in velocity.
NEAREST = 1.0e-6
#: Slowest velocity of a scan's start over the limiting velocity; a slower wave extends the scan.
SLOWEST = 0.05
#: Velocity, over the fastest bulk wave, up to which the waves of a membrane are sought.
MEMBRANE = 20.0
#: Samples from which the place of a wave is guessed, and relative accuracy of its velocity.
NEIGHBOURS = 8
PLACE = 5.0e-14
#: Steps on the series of the surface matrix, the last of them (the next is of the order of its
#: square), and the least distance at which the matrix itself is looked at beside the guess.
REFINED = 8
LAST = 3.0e-4
NEAR = 1.0e-6
#: Relative width of a cell that the guard halves no further.
GUARDED = 1.0e-7


@dataclass(frozen=True, eq=False)
class SurfaceMode:
    """One wave of one surface.

    Attributes
    ----------
    velocity : m/s. displacement : complex, (u1, u2, u3, phi / FIELD) at the surface, or those of
        them that the search was restricted to; without phi under a metallised surface.
    attenuation : -Im k / Re k, 0 for a wave that does not leak.
    family : components that take part. impedance : Z of a bare half-space at the wave, (n, n),
        of these components at q = 1; None under layers and for leaky waves.
    """

    velocity: float
    displacement: ComplexArray
    attenuation: float = 0.0
    family: tuple[int, ...] = (0, 1, 2, 3)
    impedance: ComplexArray | None = None


@dataclass(frozen=True, eq=False)
class Bracket:
    """A wave between two places of the scan: eigenvalue ``index`` changes sign in between.

    ``ends`` are its values there; ``guess`` is where it vanishes, give or take ``spread``.
    """

    metallised: bool
    index: int
    low: float
    high: float
    ends: tuple[float, float]
    guess: float
    spread: float


class ModeSearch:
    """Search on one stack at one frequency for both surfaces, which share all samples.

    Places x of the scan: sqrt(1 - v^2 / v_limit^2) over a half-space, in which Y is smooth up to
    the limit; the wavenumber over omega / (fastest bulk wave) on a membrane.
    """

    def __init__(
        self,
        admittance: SurfaceAdmittance,
        omega: float,
        *,
        guard: bool = False,
        fastest: float | None = None,
    ) -> None:
        self.admittance, self.omega, self.guard = admittance, omega, guard
        substrate, layers = admittance.tensors
        self.membrane, self.layered = substrate.is_vacuum, bool(layers)
        tensors = [tensor for tensor, _ in layers]
        if self.membrane or (guard and self.layered):
            self.fastest = fastest_bulk(tensors if self.membrane else [substrate, *tensors])
        self.limit = np.inf if self.membrane else lowest_onset(substrate)
        self.series: MatrixSeries | None = None
        self.highest = MEMBRANE * self.fastest if self.membrane else self.limit
        if fastest is not None and fastest < self.highest:
            self.highest = fastest

    def wavenumber(self, x: Array) -> Array:
        """k, rad/m, at places x."""
        if self.membrane:
            return np.asarray(x * (self.omega / self.fastest))
        return np.asarray(self.omega / (self.limit * np.sqrt(1.0 - np.asarray(x) ** 2)))

    def velocity(self, x: float) -> float:
        """Phase velocity omega / k at x, m/s."""
        if self.membrane:
            return float(self.fastest / x)
        return float(self.limit * np.sqrt(1.0 - x**2))

    def scan(self) -> Array:
        """Places at which the search begins, fast to slow."""
        if self.membrane:
            return np.geomspace(self.fastest / self.highest, 1.0 / SLOWEST, SCAN_CELLS + 1)
        first = max(NEAREST, float(np.sqrt(1.0 - (self.highest / self.limit) ** 2)))
        last = float(np.sqrt(1.0 - min(SLOWEST, 0.5 * self.highest / self.limit) ** 2))
        if not self.layered:
            return lobatto(first, last, BARE_CELLS)
        return np.linspace(first, last, SCAN_CELLS + 1)

    def sample(self, x: Array) -> dict[bool, Inertia]:
        """Counts of the free (False) and the metallised surface (True) at places x."""
        y, buried = self._eliminated(x)
        if self.series is None and not self.layered:
            self.series = MatrixSeries.of(float(x[0]), float(x[-1]), y)
        return {
            metallised: counted(self.admittance, y, buried, metallised=metallised)
            for metallised in (False, True)
        }

    def _eliminated(self, x: Array) -> tuple[ComplexArray, Indices]:
        if self.layered:
            k = self.wavenumber(x)
            return eliminated(self.admittance, np.full_like(k, self.omega), k)
        v = self.limit * np.sqrt(1.0 - x**2)  # lengths in units of 1 / k
        y = hermitian(1j * below(self.admittance.tensors[0], np.ones_like(v), v))
        return y, np.zeros(len(x), dtype=np.intp)

    def surfaces(self, x: Array) -> ComplexArray:
        """Hermitian Y over k at the surface (m, n, n) at places x."""
        if not self.layered:
            return self._eliminated(x)[0]
        k = self.wavenumber(x)
        return hermitian(self.admittance.scaled(self.omega, k) / k[:, None, None])

    def closed_by(self, y: ComplexArray, metallised: np.ndarray) -> ComplexArray:
        """Matrix of each surface (m,), the free or the metallised one, from its Y over k.

        (m, n, n). Where phi = 0, the row and column of the potential hold a number below all
        eigenvalues of the rest, so that the index of an eigenvalue shifts by one.
        """
        if not self.admittance.tensors[0].electric:
            return y
        free = closed(self.admittance, y, metallised=False)
        held = metallised | self.admittance.shorted
        size = np.abs(y).max(axis=(1, 2))
        y = y.copy() if free.shape[-1] < y.shape[-1] else free
        y[held, -1, :] = y[held, :, -1] = 0.0
        y[held, -1, -1] = -4.0 * size[held]
        return y

    def modes(self) -> dict[bool, tuple[SurfaceMode, ...]]:
        """All waves of the free (False) and the metallised surface (True), slowest first."""
        x = self.scan()
        at = self.sample(x)
        while max(at[False].count[-1], at[True].count[-1]) > 0:
            deeper = self._deeper(x[-1])  # a wave slower than the scan's start
            if deeper is None:
                break
            x = np.append(x, deeper)
            at = _joined(at, self.sample(x[-1:]))
        brackets = self._brackets(x, at)
        found: dict[bool, list[SurfaceMode]] = {False: [], True: []}
        polish = _Polish(self, brackets)
        for root, bracket, vector, y in zip(
            polish.roots(), brackets, polish.vectors, polish.surfaces, strict=True
        ):
            z = None if self.layered else -1j * y
            mode = SurfaceMode(self.velocity(root), vector, impedance=z)
            found[bracket.metallised].append(mode)
        return {
            metal: tuple(sorted(modes, key=lambda mode: mode.velocity))
            for metal, modes in found.items()
        }

    def _deeper(self, x: float) -> float | None:
        """The next place beyond the slow end of a scan; None at rest."""
        if self.membrane:
            return 4.0 * x if x < 1e6 else None
        deeper = float(np.sqrt(1.0 - 0.25 * (1.0 - x**2)))
        return deeper if x < 1.0 - 1e-9 and deeper > x else None

    def _brackets(self, x: Array, at: dict[bool, Inertia]) -> list[Bracket]:
        """One bracket for every wave, by halving cells until each wave stands alone."""
        done: list[Bracket] = []
        low, high = np.arange(len(x) - 1), np.arange(1, len(x))
        suspects = self._suspects(x, low, high, at)
        pending = {metal: np.ones(low.size, dtype=bool) for metal in (False, True)}
        while low.size:
            # A cell may be done with for one surface and not for the other.
            split = {
                metal: self._settle(metal, x, (low, high, mask), at[metal], suspects[metal], done)
                for metal, mask in pending.items()
            }
            either = split[False] | split[True]
            low, high = low[either], high[either]
            middle = 0.5 * (x[low] + x[high])
            if middle.size == 0:
                break
            pending = {metal: np.tile(mask[either], 2) for metal, mask in split.items()}
            new = np.arange(len(x), len(x) + middle.size)
            x, at = np.append(x, middle), _joined(at, self.sample(middle))
            low, high = np.concatenate([low, new]), np.concatenate([new, high])
            suspects = self._suspects(x, low, high, at)
        return done

    def _suspects(
        self, x: Array, low: np.ndarray, high: np.ndarray, at: dict[bool, Inertia]
    ) -> dict[bool, np.ndarray]:
        """Cells in which waves may undo each other's steps, for both surfaces."""
        none = {metal: np.zeros(low.size, dtype=bool) for metal in (False, True)}
        if not (self.guard and self.layered) or low.size == 0:
            return none
        k_low, k_high = self.wavenumber(x[low]), self.wavenumber(x[high])
        k, reach = 0.5 * (k_low + k_high), 0.5 * self.fastest * np.abs(k_high - k_low)
        wide = np.abs(k_high - k_low) > GUARDED * k
        upper = np.minimum(self.omega + reach, self.limit * np.sqrt(1.0 - NEAREST**2) * k)
        lower = np.maximum(self.omega - reach, 1e-3 * self.omega)
        bounds = []
        for omega in (upper, lower):
            y, buried = eliminated(self.admittance, omega, k)
            bounds.append((y, buried))
        result = {}
        for metal in none:
            above, under = (
                counted(self.admittance, y, buried, metallised=metal).count for y, buried in bounds
            )
            steps = np.abs(at[metal].count[low] - at[metal].count[high])
            result[metal] = wide & (above - under > steps)
        return result

    def _settle(
        self,
        metallised: bool,
        x: Array,
        cells: tuple[Indices, Indices, Mask],
        at: Inertia,
        suspect: Mask,
        done: list[Bracket],
    ) -> Mask:
        """Take the cells with one wave of one surface; say which must be halved, (cells,).

        ``cells`` are the places of their ends in x, and which of them this surface waits for.
        """
        low, high, pending = cells
        step = np.abs(at.count[low] - at.count[high])
        clean = at.buried[low] == at.buried[high]
        width = np.abs(x[high] - x[low])
        atom = width < 4e-16 * np.maximum(x[high], 1e-3)
        atom |= clean & (width < 1e-13)
        split = pending & ~atom & (suspect | (step > 1) | ((step == 1) & ~clean))
        electric = int(self.admittance.tensors[0].electric)
        potentials = 0 if metallised else self.admittance.potentials
        for cell in np.flatnonzero(pending & ~split & (step > 0)):
            i, j = low[cell], high[cell]
            index = int(min(at.count[i] - at.buried[i], at.count[j] - at.buried[j]))
            near = np.array([i, j])
            if self.series is None:
                nearest = np.argsort(np.abs(x - 0.5 * (x[i] + x[j])), kind="stable")[:NEIGHBOURS]
                near = np.append(near, nearest[(nearest != i) & (nearest != j)])
            values = at.eigenvalues[near, index + potentials]
            place = None
            if clean[cell] and self.series is None:
                place = interpolated_root(x[near], values)
            low_x, high_x = float(x[i]), float(x[j])
            guess, spread = place or (0.5 * (low_x + high_x), 0.5 * abs(high_x - low_x))
            ends = (float(values[0]), float(values[1]))
            bracket = Bracket(metallised, index + electric, low_x, high_x, ends, guess, spread)
            done.extend([bracket] * int(step[cell]))
        return np.asarray(split)


class _Polish:
    """Waves in their brackets, polished to rounding, all in step.

    Attributes
    ----------
    vectors, surfaces : motions (m, n) and Y over k (m, n, n) of the points that came nearest.
    """

    def __init__(self, search: ModeSearch, brackets: list[Bracket]) -> None:
        self.search = search
        self.flags = np.array([bracket.metallised for bracket in brackets], dtype=bool)
        self.index = np.array([bracket.index for bracket in brackets], dtype=np.intp)
        rows = np.array([(b.low, b.high, *b.ends, b.guess, b.spread) for b in brackets])
        low, high, at_low, at_high, self.guess, self.spread = rows.reshape(-1, 6).T
        proper = at_low * at_high <= 0.0  # else a cell at the limit of resolution
        self.ends = low, high, np.where(proper, at_low, 0.0), np.where(proper, at_high, 1.0)
        size = search.admittance.tensors[0].size
        self.vectors = np.zeros((len(brackets), size), dtype=complex)
        self.surfaces = np.zeros((len(brackets), size, size), dtype=complex)
        self._least = np.full(len(brackets), np.inf)

    def roots(self) -> Array:
        """Places of the waves (m,)."""
        if self.index.size == 0:
            return np.empty(0)
        if self.search.series is not None:
            self._refine(self.search.series)
        guess = self.guess
        window = guess if self.search.membrane else (1.0 - guess**2) / np.maximum(guess, PLACE)
        return enclosed_roots(
            self._eigenvalues, self.ends, guess=guess, spread=self.spread, accuracy=PLACE * window
        )

    def _eigenvalues(self, x: Array) -> Array:
        """Of every bracket at places x, (m,) or (p, m); keeps the motion nearest to the wave."""
        places = x.reshape(-1, self.index.size)
        y = self.search.surfaces(x.ravel())
        closed = self.search.closed_by(y, np.tile(self.flags, len(places)))
        values, vectors = np.linalg.eigh(closed)
        rows, index = np.arange(x.size), np.tile(self.index, len(places))
        picked = values[rows, index].reshape(places.shape)
        size = np.abs(picked)
        nearest = np.argmin(size, axis=0)
        brackets = np.arange(self.index.size)
        better = np.flatnonzero(size[nearest, brackets] < self._least)
        at = nearest[better] * self.index.size + better
        self._least[better] = size[nearest[better], better]
        self.vectors[better] = vectors[at, :, self.index[better]]
        self.surfaces[better] = y[at]
        return np.asarray(picked.reshape(x.shape))

    def _refine(self, series: MatrixSeries) -> None:
        """Better guesses by Newton's method on the series of the surface matrix."""
        a, b, at_a, at_b = self.ends
        low, high = np.minimum(a, b), np.maximum(a, b)
        rising = np.sign(np.where(a < b, at_b - at_a, at_a - at_b))
        with np.errstate(divide="ignore", invalid="ignore"):
            x = a - at_a * (b - a) / (at_b - at_a)
        x = np.where(np.isfinite(x), np.clip(x, low, high), 0.5 * (a + b))
        rows = np.arange(x.size)
        for _ in range(REFINED):
            y, slopes = series.at(x)
            values, vectors = np.linalg.eigh(self.search.closed_by(y, self.flags))
            f, v = values[rows, self.index], vectors[rows, :, self.index]
            slope = np.sum(v.conj() * (slopes @ v[:, :, None])[:, :, 0], axis=1).real
            below = f * rising < 0.0
            low, high = np.where(below, x, low), np.where(below, high, x)
            with np.errstate(divide="ignore", invalid="ignore"):
                ahead = x - f / slope
            ahead = np.where((ahead > low) & (ahead < high), ahead, 0.5 * (low + high))
            step, x = np.abs(ahead - x), ahead
            if step.max() < LAST:
                break
        self.guess = x
        steep = np.maximum(np.abs(slope), 1e-3)
        self.spread = np.clip(
            10.0 * step**2 + series.tail / steep, NEAR, 0.1 * np.abs(b - a) + NEAR
        )


def _joined(first: dict[bool, Inertia], more: dict[bool, Inertia]) -> dict[bool, Inertia]:
    """Samples of both surfaces with further ones behind them."""
    return {
        metal: Inertia(
            np.append(first[metal].buried, more[metal].buried),
            np.concatenate([first[metal].eigenvalues, more[metal].eigenvalues]),
            np.append(first[metal].count, more[metal].count),
        )
        for metal in first
    }


def both_surfaces(
    admittance: SurfaceAdmittance,
    omega: float,
    *,
    guard: bool = False,
    fastest: float | None = None,
) -> dict[tuple[int, ...], dict[bool, tuple[SurfaceMode, ...]]]:
    """All waves that do not leak, by families of components that do not couple, by surface.

    Parameters
    ----------
    admittance : of the stack, all four components. omega : rad/s; without meaning for a bare
        half-space.
    guard : rule out waves that undo each other's steps; costs three times the scan.
    fastest : velocity up to which to search, m/s; the limit where it is None, on a membrane
        20 times the fastest bulk wave.

    Returns
    -------
    Family (0, 1, 2 displacements, 3 potential) -> {metallised: waves, slowest first}.
    """
    substrate, layers = admittance.tensors
    result = {}
    for family in uncoupled_components([substrate, *(tensor for tensor, _ in layers)]):
        if family == (3,):
            continue
        part = admittance.restricted(family)
        search = ModeSearch(part, omega, guard=guard, fastest=fastest)
        result[family] = {
            metallised: tuple(
                replace(mode, displacement=embedded(mode.displacement, family), family=family)
                for mode in modes
            )
            for metallised, modes in search.modes().items()
        }
    return result


def embedded(part: ComplexArray, family: tuple[int, ...]) -> ComplexArray:
    """Displacement and potential in all four places, |u| = 1 and the largest u real."""
    displacement = np.zeros(4, dtype=complex)
    displacement[list(family)[: len(part)]] = part
    displacement /= np.linalg.norm(displacement[:3])
    largest = displacement[int(np.argmax(np.abs(displacement[:3])))]
    return np.asarray(displacement * (abs(largest) / largest))
