"""Bad input at the command line: exit code 2, one line that names the place, no traceback."""

import json
import time
from pathlib import Path

import pytest

from sawfem.cli import main

CASE = """
title = "Buoy 7"
[substrate]
material = "lithium-niobate/kovacs-1990"
cut = "(YXl)128"
[grating]
pitch = "2.228 um"
metal = "aluminium/kaye-laby"
thickness = "89 nm"
metallisation_ratio = 0.5
[device]
kind = "resonator"
fingers = 121
reflector_fingers = 300
aperture = "178 um"
[band]
start = "840 MHz"
stop = "920 MHz"
"""

#: A cubic crystal of one's own, complete and valid.
CRYSTAL = """
crystal = "test crystal"
point_group = "m-3m"
density = 5000
source = "invented for this test"
mark = "unconfirmed"
axes = "cubic"
[stiffness_GPa]
c11 = 120.0
c12 = 50.0
c44 = 60.0
[permittivity_relative]
eps11 = 10.0
"""


@pytest.fixture(autouse=True)
def _in_an_empty_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def refusal(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    """The one line of a refused command."""
    assert main(arguments) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert "Traceback" not in err
    assert err.count("\n") == 1
    assert not Path("results").exists()
    return err.rstrip("\n")


def with_case(text: str) -> str:
    Path("buoy.toml").write_text(text, encoding="utf-8")
    return "buoy.toml"


# (what stands in the case, what a user wrote instead, the beginning of the line)
MISTAKES = [
    (
        "thickness =",
        "thicknes =",
        "buoy.toml: grating.thicknes: found an unknown key; expected a key of [grating], "
        "nearest: thickness",
    ),
    (
        '"2.228 um"',
        '"2.228 mikron"',
        'buoy.toml: grating.pitch: found unit "mikron" in "2.228 mikron"; expected one of m, mm,',
    ),
    (
        '"2.228 um"',
        "2.228",
        "buoy.toml: grating.pitch: found 2.228, that is 2.228 m; expected 10 nm to 1 mm",
    ),
    ('"2.228 um"', "nan", "buoy.toml: grating.pitch: found nan; expected a length"),
    ('"89 nm"', '"-89 nm"', 'buoy.toml: grating.thickness: found "-89 nm"; expected 0.1 nm to'),
    ('"89 nm"', "0", "buoy.toml: grating.thickness: found 0, that is 0 m; expected 0.1 nm to"),
    ("= 0.5", "= 1.0", "buoy.toml: grating.metallisation_ratio: found 1.0; expected a fraction"),
    ("= 0.5", "= 0", "buoy.toml: grating.metallisation_ratio: found 0; expected a fraction"),
    (
        "kovacs-1990",
        "kovaks-1990",
        'buoy.toml: substrate.material: found "lithium-niobate/kovaks-1990", an unknown set; '
        "expected a shipped set, nearest: lithium-niobate/kovacs-1990",
    ),
    (
        "lithium-niobate/kovacs-1990",
        "lithium-niobate",
        'buoy.toml: substrate.material: found "lithium-niobate", a crystal with 4 sets; expected '
        "one of lithium-niobate/kovacs-1990, ",
    ),
    (
        "lithium-niobate/kovacs-1990",
        "./no-such.toml",
        'buoy.toml: substrate.material: found "./no-such.toml", no such file; expected a material',
    ),
    (
        "lithium-niobate/kovacs-1990",
        "aluminium/kaye-laby",
        "buoy.toml: substrate.material: found aluminium/kaye-laby, a conductor; expected a crystal",
    ),
    (
        "aluminium/kaye-laby",
        "silica/auld-1973",
        "buoy.toml: grating.metal: found silica/auld-1973, which does not conduct; expected a",
    ),
    (
        "(YXl)128",
        "(YXl)128/4",
        'buoy.toml: substrate.cut: found 2 angles for 1 rotation edges in "(YXl)128/4"; expected',
    ),
    (
        "metallisation_ratio = 0.5",
        "metallisation_ratio = 0.5\nsidewall_angle = 175",
        "buoy.toml: grating.sidewall_angle: found 175, that is 175 deg; expected 10 deg to 170 deg",
    ),
    (
        "[grating]",
        '[[layer]]\nmaterial = "silica/auld-1973"\n[grating]',
        "buoy.toml: layer[0].thickness: found nothing; expected a value, for example",
    ),
    (
        '"920 MHz"',
        '"840 MHz"',
        'buoy.toml: band.stop: found "840 MHz", not above start = "840 MHz"; expected stop above',
    ),
    (
        'aperture = "178 um"',
        'aperture = "178 um"\ngap = "1 um"',
        "buoy.toml: device.gap: found 1 um; expected more than the electrode width, 1.114 um",
    ),
    (
        "[grating]",
        "[conditions]\ntemperature = '60 degC'\n[grating]",
        "buoy.toml: conditions.temperature: found 60 degC, and in lithium-niobate/kovacs-1990 no "
        "coefficients of c11, c12, c13, c14, c33, c44, e15, e22, e31, e33, eps11, eps33, alpha11, "
        "alpha33; expected 25 degC, or conditions.hold_constant naming what shall not change",
    ),
]


@pytest.mark.parametrize(("there", "written", "line"), MISTAKES)
def test_a_mistake_in_a_case(
    capsys: pytest.CaptureFixture[str], there: str, written: str, line: str
) -> None:
    assert there in CASE
    name = with_case(CASE.replace(there, written, 1))
    assert refusal(capsys, "run", name).startswith(line)


def test_a_mistake_in_a_variant_is_told_at_its_key(capsys: pytest.CaptureFixture[str]) -> None:
    variant = '[[material]]\nname = "film"\nlike = "aluminium/kaye-laby"\npoisson_ratio = 0.7\n'
    name = with_case(CASE.replace("aluminium/kaye-laby", "film") + variant)
    line = refusal(capsys, "run", name)
    assert line.startswith("buoy.toml: material.film")
    assert "found" in line


@pytest.mark.parametrize(
    ("there", "written", "line"),
    [
        ("c44 = 60.0", "c44 = 60.0\nc14 = 9.0", "./mine.toml: stiffness_GPa.c14: found"),
        ("c44 = 60.0", "c44 = -60.0", "./mine.toml: stiffness: found a matrix with eigenvalue"),
        ("c44 = 60.0", "c44 = nan", "./mine.toml: stiffness_GPa.c44: found"),
        ("density = 5000", "density = 0", "./mine.toml: density: found"),
        ('point_group = "m-3m"', 'point_group = "m-5m"', "./mine.toml: point_group: found"),
        ("density =", "densty =", "./mine.toml: densty: found an unknown key"),
        (
            "c11 = 120.0",
            "c11 = ",
            "./mine.toml: c11: found nothing behind c11 = in line 9; expected a value",
        ),
    ],
)
def test_a_mistake_in_a_material_file(
    capsys: pytest.CaptureFixture[str], there: str, written: str, line: str
) -> None:
    assert there in CRYSTAL
    Path("mine.toml").write_text(CRYSTAL.replace(there, written), encoding="utf-8")
    name = with_case(CASE.replace("lithium-niobate/kovacs-1990", "./mine.toml"))
    assert refusal(capsys, "run", name).startswith(line)


def test_a_good_material_file_is_understood(capsys: pytest.CaptureFixture[str]) -> None:
    Path("mine.toml").write_text(CRYSTAL, encoding="utf-8")
    name = with_case(CASE.replace("lithium-niobate/kovacs-1990", "./mine.toml"))
    assert main(["check", name]) == 0
    out = capsys.readouterr().out
    assert "invented for this test" in out
    assert "unconfirmed" in out


@pytest.mark.parametrize(
    ("arguments", "line"),
    [
        (["run", "nowhere.toml"], "nowhere.toml: found no such file; expected a case file"),
        (["run", "buoy-resonatr"], "buoy-resonatr: found no such file; expected a case file, or "),
        (["run", "."], ".: found a folder; expected a case file"),
        (["run", "x" * 5000], "x"),
        (["run", "a\0b"], "a"),
        (["frobnicate"], "sawfem: No such command 'frobnicate'"),
        (["run"], "sawfem run: Missing argument 'CASE'"),
        (["run", "buoy-resonator", "--fast"], "sawfem run: No such option '--fast'"),
        (["run", "buoy-resonator", "--set", "x"], '--set: found "x"; expected KEY=VALUE'),
        (["cut", "quartz"], 'MATERIAL: found "quartz", a crystal with 2 sets; expected one of'),
        (["cut", "quartz/bechmann-1958", "--euler", "0", "nan", "0"], "--euler: found the angle"),
        (["cut", "quartz/bechmann-1958", "--cut", "(YX)(l)"], "--cut: found"),
        (["cut", "aluminium/kaye-laby"], "substrate.material: found aluminium/kaye-laby, a cond"),
        (["cut", "quartz/bechmann-1958", "--layer", "silica"], '--layer: found "silica"; expected'),
        (
            ["cut", "quartz/bechmann-1958", "--layer", "silica/auld-1973:1 um"],
            "--frequency: found nothing; expected a frequency",
        ),
        (
            [
                *("cut", "quartz/bechmann-1958", "--frequency", "1 GHz"),
                *("--layer", "silica/auld-1973:-1 um"),
            ],
            'layer.thickness: found "-1 um"; expected',
        ),
        (["materials", "quarz"], 'NAME: found "quarz", an unknown set; expected a shipped set, ne'),
    ],
)
def test_a_mistake_on_the_line(
    capsys: pytest.CaptureFixture[str], arguments: list[str], line: str
) -> None:
    assert refusal(capsys, *arguments).startswith(line)


def test_an_output_folder_that_is_none(capsys: pytest.CaptureFixture[str]) -> None:
    """Told before anything is computed, and the file stays as it is."""
    Path("taken").write_text("not a folder", encoding="utf-8")
    started = time.monotonic()
    assert main(["run", with_case(CASE), "--quiet", "--out", "taken"]) == 2
    assert time.monotonic() - started < 3.0
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("taken: found")
    assert err.count("\n") == 1
    assert Path("taken").read_text(encoding="utf-8") == "not a folder"


def test_a_folder_with_other_things_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    Path("photos").mkdir()
    Path("photos/harbour.png").write_bytes(b"a picture")
    assert main(["run", with_case(CASE), "--quiet", "--out", "photos"]) == 2
    assert "harbour.png" in capsys.readouterr().err
    assert Path("photos/harbour.png").read_bytes() == b"a picture"


def test_json_of_a_failure_is_one_object(capsys: pytest.CaptureFixture[str]) -> None:
    name = with_case(CASE.replace("thickness", "thicknes"))
    assert main(["run", name, "--json"]) == 2
    out, err = capsys.readouterr()
    error = json.loads(out)["error"]
    assert set(error) == {"file", "key", "found", "expected", "message"}
    assert error["file"] == "buoy.toml"
    assert error["key"] == "grating.thicknes"
    assert error["found"] == "an unknown key"
    assert err.count("\n") == 1


HOSTILE = {
    "ten megabytes": "a = 1\n" * 1_700_000,
    "one long line": "a = [" + "1," * 100_000 + "1]",
    "nested lists": "a = " + "[" * 900 + "]" * 900,
    "nested tables": "a = " + "{a=" * 400 + "1" + "}" * 400,
    "a dotted key of 900 parts": ".".join(["a"] * 900) + " = 1",
    "many tables": "".join(f"[t{index}]\n" for index in range(20_000)),
    "a null byte": 'title = "\0"',
    "no text": "\ud800".encode("utf-8", "surrogatepass").decode("latin-1"),
}


@pytest.mark.parametrize("text", HOSTILE.values(), ids=HOSTILE.keys())
def test_hostile_files_are_refused_quickly(capsys: pytest.CaptureFixture[str], text: str) -> None:
    Path("hostile.toml").write_text(text, encoding="latin-1")
    started = time.monotonic()
    line = refusal(capsys, "run", "hostile.toml")
    assert time.monotonic() - started < 2.0
    assert line.startswith("hostile.toml: ")
    assert len(line) < 500


@pytest.mark.parametrize(
    ("centre", "width", "line"),
    [
        ("1.5 um", "1 um", "grating.electrode[0].centre: found an electrode that touches"),
        ("2 um", "4 um", "grating.electrode[1].width: found an electrode 4 um wide; expected less"),
    ],
)
def test_electrodes_that_have_no_room(
    capsys: pytest.CaptureFixture[str], centre: str, width: str, line: str
) -> None:
    strip = (
        '[[grating.electrode]]\ncentre = "{}"\nwidth = "{}"\nmetal = "aluminium/kaye-laby"\n'
        'thickness = "100 nm"\n'
    )
    head = CASE[: CASE.index("[grating]")] + '[grating]\nperiod = "3 um"\n'
    text = head + strip.format("0.5 um", "1 um") + strip.format(centre, width)
    Path("buoy.toml").write_text(text, encoding="utf-8")
    assert refusal(capsys, "check", "buoy.toml").startswith(f"buoy.toml: {line}")
