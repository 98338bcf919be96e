"""Diffraction and steering in the device of a case: response, report, files, refusals."""

from __future__ import annotations

import json
import math

import h5py
import numpy as np
import pytest
from test_pipeline_circuits import BASE, solved

from sawfem.case import Case
from sawfem.cli.beams import show_beams
from sawfem.device.numbers import Numbered
from sawfem.device.parabolic_beam import pair_factor
from sawfem.device.spurious import envelope
from sawfem.errors import SawfemError
from sawfem.export.beams_hdf5 import read_beam, write_beam
from sawfem.export.hdf5_node import Node
from sawfem.pipeline.beams import same_spreading, with_spreading
from sawfem.pipeline.circuits import circuit_setting
from sawfem.pipeline.devices import solve_any_device
from sawfem.planewave.beam import Beam
from sawfem.plot.beams import draw_beam, draw_pair_transfer

FILTER = {
    "kind": "transversal",
    "fingers": [40, 30],
    "aperture": "20 wavelength",
    "gap": "150 wavelength",
    "sheet_resistance": "0 ohm",
}
ROW = {
    "name": "row",
    "aperture": "150 um",
    "sheet_resistance": "0.3 ohm",
    "elements": [
        {"transducer": "a", "fingers": 41, "window": "hamming"},
        {"space": "60 wavelength", "surface": "free"},
        {"transducer": "b", "fingers": 31},
        {"space": "10 wavelength", "surface": "metallised"},
        {"transducer": "c", "fingers": 31},
    ],
}
THREE = {
    "kind": "circuit",
    "ports": [{"name": name, "node": name} for name in ("in", "out", "tap")],
    "parts": [{"part": "row", "nodes": ["in", "ground", "out", "ground", "tap", "ground"]}],
}


@pytest.fixture(scope="module")
def plain(solved_grating):
    return solved(solved_grating, device=FILTER)[0]


@pytest.fixture(scope="module")
def spread(solved_grating):
    asked = {**FILTER, "diffraction": True, "misalignment": "0.5 deg"}
    return solved(solved_grating, device=asked)[0]


@pytest.fixture(scope="module")
def three(solved_grating):
    return solved(
        solved_grating,
        device=THREE,
        track=[{**ROW, "diffraction": True}],
        results={"include": ["diffraction"]},
    )


def test_the_transfer_admittance_carries_the_factor(plain, spread):
    """What arrives first in Y21 is multiplied by D; what is reflected comes later and with its own
    loss (tests/unit/test_device_passages.py): fingers without resistance here."""
    (pair,) = spread.beams
    assert pair.applied
    y, bare = spread.response.y, plain.response.y
    np.testing.assert_allclose(y[:, 0, 1], y[:, 1, 0], rtol=1e-9)
    tau = float(plain.response.figures["delay"])
    times = tau * np.linspace(0.8, 1.2, 161)
    f = plain.response.frequency
    main, before = (np.abs(envelope(f, v[:, 1, 0], times)).max() for v in (y, bare))
    loss = -20.0 * math.log10(main / before)
    assert loss == pytest.approx(float(pair.figures["diffraction_loss"]), abs=0.01)
    triple = float(pair.figures["diffraction_loss_triple"])
    assert 1.2 * loss < triple < 3.0 * loss
    assert all(check.ok for check in spread.response.checks.values())
    figure = spread.response.figures["diffraction_loss"]  # a figure of the device as well
    assert float(figure) == pytest.approx(float(pair.figures["diffraction_loss"]), abs=1e-6)


def test_a_sweep_needs_no_fields(solved_grating, spread):
    case = Case.from_dict({**BASE, "device": {**FILTER, "diffraction": True}}).resolved()
    cells, solutions = {"main": solved_grating.cell}, {"main": solved_grating}
    stack = solved_grating.cell.stack
    device, _ = solve_any_device(case, stack, cells, solutions, fields=False)
    assert device.beams == ()
    np.testing.assert_array_equal(device.response.s, spread.response.s)


def test_variants_of_a_device_keep_its_beams(solved_grating):
    """What scatters in fabrication moves numbers one by one: a variant has as many of them."""
    case = Case.from_dict({**BASE, "device": {**FILTER, "diffraction": True}}).resolved()
    cells, solutions = {"main": solved_grating.cell}, {"main": solved_grating}
    bare = circuit_setting(case, cells, solutions)
    nominal = with_spreading(case, bare, cells, solutions)
    again = same_spreading(bare, nominal)
    assert again.circuit.parts["track"].spreading is nominal.circuit.parts["track"].spreading
    numbers = [Numbered((s.circuit, s.gratings)).numbers for s in (nominal, again)]
    np.testing.assert_array_equal(*numbers)


