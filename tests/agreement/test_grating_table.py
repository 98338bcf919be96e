"""Tables of grating constants against gratings solved on their own, and as files."""

from __future__ import annotations

import csv
import json
import re
from pathlib import Path

import h5py
import numpy as np
import pytest

from sawfem.design import Stack, UnitCell
from sawfem.device import Resonator, device_response
from sawfem.errors import ConvergenceError, InputError
from sawfem.export import write_table
from sawfem.extract import GratingTable, grating_table, solve_grating
from sawfem.extract.grating import MESHES
from sawfem.quantities import json_key

STACK = Stack("lithium-tantalate/smith-welsh-1971", cut="(YXl)42")
METAL = "aluminium/kaye-laby"
BOX = {"thickness": (0.06, 0.09), "metallisation_ratio": (0.42, 0.58)}


@pytest.fixture(scope="module")
def table() -> GratingTable:
    """A leaky cut; few nodes on a coarse mesh, in a small box."""
    return grating_table(
        STACK, METAL, **BOX, pitch="2 um", nodes=(4, 4), left_out=2, accuracy=1e-4, mesh=MESHES[0]
    )


@pytest.mark.parametrize(("height", "ratio"), [(0.066, 0.55), (0.088, 0.43)])
def test_table_is_the_grating_within_its_bars(table, height, ratio):
    """At points that are neither nodes nor those left out."""
    cell = UnitCell.grating(
        STACK, METAL, pitch="2 um", thickness=height * 4e-6, metallisation_ratio=ratio
    )
    truth = solve_grating(cell, accuracy=2e-5).constants
    found = table(height, ratio)
    for name, bar in found.numerical.items():
        apart = np.abs(np.atleast_1d(getattr(found, name)) - np.atleast_1d(getattr(truth, name)))
        # Two points left out show the size of the errors, not their maximum.
        assert np.all(apart <= 2.0 * np.max(np.abs(bar))), name
    assert found.stopband_short == pytest.approx(truth.stopband_short, rel=5e-5)
    assert found.resonant_edge == truth.resonant_edge
    assert found.bulk_onset == pytest.approx(truth.bulk_onset)
    assert found.com().least_loss() > -1e-12


def test_many_designs_at_once_are_the_single_ones(table):
    rng = np.random.default_rng(868)
    h = rng.uniform(*BOX["thickness"], 2000)
    eta = rng.uniform(*BOX["metallisation_ratio"], 2000)
    found = table.arrays(h, eta)
    assert all(np.all(np.isfinite(values)) for values in found.values())
    for i in (0, 999):
        single = table(h[i], eta[i])
        for name, values in found.items():
            # A single grating is made passive to the last digit, which moves C'' and Im a.
            slack = {"capacitance_loss": 1e-3, "transduction_per_electrode": 1e-4}.get(name, 1e-12)
            assert values[i] == pytest.approx(getattr(single, name), rel=1e-9, abs=slack), name


def test_another_pitch_is_a_scaling(table):
    """f ~ 1/p, and with a p ~ sqrt(w C p): a p ~ 1/sqrt(p); the rest has no scale."""
    one, other = table(0.08, 0.5), table(0.08, 0.5, pitch="1 um")
    assert other.velocity == pytest.approx(one.velocity, rel=1e-12)
    assert other.stopband_open[0] == pytest.approx(2.0 * one.stopband_open[0], rel=1e-12)
    ratio = other.transduction_per_electrode / one.transduction_per_electrode
    assert ratio == pytest.approx(np.sqrt(2.0), rel=1e-9)
    assert other.attenuation_open == pytest.approx(one.attenuation_open, rel=1e-9)
    device = Resonator(101, (40, 40), 80e-6, 2e-6)
    f = np.linspace(0.97, 1.06, 101) * one.stopband_short[0]
    response = device_response(device, one, f)
    assert all(check.ok for check in response.checks.values())


