"""One transducer by coupling of modes and by sums over electrodes: |Y| of both, and the ratio."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from sawfem.device.comparison import (
    APART,
    DECIBEL,
    BulkRadiation,
    ModelComparison,
    small_share,
)
from sawfem.plot import style

#: Shades of the zones beside the peaks and outside the fit.
ZONE, OUTSIDE = "#F3D9B1", "#E4E4E4"

#: Decades of |Y| below which its axis is linear: numbers of a part of a decade do not read well.
LINEAR = 0.7


def draw_second_model(found: ModelComparison) -> Figure:
    """Admittances above; below their ratio in dB, what a bound wave keeps dotted."""
    frequency = found.frequency / 1e6
    radiated = found.radiated
    heights = (3, 2) if radiated is None else (3, 2, 2)
    figure = style.new_figure(9.0, 7.0 if radiated is None else 9.0)
    upper, lower, *further = figure.subplots(len(heights), 1, sharex=True, height_ratios=heights)
    for values, line, label in (
        (found.coupled, style.FIRST, "coupling of modes"),
        (found.summed, style.SECOND, "sums over electrodes"),
    ):
        upper.semilogy(frequency, 1e3 * np.abs(values), label=label, **line.keywords())
    computed = found.computed / 1e6
    marks = 1e3 * np.exp(np.interp(computed, frequency, np.log(np.abs(found.summed))))
    upper.plot(computed, marks, "o", color=style.VERMILION, markersize=3.0, label="computed points")
    upper.set_ylabel("admittance |Y| (mS)")
    if np.ptp(np.log10(np.abs(found.summed))) < LINEAR:
        upper.set_yscale("linear")
    lower.plot(frequency, found.difference, color=style.BLACK, linewidth=1.2)
    for level in (-DECIBEL, DECIBEL):
        lower.axhline(level, color=style.BLUE, linestyle=":", linewidth=1.0)
    lower.set_ylabel("sums over coupling\nof modes (dB)")
    reach = max(1.2 * DECIBEL, 1.1 * float(np.abs(found.difference).max()))
    lower.set_ylim(-reach, reach)
    for axes in (upper, lower):
        _zones(axes, found)
    if np.any(found.apart):
        place, value = found.worst
        (mark,) = lower.plot(
            [place / 1e6],
            [value],
            "D",
            color=style.VERMILION,
            markersize=5.0,
            label=f"most, apart from the peaks: {value:+.2f} dB at {place / 1e6:.2f} MHz",
        )
        lower.legend(handles=[mark], loc="best")
    if radiated is not None:
        _draw_carriers(further[0], found, radiated)
    lower.set_xlim(frequency[0], frequency[-1])
    style.frequency_axis(further[0] if further else lower)
    figure.legend(*upper.get_legend_handles_labels(), loc="outside lower center", ncols=3)
    figure.suptitle(_title(found), fontsize=11)
    return figure


def _draw_carriers(axes: Axes, found: ModelComparison, radiated: BulkRadiation) -> None:
    """Conductance by what carries its power away."""
    frequency, total, bulk = found.frequency / 1e6, found.summed.real, found.bulk_conductance()
    axes.semilogy(frequency, 1e3 * total, label="all of it", **style.FIRST.keywords())
    label = f"directly into the bulk: {small_share(found.bulk_share)} of the integral"
    axes.semilogy(frequency, 1e3 * bulk, label=label, **style.THIRD.keywords())
    clear = radiated.clear
    at = radiated.frequency[clear] / 1e6
    axes.plot(at, 1e3 * radiated.bulk[clear], "o", color=style.GREEN, markersize=3.0)
    axes.set_ylabel("conductance G (mS)")
    axes.legend(loc="best")


def _title(found: ModelComparison) -> str:
    name = (
        "Transducer of the resonator" if found.name == "resonator" else f"{found.name} transducer"
    )
    low, high = (edge / 1e6 for edge in found.band)
    band = "band of the fit" if found.fit_band is not None else "main lobe"
    return (
        f"{name[0].upper()}{name[1:]} between endless shorted reflectors, "
        f"Q = {found.quality_factor:.0f}\n"
        f"{band} {low:.2f} to {high:.2f} MHz{', leaky wave' if found.leaky else ''}"
    )


def _zones(axes: Axes, found: ModelComparison) -> None:
    """Shades: 2 f/Q beside the peaks, and what lies outside the band of the fit."""
    half = APART * 2.0 * found.damping / 1e6
    for number, (one, other) in enumerate(found.peaks):
        low, high = min(one, other) / 1e6 - half, max(one, other) / 1e6 + half
        label = "within 2 f/Q of a peak" if number == 0 else None
        axes.axvspan(low, high, color=ZONE, linewidth=0, label=label, zorder=0)
    left, right = found.frequency[0] / 1e6, found.frequency[-1] / 1e6
    low, high = (edge / 1e6 for edge in found.band)
    for start, stop in ((left, low), (high, right)):
        if stop > start:
            axes.axvspan(start, stop, color=OUTSIDE, linewidth=0, zorder=0)
    if found.fit_band is not None:
        for number, edge in enumerate((low, high)):
            label = "band of the fit" if number == 0 else None
            axes.axvline(edge, color=style.GREEN, linestyle="-.", linewidth=1.2, label=label)
