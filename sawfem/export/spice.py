"""A circuit as a netlist in plain SPICE: resistors, inductors, capacitors, one subcircuit.

Numbers are written without suffixes of size, names without spaces, so that every dialect reads
them alike. Nothing is written that makes power: every element must be zero or more.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from sawfem.errors import InputError
from sawfem.measured.motional import MotionalCircuit

_NAME = re.compile(r"[^a-z0-9_]")


def motional_netlist(circuit: MotionalCircuit, name: str, *, comments: Sequence[str] = ()) -> str:
    """The subcircuit ``name`` with the terminals 1 and 2.

    Raises InputError for an element that is negative or no number, by its name.
    """
    circuit.check()
    title = _NAME.sub("_", name.lower())
    title = title if title[:1].isalpha() else f"x{title}"
    lines = [f"* {_one_line(text)}" for text in comments]
    lines.append(f".subckt {title} 1 2")
    inner = "1"
    if circuit.series_resistance > 0.0:
        lines.append(_element("Rs", "1", "a", circuit.series_resistance))
        inner = "a"
    lossy = circuit.static_loss > 0.0
    if circuit.static == "series" and lossy:
        lines.append(_element("C0", inner, "b", circuit.capacitance))
        lines.append(_element("R0", "b", "2", circuit.static_loss))
    else:
        lines.append(_element("C0", inner, "2", circuit.capacitance))
    if circuit.static == "parallel" and lossy:
        lines.append(_element("R0", inner, "2", 1.0 / circuit.static_loss))
    for number, arm in enumerate(circuit.arms, 1):
        first, second = f"m{number}", f"n{number}"
        lines.append(_element(f"L{number}", inner, first, arm.inductance))
        end = second if arm.resistance > 0.0 else "2"
        lines.append(_element(f"C{number}", first, end, arm.capacitance))
        if arm.resistance > 0.0:
            lines.append(_element(f"R{number}", second, "2", arm.resistance))
    lines.append(f".ends {title}")
    return "\n".join(lines) + "\n"


def _element(name: str, plus: str, minus: str, value: float) -> str:
    """One line; the shortest digits that read back to the same float."""
    if name[0] in "CL" and not value > 0.0:
        raise InputError(key=name, found=f"{value:g}", expected="above zero")
    return f"{name} {plus} {minus} {value!r}"


def _one_line(text: str) -> str:
    """ASCII without line ends: a line end would end the comment."""
    return " ".join(text.split()).encode("ascii", "replace").decode("ascii")