def test_nothing_is_extrapolated(table):
    with pytest.raises(InputError, match=r"0\.06 to 0\.09, the box"):
        table(0.095, 0.5)
    with pytest.raises(InputError, match="metallisation_ratio"):
        table.arrays([0.07, 0.08], [0.5, 0.7])
    with pytest.raises(InputError, match="between 0 and 1"):
        grating_table(STACK, METAL, thickness=(0.06, 0.09), metallisation_ratio=(0.6, 0.4))


def test_a_table_that_misses_is_refused():
    """Two nodes do not follow the curves to 1e-6: the points left out show it."""
    with pytest.raises(ConvergenceError, match="more nodes"):
        grating_table(STACK, METAL, **BOX, nodes=(2, 2), left_out=1, accuracy=3e-6, mesh=MESHES[0])


def test_files_hold_values_units_and_origin(table, tmp_path: Path):
    points = (4, 3)
    for suffix in ("csv", "json", "h5"):
        write_table(table, tmp_path / f"table.{suffix}", points=points)
    tree = json.loads((tmp_path / "table.json").read_text(encoding="utf-8"))
    assert tree["format"] == "sawfem.grating-table/1"
    h = tree["axes"]["thickness_over_wavelength"]["values"][1]
    eta = tree["axes"]["metallisation_ratio"]["values"][2]
    single = table(h, eta)
    key = json_key("velocity")
    assert tree["values"][key][1][2] == pytest.approx(single.velocity)
    assert tree["quantities"][key]["unit"] == "m/s"
    assert "smith-welsh-1971" in tree["provenance"]["substrate"]["set"]
    assert tree["errors"][json_key("stopband_short")] < 1e-4

    lines = (tmp_path / "table.csv").read_text(encoding="utf-8").splitlines()
    comments = [line for line in lines if line.startswith("# ")]
    assert any(line.startswith("# transduction") and "peak voltage" in line for line in comments)
    assert any(line.startswith("# errors: ") for line in comments)
    rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    assert len(rows) == points[0] * points[1]
    row = rows[1 * points[1] + 2]
    assert float(row["metallisation_ratio"]) == pytest.approx(eta)
    assert float(row["reflection_per_electrode_re"]) == pytest.approx(
        single.reflection_per_electrode.real
    )

    with h5py.File(tmp_path / "table.h5") as file:
        dataset = file["values/transduction_per_electrode"]
        assert dataset.attrs["unit"] == "sqrt(S/m)"
        assert dataset.dims[0][0].name == "/axes/thickness_over_wavelength"
        assert dataset[1, 2].real == pytest.approx(single.transduction_per_electrode.real, rel=1e-6)
    with pytest.raises(InputError, match="ending in"):
        write_table(table, tmp_path / "table.txt")


RECIPE = Path(__file__).resolve().parents[2] / "cases" / "README.md"


def recipe() -> str:
    """The lines of cases/README.md that take a value from a table."""
    text = RECIPE.read_text(encoding="utf-8")
    (code,) = [c for c in re.findall(r"```python\n(.*?)```", text, re.DOTALL) if "table.json" in c]
    assert len([line for line in code.splitlines() if line]) <= 10
    return code


