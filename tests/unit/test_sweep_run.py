"""Sweeps as they run: stores, resumption, workers that end, what is refused, the command."""

from __future__ import annotations

import json
import os
import shutil
import signal
import sqlite3
import subprocess
import time
from pathlib import Path

import h5py
import numpy as np
import pytest

import sawfem as sf
from sawfem.case import Case
from sawfem.cli import main
from sawfem.design import Stack
from sawfem.errors import NotFoundError, OutputError, SawfemError
from sawfem.export.sweep_hdf5 import read_sweep, write_sweep
from sawfem.planewave import plane_waves
from sawfem.sweep import places
from sawfem.sweep.hands import LOST_MESSAGE
from sawfem.sweep.plan import plan_sweep
from sawfem.sweep.run import SweepProgress, execute_sweep, sweep_status
from sawfem.sweep.store import Row, Store
from sawfem.sweep.view import open_sweep
from tests.support import sweeps
from tests.support.commands import SAWFEM, environment, interrupted


@pytest.fixture(autouse=True)
def _in_an_empty_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def written(points: int = 21, name: str = "cuts.toml", **replaced: str) -> str:
    text = sweeps.WAVES.format(points=points)
    for old, new in replaced.items():
        text = text.replace(old, new)
    Path(name).write_text(text, encoding="utf-8")
    return name


def plan_of(points: int = 21):
    return plan_sweep(Case.load(written(points)))


def run(plan, folder: str, function=sweeps.invented, workers: int = 0, **more):
    return execute_sweep(plan, folder=Path(folder), workers=workers, function=function, **more)


def test_points_are_what_plane_waves_give_alone() -> None:
    """The real point function, against the solver asked for one cut."""
    table = sf.run_sweep(Case.load(written(3)), workers=0)
    assert table.shape == (3,)
    single = plane_waves(Stack("quartz/bechmann-1958", cut="(YXl)40"))[0]
    assert table.values["velocity_free"][1] == single.velocity_free
    assert table.values["coupling_k2"][1] == single.coupling_k2
    assert Path("results/cuts.sweep/sweep.h5").stat().st_size > 1000


def test_an_interrupted_sweep_gives_the_same_file() -> None:
    """Interrupted after every third report, in this process; bit by bit."""
    whole = run(plan_of(), "whole")
    seen = []

    def impatient(how_far: SweepProgress) -> None:
        seen.append(how_far.done + how_far.failed)
        if how_far.done and len(seen) % 3 == 0:
            raise KeyboardInterrupt

    for _ in range(20):
        try:
            parts = run(plan_of(), "parts", progress=impatient)
            break
        except KeyboardInterrupt:
            assert not Path("parts/sweep.h5").exists()
    assert Path(parts.files[0]).read_bytes() == Path(whole.files[0]).read_bytes()
    assert seen == sorted(seen)


def test_what_is_known_is_not_computed_again() -> None:
    """Neither by the same sweep, nor by a longer one with the same points among its own."""
    case = written(11)
    plan = plan_sweep(Case.load(case))
    run(plan, "here", sweeps.counted)
    run(plan, "here", sweeps.counted)
    assert len(Path("computed.txt").read_text().split()) == 11
    longer = plan_sweep(Case.load(written(21)))
    table = run(longer, "here", sweeps.counted).table
    assert len(Path("computed.txt").read_text().split()) == 21
    assert table.done == 21
    assert sweep_status(Case.load(written(21)), Path("here")).done == 21


def test_a_store_that_was_copied_goes_on(monkeypatch: pytest.MonkeyPatch) -> None:
    """Half a sweep, case and folder copied to another place: nothing is computed twice there."""

    def halfway(how_far: SweepProgress) -> None:
        if how_far.done >= 8:
            raise KeyboardInterrupt

    Path("there").mkdir()
    plan = plan_sweep(Case.load(written(21, "there/cuts.toml")))
    with pytest.raises(KeyboardInterrupt):
        run(plan, "there/kept", sweeps.counted, progress=halfway)
    first = set(Path("there/computed.txt").read_text().split())
    shutil.copytree("there", "elsewhere/on/another/machine")
    monkeypatch.chdir("elsewhere/on/another/machine")
    plan = plan_sweep(Case.load("cuts.toml"))
    moved = run(plan, "kept", sweeps.counted)
    lines = Path("computed.txt").read_text().split()
    assert 8 <= len(first) < 21
    assert len(lines) == len(set(lines)) == 21
    whole = run(plan, "whole", sweeps.counted)
    assert Path(moved.files[0]).read_bytes() == Path(whole.files[0]).read_bytes()


