"""What a transducer radiates into the bulk: poles of the admittance against power at the bottom."""

import numpy as np
import pytest

import sawfem as sf
from sawfem.device.bulk_radiation import array_waves, bottom_conductance, bulk_radiation
from sawfem.device.endless_array import mutual_admittances
from sawfem.device.finite_array import ElectrodeSet
from sawfem.device.harmonic_samples import HarmonicSamples
from sawfem.unitcell.certified import CellModel
from sawfem.unitcell.mesh import MeshSettings

QUALITY = 1e5  # hardly any loss: the bottom's power is that of a lossless cell
ONSET = 904.573e6  # of the slowest bulk wave at phase pi


@pytest.fixture(scope="module")
def model():
    """Aluminium on 128 deg Y-X lithium niobate, whose wave leaks at no frequency below ONSET."""
    pitch = 2.228e-6
    metal = sf.Electrode("aluminium/kaye-laby", thickness="89 nm", width=0.5 * pitch)
    cell = sf.UnitCell(
        sf.Stack("lithium-niobate/kovacs-1990", cut="(YXl)128"), [metal], period=pitch
    )
    mesh = MeshSettings(order=2, gradings=2)
    return CellModel(cell, (840e6, 930e6), mesh=mesh, tolerance=1e-5)


def _split(model, frequency, counts):
    damping = frequency / (2.0 * QUALITY)
    samples = HarmonicSamples(model, damping)
    mutual = mutual_admittances(samples, frequency, damping, max(counts), tolerance=1e-5)
    sets = [ElectrodeSet.transducer(count) for count in counts]
    return sets, [bulk_radiation(samples, one, [mutual], 1.0) for one in sets], samples, mutual


@pytest.mark.parametrize("frequency", [860e6, 880e6])
def test_energy_balance(model, frequency):
    """All power is with a wave of the grating or passes the bottom of some cell.

    The one side has the poles of Y(f, gamma), the other the motion of the bottom over all phases.
    """
    sets, found, _, _ = _split(model, frequency, (20, 40))
    for one, split in zip(sets, found, strict=True):
        bottom = bottom_conductance(model, one, frequency, 1.0)
        assert split.bulk[0] == pytest.approx(bottom, rel=5e-3)
        assert split.clear.all()
        assert split.share[0] < 0.02
        # Rather less than the tenth part of a per cent of all, so that this is no difference of
        # large numbers that agree by chance.
        assert abs(split.bulk[0] - bottom) < 1e-4 * split.waves[0]


def test_a_wave_is_a_root_of_the_cell(model):
    """Two bound waves, with the decay that the damping alone gives them: v_g Im gamma = w / 2Q."""
    frequency = 860e6
    _, _, samples, mutual = _split(model, frequency, (20,))
    waves = array_waves(samples, mutual)
    assert len(waves) == 2
    radiating = np.pi * frequency / ONSET
    for wave in waves:
        assert wave.phase.real > radiating  # neither leaks
        near = frequency * (1.0 + 1e-4)
        damping = near / (2.0 * QUALITY)
        again = HarmonicSamples(model, damping)
        moved = array_waves(again, mutual_admittances(again, near, damping, 2, tolerance=1e-5))
        other = min(moved, key=lambda one: abs(one.phase - wave.phase))
        slope = (other.phase.real - wave.phase.real) / (near - frequency)
        expected = slope * frequency / (2.0 * QUALITY)
        assert abs(wave.phase.imag) == pytest.approx(abs(expected), rel=0.02)


def test_below_the_onset_only_ends_radiate(model):
    """Each end radiates the same however many electrodes lie between them.

    N alternate electrodes at +-1/2 V have |V(gamma)|^2 = sin^2(N (gamma - pi)/2) over
    4 cos^2(gamma/2), for even N; away from gamma = pi the squared sine is 1/2 on the average,
    whatever N. The power of the wave grows as N^2 as long as few electrodes hardly reflect.
    """
    frequency = 868e6
    counts = (20, 40, 80, 160)
    sets, found, _, _ = _split(model, frequency, counts)
    bulk = np.array([split.bulk[0] for split in found])
    waves = np.array([split.waves[0] for split in found])
    phases = np.pi * frequency / ONSET * (np.arange(400) + 0.5) / 400
    flux = np.array([model.admittance(frequency, float(g))[0, 0].real for g in phases])
    ends = np.mean(flux / (8.0 * np.cos(0.5 * phases) ** 2)) * frequency / ONSET
    away = np.abs(bulk / ends - 1.0)
    assert np.all(away < 2.6 / np.sqrt(counts)), away
    assert waves[1] / waves[0] == pytest.approx(4.0, rel=0.1)
    assert found[-1].share[0] < found[0].share[0] / 30.0
    assert bottom_conductance(model, sets[-1], frequency, 1.0) == pytest.approx(bulk[-1], rel=0.02)


def test_above_the_onset_all_electrodes_radiate(model):
    """Where the phase pi itself radiates, the power is as the number of electrodes."""
    _, found, _, _ = _split(model, 920e6, (40, 80, 160))
    bulk = [split.bulk[0] for split in found]
    assert bulk[1] / bulk[0] == pytest.approx(2.0, rel=0.15)
    assert bulk[2] / bulk[1] == pytest.approx(2.0, rel=0.15)
