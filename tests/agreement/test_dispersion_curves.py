"""Dispersion curves and maps: identity across crossings, closed form of two waves, poles of Y."""

import numpy as np
import pytest

from sawfem.design import Electrode, Stack, UnitCell
from sawfem.errors import InputError
from sawfem.unitcell.certified import CellModel
from sawfem.unitcell.dispersion import dispersion_curves
from sawfem.unitcell.dispersionmap import dispersion_map
from sawfem.unitcell.gratingmodes import modes_at_phase
from sawfem.unitcell.mesh import MeshSettings
from sawfem.unitcell.states import ElectricalState

PITCH = 2.0e-6
COARSE = MeshSettings(3, 1, 0.2)


@pytest.mark.slow
def test_curves_cross_and_keep_their_identity():
    """Y-Z lithium niobate: the sagittal plane is a mirror, so that the Rayleigh wave, folded at
    gamma = pi, and the shear-horizontal wave under the metal cannot couple. Their curves cross;
    on a coarse grid as on a fine one each goes on as what it was.
    """
    stack = Stack("lithium-niobate/kovacs-1990", cut="(YZ)")
    cell = UnitCell.grating(stack, "aluminium/kaye-laby", pitch=PITCH, thickness="80 nm")
    model = CellModel(cell, (0.85e9, 0.95e9), (3.0, np.pi), mesh=COARSE, training=(5, 5))
    ends = []
    for count in (5, 9):
        curves = dispersion_curves(model, np.linspace(3.0, np.pi, count), seeds=2)
        folded = min(curves, key=lambda c: abs(c.frequencies[-1] - 860.7e6))
        horizontal = min(curves, key=lambda c: abs(c.frequencies[-1] - 890.0e6))
        assert folded.frequencies[0].real > folded.frequencies[-1].real
        assert horizontal.frequencies[0].real < horizontal.frequencies[-1].real
        first = int(np.searchsorted(folded.phases, horizontal.phases[0]))
        apart = horizontal.frequencies.real - folded.frequencies.real[first:]
        assert apart[0] < 0.0 < apart[-1]
        ends.append((folded.frequencies[0], folded.frequencies[-1], horizontal.frequencies[-1]))
    np.testing.assert_allclose(ends[0], ends[1], rtol=1e-10)


@pytest.fixture(scope="module")
def weak():
    cell = UnitCell.grating(
        Stack("quartz/bechmann-1958", euler=[0.0, 132.75, 0.0]),
        "aluminium/kaye-laby",
        pitch=PITCH,
        thickness="80 nm",
    )
    return CellModel(cell, (7.4e8, 8.0e8), (3.0, np.pi), mesh=COARSE, training=(7, 7))


def test_two_wave_closed_form_beside_a_weak_stop_band(weak):
    """(f - f0)^2 = (v (pi - gamma) / 2 pi p)^2 + (df/2)^2 for two coupled waves (Haus 1984; from
    memory). The reflection varies slowly with frequency: within 2 % of half the gap here.
    """
    grid = np.linspace(3.1, np.pi, 22)
    curves = dispersion_curves(weak, grid, seeds=2)
    lower, upper = (
        c for c in curves if c.phases.size == grid.size and c.frequencies[-1].imag < 1.0
    )
    below, above = lower.frequencies.real, upper.frequencies.real
    middle, half = 0.5 * (below[-1] + above[-1]), 0.5 * (above[-1] - below[-1])
    velocity = middle * 2.0 * PITCH
    detuning = velocity * (np.pi - grid) / (2.0 * np.pi * PITCH)
    expected = np.hypot(detuning, half)
    # The mean of both branches moves with the velocity; their distance is the closed form.
    np.testing.assert_allclose(0.5 * (above - below), expected, rtol=0.02)
    # Power stands still at the edge and runs with the wave off it.
    slope = lower.group_velocity(PITCH)
    assert abs(slope[-1]) < 0.35 * velocity
    assert slope[0] == pytest.approx(velocity * detuning[0] / expected[0], rel=0.05)


