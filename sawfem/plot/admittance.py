"""The harmonic admittance of a grating over its stop band, and how well two modes describe it."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from sawfem.extract.edges import FIT_ERROR
from sawfem.plot import style
from sawfem.result import GratingResult

#: Conductance below this share of |Y| is rounding and is not drawn.
VISIBLE = 1e-6
#: Smallest misfit that is drawn.
SMALLEST_MISFIT = 1e-6


def draw_admittance(grating: GratingResult) -> Figure:
    """Figure of the harmonic |Y| with the stop bands marked, and of the two-mode fit's misfit."""
    fitted = grating.two_mode_admittance is not None
    figure = style.new_figure(8.0, 6.4 if fitted else 4.8)
    if fitted:
        upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=(2.6, 1.0))
        upper.tick_params(labelbottom=False)
    else:
        upper = lower = figure.subplots()
    frequency = grating.frequency / 1e6
    exact = grating.harmonic_admittance
    upper.semilogy(frequency, np.abs(exact), label="|Y|, finite elements", **style.FIRST.keywords())
    if np.max(exact.real / np.abs(exact)) > VISIBLE:
        conductance = np.where(exact.real > VISIBLE * np.abs(exact), exact.real, np.nan)
        upper.semilogy(frequency, conductance, label="Re Y", **style.THIRD.keywords())
    if grating.two_mode_admittance is not None:
        fit = np.abs(grating.two_mode_admittance)
        upper.semilogy(frequency, fit, label="|Y|, two-mode fit", **style.SECOND.keywords())
        _draw_misfit(lower, grating)
    for axes in figure.axes:
        _mark_bands(axes, grating)
    _mark_resonance(upper, grating)
    upper.set_ylabel("harmonic admittance |Y| (S/m)")
    upper.set_ylim(*_limits(np.abs(exact)))
    style.frequency_axis(lower)
    lower.set_xlim(frequency[0], frequency[-1])
    handles, labels = upper.get_legend_handles_labels()
    for handle, label in zip(*lower.get_legend_handles_labels(), strict=True):
        if label not in labels:
            handles.append(handle)
            labels.append(label)
    figure.legend(handles, labels, loc="outside upper center", ncols=2)
    return figure


def _draw_misfit(axes: Axes, grating: GratingResult) -> None:
    assert grating.two_mode_admittance is not None
    misfit = np.abs(grating.two_mode_admittance / grating.harmonic_admittance - 1.0)
    shown = np.maximum(misfit, SMALLEST_MISFIT)
    axes.semilogy(grating.frequency / 1e6, shown, **style.SECOND.keywords())
    axes.set_ylabel("misfit |ΔY/Y| (1)")
    reach = grating.constants.fit_range
    if reach is not None:
        low, high = (edge / 1e6 for edge in reach)
        label = f"misfit below {100.0 * FIT_ERROR:g} % beside edges: {low:.2f} to {high:.2f} MHz"
        axes.hlines(FIT_ERROR, low, high, color=style.BLACK, linewidth=2.4, label=label)


def _limits(values: np.ndarray[tuple[int], np.dtype[np.float64]]) -> tuple[float, float]:
    """Decades around the bulk of the values: a pole is not followed to its top."""
    middle = float(np.median(values))
    low = max(float(values.min()), 3e-4 * middle)
    high = min(float(values.max()), 3e3 * middle)
    return 0.5 * low, 2.0 * high


def _mark_bands(axes: Axes, grating: GratingResult) -> None:
    """Shade the two stop bands, mark their edges and the onset of bulk waves."""
    constants = grating.constants
    bands = (
        ("shorted", constants.stopband_short, style.SKY, "//", "-"),
        ("open", constants.stopband_open, style.ORANGE, "\\\\", "-."),
    )
    for kind, band, colour, hatch, line in bands:
        edges = [edge / 1e6 for edge in band if edge is not None]
        if len(edges) == 2:
            axes.axvspan(
                *edges,
                facecolor=colour,
                alpha=0.22,
                hatch=hatch,
                edgecolor=colour,
                linewidth=0.0,
                zorder=0.5,
                label=f"stop band, {kind}: {edges[0]:.3f} to {edges[1]:.3f} MHz",
            )
        for number, edge in enumerate(edges):
            text = f"edge, {kind}: {edge:.3f} MHz" if len(edges) == 1 and number == 0 else None
            axes.axvline(edge, color=colour, linestyle=line, linewidth=1.1, zorder=1, label=text)
    onset = constants.next_bulk_onset
    if onset is None or onset > grating.frequency[-1]:
        return
    dotted: dict[str, Any] = {"color": style.BLACK, "linestyle": ":", "linewidth": 1.3}
    # On a leaky cut slower bulk waves are radiated already.
    further = "further " if constants.bulk_onset not in (None, onset) else ""
    label = f"{further}bulk waves from {onset / 1e6:.3f} MHz"
    if onset < grating.frequency[0]:
        axes.plot([], [], label=f"{label}, left of the picture", **dotted)
    else:
        axes.axvline(onset / 1e6, label=label, **dotted)


def _mark_resonance(axes: Axes, grating: GratingResult) -> None:
    """A triangle at the frequency axis under the edge that carries the resonance."""
    constants = grating.constants
    short = constants.stopband_short
    resonance = short[1] if constants.resonant_edge == "upper" and short[1] else short[0]
    if resonance is None:
        return
    which = f"the {constants.resonant_edge} shorted edge"
    axes.plot(
        [resonance / 1e6],
        [0.02],
        transform=axes.get_xaxis_transform(),
        marker="^",
        markersize=9.0,
        color=style.BLACK,
        linestyle="none",
        label=f"resonance: {which}, {resonance / 1e6:.3f} MHz",
    )
