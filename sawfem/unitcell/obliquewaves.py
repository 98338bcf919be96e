"""A wave of the grating followed to transverse wavenumbers: steering, anisotropy, slowness.

Two gratings are followed. A continuous electrode is a conductor along x2, so that its potential
cannot vary as exp(-j k2 x2): for k2 != 0 it is zero, whether the electrode is driven, grounded or
floating. That is the shorted grating, and what the strips of a device do. In the open one no
current runs along x2 either: each cross-section of an electrode floats on its own, its charge zero
at every x2. It is the limit of strips that are cut into pieces shorter than the transverse wave,
and goes on from the open edges at k2 = 0 without a jump.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import block_diag

from sawfem.errors import ConvergenceError
from sawfem.unitcell.connection import ConnectedSystem
from sawfem.unitcell.discretisation import Discretisation
from sawfem.unitcell.lossyreduced import has_loss, reduce_lossy
from sawfem.unitcell.modes import polish
from sawfem.unitcell.oblique import ObliqueSystem, TransverseForms
from sawfem.unitcell.reduced import ReducedSystem, reduce
from sawfem.unitcell.stopband import Edge, StopBand
from sawfem.unitcell.system import floor_admittance

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

#: Overlap of a mode with the one before it from which it counts as the same.
SAME_MODE = 0.7
#: How often a step may be halved.
HALVINGS = 3
#: Relative distance of frequencies within which modes share a small model.
NEAR = 0.03


@dataclass(frozen=True, eq=False)
class ObliqueBranch:
    """One wave of a grating at a fixed phase, against the transverse wavenumber.

    Attributes
    ----------
    period : m. phase : gamma, radians, so that k1 = gamma/p.
    transverse : (m,) k2, rad/m, ascending, zero among them.
    frequency : (m,) Hz, complex; positive imaginary part for radiation into the bulk.
    error : largest estimate of the relative error that the small basis makes.
    vector : all unknowns of the mode at k2 = 0.
    floating : (e, g) conductors whose cross-sections float; none in the shorted grating.
    ends : why the branch ends before the first and the last k2 asked for; "" where it does not.
    """

    period: float
    phase: float
    transverse: Array
    frequency: Complex
    error: float
    vector: Complex = field(repr=False)
    floating: Array = field(repr=False)
    ends: tuple[str, str] = ("", "")

    @property
    def is_open(self) -> bool:
        """Whether any conductor floats; without floating electrodes, a wave of the open grating."""
        return bool(self.floating.shape[1])

    @property
    def flow_angle(self) -> float:
        """Angle from x1 to the power flow of the wave that runs straight on (k2 = 0), degrees:
        tan = (k1/w) dw/dk2, as of a plane wave of that steering.
        """
        first, _ = self.derivatives()
        return float(np.degrees(np.arctan(first * self._per_omega)))

    @property
    def anisotropy(self) -> float:
        """Slope g = d psi/d theta of the power-flow angle, as of a plane wave w = v(theta) |k|:
        (k1^2/w) d^2w/dk2^2 = (1 + g)/cos^2 psi at fixed k1; -1 is a beam that does not spread.
        """
        _, second = self.derivatives()
        bend = second * self._per_omega * self.phase / self.period
        return bend * float(np.cos(np.radians(self.flow_angle))) ** 2 - 1.0

    @property
    def _per_omega(self) -> float:
        """k1/w at k2 = 0, s/m."""
        middle = int(np.flatnonzero(self.transverse == 0.0)[0])
        return self.phase / self.period / (2.0 * np.pi * float(self.frequency[middle].real))

    @property
    def angle(self) -> Array:
        """(m,) direction of the wave vector from x1 towards x2, degrees."""
        return np.asarray(np.degrees(np.arctan2(self.transverse, self.phase / self.period)))

    @property
    def slowness(self) -> Array:
        """(m, 2) k/w along x1 and x2, s/m."""
        omega = 2.0 * np.pi * self.frequency.real
        return np.column_stack([self.phase / self.period / omega, self.transverse / omega])

    def derivatives(self) -> tuple[float, float]:
        """dw/dk2 in m/s and d^2w/dk2^2 in m^2/s at k2 = 0, from the polynomial through all points.

        With an odd number of points placed evenly about zero these are central differences.
        """
        scale = float(np.max(np.abs(self.transverse)))
        omega = 2.0 * np.pi * self.frequency.real
        series = np.polynomial.Polynomial.fit(
            self.transverse / scale, omega, self.transverse.size - 1, domain=[-1, 1]
        ).coef
        return float(series[1] / scale), float(2.0 * series[2] / scale**2)


@dataclass(frozen=True, eq=False)
class Start:
    """A mode at k2 = 0 from which a branch begins.

    Attributes
    ----------
    frequency : Hz. vector : all unknowns (``model.expand``).
    floating : (e, g) conductors whose cross-sections float; none in the shorted grating.
    """

    frequency: complex
    vector: Complex = field(repr=False)
    floating: Array = field(repr=False)

    @classmethod
    def of(cls, band: StopBand, edge: Edge) -> Start:
        """An edge of a stop band, of the shorted or of the open grating."""
        floating = floating_conductors(band, shorted=edge.shorted)
        return cls(edge.frequency, band.model.expand(edge.vector), floating)


def follow_oblique(
    discretisation: Discretisation,
    phase: float,
    starts: Sequence[Start],
    transverse: Sequence[float] | Array,
    *,
    partly: bool = False,
    progress: Callable[[int, int], None] | None = None,
) -> tuple[ObliqueBranch, ...]:
    """Follow modes of the grating from k2 = 0 to transverse wavenumbers.

    Parameters
    ----------
    discretisation, phase : the cell, and gamma in radians.
    starts : modes near one another in frequency, which share the work.
    transverse : (m,) k2 in rad/m; zero is added.
    partly : end a branch where its mode is lost, and say why, instead of failing.
    progress : called as progress(done, total), in wavenumbers.

    Raises
    ------
    ConvergenceError : a mode is lost, as where it meets another one; take smaller steps.
    """
    k2 = np.unique(np.append(np.asarray(transverse, dtype=float), 0.0))
    forms, floor = TransverseForms.of(discretisation), floor_admittance(discretisation)
    period = discretisation.cell.period
    middle = int(np.flatnonzero(k2 == 0.0)[0])
    tracks = [_Track(start) for start in starts]

    def system_at(transverse: float) -> ObliqueSystem:
        return ObliqueSystem(discretisation, phase, floor, transverse * period, forms)

    ways = (range(middle, k2.size), range(middle - 1, -1, -1))
    for side, index in ((side, index) for side, way in enumerate(ways) for index in way):
        small: ReducedSystem | None = None
        for track in tracks:
            if not track.ends[1 - side]:
                small = track.step(side, (index, float(k2[index])), system_at, small, partly)
        if progress is not None:
            progress(index - middle + 1 if side == 0 else k2.size - index, k2.size)
    return tuple(track.branch(period, phase, k2) for track in tracks)


class _Track:
    """A branch as it grows, upwards first."""

    def __init__(self, start: Start) -> None:
        self.start = start
        self.ends = ["", ""]
        self._found: dict[int, complex] = {}
        self._errors: list[float] = []
        self._first: Complex | None = None
        self._shape = start.vector
        self._known: list[tuple[float, complex]] = []
        self._side = 0

    def step(
        self,
        side: int,
        place: tuple[int, float],
        system_at: Callable[[float], ObliqueSystem],
        small: ReducedSystem | None,
        partly: bool,
    ) -> ReducedSystem | None:
        """Go on to k2 at a place of the grid; returns the small model of it."""
        index, k2 = place
        if side != self._side:  # back to the middle, and down from there
            self._side = side
            assert self._first is not None  # the first way starts at k2 = 0
            self._known, self._shape = self._known[:1], self._first
        try:
            small, error = self._advance(k2, system_at, small, HALVINGS)
        except ConvergenceError as lost:
            if not partly or self._first is None:
                raise
            self.ends[1 - side] = str(lost)
            return small
        self._found[index] = self._known[-1][1]
        self._errors.append(error)
        if self._first is None:
            self._first = self._shape
        return small

    def _advance(
        self,
        k2: float,
        system_at: Callable[[float], ObliqueSystem],
        small: ReducedSystem | None,
        halvings: int,
    ) -> tuple[ReducedSystem, float]:
        """On to k2, by way of the middle where the mode is not found at once."""
        guess = _ahead(self._known, k2, self.start.frequency)
        if small is None or abs(guess.real / small.centre - 1.0) > NEAR:
            small = small_model(system_at(k2), guess)
        try:
            frequency, self._shape, error = same_mode(
                small, guess, self._shape, self.start.floating
            )
        except ConvergenceError:
            if halvings == 0 or not self._known:
                raise
            middle = 0.5 * (self._known[-1][0] + k2)
            self._advance(middle, system_at, None, halvings - 1)
            return self._advance(k2, system_at, small, halvings - 1)
        self._known.append((k2, frequency))
        return small, error

    def branch(self, period: float, phase: float, k2: Array) -> ObliqueBranch:
        """What was found."""
        places = sorted(self._found)
        values = np.array([self._found[index] for index in places])
        assert self._first is not None
        ends = (self.ends[0], self.ends[1])
        worst, floating = max(self._errors), self.start.floating
        return ObliqueBranch(period, phase, k2[places], values, worst, self._first, floating, ends)


def follow_edge(
    band: StopBand, edge: Edge, transverse: Sequence[float] | Array, *, partly: bool = False
) -> ObliqueBranch:
    """Follow an edge of a stop band, of the shorted or of the open grating; parameters and errors
    as for :func:`follow_oblique`.
    """
    system = band.model.system
    starts = [Start.of(band, edge)]
    return follow_oblique(system.discretisation, system.phase, starts, transverse, partly=partly)[0]


def floating_conductors(band: StopBand, *, shorted: bool) -> Array:
    """(e, g) electrodes of a band that share a potential without a charge: those that float, and
    in the open grating the hot ones together.
    """
    return pieces(band.model, shorted=shorted)


def pieces(model: ReducedSystem, *, shorted: bool) -> Array:
    """The same of a small model, connected or not, at any phase."""
    if isinstance(model, ConnectedSystem):
        return np.asarray(model.links[:, :-1] if shorted else model.links)
    electrodes = model.electrodes
    return np.zeros((electrodes, 0)) if shorted else np.eye(electrodes)


def _ahead(known: list[tuple[float, complex]], place: float, start: complex) -> complex:
    """The frequency that the last two points lead to."""
    if len(known) < 2:
        return known[-1][1] if known else start
    (a, f), (b, g) = known[-2:]
    return g + (g - f) * (place - b) / (b - a)


def small_model(system: ObliqueSystem, guess: complex) -> ReducedSystem:
    """The small model of a cell, lossy or not, around a frequency in hertz."""
    # The finite elements of a membrane resonate with the grating: beside that, they are regular.
    beside = 1.001 if system.discretisation.underside is not None else 1.0
    # Of several electrodes the model of one drives fields at rest as well, which no mode needs.
    modes_alone = has_loss(system) or system.electrodes > 1
    return (reduce_lossy if modes_alone else reduce)(system, beside * guess.real)


def same_mode(
    model: ReducedSystem, guess: complex, shape: Complex, free: Array
) -> tuple[complex, Complex, float]:
    """Frequency, unknowns and error of the mode nearest to a guess that looks like ``shape``, with
    ``free`` conductors (e, g).
    """
    r, fields = model.order, model.basis.shape[0]
    span = block_diag(np.eye(r), free)

    def matrices(frequencies: Complex) -> Complex:
        a = model.matrices(frequencies)
        return a[:, :r, :r] if free.shape[1] == 0 else np.asarray(span.T @ a @ span)

    potentials = (free.T @ shape[fields:]) / np.maximum(free.sum(axis=0), 1.0)
    start = np.concatenate([model.basis.conj().T @ shape[:fields], potentials])
    mode = polish(matrices, guess, np.asarray(start))
    if mode is None:
        raise _lost(model, "no mode")
    whole = span @ mode.vector
    new = model.expand(whole)
    left: Complex | None = None
    if has_loss(model.system):
        a = matrices(np.array([mode.frequency]))[0]
        left = span @ np.linalg.svd(a)[0][:, -1]
    likeness = abs(_product(model, new, shape)) / np.sqrt(
        abs(_product(model, new, new)) * abs(_product(model, shape, shape))
    )
    if likeness < SAME_MODE:
        raise _lost(model, f"a mode that is alike to {likeness:.2f}")
    return mode.frequency, new, model.frequency_error(mode.frequency, whole, left)


def _product(model: ReducedSystem, a: Complex, b: Complex) -> complex:
    """a^H M b: kinetic energy of two sets of unknowns."""
    return complex(a.conj() @ np.asarray(model.system.mass @ b))


def _lost(model: ReducedSystem, found: str) -> ConvergenceError:
    place = getattr(model.system, "transverse", 0.0)
    return ConvergenceError(
        f"an oblique wave was lost at k2 p = {place:.4g}: {found} was found there; "
        "take smaller steps of the transverse wavenumber"
    )
