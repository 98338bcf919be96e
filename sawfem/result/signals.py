"""What a device does to a modulated signal, as the JSON object ``device.signal``."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from sawfem.device.selectivity import Selectivity
from sawfem.device.signals import CountRow
from sawfem.quantities import Quantity, json_key, name_of_key, to_json

#: Symbols of the pulse that reach less than this, relative to the wanted one, are left out.
LEAST = 1e-3


def signal_dict(
    found: Selectivity,
    rows: Sequence[CountRow],
    best: CountRow | None,
    reason: str,
    described: int | None = None,
) -> dict[str, Any]:
    """JSON object: the signal, the figures, the pulse at the decision, and the counts compared.

    ``reason`` is why there is no ``best`` count; "" where there is one. ``described`` is the count
    of the device itself.
    """
    sent, pulse = found.received.modulation, found.received
    kept = np.abs(pulse.pulse) >= LEAST
    bars = {name: q.uncertainty for name, q in found.figures.items() if q.uncertainty is not None}
    missing = {name: None for name in found.reasons if name not in found.figures}
    values = {name: q.value for name, q in found.figures.items()} | missing
    told: dict[str, Any] = {
        "modulation": sent.constellation,
        "carrier_hz": sent.carrier,
        "symbol_rate_hz": sent.symbol_rate,
        "rolloff": sent.rolloff,
        "interference": None,
        "figures": to_json(values),
        "uncertainty": {"numerical": to_json(bars)},
        "reasons": {json_key(name): text for name, text in found.reasons.items()},
        "pulse": {
            "symbol": pulse.symbol[kept].tolist(),
            "value": [[g.real, g.imag] for g in pulse.pulse[kept].tolist()],
        },
        "fingers": {
            "compared": [count_dict(row) for row in rows],
            "described": described,
            "best": None if best is None else best.fingers,
            "reason": reason,
        },
    }
    if found.interference is not None:
        told["interference"] = {
            "density_dB": 10.0 * float(np.log10(found.interference.density)),
            "from_hz": found.interference.low,
            "to_hz": found.interference.high,
        }
    return told


def count_dict(row: CountRow) -> dict[str, Any]:
    """One count of fingers, keys of the table of quantities."""
    values = {
        "bandwidth": row.bandwidth,
        "group_delay": row.delay,
        "insertion_loss": row.loss,
        "time_side_lobe_level": row.side_lobe,
        "error_vector_intersymbol": row.intersymbol,
        "error_vector_interference": row.interference,
        "error_vector_magnitude": row.total,
    }
    return {"fingers": row.fingers, **to_json(values)}


def signal_figures(told: dict[str, Any]) -> dict[str, Quantity]:
    """The figures of that object, those that are known, as quantities."""
    bars = told["uncertainty"]["numerical"]
    return {
        name_of_key(key): Quantity.of(name_of_key(key), value, bars.get(key))
        for key, value in told["figures"].items()
        if value is not None
    }
