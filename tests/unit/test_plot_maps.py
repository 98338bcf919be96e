"""Pictures of maps and of one cut: what they show, with numbers."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from matplotlib.colors import TwoSlopeNorm

from sawfem.design import Stack
from sawfem.planewave import limiting_velocity
from sawfem.planewave.cut_curves import cut_curves
from sawfem.planewave.maps import compute_map, request
from sawfem.plot import style
from sawfem.plot.cutpage import cut_page
from sawfem.plot.maps import draw_map, map_figure

NIOBATE = Stack("lithium-niobate/kovacs-1990", euler=(0, 38, 0))


def test_a_map_is_labelled_and_coloured() -> None:
    axes = {
        "substrate.euler[1]": np.linspace(0, 40, 9),
        "substrate.euler[2]": np.arange(0, 31, 5.0),
    }
    found = compute_map(request(NIOBATE, axes))
    with style.house_style():
        figure = map_figure(found, "power_flow_angle", title="Buoy 7")
        picture, bar = figure.axes
        assert picture.get_xlabel() == "Euler angle θ (deg)"
        assert picture.get_ylabel() == "Euler angle µ (deg)"
        assert bar.get_ylabel() == "power-flow angle psi (deg)"
        assert "Buoy 7" in picture.get_title(loc="left")
        image = picture.collections[0]
        assert isinstance(image.norm, TwoSlopeNorm)
        assert image.norm.vmin == -image.norm.vmax
        np.testing.assert_array_equal(
            np.ma.getdata(image.get_array()).ravel(), found.values["power_flow_angle"].ravel()
        )
        coupling = map_figure(found, "coupling_k2").axes[0].collections[0]
        assert coupling.cmap.name == "viridis"
        largest = 100.0 * float(np.nanmax(found.values["coupling_k2"]))
        assert float(np.ma.max(coupling.get_array())) == pytest.approx(largest)


def test_points_without_a_wave_are_hatched(tmp_path: Path) -> None:
    """Where only the metallised surface carries the wave, the free velocity is missing."""
    axes = {"substrate.euler[1]": [10.0, 18.0, 38.0], "substrate.euler[2]": [0.0, 5.0, 22.0]}
    found = compute_map(request(NIOBATE, axes, quantities=("velocity_free",)))
    missing = np.isnan(found.values["velocity_free"])
    assert missing[1, 2]
    assert missing.sum() < 9
    with style.house_style():
        picture = map_figure(found, "velocity_free").axes[0]
        assert any(patch.get_hatch() for patch in picture.patches)
        np.testing.assert_array_equal(
            np.ma.getmaskarray(picture.collections[0].get_array()).reshape(missing.shape), missing
        )
        assert "hatched" in picture.get_title(loc="left")
    asked = request(
        Stack("quartz/bechmann-1958", euler=(5, 40, 20)),
        {"substrate.euler[2]": [20.0, 21.0]},
        kinds=("bleustein-gulyaev",),
    )
    assert draw_map(compute_map(asked), tmp_path) == []


def test_one_axis_is_a_curve(tmp_path: Path) -> None:
    found = compute_map(request(NIOBATE, {"substrate.euler[1]": [30.0, 20.0, 40.0]}))
    with style.house_style():
        axes = map_figure(found, "velocity_free").axes[0]
        np.testing.assert_array_equal(axes.lines[0].get_xdata(), [20.0, 30.0, 40.0])
    files = draw_map(found, tmp_path)
    assert {path.suffix for path in files} == {".png", ".svg"}
    again = {path.name: path.read_bytes() for path in files}
    draw_map(found, tmp_path)
    assert all((tmp_path / name).read_bytes() == held for name, held in again.items())


def test_curves_of_a_cut() -> None:
    """What the page of 128 deg Y-X niobate rests on."""
    curves = cut_curves(NIOBATE)
    assert curves.leading is not None
    free, metallised = curves.leading.velocity_free, curves.leading.velocity_metallised
    real = curves.permittivity.real
    place = np.searchsorted(curves.velocity, free)
    assert np.sign(real[place - 2]) != np.sign(real[place + 1])  # a zero at the free wave
    pole = np.searchsorted(curves.velocity, metallised)
    assert np.abs(real[pole - 2 : pole + 2]).max() > 1e3 * np.median(np.abs(real))
    limit = limiting_velocity(NIOBATE.media()[0])
    below = curves.velocity < limit
    assert np.abs(curves.permittivity.imag[below] / real[below]).max() < 1e-6
    # Slowness along the surface of the slowest wave that runs in x1: at most 1 / limit.
    assert curves.slowness.max(axis=1)[0] <= 1.0 / limit * (1.0 + 1e-12)
    assert curves.all_waves
    middle = int(np.flatnonzero(curves.directions == 0.0)[0])
    speeds = curves.direction_velocity
    assert np.nanmin(np.abs(speeds[middle] - free)) < 1e-6 * free
    # tan(psi) = (1/v) dv/dtheta of the slowest wave, by differences of one degree.
    v, psi = speeds[:, 0], np.radians(curves.direction_angle[:, 0])
    slope = (v[2:] - v[:-2]) / np.radians(2.0) / v[1:-1]
    np.testing.assert_allclose(np.tan(psi[1:-1]), slope, atol=3e-3)
    assert curves.profile is not None


def test_the_page_of_a_cut() -> None:
    curves = cut_curves(NIOBATE)
    with style.house_style():
        figure = cut_page(curves)
        titles = [axes.get_title(loc="left") for axes in figure.axes]
    assert "effective permittivity" in titles
    assert "leading wave against depth" in titles
    assert figure.axes[0].get_xlabel() == "slowness along x1 (s/km)"


def test_the_page_of_layers_and_of_a_leaky_cut() -> None:
    layered = Stack("silicon/mason-1958").with_layer("zinc-oxide/kobyakov-1980", "1.6 um")
    curves = cut_curves(layered, "868 MHz")
    assert not curves.all_waves
    assert curves.directions.shape == curves.direction_velocity[:, 0].shape
    leaky = cut_curves(Stack("lithium-tantalate/smith-welsh-1971", euler=(0, -54, 0)))
    assert leaky.leading is not None
    assert (leaky.leading.attenuation_metallised or 0.0) > 0.0
    with style.house_style():
        for found in (curves, leaky):
            assert len(cut_page(found).axes) == 5
