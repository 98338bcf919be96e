"""Quality factor by mechanism: what each loss alone would leave of the ringing of a one-port.

A natural frequency f of the device (the port shorted behind a resonance, open behind an
antiresonance) has 1/Q = 2 Im f/|f|. To first order each loss adds its own part to it,

    1/Q_i = d(1/Q)/d ln s_i   at s_i = 1,

s_i a factor on a loss: the sheet resistance, the attenuation given for the device, the losses of
the gratings, those of the lumps. It is found by differences, the natural frequency being computed
anew. What is left of 1/Q leaves by the ends (and in networks, in the ratio in which the driven
device loses power there). Waves that lose 2 a v of their energy per second have Q = w/(2 a v),
whatever they do on their way.

The shares of power of the driven device are no measure of it: where the ends are open its field
holds neighbouring modes too, which at an antiresonance may take more than the one that rings.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from sawfem.device.assembled import solve_assembly
from sawfem.device.assembly import Circuit, Part, ResonatorPart
from sawfem.device.blackbox import BlackBox
from sawfem.device.circuit import CircuitPort
from sawfem.device.lump import Lump
from sawfem.device.mirrored import ResonatorSolver
from sawfem.device.network import scattering_to_admittance
from sawfem.device.pmatrix import ComplexArray, FloatArray
from sawfem.device.rational import pole_behind
from sawfem.device.resonance import resonance_figures
from sawfem.device.track import Gratings
from sawfem.device.wiring import GROUND
from sawfem.quantities import Quantity, json_key, table, to_json

#: What does not stay within the device.
OUTSIDE = ("reflected", "transmitted")
#: Losses that no factor makes stronger or weaker: what is left of 1/Q.
REMAINDER = ("ends", "networks")
#: Step of ln s in the differences.
STEP = 0.1
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
    without a quality factor or a natural frequency are left out.
    """
    found: dict[str, Any] = {}
    for name in ("resonance", "antiresonance"):
        keys = (f"quality_factor_{name}_energy", f"quality_factor_{name}")
        if any(key not in figures or not figures[key].known for key in (name, *keys)):
            continue
        quality, wide = (float(figures[key]) for key in keys)
        f = float(figures[name])
        shares = solve_assembly(circuit, gratings, np.array([f])).shares()
        lost = {key: float(share[0]) for key, share in shares.items() if key not in OUTSIDE}
        total = sum(lost.values())
        ringing = _Ringing(circuit, gratings, name == "antiresonance", f, f / wide)
        rates = ringing.rates(quality, lost) if total > 0.0 else None
        if rates is None:
            continue
        found[name] = {
            json_key("frequency"): f,
            "quality_factor": quality,
            "stored_energy_J_per_W": quality * total / (2.0 * np.pi * f),
            "by_mechanism": {
                key: 1.0 / rate for key, rate in rates.items() if rate * quality > LEAST
            },
        }
    return found


@dataclass(frozen=True)
class _Ringing:
    """The natural frequency behind a peak at ``peak``, ``width`` wide, Hz, of Y, or of Z = 1/Y."""

    circuit: Circuit
    gratings: Gratings
    open: bool
    peak: float
    width: float

    def rates(self, quality: float, driven: Mapping[str, float]) -> dict[str, float] | None:
        """1/Q_i by mechanism; ``driven`` are the losses of the driven device. None: no pole."""
        found = {key: 0.0 for key in driven if driven[key] > LEAST * sum(driven.values())}
        for key in found:
            if key not in REMAINDER:
                rate = self._rate(key)
                if rate is None:
                    return None
                found[key] = rate
        rest = 1.0 / quality - sum(found.values())
        left = {key: driven[key] for key in REMAINDER if key in found}
        for key, power in left.items():
            found[key] = rest * power / sum(left.values())
        return found

    def _rate(self, mechanism: str) -> float | None:
        """d(1/Q)/d ln s; of lumps the sum over all, a resistance taken for what it is: a loss."""
        names: tuple[str | None, ...] = (None,)
        if mechanism == "lumps":
            parts = self.circuit.parts
            names = tuple(name for name, part in parts.items() if isinstance(part, Lump))
        total = 0.0
        for name in names:
            low, high = (self._loss(mechanism, 1.0 + sign * STEP, name) for sign in (-1.0, 1.0))
            if low is None or high is None:
                return None
            slope = (high - low) / (2.0 * STEP)
            total += abs(slope) if mechanism == "lumps" else slope
        return total

    def _loss(self, mechanism: str, factor: float, name: str | None) -> float | None:
        """1/Q with one mechanism ``factor`` times as strong."""
        gratings = self.gratings.with_losses(factor) if mechanism == "radiation" else self.gratings
        parts = {
            key: _scaled(part, mechanism, factor) if name in (None, key) else part
            for key, part in self.circuit.parts.items()
        }
        circuit = replace(self.circuit, parts=parts)

        def function(f: FloatArray) -> ComplexArray:
            solved = solve_assembly(circuit, gratings, f).solution
            y = scattering_to_admittance(solved.s, solved.reference)[:, 0, 0]
            return np.asarray(1.0 / y if self.open else y)

        pole = pole_behind(function, self.peak, self.width)
        return None if pole is None else 1.0 / pole.quality


def _scaled(part: Part, mechanism: str, factor: float) -> Part:
    """A part with one of its losses ``factor`` times as strong."""
    if isinstance(part, Lump):
        if mechanism != "lumps":
            return part
        if part.resistance is not None:
            return replace(part, resistance=part.resistance * factor)
        return replace(part, quality=part.quality / factor) if part.quality else part
    key = {"resistance": "sheet_resistance", "propagation": "attenuation"}.get(mechanism)
    if key is None or isinstance(part, BlackBox):
        return part
    if isinstance(part, ResonatorPart):
        changed = {key: getattr(part.resonator, key) * factor}
        return replace(part, resonator=replace(part.resonator, **changed))
    return replace(part, **{key: getattr(part, key) * factor})
