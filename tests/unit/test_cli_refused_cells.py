"""Cells that cannot be: exit code 2 and one line with file, key, found and expected."""

import re
from pathlib import Path

import pytest

from sawfem.cli import main

HEAD = """
title = "Buoy 7"
[substrate]
material = "lithium-niobate/kovacs-1990"
cut = "(YXl)128"
"""
PLAIN = """
[grating]
pitch = "2.228 um"
metal = "aluminium/kaye-laby"
thickness = "89 nm"
metallisation_ratio = 0.5
"""
ONE = """
[grating]
period = "4 um"
[[grating.electrode]]
name = "low"
metal = "aluminium/kaye-laby"
thickness = "100 nm"
width = "1 um"
centre = "1 um"
"""
DRAWN = (
    ONE
    + """
[[grating.electrode]]
metal = "titanium/kaye-laby"
thickness = "300 nm"
width = "1 um"
centre = "3 um"
"""
)


@pytest.fixture(autouse=True)
def _in_an_empty_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def refusal(capsys: pytest.CaptureFixture[str], command: str, text: str) -> str:
    """The one line of a refused command."""
    Path("buoy.toml").write_text(HEAD + text, encoding="utf-8")
    assert main([command, "buoy.toml"]) == 2
    out, err = capsys.readouterr()
    assert "Traceback" not in out + err
    assert not list(Path().glob("results/*/*"))
    return err.rstrip("\n").split("\n")[-1]


def coat(thickness: str, top: str, name: str = "") -> str:
    named = f'name = "{name}"\n' if name else ""
    return (
        f'[[overcoat]]\n{named}material = "silica/auld-1973"\nthickness = "{thickness}"\n'
        f'top = "{top}"\n'
    )


MISTAKES = [
    (
        DRAWN.replace('centre = "3 um"', 'centre = "1.9 um"'),
        "buoy.toml: grating.electrode.low.centre: found an electrode that touches the next one",
    ),
    (
        ONE.replace('centre = "1 um"', 'centre = "3.6 um"'),
        "buoy.toml: grating: found a strip from 3.1 um to 4.1 um in a cell of 4 um",
    ),
    (
        DRAWN.replace('thickness = "300 nm"', 'thickness = "300 nm"\nsidewall_angle = 20'),
        "buoy.toml: grating.electrode[1].sidewall_angle: found 20 deg on 300 nm of metal",
    ),
    (
        ONE.replace('thickness = "100 nm"', 'thickness = "400 nm"\nsidewall_angle = 150'),
        "buoy.toml: grating: found a strip from -192.8 nm",
    ),
    (
        DRAWN.replace('thickness = "300 nm"', 'thickness = "300 nm"\nfooting_extent = "20 nm"'),
        "buoy.toml: grating.electrode[1].footing_height: found footing_extent alone",
    ),
    (
        ONE.replace(
            'thickness = "100 nm"',
            'thickness = "100 nm"\nfooting_extent = "20 nm"\nfooting_height = "100 nm"',
        ),
        "buoy.toml: grating.electrode.low.footing: found 100 nm high; expected less than",
    ),
    (
        ONE.replace(
            'metal = "aluminium/kaye-laby"\nthickness = "100 nm"',
            'film = [{ material = "titanium/kaye-laby", thickness = "10 nm" },\n'
            '        { material = "silica/auld-1973", thickness = "10 nm" }]',
        ),
        "buoy.toml: grating.electrode.low.film[1].material: found silica/auld-1973, which does not",
    ),
    (
        PLAIN + coat("80 nm", "flat", "cap"),
        "buoy.toml: overcoat.cap.thickness: found a flat top 80 nm over the surface; expected "
        "at least 89 nm",
    ),
    (
        PLAIN + coat("40 nm", "conformal") + coat("60 nm", "flat"),
        "buoy.toml: overcoat[1].thickness: found a flat top 100 nm over the surface; expected "
        "at least 129 nm",
    ),
    (
        PLAIN + "sidewall_angle = 120\n" + coat("0.31 um", "conformal"),
        "buoy.toml: overcoat[0].thickness: found conformal films of 310 nm that close a gap at its "
        "top, above a void",
    ),
    (
        PLAIN + coat("20 nm", "conformal").replace("silica/auld-1973", "gold/kaye-laby"),
        "buoy.toml: overcoat[0].material: found gold/kaye-laby, a conductor",
    ),
    (
        PLAIN + 'recess = "100 nm"\n' + coat("20 nm", "conformal"),
        'buoy.toml: overcoat[0].top: found "conformal" over electrodes whose tops lie below',
    ),
]
PLANES = [
    (
        '[[layer]]\nmaterial = "silica/auld-1973"\nthickness = "100 nm"\nshort = true\n',
        "buoy.toml: layer: found a metal plane 0 m below the electrodes; expected 0.2228 nm",
    ),
]


@pytest.mark.parametrize(("text", "start"), MISTAKES)
def test_a_cell_that_cannot_be_is_told_in_one_line(capsys, text, start):
    line = refusal(capsys, "check", text)
    assert line.startswith(start)
    assert "; expected " in line


@pytest.mark.parametrize(("layers", "start"), PLANES)
def test_metal_just_below_the_electrodes_is_refused_by_a_run(capsys, layers, start):
    assert refusal(capsys, "run", layers + PLAIN).startswith(start)


def test_a_mesh_too_large_is_refused_before_it_is_built(capsys, monkeypatch):
    for room in ("unitcell.meshsize", "extract.grating"):
        monkeypatch.setattr(f"sawfem.{room}.MEMORY_LIMIT", 1e6)
    line = refusal(capsys, "run", PLAIN)
    assert re.match(r"buoy.toml: grating: found a cell whose mesh has [\d,]+ unknowns", line)
    assert "expected at most 0.001 GB" in line
