"""The [signal] of a case through its device, on one solved grating."""

from __future__ import annotations

import numpy as np
import pytest
from test_pipeline_circuits import BASE, CIRCUIT, LADDER, solved

from sawfem.cli.signals import show_signal
from sawfem.errors import CaseError
from sawfem.plot.impulse import draw_impulse
from sawfem.plot.signals import draw_constellation, draw_knee

SIGNAL = {
    "carrier": "869 MHz",
    "symbol_rate": "4 MHz",
    "interference": "-20 dB",
    "interference_band": "60 MHz",
    "fingers": [20, 30, 40, 60],
}
TRANSVERSAL = {
    "kind": "transversal",
    "fingers": [40, 30],
    "aperture": "60 um",
    "gap": "60 um",
    "sheet_resistance": "0.3 ohm",
}


@pytest.fixture(scope="module")
def filtered(solved_grating):
    return solved(solved_grating, device=TRANSVERSAL, signal=SIGNAL)[0]


def test_errors_in_the_json_object(filtered):
    told = filtered.to_dict()["signal"]
    figures = told["figures"]
    both = np.hypot(figures["error_vector_intersymbol"], figures["error_vector_interference"])
    assert figures["error_vector_magnitude"] == pytest.approx(both)
    assert told["uncertainty"]["numerical"]["error_vector_magnitude"] > 0.0
    assert figures["bandwidth_hz"] == pytest.approx(
        float(filtered.response.figures["bandwidth"]), rel=1e-9
    )
    # What the decision sees is the pulse that is listed: the same error.
    pulse = np.array(told["pulse"]["value"]) @ [1.0, 1j]
    others = pulse[np.array(told["pulse"]["symbol"]) != 0]
    listed = np.sqrt(np.sum(np.abs(others) ** 2))
    assert listed == pytest.approx(figures["error_vector_intersymbol"], rel=0.05)


def test_counts_trade_selectivity_for_delay(filtered):
    told = filtered.signal["fingers"]
    rows = told["compared"]
    assert [row["fingers"] for row in rows] == SIGNAL["fingers"]
    for key, sign in (
        ("bandwidth_hz", -1.0),
        ("group_delay_s", 1.0),
        ("error_vector_interference", -1.0),
    ):
        assert np.all(sign * np.diff([row[key] for row in rows]) > 0.0), key
    # The echo of three transits comes out of the main lobe and grows with the coupling of both.
    assert rows[-1]["time_side_lobe_level_dB"] > rows[1]["time_side_lobe_level_dB"]
    # The row of the device's own count is the device.
    own = next(row for row in rows if row["fingers"] == 40)
    figures = filtered.signal["figures"]
    assert own["error_vector_magnitude"] == pytest.approx(
        figures["error_vector_magnitude"], rel=1e-3
    )
    assert own["bandwidth_hz"] == pytest.approx(figures["bandwidth_hz"], rel=2e-3)
    assert told["best"] is not None or told["reason"]


def test_pictures_and_screen(filtered, capsys):
    impulse = draw_impulse(filtered)
    assert "ns" in impulse.axes[1].get_xlabel()
    knee = draw_knee(filtered.signal)
    assert "electrodes" in knee.axes[1].get_xlabel()
    assert len(draw_constellation(filtered.signal).axes) == 2
    show_signal(filtered.signal)
    shown = capsys.readouterr().out
    assert "error-vector magnitude" in shown
    assert "QPSK" in shown


def test_a_track_is_counted_and_a_ladder_is_not(solved_grating):
    row = BASE["track"][0]
    plain = [element for element in row["elements"] if "window" not in element]
    track = [{**row, "elements": plain}]
    device, _ = solved(solved_grating, device=CIRCUIT, track=track, signal=SIGNAL)
    assert len(device.signal["fingers"]["compared"]) == 4
    with pytest.raises(CaseError, match=r"signal.fingers: found counts to compare of the trans"):
        solved(solved_grating, device=CIRCUIT, signal=SIGNAL)
    bare = {"carrier": "869 MHz", "symbol_rate": "1 MHz", "modulation": "16qam"}
    device, _ = solved(solved_grating, device=LADDER, signal=bare)
    assert device.signal["fingers"]["compared"] == []
    assert len(draw_constellation(device.signal).axes) == 1
    assert device.signal["reasons"]["noise_bandwidth_hz"]


def test_errors_are_held_against_a_specification_at_every_temperature(solved_grating):
    # The filter drifts away from the carrier, so that the error grows; 500 ppm/K is made up.
    limits = [
        {"name": "errors", "quantity": "error_vector_magnitude", "at_most": "40 %"},
        {"name": "rise", "quantity": "rise_time", "at_most": "1 us"},
    ]
    asked = {
        "temperatures": ["25 degC", "75 degC"],
        "frequency_temperature_coefficient": "500 ppm",
        "limit": limits,
    }
    signal = {key: value for key, value in SIGNAL.items() if key != "fingers"}
    device, _ = solved(solved_grating, device=TRANSVERSAL, signal=signal, specification=asked)
    errors, rise = device.specification
    own = device.signal["figures"]["error_vector_magnitude"]
    assert errors["temperature_K"] == pytest.approx(348.15)
    assert errors["worst"] > 1.1 * own
    assert 10e-9 < rise["worst"] < 100e-9
    device, _ = solved(solved_grating, device=TRANSVERSAL, specification=asked)
    assert device.specification[0]["reason"] == "the case has no [signal]"
