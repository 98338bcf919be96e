"""result.h5: everything comes back, it explains itself, and what others made is not trusted."""

import json
from dataclasses import fields, replace

import h5py
import numpy as np
import pytest

from sawfem.errors import InputError, NotFoundError, OutputError, SawfemError
from sawfem.export import open_result, read_hdf5, write_hdf5
from sawfem.export.hdf5_read import source_path
from sawfem.quantities import table
from sawfem.result import device_result


@pytest.fixture(scope="module")
def written(whole_result, tmp_path_factory):
    path = tmp_path_factory.mktemp("h5") / "result.h5"
    return write_hdf5(whole_result, path, source="../../cases/b.toml")


@pytest.fixture
def copy(written, tmp_path):
    target = tmp_path / "copy.h5"
    target.write_bytes(written.read_bytes())
    return target


def test_everything_comes_back(whole_result, written):
    back = read_hdf5(written)
    assert back.to_dict() == whole_result.to_dict()
    for name in ("title", "case_name", "case_source", "resolved", "warnings", "cautions"):
        assert getattr(back, name) == getattr(whole_result, name), name
    for name in ("materials", "versions", "created"):
        assert getattr(back, name) == getattr(whole_result, name), name
    assert list(back.checks) == list(whole_result.checks)

    here, there = whole_result.grating, back.grating
    assert there.constants == here.constants
    assert there.waves == here.waves
    for name in ("frequency", "harmonic_admittance", "two_mode_admittance"):
        np.testing.assert_array_equal(getattr(there, name), getattr(here, name))
    assert [mode.edge for mode in there.modes] == [mode.edge for mode in here.modes]
    for a, b in zip(here.modes, there.modes, strict=True):
        for item in fields(a):
            np.testing.assert_array_equal(getattr(a, item.name), getattr(b, item.name))

    first, second = whole_result.device, back.device
    assert second.ports == first.ports
    assert second.description == first.description
    for name in ("frequency", "s", "y", "reference", "group_delay"):
        np.testing.assert_array_equal(getattr(second.response, name), getattr(first.response, name))
    assert second.response.figures == first.response.figures
    assert second.response.checks == first.response.checks


def test_what_is_unknown_comes_back_unknown(whole_result, tmp_path):
    grating = whole_result.grating
    lame = replace(
        grating.constants,
        velocity=None,
        stopband_short=(8.6e8, None),
        transduction_per_electrode=None,
        fit_band=None,
        numerical={"stopband_short": (10.0, None)},
        reasons={"velocity": "one edge only", "fit_band": "one edge only"},
    )
    changed = replace(grating, constants=lame, two_mode_admittance=None, modes=())
    gratings = {"zz": changed, "aa": grating}
    result = replace(whole_result, gratings=gratings, device=None, warnings=())
    back = read_hdf5(write_hdf5(result, tmp_path / "r.h5"))
    assert back.constants == lame
    assert back.grating.two_mode_admittance is None
    assert back.grating.modes == ()
    assert back.device is None
    assert back.warnings == ()
    assert list(back.gratings) == ["zz", "aa"]  # order of the case, not of the alphabet
    with h5py.File(tmp_path / "r.h5") as file:
        velocity = file["grating/zz/constants/velocity"]
        assert np.isnan(velocity[()])
        assert velocity.attrs["reason"] == "one edge only"


def test_file_explains_itself(written, whole_result):
    with h5py.File(written) as file:
        assert file.attrs["format"] == "sawfem-result"
        assert file.attrs["format_version"] == "1.0"
        assert file["conventions"].asstr()[()].startswith("Signs, axes and scales")
        assert "dR/dx" in file["conventions"].asstr()[()]
        assert file["waves"] == file["grating/main/waves"]  # one group of two names
        material = file["materials/lithium-niobate/kovacs-1990"]
        assert material.attrs["provenance"] == "reproduced"
        assert len(material.attrs["sha256"]) == 64
        row = table()["velocity"]
        velocity = file["grating/main/constants/velocity"]
        assert velocity.attrs["unit"] == "m/s"
        assert velocity.attrs["definition"] == row.definition
        bar = file["grating/main/constants/velocity_uncertainty"]
        assert bar.attrs["uncertainty_of"] == "velocity"
        assert bar.attrs["kind"] == "numerical"
        assert bar.attrs["unit"] == "m/s"
        admittance = file["grating/main/harmonic_admittance"]
        assert admittance.dtype == np.complex128
        assert [dim.label for dim in admittance.dims] == ["frequency", "phase"]
        np.testing.assert_array_equal(
            admittance.dims[0]["frequency"][()], whole_result.grating.frequency
        )
        assert admittance.dims[1][0][()] == pytest.approx(np.pi)
        scattering = file["device/s"]
        assert scattering.shape == (161, 1, 1)
        assert scattering.dims[0][0].name == "/device/frequency"
        assert file["device/group_delay"].attrs["unit"] == "s"
        check = file["checks/device.reciprocity"]
        assert bool(check.attrs["ok"]) is True
        assert file["case"].attrs["source_path"] == "../../cases/b.toml"

    def has_unit(name, item):
        numeric = isinstance(item, h5py.Dataset) and item.dtype.kind in "fc"
        if numeric and not name.startswith("checks/") and not name.endswith("outlines"):
            assert "unit" in item.attrs, name

    with h5py.File(written) as file:
        file.visititems(has_unit)


