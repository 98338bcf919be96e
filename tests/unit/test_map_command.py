"""``sawfem map`` and ``sawfem search``: files, resumption, and what is refused."""

from __future__ import annotations

import json
from pathlib import Path

import h5py
import numpy as np
import pytest

from sawfem.case import Case
from sawfem.cli import main
from sawfem.design import Stack
from sawfem.errors import CaseError, InputError, OutputError
from sawfem.export.map_hdf5 import read_map, request_digest, write_map
from sawfem.pipeline.mapping import plan_map, run_map
from sawfem.planewave import plane_waves
from sawfem.planewave.maps import compute_map, request
from tests.support.commands import SAWFEM, interrupted

CASE = """
title = "Buoy 7: rotated Y-cuts"
[substrate]
material = "lithium-niobate/kovacs-1990"
euler = [0, 38, 0]
[map]
keep = ["velocity_free", "coupling_k2", "power_flow_angle"]
[[map.axis]]
key = "substrate.euler[1]"
from = 30
to = 40
points = 5
[[map.axis]]
key = "substrate.euler[2]"
values = [0, 10, 20]
"""

LAYERED = """
[substrate]
material = "silicon/mason-1958"
[[layer]]
name = "guide"
material = "zinc-oxide/kobyakov-1980"
thickness = "0.2 wavelength"
[grating]
pitch = "2 um"
metal = "aluminium/kaye-laby"
thickness = "80 nm"
metallisation_ratio = 0.5
[map]
waves = ["rayleigh", "slowest"]
frequency = "868 MHz"
[[map.axis]]
key = "layer.guide.thickness"
from = "0.1 wavelength"
to = "0.3 wavelength"
points = 3
"""


@pytest.fixture(autouse=True)
def _in_an_empty_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def written(text: str = CASE, name: str = "cuts.toml") -> str:
    Path(name).write_text(text, encoding="utf-8")
    return name


def test_json_files_and_pictures(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["map", written(), "--json", "--quiet"]) == 0
    captured = capsys.readouterr()
    assert captured.err == ""
    told = json.loads(captured.out)
    assert told["format"] == "sawfem.map/1"
    assert [axis["key"] for axis in told["axes"]] == ["substrate.euler[1]", "substrate.euler[2]"]
    assert told["axes"][0]["values"] == [30.0, 32.5, 35.0, 37.5, 40.0]
    single = plane_waves(Stack("lithium-niobate/kovacs-1990", euler=(0, 35, 10)))[0]
    values = told["values"]
    assert values["velocity_free_m_per_s"][2][1] == pytest.approx(single.velocity_free, rel=1e-9)
    assert values["coupling_k2"][2][1] == pytest.approx(single.coupling_k2, abs=2e-9)
    assert told["status"][4] == [0, 0, 0]
    names = {Path(file).name for file in told["files"]}
    assert {"map.h5", "map-velocity-free.png", "map-power-flow-angle.svg"} <= names
    assert all(Path(file).stat().st_size > 1000 for file in told["files"])
    assert {Path(file).parent.as_posix() for file in told["files"]} == {"results/cuts.sweep"}


def test_hdf5_with_labelled_axes() -> None:
    assert main(["map", written(), "--quiet", "--out", "here"]) == 0
    with h5py.File("here/map.h5") as file:
        assert file.attrs["format"] == "sawfem-map"
        assert file["case/source"].asstr()[()] == CASE
        assert file["materials/lithium-niobate/kovacs-1990"].attrs["provenance"] == "reproduced"
        velocity = file["values/velocity_free"]
        assert velocity.shape == (5, 3)
        assert velocity.attrs["unit"] == "m/s"
        assert [dim.label for dim in velocity.dims] == ["substrate.euler[1]", "substrate.euler[2]"]
        np.testing.assert_array_equal(velocity.dims[1][0][()], [0.0, 10.0, 20.0])
        assert velocity.dims[0][0].attrs["unit"] == "deg"
        assert file["status"].dtype == np.int8
        assert file["message"].shape == (5, 3)


def test_tables_and_progress(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["map", written(), "--workers", "1"]) == 0
    captured = capsys.readouterr()
    assert "substrate.euler[1]: 30 deg to 40 deg, 5 points" in captured.out
    assert "velocity, free surface" in captured.out
    assert "map: 15 of 15 points" in captured.err
    assert "picture: coupling_k2" in captured.err


