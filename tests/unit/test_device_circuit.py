"""Circuits: against scikit-rf on lumped ladders, and what is refused."""

from __future__ import annotations

import numpy as np
import pytest
import skrf
from skrf.media import DefinedGammaZ0

from sawfem.device.circuit import CircuitPart, CircuitPort, solve_circuit
from sawfem.device.lump import Lump
from sawfem.errors import InputError

F = np.linspace(100e6, 3e9, 301)


def lumped(name: str, nodes: tuple[str, str], **keys: float) -> CircuitPart:
    return CircuitPart(name, (nodes,), Lump(**keys).admittance(F)[:, None, None])


LADDER = [
    lumped("l1", ("in", "a"), inductance=2e-9),
    lumped("c1", ("a", "ground"), capacitance=1.3e-12),
    lumped("r1", ("a", "b"), resistance=7.0),
    lumped("l2", ("b", "c"), inductance=1e-9),
    lumped("c2", ("c", "ground"), capacitance=3e-12),
    lumped("c3", ("b", "out"), capacitance=4e-12),
]


def skrf_ladder() -> skrf.Network:
    media = DefinedGammaZ0(skrf.Frequency.from_f(F, unit="hz"), z0=50)
    shunt_lc = media.inductor(1e-9) ** media.capacitor(3e-12) ** media.short()
    return (
        media.inductor(2e-9)
        ** media.shunt_capacitor(1.3e-12)
        ** media.resistor(7.0)
        ** media.shunt(shunt_lc)
        ** media.capacitor(4e-12)
    )


def test_ladder_is_that_of_scikit_rf():
    ports = [CircuitPort("1", ("in", "ground")), CircuitPort("2", ("out", "ground"))]
    solution = solve_circuit(F, LADDER, ports)
    np.testing.assert_allclose(solution.s, skrf_ladder().s, atol=1e-9)


def test_unequal_complex_terminations_are_those_of_scikit_rf():
    z = np.array([20 + 35j, 120 - 60j])
    ports = [CircuitPort("1", ("in", "ground"), z[0]), CircuitPort("2", ("out", "ground"), z[1])]
    solution = solve_circuit(F, LADDER, ports)
    other = skrf_ladder()
    other.renormalize(np.tile(z, (F.size, 1)), s_def="power")
    np.testing.assert_allclose(solution.s, other.s, atol=1e-9)


def test_scattering_part_equals_the_same_parts_drawn():
    ports = [CircuitPort("1", ("in", "ground")), CircuitPort("2", ("out", "ground"))]
    drawn = solve_circuit(F, LADDER, ports)
    box = CircuitPart(
        "box",
        (("in", "ground"), ("out", "ground")),
        scattering=skrf_ladder().s,
        reference=50.0,
    )
    np.testing.assert_allclose(solve_circuit(F, [box], ports).s, drawn.s, atol=1e-9)


def test_ideal_through_has_no_admittance_matrix_and_is_solved():
    s = np.tile(np.array([[0, 1], [1, 0]], dtype=complex), (F.size, 1, 1))
    through = CircuitPart("line", (("a", "ground"), ("b", "ground")), scattering=s)
    ports = [CircuitPort("1", ("a", "ground")), CircuitPort("2", ("b", "ground"))]
    np.testing.assert_allclose(solve_circuit(F, [through], ports).s, s, atol=1e-12)


def test_balanced_port_of_a_lattice_is_the_textbook_one():
    # Symmetric lattice of arms Za (straight) and Zb (crossed) between R and R: with
    # ga = (Za - R)/(Za + R) and gb alike, S11 = (ga + gb)/2, S21 = (gb - ga)/2
    # (Bartlett's bisection; e.g. Zverev, Handbook of Filter Synthesis, 1967; from memory).
    arms = [
        lumped("a1", ("in+", "out+"), inductance=8e-9),
        lumped("a2", ("in-", "out-"), inductance=8e-9),
        lumped("b1", ("in+", "out-"), capacitance=2e-12),
        lumped("b2", ("in-", "out+"), capacitance=2e-12),
    ]
    ports = [CircuitPort("1", ("in+", "in-"), 100.0), CircuitPort("2", ("out+", "out-"), 100.0)]
    s = solve_circuit(F, arms, ports).s
    w = 2 * np.pi * F
    ga, gb = ((z - 100) / (z + 100) for z in (1j * w * 8e-9, 1 / (1j * w * 2e-12)))
    np.testing.assert_allclose(s[:, 0, 0], (ga + gb) / 2, atol=1e-10)
    np.testing.assert_allclose(s[:, 1, 0], (gb - ga) / 2, atol=1e-10)


