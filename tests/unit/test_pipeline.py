"""From a case to its result: what is filled in, what is said, and where mistakes are told."""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from sawfem.case import Case, ResolvedResonatorDevice, ResolvedTransversalDevice
from sawfem.errors import CaseError, ConvergenceError, GeometryError, MaterialError
from sawfem.extract import GratingSolution, solve_grating
from sawfem.pipeline import check, run
from sawfem.pipeline.build import build
from sawfem.pipeline.devices import solve_device
from sawfem.pipeline.execute import accuracy_warnings
from sawfem.result import Result
from sawfem.unitcell.perturbation import substituted

#: Solved on the coarsest pair of meshes.
CASE = {
    "title": "Buoy 7",
    "substrate": {"material": "lithium-niobate/kovacs-1990", "cut": "(YXl)128"},
    "grating": {
        "pitch": "2.228 um",
        "metal": "aluminium/kaye-laby",
        "thickness": "89 nm",
        "metallisation_ratio": 0.5,
    },
    "device": {
        "kind": "resonator",
        "fingers": 121,
        "reflector_fingers": 300,
        "aperture": "178 um",
    },
    "results": {"accuracy": 1e-2},
}
TRANSVERSAL = {
    "kind": "transversal",
    "fingers": [21, 15],
    "aperture": "178 um",
    "gap": "100 um",
}


@pytest.fixture(scope="module")
def reports() -> list[tuple[str, int, int]]:
    return []


@pytest.fixture(scope="module")
def result(reports: list[tuple[str, int, int]]) -> Result:
    case = Case.from_dict(CASE | {"sweep": {"axis": {"key": "grating.pitch", "values": ["2 um"]}}})
    return run(case, progress=lambda *report: reports.append(report))


@pytest.fixture(scope="module")
def solution() -> GratingSolution:
    return solve_grating(build(Case.from_dict(CASE).resolved()).cells["main"], accuracy=1e-2)


def test_a_run_without_a_folder_writes_nothing(result: Result) -> None:
    assert result.files == ()
    assert result.title == "Buoy 7"
    assert list(result.gratings) == ["main"]
    assert result.constants is result.gratings["main"].constants
    assert set(result.materials) == {"lithium-niobate/kovacs-1990", "aluminium/kaye-laby"}
    assert "Kovacs" in result.materials["lithium-niobate/kovacs-1990"]["source"]
    assert all(check["ok"] for check in result.checks.values())


def test_progress_passes_every_stage_in_order(
    result: Result, reports: list[tuple[str, int, int]]
) -> None:
    stages = list(dict.fromkeys(stage for stage, _, _ in reports))
    assert stages == ["plane waves", "unit cell", "device", "second model"]
    for stage in stages:
        steps = [(done, total) for name, done, total in reports if name == stage]
        assert steps[0][0] == 0
        assert steps[-1][0] == steps[-1][1]


def test_the_band_left_out_holds_the_stop_band(result: Result) -> None:
    assert result.device is not None
    frequency = result.device.response.frequency
    constants = result.constants
    assert frequency[0] < constants.stopband_short[0] - 20e6
    assert frequency[-1] > constants.stopband_open[1] + 20e6
    figures = result.device.response.figures
    assert constants.stopband_short[0] - 3e6 < figures["resonance"].value < 872e6


def test_the_sheet_resistance_left_out_is_that_of_the_bulk(result: Result) -> None:
    assert result.device is not None
    sheet = result.device.description["sheet_resistance_ohm"]
    assert sheet == pytest.approx(2.65e-8 / 89e-9)
    assert [w for w in result.warnings if "a thin film has more" in w]
    # R = (Rs W / 3 w)(1/61 + 1/60), Rs over the width (sawfem/device/losses.py)
    expected = sheet * 178e-6 / (3.0 * 1.114e-6) * (1.0 / 61 + 1.0 / 60)
    assert result.device.response.figures["series_resistance"].value == pytest.approx(expected)


def test_a_sweep_is_left_aside_and_said(result: Result) -> None:
    assert [w for w in result.warnings if w.startswith("[sweep]")]


def test_cautions_name_local_rules(result: Result) -> None:
    assert any("local rules" in text for text in result.cautions)
    assert any("not a warranty" in text for text in result.cautions)


