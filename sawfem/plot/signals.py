"""Selectivity against delay over the count of fingers, and the constellation at the decision."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from sawfem.device.signals import CONSTELLATIONS, Modulation, Received
from sawfem.plot import style
from sawfem.result import signal_figures

#: Symbols drawn in the constellation.
SYMBOLS = 1500


def draw_knee(signal: Mapping[str, Any]) -> Figure | None:
    """Error-vector magnitudes, bandwidth and delay over the counts compared; None for fewer than 2.

    ``signal`` is the object ``device.signal`` of a run.
    """
    rows = signal["fingers"]["compared"]
    if len(rows) < 2:
        return None
    count = [row["fingers"] for row in rows]
    figure = style.new_figure(9.0, 7.5)
    errors, width = figure.subplots(2, 1, sharex=True)
    curves = {
        "error_vector_magnitude": ("both: EVM", style.FIRST, "o"),
        "error_vector_intersymbol": ("intersymbol interference", style.SECOND, "s"),
        "error_vector_interference": ("interference let through", style.THIRD, "^"),
    }
    if signal["interference"] is None:
        del curves["error_vector_interference"], curves["error_vector_intersymbol"]
    for key, (label, line, marker) in curves.items():
        values = [100.0 * row[key] for row in rows]
        errors.plot(count, values, marker=marker, markersize=4, label=label, **line.keywords())
    errors.set_ylabel("error-vector magnitude (%)")
    errors.set_ylim(0.0, 1.35 * max(100.0 * row["error_vector_magnitude"] for row in rows))
    seen = [np.nan if row["bandwidth_hz"] is None else 1e-6 * row["bandwidth_hz"] for row in rows]
    first = width.plot(
        count, seen, marker="o", markersize=4, label="bandwidth, 3 dB", **style.FIRST.keywords()
    )
    width.set_ylabel("bandwidth, 3 dB (MHz)")
    width.set_ylim(bottom=0.0)
    width.set_xlabel("electrodes of the first transducer (others in proportion)")
    late = width.twinx()
    late.spines["right"].set_visible(True)
    late.grid(False)
    delays = [1e9 * row["group_delay_s"] for row in rows]
    second = late.plot(
        count, delays, marker="s", markersize=4, label="group delay", **style.SECOND.keywords()
    )
    late.set_ylabel("group delay (ns)")
    late.set_ylim(bottom=0.0)
    _mark_best(errors, width, signal)
    errors.legend(loc="best")
    width.legend(handles=[*first, *second], loc="upper center")
    figure.suptitle(
        f"Selectivity against delay: {_sent(signal)}{_disturbed(signal)}", fontsize=10.5
    )
    return figure


def _mark_best(errors: Axes, width: Axes, signal: Mapping[str, Any]) -> None:
    """The device as it is described, as a ring, and the count with the least error."""
    own, best = signal["fingers"]["described"], signal["fingers"]["best"]
    if own is not None:
        value = 100.0 * signal["figures"]["error_vector_magnitude"]
        errors.plot(
            [own],
            [value],
            "o",
            markersize=11,
            markerfacecolor="none",
            markeredgecolor=style.BLACK,
            label=f"as described: {own} fingers, {value:.1f} %",
        )
    if best is None:
        return
    label = f"{best} fingers: more stop paying"
    dots = (0.0, (1.0, 1.5))
    for axes, text in ((errors, label), (width, None)):
        axes.axvline(best, color=style.BLACK, linestyle=dots, linewidth=1.2, label=text)


def _sent(signal: Mapping[str, Any]) -> str:
    rate = signal["symbol_rate_hz"]
    number, unit = (rate / 1e6, "million") if rate >= 1e6 else (rate / 1e3, "thousand")
    return (
        f"{signal['modulation']} at {signal['carrier_hz'] / 1e6:.6g} MHz, {number:g} {unit} "
        f"symbols/s, roll-off {signal['rolloff']:g}"
    )


def _disturbed(signal: Mapping[str, Any]) -> str:
    asked = signal["interference"]
    if asked is None:
        return ""
    width = (asked["to_hz"] - asked["from_hz"]) / 1e6
    return f",\ninterference of {asked['density_dB']:g} dB over {width:.4g} MHz before it"


def draw_constellation(signal: Mapping[str, Any]) -> Figure:
    """Random symbols as the decision sees them: behind the device alone, and with interference."""
    received = _received(signal)
    figures = signal_figures(dict(signal))
    noise = figures.get("error_vector_interference")
    panels: list[tuple[str, float, float]] = [
        ("intersymbol interference", 0.0, float(figures["error_vector_intersymbol"]))
    ]
    if noise is not None:
        panels.append(
            (
                "with the interference let through",
                float(noise),
                float(figures["error_vector_magnitude"]),
            )
        )
    figure = style.new_figure(4.8 * len(panels) + 0.4, 5.4)
    ideal = CONSTELLATIONS[received.modulation.constellation]
    for axes, (title, rms, error) in zip(
        figure.subplots(1, len(panels), squeeze=False)[0], panels, strict=True
    ):
        _, seen = received.constellation(SYMBOLS, noise=rms)
        axes.plot(seen.real, seen.imag, ".", color=style.BLUE, markersize=3, alpha=0.5)
        axes.plot(ideal.real, ideal.imag, "+", color=style.VERMILION, markersize=11, mew=1.8)
        axes.set_title(f"{title}: EVM {100.0 * error:.2f} %")
        reach = 1.08 * max(np.abs(seen.real).max(), np.abs(seen.imag).max(), 1.2)
        axes.set_xlim(-reach, reach)
        axes.set_ylim(-reach, reach)
        axes.set_aspect("equal")
        axes.set_xlabel("in phase, rms of the constellation = 1")
        axes.set_ylabel("in quadrature")
    figure.suptitle(f"{SYMBOLS} symbols, + as sent: {_sent(signal)}", fontsize=10.5)
    return figure


def _received(signal: Mapping[str, Any]) -> Received:
    """The pulse at the decision, from the JSON object."""
    modulation = Modulation(
        signal["carrier_hz"], signal["symbol_rate_hz"], signal["rolloff"], signal["modulation"]
    )
    parts = np.asarray(signal["pulse"]["value"], dtype=float)
    return Received(
        modulation=modulation,
        instant=0.0,
        pulse=np.asarray(parts[:, 0] + 1j * parts[:, 1]),
        symbol=np.asarray(signal["pulse"]["symbol"], dtype=np.int64),
        gain=1.0,
    )
