"""Commands that do what they are asked: what they print, and where."""

import json
import shlex
import subprocess
from pathlib import Path

import pytest

from sawfem import __version__
from sawfem.cli import main, screen
from sawfem.cli.progress import Bar, Progress
from sawfem.cli.screen import encodable
from sawfem.datafiles import shipped_names
from tests.support.commands import SAWFEM, environment

#: Runs quickly: the coarsest pair of meshes.
FAST = ("buoy-quartz-grating", "--set", "results.accuracy=1e-2")


@pytest.fixture(autouse=True)
def _in_an_empty_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def test_version_and_help(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--version"]) == 0
    assert capsys.readouterr().out == f"sawfem {__version__}\n"
    assert main(["--help"]) == 0
    by_flag = capsys.readouterr().out
    assert main([]) == 0
    assert capsys.readouterr().out == by_flag
    for command in ("run", "check", "cut", "materials"):
        assert f"  {command} " in by_flag
        assert main([command, "--help"]) == 0
        assert "--json" in capsys.readouterr().out


def test_the_module_is_the_same_command() -> None:
    done = subprocess.run(
        [*SAWFEM, "--version"], capture_output=True, text=True, check=False, env=environment()
    )
    assert (done.returncode, done.stdout, done.stderr) == (0, f"sawfem {__version__}\n", "")


def test_run_prints_tables_and_writes_files(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["run", *FAST]) == 0
    out, err = capsys.readouterr()
    assert "quartz/bechmann-1958, (YXl)222.75 = Euler (0, 132.75, 0) deg" in out
    assert "velocity" in out
    assert "m/s" in out
    assert "Checks" in out
    assert "not a warranty" in out
    assert [line.split(":")[0] for line in err.splitlines()] == [
        "plane waves",
        "unit cell",
        "pictures",
    ]
    folder = Path("results/buoy-quartz-grating")
    written = {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}
    assert {
        "constants.json",
        "result.h5",
        "case.toml",
        "log.txt",
        "pictures/mode.png",
        "pictures/cell.png",
        "pictures/mode.svg",
        "pictures/harmonic-admittance.png",
        "pictures/harmonic-admittance.svg",
    } <= written
    assert "unit cell" in (folder / "log.txt").read_text(encoding="utf-8")


def test_json_is_alone_on_standard_output(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["run", *FAST, "--out", "there", "--json"]) == 0
    out, err = capsys.readouterr()
    answer = json.loads(out)
    assert answer["format"] == "sawfem.run/1"
    assert answer["case"] == "buoy-quartz-grating"
    assert out == Path("there/constants.json").read_text(encoding="utf-8")
    assert all(Path(file).is_file() for file in answer["files"])
    constants = answer["constants"]
    assert constants["velocity_m_per_s"] == pytest.approx(3142.3, abs=0.5)
    # The slow shear wave of ST-X quartz runs along the surface at 3298.8 m/s.
    pitch = 0.5 * 3298.8 / constants["bulk_onset_hz"]
    assert pitch == pytest.approx(1.81e-6, rel=1e-4)
    assert constants["next_bulk_onset_hz"] == constants["bulk_onset_hz"]
    assert constants["reasons"] == {}
    assert set(constants["uncertainty"]["numerical"]) <= set(constants)
    assert answer["device"] is None
    assert err  # progress


def test_quiet_prints_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["run", *FAST, "--quiet"]) == 0
    assert capsys.readouterr() == ("", "")


def test_check_computes_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "buoy-transversal"]) == 0
    out, err = capsys.readouterr()
    assert "400 and 320 double electrodes" in out
    assert "Cost" in out
    assert err == ""
    assert not Path("results").exists()
    assert main(["check", "buoy-transversal", "--json"]) == 0
    plan = json.loads(capsys.readouterr().out)
    assert plan["format"] == "sawfem.check/1"
    assert plan["not_computed"] == []
    assert plan["resolved"]["device"]["gap"] == pytest.approx(100e-6)
    assert plan["estimated_s"] == pytest.approx(sum(s["estimated_s"] for s in plan["stages"]))
    assert [stage["name"] for stage in plan["stages"]][:2] == ["plane waves", "unit cell"]


def test_check_tells_what_a_run_would_refuse(capsys: pytest.CaptureFixture[str]) -> None:
    asked = ("--set", 'measurement=[{name = "wafer-3", file = "wafer-3.s1p"}]')
    assert main(["check", "buoy-quartz-grating", *asked]) == 0
    assert "Refused" in capsys.readouterr().out
    assert main(["run", "buoy-quartz-grating", *asked]) == 2


