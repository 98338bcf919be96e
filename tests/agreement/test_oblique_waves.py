"""Waves at an angle to a grating against plane waves, symmetries and another depth of floor."""

from dataclasses import replace

import numpy as np
import pytest

from sawfem.design import Stack, UnitCell
from sawfem.errors import ConvergenceError
from sawfem.extract.grating import grating_waves
from sawfem.unitcell import obliquewaves
from sawfem.unitcell.discretisation import discretise
from sawfem.unitcell.mesh import MeshSettings
from sawfem.unitcell.oblique import TransverseForms
from sawfem.unitcell.obliquewaves import (
    Start,
    follow_edge,
    follow_oblique,
)
from sawfem.unitcell.runningwaves import follow_wave, slowness_curve
from sawfem.unitcell.stopband import find_stop_band
from tests.support.weak import weak_surface, without_grating

PERIOD = 2e-6
SETTINGS = MeshSettings(3, 2, 0.15)
AL, NIOBATE = "aluminium/kaye-laby", "lithium-niobate/kovacs-1990"


def test_a_massless_grating_turns_the_wave_as_the_plane_wave_flows():
    """dw/dk2 at k2 = 0 is v tan(power-flow angle) of the plane wave, and d2w/dk2^2 is
    (v + v'')/k1: the shorted grating lies between the free and the metallised surface, nearer to
    the latter by the same share in the frequency and in both derivatives.

    Crystal with a tenth of its piezoelectricity (K^2 = 6.5e-4), 20 deg off a symmetric direction.
    """
    stack, metal, plane = weak_surface()
    wave = plane(0.0)
    cell = UnitCell.grating(stack, metal, pitch=PERIOD, thickness=4e-4 * PERIOD)
    phase = 0.7 * np.pi
    k1 = phase / PERIOD
    branch = follow_wave(
        discretise(cell, SETTINGS),
        phase,
        (0.99 * wave.velocity_metallised, 1.005 * wave.velocity_free),
        np.array([-0.1, -0.05, 0.05, 0.1]) * k1,
    )
    assert branch.error < 1e-8
    wide = follow_wave(
        discretise(cell, SETTINGS),
        phase,
        (0.99 * wave.velocity_metallised, 1.005 * wave.velocity_free),
        np.array([-0.05, 0.05]) * k1,
        open_circuit=True,
    )

    free, metallised = without_grating(branch, plane)
    # The published relation itself, on the free surface (Auld, Acoustic Fields and Waves, 1973).
    angle = np.radians(wave.power_flow_angle)
    assert free.derivatives()[0] == pytest.approx(wave.velocity_free * np.tan(angle), rel=1e-4)

    middle = int(np.flatnonzero(branch.transverse == 0.0)[0])
    places = [b.frequency[middle].real for b in (free, branch, metallised)]
    share = (places[0] - places[1]) / (places[0] - places[2])
    assert 0.0 < share < 1.0
    for order in (0, 1):
        a, found, b = (item.derivatives()[order] for item in (free, branch, metallised))
        assert min(a, b) < found < max(a, b)
        assert found == pytest.approx(a + share * (b - a), rel=1e-4)

    # The open grating too lies between them, nearer to the free surface than the shorted one.
    lower, _, upper = (branch.frequency.real[middle + step] for step in (-1, 0, 1))
    less = (places[0] - wide.frequency[1].real) / (places[0] - places[2])
    assert 0.0 < less < share
    ends = [
        (b.frequency[middle - 1].real, b.frequency[middle + 1].real) for b in (free, metallised)
    ]
    slope = [above - below for below, above in ends]
    found = wide.frequency[2].real - wide.frequency[0].real
    assert found == pytest.approx(slope[0] + less * (slope[1] - slope[0]), rel=1e-3)
    assert min(slope) < found < max(slope)
    assert min(slope) < upper - lower < max(slope)

    # At one frequency: k1(k2) of the grating between those of the two surfaces.
    d = discretise(cell, SETTINGS)
    narrow = replace(branch, transverse=branch.transverse[[middle, -1]])
    frequency = branch.frequency[middle].real
    k1_found = slowness_curve(d, narrow, frequency)
    assert k1_found[0] == pytest.approx(k1, rel=1e-8)
    ends = []
    for name in ("velocity_free", "velocity_metallised"):
        k1_plane = k1
        for _ in range(20):
            wave = plane(np.arctan2(narrow.transverse[1], k1_plane))
            size = 2 * np.pi * frequency / getattr(wave, name)
            k1_plane = np.sqrt(size**2 - narrow.transverse[1] ** 2)
        ends.append(k1_plane)
    assert min(ends) < k1_found[1] < max(ends)
    assert k1_found[1] == pytest.approx(ends[0] + share * (ends[1] - ends[0]), rel=1e-6)


