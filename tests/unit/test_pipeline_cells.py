"""Cells of a case drawn in full: films, walls, order, overcoats, grooves, and what a run says."""

from pathlib import Path

import pytest

from sawfem.case import Case
from sawfem.datafiles import shipped_file
from sawfem.design import Overcoat
from sawfem.errors import CaseError
from sawfem.pipeline import check, run
from sawfem.pipeline.build import build, connections_of

CASES = Path(__file__).parent / "data" / "cases"
BASE = {
    "title": "Buoy 7",
    "substrate": {"material": "lithium-niobate/kovacs-1990", "cut": "(YXl)128"},
    "results": {"accuracy": 1e-2},
}
COATED = BASE | {
    "grating": {
        "period": "2.2 um",
        "recess": "10 nm",
        "electrode": {
            "centre": "1.1 um",
            "width": "1.1 um",
            "sidewall_angle": 78,
            "footing_extent": "20 nm",
            "footing_height": "15 nm",
            "film": [
                {"material": "titanium/kaye-laby", "thickness": "8 nm"},
                {"material": "aluminium/kaye-laby", "thickness": "80 nm"},
            ],
        },
    },
    "overcoat": {"material": "silica/auld-1973", "thickness": "20 nm"},
    "device": {
        "kind": "resonator",
        "fingers": 61,
        "reflector_fingers": 40,
        "aperture": "100 um",
        "gap": "2.2 um",
    },
}


def test_a_cell_drawn_in_full_is_what_the_case_says() -> None:
    design = build(Case.load(CASES / "thin-plate.toml").resolved())
    cell = design.cells["main"]
    assert [film.metal.name for film in cell.electrodes[0].films] == [
        "titanium/kaye-laby",
        "alu-film",
    ]
    assert [strip.centre for strip in cell.electrodes] == [1.15e-6, 3.45e-6]
    assert cell.electrodes[1].thickness == pytest.approx(180e-9)
    assert cell.electrodes[0].sidewall_angle == 78.0
    (coat,) = cell.overcoat
    assert isinstance(coat, Overcoat)
    assert (coat.top, coat.thickness) == ("conformal", 30e-9)
    assert "silica/auld-1973" in design.materials


def test_electrodes_may_be_listed_in_any_order() -> None:
    case = Case.load(CASES / "thin-plate.toml").edit(
        {
            "grating.electrode.hot.centre": "3.45 um",
            "grating.electrode.cold.centre": "1.15 um",
            "grating.electrode.cold.width": "1.1 um",
        }
    )
    drawn = case.resolved().grating
    assert [strip.name for strip in drawn.left_to_right] == ["cold", "hot"]
    widths = [strip.width for strip in build(case.resolved()).cells["main"].electrodes]
    assert widths == pytest.approx([1.1e-6, 1.2e-6])


def test_a_membrane_runs(tmp_path: Path) -> None:
    """Zinc oxide of 0.5 um, hanging free: nothing is radiated, and no bulk wave starts."""
    membrane = {
        "substrate": {"material": "air"},
        "layer": {
            "material": "zinc-oxide/bateman-1962",
            "thickness": "0.5 um",
            "euler": [0, 90, 0],
        },
        "grating": {
            "pitch": "2 um",
            "metal": "aluminium/kaye-laby",
            "thickness": "50 nm",
            "metallisation_ratio": 0.5,
        },
        "results": {"accuracy": 1e-2, "include": ["fields"]},
    }
    result = run(Case.from_dict(membrane), folder=tmp_path / "membrane")
    constants = result.constants
    assert constants.attenuation == 0.0
    assert constants.bulk_onset is None
    assert all(check["ok"] for check in result.checks.values())
    shown = result.gratings["main"].modes[0]
    assert set(shown.region.tolist()) == {0, 1, 2}  # air above and below, metal, the plate
    assert (tmp_path / "membrane" / "pictures" / "cell.png").stat().st_size > 10_000


def test_two_metals_in_a_groove_under_a_film_run_to_the_device() -> None:
    result = run(Case.from_dict(COATED))
    constants = result.constants
    assert all(check["ok"] for check in result.checks.values())
    assert constants.velocity is not None
    assert 3800.0 < constants.velocity < 3979.0  # slower than the free wave of the cut
    assert result.device is not None
    # Films side by side: 8 nm of titanium hardly helps 80 nm of aluminium.
    sheet = result.device.description["sheet_resistance_ohm"]
    assert sheet == pytest.approx(1.0 / (80e-9 / 2.65e-8 + 8e-9 / 4.2e-7), rel=0.02)


def test_a_cell_of_several_electrodes_says_where_they_are_tied(tmp_path: Path) -> None:
    """Every electrode needs its connection."""
    text = shipped_file("cases", "buoy-unidirectional").read_text(encoding="utf-8")
    resolved = Case.load(shipped_file("cases", "buoy-unidirectional")).resolved()
    assert connections_of(resolved, next(iter(resolved.gratings))) == ("hot", "ground", "ground")
    other = tmp_path / "untied.toml"
    other.write_text(text.replace('connection = "hot"\n', ""), encoding="utf-8")
    with pytest.raises(CaseError, match=r"grating\.electrode\.hot\.connection: found nothing"):
        run(Case.load(other))
    other.write_text(text.replace('connection = "hot"', 'connection = "warm"'), encoding="utf-8")
    with pytest.raises(CaseError, match="warm"):
        Case.load(other)


@pytest.mark.slow
def test_a_case_at_another_temperature() -> None:
    """The coefficients of the drift, at 25 degC, foretell the edges at 45 degC."""
    case = Case.load(shipped_file("cases", "buoy-quartz-grating")).edit(
        {
            "results.accuracy": 1e-2,
            "results.include": ["temperature"],
            "conditions.hold_constant": [
                "piezoelectric",
                "permittivity",
                "aluminium/kaye-laby: stiffness",
            ],
        }
    )
    cold = run(case)
    drift = cold.grating.temperature["relative_per_K"]
    assert any("kept constant" in text for text in cold.warnings)
    assert cold.to_dict()["gratings"]["main"]["temperature"]["relative_per_K"] == drift
    edits = {"conditions.temperature": "45 degC", "results.include": []}
    hot = run(case.edit(edits))
    warm = hot.constants
    moved = warm.stopband_short[0] / cold.constants.stopband_short[0] - 1.0
    # The parabola of quartz, -0.03 ppm/K^2 or so, is in the difference.
    assert moved == pytest.approx(20.0 * drift["resonance"], abs=400.0 * 5e-8)
    assert any("kept constant" in text for text in hot.warnings)
    assert abs(drift["velocity"]) > abs(drift["resonance"])  # the pattern grows, too
    with pytest.raises(CaseError, match="gold"):
        run(case.edit({"conditions.hold_constant": ["gold/kaye-laby: stiffness"]}))
    with pytest.raises(CaseError, match="25 degC, where"):
        run(case.edit({"conditions.temperature": "45 degC"}))


def test_a_drift_says_what_it_holds_constant() -> None:
    case = Case.load(shipped_file("cases", "buoy-quartz-grating"))
    held = {"conditions.hold_constant": ["piezoelectric", "permittivity"]}
    assert not check(case.edit(held)).warnings  # nothing moves
    asked = check(case.edit(held | {"results.include": ["temperature"]}))
    assert any("kept constant in temperature" in text for text in asked.warnings)