def test_failures_are_kept_and_stop_nothing() -> None:
    table = run(plan_of(), "here").table
    assert (table.done, table.failed) == (15, 6)
    assert table.message[15] == "45.0 is too far"
    assert np.isnan(table.values["velocity_free"][15:]).all()
    assert table.masked("velocity_free").mask.sum() == 6
    assert next(table.messages()) == ((15,), "45.0 is too far")


def test_a_point_that_cannot_be_computed_says_why() -> None:
    """Real points: a conductor in a list of crystals; a name that is none is refused at once."""
    text = sweeps.WAVES.format(points=2).split("[[sweep.axis]]")[0]
    text += '[[sweep.axis]]\nkey = "substrate.material"\nvalues = ['
    text += '"quartz/bechmann-1958", "aluminium/kaye-laby", "quartz/bechmann-1958-ieee1978"]\n'
    with pytest.raises(NotFoundError, match="nearest: quartz/bechmann-1958"):
        plan_sweep(Case.from_toml(text.replace("-ieee1978", "-ieee")))
    table = sf.run_sweep(Case.from_toml(text), folder="here", workers=0)
    assert list(table.status) == [0, 1, 0]
    assert "substrate.material: found aluminium/kaye-laby, a conductor" in table.message[1]
    assert table.coordinates[0].is_words
    again = open_sweep("here")
    assert list(again.coordinates[0].values) == list(table.coordinates[0].values)


def test_workers_that_end(tmp_path: Path) -> None:
    """One point kills its process every time, another once: three tries, then the rest goes on."""
    table = run(plan_of(), "here", sweeps.deadly, workers=2).table
    assert table.message[10] == LOST_MESSAGE
    assert Path("deaths.txt").read_text() in ("xx", "xxx")
    assert (table.done, table.failed) == (14, 7)
    assert table.status[5] == 0
    # A point that was lost is tried anew by the next run; the others are not.
    again = run(plan_of(), "here", sweeps.invented).table
    assert (again.done, again.failed) == (15, 6)


def test_arrays_read_back() -> None:
    table = run(plan_of(), "here").table
    for path in ("here", "here/store.sqlite", "here/sweep.h5"):
        again = sf.open_sweep(path)
        assert again.title == table.title
        assert again.dimensions == ("substrate.rotations[0]",)
        np.testing.assert_array_equal(again.values["velocity_free"], table.values["velocity_free"])
        np.testing.assert_array_equal(again.status, table.status)
        assert list(again.message) == list(table.message)
        np.testing.assert_array_equal(again.coordinates[0].values, np.linspace(30.0, 50.0, 21))
        assert again.coordinates[0].unit == "deg"


def test_slices_and_best_points() -> None:
    table = run(plan_of(), "here").table
    best = table.best("velocity_free", largest=True, count=2)
    assert [row["substrate.rotations[0]"] for row in best] == [44.0, 43.0]
    assert table.at("substrate.rotations[0]", "38.2 deg").values["velocity_free"] == [3038.0]
    with pytest.raises(NotFoundError, match="velocity_free"):
        table.best("velocity")
    with pytest.raises(NotFoundError, match=r"substrate\.rotations\[0\]"):
        table.at("substrate.rotation", 3)


def test_as_xarray() -> None:
    xarray = pytest.importorskip("xarray")
    table = run(plan_of(), "here").table
    found = table.to_xarray()
    assert isinstance(found, xarray.Dataset)
    chosen = found["velocity_free"].sel({"substrate.rotations[0]": 33.0})
    assert float(chosen) == 3033.0
    assert found["velocity_free"].attrs["units"] == "m/s"


def test_hdf5_has_labelled_axes() -> None:
    run(plan_of(), "here")
    with h5py.File("here/sweep.h5") as file:
        assert file.attrs["format"] == "sawfem-sweep"
        velocity = file["values/velocity_free"]
        assert velocity.attrs["unit"] == "m/s"
        assert velocity.dims[0].label == "substrate.rotations[0]"
        np.testing.assert_array_equal(velocity.dims[0][0][()], np.linspace(30.0, 50.0, 21))
        assert file["status"].dtype == np.int8
        assert file["materials/quartz/bechmann-1958"].attrs["provenance"] == "reproduced"
        assert "cut" in file["case/source"].asstr()[()]


