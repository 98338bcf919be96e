"""A circuit as a netlist in plain SPICE: resistors, inductors, capacitors, one subcircuit.

Numbers are written without suffixes of size, names without spaces, so that every dialect reads
them alike. Nothing is written that makes power: every element must be zero or more.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence

from sawfem.device.assembly import Circuit
from sawfem.device.lump import Lump
from sawfem.device.wiring import GROUND
from sawfem.errors import InputError
from sawfem.measured.motional import MotionalCircuit

_NAME = re.compile(r"[^a-z0-9_]")


def motional_netlist(circuit: MotionalCircuit, name: str, *, comments: Sequence[str] = ()) -> str:
    """The subcircuit ``name`` with the terminals 1 and 2.

    Raises InputError for an element that is negative or no number, by its name.
    """
    lines = comment_lines(comments)
    return "\n".join(lines + _motional_lines(circuit, plain_name(name))) + "\n"


def device_netlist(
    device: Circuit,
    circuits: Mapping[str, MotionalCircuit],
    name: str,
    frequency: float,
    *,
    comments: Sequence[str] = (),
) -> str:
    """A device of resonators and lumps: a subcircuit for each resonator, and one of the whole.

    Parameters
    ----------
    circuits : of its resonators, by the names of the parts.
    frequency : Hz, at which the loss of a lump with a quality factor is what it is there.

    The terminals are those of the ports, in order, a balanced one with both, and the ground last.
    Raises InputError for an element that is negative, or a part that is neither.
    """
    lines = comment_lines(comments)
    used = list(dict.fromkeys(part for part, _ in device.placed))
    for part in used:
        if part in circuits:
            lines += _motional_lines(circuits[part], plain_name(f"{name}_{part}"))
    ends = [node for port in device.ports for node in port.nodes if node != GROUND]
    lines.append(f".subckt {plain_name(name)} {' '.join(map(node_name, ends))} {node_name(GROUND)}")
    for number, (part, pairs) in enumerate(device.placed, 1):
        plus, minus = (node_name(node) for node in pairs[0])
        lump = device.parts[part]
        if part in circuits:
            lines.append(f"X{number} {plus} {minus} {plain_name(f'{name}_{part}')}")
        elif isinstance(lump, Lump):
            lines += _lump_lines(lump, number, plus, minus, frequency)
        else:
            raise InputError(key=part, found="a track or a network", expected="resonators, lumps")
    lines.append(f".ends {plain_name(name)}")
    return "\n".join(lines) + "\n"


def _lump_lines(lump: Lump, number: int, plus: str, minus: str, frequency: float) -> list[str]:
    """A lump; with a quality factor a resistance in series (L) or beside (C)."""
    if lump.resistance is not None:
        return [element_line(f"R{number}", plus, minus, lump.resistance)]
    if lump.inductance is not None:
        loss = series_loss(lump, frequency)
        if loss == 0.0:
            return [element_line(f"L{number}", plus, minus, lump.inductance)]
        inner = f"q{number}"
        return [
            element_line(f"L{number}", plus, inner, lump.inductance),
            element_line(f"R{number}", inner, minus, loss),
        ]
    assert lump.capacitance is not None
    lines = [element_line(f"C{number}", plus, minus, lump.capacitance)]
    if lump.quality is not None:
        beside = lump.quality / (2.0 * math.pi * frequency * lump.capacitance)
        lines.append(element_line(f"R{number}", plus, minus, beside))
    return lines


def series_loss(lump: Lump, frequency: float) -> float:
    """Resistance in series with an inductance, ohm: w L/Q at a frequency in hertz."""
    if lump.quality is None or lump.inductance is None:
        return 0.0
    return 2.0 * math.pi * frequency * lump.inductance / lump.quality


def plain_name(name: str) -> str:
    """A name that every dialect takes."""
    title = _NAME.sub("_", name.lower())
    return title if title[:1].isalpha() else f"x{title}"


def node_name(name: str) -> str:
    """A node of a device; the common one is gnd."""
    return "gnd" if name == GROUND else f"n_{_NAME.sub('_', name.lower())}"


def _motional_lines(circuit: MotionalCircuit, title: str) -> list[str]:
    """The lines of a subcircuit with the terminals 1 and 2."""
    circuit.check()
    lines = [f".subckt {title} 1 2"]
    inner = "1"
    if circuit.series_resistance > 0.0:
        lines.append(element_line("Rs", "1", "a", circuit.series_resistance))
        inner = "a"
    lossy = circuit.static_loss > 0.0
    if circuit.static == "series" and lossy:
        lines.append(element_line("C0", inner, "b", circuit.capacitance))
        lines.append(element_line("R0", "b", "2", circuit.static_loss))
    else:
        lines.append(element_line("C0", inner, "2", circuit.capacitance))
    if circuit.static == "parallel" and lossy:
        lines.append(element_line("R0", inner, "2", 1.0 / circuit.static_loss))
    for number, arm in enumerate(circuit.arms, 1):
        first, second = f"m{number}", f"n{number}"
        lines.append(element_line(f"L{number}", inner, first, arm.inductance))
        end = second if arm.resistance > 0.0 else "2"
        lines.append(element_line(f"C{number}", first, end, arm.capacitance))
        if arm.resistance > 0.0:
            lines.append(element_line(f"R{number}", second, "2", arm.resistance))
    lines.append(f".ends {title}")
    return lines


def element_line(name: str, plus: str, minus: str, value: float) -> str:
    """One line; the shortest digits that read back to the same float."""
    if name[0] in "CL" and not value > 0.0:
        raise InputError(key=name, found=f"{value:g}", expected="above zero")
    return f"{name} {plus} {minus} {value!r}"


def comment_lines(comments: Sequence[str]) -> list[str]:
    """Comments of a netlist."""
    return [f"* {_one_line(text)}" for text in comments]


def _one_line(text: str) -> str:
    """ASCII without line ends: a line end would end the comment."""
    return " ".join(text.split()).encode("ascii", "replace").decode("ascii")
