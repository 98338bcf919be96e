"""Transverse modes of a resonator: against aperture, their profiles, and what they do to Y."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from sawfem.device.transverse_study import TransverseStudy
from sawfem.plot import style

#: Modes drawn at most, and levels in dB over which they are.
DRAWN, FLOOR = 6, -30.0
#: Excitation from which a mode counts for the frequencies that are shown.
NOTICED = 1e-2
_REGION_COLOURS = {
    "overlap": "#FFFFFF",
    "end gap": "#E3E3E3",
    "dummy fingers": "#F1F1F1",
    "bus-bar": "#CFDDE8",
    "free surface": "#F7F0DE",
}


def draw_against_aperture(study: TransverseStudy) -> Figure:
    """Frequencies and excitations of the even modes over the aperture in wavelengths."""
    figure = style.new_figure(8.5, 7.5)
    upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=(1.4, 1.0))
    widths = study.apertures / study.wavelength
    frequency, excitation = study.swept_frequency / 1e6, study.swept_excitation
    for number in range(frequency.shape[1]):
        odd = number % 2 == 1
        upper.plot(
            widths,
            frequency[:, number],
            color="#BBBBBB",
            linestyle=":" if odd else "-",
            linewidth=0.8,
            label={0: "even", 1: "odd, not excited"}.get(number, ""),
        )
    even = slice(0, None, 2)
    places = np.broadcast_to(widths[:, None], frequency[:, even].shape)
    upper.scatter(
        places,
        frequency[:, even],
        s=90.0 * np.nan_to_num(excitation[:, even]),
        color=style.BLUE,
        label="excitation (area of the dot)",
        zorder=3,
    )
    if np.any(np.nan_to_num(excitation) > NOTICED):
        upper.set_ylim(*_window(study))
    _cutoffs(upper, study)
    upper.set_ylabel("mode frequency (MHz)")
    upper.ticklabel_format(axis="y", style="plain", useOffset=False)
    _levels(lower, widths, excitation)
    lower.set_xlabel("aperture W (wavelengths 2p)")
    lower.set_ylabel("excitation (dB)")
    for axes in (upper, lower):
        axes.axvline(
            study.aperture / study.wavelength, color=style.BLACK, linewidth=0.9, linestyle="--"
        )
        axes.grid(True)
    upper.set_title("transverse modes; the dashed line is the aperture of the case")
    upper.legend(loc="upper right")
    return figure


def _cutoffs(axes: Axes, study: TransverseStudy) -> None:
    """Cut-offs of the regions as labelled lines, each region once."""
    known: dict[str, float] = {}
    for name, _, cutoff, _ in study.regions:
        if cutoff not in known.values():
            known[name] = cutoff
    low, high = axes.get_ylim()
    for name, cutoff in known.items():
        if not low <= cutoff / 1e6 <= high:
            continue
        axes.axhline(cutoff / 1e6, color=style.VERMILION, linewidth=0.9)
        axes.annotate(
            name,
            (1.005, cutoff / 1e6),
            xycoords=("axes fraction", "data"),
            color=style.VERMILION,
            fontsize=8.5,
            verticalalignment="center",
        )


def _window(study: TransverseStudy) -> tuple[float, float]:
    """Frequencies in MHz from the lowest to the highest that is worth a look, with a margin."""
    seen = np.nan_to_num(study.swept_excitation) > NOTICED
    frequency = study.swept_frequency[seen] / 1e6
    inner = [cutoff / 1e6 for name, _, cutoff, _ in study.regions[:-1] if name != "end gap"]
    low, high = min(*frequency, *inner), max(*frequency, *inner)
    return low - 0.04 * (high - low), high + 0.1 * (high - low)


def _levels(axes: Axes, widths: np.ndarray, excitation: np.ndarray) -> None:
    """Excitations in dB, sorted at each aperture: which mode leads changes with the aperture."""
    even = np.nan_to_num(excitation[:, ::2])
    ranked = -np.sort(-even, axis=1)[:, :4]
    labels = ("strongest mode", "second", "third", "fourth")
    for rank, (label, line) in enumerate(zip(labels, style.LINES, strict=True)):
        if rank < ranked.shape[1]:
            values = 10.0 * np.log10(np.maximum(ranked[:, rank], 1e-6))
            axes.plot(widths, values, label=label, **line.keywords())
    total = 10.0 * np.log10(np.maximum(even.sum(axis=1), 1e-6))
    axes.plot(widths, total, color=style.BLACK, linewidth=0.9, label="all guided modes")
    axes.set_ylim(-40.0, 2.0)
    axes.legend(loc="lower right", ncols=2)


def draw_profiles(study: TransverseStudy) -> Figure:
    """Profiles of the mode that is excited most and of the strongest beside it."""
    figure = style.new_figure(8.0, 6.5)
    axes = figure.subplots()
    main = study.main
    assert main is not None  # the caller draws guided modes only
    modes = sorted((main, *study.spurious(FLOOR)[: DRAWN - 1]), key=lambda mode: mode.number)
    reach = max(float(mode.position[-1]) for mode in modes) * 1e6
    _shade(axes, study, reach)
    tallest = max(float(np.abs(mode.profile).max()) for mode in modes)
    step = 1.6 * tallest
    for row, mode in enumerate(modes):
        colour = style.PALETTE[row % len(style.PALETTE)]
        height = row * step
        axes.axhline(height, color="#999999", linewidth=0.5)
        axes.plot(mode.position * 1e6, height + mode.profile, color=colour)
        told = f"{mode.number}: {mode.frequency / 1e6:.3f} MHz, {100.0 * mode.excitation:.1f} %"
        axes.annotate(
            told + (" (main)" if mode is main else ""),
            (1.01, height),
            xycoords=("axes fraction", "data"),
            color=colour,
            fontsize=9,
            verticalalignment="center",
        )
    axes.set_xlim(-reach, reach)
    axes.set_ylim(-step, len(modes) * step)
    axes.set_yticks([])
    axes.set_xlabel("position x2 along the electrodes, from the middle of the aperture (µm)")
    axes.set_ylabel("profile of the mode (one scale, shifted)")
    axes.grid(False)
    axes.set_title("transverse modes: number, frequency, share of the drive")
    figure.legend(loc="outside lower center", ncols=5)
    return figure


def _shade(axes: Axes, study: TransverseStudy, reach: float) -> None:
    """Regions as shades behind the profiles, on both sides."""
    start = 0.0
    seen: set[str] = set()
    for name, width, _, _ in study.regions:
        half = 0.5 * width if name == "overlap" else width
        end = min(start + 1e6 * half, reach)
        sides = ((-end, end),) if name == "overlap" else ((start, end), (-end, -start))
        for low, high in sides:
            label = "" if name in seen else name
            seen.add(name)
            axes.axvspan(
                low,
                high,
                facecolor=_REGION_COLOURS.get(name, "#EEEEEE"),
                edgecolor="#AAAAAA",
                linewidth=0.4,
                label=label,
                zorder=0,
            )
        start = end


def draw_with_modes(study: TransverseStudy) -> Figure:
    """Admittance and conductance of the resonator with all its transverse modes."""
    main = study.main
    assert main is not None  # the caller draws guided modes only
    figure = style.new_figure(8.5, 7.0)
    upper, lower = figure.subplots(2, 1)
    frequency = study.frequency / 1e6
    for axes, part in ((upper, np.abs), (lower, np.real)):
        for y, label, line in (
            (study.uniform, "one uniform wave across the aperture", style.SECOND),
            (study.admittance, "with transverse modes", style.FIRST),
        ):
            values = 1e3 * np.maximum(part(y), 1e-12)
            axes.semilogy(frequency, values, label=label, **line.keywords())
    resonance = frequency[int(np.argmax(study.uniform.real))]
    for mode in (main, *study.spurious(FLOOR)[: DRAWN - 1]):
        place = resonance * mode.frequency / study.regions[0][2]
        lower.axvline(place, color=style.BLACK, linewidth=0.7, linestyle=":", zorder=1)
    upper.set_ylabel("admittance |Y| (mS)")
    lower.set_ylabel("conductance G (mS)")
    lower.set_title("dotted: resonances of the modes that are excited most")
    upper.legend(loc="upper right")
    for axes in (upper, lower):
        style.frequency_axis(axes)
    return figure
