"""Netlists: plain R, L and C, read back by a nodal solver that knows nothing else."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from sawfem.errors import InputError
from sawfem.export.spice import motional_netlist
from sawfem.measured.motional import Arm, MotionalCircuit

F = np.linspace(800e6, 950e6, 301) + 123.0  # no arm without loss stands at its very pole
CIRCUIT = MotionalCircuit(
    5e-12, (Arm(868e6, 3.4e-13, 1.5), Arm(881e6, 0.5e-14, 8.0)), 0.8, "series", 0.4
)


def input_admittance(netlist: str, frequency: Any) -> Any:
    """Y between the terminals of the one subcircuit, by nodal analysis with complex admittances.

    Reads NAME node node value with the kind in the first letter, as every SPICE does; node 2 is
    ground, one ampere is fed into node 1.
    """
    lines = [line for line in netlist.splitlines() if line and not line.startswith("*")]
    head, end = lines[0].split(), lines[-1].split()
    assert head[0] == ".subckt"
    assert end == [".ends", head[1]]
    assert head[2:] == ["1", "2"]
    elements = [line.split() for line in lines[1:-1]]
    assert len({element[0] for element in elements}) == len(elements)
    nodes = sorted({node for element in elements for node in element[1:3]} - {"2"})
    place = {node: n for n, node in enumerate(nodes)}
    jw = 2j * np.pi * frequency
    matrix = np.zeros((frequency.size, len(nodes), len(nodes)), dtype=complex)
    for name, plus, minus, text in elements:
        value = float(text)
        assert value > 0.0
        y = {"R": 1.0 / value + 0.0 * jw, "L": 1.0 / (jw * value), "C": jw * value}[name[0]]
        for a, b in ((plus, minus), (minus, plus)):
            if a in place:
                matrix[:, place[a], place[a]] += y
                if b in place:
                    matrix[:, place[a], place[b]] -= y
    feed = np.zeros((frequency.size, len(nodes), 1), dtype=complex)
    feed[:, place["1"]] = 1.0
    return 1.0 / np.linalg.solve(matrix, feed)[:, place["1"], 0]


@pytest.mark.parametrize(
    "circuit",
    [
        CIRCUIT,
        replace(CIRCUIT, static="parallel", static_loss=1e-5),
        replace(CIRCUIT, static="none", static_loss=0.0),
        replace(CIRCUIT, series_resistance=0.0, static_loss=0.0),
        replace(CIRCUIT, arms=(Arm(868e6, 3.4e-13, 0.0), Arm(881e6, 0.5e-14, 8.0))),
    ],
    ids=["series", "parallel", "none", "no resistances", "an arm without loss"],
)
def test_the_netlist_is_the_circuit(circuit: MotionalCircuit) -> None:
    text = motional_netlist(circuit, "Büoy 7/a", comments=["a line\nand another µ"])
    assert text.isascii()
    assert text.splitlines()[0].startswith("* a line and another")
    assert ".subckt b_oy_7_a 1 2" in text
    np.testing.assert_allclose(input_admittance(text, F), circuit.admittance(F), rtol=1e-9)


def test_nothing_that_makes_power_is_written() -> None:
    for name, wrong in (
        ("series_resistance", replace(CIRCUIT, series_resistance=-1e-3)),
        ("static_resistance", replace(CIRCUIT, static_loss=-0.1)),
        ("arm1_resistance", replace(CIRCUIT, arms=(Arm(868e6, 3.4e-13, -1.5),))),
        ("arm1_capacitance", replace(CIRCUIT, arms=(Arm(868e6, -3.4e-13, 1.5),))),
        ("static_capacitance", replace(CIRCUIT, capacitance=float("nan"))),
    ):
        with pytest.raises(InputError, match=f"{name}: found .*expected not negative"):
            motional_netlist(wrong, "x")
    # what is written is passive: Re Y >= 0 far beyond the band
    wide = np.geomspace(1e5, 1e11, 2001)
    assert input_admittance(motional_netlist(CIRCUIT, "x"), wide).real.min() >= 0.0
