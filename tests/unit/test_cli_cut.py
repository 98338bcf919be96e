"""``sawfem cut`` beyond half-spaces: membranes, metal films, shorts, dispersion, and refusals."""

import json

import numpy as np
import pytest
from click.testing import CliRunner

from sawfem.cli import main
from sawfem.cli.group import sawfem
from sawfem.material import load_material
from sawfem.planewave import cut_curves

SILICA = "silica/auld-1973:1 um"


def told(*arguments):
    outcome = CliRunner().invoke(sawfem, ["cut", *arguments, "--json"], catch_exceptions=False)
    assert outcome.exit_code == 0, outcome.output
    return json.loads(outcome.output)


def test_a_membrane_carries_the_lamb_waves_of_its_thickness():
    # Fused silica, isotropic: A0, SH0 and S0. SH0 runs at the shear velocity at every thickness
    # (closed form); S0 of a thin plate at the plate velocity sqrt(c11 (1 - (c12/c11)^2)/rho)
    # (Lamb 1917), here h/lambda 0.02.
    silica = load_material("silica/auld-1973")
    c11, c12, c44 = (silica.stiffness[i] for i in ((0, 0), (0, 1), (3, 3)))
    found = told(
        "air", "--layer", "silica/auld-1973:0.1 um", "--frequency", "868 MHz", "--order", "1"
    )
    waves = {wave["label"]: wave for wave in found["waves"]}
    assert {"A0", "SH0", "S0"} == set(waves)
    shear = np.sqrt(c44 / silica.density)
    plate = np.sqrt(c11 * (1.0 - (c12 / c11) ** 2) / silica.density)
    assert waves["SH0"]["velocity_free_m_per_s"] == pytest.approx(shear, rel=1e-9)
    assert waves["S0"]["velocity_free_m_per_s"] == pytest.approx(plate, rel=1e-3)
    assert found["bulk_limits_m_per_s"] == []


def test_a_metal_film_and_a_short_leave_no_coupling_at_the_surface_and_say_so():
    metal = told(
        "lithium-niobate/kovacs-1990", "--cut", "(YXl)128",
        "--layer", "aluminium/kaye-laby:1 nm", "--frequency", "868 MHz", "--order", "0",
    )  # fmt: skip
    # The Kovacs set's metallised surface, 3870.90 m/s (from memory, reproduced), in the limit.
    rayleigh = metal["waves"][0]
    assert rayleigh["velocity_free_m_per_s"] == pytest.approx(3870.90, abs=0.5)
    assert rayleigh["coupling_k2"] == pytest.approx(0.0, abs=1e-9)
    assert metal["layers"][0]["potential"] == "floating"
    assert metal["reasons"]["eps_inf_F_per_m"] == "the surface itself conducts"
    short = told(
        "silicon/mason-1958", "--layer", "zinc-oxide/kobyakov-1980:1 um", "--short", "0",
        "--frequency", "900 MHz", "--order", "0",
    )  # fmt: skip
    assert short["shorts"] == [0]


def test_sensitivities_add_up_to_one_half():
    # v ~ c^(1/2) rho^(-1/2): the exponents of a non-piezoelectric half-space sum to 1/2 and -1/2.
    found = told("silicon/mason-1958", "--sensitivity")
    exponents = found["waves"][0]["sensitivity"]
    density = exponents.pop("density")
    assert density == pytest.approx(-0.5, abs=1e-9)
    elastic = sum(value for name, value in exponents.items() if name.startswith("c"))
    assert elastic == pytest.approx(0.5, abs=1e-6)