def test_map_has_its_poles_on_the_short_curves_and_its_zeros_on_the_open_ones(weak):
    phases = np.array([3.05, 3.1])
    calls = []
    found = dispersion_map(
        weak,
        np.linspace(7.5e8, 7.9e8, 41),
        phases,
        progress=lambda done, total: calls.append(done / total),
    )
    assert found.admittance.shape == found.bound.shape == (2, 41)
    assert calls == sorted(calls)
    assert calls[-1] == pytest.approx(1.0)
    exact = weak.answer(float(found.frequencies[7]), 3.1)
    assert found.admittance[1, 7] == exact.admittance[0, 0]
    assert found.bound[1, 7] == exact.bound
    for curves, small in ((found.short, False), (found.open, True)):
        curve = curves[0]
        for phase, pole in zip(curve.phases, curve.frequencies, strict=True):
            at, beside = (
                abs(complex(weak.admittance(pole.real * (1.0 + step), phase)[0, 0]))
                for step in (1e-8, 1e-4)
            )
            assert (at < 1e-2 * beside) if small else (at > 1e2 * beside)
    for velocity, at, line in found.onsets:
        nearest = np.min(np.abs(line[0] * 2.0 * np.pi * PITCH / velocity - at[0] % (2.0 * np.pi)))
        mirrored = abs(line[0] * 2.0 * np.pi * PITCH / velocity + at[0] - 2.0 * np.pi)
        assert min(nearest, mirrored) < 1e-9


def strips(widths):
    """Two electrodes a period of 2 um."""
    stack = Stack("lithium-niobate/kovacs-1990", cut="(YXl)128")
    electrodes = [
        Electrode("aluminium/kaye-laby", "80 nm", width, centre=centre)
        for width, centre in zip(widths, ("0.5 um", "1.5 um"), strict=True)
    ]
    return UnitCell(stack, electrodes, "2 um")


def edges(cell, band, phase):
    """Frequencies of the modes without loss at a phase, ascending."""
    phases = (0.0, 0.1) if phase == 0.0 else (phase - 0.1, phase)
    model = CellModel(cell, band, phases, mesh=COARSE, tolerance=1e-6, training=(7, 3))
    found = modes_at_phase(model, phase)
    assert found.counted
    return [m.frequency.real for m in found.modes if abs(m.frequency.imag) < 1e-6 * band[0]]


def test_stop_band_at_two_pi_is_that_of_half_the_cell_at_pi():
    """A plain grating written with two electrodes a period: its stop band lies at gamma = 2 pi,
    folded to 0, and is the one that a cell of half the length has at pi.
    """
    stack = Stack("lithium-niobate/kovacs-1990", cut="(YXl)128")
    plain = UnitCell.grating(stack, "aluminium/kaye-laby", pitch="1 um", thickness="80 nm")
    whole = edges(strips(("0.5 um", "0.5 um")), (1.85e9, 1.95e9), 0.0)
    half = edges(plain, (1.85e9, 1.95e9), np.pi)
    assert len(half) == 2
    # The same mesh in periods is coarser in lengths for the long cell.
    np.testing.assert_allclose(whole, half, rtol=2e-4)


def test_double_electrodes_have_no_stop_band_at_their_fundamental_but_unlike_ones_have():
    """Four short-circuited electrodes a wavelength reflect nothing: what one sends back, its
    neighbour a quarter wavelength on cancels (Bristol et al. 1972; common knowledge, from
    memory). With unlike widths they do reflect.
    """
    equal = edges(strips(("0.5 um", "0.5 um")), (0.94e9, 0.99e9), np.pi)
    unlike = edges(strips(("0.3 um", "0.7 um")), (0.94e9, 0.99e9), np.pi)
    assert len(equal) == len(unlike) == 2
    assert equal[1] - equal[0] < 1e-6 * equal[0]
    assert unlike[1] - unlike[0] > 1e-4 * unlike[0]


def test_grids_that_cannot_be(weak):
    for bad in (np.array([3.0]), np.array([3.1, 3.0]), np.zeros((2, 2))):
        with pytest.raises(InputError, match="ascending"):
            dispersion_curves(weak, bad)
    with pytest.raises(InputError, match="extend"):
        dispersion_curves(weak, np.array([1.0, 3.0]), state=ElectricalState.open(1))
