"""Unwanted responses and quality factors by mechanism of a case, and what files keep of them."""

from dataclasses import replace

import pytest
from test_pipeline_circuits import CIRCUIT, LADDER, solved
from test_pipeline_signal import SIGNAL, TRANSVERSAL

from sawfem.cli.answers import show_device
from sawfem.device.unwanted import BULK, UPPER
from sawfem.export.hdf5_read import read_hdf5
from sawfem.export.hdf5_write import write_hdf5
from sawfem.pipeline.spurious import with_parts
from sawfem.plot.spurious import draw_spurious

RESONATOR = {
    "kind": "resonator",
    "fingers": 101,
    "reflector_fingers": 60,
    "aperture": "90 um",
    "sheet_resistance": "0.2 ohm",
}


def told(solved_grating, **changes):
    return with_parts(solved(solved_grating, **changes)[0], {"main": solved_grating})


def test_a_resonator_tells_what_rings_and_what_it_loses(solved_grating, whole_result, tmp_path):
    device = told(solved_grating, device=RESONATOR)
    assert device.response.checks["energy"].ok
    written = device.to_dict()
    names = [item["name"] for item in written["spurious"]]
    assert names[0] == BULK
    assert UPPER in names
    onset = written["spurious"][0]
    assert onset["frequency_hz"] == solved_grating.constants.next_bulk_onset
    lost = written["quality"]["resonance"]
    rates = sum(1.0 / q for q in lost["by_mechanism"].values())
    assert rates == pytest.approx(1.0 / lost["quality_factor"], rel=1e-6)
    assert set(lost["by_mechanism"]) == {"resistance", "ends"}
    figures = device.response.figures
    difference = abs(
        float(figures["quality_factor_resonance"])
        - float(figures["quality_factor_resonance_energy"])
    )
    assert figures["quality_factor_resonance"].uncertainty >= difference
    assert len(draw_spurious(device).axes) == 1

    result = replace(whole_result, device=device)
    again = read_hdf5(write_hdf5(result, tmp_path / "result.h5")).device
    assert again.to_dict()["spurious"] == written["spurious"]
    assert again.to_dict()["quality"] == written["quality"]


def test_a_signal_comes_back_from_its_file(solved_grating, whole_result, tmp_path):
    signal = {**SIGNAL, "fingers": [30, 40]}
    device, _ = solved(solved_grating, device=TRANSVERSAL, signal=signal)
    result = replace(whole_result, device=device)
    again = read_hdf5(write_hdf5(result, tmp_path / "result.h5")).device
    assert again.to_dict()["signal"] == device.to_dict()["signal"]
    assert draw_spurious(device) is None


def test_every_resonator_of_a_ladder_is_looked_at(solved_grating, whole_result, tmp_path, capsys):
    device = told(solved_grating, device=LADDER)
    parts = {item["part"] for item in device.spurious}
    assert parts >= {"s", "p", "main"}
    assert not device.quality
    assert len(draw_spurious(device).axes) == 2
    series = device.to_dict()["resonators"]["s"]
    assert series["figures"]["antiresonance_hz"] > series["figures"]["resonance_hz"]
    assert series["quality"]["resonance"]["quality_factor"] == pytest.approx(
        series["figures"]["quality_factor_resonance_energy"]
    )
    result = replace(whole_result, device=device)
    again = read_hdf5(write_hdf5(result, tmp_path / "result.h5")).device
    assert again.to_dict()["resonators"] == device.to_dict()["resonators"]
    show_device(device)
    assert "Q energy" in capsys.readouterr().out
    track = told(solved_grating, device=CIRCUIT)
    assert {item["name"] for item in track.spurious} == {BULK}
