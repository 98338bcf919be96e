"""What is told of the parts of a device: what else rings, where bulk waves begin, what is lost."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from sawfem.device.assembly import Circuit
from sawfem.device.quality import quality_by_mechanism, resonator_table
from sawfem.device.track import Gratings, Track, Transducer
from sawfem.device.transverse_study import TransverseStudy
from sawfem.device.unwanted import BULK, MAIN, Unwanted, all_ringing, unwanted_dict
from sawfem.extract import GratingSolution
from sawfem.result import DeviceResult


def with_parts(
    device: DeviceResult | None, solutions: Mapping[str, GratingSolution]
) -> DeviceResult | None:
    """A device with its unwanted responses, quality factors by mechanism, and its resonators."""
    if device is None or device.circuit is None or device.gratings is None:
        return device
    circuit, gratings = device.circuit, device.gratings
    f = device.response.frequency
    low, high = float(f[0]), float(f[-1])
    several = device.kind != "resonator"
    return replace(
        device,
        spurious=unwanted_of(circuit, gratings, solutions, (low, high), device.transverse),
        quality=quality_by_mechanism(circuit, gratings, device.response.figures),
        resonators=resonator_table(circuit, gratings, low, high) if several else {},
    )


def unwanted_of(
    circuit: Circuit,
    gratings: Gratings,
    solutions: Mapping[str, GratingSolution],
    band: tuple[float, float],
    transverse: TransverseStudy | None = None,
) -> tuple[dict[str, Any], ...]:
    """JSON objects of all of them inside a band in hertz, the strongest of each part first.

    ``transverse`` : the modes across a lone resonator, where they were computed.

    Bulk onsets come first. They are the gratings', at phase pi per pitch; that of double
    electrodes, which work at half of it, is half as high: bulk waves of the substrate are not
    dispersive.
    """
    low, high = band
    found = [item for item in _onsets(circuit, solutions) if low < item.frequency < high]
    for resonator in all_ringing(circuit, gratings, low, high):
        found += [peak for peak in resonator.peaks if peak.name != MAIN]
        main = next((peak.frequency for peak in resonator.peaks if peak.name == MAIN), None)
        if transverse is not None and main is not None:
            across = transverse.unwanted(resonator.part, main)
            found += [item for item in across if low < item.frequency < high]
    return tuple(unwanted_dict(item) for item in found)


def _onsets(circuit: Circuit, solutions: Mapping[str, GratingSolution]) -> list[Unwanted]:
    single, double = _kinds(circuit)
    found = []
    for name in circuit.gratings:
        onset = solutions[name].constants.next_bulk_onset
        if onset is None:
            continue
        if name in double:
            found.append(Unwanted(BULK, f"{name}, double electrodes", 0.5 * onset))
        if name in single:
            found.append(Unwanted(BULK, name, onset))
    return found


def _kinds(circuit: Circuit) -> tuple[set[str], set[str]]:
    """Gratings that work at phase pi per pitch, and at half of it."""
    single, double = set(circuit.gratings), set()
    tracks = [part for part in circuit.parts.values() if isinstance(part, Track)]
    for track in tracks:
        elements = [e for e in track.elements if isinstance(e, Transducer)]
        double |= {e.grating for e in elements if e.double}
    return single - double, double
