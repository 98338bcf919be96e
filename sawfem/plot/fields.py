"""The field that the electrodes drive, and the motion of the grating as an animation."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
from matplotlib.animation import PillowWriter
from matplotlib.figure import Figure

from sawfem.plot import style
from sawfem.plot.mode import (
    EXAGGERATION,
    LEVELS,
    chosen_modes,
    draw_displacement,
    draw_potential,
    view,
)
from sawfem.result import GratingResult
from sawfem.unitcell.fields import ModeShape

#: Frames of one period and frames a second of the animation.
FRAMES, RATE = 16, 12


def draw_driven(grating: GratingResult) -> Figure | None:
    """Figure of the driven field in phase with the voltage; None where there is none."""
    found = grating.driven
    if found is None or found.amplitude is None:
        return None
    figure = style.new_figure(6.2, 8.6)
    upper, lower = figure.subplots(2, 1, sharex=True)
    colours = draw_displacement(upper, found)
    contours = draw_potential(lower, found)
    lower.set_xlabel(style.quantity_label("position_x", "um"))
    for axes in (upper, lower):
        axes.set_ylabel(style.quantity_label("position_z", "um"))
        axes.set_aspect("equal")
        axes.grid(False)
        axes.set_xlim(*view([found], 0))
        axes.set_ylim(*view([found], 1))
    figure.colorbar(colours, ax=upper, shrink=0.85, pad=0.02).set_label(
        f"displacement |u| over largest, {1e12 * found.amplitude:.4g} pm (1)"
    )
    volts = float(found.amplitude * found.potential_scale)
    figure.colorbar(contours, ax=lower, shrink=0.85, pad=0.02, ticks=LEVELS[::5]).set_label(
        f"potential over largest, {volts:.4g} V (1)"
    )
    alternate = np.cos(found.phase) < 0.0
    drive = "electrodes at +1 V and -1 V in turn" if alternate else "the hot bus-bar at 1 V"
    figure.suptitle(
        f"Driven field at {found.frequency.real / 1e6:.3f} MHz, {drive};\n"
        f"in phase with the voltage; largest |u| drawn as {EXAGGERATION:g} period",
        fontsize=10,
    )
    return figure


def animate_mode(grating: GratingResult, path: Path) -> Path | None:
    """Write the motion of the resonance over one period as GIF; None where there is no mode."""
    modes = chosen_modes(grating)
    if not modes:
        return None
    mode = modes[0]
    figure = style.new_figure(5.2, 4.6)
    figure.set_dpi(90)
    writer = PillowWriter(fps=RATE, metadata={"Software": "sawfem"})
    with writer.saving(figure, str(path), dpi=90):
        for time in np.arange(FRAMES) / FRAMES:
            figure.clear()
            _draw_frame(figure, mode, float(time))
            writer.grab_frame()
    return path


def _draw_frame(figure: Figure, mode: ModeShape, time: float) -> None:
    turned = replace(mode, displacement=mode.displacement * np.exp(2j * np.pi * time))
    axes = figure.subplots()
    colours = draw_displacement(axes, turned)
    axes.set_aspect("equal")
    axes.grid(False)
    axes.set_xlim(*view([mode], 0))
    axes.set_ylim(*view([mode], 1))
    axes.set_xlabel(style.quantity_label("position_x", "um"))
    axes.set_ylabel(style.quantity_label("position_z", "um"))
    axes.set_title(f"{mode.edge} edge, {mode.frequency.real / 1e6:.3f} MHz, t = {time:.3f} periods")
    bar = figure.colorbar(colours, ax=axes, shrink=0.85, pad=0.02)
    bar.set_label("displacement |u| over largest (1)")
