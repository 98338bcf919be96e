"""The shapes of a grating's modes over two periods: deformed cross-section and potential."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection, TriMesh
from matplotlib.figure import Figure
from matplotlib.tri import Triangulation, TriContourSet
from numpy.typing import NDArray
from scipy.interpolate import LinearNDInterpolator

from sawfem.plot import style
from sawfem.result import GratingResult, ModeShape
from sawfem.unitcell.mesh import AIR, METAL, STACK

Array = NDArray[np.float64]

#: Periods that are shown: one wavelength at gamma = pi.
PERIODS = 2
#: Largest displacement in the picture, in periods.
EXAGGERATION = 0.07
#: Distance of the deformed grid's lines, in periods, and points along a line.
GRID, ALONG = 0.125, 65
#: Levels of the potential, from -1 to 1 relative to its largest value.
LEVELS = np.linspace(-1.0, 1.0, 21)


def draw_modes(grating: GratingResult) -> Figure | None:
    """Figure of the shorted edges' modes, resonance first; None where there is no shape."""
    modes = chosen_modes(grating)
    if not modes:
        return None
    figure = style.new_figure(4.5 * len(modes) + 1.2, 8.6)
    panels = figure.subplots(2, len(modes), sharex=True, sharey=True, squeeze=False)
    for column, mode in enumerate(modes):
        upper, lower = panels[:, column]
        colours = draw_displacement(upper, mode)
        contours = draw_potential(lower, mode)
        upper.set_title(_title(mode, grating))
        lower.set_xlabel(style.quantity_label("position_x", "um"))
    for row in panels:
        row[0].set_ylabel(style.quantity_label("position_z", "um"))
        for axes in row:
            axes.set_aspect("equal")
            axes.grid(False)
            axes.set_xlim(*view(modes, 0))
            axes.set_ylim(*view(modes, 1))
    bar = figure.colorbar(colours, ax=panels[0], shrink=0.85, pad=0.02)
    bar.set_label("displacement |u| over largest (1)")
    bar = figure.colorbar(contours, ax=panels[1], shrink=0.85, pad=0.02, ticks=LEVELS[::5])
    bar.set_label("potential over largest (1)")
    figure.suptitle(
        "Standing waves at their largest displacement, two periods; colour: |u| with its part "
        f"along x2; largest drawn as {EXAGGERATION:g} period",
        fontsize=10,
    )
    return figure


def chosen_modes(grating: GratingResult) -> list[ModeShape]:
    """The resonance and the other shorted edge, or in its place an open one."""
    by_name = {mode.edge: mode for mode in grating.modes}
    resonant = f"short {grating.constants.resonant_edge}"
    order = [resonant, "short lower", "short upper", "open upper", "open lower"]
    found = [by_name[name] for name in dict.fromkeys(order) if name in by_name]
    return found[:2]


def view(modes: Sequence[ModeShape], axis: int) -> tuple[float, float]:
    """Limits in µm of the picture along x1 (axis 0) or x3, with room for the deformation."""
    period = modes[0].period
    room = 1.3 * EXAGGERATION * period
    if axis == 0:
        return -1e6 * room, 1e6 * (PERIODS * period + room)
    low = min(float(mode.z.min()) for mode in modes)
    high = max(float(mode.z.max()) for mode in modes)
    return 1e6 * (low - room), 1e6 * (high + 0.3 * room)


def _title(mode: ModeShape, grating: GratingResult) -> str:
    kind, place = mode.edge.split()
    words = {"short": "shorted", "open": "open"}[kind]
    resonant = mode.edge == f"short {grating.constants.resonant_edge}"
    role = ", resonance" if resonant else ""
    return f"{place} edge, {words} grating{role}\n{mode.frequency.real / 1e6:.3f} MHz"


