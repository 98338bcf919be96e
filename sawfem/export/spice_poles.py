"""A rational admittance (sawfem/measured/poles.py) as a netlist in plain SPICE.

A pair of poles p, conj(p) with p = -a + j b and the residues R is two states a port, driven by the
port's voltage V,

    x' = -a x - b y + V,   y' = b x - a y,   I_i = sum_j 2 (Re R_ij x_j - Im R_ij y_j),

each the voltage of a capacitor c with the resistor 1/(c a), coupled by sources of current (G). The
states are in units in which they are of the order of the voltage. Resistors and capacitors are all
positive; the sources make no power as long as the admittance is passive.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from sawfem.device.wiring import GROUND, Pair
from sawfem.errors import InputError
from sawfem.export.spice import comment_lines, element_line, node_name, plain_name
from sawfem.measured.poles import RationalAdmittance


def rational_netlist(
    model: RationalAdmittance,
    nodes: Sequence[Pair],
    name: str,
    *,
    comments: Sequence[str] = (),
) -> str:
    """The subcircuit ``name``: terminals of the ports in order, and the ground last.

    ``nodes`` are (plus, minus) of each port. Raises InputError for a capacitance between ports,
    or of a port to its ground, that would have to be negative.
    """
    ends = [node for pair in nodes for node in pair if node != GROUND]
    lines = comment_lines(comments)
    title = plain_name(name)
    lines.append(f".subckt {title} {' '.join(map(node_name, ends))} {node_name(GROUND)}")
    ports = [(node_name(plus), node_name(minus)) for plus, minus in nodes]
    lines += _direct(model, ports)
    middle = math.pi * sum(model.band)
    c = 1.0 / middle  # 1 S at the middle of the band
    drive = (model.band[1] - model.band[0]) / (model.band[1] + model.band[0])
    number = 0
    for k, pole in enumerate(model.poles, 1):
        a, b = -float(pole.real), float(pole.imag)
        for j, (plus, minus) in enumerate(ports, 1):
            x, y = f"x{k}_{j}", f"y{k}_{j}"
            for state in (x, y):
                lines.append(element_line(f"C{state}", state, "gnd", c))
                lines.append(element_line(f"R{state}", state, "gnd", 1.0 / (c * a)))
            lines.append(f"Ga{x} {x} gnd {y} gnd {c * b!r}")
            lines.append(f"Ga{y} gnd {y} {x} gnd {c * b!r}")
            lines.append(f"Gd{x} gnd {x} {plus} {minus} {drive!r}")
            for i, (out, back) in enumerate(ports):
                number += 1
                R = complex(model.residues[k - 1, i, j - 1]) * 2.0 * c / drive
                lines.append(f"Gx{number} {out} {back} {x} gnd {R.real!r}")
                lines.append(f"Gy{number} {out} {back} {y} gnd {-R.imag!r}")
    lines.append(f".ends {title}")
    return "\n".join(lines) + "\n"


def _direct(model: RationalAdmittance, ports: list[tuple[str, str]]) -> list[str]:
    """Conductances and capacitances of the ports and between them."""
    lines = []
    G, C = model.conductance, model.capacitance
    grounded = all(minus == node_name(GROUND) for _, minus in ports)
    for i, (plus, minus) in enumerate(ports):
        for j, (other, end) in enumerate(ports):
            lines.append(f"Gg{i + 1}_{j + 1} {plus} {minus} {other} {end} {float(G[i, j])!r}")
            bridge = -float(C[i, j])
            if j > i and bridge != 0.0:
                if not grounded:
                    raise InputError(
                        key="ports", found="capacitance between balanced ports", expected="none"
                    )
                lines.append(element_line(f"Cb{i + 1}_{j + 1}", plus, other, bridge))
        own = float(C[i].sum()) if grounded else float(C[i, i])
        if own > 0.0:
            lines.append(element_line(f"Co{i + 1}", plus, minus, own))
        if model.inverse_inductance[i] > 0.0:
            henry = 1.0 / float(model.inverse_inductance[i])
            lines.append(element_line(f"Lo{i + 1}", plus, minus, henry))
    return lines
