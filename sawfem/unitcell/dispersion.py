"""Dispersion curves of a grating: its modes followed over the Bloch phase.

A curve goes from phase to phase by extrapolation and nonlinear inverse iteration, started with
the mode's own vector. What it finds is the same mode if the two vectors are alike: the basis is
orthonormal in the energy of the cell, so that |x^H x'| is their overlap in energy. Otherwise the
step is halved. Curves that cross therefore keep their identity, and curves that avoid each other
do not jump. A curve ends at the limits of the model, or where no alike mode goes on, as at the
onset of a bulk wave, beyond which a mode may cease to exist.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sawfem.errors import InputError
from sawfem.unitcell.certified import CellModel
from sawfem.unitcell.gratingmodes import (
    MISCOUNTED,
    UNCONFIRMED,
    FreeUnknowns,
    GratingMode,
    ModeSet,
    branch_frequencies,
    finished,
    modes_at_phase,
)
from sawfem.unitcell.greedy import Progress, silent
from sawfem.unitcell.modes import polish, value_and_slope
from sawfem.unitcell.states import ElectricalState

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


@dataclass(frozen=True)
class Doubt:
    """Something about the modes at a phase that is not sure.

    Attributes
    ----------
    phase : radians. frequency : Hz, of a root that the certificate does not confirm, with the
        bound on its error, Hz; None where the count of the modes is what is doubtful.
    reason : in words.
    """

    phase: float
    frequency: complex | None
    error: float | None
    reason: str


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
    return curves_and_doubts(model, phases, state=state, seeds=seeds, progress=progress)[0]


def curves_and_doubts(
    model: CellModel,
    phases: Array,
    *,
    state: ElectricalState | None = None,
    seeds: int = 5,
    progress: Progress | None = None,
) -> tuple[tuple[DispersionCurve, ...], tuple[Doubt, ...], tuple[GratingMode, ...]]:
    """:func:`dispersion_curves`, what is doubtful at its seeds, and the modes found there."""
    grid = np.asarray(phases, dtype=np.float64)
    if grid.ndim != 1 or grid.size < 2 or np.any(np.diff(grid) <= 0.0):
        raise InputError(key="phases", found=f"{grid!r}", expected="ascending numbers, two or more")
    tell = progress or silent
    follower = _Follower(model, FreeUnknowns.of(model, state), grid)
    places = np.unique(np.round(np.linspace(0, grid.size - 1, seeds)).astype(int))[::-1]
    doubts: list[Doubt] = []
    modes: list[GratingMode] = []
    for done, place in enumerate(places.tolist()):
        tell(done, places.size)
        found = modes_at_phase(model, float(grid[place]), state=state)
        doubts.extend(_doubts(found, float(grid[place])))
        modes.extend(found.modes)
        for mode in found.modes:
            if not follower.knows(place, mode):
                follower.follow(place, mode)
    tell(places.size, places.size)
    curves = sorted(follower.curves(), key=lambda curve: float(curve.frequencies[-1].real))
    return tuple(curves), tuple(doubts), tuple(modes)


def _doubts(found: ModeSet, phase: float) -> list[Doubt]:
    """What a mode set says against itself."""
    doubts = [
        Doubt(phase, complex(mode.frequency), mode.error, UNCONFIRMED) for mode in found.doubtful
    ]
    if found.counted is False:
        doubts.append(Doubt(phase, None, None, MISCOUNTED))
    return doubts


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
        """Follow a mode from phase to phase; why it ends."""
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