def test_a_stranger_finds_everything_in_the_files(table, tmp_path: Path, monkeypatch):
    """h5py, csv and json alone: unit, definition, normalisation, error and origin of every column,
    the same numbers in all three, and a value between the points by the recipe of the docs.
    """
    for suffix in ("csv", "json", "h5"):
        write_table(table, tmp_path / f"table.{suffix}")
    tree = json.loads((tmp_path / "table.json").read_text(encoding="utf-8"))
    lines = (tmp_path / "table.csv").read_text(encoding="utf-8").splitlines()
    comments = [line.removeprefix("# ") for line in lines if line.startswith("#")]
    rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    with h5py.File(tmp_path / "table.h5") as file:
        origin = json.loads(file.attrs["provenance"])
        assert origin == tree["provenance"]
        for name in ("versions", "substrate", "metals", "electrodes", "reference", "caution"):
            assert origin[name]
            assert any(line.startswith(f"{name}: ") for line in comments)
        assert {axis: file[f"axes/{axis}"].attrs["unit"] for axis in file["axes"]} == {
            "thickness_over_wavelength": "1",
            "metallisation_ratio": "1",
        }
        assert "S" in file["values/transduction_per_electrode"].attrs["unit"]
        assert "peak" in file["values/transduction_per_electrode"].attrs["normalisation"]
        for name, dataset in file["values"].items():
            row = tree["quantities"][json_key(name)]
            for key in ("unit", "definition", "error", "error_kind"):
                assert dataset.attrs[key] == row[key], (name, key)
            assert row["error"] == tree["errors"][json_key(name)] >= 0.0
            assert row.get("normalisation", "") == dataset.attrs.get("normalisation", "")
            (told,) = [line for line in comments if line.startswith(f"{json_key(name)}: ")]
            assert f"error {row['error']:.2g}, {row['error_kind']}" in told
            assert row["unit"] in told
            values, text = dataset[()], np.array(tree["values"][json_key(name)])
            parts = row.get("parts", [""])
            for i, part in enumerate(parts):
                column = json_key(name) + (f"_{part}" if part else "")
                plain = np.array([float(line[column]) for line in rows]).reshape(21, 11)
                ours = text[..., i] if part else text
                stored = {"re": np.real, "im": np.imag}.get(part, lambda v: v)(values)
                stored = stored[..., i] if part in ("lower", "upper") else stored
                np.testing.assert_array_equal(stored, ours)
                np.testing.assert_allclose(plain, ours, rtol=1e-11, atol=1e-300)

    monkeypatch.chdir(tmp_path)
    single = table(0.0733, 0.481)
    for name in ("velocity", "stopband_open", "reflection_per_electrode", "coupling_k2"):
        code = recipe().replace("velocity_m_per_s", json_key(name))
        found: dict[str, object] = {}
        exec(compile(code, "cases/README.md", "exec"), found)
        value = getattr(single, name)
        parts = [value.real, value.imag] if isinstance(value, complex) else value
        error = tree["errors"][json_key(name)]
        size = 1.0 if tree["quantities"][json_key(name)]["error_kind"] == "absolute" else value
        np.testing.assert_allclose(
            found["value"], parts, atol=np.max(0.1 * error * np.abs(size)) + 1e-15
        )


def test_a_cell_without_a_mirror_is_tabulated_by_complex_reflections(tmp_path: Path):
    """Langasite (0, 138.5, 26.6): k p turns in its phase over the box, and all four edges, k, k'
    and directivity are those of a grating solved on its own."""
    stack = Stack("langasite/bungo-1999", euler=[0.0, 138.5, 26.6])
    box = {"thickness": (0.01, 0.03), "metallisation_ratio": (0.42, 0.58)}
    table = grating_table(stack, METAL, **box, nodes=(4, 3), left_out=2, accuracy=1e-4)
    assert not table.kind.mirror
    phases = np.angle(table.arrays(np.linspace(0.01, 0.03, 21), 0.5)["reflection_per_electrode"])
    assert 0.05 < np.ptp(phases) < 2.0
    assert np.max(np.abs(np.diff(phases))) < 0.2

    cell = UnitCell.grating(stack, METAL, pitch=1e-6, thickness=0.026e-6, metallisation_ratio=0.45)
    truth = solve_grating(cell, accuracy=2e-5).constants
    found, many = table(0.013, 0.45), table.arrays(0.013, 0.45)
    assert found.stopband_short == pytest.approx(truth.stopband_short, rel=5e-5)
    assert found.stopband_open == pytest.approx(truth.stopband_open, rel=5e-5)
    for name in ("reflection_per_electrode", "reflection_back_per_electrode"):
        assert abs(truth.reflection_per_electrode.imag) > 1e-3
        assert getattr(found, name) == pytest.approx(getattr(truth, name), abs=1e-4), name
        assert complex(many[name]) == pytest.approx(getattr(found, name), abs=1e-9), name
    assert found.directivity == pytest.approx(truth.directivity, abs=5e-3)
    assert float(many["directivity"]) == pytest.approx(found.directivity, abs=1e-6)
    assert found.resonant_edge == truth.resonant_edge
    write_table(table, tmp_path / "table.csv", points=(3, 3))
    text = (tmp_path / "table.csv").read_text(encoding="utf-8")
    assert "reflection_back_per_electrode_im" in text
    assert "# mirror: false" in text