def test_cut_of_a_half_space(capsys: pytest.CaptureFixture[str]) -> None:
    """128 deg Y-X lithium niobate: Kovacs et al., IEEE Ultrason. Symp. 1990."""
    assert main(["cut", "lithium-niobate/kovacs-1990", "--cut", "(YXl)128", "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["format"] == "sawfem.cut/1"
    assert answer["euler_deg"] == pytest.approx([0.0, 38.0, 0.0], abs=1e-9)
    wave = answer["waves"][0]
    assert wave["kind"] == "Rayleigh-type"
    assert wave["velocity_free_m_per_s"] == pytest.approx(3978.97, abs=0.01)
    assert wave["velocity_metallised_m_per_s"] == pytest.approx(3870.90, abs=0.01)
    assert wave["coupling_k2"] == pytest.approx(0.0543, abs=5e-5)
    # 488 to 493 pF/m: capacitance of a finger pair at equal line and space (Engan 1969)
    assert 488e-12 < answer["eps_inf_F_per_m"] < 494e-12
    assert answer["bulk_limits_m_per_s"] == sorted(answer["bulk_limits_m_per_s"])


def test_cut_by_euler_angles_is_the_same_plate(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["cut", "lithium-niobate/kovacs-1990", "--euler", "0", "38", "0"]) == 0
    by_angles = capsys.readouterr().out
    assert main(["cut", "lithium-niobate/kovacs-1990", "--cut", "(YXl)128"]) == 0
    by_plate = capsys.readouterr().out
    assert by_angles == by_plate
    assert "3978.97 m/s" in by_plate


def test_cut_marks_leaky_waves_as_estimates(capsys: pytest.CaptureFixture[str]) -> None:
    """36 deg Y-X lithium tantalate: 4211.3 and 4112.8 m/s, Nakamura et al. 1977."""
    assert main(["cut", "lithium-tantalate/smith-welsh-1971", "--cut", "(YXl)36"]) == 0
    out = capsys.readouterr().out
    assert "leaky-estimate SH-type" in out
    assert "4112.8" in out
    assert "leaky waves are estimates" in out


def test_cut_with_layers(capsys: pytest.CaptureFixture[str]) -> None:
    layers = ("--layer", "zinc-oxide/kobyakov-1980:2.2um", "--frequency", "868 MHz", "--json")
    assert main(["cut", "silicon/mason-1958", *layers]) == 0
    answer = json.loads(capsys.readouterr().out)
    (layer,) = answer["layers"]
    assert layer["material"] == "zinc-oxide/kobyakov-1980"
    assert layer["thickness_m"] == 2.2e-6
    assert layer["potential"] is None
    assert answer["frequency_hz"] == 868e6
    assert {"Rayleigh-type", "Sezawa-type", "Love-type"} <= {w["kind"] for w in answer["waves"]}


def test_the_wrong_quartz_axes_are_warned_of(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["cut", "quartz/bechmann-1958", "--cut", "(YXl)-42.75"]) == 0
    assert "axes of 1949" in capsys.readouterr().out


def test_materials_lists_every_set(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["materials"]) == 0
    out = capsys.readouterr().out
    assert all(name in out for name in shipped_names("materials"))
    assert main(["materials", "--json"]) == 0
    listed = json.loads(capsys.readouterr().out)["materials"]
    assert [item["name"] for item in listed] == list(shipped_names("materials"))
    assert main(["materials", "quartz"]) == 0
    out = capsys.readouterr().out
    assert "quartz/bechmann-1958-ieee1978" in out
    assert "lithium" not in out


def test_materials_shows_one_set(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["materials", "quartz/bechmann-1958"]) == 0
    out = capsys.readouterr().out
    assert "c11 86.74" in out
    assert "Bechmann" in out
    assert main(["materials", "quartz/bechmann-1958", "--json"]) == 0
    record = json.loads(capsys.readouterr().out)
    assert record["stiffness_Pa"][0][0] == pytest.approx(86.74e9)
    assert record["stiffness_Pa"][0][3] == pytest.approx(-17.91e9)
    assert record["provenance"] == "reproduced"
    assert main(["materials", "aluminium/kaye-laby", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["permittivity_F_per_m"] is None


def test_a_fault_of_the_program_is_one_line(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    def broken(*_: object) -> None:
        raise ZeroDivisionError("of our own making")

    monkeypatch.setattr("sawfem.cli.options.load_case", broken)
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    assert main(["run", "buoy-resonator", "--json"]) == 1
    out, err = capsys.readouterr()
    assert "please report it" in json.loads(out)["error"]["message"]
    assert err.count("\n") == 1
    assert "Traceback" not in err
    (log,) = tmp_path.glob("sawfem-fault-*.log")
    assert str(log) in err
    text = log.read_text(encoding="utf-8")
    assert "Traceback" in text
    assert "of our own making" in text


def test_a_reader_that_goes_away_is_no_fault() -> None:
    command = f"{' '.join(SAWFEM)} materials | head -n 1"
    done = subprocess.run(
        command, shell=True, capture_output=True, text=True, check=False, env=environment()
    )
    assert done.stderr == ""


def test_text_for_terminals_without_plus_minus() -> None:
    assert encodable("3142.3 ± 0.2", "ascii") == "3142.3 +- 0.2"
    assert encodable("3142.3 ± 0.2", "utf-8") == "3142.3 ± 0.2"
    assert encodable("µ", "ascii") == "?"


def test_time_left_follows_what_was_measured(monkeypatch: pytest.MonkeyPatch) -> None:
    now = [0.0]
    monkeypatch.setattr("time.monotonic", lambda: now[0])
    progress = Progress({"first": 2.0, "second": 4.0})
    assert progress.left() == pytest.approx(6.0)
    progress("first", 0, 1)
    now[0] = 1.0
    assert progress.left() == pytest.approx(5.0)
    now[0] = 4.0  # twice as long as estimated: the rest will be, too
    progress("first", 1, 1)
    assert progress.left() == pytest.approx(8.0)
    progress("second", 1, 2)
    assert progress.left() == pytest.approx(4.0)
    progress("second", 2, 2)
    assert progress.left() == 0.0


def test_a_bar_leaves_a_line_for_every_stage(capsys: pytest.CaptureFixture[str]) -> None:
    with Bar({"unit cell": 2.0}) as progress:
        progress("unit cell", 0, 3)
        progress("unit cell", 1, 3)
        progress("unit cell", 3, 3)
    out, err = capsys.readouterr()
    assert out == ""
    assert next(line.split() for line in err.splitlines() if "done" in line)[:3] == [
        "unit",
        "cell",
        "done",
    ]


def test_a_reader_that_leaves_is_no_fault() -> None:
    """``sawfem materials --json | head``: the pipe closes early, the program ends with 0."""
    script = (
        f"{shlex.join(SAWFEM)} materials --json | head -c 10 >/dev/null; echo ${{PIPESTATUS[0]}}"
    )
    done = subprocess.run(
        ["bash", "-c", script],
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
        env=environment(),
    )
    assert done.stdout.strip() == "0"
    assert "Traceback" not in done.stderr


def test_require_ends_with_three_where_a_limit_is_missed(
    capsys: pytest.CaptureFixture[str],
) -> None:
    case = Path("held.toml")
    case.write_text(
        'substrate = { material = "quartz/bechmann-1958", cut = "(YXl)42.75" }\n'
        'grating = { pitch = "1.818 um", metal = "aluminium/kaye-laby", '
        'thickness = "0.02 wavelength", metallisation_ratio = 0.5 }\n'
        "results = { accuracy = 1e-2 }\n"
        'device = { kind = "transversal", fingers = [41, 41], aperture = "1 mm", gap = "50 um" }\n'
        "[[specification.limit]]\n"
        'name = "pass"\nquantity = "insertion_loss"\nfrom = "866 MHz"\nto = "867 MHz"\n'
        'at_most = "90 dB"\n'
    )
    assert main(["run", str(case), "--require", "--json"]) == 0
    (line,) = json.loads(capsys.readouterr().out)["device"]["specification"]
    assert line["met"]
    assert line["margin"] == pytest.approx(90.0 - line["worst"])
    stricter = ["--set", "specification.limit.pass.at_most=1 dB"]
    assert main(["run", str(case), "--require", *stricter]) == 3
    out = capsys.readouterr().out
    assert " NO" in out
    assert "Specification" in out
    assert main(["run", str(case), *stricter, "--quiet"]) == 0
    assert main(["run", "buoy-resonator", "--require"]) == 2
    assert "expected a [device] and a [[specification.limit]]" in capsys.readouterr().err


def test_tables_of_a_narrow_terminal_keep_every_digit(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Heads and texts wrap at words; numbers stand whole even where nothing is left to wrap."""
    rows = [
        ("  capacitance per finger pair, fitted", "462.63", "0.0000008", "dB/wavelength"),
        ("  loss", "-10.3909 - 0.1243j", "", "%"),
    ]
    for columns in (100, 66, 20):
        monkeypatch.setattr(screen, "width", lambda columns=columns: columns)
        screen.table(("Constants", "value", "± numerical", "unit"), rows, right=(1, 2))
        out = capsys.readouterr().out
        for number in ("462.63", "0.0000008", "-10.3909 - 0.1243j", "dB/wavelength"):
            assert number in out
        assert "…" not in out
        assert columns == 20 or max(map(len, out.splitlines())) <= columns
    text = screen.listed_files(["a.json", "p/x.png", "p/x.svg", "p/y.png"])
    assert text == "a.json  p/x.png, .svg  p/y.png"


def test_a_case_of_a_map_alone_is_understood(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    place = tmp_path / "cuts.toml"
    place.write_text(
        '[substrate]\nmaterial = "quartz/bechmann-1958"\ncut = "(YXl)"\nrotations = [42.75]\n'
        '[[map.axis]]\nkey = "substrate.rotations[0]"\nfrom = 30\nto = 50\npoints = 11\n',
        encoding="utf-8",
    )
    assert main(["check", str(place)]) == 0
    assert f"Next sawfem map {place}" in " ".join(capsys.readouterr().out.split())
    assert main(["check", str(place), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["map_points"] == 11
