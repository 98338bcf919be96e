"""Netlists: plain R, L and C, read back by a nodal solver that knows nothing else."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from sawfem.device.assembly import Circuit
from sawfem.device.circuit import CircuitPort
from sawfem.device.lump import Lump
from sawfem.errors import InputError
from sawfem.export.spice import device_netlist, motional_netlist
from sawfem.measured.motional import Arm, MotionalCircuit

F = np.linspace(800e6, 950e6, 301) + 123.0  # no arm without loss stands at its very pole
CIRCUIT = MotionalCircuit(
    5e-12, (Arm(868e6, 3.4e-13, 1.5), Arm(881e6, 0.5e-14, 8.0)), 0.8, "series", 0.4
)


def flattened(netlist: str, top: str) -> tuple[list[str], list[tuple[str, str, str, float]]]:
    """Terminals of the subcircuit ``top`` and its elements (kind, node, node, value).

    Calls X of other subcircuits are put in their places; inner nodes get the caller's name.
    """
    bodies: dict[str, tuple[list[str], list[list[str]]]] = {}
    here: tuple[list[str], list[list[str]]] | None = None
    for line in netlist.splitlines():
        words = line.split()
        if not words or line.startswith("*"):
            continue
        if words[0] == ".subckt":
            assert here is None
            here = bodies[words[1]] = (words[2:], [])
        elif words[0] == ".ends":
            assert here is bodies[words[1]]
            here = None
        else:
            assert here is not None
            here[1].append(words)
    assert here is None

    def unfold(name: str, ends: list[str], path: str) -> list[tuple[str, str, str, float]]:
        terminals, lines = bodies[name]
        place = dict(zip(terminals, ends, strict=True))
        assert len({words[0] for words in lines}) == len(lines)
        found = []
        for label, *nodes, last in lines:
            where = [place.get(node, f"{path}{node}") for node in nodes]
            if label[0] == "X":
                found += unfold(last, where, f"{path}{label}.")
            else:
                assert label[0] in "RLC"
                assert float(last) > 0.0
                found.append((label[0], where[0], where[1], float(last)))
        return found

    return bodies[top][0], unfold(top, bodies[top][0], "")


def port_admittance(netlist: str, top: str, frequency: Any) -> Any:
    """Y (F, n, n) of the n terminals but the last, which is ground: nodal analysis.

    The kind of an element is the first letter of its name, as in every SPICE.
    """
    terminals, elements = flattened(netlist, top)
    ground = terminals[-1]
    nodes = sorted({node for element in elements for node in element[1:3]} - {ground})
    nodes.sort(key=lambda node: node not in terminals)
    place = {node: n for n, node in enumerate(nodes)}
    jw = 2j * np.pi * frequency
    matrix = np.zeros((frequency.size, len(nodes), len(nodes)), dtype=complex)
    for kind, plus, minus, value in elements:
        y = {"R": 1.0 / value + 0.0 * jw, "L": 1.0 / (jw * value), "C": jw * value}[kind]
        for a, b in ((plus, minus), (minus, plus)):
            if a in place:
                matrix[:, place[a], place[a]] += y
                if b in place:
                    matrix[:, place[a], place[b]] -= y
    feeds = np.zeros((frequency.size, len(nodes), len(terminals) - 1))
    for n, node in enumerate(terminals[:-1]):
        feeds[:, place[node], n] = 1.0
    impedance = np.swapaxes(feeds, 1, 2) @ np.linalg.solve(matrix, feeds)
    return np.linalg.inv(impedance)


def input_admittance(netlist: str, frequency: Any) -> Any:
    """Y (F,) of the one subcircuit of a one-port with the terminals 1 and 2."""
    (head,) = [line.split() for line in netlist.splitlines() if line.startswith(".subckt")]
    assert head[2:] == ["1", "2"]
    return port_admittance(netlist, head[1], frequency)[:, 0, 0]


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


def test_a_device_of_resonators_and_lumps_with_their_losses() -> None:
    """A ladder by hand: series resonator, shunt resonator, a coil and a pad with Q."""
    f = F
    coil, pad = Lump(inductance=0.6e-9, quality=25.0), Lump(capacitance=0.12e-12, quality=100.0)
    parts: dict[str, Any] = {"s": None, "p": None, "coil": coil, "pad": pad}
    placed = (
        ("pad", (("in", "ground"),)),
        ("coil", (("in", "a"),)),
        ("s", (("a", "out"),)),
        ("p", (("out", "ground"),)),
        ("s", (("out", "b-2"),)),
    )
    ports = (CircuitPort("1", ("in", "ground"), 50.0), CircuitPort("2", ("b-2", "ground"), 50.0))
    shunt = replace(CIRCUIT, arms=(Arm(840e6, 4e-13, 1.0),))
    middle = 875e6
    text = device_netlist(
        Circuit(parts, placed, ports), {"s": CIRCUIT, "p": shunt}, "Buoy", middle, comments=["x"]
    )
    assert text.splitlines()[0] == "* x"
    assert text.count(".subckt") == 3
    y = port_admittance(text, "buoy", f)
    # by chain matrices
    w, w0 = 2.0 * np.pi * f, 2.0 * np.pi * middle
    series = CIRCUIT.admittance(f)

    def along(z: Any) -> Any:
        return np.moveaxis(np.array([[1.0 + 0 * z, z], [0 * z, 1.0 + 0 * z]]), -1, 0)

    def across(y: Any) -> Any:
        return np.moveaxis(np.array([[1.0 + 0 * y, 0 * y], [y, 1.0 + 0 * y]]), -1, 0)

    chain = (
        across(1j * w * 0.12e-12 + w0 * 0.12e-12 / 100.0)
        @ along(1j * w * 0.6e-9 + w0 * 0.6e-9 / 25.0)
        @ along(1.0 / series)
        @ across(shunt.admittance(f))
        @ along(1.0 / series)
    )
    a, b, d = chain[:, 0, 0], chain[:, 0, 1], chain[:, 1, 1]
    expected = np.moveaxis(np.array([[d / b, -1.0 / b], [-1.0 / b, a / b]]), -1, 0)
    np.testing.assert_allclose(y, expected, rtol=1e-9)
    with pytest.raises(InputError, match="found a track or a network"):
        device_netlist(Circuit({"s": None, **parts}, placed, ports), {}, "x", middle)  # type: ignore[dict-item]