def tree_coupling(table: GratingTable, folder: Path) -> list[float]:
    """K^2 at both ends of the pitch as the JSON file has it."""
    path = write_table(table, folder / "coupling.json", points=(2, 2, 2))
    tree = json.loads(path.read_text(encoding="utf-8"))
    return tree["values"][json_key("coupling_k2")][0][0]


def test_on_layers_the_pitch_is_an_axis(tmp_path: Path):
    """A plate of tantalate on silica: stack and pitch larger by one factor have the same velocities
    (the equations know no other length), so the grating beside the table is a scaled one."""

    def plate(scale: float) -> Stack:
        stack = Stack("silicon/mason-1958").with_layer("silica/auld-1973", 0.3e-6 * scale)
        return stack.with_layer("lithium-tantalate/smith-welsh-1971", 0.4e-6 * scale, cut="(YXl)42")

    table = grating_table(
        plate(1.0),
        METAL,
        thickness=(0.055, 0.065),
        metallisation_ratio=(0.47, 0.53),
        pitch=(0.95e-6, 1.05e-6),
        nodes=(2, 2, 4),
        left_out=2,
        accuracy=3e-4,
        mesh=MESHES[0],
    )
    assert table.checked.shape == (2, 3)
    pitch = 1.032e-6
    scale = 1e-6 / pitch
    cell = UnitCell.grating(
        plate(scale), METAL, pitch=1e-6, thickness=0.12e-6, metallisation_ratio=0.5
    )
    truth = solve_grating(cell, accuracy=1e-4).constants
    found = table(0.06, 0.5, pitch=pitch)
    assert found.velocity == pytest.approx(truth.velocity, rel=1e-4)
    assert found.stopband_open == pytest.approx(
        [scale * edge for edge in truth.stopband_open], rel=1.5e-4
    )
    # Over the axis the velocity changes far more than that.
    ends = table.arrays(0.06, 0.5, pitch=np.array([0.95e-6, 1.05e-6]))["velocity"]
    assert abs(ends[1] - ends[0]) > 2e-3 * ends[0]
    # K^2 of the plain stack, at a pitch that is no node: the scaled stack's own.
    assert found.coupling_k2 == pytest.approx(truth.coupling_k2, rel=1e-4)
    ends = table.arrays(0.06, 0.5, pitch=np.array([0.95e-6, 1.05e-6]))["coupling_k2"]
    assert abs(ends[1] - ends[0]) > 1e-2 * ends[0]
    assert table.errors["coupling_k2"] < 1e-3
    assert tree_coupling(table, tmp_path) == pytest.approx(ends, rel=1e-12)
    with pytest.raises(InputError, match="the pitch is an axis"):
        table(0.06, 0.5)
    with pytest.raises(InputError, match="the box of the table"):
        table(0.06, 0.5, pitch="2 um")

    for suffix in ("csv", "json", "h5"):
        write_table(table, tmp_path / f"table.{suffix}", points=(2, 2, 3))
    tree = json.loads((tmp_path / "table.json").read_text(encoding="utf-8"))
    p = tree["axes"]["pitch_m"]["values"][1]
    h = tree["axes"]["thickness_over_wavelength"]["values"][0]
    eta = tree["axes"]["metallisation_ratio"]["values"][1]
    value = tree["values"][json_key("velocity")][0][1][1]
    assert value == pytest.approx(table(h, eta, pitch=p).velocity)
    with h5py.File(tmp_path / "table.h5") as file:
        assert file["values/velocity"].shape == (2, 2, 3)
        assert file["values/velocity"].dims[2][0].name == "/axes/pitch_m"
    lines = (tmp_path / "table.csv").read_text(encoding="utf-8").splitlines()
    rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    assert len(rows) == 12
    assert float(rows[4]["pitch_m"]) == pytest.approx(p)
    assert float(rows[4][json_key("velocity")]) == pytest.approx(value)
