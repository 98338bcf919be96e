"""Fingers that are missing and fingers that touch: what lithography leaves of single devices.

A finger that is missing launches nothing: to first order it is an electrode held half-way between
the bus-bars, whose own small reflection is kept. Of double electrodes the whole pair is left out,
twice what one finger does: their cell is known as a whole. Two neighbours of opposite bus-bars
that touch short the transducer: what is left of it is the resistance of that bridge,

    R = 2 Rs W/(3 w),

two fingers in a row, each with the mean resistance of a finger under current (losses.py). In a
track the port of such a transducer is shorted by R.

Every finger is missing with the probability q, and every gap between neighbours of opposite
bus-bars is bridged with the probability s, all independent.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from sawfem.device.assembly import Circuit, Part, ResonatorPart, as_track
from sawfem.device.description import Resonator
from sawfem.device.lump import Lump
from sawfem.device.track import Element, Track, Transducer
from sawfem.device.wiring import Pair
from sawfem.errors import InputError

#: Resistance of a bridge where the film's sheet resistance is not known, ohm.
BRIDGE = 1.0


@dataclass(frozen=True)
class FaultRates:
    """Probabilities that a finger is missing and that two neighbours touch.

    Raises InputError for what is no probability.
    """

    missing: float = 0.0
    touching: float = 0.0

    def __post_init__(self) -> None:
        for key, value in (("missing_fingers", self.missing), ("touching_fingers", self.touching)):
            if not 0.0 <= value <= 1.0:
                raise InputError(
                    key=f"yield.{key}", found=f"{value!r}", expected="a probability, 0 to 1"
                )

    @property
    def any(self) -> bool:
        """Whether there are faults at all."""
        return self.missing > 0.0 or self.touching > 0.0


@dataclass(frozen=True)
class Faults:
    """What befell the parts of a circuit: place in ``Circuit.placed`` -> missing and bridged.

    ``missing`` are electrodes, counted through all transducers of the part from 0; ``bridged`` are
    the ports (names; of a resonator "") that a bridge shorts.
    """

    missing: Mapping[int, tuple[int, ...]]
    bridged: Mapping[int, tuple[str, ...]]

    def __bool__(self) -> bool:
        return bool(self.missing or self.bridged)


def draw_faults(circuit: Circuit, rates: FaultRates, random: np.random.Generator) -> Faults:
    """The faults of one device; every placed part is a device of its own on the wafer."""
    missing: dict[int, tuple[int, ...]] = {}
    bridged: dict[int, tuple[str, ...]] = {}
    for place, (name, _) in enumerate(circuit.placed):
        part = circuit.parts[name]
        if isinstance(part, ResonatorPart):
            transducers = [("", _alternating(part.resonator.fingers))]
        elif isinstance(part, Track):
            found = [e for e in part.elements if isinstance(e, Transducer)]
            transducers = [(e.port, e.sequence) for e in found]
        else:
            continue
        total = sum(sequence.size for _, sequence in transducers)
        gone = np.flatnonzero(random.random(total) < rates.missing)
        if gone.size:
            missing[place] = tuple(int(n) for n in gone)
        shorted = []
        for port, sequence in transducers:
            gaps = int(np.sum(sequence[1:] * sequence[:-1] < 0))
            if np.any(random.random(gaps) < rates.touching):
                shorted.append(port)
        if shorted:
            bridged[place] = tuple(dict.fromkeys(shorted))
    return Faults(missing, bridged)


def with_faults(circuit: Circuit, faults: Faults) -> Circuit:
    """The circuit with the faults in it; parts that are whole stay the same objects."""
    parts: dict[str, Part] = dict(circuit.parts)
    placed: list[tuple[str, tuple[Pair, ...]]] = []
    for place, (name, nodes) in enumerate(circuit.placed):
        part = circuit.parts[name]
        bridges = faults.bridged.get(place, ())
        if isinstance(part, ResonatorPart) and bridges:
            own = f"{name}, bridged"
            parts[own] = Lump(resistance=_bridge(part.resonator))
            placed.append((own, nodes))
            continue
        own = name
        if place in faults.missing:
            own = f"{name}, place {place}"
            parts[own] = _thinned(part, faults.missing[place])
        placed.append((own, nodes))
        for port in bridges:
            assert isinstance(part, Track)
            short = f"{name}, {port} bridged"
            parts[short] = Lump(resistance=BRIDGE)
            placed.append((short, (nodes[part.ports.index(port)],)))
    return Circuit(parts, tuple(placed), circuit.ports)


def _alternating(fingers: int) -> np.ndarray[tuple[int], np.dtype[np.int8]]:
    return np.resize(np.array([1, -1], dtype=np.int8), fingers)


def _bridge(resonator: Resonator) -> float:
    if not (resonator.sheet_resistance > 0.0 and resonator.electrode_width):
        return BRIDGE
    finger = resonator.sheet_resistance * resonator.aperture / (3.0 * resonator.electrode_width)
    return 2.0 * finger


def _thinned(part: Part, gone: tuple[int, ...]) -> Track:
    """A part as a track whose electrodes of these numbers launch nothing.

    Raises InputError for a resonator whose gaps have a velocity of their own.
    """
    assert isinstance(part, ResonatorPart | Track)
    if isinstance(part, ResonatorPart) and part.resonator.gap_velocity is not None:
        raise InputError(key="gap_velocity", found="one", expected="none in a track")
    track = as_track(part)
    elements: list[Element] = []
    first = 0
    for element in track.elements:
        if isinstance(element, Transducer):
            polarity = element.sequence.copy()
            own = [n - first for n in gone if first <= n < first + element.fingers]
            each = element.electrodes_per_cell
            for n in own:
                polarity[n - n % each : n - n % each + each] = 0
            first += element.fingers
            elements.append(replace(element, polarity=tuple(int(c) for c in polarity)))
        else:
            elements.append(element)
    return replace(track, elements=tuple(elements))
