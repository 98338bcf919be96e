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
from sawfem.device.assembly import Circuit, ResonatorPart
from sawfem.device.circuit import CircuitPort
from sawfem.device.mirrored import ResonatorSolver
from sawfem.device.pmatrix import ComplexArray, FloatArray
from sawfem.device.resonance import resonance_figures
from sawfem.device.track import Gratings
from sawfem.device.wiring import GROUND
from sawfem.quantities import Quantity, json_key, table, to_json

#: What does not stay within the device.
OUTSIDE = ("reflected", "transmitted")
#: Mechanisms that take less than this of what is lost are left out.
LEAST = 1e-6


def resonator_table(
    circuit: Circuit, gratings: Gratings, low: float, high: float
) -> dict[str, Any]:
    """JSON object: name of each resonator of a circuit -> its own figures and quality factors.

    Each is taken out of the circuit and looked at between two frequencies in hertz:
    ``figures`` as sawfem/device/resonance.py defines them, ``uncertainty`` the difference of the
    two quality factors, ``reasons``, and ``quality`` by mechanism.
    """
    found: dict[str, Any] = {}
    for name in dict.fromkeys(name for name, _ in circuit.placed):
        part = circuit.parts[name]
        if not isinstance(part, ResonatorPart):
            continue

        def admittance(f: FloatArray, part: ResonatorPart = part) -> ComplexArray:
            solved = ResonatorSolver(gratings, np.asarray(f)).solve(part)
            return np.asarray(solved.admittance[:, 0, 0])

        figures, reasons = resonance_figures(admittance, low, high)
        port = CircuitPort("1", ("in", GROUND))
        alone = Circuit({name: part}, ((name, (port.nodes,)),), (port,))
        bars = {key: q.uncertainty for key, q in figures.items() if q.uncertainty is not None}
        found[name] = {
            "grating": part.grating,
            "figures": to_json({key: q.value for key, q in figures.items()}),
            "uncertainty": {"methods": to_json(bars)},
            "reasons": {
                json_key(key) if key in table() else key: text for key, text in reasons.items()
            },
            "quality": quality_by_mechanism(alone, gratings, figures),
        }
    return found


def quality_by_mechanism(
    circuit: Circuit, gratings: Gratings, figures: Mapping[str, Quantity]
) -> dict[str, Any]:
    """JSON object "resonance", "antiresonance" -> frequency, Q, energy, mechanism -> Q of it alone.

    The energy W = Q sum_i P_i/w is that stored for one watt available at the port.

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
            "stored_energy_J_per_W": float(quality) * total / (2.0 * np.pi * f),
            "by_mechanism": {
                key: float(quality) * total / power
                for key, power in lost.items()
                if power > LEAST * total
            },
        }
    return found
