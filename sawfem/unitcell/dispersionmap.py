"""Map of a grating's harmonic admittance over frequency and phase, with its modes and its errors.

The admittance comes from a certified model, whose bound is against the same mesh. What the mesh
itself does is the distance to the same map on a coarser one: it overstates the error of the finer
map, which is the one reported.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sawfem.planewave.limiting import branch_points
from sawfem.unitcell.certified import CellModel
from sawfem.unitcell.dispersion import DispersionCurve, Doubt, curves_and_doubts
from sawfem.unitcell.gratingmodes import GratingMode, modes_at_phase
from sawfem.unitcell.greedy import Progress, silent
from sawfem.unitcell.rowstore import RowStore
from sawfem.unitcell.states import ElectricalState, terminal_admittance

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

#: Modes of two meshes that lie farther apart than this, relatively, are not the same.
SAME_MODE = 0.01
#: Onset of bulk waves: harmonics that may enter a map.
ORDERS = range(-3, 4)


@dataclass(frozen=True, eq=False)
class DispersionMap:
    """Harmonic admittance over frequency and phase, with the curves of the modes in it.

    Attributes
    ----------
    frequencies : (f,) Hz. phases : (g,) radians, 0 to pi. period : m.
    admittance : (g, f) of the driven terminal, S/m.
    bound : (g, f) bound on its error against the same mesh, S/m.
    short, open : curves with the driven terminal on ground, and floating.
    doubts : what is not sure about the modes, by "short" and "open".
    mesh_error : (g, f) distance to the map on a coarser mesh, S/m; None without one.
    mode_mesh_error : largest relative distance of a mode's frequency to that on the coarser mesh.
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
    doubts: tuple[tuple[str, Doubt], ...] = ()
    mesh_error: Array | None = field(default=None, repr=False)
    mode_mesh_error: float | None = None

    @property
    def relative_error(self) -> float | None:
        """Median of the mesh's error over |Y|: what holds away from poles and zeros."""
        if self.mesh_error is None:
            return None
        return float(np.median(self.mesh_error / np.maximum(np.abs(self.admittance), 1e-300)))

    def to_dict(self) -> dict[str, object]:
        """JSON object: how sure the map is."""
        return {
            "harmonic_admittance_relative_error": self.relative_error,
            "mode_frequency_relative_error": self.mode_mesh_error,
            "short_curves": len(self.short),
            "open_curves": len(self.open),
            "remarks": list(self.remarks()),
        }

    def remarks(self) -> tuple[str, ...]:
        """Sentences: how sure the map is, and what is doubtful in it."""
        found = []
        if self.relative_error is not None and self.mode_mesh_error is not None:
            size = np.maximum(np.abs(self.admittance), 1e-300)
            worst = max(self.relative_error, float(np.median(self.bound / size)))
            found.append(
                f"away from poles and zeros the harmonic admittance is good to {worst:.1e}, "
                f"modes at the phases searched to {self.mode_mesh_error:.1e} of their frequency "
                "(distance to the next coarser mesh)"
            )
        for kind in ("short", "open"):
            doubts = [doubt for state, doubt in self.doubts if state == kind]
            for reason in dict.fromkeys(doubt.reason for doubt in doubts):
                places = sorted({doubt.phase for doubt in doubts if doubt.reason == reason})
                at = ", ".join(f"{phase / np.pi:.3f}" for phase in places)
                found.append(f"doubtful: {kind} modes at phase/pi {at}: {reason}")
        return tuple(found)


@dataclass(frozen=True, eq=False)
class _Terminal:
    """What is driven and what floats."""

    driven: tuple[int, ...]
    floating: tuple[int | Sequence[int], ...]

    @property
    def state(self) -> ElectricalState:
        return ElectricalState(driven=[self.driven], floating=self.floating)

    def free(self, kind: str) -> ElectricalState:
        """With the driven terminal on ground ("short") or floating ("open")."""
        conductors = self.floating if kind == "short" else (self.driven, *self.floating)
        return ElectricalState(floating=conductors)