def test_loss_is_that_of_lines_at_the_centres_nearly(spread):
    """128 deg Y-X niobate, g = -0.338: the pair against the closed form of two lines, which
    knows neither the lengths of the transducers nor the bend of the curve."""
    (pair,) = spread.beams
    figures = {name: float(quantity) for name, quantity in pair.figures.items()}
    assert figures["beam_anisotropy"] == pytest.approx(-0.338, abs=1e-3)
    wavelength = 3978.97 / pair.frequency
    beam = Beam(0.0, figures["beam_anisotropy"], 0.0, wavelength)
    width = 20.0 * 4.456e-6
    line = pair_factor(beam, width, width, figures["transducer_distance"])
    assert figures["diffraction_loss"] == pytest.approx(-20 * math.log10(abs(line)), abs=0.1)
    assert figures["diffraction_loss"] > 0.3
    assert figures["walk_off"] == 0.0
    assert pair.figures["diffraction_loss"].uncertainty < 1e-4
    # 0.5 deg off: psi = (1 + ...) no walk-off becomes g x 0.5 deg over the distance
    walk = abs(figures["beam_anisotropy"]) * math.radians(0.5) * figures["transducer_distance"]
    assert pair.material["walk_off"] == pytest.approx(walk, rel=0.02)
    assert 0.0 < pair.material["diffraction_loss"] < 0.1


def test_power_that_misses_the_receiver_leaves_the_track(plain, spread):
    power = spread.response.power
    assert sum(share for share in power.values()) == pytest.approx(1.0, abs=1e-9)
    best = int(np.argmax(power["transmitted"]))
    assert power["transmitted"][best] < plain.response.power["transmitted"][best]
    assert power["ends"][best] > 0.0
    # Nothing is lost on the way of this track: all that is missing left it.
    assert np.max(np.abs(power["propagation"] + power["radiation"])) < 1e-9


def test_the_report_alone_leaves_the_response(solved_grating, plain):
    device, _ = solved(solved_grating, device=FILTER, results={"include": ["diffraction"]})
    np.testing.assert_array_equal(device.response.s, plain.response.s)
    assert not device.beams[0].applied
    assert "diffraction" not in plain.to_dict()


def _summed(device, source, receiver):
    """Loss by the closed form of two lines, for every overlap of the one with every other, laid
    out by hand from the row above: gaps between electrodes n and n + 1."""
    pitch, aperture = 2.228e-6, 150e-6
    weights = np.ones(31)
    hamming = 0.54 - 0.46 * np.cos(2.0 * np.pi * (np.arange(41) + 0.5) / 41)
    starts = {"a": 0.0, "b": 41 + 119, "c": 41 + 119 + 31 + 19}  # 60 and 10 wavelengths
    lines = {}
    for name, start in starts.items():
        w = hamming if name == "a" else weights
        middle = start + np.arange(len(w) - 1) + 1.0
        lines[name] = middle * pitch, 0.5 * aperture * (w[1:] + w[:-1]), w
    (pair,) = (p for p in device.beams if (p.source, p.receiver) == (source, receiver))
    g = float(pair.figures["beam_anisotropy"])
    beam = Beam(0.0, g, 0.0, 3978.97 / pair.frequency)
    total, whole = 0j, 0.0
    (x1, w1, w), (x2, w2, _) = lines[source], lines[receiver]
    shift = 0.25 * aperture * np.diff(w) * (-1.0) ** np.arange(len(x1))
    for a, wide, y in zip(x1, w1, shift, strict=True):
        for b, other in zip(x2, w2, strict=True):
            size = math.sqrt(wide * other)
            total += pair_factor(beam, wide, other, b - a, -y) * size
            whole += min(wide, other)
    return -20.0 * math.log10(abs(total) / whole)


def test_every_pair_of_a_track(three):
    device, _ = three
    assert [(p.source, p.receiver) for p in device.beams] == [("a", "b"), ("a", "c"), ("b", "c")]
    losses = [float(pair.figures["diffraction_loss"]) for pair in device.beams]
    assert losses == pytest.approx([_summed(device, *p) for p in ("ab", "ac", "bc")], abs=0.02)
    assert all(check.ok for check in device.response.checks.values())
    # The free surface makes most of the spaces' length; without it, the metal.
    assert {pair.surface for pair in device.beams} == {"free"}
    first, _, last = device.beams
    assert first.transfer_frequency.size
    assert not last.transfer_frequency.size
    middle = first.transfer_frequency.size // 2
    ratio = abs(first.transfer[middle] / first.transfer_straight[middle])
    assert -20.0 * math.log10(ratio) == pytest.approx(losses[0], abs=0.02)


