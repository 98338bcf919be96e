"""Tables of cells with several electrodes against cells solved on their own."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from sawfem.design import Electrode, Stack, UnitCell
from sawfem.errors import GeometryError, InputError
from sawfem.export import write_table
from sawfem.extract import cell_table, solve_grating
from sawfem.extract.grating import MESHES
from sawfem.quantities import json_key

WAVE = 4e-6
METAL = "aluminium/kaye-laby"
QUARTZ = Stack("quartz/bechmann-1958", euler=[0.0, 132.75, 0.0])
DOUBLE = ("hot", "hot", "ground", "ground")
EIGHTHS = [((2 * i + 1) / 8, 1 / 8) for i in range(4)]
UNIDIRECTIONAL = ("hot", "ground", "ground")
THREE = [(1 / 8, 1 / 8), (3 / 8, 1 / 8), (3 / 4, 1 / 4)]


def drawn(stack: Stack, shares: list[tuple[float, float]]) -> UnitCell:
    """Electrodes (centre, width) in wavelengths; a drawing, whose thickness is an axis."""
    strips = [Electrode(METAL, "80 nm", w * WAVE, centre=c * WAVE) for c, w in shares]
    return UnitCell(stack, strips, WAVE)


def held_against_a_cell(table, place: tuple[float, float]) -> None:
    """A place that is no node and was not left out, within the bars and to the coarse mesh."""
    cell = table.cells.at(*place, table.pitch)
    truth = solve_grating(cell, accuracy=2e-4, connections=table.cells.connections).constants
    found, many = table(*place), table.arrays(*place)
    assert {"velocity", "transduction_per_electrode", "coupling_k2"} <= {*found.numerical}
    for name, bar in found.numerical.items():
        apart = np.abs(np.atleast_1d(getattr(found, name)) - np.atleast_1d(getattr(truth, name)))
        # One or two points left out show the size of the errors, not their maximum.
        assert np.all(apart <= 2.0 * np.max(np.abs(bar)) + 1e-9), name
    for name in ("metallisation_ratio", "reference_plane", "resonant_edge", "pitch"):
        if name != "resonant_edge" or truth.reflection_per_electrode != 0.0:
            assert getattr(found, name) == pytest.approx(getattr(truth, name)), name
    assert found.transduction_centre == pytest.approx(truth.transduction_centre, abs=1e-3 * WAVE)
    for name in ("velocity", "reflection_per_electrode", "transduction_per_electrode"):
        assert many[name] == pytest.approx(getattr(found, name), rel=1e-9, abs=1e-9), name
    assert found.phase_over_group_velocity == pytest.approx(
        truth.phase_over_group_velocity, abs=2e-3
    )


def test_a_unidirectional_cell_over_thickness_and_width(tmp_path: Path):
    """ST-X quartz, three electrodes a wave: k p turned by where they launch, directivity near one.
    The file says how the cell is drawn.
    """
    table = cell_table(
        drawn(QUARTZ, THREE),
        UNIDIRECTIONAL,
        thickness=(0.018, 0.022),
        width_scale=(0.95, 1.05),
        nodes=(2, 2),
        left_out=1,
        accuracy=2e-4,
        mesh=MESHES[0],
    )
    assert not table.kind.mirror
    held_against_a_cell(table, (0.0187, 0.973))
    found = table(0.02, 1.0)
    assert found.directivity > 0.98
    assert abs(found.transduction_centre - found.reference_plane) > 0.005 * WAVE
    # The wider the strips the thicker the metal that the wave passes: it slows.
    ends = table.arrays(0.02, np.array([0.95, 1.05]))["velocity"]
    assert ends[0] > ends[1]
    # Half the wave, half the pitch: the same shares of it, frequencies twice as high.
    other = table(0.02, 1.0, pitch=0.25 * WAVE)
    assert other.stopband_short[0] == pytest.approx(2.0 * found.stopband_short[0], rel=1e-12)
    assert other.reference_plane == pytest.approx(0.5 * found.reference_plane)
    assert other.transduction_centre == pytest.approx(0.5 * found.transduction_centre)

    path = write_table(table, tmp_path / "uni.json", points=(2, 3))
    tree = json.loads(path.read_text(encoding="utf-8"))
    assert list(tree["axes"]) == ["thickness_over_wavelength", "width_scale"]
    electrodes = tree["provenance"]["electrodes"]
    assert [strip["connection"] for strip in electrodes] == list(UNIDIRECTIONAL)
    assert [strip["width_over_wavelength"] for strip in electrodes] == pytest.approx(
        [share for _, share in THREE]
    )
    for name in ("reflection_per_electrode", "reflection_back_per_electrode"):
        value = tree["values"][json_key(name)][0][1]
        assert complex(*value) == pytest.approx(getattr(table(0.018, 1.0), name), abs=1e-9)


@pytest.mark.slow
def test_double_electrodes_over_thickness_and_width():
    """Both shorted edges are one; nothing reflects at any place of the box, and C falls with
    narrower strips, as it does for thin ones (Engan, IEEE Trans. ED-16, 1014 (1969), from memory).
    """
    table = cell_table(
        drawn(QUARTZ, EIGHTHS),
        DOUBLE,
        thickness=(0.01, 0.02),
        width_scale=(0.9, 1.1),
        nodes=(3, 3),
        left_out=2,
        accuracy=1e-4,
        mesh=MESHES[0],
    )
    assert table.kind.mirror
    held_against_a_cell(table, (0.0172, 0.96))
    found = table.arrays(0.013, np.array([0.9, 1.0, 1.1]))
    assert np.all(np.abs(found["reflection_per_electrode"]) < 1e-9)
    assert np.all(np.diff(found["capacitance_per_pair"]) > 0.0)
    low, high = found["stopband_short"].T
    np.testing.assert_allclose(low, high, rtol=1e-9)
    # a is real in the middle of the two hot ones, an eighth of a wave from the first one.
    phases = np.angle(found["transduction_per_electrode"])
    np.testing.assert_allclose(phases, np.pi / 4.0, atol=1e-6)


def test_what_makes_no_table_of_cells():
    cell = drawn(QUARTZ, THREE)
    box = {"thickness": (0.01, 0.02), "width_scale": (0.9, 1.1)}
    with pytest.raises(GeometryError, match="one for each"):
        cell_table(cell, ("hot", "ground"), **box)
    with pytest.raises(InputError, match="width_scale"):
        cell_table(cell, UNIDIRECTIONAL, thickness=(0.01, 0.02), width_scale=(1.1, 0.9))
    with pytest.raises(GeometryError, match="neither touch"):
        cell_table(cell, UNIDIRECTIONAL, thickness=(0.01, 0.02), width_scale=(0.9, 2.5))
