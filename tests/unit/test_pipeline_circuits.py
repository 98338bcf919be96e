"""Ladders, circuits and specifications of a case, on one solved grating."""

from __future__ import annotations

import numpy as np
import pytest

from sawfem.case import Case
from sawfem.errors import CaseError, SawfemError
from sawfem.pipeline.circuits import circuit_setting
from sawfem.pipeline.devices import solve_any_device

GRATING = {
    "pitch": "2.228 um",
    "metal": "aluminium/kaye-laby",
    "thickness": "89 nm",
    "metallisation_ratio": 0.5,
    "sidewall_angle": "80 deg",
}
BASE = {
    "substrate": {"material": "lithium-niobate/kovacs-1990", "cut": "(YXl)128"},
    "grating": GRATING,
    "resonator": [
        {"name": "s", "fingers": 101, "reflector_fingers": 60, "aperture": "90 um"},
        {"name": "p", "like": "s", "fingers": 161},
    ],
    "lump": [{"name": "bond", "inductance": "0.5 nH", "quality": 25}],
    "track": [
        {
            "name": "row",
            "aperture": "120 um",
            "sheet_resistance": "0.3 ohm",
            "elements": [
                {"reflector": 80},
                {"transducer": "a", "fingers": 31},
                {"transducer": "a", "fingers": 10, "window": "hann"},
                {"space": "3 wavelength", "surface": "free"},
                {"transducer": "b", "fingers": 41},
                {"reflector": 80, "connection": "open"},
            ],
        }
    ],
    "band": {"start": "850 MHz", "stop": "910 MHz", "points": 241},
}
LADDER = {
    "kind": "ladder",
    "chain": [{"series": "s"}, {"shunt": ["p", "bond"]}, {"series": ["s", "bond"]}],
}
CIRCUIT = {
    "kind": "circuit",
    "ports": [{"name": "in", "node": "a"}, {"name": "out", "node": ["b", "c"]}],
    "parts": [{"part": "row", "nodes": ["a", "ground", "b", "c"]}],
}


def solved(solved_grating, **changes):
    case = Case.from_dict({**BASE, **changes}).resolved()
    return solve_any_device(
        case, solved_grating.cell.stack, {"main": solved_grating.cell}, {"main": solved_grating}
    )


def test_ladder(solved_grating):
    device, _ = solved(solved_grating, device=LADDER)
    assert [port.name for port in device.ports] == ["1", "2"]
    assert all(check.ok for check in device.response.checks.values())
    assert device.response.figures["insertion_loss"].uncertainty > 0.0
    written = device.to_dict()
    assert written["description"]["placed"][1] == {"part": "p", "nodes": [["n1", "n2"]]}
    assert sum(written["power"]["shares"].values()) == pytest.approx(1.0, abs=1e-9)


def test_track_in_a_circuit_with_a_balanced_port(solved_grating):
    device, _ = solved(solved_grating, device=CIRCUIT)
    assert device.response.ports == 2
    assert all(check.ok for check in device.response.checks.values())
    track = device.circuit.parts["row"]
    assert track.elements[2].polarity == (-1, 1)  # goes on alternating after 31 electrodes
    assert track.elements[2].weights[0] < 0.05


def test_flat_kinds_are_circuits_too(solved_grating):
    for flat in (
        {"kind": "resonator", "fingers": 81, "reflector_fingers": 50, "aperture": "100 um"},
        {"kind": "transversal", "fingers": [41, 21], "aperture": "90 um", "gap": "30 um"},
    ):
        case = Case.from_dict({**BASE, "device": flat}).resolved()
        cells, solutions = {"main": solved_grating.cell}, {"main": solved_grating}
        device, _ = solve_any_device(case, solved_grating.cell.stack, cells, solutions)
        again = circuit_setting(case, cells, solutions).response(None, device.response.frequency)
        np.testing.assert_allclose(again.s, device.response.s, atol=1e-9)


def limit(**keys):
    return {"name": "band", "from": "870 MHz", "to": "872 MHz", **keys}


