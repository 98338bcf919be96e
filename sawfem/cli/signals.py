"""What a device does to a modulated signal, as lines and a table."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sawfem.cli.screen import labelled, show, table
from sawfem.quantities import Quantity, entry, name_of_key
from sawfem.result import signal_figures
from sawfem.units import format_quantity

#: Columns of the table of counts: quantity -> head.
COUNTED = {
    "bandwidth": "bandwidth",
    "group_delay": "delay",
    "insertion_loss": "loss",
    "time_side_lobe_level": "time lobe",
    "error_vector_intersymbol": "symbols",
    "error_vector_interference": "let in",
    "error_vector_magnitude": "EVM",
}


def show_signal(told: Mapping[str, Any]) -> None:
    """The object ``device.signal`` of a run (sawfem/result/signals.py)."""
    sent = (
        f"{told['modulation']}, {format_quantity(told['symbol_rate_hz'] / 1e6, '')} million symbols"
        f" per second at {format_quantity(told['carrier_hz'], 'Hz')}, roll-off {told['rolloff']:g}"
    )
    rows = []
    for name, figure in signal_figures(dict(told)).items():
        number, error, unit = figure.parts()
        rows.append((f"  {entry(name).label}", number, error, unit))
    show()
    table(("Signal through it", "value", "numerical", ""), rows, right=(1, 2))
    labelled("", sent)
    asked = told["interference"]
    if asked is not None:
        ends = (format_quantity(asked[key], "Hz") for key in ("from_hz", "to_hz"))
        labelled("", f"interference {asked['density_dB']:g} dB, {' to '.join(ends)}")
    for key, reason in told["reasons"].items():
        labelled("", f"{entry(name_of_key(key)).label}: {reason}")
    _show_counts(told["fingers"])


def _show_counts(fingers: Mapping[str, Any]) -> None:
    if not fingers["compared"]:
        return
    rows = []
    for line in fingers["compared"]:
        values = {name_of_key(key): value for key, value in line.items() if key != "fingers"}
        mark = "<- knee" if line["fingers"] == fingers["best"] else ""
        rows.append(
            (
                f"  {line['fingers']}",
                *(_text(name, values[name]) for name in COUNTED),
                mark,
            )
        )
    show()
    table(("Fingers", *COUNTED.values(), ""), rows, right=range(len(COUNTED) + 1))
    if fingers["reason"]:
        labelled("", f"no count at which more stop paying: {fingers['reason']}")


def _text(name: str, value: float | None) -> str:
    if value is None:
        return "none"
    number, _, unit = Quantity.of(name, float(f"{value:.3g}")).parts()
    return f"{number} {unit}".strip()
