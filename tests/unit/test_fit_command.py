"""sawfem fit: from a case and its measurement to a case that answers as fitted.

The measurements are invented: models with noise of a known seed, behind pads and a line.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sawfem.case import Case
from sawfem.cli import main
from sawfem.device.assembled import bare_response
from sawfem.device.network import admittance_to_scattering
from sawfem.errors import CaseError, SawfemError
from sawfem.export import write_touchstone
from sawfem.measured.circuitfit import fit_circuit
from sawfem.measured.embedding import Fixture, deembedded, embedded
from sawfem.measured.fitting import OnePortData
from sawfem.measured.motional import Arm, MotionalCircuit
from sawfem.measured.oneport import OnePort
from sawfem.pipeline import fitdevice, fitting
from sawfem.pipeline.build import build
from sawfem.pipeline.devices import solve_any_device
from sawfem.pipeline.fitted import refuse_fitted, with_fitted
from sawfem.pipeline.measuring import read_measurement
from sawfem.plot import style
from sawfem.plot.fit import draw_fit
from tests.unit.test_export_spice import input_admittance, port_admittance
from tests.unit.test_measured_comparison import BASE, FIXTURE, TAKEN_OFF

F = np.linspace(850e6, 910e6, 201)
Z = np.full((F.size, 1), 50.0 + 0j)
NOISE = 1e-3
BARE = Fixture()
CIRCUIT = MotionalCircuit(
    5e-12, (Arm(868e6, 3.4e-13, 1.5), Arm(881e6, 0.5e-14, 8.0)), 0.8, "series", 0.4
)


@pytest.fixture(autouse=True)
def _in_an_empty_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def measured(y: Any, place: Path, fixture: Fixture = BARE, seed: int = 1) -> None:
    """An invented measurement of a device with the admittance Y."""
    s = embedded(((1 - 50 * y) / (1 + 50 * y))[:, None, None], Z, F, fixture)[:, 0, 0]
    random = np.random.default_rng(seed)
    s = s + NOISE * (random.normal(size=F.size) + 1j * random.normal(size=F.size))
    rows = [f"{f!r} {v.real!r} {v.imag!r}\n" for f, v in zip(F.tolist(), s.tolist(), strict=True)]
    place.write_text("! invented, not measured\n# Hz S RI R 50\n" + "".join(rows))


def case(**tables: Any) -> Case:
    one = {"name": "wafer-3", "file": "wafer-3.s1p", **tables.pop("measurement", {})}
    return Case.from_dict({**BASE, "measurement": one, **tables})


def test_a_resonators_constants_from_the_file_to_the_run(
    solved_grating: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The case that is written, run, gives the fitted response to 1e-9, and the truth is inside."""
    monkeypatch.setattr(fitting, "solved_grating", lambda *args: solved_grating)
    asked = case(measurement={**TAKEN_OFF, "noise": NOISE}, fit={"to": "905 MHz"})
    resolved = asked.resolved()
    plain, _ = solve_any_device(
        resolved, solved_grating.cell.stack, {"main": solved_grating.cell}, {"main": solved_grating}
    )
    assert plain.circuit is not None
    part = plain.circuit.parts["resonator"].resonator
    port = OnePort(part, solved_grating.constants.com())
    truth = port.start(3e6, 1.1) * np.array([1.002, 1.04, 0.98, 1.01, 1.0, 1.0])
    measured(port.admittance(truth, F), Path("wafer-3.s1p"), FIXTURE)

    found = fitting.fit_case(asked)
    estimate = found.fit.estimate
    assert estimate.noise_like
    assert abs(estimate.chi_square - 1.0) < 4.0 * np.sqrt(2.0 / estimate.freedom)
    assert found.fit.data.frequency[-1] <= 905e6
    assert np.all(np.abs(found.fit.values - truth) <= 2.0 * estimate.half_widths)
    assert [row.name for row in found.rows] == list(estimate.names)

    again = Case.from_toml(found.case.to_toml())
    assert not again.asks_for("fit")
    solutions, told = with_fitted(again.resolved(), {"main": solved_grating})
    assert "fitted velocity, reflection, transduction, capacitance" in told[0]
    device, _ = solve_any_device(
        again.resolved(), solved_grating.cell.stack, {"main": solved_grating.cell}, solutions
    )
    assert device.circuit is not None
    assert device.gratings is not None
    s = bare_response(device.circuit, device.gratings, found.fit.data.frequency).s[:, 0, 0]
    np.testing.assert_allclose(s, found.fit.scattering, atol=1e-9)
    assert "velocity" not in solutions["main"].constants.numerical
    with pytest.raises(CaseError, match=r"grating.fitted: found fitted constants"):
        refuse_fitted(again.resolved(), "yield")


