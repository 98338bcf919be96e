"""Case files that hold a fit: what was fitted, in the keys that a run reads."""

from __future__ import annotations

import copy
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from sawfem.case import Case
from sawfem.case.keypath import UNNAMED
from sawfem.device.assembly import Circuit
from sawfem.device.circuit import CircuitPort
from sawfem.device.wiring import GROUND
from sawfem.measured.fitting import OnePortFit
from sawfem.measured.motional import MotionalCircuit
from sawfem.units import format_quantity

#: Prefix of the names of fitted lumps.
PREFIX = "fit-"


def resonator_case(
    case: Case, grating: str, found: OnePortFit, resistance_per_square: float
) -> Case:
    """The case with [grating.fitted], propagation loss and sheet resistance, zero at least.

    ``resistance_per_square`` is the resistance of the fingers for one ohm per square.
    """
    data = copy.deepcopy(case.to_dict())
    data.pop("fit", None)
    values = dict(zip(found.names, (float(value) for value in found.values), strict=True))
    listed = data["grating"] if isinstance(data["grating"], list) else [data["grating"]]
    table = next(item for item in listed if item.get("name", UNNAMED) == grating)
    table["fitted"] = {
        name: values[name] for name in ("velocity", "reflection", "transduction", "capacitance")
    }
    device = data["device"]
    device["propagation_loss"] = format_quantity(max(values["propagation_loss"], 0.0), "dB/s")
    sheet = max(values["resistance"], 0.0) / resistance_per_square
    device["sheet_resistance"] = format_quantity(sheet, "ohm")
    return Case.from_dict(data, base=case.base)


def circuit_case(
    case: Case, circuit: MotionalCircuit, reference: complex, band: tuple[float, float, int]
) -> Case:
    """The case with the circuit for its device; the band of the data where it has none."""
    data = copy.deepcopy(case.to_dict())
    data.pop("fit", None)
    data.pop("specification", None)
    lumps, placed = _parts(circuit)
    old = data.get("lump", [])
    old = [old] if isinstance(old, dict) else old
    names = {f"{PREFIX}{name}" for name in lumps}
    data["lump"] = [item for item in old if item.get("name") not in names] + [
        {"name": f"{PREFIX}{name}", **table} for name, table in lumps.items()
    ]
    data["device"] = {
        "kind": "circuit",
        "ports": [{"name": "in", "node": "in", "impedance": _impedance(reference)}],
        "parts": [
            {"part": f"{PREFIX}{name}", "nodes": list(nodes)} for name, nodes in placed.items()
        ],
    }
    if "band" not in data:
        low, high, points = band
        data["band"] = {
            "start": format_quantity(low, "Hz"),
            "stop": format_quantity(high, "Hz"),
            "points": points,
        }
    return Case.from_dict(data, base=case.base)


def device_case(case: Case, device: Circuit, circuits: Mapping[str, MotionalCircuit]) -> Case:
    """The case with every resonator of its device in the place of its equivalent circuit."""
    data = copy.deepcopy(case.to_dict())
    data.pop("fit", None)
    old = data.get("lump", [])
    lumps = [old] if isinstance(old, dict) else list(old)
    for part, circuit in circuits.items():
        tables, _ = _parts(circuit)
        lumps += [{"name": f"{PREFIX}{part}-{name}", **table} for name, table in tables.items()]
    placed: list[dict[str, Any]] = []
    for number, (part, pairs) in enumerate(device.placed, 1):
        plus, minus = pairs[0]
        if part not in circuits:
            placed.append({"part": part, "nodes": [plus, minus]})
            continue
        ends = {"in": plus, "ground": minus}
        for name, nodes in _parts(circuits[part])[1].items():
            where = [ends.get(node, f"{node}-{number}") for node in nodes]
            placed.append({"part": f"{PREFIX}{part}-{name}", "nodes": where})
    data["lump"] = lumps
    data["device"] = {
        "kind": "circuit",
        "ports": [
            {"name": _port(port.name), "node": _ends(port), "impedance": _impedance(port.impedance)}
            for port in device.ports
        ],
        "parts": placed,
    }
    return Case.from_dict(data, base=case.base)


