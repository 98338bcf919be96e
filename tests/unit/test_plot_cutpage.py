"""The picture page of a cut: panels, axes and files."""

import numpy as np
import pytest

from sawfem.design import Stack
from sawfem.material import load_material
from sawfem.planewave.cut_curves import cut_curves
from sawfem.plot import style
from sawfem.plot.cutpage import cut_page, draw_cut, panels


@pytest.fixture(scope="module")
def curves():
    """ST-X quartz."""
    return cut_curves(Stack("quartz/bechmann-1958", cut="(YXl)42.75"))


def test_page_is_written_in_both_formats(curves, tmp_path):
    written = {path.name for path in draw_cut(curves, tmp_path)}
    assert {"cut.png", "cut.svg"} <= written
    assert all((tmp_path / name).stat().st_size > 1000 for name in written)


def test_every_axis_of_the_four_panels_carries_its_unit(curves):
    with style.house_style():
        figure = cut_page(curves)
    labels = [axes.get_xlabel() for axes in figure.axes[:4]]
    labels += [axes.get_ylabel() for axes in figure.axes]
    units = ("s/km", "m/s", "(1)", "wavelengths", "deg", "= 1")
    assert all(any(unit in label for unit in units) for label in labels)


@pytest.fixture(scope="module")
def plate():
    """A membrane of silica, 2 um, at fewer frequencies than usual."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("sawfem.planewave.cut_curves.FREQUENCIES", 1.03 ** np.arange(-3.0, 15.0))
        return cut_curves(Stack("air").with_layer("silica/auld-1973", 2e-6), 868e6)


def test_a_membrane_shows_the_shear_horizontal_waves_of_an_isotropic_plate(plate):
    # v = c / sqrt(1 - (n c / 2 f h)^2) and v_g = c^2 / v with c the shear velocity (closed form).
    silica = load_material("silica/auld-1973")
    c = np.sqrt(silica.stiffness[3, 3] / silica.density)
    by_name = dict(zip(plate.names, plate.branches, strict=True))
    assert {"A0", "S0", "SH0", "SH1"} <= set(by_name)
    for n in (0, 1):
        branch = by_name[f"SH{n}"]
        phase = c / np.sqrt(1.0 - (n * c / (2.0 * branch.frequency_thickness)) ** 2 + 0j)
        there = branch.exists
        assert there.sum() > 8
        assert branch.phase_velocity[there] == pytest.approx(phase[there].real, rel=1e-8)
        assert branch.group_velocity[there] == pytest.approx(c**2 / phase[there].real, rel=1e-7)


def test_panels_of_membranes_and_conducting_surfaces_have_units(plate, tmp_path):
    assert list(panels(plate)) == ["phase-velocity", "group-velocity", "profile", "directions"]
    with style.house_style():
        figure = cut_page(plate)
        labels = [axes.get_xlabel() for axes in figure.axes[:4]]
        labels += [axes.get_ylabel() for axes in figure.axes]
    assert all(any(u in text for u in ("m/s", "MHz µm", "(µm)", "deg", "= 1")) for text in labels)
    texts = {text.get_text() for text in figure.axes[0].texts}
    assert {"A0", "S0", "SH0", "SH1"} <= texts
    for axes in figure.axes[:2]:  # names at the ends of curves stand clear of each other
        low, high = axes.get_ylim()
        heights = np.sort([text.xy[1] for text in axes.texts])
        assert np.diff(heights).min() > 0.03 * (high - low)
    written = {path.name for path in draw_cut(plate, tmp_path)}
    assert {"cut.png", "cut-phase-velocity.png", "cut-group-velocity.svg"} <= written


def test_a_film_on_the_surface_has_no_permittivity_but_a_dispersion(monkeypatch):
    # Aluminium slows and loads YZ niobate: v falls from the metallised surface's 3411.0 m/s
    # (Kovacs set, calculated) as the film grows; the thinnest end of the curve lies just below.
    stack = Stack("lithium-niobate/kovacs-1990", euler=(0, 90, 90))
    few = 1.1 ** np.arange(-8.0, 4.0)
    monkeypatch.setattr("sawfem.planewave.cut_curves.FREQUENCIES", few)
    curves = cut_curves(stack.with_layer("aluminium/kaye-laby", 20e-9), 100e6)
    assert list(panels(curves)) == ["slowness", "dispersion", "profile", "directions"]
    assert curves.velocity.size == 0
    branch = next(one for one in curves.branches if one.kind == "Rayleigh-type")
    assert branch.phase_velocity[0] == pytest.approx(3411.0, abs=1.0)
    assert np.all(np.diff(branch.phase_velocity) < 0.0)
    assert curves.profile is not None
    assert curves.profile.potential[0] == pytest.approx(0.0, abs=1e-9)
    bare = cut_curves(stack.shorted(0))
    assert bare.branches == ()  # a half-space: the same at every frequency, nothing to draw
    assert list(panels(bare)) == ["slowness", "profile", "directions"]
    with style.house_style():
        assert all(axes.lines for axes in cut_page(bare).axes)
    assert bare.waves[0].velocity_free == pytest.approx(3411.0, abs=0.1)


def test_a_buried_short_leaves_the_permittivity():
    """Its zeros and poles are the waves of the stack with the short, found by counting."""
    stack = Stack("silicon/mason-1958").with_layer("zinc-oxide/kobyakov-1980", 1e-6).shorted(0)
    curves = cut_curves(stack, 900e6)
    assert "permittivity" in panels(curves)
    wave = curves.leading
    at = np.interp(
        [wave.velocity_free - 0.5, wave.velocity_free + 0.5],
        curves.velocity,
        curves.permittivity.real,
    )
    assert at[0] < 0.0 < at[1]