def test_damaged_files_are_told_in_one_line() -> None:
    table = run(plan_of(), "here").table
    for name, change in (
        ("status", lambda file: file["status"].write_direct(np.full(21, 7, np.int8))),
        ("velocity_fre", lambda file: file["values"].move("velocity_free", "velocity_fre")),
        ("message", lambda file: file.__delitem__("message")),
        ("dimensions", lambda file: file.attrs.__setitem__("dimensions", "no")),
        ("format", lambda file: file.attrs.__setitem__("format_version", "2.0")),
    ):
        write_sweep(table, "one.h5")
        with h5py.File("one.h5", "a") as file:
            change(file)
        with pytest.raises(SawfemError, match=name) as refused:
            read_sweep("one.h5")
        assert "\n" not in str(refused.value)
    Path("other.h5").write_bytes(b"nothing")
    with pytest.raises(SawfemError, match="HDF5"):
        open_sweep("other.h5")
    Path("store.sqlite").write_bytes(b"nothing of the kind" * 100)
    with pytest.raises(SawfemError, match="no store of a sweep"):
        open_sweep("store.sqlite")
    with pytest.raises(NotFoundError):
        open_sweep("nowhere")


def test_a_store_in_use_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    Path("here").mkdir()
    with places.locked(Path("here")):
        assert main(["sweep", written(), "--out", "here", "-q"]) == 2
    line = capsys.readouterr().err
    assert f"runs there already (process {os.getpid()})" in line
    assert line.count("\n") == 1
    assert main(["sweep", "cuts.toml", "--out", "here", "-q", "--workers", "1"]) == 0


def test_a_store_of_another_version_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    run(plan_of(), "here")
    with sqlite3.connect("here/store.sqlite") as link:
        link.execute("UPDATE about SET value = '0.0.9+abc' WHERE name = 'numerics'")
    before = Path("here/sweep.h5").read_bytes()
    assert main(["sweep", "cuts.toml", "--out", "here"]) == 2
    line = capsys.readouterr().err
    assert "points computed by version 0.0.9+abc" in line
    assert "--out" in line
    assert Path("here/sweep.h5").read_bytes() == before
    assert open_sweep("here/store.sqlite").done == 15  # it can still be read
    with sqlite3.connect("here/store.sqlite") as link:
        link.execute("UPDATE about SET value = 'sawfem-sweep-store/2' WHERE name = 'format'")
    assert main(["sweep", "cuts.toml", "--out", "here"]) == 2
    assert "sawfem-sweep-store/2" in capsys.readouterr().err


def test_a_full_disk_loses_nothing() -> None:
    """SQLite's own limit on pages stands for the disk."""
    with Store.create(Path("store.sqlite"), "v") as store:
        sweep = store.enter("d", 9, "", "", "", "")
        row = Row(b"1" * 16, 0, "{}", "", 0.0)
        store.add([row], [(sweep, 0, row.key, "")])
        link = store._link
        (pages,) = link.execute("PRAGMA page_count").fetchone()
        link.execute(f"PRAGMA max_page_count = {pages}")
        big = Row(b"2" * 16, 0, "x" * 100_000, "", 0.0)
        with pytest.raises(OutputError, match="no space left"):
            store.add([big], [(sweep, 1, big.key, "")])
        assert store.counts(sweep).done == 1
    with Store.read(Path("store.sqlite")) as store:
        assert store.counts(1).done == 1


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write everywhere")
def test_a_read_only_folder(capsys: pytest.CaptureFixture[str]) -> None:
    Path("here").mkdir(mode=0o500)
    assert main(["sweep", written(), "--out", "here/below"]) == 2
    assert "permission denied" in capsys.readouterr().err


def test_a_folder_that_cannot_be_made(capsys: pytest.CaptureFixture[str]) -> None:
    Path("here").write_text("a file")
    assert main(["sweep", written(), "--out", "here/below", "-q"]) == 2
    line = capsys.readouterr().err
    assert "not a directory" in line
    assert line.count("\n") == 1