def draw_displacement(axes: Axes, mode: ModeShape) -> TriMesh:
    """Solids deformed and coloured by |Re u|, a deformed grid, and the electrodes outlined."""
    wide = mode.repeated(PERIODS)
    size = EXAGGERATION * mode.period
    moved = wide.displacement.real
    x, z = 1e6 * (wide.x + size * moved[:, 0]), 1e6 * (wide.z + size * moved[:, 2])
    solid = Triangulation(x, z, wide.triangles[wide.region != AIR])
    colours = axes.tripcolor(
        solid,
        np.linalg.norm(moved, axis=1),
        shading="gouraud",
        cmap="viridis",
        vmin=0.0,
        vmax=1.0,
        rasterized=True,
    )
    lines = LineCollection(_deformed_grid(mode, size), colors="white", linewidths=0.5, alpha=0.6)
    axes.add_collection(lines)
    for outline in _deformed_electrodes(wide, size):
        axes.plot(*outline, color=style.BLACK, linewidth=1.3)
    return colours


def draw_potential(axes: Axes, mode: ModeShape) -> TriContourSet:
    """Re phi as filled contours; lines solid where positive, dashed where negative."""
    wide = mode.repeated(PERIODS)
    field = Triangulation(1e6 * wide.x, 1e6 * wide.z, wide.triangles)
    values = wide.potential.real
    contours = axes.tricontourf(field, values, levels=LEVELS, cmap="PuOr", extend="neither")
    contours.set_rasterized(True)
    axes.tricontour(field, values, levels=LEVELS[::2], colors=style.BLACK, linewidths=0.5)
    for outline in wide.outlines:
        closed = 1e6 * np.vstack([outline, outline[:1]])
        axes.plot(*closed.T, color=style.BLACK, linewidth=1.3)
    for level in _interfaces(mode):
        axes.axhline(1e6 * level, color=style.BLACK, linewidth=0.8, linestyle="-.")
    return contours


def _interfaces(mode: ModeShape) -> list[float]:
    """Heights of the surface and of the interfaces in the stack, m."""
    parts = np.unique(mode.region[mode.region >= STACK])
    return [float(mode.z[mode.triangles[mode.region == part]].max()) for part in parts]


def _deformed_grid(mode: ModeShape, size: float) -> list[Array]:
    """Lines of a regular grid in the stack that moves with it, in µm."""
    inside = np.unique(mode.triangles[mode.region >= STACK])
    places = np.column_stack([mode.x[inside], mode.z[inside]]) / mode.period
    # Neighbouring elements repeat the points of their common side.
    _, first = np.unique(np.round(places, 9), axis=0, return_index=True)
    moved = LinearNDInterpolator(places[first], mode.displacement[inside[first]])
    floor = float(places[:, 1].min())
    across = np.arange(0.0, 1.0, GRID)
    down = np.append(np.arange(0.0, floor, -GRID), _interfaces(mode)[1:])
    lines = [(np.full(ALONG, x), np.linspace(0.0, floor, ALONG)) for x in across]
    lines += [(np.linspace(0.0, 1.0, ALONG), np.full(ALONG, z)) for z in down]
    found: list[Array] = []
    for number in range(PERIODS):
        turn = np.exp(-1j * mode.phase * number)
        for x, z in lines:
            u = (moved(x, z) * turn).real * size
            place = np.column_stack([(x + number) * mode.period + u[:, 0], z * mode.period])
            place[:, 1] += u[:, 2]
            found.append(1e6 * place)
    return found


def _deformed_electrodes(mode: ModeShape, size: float) -> Sequence[tuple[Array, Array]]:
    """Outlines of the electrodes as they move, (x, z) in µm."""
    inside = np.unique(mode.triangles[mode.region == METAL])
    places = np.column_stack([mode.x[inside], mode.z[inside]])
    moved = places + size * mode.displacement[inside][:, [0, 2]].real
    near = 1e-6 * mode.period
    found = []
    for outline in mode.outlines:
        pieces = []
        for start, stop in zip(outline, np.roll(outline, -1, axis=0), strict=True):
            along = (stop - start) / np.linalg.norm(stop - start)
            t = (places - start) @ along
            off = np.abs((places - start) @ np.array([-along[1], along[0]]))
            on = np.flatnonzero(
                (off < near) & (t > -near) & (t < np.linalg.norm(stop - start) + near)
            )
            pieces.append(moved[on[np.argsort(t[on])]])
        line = 1e6 * np.concatenate(pieces)
        found.append((line[:, 0], line[:, 1]))
    return found
