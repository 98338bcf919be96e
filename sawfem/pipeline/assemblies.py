"""Ladders and circuits of a case: their response, its error bars and what is said about it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from sawfem.case import ResolvedCase, ResolvedDevice, ResolvedTransversalDevice
from sawfem.device import Resonator, Response
from sawfem.device.assembly import Circuit, ResonatorPart
from sawfem.device.blackbox import BlackBox
from sawfem.device.lump import Lump
from sawfem.device.track import Reflector, Space, Track, Transducer
from sawfem.device.transversal import track_figures
from sawfem.extract import GratingSolution
from sawfem.pipeline.circuits import CircuitSetting, moved
from sawfem.pipeline.judgement import bulk_warning
from sawfem.quantities import Quantity, json_key
from sawfem.result import DeviceResult, device_result

Asked = ResolvedDevice

#: Directivity beyond which it matters to which side a transducer launches.
ONE_SIDED = 0.3


def solve_assembly_device(
    case: ResolvedCase,
    asked: Asked,
    solutions: Mapping[str, GratingSolution],
    setting: CircuitSetting,
) -> tuple[DeviceResult, tuple[str, ...]]:
    """Response of a ladder or a circuit, and warnings about what was assumed for it.

    Raises InputError and GeometryError for a device that cannot be.
    """
    response = _with_uncertainty(setting.response(), setting)
    warnings = [*setting.warnings, *_onsets(response, setting, solutions)]
    if isinstance(asked, ResolvedTransversalDevice):
        response = _with_track_figures(response, setting)
        warnings += _turned_away(asked, solutions)
    if not any(_loss(part) for part in setting.circuit.parts.values()):
        warnings.append("no propagation_loss is given: losses and ripple are lower bounds")
    names = [port.name for port in setting.circuit.ports]
    description = describe(setting.circuit)
    result = device_result(asked.kind, response, description, names)
    return result, tuple(warnings)


def _with_track_figures(response: Response, setting: CircuitSetting) -> Response:
    """A transversal filter's response with capacitances, delay and echoes among its figures."""
    (part,) = setting.circuit.parts.values()
    assert isinstance(part, Track)
    transfer = response.s[:, 1, 0]
    found, missing = track_figures(part, setting.gratings, response.frequency, transfer)
    if part.spreading is not None:
        loss = part.spreading.loss(("1", "2"))
        found["diffraction_loss"] = Quantity.of("diffraction_loss", loss)
    return replace(
        response,
        figures={**response.figures, **found},
        reasons={**response.reasons, **missing},
    )


def _turned_away(
    asked: ResolvedTransversalDevice, solutions: Mapping[str, GratingSolution]
) -> list[str]:
    """Which of the two transducers launches away from the other."""
    directivity = solutions[asked.grating].constants.directivity
    if directivity is None or abs(directivity) < ONE_SIDED:
        return []
    # The input looks to the right where it launches to +x1, the output where it does not.
    away = [
        name
        for name, turned, wanted in zip(("input", "output"), asked.mirrored, (1, -1), strict=True)
        if wanted * directivity * (-1.0 if turned else 1.0) < 0.0
    ]
    if not away:
        return []
    return [
        f"the {' and the '.join(away)} launches away from the other transducer (directivity "
        f"{directivity:+.2f} of the grating): device.mirrored turns it round"
    ]


def _loss(part: Any) -> bool:
    if isinstance(part, ResonatorPart):
        return part.resonator.attenuation > 0.0
    return isinstance(part, Track) and part.attenuation > 0.0


def _onsets(
    response: Response, setting: CircuitSetting, solutions: Mapping[str, GratingSolution]
) -> list[str]:
    """Bulk onsets inside the band, of every grating of the circuit."""
    low, high = response.frequency[0], response.frequency[-1]
    found = []
    for name in setting.circuit.gratings:
        onset = solutions[name].constants.next_bulk_onset
        if onset is not None and low < onset < high:
            found.append(bulk_warning(onset, name))
    return found


def _with_uncertainty(response: Response, setting: CircuitSetting) -> Response:
    """Figures with what the numerical uncertainty of the constants makes of them.

    Every constant of every grating is moved alone.
    """
    one_port = response.ports == 1
    frequency = setting.frequency[[0, -1]] if one_port else setting.frequency
    return response.widened(
        setting.response(moved(setting, grating, name, bar), frequency)
        for grating, bars in setting.bars.items()
        for name, bar in bars.items()
        if bar
    )


def describe(circuit: Circuit) -> dict[str, Any]:
    """What a circuit is made of, SI and JSON-safe."""
    used = dict.fromkeys(name for name, _ in circuit.placed)
    return {
        "parts": {name: _describe_part(circuit.parts[name]) for name in used},
        "placed": [
            {"part": name, "nodes": [list(pair) for pair in nodes]}
            for name, nodes in circuit.placed
        ],
        "ports": [{"name": port.name, "nodes": list(port.nodes)} for port in circuit.ports],
    }


def _describe_part(part: Any) -> dict[str, Any]:
    if isinstance(part, ResonatorPart):
        return _describe_resonator(part, part.resonator)
    if isinstance(part, Lump):
        values = {"inductance_H": part.inductance, "capacitance_F": part.capacitance}
        values |= {"resistance_ohm": part.resistance, "quality": part.quality}
        return {"kind": "lump", **{k: v for k, v in values.items() if v is not None}}
    if isinstance(part, BlackBox):
        return {"kind": "network", "file": part.file, "ports": part.ports}
    assert isinstance(part, Track)
    return {
        "kind": "track",
        json_key("aperture"): part.aperture,
        json_key("sheet_resistance"): part.sheet_resistance,
        "diffraction": part.spreading is not None,
        "elements": [_describe_element(element) for element in part.elements],
    }


def _describe_resonator(part: ResonatorPart, resonator: Resonator) -> dict[str, Any]:
    return {
        "kind": "resonator",
        "grating": part.grating,
        "reflector_grating": part.mirror,
        "fingers": resonator.fingers,
        "reflector_fingers": list(resonator.reflector_fingers),
        "reflector_connection": resonator.reflector_connection,
        json_key("aperture"): resonator.aperture,
        json_key("gap"): resonator.gap,
        json_key("sheet_resistance"): resonator.sheet_resistance,
    }


def _describe_element(element: Reflector | Space | Transducer) -> dict[str, Any]:
    if isinstance(element, Reflector):
        return {
            "kind": "reflector",
            "grating": element.grating,
            "strips": element.strips,
            "connection": element.connection,
        }
    if isinstance(element, Space):
        return {"kind": "space", "length_m": element.length, "surface": element.surface}
    weights = None if element.weights is None else np.round(element.weights, 6).tolist()
    return {
        "kind": "transducer",
        "port": element.port,
        "grating": element.grating,
        "fingers": element.fingers,
        "polarity": list(element.polarity),
        "weights": weights,
        "dummies": element.dummies,
        json_key("offset_across"): element.offset,
        "mirrored": element.mirrored,
    }