def test_layers_one_axis_and_wavelengths(capsys: pytest.CaptureFixture[str]) -> None:
    """Thickness in wavelengths of the grating; the slowest Rayleigh-type wave."""
    assert main(["map", written(LAYERED), "--json", "--quiet", "--workers", "1"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["axes"][0]["unit"] == "m"
    np.testing.assert_allclose(told["axes"][0]["values"], [4e-7, 8e-7, 1.2e-6], rtol=1e-12)
    stack = Stack("silicon/mason-1958").with_layer("zinc-oxide/kobyakov-1980", 8e-7)
    single = next(w for w in plane_waves(stack, "868 MHz") if w.shear_horizontal < 0.5)
    assert told["values"]["velocity_free_m_per_s"][1] == pytest.approx(
        single.velocity_free, rel=1e-12
    )


def test_a_frequency_axis_and_one_that_moves_two_layers() -> None:
    text = LAYERED.split("[map]")[0] + (
        '[[layer]]\nname = "cap"\nlike = "guide"\n[map]\n[[map.axis]]\nkey = "map.frequency"\n'
        'from = "500 MHz"\nto = "2 GHz"\npoints = 3\nspacing = "log"\n[[map.axis]]\n'
        'key = "layer.guide.thickness"\nvalues = ["0.1 wavelength", "0.2 wavelength"]\n'
    )
    plan = plan_map(Case.load(written(text)))
    np.testing.assert_allclose(plan.asked.axes[0].values, [5e8, 1e9, 2e9])
    assert [place.member for place in plan.asked.axes[1].places] == [1, 2]
    members, frequency = plan.asked.at(3)
    assert frequency == pytest.approx(1e9)
    assert [member.thickness for member in members] == pytest.approx([0.0, 8e-7, 8e-7])


def test_an_interrupted_map_goes_on() -> None:
    """Interrupted by the user, then taken up: the file of an undisturbed map, bit by bit."""
    big = CASE.replace("points = 5", "points = 301").replace(
        "values = [0, 10, 20]", "from = 0\nto = 90\npoints = 301"
    )
    case = written(big)
    command = [*SAWFEM, "map", case, "--workers", "1", "--json"]
    code, out, rest = interrupted(command, "left")
    assert code == 130
    error = json.loads(out)["error"]
    assert "the same command goes on from there" in error["message"]
    assert rest.splitlines()[-1].startswith("sawfem: interrupted: ")
    asked = plan_map(Case.load(case)).asked
    part = read_map("results/cuts.sweep/map.h5", asked)
    assert part is not None
    assert 0 < part.done < part.status.size
    assert sorted(p.name for p in Path("results/cuts.sweep").iterdir()) == ["map.h5"]

    small = CASE  # the rest of the large one would take long: go on with a part of a small one
    plan = plan_map(Case.load(written(small)))
    whole = run_map(plan, folder="whole", workers=1)
    half = read_map("whole/map.h5", plan.asked)
    assert half is not None
    half.status[2:] = 2
    half.message[2:] = ""
    for values in half.values.values():
        values[2:] = np.nan
    Path("resumed").mkdir()
    write_map(half, "resumed/map.h5")
    resumed = run_map(plan, folder="resumed", workers=1)
    assert resumed.found.complete
    assert Path(resumed.files[0]).read_bytes() == Path(whole.files[0]).read_bytes()


def test_a_map_that_is_done_is_not_computed_again(capsys: pytest.CaptureFixture[str]) -> None:
    main(["map", written(), "--quiet"])
    first = Path("results/cuts.sweep/map.h5").read_bytes()
    assert main(["map", "cuts.toml"]) == 0
    assert capsys.readouterr().err.splitlines()[0] == "map: 15 of 15 points"
    assert Path("results/cuts.sweep/map.h5").read_bytes() == first


def test_another_request_is_not_taken_up() -> None:
    stack = Stack("quartz/bechmann-1958")
    asked = request(stack, {"substrate.euler[1]": [1.0, 2.0]})
    write_map(compute_map(asked), "map.h5")
    assert read_map("map.h5", asked) is not None
    for other in (
        request(stack, {"substrate.euler[1]": [1.0, 2.5]}),
        request(stack, {"substrate.euler[1]": [1.0, 2.0]}, order="slowest"),
        request(Stack("silica/auld-1973"), {"substrate.euler[1]": [1.0, 2.0]}),
    ):
        assert request_digest(other) != request_digest(asked)
        assert read_map("map.h5", other) is None


def test_files_that_are_no_map() -> None:
    asked = request(Stack("quartz/bechmann-1958"), {"substrate.euler[1]": [1.0, 2.0]})
    Path("map.h5").write_bytes(b"nothing of the kind")
    with pytest.raises(InputError, match="HDF5"):
        read_map("map.h5", asked)
    with h5py.File("other.h5", "w") as file:
        file.attrs["format"] = "sawfem-result"
    with pytest.raises(InputError, match="sawfem-map"):
        read_map("other.h5", asked)
    write_map(compute_map(asked), "map.h5")
    with h5py.File("map.h5", "a") as file:
        del file["values/velocity_free"]
    with pytest.raises(InputError, match="velocity_free"):
        read_map("map.h5", asked)
    with pytest.raises(OutputError):
        write_map(compute_map(asked), "missing/map.h5")


def test_a_folder_of_another_case_is_left_alone(capsys: pytest.CaptureFixture[str]) -> None:
    main(["map", written(), "--quiet"])
    Path("elsewhere").mkdir()
    other = written(CASE, "elsewhere/cuts.toml")
    assert main(["map", other, "--quiet"]) == 2
    assert "the map of another case file" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ((CASE[CASE.index("[map]") :], ""), "a table [map]"),
        (('key = "substrate.euler[2]"', 'key = "title"'), "expected a text"),
        (('key = "substrate.euler[2]"', 'key = "substrate.colour"'), "unknown key"),
        (('keep = ["velocity_free"', 'keep = ["velocity_fre"'), "map.keep"),
        (("[map]", '[map]\nwaves = ["plate"]'), "map.waves"),
        (("[map]", '[map]\nhold_constant = ["bones"]\nkeep_ = 1'), "keep_"),
        (("values = [0, 10, 20]", "values = [0, 1000]"), "map.axis[1]"),
    ],
)
def test_what_is_refused(
    change: tuple[str, str], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["map", written(CASE.replace(*change))]) == 2
    line = capsys.readouterr().err
    assert line.count("\n") == 1
    assert words in line
    assert "cuts.toml" in line


