"""sawfem design: a case file from a specification."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from sawfem.case import Case
from sawfem.cli import main


@pytest.fixture(autouse=True)
def _in_an_empty_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


@pytest.mark.slow
def test_the_buoy_ladder_is_designed_from_its_specification(
    capsys: pytest.CaptureFixture[str],
) -> None:
    fewer = ["--set", "design.evaluations=150"]
    assert (
        main(["design", "buoy-ladder-wish", "--out", "made.toml", "--require", "--json", *fewer])
        == 0
    )
    told = json.loads(capsys.readouterr().out)
    assert told["feasible"]
    assert told["met"]
    assert told["evaluations"] <= 150
    assert told["objective"]["best"] <= told["objective"]["first"]
    assert any("0.12 %" in note for note in told["notes"])
    made = Case.load("made.toml").resolved()
    assert list(made.gratings) == ["series", "shunt"]
    assert made.gratings["shunt"].pitch > made.gratings["series"].pitch
    assert made.gratings["shunt"].thickness == made.gratings["series"].thickness
    assert len(made.device.chain) == 7
    assert made.design is None
    # what is there is not written over
    assert main(["design", "buoy-ladder-wish", "--out", "made.toml"]) == 2
    assert "made.toml: found a file that is there" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("case", "change", "words"),
    [
        ("buoy-ladder-wish", "design.resonators=6", "design.resonators: found 6"),
        ("buoy-ladder", "title=x", "design: found nothing"),
        ("buoy-resonator", "title=x", "design: found nothing"),
        (
            "buoy-ladder-wish",
            "specification.limit.below.at_least=-1e9 dB",
            "specification.limit.below.at_least",
        ),
    ],
)
def test_one_line_for_what_cannot_be_designed(
    case: str, change: str, words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["design", case, "--set", change]) == 2
    told = capsys.readouterr().err
    assert words in told
    assert told.count("\n") == 1
    assert not list(Path.cwd().iterdir())


@pytest.mark.slow
def test_a_transversal_filter_is_designed_and_its_run_keeps_the_specification(
    capsys: pytest.CaptureFixture[str],
) -> None:
    fewer = ["--set", "design.evaluations=60"]
    wish = "buoy-transversal-wish"
    assert main(["design", wish, "--out", "made.toml", "--require", "--json", *fewer]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["feasible"]
    assert told["met"]
    made = Case.load("made.toml").resolved()
    assert made.device.transducer == "double"
    assert made.grating.pitch == pytest.approx(0.907e-6, rel=1e-3)
    # The design promises the worse of both ends of a process that moves frequencies by 0.3 MHz
    # either way: so does a pitch that is off by as much.
    ends = []
    for shift in (0.0, 0.3 / 868.0, -0.3 / 868.0):
        off = ["--set", f"grating.pitch={1e9 * made.grating.pitch * (1.0 + shift):.4f} nm"]
        assert main(["run", "made.toml", "--require", "--json", "--quiet", *off]) == 0
        ran = json.loads(capsys.readouterr().out)["device"]["specification"]
        ends.append([line["margin"] for line in ran])
        assert all(line["met"] for line in ran)
    for kept, *off, promised in zip(*ends, told["specification"], strict=True):
        if promised["unit"] == "dB":
            assert kept >= min(off) - 0.01
            assert min(off) == pytest.approx(promised["margin"], abs=0.05)