@pytest.fixture(scope="module")
def edges():
    """The lower shorted edge of Al on 128 deg Y-X niobate at six k2 and two slab depths."""
    cell = UnitCell.grating(
        Stack(NIOBATE, cut="(YXl)128"), AL, pitch=PERIOD, thickness=0.06 * PERIOD
    )
    wave = grating_waves(cell)[0]
    found = []
    for depth in (0.35, 0.25):
        settings = replace(SETTINGS, depth=depth, reach=0.25, order=4)
        d = discretise(cell, settings)
        band = find_stop_band(d, wave.velocity_free, wave.velocity_metallised)
        k2 = np.array([-0.2, 0.1, 0.2]) * np.pi / PERIOD
        found.append((band, follow_edge(band, band.shorted[0], k2)))
    return found


def test_the_depth_of_the_floor_does_not_matter(edges):
    """What the elements of the slab say of k2 is what the exact waves below it say."""
    first, second = (branch.frequency for _, branch in edges)
    assert second == pytest.approx(first, rel=1e-8)
    moved = np.abs(first - first[1]) / first[1].real
    assert moved[-1] > 1e-2  # six decades above the difference


def test_a_crystal_that_looks_the_same_both_ways_has_no_slope(edges):
    """128 deg Y-X: x1 -> -x1 and time reversal give w(k2) = w(-k2)."""
    branch = edges[0][1]
    assert branch.frequency[0] == pytest.approx(branch.frequency[-1], rel=1e-9)
    assert branch.frequency[1] == pytest.approx(edges[0][0].shorted[0].frequency, rel=1e-8)
    assert branch.angle[-1] == pytest.approx(np.degrees(np.arctan(0.2)))
    assert branch.slowness[1, 0] == pytest.approx(1.0 / (2 * PERIOD * branch.frequency[1].real))


def test_the_matrices_stay_hermitian():
    cell = UnitCell.grating(
        Stack(NIOBATE, euler=(10.0, 38.0, 20.0)), AL, pitch=PERIOD, thickness=0.06 * PERIOD
    )
    forms = TransverseForms.of(discretise(cell, MeshSettings(2, 1, 0.2)))
    matrix = forms.at(1.3, 0.4)
    assert abs(matrix - matrix.conj().T).max() < 1e-14 * abs(matrix).max()
    assert abs(forms.at(1.3, -0.4) - forms.at(-1.3, 0.4).conj()).max() < 1e-14 * abs(matrix).max()


def test_the_open_grating_goes_on_from_its_edges_and_stands_on_any_floor(edges):
    """Each cross-section floating: without a jump from the open edge at k2 = 0, and the same from
    two depths of the slab. The shorted edge is followed along, as it is alone.
    """
    k2 = np.array([1e-4, 0.2]) * np.pi / PERIOD
    found, calls = [], []
    for band, _ in edges:
        starts = [Start.of(band, edge) for edge in (band.shorted[0], band.open[-1])]
        d = band.model.system.discretisation
        progress = lambda done, total: calls.append(done / total)  # noqa: E731
        found.append(follow_oblique(d, np.pi, starts, k2, progress=progress))
    (short, first), (_, second) = found
    assert (short.is_open, first.is_open) == (False, True)
    assert short.frequency[-1] == pytest.approx(edges[0][1].frequency[-1], rel=1e-9)
    assert first.frequency[0] == pytest.approx(edges[0][0].open[-1].frequency, rel=1e-8)
    assert first.frequency[1] == pytest.approx(first.frequency[0], rel=1e-7)
    assert second.frequency == pytest.approx(first.frequency, rel=1e-8)
    # Floating electrodes stiffen the crystal.
    assert np.all(first.frequency.real > short.frequency.real)
    assert calls[:3] == sorted(calls[:3])
    assert calls[2] == 1.0


def test_a_branch_may_end_where_its_mode_is_lost(edges, monkeypatch):
    monkeypatch.setattr(obliquewaves, "HALVINGS", 1)
    band = edges[0][0]
    branch = follow_edge(band, band.shorted[0], [30.0 / PERIOD], partly=True)
    assert branch.transverse.tolist() == [0.0]
    assert branch.ends[0] == ""
    assert "smaller steps" in branch.ends[1]


def test_what_cannot_be_followed_is_told(edges, monkeypatch):
    monkeypatch.setattr(obliquewaves, "HALVINGS", 0)
    band = edges[0][0]
    with pytest.raises(ConvergenceError, match="smaller steps"):
        follow_edge(band, band.shorted[0], [30.0 / PERIOD])