def test_a_network_file_system_is_warned_of(tmp_path: Path) -> None:
    mounts = tmp_path / "mounts"
    mounts.write_text(
        f"/dev/sda1 / ext4 rw 0 0\nserver:/x {tmp_path.resolve()} nfs4 rw 0 0\n", encoding="utf-8"
    )
    assert "(nfs4)" in places.network_warning(tmp_path / "x", str(mounts))
    assert places.network_warning(Path("/"), str(mounts)) == ""


def test_the_command(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["sweep", written(), "--workers", "1"]) == 0
    captured = capsys.readouterr()
    assert "substrate.rotations[0]: 30 deg to 50 deg, 21 values" in captured.out
    assert "velocity, free surface" in captured.out
    assert "sawfem show results/cuts.sweep" in captured.out
    assert captured.err.splitlines()[-1].startswith("sweep: 21 of 21 points")
    assert main(["sweep", "cuts.toml", "--status"]) == 0
    assert capsys.readouterr().out.startswith("21 of 21 points done, 0 failed, 0 left")
    assert main(["sweep", "cuts.toml", "--status", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["left"] == 0
    assert main(["sweep", "cuts.toml", "--json", "-q"]) == 0
    captured = capsys.readouterr()
    assert captured.err == ""
    told = json.loads(captured.out)
    assert told["format"] == "sawfem.sweep/1"
    assert len(told["values"]["velocity_free_m_per_s"]) == 21
    assert told["files"] == ["results/cuts.sweep/sweep.h5", "results/cuts.sweep/store.sqlite"]


def test_show(capsys: pytest.CaptureFixture[str]) -> None:
    run(plan_sweep(Case.load(written())), "results/cuts.sweep")
    assert main(["show", "cuts", "--best", "velocity_free", "--count", "2"]) == 0
    assert "3030" in capsys.readouterr().out.splitlines()[1]
    assert main(["show", "results/cuts.sweep", "--at", "substrate.rotations[0]=31"]) == 0
    assert "3031 m/s" in capsys.readouterr().out
    assert main(["show", "cuts", "--json", "--column", "velocity_free"]) == 0
    assert "coupling_k2" not in json.loads(capsys.readouterr().out)["values"]
    assert main(["show", "cuts", "--pictures", "drawn"]) == 0
    assert {path.name for path in Path("drawn").iterdir()} == {
        "sweep-velocity-free.png",
        "sweep-velocity-free.svg",
    }
    assert main(["show", "cuts", "--column", "velocity_fre"]) == 2
    assert "velocity_free" in capsys.readouterr().err


def test_an_interruption_ends_within_five_seconds() -> None:
    """Workers that are in the middle of a long point do not hold it up."""
    program = (
        "import sys\nfrom pathlib import Path\n"
        "from sawfem.case import Case\nfrom sawfem.sweep import plan, run\n"
        "from tests.support import sweeps\n"
        "if __name__ == '__main__':\n"
        "    made = plan.plan_sweep(Case.load('cuts.toml'))\n"
        "    run.execute_sweep(made, folder=Path('here'), workers=2, function=sweeps.endless,\n"
        "                      progress=lambda p: print('told', flush=True))\n"
    )
    written()
    Path("program.py").write_text(program, encoding="utf-8")
    top = Path(__file__).resolve().parents[2]
    with subprocess.Popen(
        [SAWFEM[0], "program.py"],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        env=environment() | {"PYTHONPATH": str(top)},
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.default_int_handler),
    ) as process:
        assert process.stdout is not None
        process.stdout.readline()
        time.sleep(1.0)
        begun = time.monotonic()
        process.send_signal(signal.SIGINT)
        process.wait(timeout=30)
    assert time.monotonic() - begun < 5.0
    assert process.returncode != 0
    assert sweep_status(Case.load("cuts.toml"), Path("here")).left == 21


@pytest.mark.slow
def test_the_command_says_how_to_go_on() -> None:
    """Interrupted by the user and by a batch system, then taken up: exit code 130 and a hint."""
    written(160)
    for number, sent in enumerate((signal.SIGINT, signal.SIGTERM)):
        command = [*SAWFEM, "sweep", "cuts.toml", "--workers", "1", "--json"]
        code, out, rest = interrupted(command, "a second", sent)
        assert code == 130, rest
        assert "the same command goes on from there" in json.loads(out)["error"]["message"]
        counts = sweep_status(Case.load("cuts.toml"), Path("results/cuts.sweep"))
        assert 8 * (number + 1) < counts.done < 160
