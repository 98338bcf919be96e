"""Unwanted responses of resonators by name: what else rings, and where bulk waves begin.

The conductance of a resonator has a peak wherever it rings. What a peak is, its place tells:

    longitudinal mode    inside the stop band of the reflectors, which hold it: a standing wave with
                         another count of half waves between them, spaced by v/(2 (L + 2 Lp)) (every
                         other one if the resonator is symmetric), L the distance between the
                         reflectors and Lp = p/(2 |r|) how deep each lets the wave in
    stop-band edge       within a lobe and a half of an edge of that stop band, where reflectors
                         let go; a lobe is v/(N p), N all electrodes of the resonator
    side lobe            farther out: of the finite transducer and reflectors
    bulk onset           a grating radiates bulk waves above a frequency of its own

The edges of a shorted grating are v/(2p) (1 +- |r|/pi); isolated strips have those of the equations
with no current: d = 2 |a|^2/(w C) +- |k + 2 a^2/(w C)|. (Campbell, Surface Acoustic Wave Devices
for Mobile and Wireless Communications (1998), ch. 11 and 13; Morgan, Surface Acoustic Wave Filters,
2nd ed. (2007), ch. 11; from memory. The limits between the names are common practice, no source.)
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from sawfem.device.assembly import Circuit, ResonatorPart
from sawfem.device.mirrored import ResonatorSolver
from sawfem.device.peaks import prominent_peaks
from sawfem.device.pmatrix import FloatArray
from sawfem.device.track import Gratings
from sawfem.extract.constants import ComConstants
from sawfem.quantities import json_key

#: Samples a lobe of the resonator, and at most.
SAMPLES, MOST_SAMPLES = 24, 40_001
#: A peak stands so far above the dips beside it, and reaches so far up to the main one, dB.
PROMINENCE, WEAKEST = 1.0, -40.0
#: An edge reaches so many lobes.
EDGE = 1.5
#: Most peaks of one resonator.
MOST = 12

MAIN, MODE, LOWER, UPPER, BELOW, ABOVE, BULK = (
    "main resonance",
    "longitudinal mode",
    "lower edge of the stop band",
    "upper edge of the stop band",
    "side lobe below the stop band",
    "side lobe above the stop band",
    "onset of bulk waves",
)


@dataclass(frozen=True)
class Unwanted:
    """One unwanted response.

    Attributes
    ----------
    name : one of the names above. part : the resonator or the grating.
    frequency : Hz. level : conductance relative to the main resonance, 10 log10, dB; None for an
        onset.
    """

    name: str
    part: str
    frequency: float
    level: float | None = None


@dataclass(frozen=True, eq=False)
class Ringing:
    """Conductance of one resonator over frequency and the peaks in it.

    Attributes
    ----------
    part : its name. gratings : of its transducer and of its reflectors.
    frequency : (n,) Hz. conductance : (n,) S.
    stop_band : (lower, upper) edges of the reflectors, Hz.
    peaks : the main resonance first, then by level.
    """

    part: str
    gratings: tuple[str, str]
    frequency: FloatArray
    conductance: FloatArray
    stop_band: tuple[float, float]
    peaks: tuple[Unwanted, ...]


def stop_band(constants: ComConstants, connection: str) -> tuple[float, float]:
    """Edges in hertz of a grating's stop band, its strips "shorted" or "open"."""
    centre, k = constants.centre_frequency, constants.reflection
    shift = 0.0
    if connection == "open":
        a = constants.transduction
        susceptance = 2.0 * np.pi * centre * constants.capacitance
        shift = 2.0 * abs(a) ** 2 / susceptance
        k = k + 2.0 * a**2 / susceptance
    ends = [centre * (1.0 + (shift + sign * abs(k)) / np.pi) for sign in (-1.0, 1.0)]
    return ends[0], ends[1]


def ringing(name: str, part: ResonatorPart, gratings: Gratings, low: float, high: float) -> Ringing:
    """Peaks of a resonator's conductance between two frequencies in hertz, by name."""
    resonator, mirror = part.resonator, gratings.of(part.mirror)
    electrodes = resonator.fingers + sum(resonator.reflector_fingers)
    lobe = mirror.velocity / (electrodes * mirror.pitch)
    count = int(np.clip(SAMPLES * (high - low) / lobe, 401, MOST_SAMPLES))
    f = np.linspace(low, high, count)
    y = ResonatorSolver(gratings, f).solve(part).admittance[:, 0, 0]
    G = np.maximum(y.real, 1e-30)
    grounds = (part.grating, part.mirror)
    edges = stop_band(mirror, resonator.reflector_connection)
    level = 10.0 * np.log10(G)
    places = prominent_peaks(level, PROMINENCE)
    if not places.size:
        return Ringing(name, grounds, f, G, edges, ())
    places = places[np.argsort(level[places])[::-1]]
    top = level[places[0]]
    held = any(resonator.reflector_fingers)
    found = [Unwanted(MAIN, name, _top(f, level, int(places[0])), 0.0)]
    for place in places[1 : MOST + 1]:
        if level[place] - top < WEAKEST:
            break
        at = _top(f, level, int(place))
        what = _called(at, edges, EDGE * lobe, held)
        found.append(Unwanted(what, name, at, float(level[place] - top)))
    return Ringing(name, grounds, f, G, edges, tuple(found))


def _called(at: float, edges: tuple[float, float], reach: float, held: bool) -> str:
    low, high = edges
    if not held:  # without reflectors there is no stop band but the transducer's own
        return BELOW if at < 0.5 * (low + high) else ABOVE
    if low <= at <= high:
        return MODE
    if at < low:
        return LOWER if low - at < reach else BELOW
    return UPPER if at - high < reach else ABOVE


def _top(f: FloatArray, level: FloatArray, place: int) -> float:
    """Frequency of a peak by a parabola through it and its neighbours."""
    low, top, high = level[place - 1 : place + 2]
    bend = low - 2.0 * top + high
    shift = 0.5 * (low - high) / bend if bend != 0.0 else 0.0
    return float(f[place] + shift * (f[1] - f[0]))


def unwanted_dict(item: Unwanted) -> dict[str, Any]:
    """JSON object of one; the level in dB is null for an onset."""
    return {
        "name": item.name,
        "part": item.part,
        json_key("frequency"): item.frequency,
        "level_dB": item.level,
    }


def all_ringing(circuit: Circuit, gratings: Gratings, low: float, high: float) -> list[Ringing]:
    """Every resonator of a circuit, once."""
    return [
        ringing(name, part, gratings, low, high)
        for name in dict.fromkeys(name for name, _ in circuit.placed)
        if isinstance(part := circuit.parts[name], ResonatorPart)
    ]
