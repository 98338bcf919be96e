"""A measurement beside the computed response, and how far they are apart."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from sawfem.measured.comparison import MeasuredComparison
from sawfem.plot import style
from sawfem.plot.response import decibel

Array = NDArray[np.float64]

_MEASURED: dict[str, Any] = {
    "color": style.VERMILION,
    "marker": ".",
    "markersize": 3.0,
    "linestyle": "none",
}


def draw_measurement(item: MeasuredComparison) -> Figure:
    """Four panels: of a one-port |Y|, its conductance, S11, of a two-port S21, S11, S22; |dS|."""
    figure = style.new_figure(10.0, 7.0)
    panels = figure.subplots(2, 2)
    if item.measured.shape[-1] == 1:
        _draw_one_port(panels, item)
    else:
        _draw_two_port(panels, item)
    _draw_difference(panels[1, 1], item)
    for axes in panels.flat:
        style.frequency_axis(axes)
    figure.suptitle(f"measurement {item.name} and the computed response", fontsize=11)
    handles, labels = panels[0, 0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside lower center", ncols=2)
    return figure


def _both(axes: Axes, item: MeasuredComparison, measured: Array, computed: Array) -> None:
    """Dots for what was measured over a line for what was computed."""
    frequency = item.frequency / 1e6
    axes.plot(frequency, computed, label="computed", zorder=3, **style.FIRST.keywords())
    axes.plot(frequency, measured, label="measured", **_MEASURED)


def _draw_one_port(panels: NDArray[np.object_], item: MeasuredComparison) -> None:
    (size, conductance), (reflection, _) = panels
    y_measured, y_computed = (
        1e3 * item.admittance(s)[:, 0, 0] for s in (item.measured, item.computed)
    )
    _both(size, item, np.abs(y_measured), np.abs(y_computed))
    size.set_yscale("log")
    size.set_ylabel("admittance |Y| (mS)")
    positive = [np.where(y.real > 0.0, y.real, np.nan) for y in (y_measured, y_computed)]
    _both(conductance, item, positive[0], positive[1])
    conductance.set_yscale("log")
    conductance.set_ylabel("conductance G (mS)")
    below = int(np.count_nonzero(y_measured.real <= 0.0))
    if below:
        conductance.set_title(f"{below} measured points of G <= 0 are not shown")
    _both(reflection, item, decibel(item.measured[:, 0, 0]), decibel(item.computed[:, 0, 0]))
    reflection.set_ylabel("reflection |S11| (dB)")


def _draw_two_port(panels: NDArray[np.object_], item: MeasuredComparison) -> None:
    (transfer, first), (second, _) = panels
    for axes, (i, j) in ((transfer, (1, 0)), (first, (0, 0)), (second, (1, 1))):
        _both(axes, item, decibel(item.measured[:, i, j]), decibel(item.computed[:, i, j]))
        name = "transfer" if i != j else "reflection"
        axes.set_ylabel(f"{name} |S{i + 1}{j + 1}| (dB)")


def _draw_difference(axes: Axes, item: MeasuredComparison) -> None:
    """|S measured - S computed| of every entry that a reciprocal device has."""
    frequency = item.frequency / 1e6
    apart = np.abs(item.measured - item.computed)
    ports = apart.shape[-1]
    entries = [(i, j) for i in range(ports) for j in range(i + 1)][:4]
    for (i, j), line in zip(entries, style.LINES, strict=False):
        label = f"S{i + 1}{j + 1}"
        axes.semilogy(frequency, np.maximum(apart[:, i, j], 1e-12), label=label, **line.keywords())
    axes.set_ylabel("|S measured - S computed|")
    rms = float(item.figures["measured_difference"])
    axes.set_title(f"root mean square {rms:.2g}")
    if len(entries) > 1:
        axes.legend(loc="best")


def draw_equivalent(
    frequency: Array, computed: NDArray[np.complex128], equivalent: NDArray[np.complex128]
) -> Figure:
    """S21, S11, S22 of a device, of one port S11 alone, and of its equivalent circuit; |dS|."""
    several = computed.shape[-1] > 1
    figure = style.new_figure(10.0, 7.0 if several else 4.0)
    panels = figure.subplots(2 if several else 1, 2, squeeze=False)
    entries = ((1, 0), (0, 0), (1, 1)) if several else ((0, 0),)
    for axes, (i, j) in zip(panels.flat, entries, strict=False):
        for s, label, line in (
            (computed, "device", style.FIRST),
            (equivalent, "equivalent circuit", style.SECOND),
        ):
            axes.plot(frequency / 1e6, decibel(s[:, i, j]), label=label, **line.keywords())
        axes.set_ylabel(f"{'transfer' if i != j else 'reflection'} |S{i + 1}{j + 1}| (dB)")
    apart = np.abs(computed - equivalent)
    last = panels[-1, -1]
    for (i, j), line in zip(sorted(entries), style.LINES, strict=False):
        values = np.maximum(apart[:, i, j], 1e-12)
        last.semilogy(frequency / 1e6, values, label=f"S{i + 1}{j + 1}", **line.keywords())
    last.set_ylabel("|S device - S circuit|")
    last.legend(loc="best")
    for axes in panels.flat:
        style.frequency_axis(axes)
    figure.suptitle("device and equivalent circuit", fontsize=11)
    handles, labels = panels[0, 0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside lower center", ncols=2)
    return figure
