"""The response of a device: admittance and reflection of a one-port, transfer of a two-port."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from sawfem.plot import style
from sawfem.quantities import Quantity
from sawfem.result import DeviceResult

Array = NDArray[np.float64]

#: How far below its peak a transfer function is shown, dB.
DEEPEST = 90.0
#: Group delay is judged where |S21| is within so many dB of its peak.
PASSING = 15.0


def draw_response(device: DeviceResult) -> Figure:
    """Four panels: of a one-port Y, S11 and its delay, of a two-port S21, its delay, S11, S22."""
    figure = style.new_figure(10.0, 7.0)
    panels = figure.subplots(2, 2)
    if device.response.ports == 1:
        _draw_one_port(panels, device)
    else:
        _draw_two_port(panels, device)
    for axes in panels.flat:
        style.frequency_axis(axes)
    ends = ", ".join(f"port {port.name}: {_ohms(port.impedance)} Ω" for port in device.ports)
    figure.suptitle(f"{device.kind}; ended by {ends}", fontsize=11)
    if device.response.ports == 1:
        handles, labels = panels[0, 0].get_legend_handles_labels()
        figure.legend(handles, labels, loc="outside lower center", ncols=4)
    return figure


def _ohms(z: complex) -> str:
    sign = "-" if z.imag < 0.0 else "+"
    return f"{z.real:g}" if z.imag == 0.0 else f"{z.real:g} {sign} {abs(z.imag):g}j"


def decibel(values: NDArray[np.complex128]) -> Array:
    """20 log10 |values|; nothing at all is -400 dB."""
    return np.asarray(20.0 * np.log10(np.maximum(np.abs(values), 1e-20)))


def _draw_one_port(panels: NDArray[np.object_], device: DeviceResult) -> None:
    response = device.response
    frequency = response.frequency / 1e6
    y = response.y[:, 0, 0]
    (size, susceptance), (reflection, delay) = panels
    positive = np.where(y.real > 0.0, y.real, np.nan)
    size.semilogy(frequency, 1e3 * np.abs(y), label="|Y|", **style.FIRST.keywords())
    size.semilogy(frequency, 1e3 * positive, label="conductance G", **style.SECOND.keywords())
    size.set_ylabel("admittance |Y|, G (mS)")
    _mark(size, device, ("resonance", "antiresonance"))
    susceptance.plot(frequency, 1e3 * y.imag, **style.FIRST.keywords())
    susceptance.set_ylabel(style.quantity_label("susceptance", "mS"))
    _mark(susceptance, device, ("resonance", "antiresonance"))
    reflection.plot(frequency, decibel(response.s[:, 0, 0]), **style.FIRST.keywords())
    reflection.set_ylabel("reflection |S11| (dB)")
    _mark(reflection, device, ("resonance", "antiresonance"))
    delay.plot(frequency, 1e9 * response.group_delay, **style.FIRST.keywords())
    delay.set_ylabel("group delay of S11 (ns)")
    _mark(delay, device, ("resonance", "antiresonance"))


def _draw_two_port(panels: NDArray[np.object_], device: DeviceResult) -> None:
    response = device.response
    frequency = response.frequency / 1e6
    transfer = decibel(response.s[:, 1, 0])
    peak = float(transfer.max())
    (whole, close), (delay, reflections) = panels
    for axes in (whole, close):
        axes.plot(frequency, transfer, **style.FIRST.keywords())
        axes.set_ylabel("transfer |S21| (dB)")
    whole.set_title("whole band")
    whole.set_ylim(max(float(transfer.min()), peak - DEEPEST) - 3.0, peak + 5.0)
    close.set_title("pass band")
    low, high = _pass_band(device, transfer)
    close.set_xlim(low, high)
    seen = transfer[(frequency >= low) & (frequency <= high)]
    close.set_ylim(max(float(seen.min()), peak - 40.0) - 1.0, peak + 2.0)
    for axes in (whole, close):
        _mark_limits(axes, device)
    _mark(close, device, ("centre_frequency",))
    _mark_bandwidth(close, device, peak)
    if _known(device, "centre_frequency") is not None:
        close.legend(loc="lower center")

    times = 1e9 * response.group_delay
    delay.plot(frequency, times, **style.FIRST.keywords())
    delay.set_ylabel("group delay of S21 (ns)")
    passing = (transfer > peak - PASSING) & np.isfinite(times)
    if np.any(passing):  # nulls throw the delay far out: look at where something passes
        bottom, top = float(times[passing].min()), float(times[passing].max())
        margin = 0.5 * (top - bottom) + 0.05 * abs(top) + 1e-3
        delay.set_ylim(bottom - margin, top + margin)
    delay.set_xlim(low, high)
    delay.set_title("pass band")
    for port, line in enumerate((style.FIRST, style.SECOND)):
        name = f"|S{port + 1}{port + 1}|"
        curve = decibel(response.s[:, port, port])
        reflections.plot(frequency, curve, label=name, **line.keywords())
    reflections.set_ylabel("reflection |S11|, |S22| (dB)")
    reflections.set_title("whole band")
    reflections.legend(loc="best")


def _mark_limits(axes: Axes, device: DeviceResult) -> None:
    """Limits on the loss as bars with what they forbid shaded; the axes keep their ends."""
    bottom, top = axes.get_ylim()
    left, right = axes.get_xlim()
    for line in device.specification:
        if line["quantity"] != "insertion_loss" or line.get("from_hz") is None:
            continue
        ends = [line["from_hz"] / 1e6, line["to_hz"] / 1e6]
        level = -float(line["limit"])
        beyond = bottom if line["kind"] == "at_most" else top
        axes.fill_between(ends, level, beyond, color="#BBBBBB", alpha=0.5, linewidth=0)
        axes.plot(ends, [level, level], color=style.BLACK, linewidth=1.2)
    axes.set_ylim(bottom, top)
    axes.set_xlim(left, right)


def _known(device: DeviceResult, name: str) -> Quantity | None:
    figure = device.response.figures.get(name)
    return figure if figure is not None and figure.known else None


def _mark(axes: Axes, device: DeviceResult, names: tuple[str, ...]) -> None:
    """Vertical lines at figures that are frequencies, with their values as labels."""
    lines = ((0.0, (1.0, 1.5)), (0.0, (5.0, 1.5, 1.0, 1.5)))
    for name, line in zip(names, lines, strict=False):
        figure = _known(device, name)
        if figure is not None:
            place = float(figure) / 1e6
            label = f"{name.replace('_', ' ')} {place:.3f} MHz"
            axes.axvline(place, color=style.BLACK, linestyle=line, linewidth=1.0, label=label)


def _mark_bandwidth(axes: Axes, device: DeviceResult, peak: float) -> None:
    """The two frequencies 3 dB below the peak, joined."""
    centre, width = _known(device, "centre_frequency"), _known(device, "bandwidth")
    if centre is None or width is None:
        return
    half = 0.5 * float(width)
    ends = [(float(centre) - half) / 1e6, (float(centre) + half) / 1e6]
    label = f"-3 dB width {float(width) / 1e6:.3f} MHz"
    level = [peak - 3.0, peak - 3.0]
    axes.plot(ends, level, color=style.VERMILION, marker="o", markersize=4.0, label=label)


def _pass_band(device: DeviceResult, transfer: Array) -> tuple[float, float]:
    """Frequencies in MHz around the pass band: twice its 3 dB width, or where 20 dB pass."""
    frequency = device.response.frequency / 1e6
    centre, width = _known(device, "centre_frequency"), _known(device, "bandwidth")
    if centre is not None and width is not None:
        low, high = (float(centre) - float(width)) / 1e6, (float(centre) + float(width)) / 1e6
    else:
        passing = np.flatnonzero(transfer > float(transfer.max()) - 20.0)
        low, high = float(frequency[passing[0]]), float(frequency[passing[-1]])
    low, high = max(low, float(frequency[0])), min(high, float(frequency[-1]))
    if high <= low:
        return float(frequency[0]) - 1e-3, float(frequency[-1]) + 1e-3
    return low, high