def network_device(
    case: Case,
    part: str,
    file: str,
    nodes: Sequence[tuple[str, str]],
    names: Sequence[str],
    impedances: Sequence[complex],
    band: tuple[float, float, int],
) -> Case:
    """The case with a Touchstone file for its device; the path starts where the case is written.

    A balanced port becomes one of two nodes against the ground: the file knows its voltage alone.
    """
    data = copy.deepcopy(case.to_dict())
    data.pop("fit", None)
    old = data.get("network", [])
    listed = [old] if isinstance(old, dict) else list(old)
    data["network"] = [item for item in listed if item.get("name") != part]
    data["network"].append({"name": part, "file": file})
    ends = [plus for plus, _ in nodes]
    data["device"] = {
        "kind": "circuit",
        "ports": [
            {"name": _port(name), "node": node, "impedance": _impedance(complex(z))}
            for name, node, z in zip(names, ends, impedances, strict=True)
        ],
        "parts": [{"part": part, "nodes": ends}],
    }
    low, high, points = band
    data["band"] = {
        "start": format_quantity(low, "Hz", digits=12),
        "stop": format_quantity(high, "Hz", digits=12),
        "points": points,
    }
    return Case.from_dict(data, base=case.base)


def _port(name: str) -> str:
    """A name that a case takes: those of a device without names are numbers."""
    return name if name[:1].isalpha() else f"port-{name}"


def _ends(port: CircuitPort) -> str | list[str]:
    plus, minus = port.nodes
    return plus if minus == GROUND else [plus, minus]


def _impedance(z: complex) -> Any:
    real = format_quantity(z.real, "ohm")
    return [real, format_quantity(z.imag, "ohm")] if z.imag else real


def relocated(case: Case, folder: Path) -> Case:
    """The same case for a file in ``folder``: relative paths lead from there to the same files."""

    def moved(key: str, value: Any) -> Any:
        if isinstance(value, dict):
            return {name: moved(name, item) for name, item in value.items()}
        if isinstance(value, list):
            return [moved(key, item) for item in value]
        named = key in ("file", "open_dummy", "short_dummy")
        own = key in ("material", "metal", "like") and str(value).startswith("./")
        if not (named or own) or os.path.isabs(value):
            return value
        path = Path(os.path.relpath(case.base / value, folder)).as_posix()
        return f"./{path}" if own else path

    return Case.from_dict(moved("", case.to_dict()), base=folder)


def _parts(
    circuit: MotionalCircuit,
) -> tuple[dict[str, dict[str, str]], dict[str, tuple[str, str]]]:
    """Lumps by name and the nodes of each; a loss that is not above zero is left out."""
    lumps: dict[str, dict[str, str]] = {}
    placed: dict[str, tuple[str, str]] = {}

    def put(name: str, kind: str, value: float, nodes: tuple[str, str]) -> None:
        unit = {"resistance": "ohm", "capacitance": "F", "inductance": "H"}[kind]
        lumps[name] = {kind: format_quantity(value, unit)}
        placed[name] = nodes

    inner = "in"
    if circuit.series_resistance > 0.0:
        put("rs", "resistance", circuit.series_resistance, ("in", "a"))
        inner = "a"
    lossy = circuit.static_loss > 0.0
    end = "b" if circuit.static == "series" and lossy else "ground"
    put("c0", "capacitance", circuit.capacitance, (inner, end))
    if lossy:
        series = circuit.static == "series"
        value = circuit.static_loss if series else 1.0 / circuit.static_loss
        put("r0", "resistance", value, ("b" if series else inner, "ground"))
    for number, arm in enumerate(circuit.arms, 1):
        first, second = f"m{number}", f"n{number}" if arm.resistance > 0.0 else "ground"
        put(f"l{number}", "inductance", arm.inductance, (inner, first))
        put(f"c{number}", "capacitance", arm.capacitance, (first, second))
        if arm.resistance > 0.0:
            put(f"r{number}", "resistance", arm.resistance, (second, "ground"))
    return lumps, placed
