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

from dataclasses import dataclass

import numpy as np

from sawfem.planewave.admittance import SurfaceAdmittance, below
from sawfem.planewave.counting import Inertia, closed, counted, eliminated, hermitian
from sawfem.planewave.generalised import Array, ComplexArray, Indices, uncoupled_components
from sawfem.planewave.limiting import fastest_bulk, lowest_onset
from sawfem.planewave.roots import enclosed_roots, interpolated_root

#: Angular frequency at which half-spaces, which know no scale, are computed, rad/s.
HALF_SPACE_FREQUENCY = 2.0e9 * np.pi
#: Cells of the scan of a layered stack, uniform in sqrt(1 - v^2 / v_limit^2); of a half-space.
SCAN_CELLS = 96
BARE_CELLS = 12
#: Nearest approach to the limiting velocity, as sqrt(1 - v^2 / v_limit^2): 5e-13 in velocity.
NEAREST = 1.0e-6
#: Slowest velocity of a scan's start over the limiting velocity; a slower wave extends the scan.
SLOWEST = 0.05
#: Velocity, over the fastest bulk wave, up to which the waves of a membrane are sought.
MEMBRANE = 20.0
#: Samples from which the place of a wave is guessed, and relative accuracy of its velocity.
NEIGHBOURS = 8
PLACE = 5.0e-14
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
    """

    velocity: float
    displacement: ComplexArray
    attenuation: float = 0.0


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
        last = np.sqrt(1.0 - min(SLOWEST, 0.5 * self.highest / self.limit) ** 2)
        return np.linspace(first, last, (SCAN_CELLS if self.layered else BARE_CELLS) + 1)

    def sample(self, x: Array) -> dict[bool, Inertia]:
        """Counts of the free (False) and the metallised surface (True) at places x."""
        y, buried = self._eliminated(x)
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

    def matrices(self, x: Array, metallised: np.ndarray) -> ComplexArray:
        """Surface matrix at each place x (m,), of the free or the metallised surface each.

        (m, n, n). Where phi = 0, the row and column of the potential hold a number below all
        eigenvalues of the rest, so that the index of an eigenvalue shifts by one.
        """
        if self.layered:
            y = self.admittance.scaled(self.omega, self.wavenumber(x))
            y = hermitian(y / self.wavenumber(x)[:, None, None])
        else:
            y, _ = self._eliminated(x)
        if not self.admittance.tensors[0].electric:
            return y
        free = closed(self.admittance, y, metallised=False)
        if free.shape[-1] == y.shape[-1]:
            y = np.where(metallised[:, None, None], y, free)
        held = metallised | self.admittance.shorted
        size = np.abs(y).max(axis=(1, 2))
        y[held, -1, :] = y[held, :, -1] = 0.0
        y[held, -1, -1] = -4.0 * size[held]
        return np.asarray(y)

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
        roots = self._roots(brackets)
        flags = np.array([bracket.metallised for bracket in brackets])
        found: dict[bool, list[SurfaceMode]] = {False: [], True: []}
        values, vectors = np.linalg.eigh(self.matrices(roots, flags)) if brackets else ((), ())
        for root, metal, value, vector in zip(roots, flags, values, vectors, strict=True):
            null = vector[:, int(np.argmin(np.abs(value)))]
            found[bool(metal)].append(SurfaceMode(self.velocity(root), null))
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
        while low.size:
            split = np.zeros(low.size, dtype=bool)
            for metal in (False, True):
                split |= self._settle(metal, x, low, high, at[metal], suspects[metal], done)
            low, high = low[split], high[split]
            middle = 0.5 * (x[low] + x[high])
            if middle.size == 0:
                break
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
        low: np.ndarray,
        high: np.ndarray,
        at: Inertia,
        suspect: np.ndarray,
        done: list[Bracket],
    ) -> np.ndarray:
        """Take the cells with one wave of one surface; say which must be halved, (cells,)."""
        step = np.abs(at.count[low] - at.count[high])
        clean = at.buried[low] == at.buried[high]
        width = np.abs(x[high] - x[low])
        atom = width < 4e-16 * np.maximum(x[high], 1e-3)
        atom |= clean & (width < 1e-13)
        split = ~atom & (suspect | (step > 1) | ((step == 1) & ~clean))
        electric = int(self.admittance.tensors[0].electric)
        potentials = 0 if metallised else self.admittance.potentials
        for cell in np.flatnonzero(~split & (step > 0)):
            i, j = low[cell], high[cell]
            index = int(min(at.count[i] - at.buried[i], at.count[j] - at.buried[j]))
            near = np.argsort(np.abs(x - 0.5 * (x[i] + x[j])), kind="stable")[:NEIGHBOURS]
            near = np.concatenate([[i, j], near[(near != i) & (near != j)]])
            values = at.eigenvalues[near, index + potentials]
            place = interpolated_root(x[near], values) if clean[cell] else None
            low_x, high_x = float(x[i]), float(x[j])
            guess, spread = place or (0.5 * (low_x + high_x), 0.5 * abs(high_x - low_x))
            ends = (float(values[0]), float(values[1]))
            bracket = Bracket(metallised, index + electric, low_x, high_x, ends, guess, spread)
            done.extend([bracket] * int(step[cell]))
        return np.asarray(split)

    def _roots(self, brackets: list[Bracket]) -> Array:
        """Places of the waves, polished to rounding, all in step."""
        if not brackets:
            return np.empty(0)
        flags = np.array([bracket.metallised for bracket in brackets])
        index = np.array([bracket.index for bracket in brackets])
        rows = np.array([(b.low, b.high, *b.ends, b.guess, b.spread) for b in brackets]).T
        low, high, at_low, at_high, guess, spread = rows
        proper = at_low * at_high <= 0.0  # else a cell at the limit of resolution
        at_low, at_high = np.where(proper, at_low, 0.0), np.where(proper, at_high, 1.0)

        def eigenvalues(x: Array) -> Array:
            times = x.size // index.size
            values = np.linalg.eigvalsh(self.matrices(x.ravel(), np.tile(flags, times)))
            return np.asarray(values[np.arange(x.size), np.tile(index, times)]).reshape(x.shape)

        window = PLACE * (guess if self.membrane else (1.0 - guess**2) / np.maximum(guess, PLACE))
        return enclosed_roots(
            eigenvalues,
            (low, high, at_low, at_high),
            guess=guess,
            spread=spread,
            accuracy=window,
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
                SurfaceMode(mode.velocity, embedded(mode.displacement, family)) for mode in modes
            )
            for metallised, modes in search.modes().items()
        }
    return result


def surface_modes(
    admittance: SurfaceAdmittance, omega: float, *, metallised: bool
) -> dict[tuple[int, ...], tuple[SurfaceMode, ...]]:
    """Waves of one surface as :func:`both_surfaces` finds them, family -> slowest first."""
    found = both_surfaces(admittance, omega)
    return {family: modes[metallised] for family, modes in found.items()}


def embedded(part: ComplexArray, family: tuple[int, ...]) -> ComplexArray:
    """Displacement and potential in all four places, |u| = 1 and the largest u real."""
    displacement = np.zeros(4, dtype=complex)
    displacement[list(family)[: len(part)]] = part
    displacement /= np.linalg.norm(displacement[:3])
    largest = displacement[int(np.argmax(np.abs(displacement[:3])))]
    return np.asarray(displacement * (abs(largest) / largest))