def test_figures_carry_what_the_constants_uncertainty_makes_of_them(result: Result) -> None:
    """The resonance lies near the shorted edge and moves with it."""
    assert result.device is not None
    bar = result.device.response.figures["resonance"].uncertainty
    edge_bar = result.constants.numerical["stopband_short"][0]
    assert bar is not None
    assert 0.2 * edge_bar < bar < 20.0 * edge_bar
    capacitance = result.device.response.figures["static_capacitance"]
    share = (
        result.constants.numerical["capacitance_per_pair"] / result.constants.capacitance_per_pair
    )
    assert capacitance.uncertainty == pytest.approx(share * capacitance.value, rel=1e-6)


def test_side_walls_narrow_the_conductor(solution: GratingSolution) -> None:
    leaning = CASE | {"grating": CASE["grating"] | {"sidewall_angle": 45}}
    resolved = Case.from_dict(leaning).resolved()
    asked = resolved.device
    assert isinstance(asked, ResolvedResonatorDevice)
    cells = build(resolved).cells
    inclined = replace(solution, cell=cells["main"])
    answer, _ = solve_device(resolved, asked, cells, {"main": inclined})
    width = 1.114e-6 - 89e-9
    sheet = 2.65e-8 / 89e-9
    expected = sheet * 178e-6 / (3.0 * width) * (1.0 / 61 + 1.0 / 60)
    assert answer.response.figures["series_resistance"].value == pytest.approx(expected)


def test_propagation_loss_becomes_attenuation(solution: GratingSolution) -> None:
    """1 dB/us over a delay of t microseconds costs t dB between two transducers."""
    losses = []
    for loss in ("0 dB/us", "10 dB/us"):
        case = CASE | {"device": TRANSVERSAL | {"propagation_loss": loss, "gap": "3 mm"}}
        resolved = Case.from_dict(case).resolved()
        asked = resolved.device
        assert isinstance(asked, ResolvedTransversalDevice)
        cells = {"main": solution.cell}
        answer, _ = solve_device(resolved, asked, cells, {"main": solution})
        figures = answer.response.figures
        losses.append(figures["insertion_loss"].value)
        delay = figures["delay"].value
    assert losses[1] - losses[0] == pytest.approx(10.0 * delay * 1e6, rel=0.05)


def test_the_gap_of_a_transversal_filter_is_free_surface(solution: GratingSolution) -> None:
    resolved = Case.from_dict(CASE | {"device": TRANSVERSAL}).resolved()
    asked = resolved.device
    assert isinstance(asked, ResolvedTransversalDevice)
    answer, _ = solve_device(resolved, asked, {"main": solution.cell}, {"main": solution})
    pitch, velocity = 2.228e-6, solution.constants.velocity
    assert velocity is not None
    assert solution.wave.velocity_free is not None
    expected = 0.5 * 36 * pitch / velocity + (100e-6 - pitch) / solution.wave.velocity_free
    assert answer.response.figures["delay"].value == pytest.approx(expected, rel=1e-9)


def test_a_band_of_several_parts_is_joined(solution: GratingSolution) -> None:
    bands = [
        {"start": "860 MHz", "stop": "880 MHz", "points": 5},
        {"start": "870 MHz", "stop": "900 MHz", "points": 4},
    ]
    resolved = Case.from_dict(CASE | {"band": bands}).resolved()
    asked = resolved.device
    assert isinstance(asked, ResolvedResonatorDevice)
    answer, _ = solve_device(resolved, asked, {"main": solution.cell}, {"main": solution})
    expected = [860e6, 865e6, 870e6, 875e6, 880e6, 890e6, 900e6]
    assert np.array_equal(answer.response.frequency, expected)


def test_a_grating_without_a_constant_makes_no_device(solution: GratingSolution) -> None:
    """What a leaky cut with one shorted edge gives: a reason, not a wrong device."""
    poor = replace(
        solution,
        constants=replace(
            solution.constants, velocity=None, reasons={"velocity": "only one edge was found"}
        ),
    )
    resolved = Case.from_dict(CASE).resolved()
    asked = resolved.device
    assert isinstance(asked, ResolvedResonatorDevice)
    with pytest.raises(ConvergenceError, match="only one edge was found") as caught:
        solve_device(resolved, asked, {"main": poor.cell}, {"main": poor})
    assert caught.value.key == "device"
    assert "leave" in str(caught.value)


def test_a_metal_without_resistivity_is_said(solution: GratingSolution) -> None:
    resolved = Case.from_dict(CASE).resolved()
    asked = resolved.device
    assert isinstance(asked, ResolvedResonatorDevice)
    cell = build(resolved).cells["main"]
    metal = cell.electrodes[0].metal
    cell = substituted(cell, metal, replace(metal, resistivity=None))
    answer, warnings = solve_device(resolved, asked, {"main": cell}, {"main": solution})
    assert answer.response.figures["series_resistance"].value == 0.0
    assert any("has no resistivity" in warning for warning in warnings)


