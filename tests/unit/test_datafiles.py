"""Lookup of shipped data and the guarded reading of TOML."""

import pytest

from sawfem import datafiles
from sawfem.errors import CaseError, InputError, MaterialError, NotFoundError


def test_shipped_materials_are_found_in_a_checkout_or_a_wheel():
    names = datafiles.shipped_names("materials")
    assert "lithium-niobate/kovacs-1990" in names
    assert list(names) == sorted(names)
    assert datafiles.shipped_file("materials", names[0]).is_file()


def test_the_package_goes_before_the_checkout(tmp_path, monkeypatch):
    package = tmp_path / "sawfem"
    (tmp_path / "materials").mkdir()
    package.mkdir()
    monkeypatch.setattr(datafiles, "_PACKAGE", package)
    assert datafiles.data_directory("materials") == tmp_path / "materials"
    (package / "data" / "materials").mkdir(parents=True)
    assert datafiles.data_directory("materials") == package / "data" / "materials"
    with pytest.raises(NotFoundError, match="cases"):
        datafiles.data_directory("cases")


def refuse(raw, match):
    with pytest.raises(CaseError, match=match) as caught:
        datafiles.parse_toml(raw, shown="buoy.toml", error=CaseError)
    assert str(caught.value).startswith("buoy.toml: ")
    assert len(str(caught.value)) < 300


def test_ten_megabytes_are_refused_before_parsing():
    refuse(b"a = 1\n" * 1_700_000, "more than 256 kB")


def test_a_long_dotted_key_is_refused_before_parsing():
    refuse(b".".join([b"a"] * 10_000) + b" = 1", "lines of at most 2000 characters")


@pytest.mark.parametrize(
    "raw",
    [
        b"a = " + b"[\n" * 60_000 + b"]\n" * 60_000,
        b"a = [" + b"[" * 900 + b"]" * 900 + b"]",
        b"a = " + b"{b=" * 450 + b"1" + b"}" * 450,
        b"a" + b".a" * 900 + b" = 1",
        b"a = " + b"9" * 1900,
        b"\xff\xfe",
        b"a = \x00",
        b"a = 1\na = 2",
    ],
)
def test_hostile_bytes_end_in_an_input_error_or_a_table(raw):
    try:
        table = datafiles.parse_toml(raw, shown="buoy.toml")
    except InputError as error:
        found = error.file
    else:
        found = "buoy.toml" if set(table) == {"a"} else None
    assert found == "buoy.toml"


def test_deep_nesting_is_named():
    refuse(b"a = " + b"[\n" * 60_000 + b"]\n" * 60_000, "nested too deeply")


def test_a_syntax_error_tells_the_line():
    refuse(b"a = 1\nb = = 2\n", "found line 2, 'b = = 2', which is not TOML")


def test_a_file_that_is_not_there_or_is_no_file(tmp_path):
    with pytest.raises(MaterialError, match=r"gone\.toml: found no such file"):
        datafiles.read_toml(tmp_path / "gone.toml", error=MaterialError)
    with pytest.raises(InputError, match="a folder"):
        datafiles.read_toml(tmp_path)
    with pytest.raises(InputError, match="no such file"):
        datafiles.read_toml(tmp_path / "a\0b.toml", shown="a.toml")


def test_a_device_that_never_ends_is_not_read():
    with pytest.raises(InputError, match="expected a TOML file"):
        datafiles.read_toml(datafiles.Path("/dev/zero"))