def test_two_port_and_names(whole_result, two_port, tmp_path):
    device = device_result("transversal", two_port, names=["antenna", "receiver"])
    back = read_hdf5(write_hdf5(replace(whole_result, device=device), tmp_path / "r.h5"))
    assert back.device.ports == device.ports
    np.testing.assert_array_equal(back.device.response.s, two_port.s)


def test_source_path(written):
    assert source_path(written) == "../../cases/b.toml"


def test_newer_major_version_is_refused_naming_both(copy):
    with h5py.File(copy, "a") as file:
        file.attrs["format_version"] = "2.3"
    with pytest.raises(InputError, match=r"2\.3.*1\.x"):
        read_hdf5(copy)


def test_newer_minor_version_with_more_items_is_read(copy, whole_result):
    with h5py.File(copy, "a") as file:
        file.attrs["format_version"] = "1.7"
        file["grating/main/constants/loudness"] = 3.0
        file["grating/main/new_thing"] = np.arange(3)
        file["device/figures/loudness"] = 1.0
    assert read_hdf5(copy).to_dict() == whole_result.to_dict()


def test_files_that_are_no_result(tmp_path):
    with pytest.raises(NotFoundError, match="no such file"):
        read_hdf5(tmp_path / "none.h5")
    text = tmp_path / "text.h5"
    text.write_text("not HDF5")
    with pytest.raises(InputError, match="no HDF5 file"):
        read_hdf5(text)
    with h5py.File(tmp_path / "other.h5", "w") as file:
        file["x"] = 1.0
    with pytest.raises(InputError, match="another kind"):
        read_hdf5(tmp_path / "other.h5")
    with pytest.raises(NotFoundError, match="no such folder"):
        open_result(tmp_path / "nowhere")


def replaced(name, value):
    def change(file):
        del file[name]
        file[name] = value

    return change


def deleted(name):
    def change(file):
        del file[name]

    return change


def linked(name, link):
    def change(file):
        del file[name]
        file[name] = link

    return change


DAMAGES = {
    "array of another length": replaced("device/s", np.zeros((5, 1, 1), complex)),
    "array of another rank": replaced("device/y", np.zeros(161, complex)),
    "text for numbers": replaced("grating/main/frequency", "a text"),
    "complex for real": replaced("device/frequency", np.zeros(161, complex)),
    "number for text": replaced("case/source", 1.0),
    "no JSON": replaced("case/resolved", "{"),
    "JSON that is a list": replaced("case/resolved", "[]"),
    "deep JSON": replaced("case/resolved", "[" * 100_000),
    "missing group": deleted("checks"),
    "missing array": deleted("grating/main/mode/short lower/displacement"),
    "group for array": deleted("device/y"),
    "triangle outside": lambda file: file["grating/main/mode/short lower/triangles"].write_direct(
        np.full(file["grating/main/mode/short lower/triangles"].shape, 10**6)
    ),
    "link to another file": linked("case/source", h5py.ExternalLink("/etc/passwd", "/x")),
    "soft link": linked("case/source", h5py.SoftLink("/conventions")),
    "missing attribute": lambda file: file["checks/device.passivity"].attrs.pop("limit"),
    "attribute of another kind": lambda file: file.attrs.__setitem__("title", np.zeros(3)),
    "odd version": lambda file: file.attrs.__setitem__("format_version", "one"),
    "huge array": lambda file: (
        file.__delitem__("grating/main/frequency"),
        file.create_dataset("grating/main/frequency", shape=(10**10,), dtype="f8", chunks=(10**6,)),
    ),
}


@pytest.mark.parametrize("change", DAMAGES.values(), ids=DAMAGES.keys())
def test_damaged_data_is_refused_naming_file_and_key(copy, change):
    with h5py.File(copy, "a") as file:
        change(file)
    with pytest.raises(SawfemError) as caught:
        read_hdf5(copy)
    assert caught.value.file == copy.as_posix()
    assert "expected" in str(caught.value)


def test_cut_file_is_refused(copy):
    whole = copy.read_bytes()
    for length in (10, 1000, len(whole) // 2, len(whole) - 100):
        copy.write_bytes(whole[:length])
        with pytest.raises(SawfemError):
            read_hdf5(copy)


def test_place_that_cannot_be_written(whole_result, tmp_path):
    with pytest.raises(OutputError, match="expected a place"):
        write_hdf5(whole_result, tmp_path / "missing" / "r.h5")


def test_resolved_is_json_safe(whole_result, tmp_path):
    back = read_hdf5(write_hdf5(whole_result, tmp_path / "r.h5"))
    assert json.dumps(back.resolved) == json.dumps(whole_result.resolved)


def test_losses_by_mechanism_survive(whole_result, tmp_path):
    losses = {"short lower": {"radiation": 0.0, "aluminium, mechanical": 0.0018}}
    grating = replace(whole_result.grating, losses=losses)
    result = replace(whole_result, gratings={grating.name: grating})
    assert read_hdf5(write_hdf5(result, tmp_path / "r.h5")).grating.losses == losses
    told = result.to_dict()["gratings"][grating.name]["losses_dB_per_wavelength"]
    assert told == losses


def test_every_number_tells_its_unit(whole_result, tmp_path):
    # A file outlives the program that wrote it: no dataset of real or complex numbers without a
    # unit ("" is a pure number). Checks hold numbers of any kind beside their limits.
    bare = []

    def look(name, item):
        number = isinstance(item, h5py.Dataset) and item.dtype.kind in "fc"
        if number and "checks/" not in name and "unit" not in item.attrs:
            bare.append(name)

    with h5py.File(write_hdf5(whole_result, tmp_path / "r.h5")) as file:
        file.visititems(look)
    assert bare == []
