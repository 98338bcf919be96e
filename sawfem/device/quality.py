"""Quality factor by mechanism: what each loss alone would leave of the ringing of a one-port.

At a resonance the energy W is stored and P_i lost by each mechanism, so that 1/Q = sum_i 1/Q_i with
Q_i = w W/P_i. The shares of power of the driven device at that frequency are those of its free
ringing as long as Q is well above one. Waves that lose 2 a v of their energy per second have
Q = w/(2 a v), whatever they do on their way.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from sawfem.device.assembled import solve_assembly
from sawfem.device.assembly import Circuit
from sawfem.device.track import Gratings
from sawfem.quantities import Quantity, json_key

#: What does not stay within the device.
OUTSIDE = ("reflected", "transmitted")
#: Mechanisms that take less than this of what is lost are left out.
LEAST = 1e-6


def quality_by_mechanism(
    circuit: Circuit, gratings: Gratings, figures: Mapping[str, Quantity]
) -> dict[str, Any]:
    """JSON object "resonance", "antiresonance" -> frequency, Q, and mechanism -> Q of it alone.

    ``figures`` are the resonance figures of the one-port (sawfem/device/resonance.py); peaks
    without a quality factor are left out.
    """
    found: dict[str, Any] = {}
    for name in ("resonance", "antiresonance"):
        keys = (f"quality_factor_{name}_energy", f"quality_factor_{name}")
        quality = next((figures[key] for key in keys if key in figures), None)
        if name not in figures or quality is None or not quality.known:
            continue
        f = float(figures[name])
        shares = solve_assembly(circuit, gratings, np.array([f])).shares()
        lost = {key: float(share[0]) for key, share in shares.items() if key not in OUTSIDE}
        total = sum(lost.values())
        if total <= 0.0:
            continue
        found[name] = {
            json_key("frequency"): f,
            "quality_factor": float(quality),
            "by_mechanism": {
                key: float(quality) * total / power
                for key, power in lost.items()
                if power > LEAST * total
            },
        }
    return found