def test_axes_of_a_sweep_are_refused() -> None:
    """What does not move the waves, or changes more than their numbers."""
    for key, values, words in (
        ("grating.thickness", '["80 nm", "90 nm"]', "moves none of the waves"),
        ("layer.guide.material", '["silica/auld-1973"]', "changes a material"),
    ):
        head, _, _ = LAYERED.partition("[[map.axis]]")
        text = f'{head}[[map.axis]]\nkey = "{key}"\nvalues = {values}\n'
        with pytest.raises(CaseError, match=words):
            plan_map(Case.load(written(text)))


def test_layers_need_a_frequency() -> None:
    with pytest.raises(InputError, match=r"map\.frequency"):
        plan_map(Case.load(written(LAYERED.replace('frequency = "868 MHz"', ""))))


def test_a_map_of_hidden_substrates_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    """Every point hides it: one line. Some do: each says so in the file."""
    thick = LAYERED.replace("0.1 wavelength", "20 wavelength").replace("0.3 wave", "30 wave")
    assert main(["map", written(thick), "--quiet"]) == 2
    line = capsys.readouterr().err
    assert line.count("\n") == 1
    assert "cuts.toml: map" in line
    assert "hide the substrate" in line
    assert "thick = true" in line
    some = LAYERED.replace("0.3 wavelength", "30 wavelength").replace("points = 3", "points = 2")
    assert main(["map", written(some), "--json", "--quiet", "--workers", "1"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["status"] == [0, 1]
    assert "hide the substrate" in told["reasons"]["1"]


def test_what_is_not_computed_yet_is_refused() -> None:
    text = LAYERED + '[conditions]\ntemperature = "60 degC"\n'
    with pytest.raises(CaseError, match="temperature"):
        plan_map(Case.load(written(text)))


def test_search_prints_cuts(capsys: pytest.CaptureFixture[str]) -> None:
    ranges = ["--lambda", "0", "0", "--mu", "0", "90", "--theta", "0", "0", "--count", "1"]
    command = ["search", "lithium-niobate/kovacs-1990", "--coupling-above", "3", *ranges]
    assert main([*command, "--json", "--quiet"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["format"] == "sawfem.search/1"
    assert told["wish"]["coupling_above"] == pytest.approx(0.03)
    (cut,) = told["cuts"]
    assert cut["euler_deg"] == pytest.approx([0.0, 38.64, 0.0], abs=0.02)
    assert cut["meets_wish"] is True
    assert len(cut["tolerance_deg"]) == 3
    assert main(command) == 0
    captured = capsys.readouterr()
    assert "(0, 38.64, 0)" in captured.out
    assert "search:" in captured.err


def test_search_refuses_in_one_line(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["search", "lithium-niobate"]) == 2
    assert "MATERIAL" in capsys.readouterr().err
    assert main(["search", "quartz/bechmann-1958", "--tcd-below", "1", "--quiet"]) == 2
    assert "no coefficients of" in capsys.readouterr().err
    assert main(["search", "aluminium/kaye-laby", "--quiet", "--step", "30"]) == 2
    assert capsys.readouterr().err.count("\n") == 1


def test_pictures_of_a_cut(capsys: pytest.CaptureFixture[str]) -> None:
    command = ["cut", "lithium-niobate/kovacs-1990", "--cut", "(YXl)128", "--pictures", "page"]
    assert main([*command, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert len(told["files"]) == 10
    assert all(Path(file).stat().st_size > 1000 for file in told["files"])
    assert "page/cut.png" in told["files"]
    Path("file").write_text("x", encoding="utf-8")
    assert main([*command[:-1], "file/deeper"]) == 2
