"""Unwanted responses of the device of a case: what else rings, and where bulk waves begin."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sawfem.device.track import Track, Transducer
from sawfem.device.unwanted import BULK, MAIN, Unwanted, all_ringing, unwanted_dict
from sawfem.extract import GratingSolution
from sawfem.pipeline.circuits import CircuitSetting


def unwanted_of(
    setting: CircuitSetting, solutions: Mapping[str, GratingSolution]
) -> tuple[dict[str, Any], ...]:
    """JSON objects of all of them inside the device's band, the strongest of each part first.

    Bulk onsets come first. They are the gratings', at phase pi per pitch; that of double
    electrodes, which work at half of it, is half as high: bulk waves of the substrate are not
    dispersive.
    """
    low, high = float(setting.frequency[0]), float(setting.frequency[-1])
    found = [item for item in _onsets(setting, solutions) if low < item.frequency < high]
    for resonator in all_ringing(setting.circuit, setting.gratings, low, high):
        found += [peak for peak in resonator.peaks if peak.name != MAIN]
    return tuple(unwanted_dict(item) for item in found)


def _onsets(setting: CircuitSetting, solutions: Mapping[str, GratingSolution]) -> list[Unwanted]:
    single, double = _kinds(setting)
    found = []
    for name in setting.circuit.gratings:
        onset = solutions[name].constants.next_bulk_onset
        if onset is None:
            continue
        if name in double:
            found.append(Unwanted(BULK, f"{name}, double electrodes", 0.5 * onset))
        if name in single:
            found.append(Unwanted(BULK, name, onset))
    return found


def _kinds(setting: CircuitSetting) -> tuple[set[str], set[str]]:
    """Gratings that work at phase pi per pitch, and at half of it."""
    single, double = set(setting.circuit.gratings), set()
    tracks = [part for part in setting.circuit.parts.values() if isinstance(part, Track)]
    for track in tracks:
        elements = [e for e in track.elements if isinstance(e, Transducer)]
        double |= {e.grating for e in elements if e.double}
    return single - double, double