def test_noise_weights_are_the_slope_of_what_is_taken_off() -> None:
    """Scatter of de-embedded noise over that of the file, from 4,000 draws at three frequencies."""
    measured(CIRCUIT.admittance(F), Path("wafer-3.s1p"), FIXTURE)
    lossy = {**TAKEN_OFF, "lead_resistance": 20.0}
    item = read_measurement(case(measurement=lossy).resolved().measurements[0], 1)
    weights = item.noise_weights(Z[:, 0])
    assert weights.max() > 1.5
    random = np.random.default_rng(0)
    fixture = Fixture((40e-12,), (55.0,), (60e-15,), (0.2e-9,), (20.0,))
    for n in (0, 60, 150):
        draws = 1e-4 * (random.normal(size=4000) + 1j * random.normal(size=4000))
        s = (item.raw.scattering[n] + draws[:, None, None]).astype(complex)
        many = np.full((4000, 1), 50.0 + 0j)
        freed = deembedded(s, many, np.full(4000, F[n]), fixture)[:, 0, 0]
        assert np.std(freed) / np.std(draws) == pytest.approx(weights[n], rel=0.05)


def test_a_circuit_from_the_file_to_case_numbers_picture_and_netlist(
    capsys: pytest.CaptureFixture[str],
) -> None:
    measured(CIRCUIT.admittance(F), Path("wafer-3.s1p"))
    text = case(fit={"model": "circuit", "arms": 2}, band={"start": "850 MHz", "stop": "910 MHz"})
    Path("buoy.toml").write_text(text.to_toml())
    assert main(["fit", "buoy.toml", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told == json.loads(Path("buoy-fitted.json").read_text())
    assert told["format"] == "sawfem.fit/1"
    assert told["model"] == "circuit"
    assert told["noise_like"] is True
    assert told["noise"] == pytest.approx(NOISE, rel=0.15)
    assert told["degrees_of_freedom"] == 2 * 201 - 9
    rows = {row["name"]: row for row in told["parameters"]}
    for row in rows.values():
        assert row["low"] < row["value"] < row["high"]
    assert rows["static_capacitance"]["value"] == pytest.approx(5e-12, rel=0.01)
    derived = {row["name"]: row for row in told["derived"]}
    first = min((1, 2), key=lambda n: rows[f"arm{n}_frequency"]["value"])
    inductance = derived[f"arm{first}_inductance"]
    assert abs(inductance["value"] - CIRCUIT.arms[0].inductance) < 2.0 * (
        inductance["high"] - inductance["value"]
    )
    quality = derived[f"arm{first}_quality"]["value"]
    assert quality == pytest.approx(CIRCUIT.arms[0].quality, rel=0.1)
    assert {Path(name).name for name in told["files"]} == {
        f"buoy-fitted.{end}" for end in ("toml", "json", "png", "svg", "cir")
    }
    # the netlist, by a nodal solver, is the truth to its noise and the written case exactly
    netlist = input_admittance(Path("buoy-fitted.cir").read_text(), F)
    truth = CIRCUIT.admittance(F)
    apart = np.abs((1 - 50 * netlist) / (1 + 50 * netlist) - (1 - 50 * truth) / (1 + 50 * truth))
    assert apart.max() < NOISE
    made = Case.load("buoy-fitted.toml")
    design = build(made.resolved())
    device, _ = solve_any_device(made.resolved(), design.stack, design.cells, {})
    y = np.interp(F, device.response.frequency, device.response.y[:, 0, 0])
    assert device.kind == "circuit"
    at = np.isin(F, device.response.frequency)
    np.testing.assert_allclose(y[at], netlist[at], rtol=1e-9)
    # nothing is written over
    assert main(["fit", "buoy.toml"]) == 2
    assert "buoy-fitted.toml: found a file that is there" in capsys.readouterr().err


def test_the_table_says_values_intervals_and_how_the_residuals_look(
    capsys: pytest.CaptureFixture[str],
) -> None:
    measured(CIRCUIT.admittance(F), Path("wafer-3.s1p"))
    Path("buoy.toml").write_text(case(fit={"model": "circuit"}).to_toml())
    assert main(["fit", "buoy.toml", "--out", "one.toml"]) == 0
    told = capsys.readouterr().out
    for words in ("± 95 %", "NOT like noise", "do not cover", "Caution", "sawfem run one.toml"):
        assert words in " ".join(told.split())


def test_the_picture_shows_data_fit_and_residuals() -> None:
    y = CIRCUIT.admittance(F)
    data = OnePortData(F, (1 - 50 * y) / (1 + 50 * y), Z[:, 0])
    found, _ = fit_circuit(data, start=CIRCUIT, arms=2)
    with style.house_style():
        figure = draw_fit(found, "noiseless", list(found.estimate.names))
    labels = [axes.get_ylabel() for axes in figure.axes]
    assert labels[0] == "admittance |Y| (mS)"
    assert labels[1] == "data less fit, S"


@pytest.mark.parametrize(
    ("tables", "words"),
    [
        ({}, "fit: found nothing; expected a table [fit]"),
        ({"fit": {"measurement": "wafer-4"}}, "fit.measurement: found"),
        ({"fit": {"arms": 2}}, "fit.arms: found arms of a resonator"),
        ({"fit": {"model": "circus"}}, "fit.model: found"),
        ({"fit": {"from": "2 GHz"}}, "fit.from: found 0 points; expected 12 or more"),
        ({"fit": {"from": "880 MHz", "to": "870 MHz"}}, "fit.to: found"),
        ({"fit": {"model": "circuit", "free": ["c0"]}}, 'fit.free: found "c0"; expected among'),
        ({"fit": {"model": "circuit", "start": 1}}, "fit.start: found an unknown key"),
        (
            {
                "fit": {},
                "lump": {"name": "c", "capacitance": "1 pF"},
                "device": {
                    "kind": "circuit",
                    "ports": {"name": "in", "node": "a"},
                    "parts": [{"part": "c", "nodes": ["a", "ground"]}],
                },
            },
            'fit.model: found "resonator" of a circuit',
        ),
    ],
)
def test_one_line_for_what_cannot_be_fitted(tables: dict[str, Any], words: str) -> None:
    measured(CIRCUIT.admittance(F), Path("wafer-3.s1p"))

    def ask() -> None:
        fitting.fit_case(case(**tables))

    with pytest.raises(SawfemError) as caught:
        ask()
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_circuit_of_the_computed_response_and_how_far_it_is(
    solved_grating: Any, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Without a measurement; the deviation that the netlist states is that of the netlist."""
    monkeypatch.setattr(fitting, "solved_grating", lambda *args: solved_grating)
    few = {"fingers": 31, "reflector_fingers": 400, "propagation_loss": "2 dB/us"}
    asked = {
        **BASE,
        "device": {**BASE["device"], **few},
        "band": {"start": "860 MHz", "stop": "900 MHz", "points": 161},
        "fit": {"model": "circuit", "arms": 3},
    }
    Path("buoy.toml").write_text(Case.from_dict(asked).to_toml())
    assert main(["fit", "buoy.toml", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["data"] == "computed response"
    assert not told["noise_like"]
    plain, _ = solve_any_device(
        Case.from_dict(asked).resolved(),
        solved_grating.cell.stack,
        {"main": solved_grating.cell},
        {"main": solved_grating},
    )
    text = Path("buoy-fitted.cir").read_text()
    y = input_admittance(text, plain.response.frequency)
    apart = np.abs((1 - 50 * y) / (1 + 50 * y) - plain.response.s[:, 0, 0])
    assert told["difference_largest"] == pytest.approx(apart.max(), rel=1e-6)
    assert told["difference_rms"] == pytest.approx(np.sqrt(np.mean(apart**2)), rel=1e-6)
    assert f"{apart.max():.2e} at most" in text
    # a strongly coupled resonator is no circuit of one arm, nor quite one of three
    one = ["--set", "fit.arms=1", "--out", "one.toml", "--json"]
    assert main(["fit", "buoy.toml", *one]) == 0
    assert told["difference_rms"] < 0.7 * json.loads(capsys.readouterr().out)["difference_rms"]


def test_relative_paths_of_a_case_written_elsewhere(tmp_path: Path) -> None:
    (tmp_path / "data").mkdir()
    measured(CIRCUIT.admittance(F), tmp_path / "data" / "wafer-3.s1p")
    text = case(measurement={"file": "data/wafer-3.s1p"}, fit={"model": "circuit", "arms": 2})
    Path("buoy.toml").write_text(text.to_toml())
    Path("out").mkdir()
    assert main(["fit", "buoy.toml", "--out", "out/made.toml", "-q"]) == 0
    made = Case.load("out/made.toml").resolved()
    assert made.measurements[0].file.resolve() == (tmp_path / "data" / "wafer-3.s1p").resolve()


LADDER: dict[str, Any] = {
    **BASE,
    "resonator": [
        {"name": "s", "fingers": 61, "reflector_fingers": 150, "aperture": "100 um"}
        | {"sheet_resistance": "0.3 ohm", "propagation_loss": "2 dB/us"},
        {"name": "p", "like": "s", "aperture": "180 um"},
    ],
    "lump": [{"name": "bond", "inductance": "0.6 nH"}, {"name": "pad", "capacitance": "0.1 pF"}],
    "device": {
        "kind": "ladder",
        "chain": [
            {"shunt": "pad"},
            {"series": "s"},
            {"shunt": ["p", "bond"]},
            {"series": "s"},
        ],
    },
    "fit": {"model": "circuit", "arms": 2, "from": "850 MHz", "to": "910 MHz"},
}


def test_a_ladder_as_circuits_of_its_resonators(
    solved_grating: Any, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The netlist by nodal analysis is that of the deviation told, and the written case."""
    monkeypatch.setattr(fitdevice, "solved_grating", lambda *args: solved_grating)
    Path("buoy.toml").write_text(Case.from_dict(LADDER).to_toml())
    assert main(["fit", "buoy.toml", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert set(told["parts"]) == {"s", "p"}
    text = Path("buoy-fitted.cir").read_text()
    assert "terminals: 1, 2, and the ground last" in text
    stack, cells = solved_grating.cell.stack, {"main": solved_grating.cell}
    solutions = {"main": solved_grating}
    device, _ = solve_any_device(Case.from_dict(LADDER).resolved(), stack, cells, solutions)
    f = device.response.frequency
    inside = (f >= 850e6) & (f <= 910e6)
    f = f[inside]
    y = port_admittance(text, "buoy_fitted", f)
    z = np.full((f.size, 2), 50.0 + 0j)
    s = admittance_to_scattering(y, z)
    apart = np.abs(s - device.response.s[inside])
    assert told["difference_largest"] == pytest.approx(apart.max(), rel=1e-6)
    assert f"{apart.max():.2e} at most" in text
    gain = np.linalg.norm(s, 2, axis=(1, 2))
    assert gain.max() <= 1.0 + 1e-9
    made = Case.load("buoy-fitted.toml")
    again, _ = solve_any_device(made.resolved(), stack, cells, solutions)
    assert [port.name for port in again.ports] == ["port-1", "port-2"]
    np.testing.assert_allclose(again.response.s[inside], s, atol=1e-9)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        (
            {"fit": {"model": "circuit", "from": "1 GHz", "to": "2 GHz"}},
            "fit.from: found 0 frequencies",
        ),
        ({"fit": {"model": "resonator"}}, "fit.measurement: found nothing"),
        (
            {
                "device": {"kind": "transversal", "fingers": [20, 20], "aperture": "0.5 mm"}
                | {"gap": "20 um"}
            },
            'fit.model: found "track", a track or a network',
        ),
    ],
)
def test_one_line_for_a_device_that_is_no_circuit(
    changes: dict[str, Any], words: str, solved_grating: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(fitdevice, "solved_grating", lambda *args: solved_grating)

    def ask() -> None:
        fitting.fit_case(Case.from_dict(LADDER | changes))

    with pytest.raises(SawfemError) as caught:
        ask()
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


def test_what_a_run_wrote_is_fitted_back_exactly(
    solved_grating: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """From the device through its Touchstone file to the same losses, from other ones."""
    monkeypatch.setattr(fitting, "solved_grating", lambda *args: solved_grating)
    lossy = {**BASE, "device": {**BASE["device"], "propagation_loss": "3 dB/us"}}
    made = Case.from_dict(lossy).resolved()
    cells, solutions = {"main": solved_grating.cell}, {"main": solved_grating}
    device, _ = solve_any_device(made, solved_grating.cell.stack, cells, solutions)
    write_touchstone(device, Path("wafer-3"))
    begin = {**BASE["device"], "sheet_resistance": "0.1 ohm"}
    found = fitting.fit_case(case(device=begin, fit={}))
    assert isinstance(found, fitting.Fitted)
    rows = {row.name: row for row in found.rows}
    assert rows["propagation_loss"].value == pytest.approx(3e6, rel=1e-8)
    assert rows["resistance"].value == pytest.approx(3.4 * rows["resistance"].start, rel=1e-8)
    assert rows["velocity"].value == pytest.approx(rows["velocity"].start, rel=1e-11)
    assert rows["reflection"].value == pytest.approx(rows["reflection"].start, rel=1e-8)
    assert any("nothing but rounding" in text for text in found.told)