def test_a_metallised_way_has_its_own_curve(solved_grating):
    elements = [*ROW["elements"][:1], {"space": "60 wavelength", "surface": "metallised"}]
    device, _ = solved(
        solved_grating,
        device={
            **THREE,
            "ports": THREE["ports"][:2],
            "parts": [{"part": "row", "nodes": ["in", "ground", "out", "ground"]}],
        },
        track=[{**ROW, "elements": [*elements, ROW["elements"][2]]}],
        results={"include": ["diffraction"]},
    )
    (pair,) = device.beams
    assert pair.surface == "metallised"
    assert np.interp(0.0, pair.angle, pair.velocity) == pytest.approx(3870.9, abs=0.1)


def test_json_hdf5_pictures_and_screen(three, tmp_path, capsys):
    device, _ = three
    written = json.loads(json.dumps(device.to_dict()["diffraction"], allow_nan=False))
    assert written[0]["track"] == "row"
    assert written[0]["figures"]["diffraction_loss_dB"] > 0.0
    assert written[0]["uncertainty"]["numerical"]["diffraction_loss_dB"] < 1e-3
    pair = device.beams[0]
    with h5py.File(tmp_path / "beam.h5", "w") as file:
        write_beam(file.create_group("0"), pair)
        again = read_beam(Node(file["0"], "beam.h5"))
    np.testing.assert_array_equal(again.intensity, pair.intensity)
    np.testing.assert_array_equal(again.transfer, pair.transfer)
    assert again.figures == dict(pair.figures)
    assert (again.outlines, again.name, again.remarks) == (pair.outlines, pair.name, pair.remarks)
    assert draw_beam(pair).axes
    assert draw_pair_transfer(pair) is not None
    assert draw_pair_transfer(device.beams[2]) is None
    show_beams(device.beams)
    shown = capsys.readouterr().out
    assert "Beam of row, a to b" in shown
    assert "in the response" in shown


def row(**changes):
    return {"track": [{**ROW, **changes}]}


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        (
            {
                "device": {
                    "kind": "resonator",
                    "fingers": 81,
                    "reflector_fingers": 50,
                    "aperture": "100 um",
                },
                "results": {"include": ["diffraction"]},
            },
            'results.include: found "diffraction" of a device without a track; expected a trans',
        ),
        (
            {"device": {**FILTER, "misalignment": "12 deg"}},
            'device.misalignment: found "12 deg"; expected 0 to 5 deg',
        ),
        ({"device": {**FILTER, "diffraction": "yes"}}, "device.diffraction: found .yes."),
        (
            {"device": {**FILTER, "aperture": "0.6 wavelength"}},
            "device.aperture: found .*less than a wavelength",
        ),
        (
            {"device": {**FILTER, "offset": "20 um"}},
            'device.offset: found "20 um" without diffraction; expected diffraction = true',
        ),
        (
            row(elements=[*ROW["elements"][:4], {**ROW["elements"][4], "offset": "20 um"}]),
            "offset: found .20 um. without diffraction",
        ),
        (
            {
                **row(elements=ROW["elements"][:1], diffraction=True),
                "device": {
                    "kind": "circuit",
                    "ports": [{"name": "in", "node": "in"}],
                    "parts": [{"part": "row", "nodes": ["in", "ground"]}],
                },
            },
            "track.row.diffraction: found no two transducers",
        ),
    ],
)
def test_refused(solved_grating, changes, message):
    with pytest.raises(SawfemError, match=message) as caught:
        solved(solved_grating, **{"device": THREE, **changes})
    assert "\n" not in str(caught.value)


def test_keys_of_the_schema():
    case = Case.from_dict({**BASE, "device": {**FILTER, "diffraction": True}}).resolved()
    assert case.device.diffraction
    assert case.device.misalignment == 0.0
    aside = Case.from_dict(
        {**BASE, "device": {**FILTER, "diffraction": True, "offset": "-3 wavelength"}}
    ).resolved()
    assert aside.device.offset == pytest.approx(-3 * 4.456e-6)
    track = Case.from_dict({**BASE, **row(misalignment="0.3 deg")}).resolved().tracks["row"]
    assert track.misalignment == pytest.approx(0.3)
    assert not track.diffraction