def test_dispersion_starts_at_the_velocity_of_the_substrate():
    found = told(
        "silicon/mason-1958", "--layer", SILICA, "--frequency", "900 MHz", "--order", "0",
        "--dispersion", "300 MHz", "1.2 GHz",
    )["dispersion"]  # fmt: skip
    rayleigh = next(b for b in found["branches"] if b["kind"] == "Rayleigh-type")
    phase = np.array(rayleigh["phase_velocity_m_per_s"], dtype=float)
    group = np.array(rayleigh["group_velocity_m_per_s"], dtype=float)
    f = np.array(found["frequency_hz"])
    assert np.all(np.diff(phase) < 0.0)
    # v_g = v / (1 - (f/v) dv/df), closed form of the definition, by differences of the phase.
    slope = np.gradient(phase, f)
    expected = phase / (1.0 - f / phase * slope)
    assert group[2:-2] == pytest.approx(expected[2:-2], rel=2e-3)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("aluminium/kaye-laby",), ("a conductor",)),
        (("silicon/mason-1958", "--layer", SILICA, "--frequency", "0 MHz"), ("0 MHz",)),
        (("silicon/mason-1958", "--layer", "silica/auld-1973:60 um", "--frequency", "900 MHz"),
         ("hide the substrate", "--thick")),
        (("silicon/mason-1958", "--layer", SILICA, "--frequency", "900 MHz", "--short", "7"),
         ("interface 7",)),
        (("air",), ("layer",)),
        ((), ("MATERIAL", "--case")),
        (("--case", "nowhere"), ("nowhere", "a case file")),
        (("air", "--case", "buoy-zno-on-silicon"), ("--case", "MATERIAL as well")),
        (("--case", "buoy-zno-on-silicon", "--short", "0"), ("--case", "--short as well")),
        (("--case", "buoy-zno-on-silicon"), ("--frequency", "dispersive")),
        (("air", "--layer", SILICA, "--frequency", "1 GHz", "--set", "title=x"), ("--set",)),
        (("--case", "buoy-quartz-grating", "--set", "conditions.temperature=60 degC"),
         ("conditions.temperature",)),
        (("silicon/mason-1958", "--dispersion", "1 GHz", "2 GHz"), ("bare half-space",)),
        (("air", "--layer", "silica/auld-1973:500 um", "--frequency", "900 MHz"),
         ("membrane",)),
    ],
)  # fmt: skip
def test_what_cannot_be_asked_is_one_line_and_exit_code_2(arguments, words, capsys):
    assert main(["cut", *arguments]) == 2
    error = capsys.readouterr().err.strip()
    assert len(error.splitlines()) == 1
    assert all(word in error for word in words), error


def test_a_case_tells_what_its_stack_tells_by_hand(capsys):
    """The same JSON, text and exit code, with layers and without."""
    by_hand = ["silicon/mason-1958", "--euler", "0", "0", "0",
               "--layer", "zinc-oxide/kobyakov-1980:2.2 um"]  # fmt: skip
    for asked, options in (
        (by_hand, ["--frequency", "868 MHz"]),
        (["quartz/bechmann-1958", "--euler", "0", "132.75", "0"], []),
    ):
        case = "buoy-zno-on-silicon" if options else "buoy-quartz-grating"
        for form in ([], ["--json"]):
            assert main(["cut", "--case", case, *options, *form]) == 0
            from_case = capsys.readouterr().out
            assert main(["cut", *asked, *options, *form]) == 0
            assert from_case == capsys.readouterr().out
    changed = ["--set", "layer.film.thickness=1 um"]
    assert main(["cut", "--case", "buoy-zno-on-silicon", *options, *changed, "--frequency",
                 "868 MHz", "--json"]) == 0  # fmt: skip
    assert json.loads(capsys.readouterr().out)["layers"][0]["thickness_m"] == 1e-6


def test_frequency_and_constants_held_come_from_the_case(tmp_path, capsys):
    text = """
[substrate]
material = "silicon/mason-1958"
[[layer]]
material = "zinc-oxide/kobyakov-1980"
thickness = "1 um"
[map]
frequency = "900 MHz"
[[map.axis]]
key = "layer[0].thickness"
values = ["1 um"]
"""
    case = tmp_path / "guide.toml"
    case.write_text(text, encoding="utf-8")
    assert main(["cut", "--case", str(case), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["frequency_hz"] == 900e6
    held = '["piezoelectric", "permittivity"]'
    text = '[substrate]\nmaterial = "quartz/bechmann-1958"\ncut = "(YXl)42.75"\n'
    case.write_text(f"{text}[conditions]\nhold_constant = {held}\n", encoding="utf-8")
    assert main(["cut", "--case", str(case), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert "kept constant" in found["waves"][0]["temperature_caution"]
    # ST-X quartz: no drift to first order (Schulz, Matsinger & Holland 1970: from memory).
    assert abs(found["waves"][0]["delay_temperature_coefficient_per_K"]) < 1.5e-6


def test_pictures_of_a_membrane(tmp_path, capsys, monkeypatch):
    monkeypatch.setattr(cut_curves, "FREQUENCIES", 1.05 ** np.arange(-2.0, 3.0))
    folder = tmp_path / "page"
    asked = ["air", "--layer", "silica/auld-1973:0.2 um", "--frequency", "900 MHz"]
    assert main(["cut", *asked, "--pictures", str(folder), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert len(told["files"]) == 10
    assert (folder / "cut-phase-velocity.png").stat().st_size > 1000