def dispersion_map(
    model: CellModel,
    frequencies: Array | Sequence[float],
    phases: Array | Sequence[float],
    *,
    driven: Sequence[int] = (0,),
    floating: Sequence[int | Sequence[int]] = (),
    coarser: CellModel | None = None,
    kept: str | Path | None = None,
    progress: Progress | None = None,
) -> DispersionMap:
    """Harmonic admittance and mode curves over a grid.

    Parameters
    ----------
    frequencies, phases : (f,) hertz and (g,) radians, ascending, within the model's region.
    driven : electrodes of the one driven terminal. floating : conductors that float
        (:class:`sawfem.unitcell.states.ElectricalState`); all others are grounded.
    coarser : a model of the same cell over the same region on a coarser mesh, to tell what the
        mesh does.
    kept : file that takes up every finished row, so that the same call goes on where an earlier
        one was interrupted; None keeps nothing.
    progress : called as progress(done, total), in rows of the map.

    Raises
    ------
    InputError : outside the model's region. OutputError : ``kept`` cannot be written.
    """
    f, grid = np.asarray(frequencies, dtype=np.float64), np.asarray(phases, dtype=np.float64)
    tell = progress or silent
    terminal = _Terminal(tuple(driven), tuple(floating))
    models = [model] if coarser is None else [model, coarser]
    # The curves cost about as much as a third of the rows of one model.
    rows = len(models) * grid.size
    total = rows + grid.size / 3.0
    maps = []
    with RowStore(kept, _key(models, f, grid, terminal)) as store:
        for number, one in enumerate(models):

            def count(done: float, number: int = number) -> None:
                tell(number * grid.size + done, total)

            maps.append(_rows(one, number, (f, grid), terminal, store, count))
    curves, doubts, modes = [], [], []
    for part, kind in enumerate(("short", "open")):

        def share(done: float, of: float, part: int = part) -> None:
            tell(rows + (part + done / of) * grid.size / 6.0, total)

        state = terminal.free(kind)
        some, against, seen = curves_and_doubts(model, grid, state=state, progress=share)
        curves.append(some)
        doubts += [(kind, doubt) for doubt in against]
        modes += [(state, mode) for mode in seen]
    return DispersionMap(
        f,
        grid,
        model.period,
        *maps[0],
        curves[0],
        curves[1],
        bulk_lines(model, grid, (float(f[0]), float(f[-1]))),
        tuple(doubts),
        None if coarser is None else np.abs(maps[0][0] - maps[1][0]),
        None if coarser is None else _moved(coarser, modes),
    )


def _key(models: Sequence[CellModel], f: Array, grid: Array, terminal: _Terminal) -> str:
    """Everything on which the rows of a map depend."""
    return json.dumps(
        {
            "models": [[one.sha256, one.tolerance, one.snapshots] for one in models],
            "frequencies": f.tolist(),
            "phases": grid.tolist(),
            "driven": terminal.driven,
            "floating": terminal.floating,
        }
    )


def _rows(
    model: CellModel,
    number: int,
    grids: tuple[Array, Array],
    terminal: _Terminal,
    store: RowStore,
    count: Callable[[float], None],
) -> tuple[Complex, Array]:
    """Admittance of the terminal and its bound, (g, f)."""
    f, grid = grids
    admittance = np.empty((grid.size, f.size), dtype=complex)
    bound = np.empty((grid.size, f.size))
    for row, phase in enumerate(grid.tolist()):
        known = store.get(f"{number}/{row}", 2 * f.size)
        if known is None:
            answers = model.answers(f.tolist(), phase)
            matrices = np.stack([answer.admittance for answer in answers])
            y = terminal_admittance(matrices, terminal.state)[:, 0, 0]
            known = np.concatenate([y, [answer.bound for answer in answers]])
            store.put(f"{number}/{row}", known)
        admittance[row], bound[row] = known[: f.size], known[f.size :].real
        count(row + 1.0)
    return admittance, bound


def _moved(coarser: CellModel, modes: Sequence[tuple[ElectricalState, GratingMode]]) -> float:
    """Largest relative distance of modes to those on a coarser mesh; of one that has none there,
    to none, SAME_MODE.
    """
    distances = [0.0]
    known: dict[tuple[int, float], Array] = {}
    for state, mode in modes:
        place = (id(state), float(np.real(mode.phase)))
        if place not in known:
            found = modes_at_phase(coarser, place[1], state=state).modes
            known[place] = np.array([complex(other.frequency) for other in found])
        apart = np.abs(known[place] / mode.frequency - 1.0)
        distances.append(min(float(apart.min(initial=SAME_MODE)), SAME_MODE))
    return max(distances)


def bulk_lines(
    model: CellModel, phases: Array, band: tuple[float, float]
) -> tuple[tuple[float, Array, Array], ...]:
    """Lines f = v |gamma + 2 pi n| / (2 pi p) in a map; see DispersionMap.onsets."""
    found = []
    for velocity in branch_points(model.projected.floor.tensors[0]):
        for n in ORDERS:
            line = velocity * np.abs(phases + 2.0 * np.pi * n) / (2.0 * np.pi * model.period)
            inside = (line >= band[0]) & (line <= band[1])
            if inside.any():
                found.append((float(velocity), phases[inside], line[inside]))
    return tuple(found)
