"""[[measurement]]: a file held against the computed device, from the case to the pictures."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import skrf

from sawfem.case import Case
from sawfem.cli import main
from sawfem.errors import InputError, SawfemError
from sawfem.export.hdf5_read import read_hdf5
from sawfem.export.hdf5_write import write_hdf5
from sawfem.measured.comparison import compare, differences
from sawfem.measured.embedding import Fixture, embedded
from sawfem.pipeline.devices import solve_any_device
from sawfem.pipeline.measuring import read_measurements, with_measurements
from sawfem.plot import style
from sawfem.plot.measured import draw_measurement
from sawfem.result import DeviceResult
from sawfem.touchstone import TouchstoneData

BASE: dict[str, Any] = {
    "substrate": {"material": "lithium-niobate/kovacs-1990", "cut": "(YXl)128"},
    "grating": {
        "pitch": "2.228 um",
        "metal": "aluminium/kaye-laby",
        "thickness": "89 nm",
        "metallisation_ratio": 0.5,
        "sidewall_angle": "80 deg",
    },
    "device": {
        "kind": "resonator",
        "fingers": 121,
        "reflector_fingers": 300,
        "aperture": "178 um",
        "gap": "2.228 um",
        "sheet_resistance": "0.34 ohm",
    },
    "band": {"start": "840 MHz", "stop": "920 MHz", "points": 161},
}
FIXTURE = Fixture((40e-12,), (55.0,), (60e-15,), (0.2e-9,), (0.4,))
TAKEN_OFF = {
    "line_delay": "40 ps",
    "line_impedance": "55 ohm",
    "pad_capacitance": "60 fF",
    "lead_inductance": ["0.2 nH"],
    "lead_resistance": 0.4,
}


def lorentz(frequency: Any, centre: float) -> Any:
    """Y of a motional arm beside a capacitance, siemens."""
    w, w0 = 2.0 * np.pi * frequency, 2.0 * np.pi * centre
    motional = 1.0 / (2.0 + 1j * w * 1e-7 + 1.0 / (1j * w / (w0**2 * 1e-7)))
    return motional + 1j * w * 8e-12


def reflection(y: Any) -> Any:
    return ((1.0 - 50.0 * y) / (1.0 + 50.0 * y))[:, None, None]


def test_shift_and_difference_of_two_resonators() -> None:
    f = np.linspace(840e6, 900e6, 1201)
    z = np.full((f.size, 1), 50.0 + 0j)
    measured = reflection(lorentz(f, 868e6 * (1.0 + 3e-4)))
    computed = reflection(lorentz(f, 868e6))
    figures, reasons = differences(f, measured, computed, z)
    assert reasons == {}
    assert float(figures["measured_resonance_shift"]) == pytest.approx(3e-4, abs=2e-6)
    # f_a^2 = f_r^2 + 1/(4 pi^2 L C0)
    beside = 1.0 / (4.0 * np.pi**2 * 1e-7 * 8e-12)
    high, low = (np.sqrt((868e6 * scale) ** 2 + beside) for scale in (1.0 + 3e-4, 1.0))
    shift = float(figures["measured_antiresonance_shift"])
    assert shift == pytest.approx(high / low - 1.0, abs=2e-6)
    apart = np.abs(measured - computed)[:, 0, 0]
    assert float(figures["measured_difference"]) == pytest.approx(np.sqrt(np.mean(apart**2)))
    assert float(figures["measured_difference_largest"]) == apart.max()
    assert float(figures["measured_difference_frequency"]) == f[np.argmax(apart)]
    # what lies outside the frequencies is a reason, not a number
    _, reasons = differences(f[:300], measured[:300], computed[:300], z[:300])
    assert "has no resonance among these frequencies" in reasons["measured_resonance_shift"]


def test_figures_of_a_two_port() -> None:
    """A pass band moved by 100 ppm, 1 dB weaker."""
    f = np.linspace(860e6, 880e6, 2001)

    def two_port(centre: float, level: float) -> Any:
        s = np.zeros((f.size, 2, 2), dtype=complex)
        s[:, 0, 1] = s[:, 1, 0] = level / (1.0 + ((f - centre) / 2e6) ** 4)
        return s

    measured, computed = two_port(870e6 * (1 + 1e-4), 10 ** (-3 / 20)), two_port(870e6, 10**-0.1)
    figures, reasons = differences(f, measured, computed, np.full((f.size, 2), 50.0 + 0j))
    assert reasons == {}
    assert float(figures["measured_centre_shift"]) == pytest.approx(1e-4, rel=1e-3)
    assert float(figures["measured_loss_difference"]) == pytest.approx(1.0, abs=1e-6)


def test_ports_and_band_that_do_not_fit() -> None:
    f = np.linspace(840e6, 900e6, 61)
    data = TouchstoneData(f, reflection(lorentz(f, 868e6)), np.full((61, 1), 50.0 + 0j), "w.s1p")
    z = np.array([50.0 + 0j])
    with pytest.raises(InputError, match=r"w.s1p: found 0 frequencies inside the computed band"):
        compare("w", data, z, (1e9, 2e9), lambda at: reflection(lorentz(at, 868e6)))
    with pytest.raises(InputError, match=r"w.s1p: found 1 port; expected 2"):
        compare("w", data, np.array([50.0, 50.0]), (0.0, 2e9), lambda at: at)


@pytest.fixture(scope="module")
def answered(solved_grating) -> DeviceResult:
    """The computed device alone."""
    return solved(solved_grating, Case.from_dict(BASE))


def solved(solved_grating, case: Case) -> DeviceResult:
    cells, solutions = {"main": solved_grating.cell}, {"main": solved_grating}
    return solve_any_device(case.resolved(), solved_grating.cell.stack, cells, solutions)[0]


@pytest.fixture
def wafer(answered: DeviceResult, tmp_path: Path) -> Path:
    """The computed resonator itself behind pads and a line, as a Touchstone file of 75 ohm."""
    response = answered.response
    seen = embedded(response.s, response.reference, response.frequency, FIXTURE)
    axis = skrf.Frequency.from_f(response.frequency, unit="hz")
    network = skrf.Network(frequency=axis, s=seen, z0=50.0, s_def="power")
    network.renormalize(75.0)
    network.write_touchstone("wafer", dir=str(tmp_path), form="ri")
    return tmp_path / "wafer.s1p"


def compared(
    solved_grating, folder: Path, measurement: dict[str, Any]
) -> tuple[DeviceResult, tuple[str, ...]]:
    case = Case.from_dict(BASE | {"measurement": measurement}, base=folder)
    assert case.unserved() == ()
    measured = read_measurements(case.resolved())
    found, told = with_measurements(solved(solved_grating, case), measured)
    assert found is not None
    return found, told


def test_the_device_behind_its_fixture_is_found_again(
    solved_grating, whole_result, wafer: Path, tmp_path: Path
) -> None:
    """Written, embedded, read, freed, compared: nothing is left but the digits of the file."""
    asked = {"name": "wafer-3", "file": "wafer.s1p", **TAKEN_OFF}
    device, told = compared(solved_grating, tmp_path, asked)
    assert told == ()
    (item,) = device.measurements
    assert float(item.figures["measured_difference_largest"]) < 1e-9
    assert item.removed == (
        "line of 40 ps, 55 ohm; pad of 60 fF; lead inductance of 200 pH; lead resistance of "
        "400 mohm"
    )
    raw, _ = compared(solved_grating, tmp_path, {"name": "raw", "file": "wafer.s1p"})
    assert float(raw.measurements[0].figures["measured_difference"]) > 0.1

    result = replace(whole_result, device=device)
    back = read_hdf5(write_hdf5(result, tmp_path / "result.h5")).device
    assert back is not None
    (again,) = back.measurements
    np.testing.assert_array_equal(again.measured, item.measured)
    np.testing.assert_array_equal(again.computed, item.computed)
    assert dict(again.figures) == dict(item.figures)
    (told_json,) = json.loads(json.dumps(result.to_dict()))["device"]["measurement"]
    assert told_json["figures"]["measured_difference"] == float(item.figures["measured_difference"])
    assert told_json["points"] == 161
    with style.house_style():
        figure = draw_measurement(item)
    labels = {axes.get_ylabel() for axes in figure.axes}
    assert "reflection |S11| (dB)" in labels
    assert "admittance |Y| (mS)" in labels


@pytest.mark.parametrize(
    ("measurement", "words"),
    [
        ({"name": "w", "file": "none.s1p"}, "none.s1p: measurement.w: found no such file"),
        ({"name": "w", "file": "wafer.s2p"}, "wafer.s2p: measurement.w: found 2 ports"),
        ({"name": "w", "file": "bad.s1p"}, "bad.s1p: measurement.w, line 2: found NaN"),
        (
            {"name": "w", "file": "wafer.s1p", "open_dummy": "none.s1p"},
            "none.s1p: measurement.w: found no such file",
        ),
        (
            {"name": "w", "file": "wafer.s1p", "pad_capacitance": ["1 pF", "1 pF"]},
            "wafer.s1p: measurement.w, capacitance: found 2 values",
        ),
        (
            {"name": "w", "file": "wafer.s1p", "pad_capacitance": "1 pF", "open_dummy": "o.s1p"},
            "measurement.pad_capacitance: found pad_capacitance and open_dummy; expected one",
        ),
        (
            {"name": "w", "file": "wafer.s1p", "line_impedance": "50 ohm"},
            "measurement.line_delay: found nothing",
        ),
        ({"name": "w", "file": "wafer.s1p", "line_delay": "4 m"}, "line_delay: found"),
        ({"name": "w", "file": "wafer.s1p", "delay": "4 ps"}, "nearest: line_delay"),
    ],
)
def test_one_line_for_a_measurement_that_cannot_be_used(
    measurement: dict[str, Any], words: str, wafer: Path, tmp_path: Path
) -> None:
    (tmp_path / "wafer.s2p").write_text("# MHz S RI R 50\n800 0 0 0 0 0 0 0 0\n")
    (tmp_path / "bad.s1p").write_text("# MHz S RI R 50\n800 nan 0\n")

    def ask() -> None:
        case = Case.from_dict(BASE | {"measurement": measurement}, base=tmp_path)
        read_measurements(case.resolved())

    with pytest.raises(SawfemError) as caught:
        ask()
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


def test_the_command_refuses_before_it_computes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    case = Case.from_dict(BASE | {"measurement": {"name": "w", "file": "w.s1p"}})
    Path("case.toml").write_text(case.to_toml())
    Path("w.s1p").write_text("# MHz S RI R 50\n800 0 0\n800 0 0\n")
    for command in ("check", "run"):
        assert main([command, "case.toml"]) == 2
        told = capsys.readouterr()
        assert told.out == ""
        assert told.err.count("\n") == 1
        assert "w.s1p: measurement.w, line 3: found frequency 800 after 800" in told.err
    assert not Path("results").exists()


def test_no_folder_of_the_machine_in_what_is_kept(tmp_path: Path) -> None:
    case = Case.from_dict(BASE | {"measurement": {"name": "w", "file": "in/w.s1p"}}, base=tmp_path)
    told = json.dumps(case.resolved().to_dict())
    assert str(tmp_path) not in told
    assert '"file": "in/w.s1p"' in told