def one(name, *nodes):
    return lumped(name, nodes, capacitance=1e-12)


P = CircuitPort


@pytest.mark.parametrize(
    ("parts", "ports", "key", "words"),
    [
        ([one("c", "a", "ground")], [], "ports", "no port"),
        ([one("c", "a", "ground")], [P("x", ("b", "ground"))], "ports", "where no part is"),
        ([one("c", "a", "ground")], [P("x", ("ground", "ground"))], "ports", "itself"),
        (
            [one("c", "a", "ground")],
            [P("x", ("a", "ground")), P("y", ("ground", "a"))],
            "ports",
            "same nodes",
        ),
        (
            [one("c", "a", "ground")],
            [P("x", ("a", "ground")), P("x", ("a", "ground"))],
            "ports",
            "second port",
        ),
        (
            [one("c", "a", "ground"), one("d", "b", "ground")],
            [P("x", ("a", "ground")), P("y", ("b", "ground"))],
            "ports",
            "open",
        ),
        (
            [one("c", "a", "ground"), one("d", "a", "b")],
            [P("x", ("a", "ground"))],
            "parts",
            'node "b"',
        ),
        (
            [one("c", "a", "ground"), one("d", "b", "ground"), one("e", "b", "ground")],
            [P("x", ("a", "ground"))],
            "parts",
            "no port reaches",
        ),
        ([one("c", "a", "a")], [P("x", ("a", "ground"))], "parts", "both ends"),
    ],
)
def test_what_cannot_be_solved_is_refused(parts, ports, key, words):
    with pytest.raises(InputError, match=words) as caught:
        solve_circuit(F, parts, ports)
    assert caught.value.key == key
    assert "\n" not in str(caught.value)


def test_singular_circuit_names_the_frequency():
    # an ideal parallel resonance in series with an ideal parallel resonance has a free node
    f0 = F[100]
    c = 1e-12
    inductance = 1 / ((2 * np.pi * f0) ** 2 * c)
    f = np.array([F[99], f0, F[101]])
    tank = [
        CircuitPart(n, ((p, q),), Lump(**k).admittance(f)[:, None, None])
        for n, p, q, k in (
            ("c1", "a", "b", {"capacitance": c}),
            ("l1", "a", "b", {"inductance": inductance}),
            ("c2", "b", "ground", {"capacitance": c}),
            ("l2", "b", "ground", {"inductance": inductance}),
        )
    ]
    with pytest.raises(InputError, match="singular") as caught:
        solve_circuit(f, tank, [P("x", ("a", "ground"))])
    assert f"{f0 / 1e6:.6g} MHz" in str(caught.value)


@pytest.mark.parametrize(
    "keys",
    [
        {},
        {"inductance": 1e-9, "capacitance": 1e-12},
        {"inductance": 0.0},
        {"capacitance": float("nan")},
        {"resistance": 50.0, "quality": 10.0},
        {"inductance": 1e-9, "quality": 0.0},
    ],
)
def test_lumps_that_cannot_exist(keys):
    with pytest.raises(InputError):
        Lump(**keys)


def test_quality_of_lumps():
    z = 1 / Lump(inductance=2e-9, quality=25).admittance(F)
    np.testing.assert_allclose(z.imag / z.real, 25)
    y = Lump(capacitance=2e-12, quality=300).admittance(F)
    np.testing.assert_allclose(y.imag / y.real, 300)