@pytest.mark.slow
def test_two_gratings_share_a_thickness_by_like() -> None:
    """Each has its own constants, and the stop band follows the pitch."""
    main = CASE["grating"] | {"name": "series"}
    gratings = [main, {"name": "shunt", "like": "series", "pitch": "2.30 um"}]
    case = Case.from_dict(
        {key: value for key, value in CASE.items() if key != "device"} | {"grating": gratings}
    )
    stages: list[str] = []
    result = run(case, progress=lambda stage, done, total: stages.append(stage))
    assert list(result.gratings) == ["series", "shunt"]
    assert "unit cell, shunt" in stages
    assert [name for name, _ in check(case).stages][1] == "unit cell, series"
    series, shunt = (result.gratings[name].constants for name in ("series", "shunt"))
    assert series.velocity is not None
    assert shunt.velocity is not None
    ratio = shunt.stopband_short[0] / series.stopband_short[0]
    assert ratio == pytest.approx(2.228 / 2.30, rel=2e-3)
    assert set(result.checks) >= {"series.passivity", "shunt.passivity"}


def test_an_accuracy_that_is_not_reached_is_said(solution: GratingSolution) -> None:
    case = Case.from_dict(CASE).edit({"results.accuracy": 1e-9})
    (warning,) = accuracy_warnings({"main": solution}, case.resolved())
    assert warning.startswith("grating: ")
    assert "1e-09" in warning
    assert accuracy_warnings({"main": solution}, Case.from_dict(CASE).resolved()) == []


def test_a_case_without_a_grating_is_refused() -> None:
    case = Case.from_dict({"substrate": CASE["substrate"]})
    for ask in (run, check):
        with pytest.raises(CaseError, match="grating: found no section; expected a table"):
            ask(case)


def test_what_is_not_computed_yet_is_refused_by_name() -> None:
    bare = {key: value for key, value in CASE.items() if key != "device"}
    case = Case.from_dict(bare | {"measurement": {"name": "wafer-3", "file": "wafer-3.s1p"}})
    with pytest.raises(CaseError, match="measurement"):
        run(case)
    assert check(case).not_computed
    assert check(case).design is None


def test_the_quartz_axes_warning_reaches_the_result() -> None:
    wrong = CASE | {"substrate": {"material": "quartz/bechmann-1958", "cut": "(YXl)-42.75"}}
    assert any("axes of 1949" in warning for warning in check(Case.from_dict(wrong)).warnings)


def test_materials_start_at_the_folder_of_the_case(tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_text("density = 1\n", encoding="utf-8")
    case = Case.from_dict(
        CASE | {"substrate": {"material": "./mine.toml"}},
        base=tmp_path,
    )
    with pytest.raises(MaterialError) as caught:
        check(case)
    assert caught.value.file == "./mine.toml"


def test_variants_keep_their_toml_and_lose_their_mark() -> None:
    material = {"name": "film", "like": "aluminium/kaye-laby", "density": 2650}
    case = Case.from_dict(
        CASE | {"material": material, "grating": CASE["grating"] | {"metal": "film"}}
    )
    design = check(case).design
    assert design is not None
    assert design.materials["film"].density == 2650
    assert "density = 2650" in design.entries["film"]["toml"]
    assert design.entries["film"]["provenance"] == "unconfirmed"
    assert any(warning.startswith("film: ") for warning in design.warnings)


def test_a_device_that_cannot_exist_is_told_at_its_key(solution: GratingSolution) -> None:
    resolved = Case.from_dict(CASE).resolved()
    asked = resolved.device
    assert isinstance(asked, ResolvedResonatorDevice)
    touching = replace(asked, resonator=replace(asked.resonator, gap=0.5e-6))
    with pytest.raises(GeometryError) as caught:
        solve_device(resolved, touching, {"main": solution.cell}, {"main": solution})
    assert caught.value.key == "device.gap"


def test_the_estimate_grows_with_layers_and_gratings() -> None:
    plain = check(Case.from_dict(CASE)).seconds
    layer = {"material": "silica/auld-1973", "thickness": "100 nm"}
    layered = check(Case.from_dict(CASE | {"layer": layer})).seconds
    assert math.isfinite(plain)
    assert layered > plain > 0.0
