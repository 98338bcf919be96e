"""Dispersion of a grating: harmonic admittance over frequency and phase, with its modes."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import LogNorm
from matplotlib.figure import Figure

from sawfem.plot import style
from sawfem.unitcell.dispersion import DispersionCurve
from sawfem.unitcell.dispersionmap import DispersionMap

#: Decades of |Y| that are shown on either side of its median: poles dark, zeros light.
DECADES = 1.5


def draw_dispersion(found: DispersionMap) -> Figure:
    """Figure of |Y(f, gamma)| in grey, with short and open curves and the onsets of bulk waves."""
    figure = style.new_figure(8.0, 6.2)
    axes = figure.subplots()
    phase, frequency = found.phases / np.pi, found.frequencies / 1e6
    size = np.abs(found.admittance).T
    middle = float(np.median(size))
    image = axes.pcolormesh(
        phase,
        frequency,
        size,
        norm=LogNorm(middle / 10.0**DECADES, middle * 10.0**DECADES),
        cmap="Greys",
        shading="nearest",
        rasterized=True,
    )
    figure.colorbar(image, ax=axes, label="harmonic admittance |Y(f, γ)| (S/m)", extend="both")
    label = "a bulk wave sets in"
    for _, at, line in found.onsets:
        axes.plot(at / np.pi, line / 1e6, color=style.GREEN, linestyle=":", label=label)
        label = ""
    _curves(axes, found.short, style.FIRST, "modes, electrodes short-circuited")
    _curves(axes, found.open, style.SECOND, "modes, driven electrode open")
    _doubts(axes, found)
    axes.set_xlabel("phase per period γ/π")
    axes.set_ylabel(style.quantity_label("frequency", "MHz"))
    axes.ticklabel_format(axis="y", style="plain", useOffset=False)
    axes.set_xlim(phase[0], phase[-1])
    axes.set_ylim(frequency[0], frequency[-1])
    axes.grid(False)
    figure.legend(loc="outside upper center", ncols=2)
    return figure


def _doubts(axes: Axes, found: DispersionMap) -> None:
    """A cross on every root that is not confirmed, a mark at every phase that was miscounted."""
    roots = [doubt for _, doubt in found.doubts if doubt.frequency is not None]
    if roots:
        axes.plot(
            [doubt.phase / np.pi for doubt in roots],
            [complex(doubt.frequency or 0.0).real / 1e6 for doubt in roots],
            "x",
            color=style.BLACK,
            markersize=7,
            clip_on=True,
            label="root that is not confirmed",
        )
    phases = sorted({doubt.phase for _, doubt in found.doubts if doubt.frequency is None})
    if phases:
        axes.plot(
            np.array(phases) / np.pi,
            np.full(len(phases), 0.02),
            "^",
            color=style.BLACK,
            transform=axes.get_xaxis_transform(),
            label="modes miscounted at this phase",
        )


def _curves(axes: Axes, curves: Sequence[DispersionCurve], line: style.Line, label: str) -> None:
    for number, curve in enumerate(curves):
        axes.plot(
            curve.phases / np.pi,
            curve.frequencies.real / 1e6,
            label="" if number else label,
            **line.keywords(),
        )
