"""Conductance of every resonator of a device, with what rings in it by name."""

from __future__ import annotations

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from sawfem.device.unwanted import BULK, MAIN, Ringing, all_ringing
from sawfem.plot import style
from sawfem.result import DeviceResult

#: Most resonators of one picture, and most peaks that are named of a single one or of several.
MOST, NAMED, FEW = 6, 6, 5


def draw_spurious(device: DeviceResult) -> Figure | None:
    """A panel a resonator: peaks numbered, stop band of the reflectors shaded, bulk onsets dashed.

    None for a device without resonators.
    """
    circuit, gratings = device.circuit, device.gratings
    if circuit is None or gratings is None:
        return None
    f = device.response.frequency
    found = all_ringing(circuit, gratings, float(f[0]), float(f[-1]))
    if not found:
        return None
    shown = found[:MOST]
    columns = 1 if len(shown) == 1 else 2
    rows = -(-len(shown) // columns)
    figure = style.new_figure(
        8.0 if columns == 1 else 12.0, 1.0 + (5.4 if rows == 1 else 4.2 * rows)
    )
    panels = figure.subplots(rows, columns, squeeze=False).ravel()
    for axes, item in zip(panels, shown, strict=False):
        _draw(axes, item, NAMED if columns == 1 else FEW)
        for line in device.spurious:
            if line["name"] == BULK and line["part"] in item.gratings:
                axes.axvline(
                    line["frequency_hz"] / 1e6,
                    color=style.GREEN,
                    linestyle=(0.0, (4.0, 1.5, 1.0, 1.5)),
                    linewidth=1.2,
                    label=f"{BULK}, {line['part']}",
                )
        axes.legend(
            loc="upper center", bbox_to_anchor=(0.5, -0.15), ncols=3 - columns, fontsize=7.5
        )
    for axes in panels[len(shown) :]:
        axes.axis("off")
    figure.suptitle(
        "What rings in each resonator, and at what level below its resonance", fontsize=11
    )
    return figure


def _draw(axes: Axes, item: Ringing, named: int) -> None:
    axes.semilogy(item.frequency / 1e6, 1e3 * item.conductance, **style.FIRST.keywords())
    low, high = (edge / 1e6 for edge in item.stop_band)
    axes.axvspan(
        low, high, color="#DDDDDD", alpha=0.6, linewidth=0, label="stop band of the reflectors"
    )
    number = 0
    for peak in item.peaks[: named + 1]:
        place = peak.frequency / 1e6
        height = 1e3 * float(item.conductance.max()) * 10.0 ** (0.1 * (peak.level or 0.0))
        if peak.name == MAIN:
            continue
        number += 1
        axes.plot(
            place,
            height,
            "v",
            color=style.VERMILION,
            markersize=5,
            label=f"{number}: {peak.name}, {place:.2f} MHz, {peak.level:.1f} dB",
        )
        axes.annotate(
            str(number),
            (place, height),
            (0, 5),
            textcoords="offset points",
            ha="center",
            fontsize=8,
        )
    top = 1e3 * float(item.conductance.max())
    axes.set_ylim(max(1e-6 * top, 0.3e3 * float(item.conductance.min())), 3.0 * top)
    axes.set_xlim(item.frequency[0] / 1e6, item.frequency[-1] / 1e6)
    axes.set_ylabel("conductance G (mS)")
    axes.set_title(f"resonator {item.part}" if item.part != "resonator" else "resonator")
    style.frequency_axis(axes)
