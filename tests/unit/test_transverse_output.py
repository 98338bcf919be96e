"""Transverse modes from a case to files, pictures and the screen, and what is refused."""

import json
from dataclasses import replace

import h5py
import numpy as np
import pytest

from sawfem.case import Case
from sawfem.cli.answers import show_device
from sawfem.device.transverse_leaky import LeakyMode
from sawfem.errors import CaseError, InputError
from sawfem.export import read_hdf5
from sawfem.export.hdf5_node import Node
from sawfem.export.transverse_hdf5 import read_transverse, write_transverse
from sawfem.pipeline.execute import run
from sawfem.plot import style
from sawfem.plot.transverse import draw_against_aperture, draw_profiles, draw_with_modes
from sawfem.sweep.point import numbers

TEXT = """
[substrate]
material = "quartz/bechmann-1958"
cut = "(YXl)42.75"
[grating]
pitch = "1.81 um"
metal = "aluminium/kaye-laby"
thickness = "72 nm"
metallisation_ratio = 0.5
[device]
kind = "resonator"
fingers = 201
reflector_fingers = [300, 300]
aperture = "40 wavelength"
transverse_modes = true
[band]
start = "860 MHz"
stop = "870 MHz"
points = 301
[transverse]
busbar_width = "10 wavelength"
end_gap = "0.5 wavelength"
dummy_length = "2 wavelength"
apertures = ["20 wavelength", "40 wavelength"]
[results]
include = ["transverse-modes"]
accuracy = 1e-3
second_model = false
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    place = tmp_path_factory.mktemp("transverse")
    (place / "case.toml").write_text(TEXT, encoding="utf-8")
    return place


@pytest.fixture(scope="module")
def result(folder):
    return run(Case.load(folder / "case.toml"), folder=folder / "results")


def test_the_case_answers_with_modes(result):
    """On quartz the grating is slower than free surface and bus-bar: all is held by the overlap."""
    study = result.device.transverse
    assert study.main.number == 1
    # More uniform than the cosine of hard walls: it spreads into the dummy fingers.
    assert 8.0 / np.pi**2 < study.main.excitation < 0.95
    assert study.main.confinement > 0.95
    assert 0.97 < study.guided_share < 1.0
    assert [row[0] for row in study.regions] == [
        "overlap",
        "end gap",
        "dummy fingers",
        "bus-bar",
        "free surface",
    ]
    # Parabola of ST-X: f_n - f_0 = (1 + g)(n lambda/2W)^2 f_0/2 with g = 0.38 (from memory), the
    # mode reaching a little beyond W.
    g = study.regions[0][3]
    assert g == pytest.approx(0.39, abs=0.03)
    third = study.modes[2]
    limit = (1.0 + g) * (3.0 / 80.0) ** 2 * study.regions[0][2] / 2.0
    assert 0.75 * limit < third.frequency - study.regions[0][2] < limit
    assert np.nanmax(study.errors) < 10.0
    # The response is that with modes: beside the fundamental stands the third.
    assert result.device.response.y[:, 0, 0] == pytest.approx(study.admittance, rel=1e-12)
    beside = study.admittance.real / study.uniform.real
    at = study.frequency / result.device.response.figures["resonance"].value
    expected = third.frequency / study.modes[0].frequency
    assert beside[np.abs(at / expected - 1.0) < 2e-4].max() > 1.5
    assert any("the response has the guided transverse modes" in text for text in result.warnings)
    figure = result.device.response.figures["resonance"]
    assert figure.uncertainty is not None
    assert "static_capacitance" in result.device.response.figures


def test_files_hold_all_of_it(result, folder):
    place = folder / "results"
    told = json.loads((place / "constants.json").read_text(encoding="utf-8"))
    study = result.device.transverse
    found = told["device"]["transverse"]
    assert found["modes"][2]["name"] == "transverse mode 3"
    assert "transverse mode 3" in [item["name"] for item in told["device"]["spurious"]]
    assert found["modes"][2]["transverse_mode_frequency_hz"] == study.modes[2].frequency
    assert len(found["against_aperture"]["aperture_m"]) == 2
    again = read_hdf5(place / "result.h5").device.transverse
    assert again.to_dict() == study.to_dict()
    assert again.admittance == pytest.approx(study.admittance)
    assert again.uniform == pytest.approx(study.uniform)
    assert again.modes[0].profile == pytest.approx(study.modes[0].profile)
    for name in ("apertures", "profiles", "response"):
        assert (place / "pictures" / f"transverse-{name}.png").stat().st_size > 10_000


def test_a_study_without_modes_goes_into_a_file_and_back(result, tmp_path):
    study = result.device.transverse
    empty = np.empty(0)
    none = replace(
        study,
        modes=(),
        errors=empty,
        swept_frequency=np.empty((2, 0)),
        swept_excitation=np.empty((2, 0)),
        frequency=empty,
        admittance=empty.astype(complex),
        uniform=empty.astype(complex),
        figures={},
        leaky=(LeakyMode(1, 8.7e8 + 1e4j),),
    )
    with h5py.File(tmp_path / "none.h5", "w") as file:
        write_transverse(file.create_group("transverse"), none)
        again = read_transverse(Node(file["transverse"], "none.h5"))
    assert again.to_dict() == none.to_dict()
    assert again.leaky[0].quality_factor == pytest.approx(43500.0)
    assert again.to_dict()["main"] is None
    bad = tmp_path / "bad.h5"
    with h5py.File(bad, "w") as file:
        write_transverse(file.create_group("transverse"), none)
        del file["transverse/regions"]
        file["transverse/regions"] = '{"regions": [[1]]}'
        with pytest.raises(InputError, match="regions"):
            read_transverse(Node(file["transverse"], "bad.h5"))


def test_a_sweep_takes_the_modes_along_where_the_response_has_them():
    """Resonance against aperture by the worker of a sweep: it rises as the aperture narrows."""
    case = Case.from_toml(TEXT)
    found = []
    for aperture in ("15 wavelength", "60 wavelength"):
        resolved = case.edit({"device.aperture": aperture}).resolved()
        found.append(numbers(resolved, "device"))
    narrow, wide = (row["values"]["figures.resonance"] for row in found)
    # (1 + g)(lambda/2W)^2/2 with g = 0.39, between hard walls at W and at the ends of the dummies
    shifts = [
        0.695 * (0.25 / w**2 - 0.25 / (w + 45.0) ** 2) for w in (15.0, 15.0 + 2.0 * 2.5 + 2.0)
    ]
    assert shifts[1] < narrow / wide - 1.0 < shifts[0]


def test_pictures_say_what_they_show(result):
    with style.house_style():
        figure = draw_against_aperture(result.device.transverse)
        assert "wavelengths" in figure.axes[1].get_xlabel()
        lines = figure.axes[0].collections[0].get_offsets()
        assert lines.shape[1] == 2
        profiles = draw_profiles(result.device.transverse)
        assert "x2" in profiles.axes[0].get_xlabel()
        assert len(draw_with_modes(result.device.transverse).axes) == 2


def test_the_screen_lists_them(result, capsys):
    show_device(result.device)
    told = capsys.readouterr().out
    assert "transverse mode 1 (main)" in told
    assert "transverse mode 3" in told
    assert "guided at an aperture of 40 wavelengths" in " ".join(told.split())


@pytest.mark.parametrize(
    ("old", "new", "text"),
    [
        (
            'include = ["transverse-modes"]',
            "",
            None,  # device.transverse_modes still asks
        ),
        (
            "transverse_modes = true\n",
            "",
            None,  # results.include still asks
        ),
        (
            'apertures = ["20 wavelength"',
            'apertures = ["0.5 wavelength"',
            r'transverse.apertures\[0\]: found "0.5 wavelength", less than a wavelength',
        ),
        ("busbar_width", "busbar_with", "nearest: busbar_width"),
    ],
)
def test_keys_are_checked(old, new, text):
    changed = TEXT.replace(old, new)
    assert changed != TEXT
    if text is None:
        assert Case.from_toml(changed).resolved().transverse is not None
    else:
        with pytest.raises(CaseError, match=text):
            Case.from_toml(changed).resolved()


def test_what_has_no_modes_across_is_refused():
    idle = TEXT.replace("transverse_modes = true\n", "").replace(
        'include = ["transverse-modes"]\n', ""
    )
    with pytest.raises(CaseError, match="a table that nothing asks for"):
        Case.from_toml(idle).resolved()
    start, stop = TEXT.index("[device]"), TEXT.index("[transverse]")
    constants = TEXT[:start] + TEXT[stop:]
    with pytest.raises(CaseError, match=r'results.include: found "transverse-modes" with no'):
        Case.from_toml(constants).resolved()
    filter_ = TEXT.replace('"resonator"', '"transversal"').replace("= 201", "= [41, 41]")
    filter_ = filter_.replace("reflector_fingers = [300, 300]", 'gap = "50 wavelength"')
    filter_ = filter_.replace("transverse_modes = true\n", "")
    with pytest.raises(CaseError, match=r"device.kind = .transversal"):
        Case.from_toml(filter_).resolved()


def test_a_window_weights_the_drive():
    weighted = TEXT.replace("[transverse]", '[transverse]\nwindow = "hann"')
    overlaps = Case.from_toml(weighted).resolved().transverse.overlaps
    assert len(overlaps) == 201
    assert max(overlaps) == pytest.approx(1.0, abs=1e-4)
