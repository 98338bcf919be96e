"""The reference of case keys is that of the schema, and says of every key what holds without it."""

import json
from pathlib import Path

import pytest

from sawfem.case import Case
from sawfem.case.leftout import LEFT_OUT
from sawfem.case.reference import _tables, key_tables, keys_markdown
from sawfem.case.schema import CaseTable
from sawfem.cli import main

TOP = Path(__file__).resolve().parents[2]


def test_the_page_is_that_of_the_schema() -> None:
    """Made anew by: sawfem keys --markdown > cases/KEYS.md."""
    assert (TOP / "cases" / "KEYS.md").read_text(encoding="utf-8") == keys_markdown()


def test_what_holds_without_a_key_is_said_of_every_key() -> None:
    """Where the schema has None or an empty text, a person must be told; nowhere else."""
    tables = {table.path: table for table in _tables(CaseTable, "", "")}
    assert set(LEFT_OUT) <= set(tables)
    for path, told in LEFT_OUT.items():
        assert set(told) <= {row.key for row in tables[path].rows}, path
    for path, table in tables.items():
        for row in table.rows:
            assert row.left_out not in ("`None`", '`""`', ""), f"{path}.{row.key}"
            assert row.takes


def test_defaults_that_are_told_are_those_that_hold() -> None:
    """Some of leftout.py, against a case that leaves the keys out."""
    case = Case.from_toml(
        """
        substrate = { material = "quartz/bechmann-1958" }
        band = { start = "400 MHz", stop = "450 MHz" }
        [grating]
        pitch = "2 um"
        metal = "aluminium/kaye-laby"
        thickness = "100 nm"
        metallisation_ratio = 0.5
        [device]
        kind = "resonator"
        fingers = 61
        reflector_fingers = 40
        aperture = "100 um"
        """
    ).resolved()
    told = {
        path: {row.key: row.left_out for row in table.rows}
        for path, table in ((table.path, table) for table in key_tables())
    }
    assert told["grating"]["sidewall_angle"] == f"`{case.grating.sidewall_angle:g}`"
    assert told["grating"]["recess"] == f"{case.grating.recess:g}"
    assert told["grating"]["name"].startswith(case.grating.name)
    assert told["results"]["accuracy"] == f"`{case.accuracy:g}`"
    assert told["band"]["points"] == f"`{case.bands[0].points}`"
    assert told["conditions"]["temperature"] == f'`"{case.temperature:g} degC"`'
    assert told["device (resonator)"]["load"] == f'`"{case.device.load.real:g} ohm"`'
    assert told["device (resonator)"]["propagation_loss"] == "0"
    assert case.device.resonator.propagation_loss == 0.0
    assert "half a wavelength" in told["device (resonator)"]["gap"]
    assert case.device.resonator.gap == 0.5 * case.grating.wavelength


def test_the_screen(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["keys", "grating"]) == 0
    out = capsys.readouterr().out
    assert out.startswith("[[grating]]: Periodic electrodes")
    assert "[[grating.electrode.film]]" in out
    assert "[[layer]]" not in out
    assert all(len(line) <= 100 for line in out.splitlines())
    assert main(["keys", "--json"]) == 0
    assert "grating" in json.loads(capsys.readouterr().out)["properties"]
    assert main(["keys", "gratin"]) == 2
    assert 'TABLE: found "gratin", an unknown table; expected one of grating' in (
        capsys.readouterr().err
    )
