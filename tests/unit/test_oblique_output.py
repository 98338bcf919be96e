"""Oblique waves and cross-section of a grating: figures, files, picture."""

from dataclasses import replace

import h5py
import numpy as np
import pytest

from sawfem.errors import InputError
from sawfem.export.cell_hdf5 import read_cell, write_cell
from sawfem.export.hdf5_node import Node
from sawfem.export.oblique_hdf5 import read_oblique, write_oblique
from sawfem.extract.oblique_grating import oblique_waves
from sawfem.plot.cell import draw_cell
from sawfem.plot.oblique import draw_oblique
from sawfem.result.gather import grating_result


@pytest.fixture(scope="module")
def found(solved_grating):
    return oblique_waves(solved_grating, angles=(1.0, 2.0), fewer=())


@pytest.mark.slow
def test_below_the_stop_band_one_frequency_runs_in_all_directions(solved_grating):
    waves = oblique_waves(solved_grating, angles=(5.0,), fewer=(3.0,))
    planes = {plane.surface: plane.anisotropy for plane in waves.planes}
    for name in ("short below", "open below"):
        curve = waves.named(name)
        size = np.hypot(curve.longitudinal, curve.transverse)
        np.testing.assert_allclose(curve.velocity, 2 * np.pi * curve.frequency.real / size)
        assert np.ptp(curve.frequency.real) == 0.0
        assert np.all(curve.longitudinal_error < 1e-3 * curve.longitudinal)
        assert curve.anisotropy == pytest.approx(planes["metallised"], abs=0.06)
        assert abs(curve.flow_angle) < 1e-6


def test_the_grating_spreads_as_the_plane_waves_beside_it_do(found, solved_grating):
    """128 deg Y-X lithium niobate with thin strips: at the edges, which a weak reflection holds
    together, g differs from that of the two surfaces by some K^2; nothing flows aside.
    """
    assert [curve.name for curve in found.curves] == [
        "short lower",
        "short upper",
        "open lower",
        "open upper",
    ]
    planes = {plane.surface: plane.anisotropy for plane in found.planes}
    assert set(planes) == {"free", "metallised"}
    for curve in found.curves:
        assert curve.anisotropy == pytest.approx(planes["metallised"], abs=0.06)
        assert 0.0 < curve.anisotropy_error < 0.05
        assert abs(curve.flow_angle) < 1e-6
        assert curve.ends == ("", "")
    edges = (*solved_grating.band.shorted, *solved_grating.band.open)
    for curve, edge in zip(found.curves, edges, strict=False):
        middle = curve.transverse.size // 2
        assert curve.frequency[middle] == pytest.approx(edge.frequency, rel=1e-9)
        # The error bar of the edge itself: the same two meshes.
        assert curve.frequency_error[middle] < 1e-4 * edge.frequency.real
        np.testing.assert_allclose(curve.velocity[0], curve.velocity[-1], rtol=1e-12)


def test_oblique_waves_come_back_from_a_file(found, tmp_path):
    with h5py.File(tmp_path / "waves.h5", "w") as file:
        write_oblique(file.create_group("oblique"), found)
        assert file["oblique/curve/0/slowness"].attrs["unit"] == "s/m"
    with h5py.File(tmp_path / "waves.h5", "r") as file:
        again = read_oblique(Node(file["oblique"], "waves.h5"))
    assert again.to_dict() == found.to_dict()
    assert again.wavenumber == found.wavenumber
    np.testing.assert_array_equal(again.planes[1].velocity, found.planes[1].velocity)
    with h5py.File(tmp_path / "waves.h5", "r+") as file:
        del file["oblique/curve/0/frequency"]
    with (
        h5py.File(tmp_path / "waves.h5", "r") as file,
        pytest.raises(InputError, match=r"waves\.h5"),
    ):
        read_oblique(Node(file["oblique"], "waves.h5"))


def test_picture_of_oblique_waves(found):
    figure = draw_oblique(found)
    assert len(figure.axes) == 4
    labels = {text.get_text() for text in figure.legends[0].get_texts()}
    assert {"shorted, lower edge", "floating, upper edge", "plane wave, free surface"} <= labels
    assert "s/km" in figure.axes[0].get_xlabel()
    running = replace(found.curves[0], name="short below")
    both = replace(found, curves=(*found.curves, running), planes=())
    assert len(draw_oblique(both).axes[1].lines) == 1


def test_directions_that_make_no_sense(solved_grating):
    for angles in ((2.0, 1.0), (0.0, 1.0), (1.0, 70.0)):
        with pytest.raises(InputError, match="angles"):
            oblique_waves(solved_grating, angles=angles)


def test_a_cross_section_comes_back_and_is_drawn_from_the_file(solved_grating, tmp_path):
    drawing = grating_result("main", solved_grating, samples=5, shapes=False).cell
    with h5py.File(tmp_path / "cell.h5", "w") as file:
        write_cell(file.create_group("cell"), drawing)
        outlines = {
            name: (file[f"cell/outline/{name}"][()], dict(file[f"cell/outline/{name}"].attrs))
            for name in file["cell/outline"]
        }
    with h5py.File(tmp_path / "cell.h5", "r") as file:
        again = read_cell(Node(file["cell"], "cell.h5"))
    assert again.bodies == drawing.bodies
    assert (again.focus, again.order, again.period) == (
        drawing.focus,
        drawing.order,
        drawing.period,
    )
    np.testing.assert_array_equal(again.corners, drawing.corners)
    assert len(draw_cell(again).axes) == 2

    # The strip: a trapezoid of the described width, thickness and wall, by its corners alone.
    strip = solved_grating.cell.electrodes[0]
    corners = next(p for p, attrs in outlines.values() if attrs["role"] == "electrode")
    assert corners.shape == (4, 2)
    x, z = corners.T
    foot, top = np.isclose(z, 0.0, atol=1e-12), np.isclose(z, strip.thickness)
    assert np.ptp(x[foot]) == pytest.approx(strip.width)
    lean = strip.thickness / np.tan(np.radians(80.0))
    assert np.ptp(x[top]) == pytest.approx(strip.width - 2.0 * lean)
    # All polygons together cover the drawn part of the cell, counterclockwise, holes clockwise.
    area = sum(
        0.5 * np.sum(p[:, 0] * np.roll(p[:, 1], -1) - np.roll(p[:, 0], -1) * p[:, 1])
        for p, _ in outlines.values()
    )
    assert area == pytest.approx(np.prod(np.ptp(drawing.corners, axis=(0, 1))), rel=1e-9)
    assert {attrs["role"] for _, attrs in outlines.values()} == {"air", "electrode", "substrate"}
