"""results/<case>/: whole or not at all, never mixed, never somebody else's."""

import json
import os
import tempfile
from dataclasses import replace
from pathlib import Path

import pytest

import sawfem.export.folder as folder_module
from sawfem.errors import OutputError
from sawfem.export import open_result, prepare_folder, save_result


@pytest.fixture
def place(tmp_path):
    return tmp_path / "results" / "b-buoy-resonator"


@pytest.fixture
def case(tmp_path):
    path = tmp_path / "cases" / "b-buoy-resonator.toml"
    path.parent.mkdir()
    path.write_text('title = "Buoy 7"\n')
    return path


def save(result, place, **more):
    return save_result(result, place, pictures=False, log="done\n", **more)


def tree(folder):
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in files(folder)}


def files(folder):
    return sorted(path for path in Path(folder).rglob("*") if path.is_file())


def beside(place):
    return sorted(path.name for path in place.parent.iterdir())


def test_whole_folder(whole_result, place, case, monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)
    saved = save_result(whole_result, "results/b-buoy-resonator", source=case, log="done\n")
    assert saved.files == (
        "results/b-buoy-resonator/constants.json",
        "results/b-buoy-resonator/result.h5",
        "results/b-buoy-resonator/case.toml",
        "results/b-buoy-resonator/log.txt",
        "results/b-buoy-resonator/b-buoy-resonator.s1p",
        "results/b-buoy-resonator/pictures/harmonic-admittance.png",
        "results/b-buoy-resonator/pictures/harmonic-admittance.svg",
        "results/b-buoy-resonator/pictures/cell.png",
        "results/b-buoy-resonator/pictures/cell.svg",
        "results/b-buoy-resonator/pictures/mode.png",
        "results/b-buoy-resonator/pictures/mode.svg",
        "results/b-buoy-resonator/pictures/response.png",
        "results/b-buoy-resonator/pictures/response.svg",
    )
    for name in saved.files:
        assert Path(name).stat().st_size > 0
    assert len(files(place)) == len(saved.files)
    written = json.loads((place / "constants.json").read_text(encoding="utf-8"))
    assert written == saved.to_dict()
    assert written["device"]["touchstone"] == saved.files[4]
    assert (place / "case.toml").read_bytes() == whole_result.case_source.encode()
    assert (place / "log.txt").read_text() == "done\n"
    assert beside(place) == ["b-buoy-resonator"]
    for name in ("constants.json", "b-buoy-resonator.s1p"):  # no machine's folders
        assert str(tmp_path) not in (place / name).read_text(encoding="utf-8")
    back = open_result("results/b-buoy-resonator")
    assert sorted(back.files) == sorted(saved.files)


def test_new_result_replaces_the_old_one_without_mixing(whole_result, place, case):
    save(whole_result, place, source=case)
    assert (place / "b-buoy-resonator.s1p").is_file()
    save(replace(whole_result, device=None, title="second"), place, source=case)
    assert not (place / "b-buoy-resonator.s1p").exists()
    assert open_result(place).title == "second"
    assert beside(place) == ["b-buoy-resonator"]


@pytest.mark.parametrize("stop", [OSError(28, "No space left on device"), KeyboardInterrupt()])
@pytest.mark.parametrize("where", ["write_hdf5", "write_touchstone", "constants_text", "swap_in"])
def test_failure_on_the_way_leaves_the_old_result(
    whole_result, place, case, monkeypatch, stop, where
):
    save(whole_result, place, source=case)
    before = tree(place)

    def broken(*args, **keywords):
        raise stop

    monkeypatch.setattr(folder_module, where, broken)
    expected = OutputError if isinstance(stop, OSError) else KeyboardInterrupt
    with pytest.raises(expected) as caught:
        save(whole_result, place, source=case)
    if expected is OutputError:
        assert "no space left on device" in str(caught.value)
        assert "--out" in str(caught.value)
    assert tree(place) == before
    assert beside(place) == ["b-buoy-resonator"]


def test_failure_of_the_first_run_leaves_nothing(whole_result, place, monkeypatch):
    def broken(*args, **keywords):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(folder_module, "write_hdf5", broken)
    with pytest.raises(OutputError):
        save(whole_result, place)
    assert beside(place) == []


def test_rename_that_fails_puts_the_old_result_back(whole_result, place, monkeypatch):
    save(whole_result, place)
    before = tree(place)
    rename = Path.rename

    def second_fails(self, target):
        if self.name.endswith(".new"):
            raise OSError(13, "Permission denied")
        return rename(self, target)

    monkeypatch.setattr(Path, "rename", second_fails)
    with pytest.raises(OutputError, match="permission denied"):
        save(whole_result, place)
    assert tree(place) == before
    assert beside(place) == ["b-buoy-resonator"]