def test_specification_is_held_at_every_temperature(solved_grating):
    specification = {
        "temperatures": ["-20 degC", "25 degC", "60 degC"],
        "frequency_temperature_coefficient": "-75 ppm",
        "limit": [
            limit(quantity="insertion_loss", at_most="200 dB", at_least="-1 dB"),
            limit(quantity="return_loss", at_least="90 dB"),
            limit(
                name="stop",
                quantity="insertion_loss",
                **{"from": "860 MHz", "to": "869 MHz"},
                at_least="0 dB",
            ),
            {"name": "width", "quantity": "bandwidth", "at_least": "1 kHz"},
        ],
    }
    device, told = solved(solved_grating, device=LADDER, specification=specification)
    lines = device.to_dict()["specification"]
    assert [line["name"] for line in lines] == ["band", "band", "band", "stop", "width"]
    assert [line["met"] for line in lines][:3] == [True, True, False]
    assert all(line["margin"] >= 0 for line in lines if line["met"])
    assert {"temperature_K", "limit", "worst", "at", "quantity"} <= set(lines[0])
    assert any("cannot be had" in text and "1 MHz (0.11 %)" in text for text in told)
    assert any("missed" in text for text in told)
    # the response moves with temperature as the coefficient says: -75 ppm/K over 80 K
    hot = {**specification, "temperatures": ["60 degC"]}
    cold = {**specification, "temperatures": ["-20 degC"]}
    worst = [
        solved(solved_grating, device=LADDER, specification=s)[0].specification[0]["worst"]
        for s in (hot, cold)
    ]
    assert lines[0]["worst"] == pytest.approx(max(worst))


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"device": {**LADDER, "chain": [{"shunt": "p"}]}}, "device.chain: found no series link"),
        (
            {"device": {**LADDER, "chain": [{"series": "row"}, {"shunt": "row"}]}},
            "device.chain: found .row. with 2 ports",
        ),
        (
            {"device": {**CIRCUIT, "parts": [{"part": "row", "nodes": ["a"]}]}},
            "device.nodes: found 1 node",
        ),
        (
            {"device": {**CIRCUIT, "parts": [{"part": "s", "nodes": ["a", "b"]}]}},
            "device.ports: found port .out. at node .c.",
        ),
        (
            {"device": LADDER, "specification": {"limit": limit(quantity="ripple")}},
            "at_most",
        ),
        (
            {
                "device": {
                    "kind": "resonator",
                    "fingers": 81,
                    "reflector_fingers": 50,
                    "aperture": "1 mm",
                },
                "specification": {"limit": limit(quantity="insertion_loss", at_most="3 dB")},
            },
            "one port",
        ),
        (
            {
                "device": LADDER,
                "specification": {
                    "temperatures": ["60 degC"],
                    "limit": limit(quantity="ripple", at_most="1 dB"),
                    "hold_constant": ["nothing"],
                },
            },
            "specification.temperatures",
        ),
    ],
)
def test_one_line_for_what_cannot_be(solved_grating, changes, words):
    with pytest.raises(SawfemError, match=words) as caught:
        solved(solved_grating, **changes)
    assert "\n" not in str(caught.value)


def test_measured_network_is_a_part(solved_grating, tmp_path):
    import skrf

    f = np.linspace(800e6, 950e6, 31)
    s = np.tile(np.array([[0, 0.9], [0.9, 0]], dtype=complex), (f.size, 1, 1))
    skrf.Network(frequency=skrf.Frequency.from_f(f, unit="hz"), s=s, z0=50).write_touchstone(
        "line", dir=str(tmp_path)
    )
    changes = {
        **BASE,
        "network": [{"name": "line", "file": "line.s2p"}],
        "device": {"kind": "ladder", "chain": [{"series": "line"}, {"series": "s"}]},
    }
    cells, solutions = {"main": solved_grating.cell}, {"main": solved_grating}

    def answer(changes):
        case = Case.from_dict(changes, base=tmp_path).resolved()
        return solve_any_device(case, solved_grating.cell.stack, cells, solutions)[0].response

    with_line = answer(changes)
    without = answer({**changes, "device": {"kind": "ladder", "chain": [{"series": "s"}]}})
    ratio = np.abs(with_line.s[:, 1, 0]) / np.abs(without.s[:, 1, 0])
    np.testing.assert_allclose(ratio, 0.9, rtol=1e-6)
    for text, words in (
        ("hello", "no Touchstone data"),
        ("# MHz S RI R 50\n900 0 0 nan 0 0 0 0 0\n910 0 0 0 0 0 0 0 0\n", "NaN"),
        ("# MHz S RI R 50\n910 0 0 0 0 0 0 0 0\n900 0 0 0 0 0 0 0 0\n", "increasing"),
        ("# MHz S RI R 50\n900 0 0 0 0 0 0 0 0\n910 0 0 0 0 0 0 0 0\n", "850 to 910 MHz"),
    ):
        (tmp_path / "line.s2p").write_text(text)
        with pytest.raises(SawfemError, match=words) as caught:
            answer(changes)
        assert "\n" not in str(caught.value)
    (tmp_path / "line.s2p").unlink()
    with pytest.raises(SawfemError, match="no such file"):
        answer(changes)
    assert issubclass(CaseError, SawfemError)


def test_resonator_with_mirrors_on_a_grating_of_their_own(solved_grating):
    gratings = [{"name": "main", **GRATING}, {"name": "mirror", "like": "main"}]
    flat = {"kind": "resonator", "grating": "main", "fingers": 81, "reflector_fingers": 50}
    flat |= {"aperture": "100 um", "sheet_resistance": "0.3 ohm"}
    answers = []
    for more in ({}, {"reflector_grating": "mirror"}):
        changes = {**BASE, "grating": gratings, "device": {**flat, **more}}
        changes = {k: v for k, v in changes.items() if k not in ("resonator", "track")}
        case = Case.from_dict(changes).resolved()
        cells = dict.fromkeys(("main", "mirror"), solved_grating.cell)
        solutions = dict.fromkeys(("main", "mirror"), solved_grating)
        device, _ = solve_any_device(case, solved_grating.cell.stack, cells, solutions)
        answers.append(device)
    np.testing.assert_allclose(answers[1].response.s, answers[0].response.s, atol=1e-9)
    assert answers[1].description["parts"]["resonator"]["reflector_grating"] == "mirror"


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"aperture": "2 um"}, "aperture: found .2 um., less than a wavelength; expected 4.46 um"),
        (
            {"fingers": 1_000_000},
            "fingers: found 1000000; expected a count of electrodes, 2 to 100",
        ),
        ({"fingers": 0}, "fingers: found 0"),
    ],
)
def test_counts_and_apertures_that_cannot_be(changes, words):
    device = {"kind": "resonator", "fingers": 81, "reflector_fingers": 50, "aperture": "1 mm"}
    with pytest.raises(CaseError, match=words):
        Case.from_dict({**BASE, "device": {**device, **changes}})
