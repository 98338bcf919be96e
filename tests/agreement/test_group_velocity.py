"""Phase over group velocity of a grating: plane waves of its stack, and finite transducers."""

from dataclasses import replace

import numpy as np
import pytest

import sawfem as sf
from sawfem.device import Resonator
from sawfem.device.second_model import compare_models
from sawfem.extract import solve_grating
from sawfem.extract.grating import grating_waves, strongest


@pytest.fixture(scope="module")
def film():
    """Aluminium on zinc oxide on silicon: the film guides the wave, and slows its energy."""
    stack = sf.Stack("silicon/mason-1958", euler=(0.0, 0.0, 0.0)).with_layer(
        "zinc-oxide/kobyakov-1980", "2.2 um", euler=(0.0, 0.0, 0.0)
    )
    pitch = 2.75e-6
    metal = sf.Electrode("aluminium/kaye-laby", thickness=0.04 * pitch, width=0.5 * pitch)
    cell = sf.UnitCell(stack, [metal], period=pitch)
    return cell, solve_grating(cell, accuracy=1e-4)


def test_group_velocity_of_the_plain_stack(film):
    """d w / d k of the plane waves, free and metallised, without any grating."""
    cell, solution = film
    wavenumbers = np.pi * np.array([0.97, 1.0, 1.03]) / cell.period
    waves = [strongest(grating_waves(cell, phase=k * cell.period)) for k in wavenumbers]
    ratios = []
    for name in ("velocity_free", "velocity_metallised"):
        v = np.array([getattr(wave, name) for wave in waves])
        omega = v * wavenumbers
        group = (omega[2] - omega[0]) / (wavenumbers[2] - wavenumbers[0])
        ratios.append(v[1] / group)
    g = solution.constants.phase_over_group_velocity
    assert g == pytest.approx(np.mean(ratios), rel=0.02)
    assert g > 1.2


def test_a_half_space_hardly_slows_energy():
    """One material has no length of its own: only the thin metal disperses the wave."""
    pitch = 2.228e-6
    metal = sf.Electrode("aluminium/kaye-laby", thickness="89 nm", width=0.5 * pitch)
    stack = sf.Stack("lithium-niobate/kovacs-1990", cut="(YXl)128")
    constants = solve_grating(sf.UnitCell(stack, [metal], period=pitch), accuracy=1e-2).constants
    assert constants.phase_over_group_velocity == pytest.approx(1.0, abs=0.005)
    assert constants.com().phase_over_group_velocity == constants.phase_over_group_velocity


@pytest.mark.slow
def test_a_finite_transducer_needs_the_group_velocity(film):
    """Sums over electrodes know of no velocity: coupling of modes meets them with g alone."""
    cell, solution = film
    constants = solution.constants
    com = constants.com()
    alpha = np.pi * com.centre_frequency / (1000.0 * com.velocity)
    device = Resonator(201, (300, 300), 1e-4, com.pitch, attenuation=alpha)

    def compared(com):
        (found,) = compare_models(device, com, cell, fit_band=constants.fit_band)
        return found

    found = compared(com)
    assert np.abs(found.difference[found.apart]).max() < 0.3
    assert found.conductance_ratio == pytest.approx(1.0, abs=0.01)
    for coupled, summed in found.peaks:
        assert summed == pytest.approx(coupled, rel=3e-5)
    without = compared(replace(com, phase_over_group_velocity=1.0))
    assert without.typical_difference > 1.0