def test_killed_between_the_renames_is_mended(whole_result, place):
    save(whole_result, place)
    before = tree(place)
    place.rename(place.with_name(".b-buoy-resonator.old"))
    place.with_name(".b-buoy-resonator.new").mkdir()
    (place.with_name(".b-buoy-resonator.new") / "result.h5").write_bytes(b"half")
    prepare_folder(place)
    assert tree(place) == before
    assert beside(place) == ["b-buoy-resonator"]


def test_killed_before_the_old_one_was_removed_is_mended(whole_result, place):
    save(whole_result, place)
    before = tree(place)
    old = place.with_name(".b-buoy-resonator.old")
    old.mkdir()
    (old / "result.h5").write_bytes(b"older")
    prepare_folder(place)
    assert tree(place) == before
    assert beside(place) == ["b-buoy-resonator"]


def test_other_case_of_the_same_name_is_refused(whole_result, place, case, tmp_path):
    save(whole_result, place, source=case)
    other = tmp_path / "elsewhere" / case.name
    other.parent.mkdir()
    other.write_text("")
    before = tree(place)
    with pytest.raises(OutputError, match=r"another case file.*--out") as caught:
        prepare_folder(place, source=other)
    assert "cases/b-buoy-resonator.toml" in str(caught.value)
    with pytest.raises(OutputError):
        save(whole_result, place, source=other)
    assert tree(place) == before
    prepare_folder(place, source=case)
    prepare_folder(place)  # a case made in Python has no file


def test_project_may_move_as_a_whole(whole_result, tmp_path):
    home = tmp_path / "home"
    (home / "cases").mkdir(parents=True)
    case = home / "cases" / "buoy.toml"
    case.write_text("")
    save(whole_result, home / "results" / "buoy", source=case)
    moved = tmp_path / "moved"
    home.rename(moved)
    prepare_folder(moved / "results" / "buoy", source=moved / "cases" / "buoy.toml")


def test_folders_that_are_no_result_are_left_alone(whole_result, place, case):
    place.mkdir(parents=True)
    prepare_folder(place)  # empty
    for name in ("case.toml", "notes.txt", ".git"):
        (place / name).write_text("mine")
        with pytest.raises(OutputError, match="would be lost"):
            save(whole_result, place, source=case)
        assert (place / name).read_text() == "mine"
        (place / name).unlink()
    save(whole_result, place, source=case)
    (place / "pictures").mkdir()
    (place / "pictures" / "mine.ods").write_text("mine")
    with pytest.raises(OutputError, match=r"pictures/mine\.ods"):
        prepare_folder(place, source=case)
    (place / "pictures" / "mine.ods").unlink()
    (place / ".DS_Store").write_text("")
    prepare_folder(place, source=case)
    (place / "result.h5").write_text("not HDF5")
    with pytest.raises(OutputError, match="cannot be read"):
        prepare_folder(place, source=case)


def test_places_that_cannot_be_written(whole_result, tmp_path):
    (tmp_path / "file").write_text("")
    for place in (tmp_path / "file", tmp_path / "file" / "below"):
        with pytest.raises(OutputError) as caught:
            prepare_folder(place)
        assert str(tmp_path / "file") in str(caught.value)
    assert (tmp_path / "file").read_text() == ""
    for name in (".", "..", "/"):
        with pytest.raises(OutputError, match="a folder of its own"):
            prepare_folder(name)
    (tmp_path / "real").mkdir()
    (tmp_path / "link").symlink_to(tmp_path / "real")
    with pytest.raises(OutputError, match="a link"):
        prepare_folder(tmp_path / "link")


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="permissions bind others only")
def test_folder_without_permission(whole_result, tmp_path):
    locked = tmp_path / "locked"
    locked.mkdir(mode=0o500)
    with pytest.raises(OutputError, match=r"permission denied.*--out"):
        save(whole_result, locked / "buoy")
    assert list(locked.iterdir()) == []


def test_read_only_file_system_is_told(tmp_path, monkeypatch):
    def refuse(*args, **keywords):
        raise OSError(30, "Read-only file system")

    monkeypatch.setattr(tempfile, "TemporaryDirectory", refuse)
    with pytest.raises(OutputError, match=r"read-only file system.*--out"):
        prepare_folder(tmp_path / "buoy")
