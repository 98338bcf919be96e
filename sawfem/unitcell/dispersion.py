"""Dispersion curves of a grating: its modes followed over the Bloch phase, and a map of |Y|.

A curve goes from phase to phase by extrapolation and nonlinear inverse iteration, started with
the mode's own vector. What it finds is the same mode if the two vectors are alike: the basis is
orthonormal in the energy of the cell, so that |x^H x'| is their overlap in energy. Otherwise the
step is halved. Curves that cross therefore keep their identity, and curves that avoid each other
do not jump. A curve ends at the limits of the model, or where no alike mode goes on, as at the
onset of a bulk wave, beyond which a mode may cease to exist.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from sawfem.errors import InputError
from sawfem.planewave.limiting import branch_points
from sawfem.unitcell.certified import CellModel
from sawfem.unitcell.gratingmodes import (
    FreeUnknowns,
    GratingMode,
    branch_frequencies,
    finished,
    modes_at_phase,
)
from sawfem.unitcell.greedy import Progress, silent
from sawfem.unitcell.modes import polish, value_and_slope
from sawfem.unitcell.states import ElectricalState, terminal_admittance

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

#: Overlap in energy that neighbouring points of a curve must keep.
ALIKE = 0.8
#: How often a step may be halved.
HALVINGS = 6
#: Relative distance and overlap at which a mode is already on a curve.
SAME = 1e-7


@dataclass(frozen=True, eq=False)
class DispersionCurve:
    """One mode over the phase.

    Attributes
    ----------
    phases : (n,) radians, ascending.
    frequencies : (n,) Hz, complex; positive imaginary part for loss by radiation.
    errors : (n,) Hz, what the small basis may have done to them.
    ends : why the curve starts and why it stops.
    """

    phases: Array
    frequencies: Complex
    errors: Array
    ends: tuple[str, str]

    def group_velocity(self, period: float) -> Array:
        """Velocity of power d w / d k along x in m/s, by differences; (n,), n at least 2."""
        slope = np.gradient(self.frequencies.real, self.phases)
        return np.asarray(2.0 * np.pi * period * slope)


@dataclass(frozen=True, eq=False)
class DispersionMap:
    """Harmonic admittance over frequency and phase, with the curves of the modes in it.

    Attributes
    ----------
    frequencies : (f,) Hz. phases : (g,) radians, 0 to pi. period : m.
    admittance : (g, f) of the driven terminal, S/m.
    bound : (g, f) bound on its error against the same mesh, S/m.
    short, open : curves with the driven terminal on ground, and floating.
    onsets : for every branch point velocity (m/s) of the substrate and every harmonic that enters
        the map, the line (velocity, phases (n,), frequencies (n,)) where a bulk wave sets in.
    """

    frequencies: Array
    phases: Array
    period: float
    admittance: Complex
    bound: Array
    short: tuple[DispersionCurve, ...]
    open: tuple[DispersionCurve, ...]
    onsets: tuple[tuple[float, Array, Array], ...] = field(repr=False)


def dispersion_curves(
    model: CellModel,
    phases: Array,
    *,
    state: ElectricalState | None = None,
    seeds: int = 5,
    progress: Progress | None = None,
) -> tuple[DispersionCurve, ...]:
    """All modes between the model's frequencies, followed over a grid of phases.

    Modes are looked for at ``seeds`` phases of the grid, its ends included, and followed to both
    sides; one that lives only in between two of them is missed.

    Parameters
    ----------
    phases : (n,) radians, ascending, within the model's region.
    state : of the electrodes; all short-circuited if None.

    Raises
    ------
    InputError : phases that do not ascend or lie outside the region.
    """
    grid = np.asarray(phases, dtype=np.float64)
    if grid.ndim != 1 or grid.size < 2 or np.any(np.diff(grid) <= 0.0):
        raise InputError(key="phases", found=f"{grid!r}", expected="ascending numbers, two or more")
    tell = progress or silent
    follower = _Follower(model, FreeUnknowns.of(model, state), grid)
    places = np.unique(np.round(np.linspace(0, grid.size - 1, seeds)).astype(int))[::-1]
    for done, place in enumerate(places.tolist()):
        tell(done, places.size)
        for mode in modes_at_phase(model, float(grid[place]), state=state).modes:
            if not follower.knows(place, mode):
                follower.follow(place, mode)
    tell(places.size, places.size)
    curves = follower.curves()
    return tuple(sorted(curves, key=lambda curve: float(curve.frequencies[-1].real)))


def dispersion_map(
    model: CellModel,
    frequencies: Array | Sequence[float],
    phases: Array | Sequence[float],
    *,
    driven: Sequence[int] = (0,),
    floating: Sequence[int | Sequence[int]] = (),
    progress: Progress | None = None,
) -> DispersionMap:
    """Harmonic admittance and mode curves over a grid.

    Parameters
    ----------
    frequencies, phases : (f,) hertz and (g,) radians, ascending, within the model's region.
    driven : electrodes of the one driven terminal. floating : conductors that float
        (:class:`sawfem.unitcell.states.ElectricalState`); all others are grounded.
    progress : called as progress(done, total), in rows of the map.

    Raises
    ------
    InputError : outside the model's region.
    """
    f, grid = np.asarray(frequencies, dtype=np.float64), np.asarray(phases, dtype=np.float64)
    tell = progress or silent
    terminal = ElectricalState(driven=[tuple(driven)], floating=floating)
    # The curves cost about as much as a third of the rows.
    total = grid.size * 4.0 / 3.0
    admittance = np.empty((grid.size, f.size), dtype=complex)
    bound = np.empty((grid.size, f.size))
    for row, phase in enumerate(grid.tolist()):
        answers = model.answers(f.tolist(), phase)
        matrices = np.stack([answer.admittance for answer in answers])
        admittance[row] = terminal_admittance(matrices, terminal)[:, 0, 0]
        bound[row] = [answer.bound for answer in answers]
        tell(row + 1, total)
    curves = []
    for part, conductors in enumerate((floating, (tuple(driven), *floating))):
        state = ElectricalState(floating=conductors)
        start = grid.size * (1.0 + part / 6.0)

        def share(done: float, of: float, start: float = start) -> None:
            tell(start + done / of * grid.size / 6.0, total)

        curves.append(dispersion_curves(model, grid, state=state, progress=share))
    lines = bulk_lines(model, grid, (float(f[0]), float(f[-1])))
    return DispersionMap(f, grid, model.period, admittance, bound, curves[0], curves[1], lines)


def bulk_lines(
    model: CellModel, phases: Array, band: tuple[float, float]
) -> tuple[tuple[float, Array, Array], ...]:
    """Lines f = v |gamma + 2 pi n| / (2 pi p) in a map; see DispersionMap.onsets."""
    found = []
    for velocity in branch_points(model.projected.floor.tensors[0]):
        for n in range(-3, 4):
            line = velocity * np.abs(phases + 2.0 * np.pi * n) / (2.0 * np.pi * model.period)
            inside = (line >= band[0]) & (line <= band[1])
            if inside.any():
                found.append((float(velocity), phases[inside], line[inside]))
    return tuple(found)


class _Follower:
    """Curves on a grid of phases as they grow."""

    def __init__(self, model: CellModel, free: FreeUnknowns, grid: Array) -> None:
        self.model, self.free, self.grid = model, free, grid
        self._found: list[dict[int, GratingMode]] = []
        self._ends: list[list[str]] = []

    def knows(self, place: int, mode: GratingMode) -> bool:
        """Whether a mode at a place of the grid lies on a curve."""
        for curve in self._found:
            other = curve.get(place)
            if other is not None and _same(other, mode):
                return True
        return False

    def follow(self, place: int, mode: GratingMode) -> None:
        """A new curve through a mode, to both sides."""
        points = {place: mode}
        ends = [self._one_way(points, place, direction) for direction in (-1, 1)]
        self._found.append(points)
        self._ends.append(ends)

    def curves(self) -> list[DispersionCurve]:
        """What was found so far."""
        result = []
        for points, ends in zip(self._found, self._ends, strict=True):
            places = sorted(points)
            modes = [points[place] for place in places]
            result.append(
                DispersionCurve(
                    self.grid[places],
                    np.array([complex(mode.frequency) for mode in modes]),
                    np.array([mode.error for mode in modes]),
                    (ends[0], ends[1]),
                )
            )
        return result

    def _one_way(self, points: dict[int, GratingMode], place: int, direction: int) -> str:
        low, high = self.model.region.frequencies
        before: GratingMode | None = None
        here = points[place]
        while 0 <= place + direction < self.grid.size:
            place += direction
            after = self._carried(before, here, float(self.grid[place]), HALVINGS)
            if after is None:
                return self._why(here)
            if not low <= complex(after.frequency).real <= high:
                return "leaves the frequencies of the model"
            if self.knows(place, after):
                return "meets a curve that is known"
            points[place] = after
            before, here = here, after
        return "reaches the last phase"

    def _carried(
        self, before: GratingMode | None, here: GratingMode, phase: float, halvings: int
    ) -> GratingMode | None:
        """The same mode at another phase, or None."""
        start = float(np.real(here.phase))
        guess = complex(here.frequency)
        if before is not None:
            back = start - float(np.real(before.phase))
            guess += (guess - complex(before.frequency)) * (phase - start) / back
        after = self._polished(here, guess, phase)
        if after is not None and abs(np.vdot(here.vector, after.vector)) > ALIKE:
            return after
        if halvings == 0:
            return None
        middle = self._carried(before, here, 0.5 * (start + phase), halvings - 1)
        return middle and self._carried(here, middle, phase, halvings - 1)

    def _polished(self, here: GratingMode, guess: complex, phase: float) -> GratingMode | None:
        view, free = self.model.at(phase), self.free

        def matrices(f: Complex) -> Complex:
            return free.matrices(view.matrices(f))

        root = polish(matrices, guess, free.contract(here.vector))
        if root is None:
            return None
        slope = value_and_slope(matrices, root.frequency)[1]
        return finished(self.model, free, (root.frequency, phase), root, slope)

    def _why(self, here: GratingMode) -> str:
        f = complex(here.frequency).real
        near = branch_frequencies(
            self.model.projected, float(np.real(here.phase)), 0.98 * f, 1.02 * f
        )
        return "ends at the onset of a bulk wave" if near else "no alike mode goes on"


def _same(a: GratingMode, b: GratingMode) -> bool:
    near = abs(a.frequency - b.frequency) < SAME * abs(a.frequency)
    return bool(near and abs(np.vdot(a.vector, b.vector)) > 0.9)
