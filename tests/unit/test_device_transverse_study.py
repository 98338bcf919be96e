"""A resonator with its transverse modes: branches that add up, names and levels."""

from dataclasses import replace

import numpy as np
import pytest

from sawfem.device import Resonator, resonator_response
from sawfem.device.resonator import resonator_admittance
from sawfem.device.transverse import TransverseGuide, TransverseMode
from sawfem.device.transverse_cell import ResonatorRegions
from sawfem.device.transverse_regions import RegionDispersion
from sawfem.device.transverse_study import (
    TransverseLayout,
    response_with_modes,
    study_transverse_modes,
)
from sawfem.errors import InputError
from sawfem.extract.constants import ComConstants

PITCH, VELOCITY = 2e-6, 3900.0
K1 = np.pi / PITCH
GRATING = ComConstants(
    pitch=PITCH,
    velocity=VELOCITY,
    reflection=-0.02,
    transduction=0.1,
    capacitance=2.4e-10,
    attenuation=40.0,
)
DEVICE = Resonator(
    fingers=101,
    reflector_fingers=(200, 200),
    aperture=160e-6,
    gap=PITCH,
    sheet_resistance=0.3,
    electrode_width=1e-6,
)
F0 = VELOCITY / (2.0 * PITCH)
BAND = np.linspace(0.98 * F0, 1.03 * F0, 2001)
CORE = RegionDispersion.isotropic(VELOCITY, K1)
SLOWER, FASTER = (RegionDispersion.isotropic(x * VELOCITY, K1) for x in (0.99, 1.03))
GUIDE = TransverseGuide(DEVICE.aperture, CORE, FASTER)
NONE = np.empty(0)


def mode(number: int, ratio: float, strength: float) -> TransverseMode:
    return TransverseMode(number, ratio * F0, strength, strength, 1.0, NONE, NONE)


def regions(busbar: RegionDispersion = SLOWER) -> ResonatorRegions:
    coarser = ResonatorRegions(K1, CORE, FASTER, busbar, FASTER)
    return replace(coarser, coarser=coarser)


def test_one_uniform_wave_is_the_resonator_of_before():
    found = response_with_modes(DEVICE, GRATING, GRATING, GUIDE, [mode(1, 1.0, 1.0)], BAND)
    plain = resonator_response(DEVICE, GRATING, BAND)
    assert found.y == pytest.approx(plain.y, rel=1e-10)
    for name in ("resonance", "antiresonance", "peak_conductance"):
        assert found.figures[name].value == pytest.approx(plain.figures[name].value, rel=1e-9)


def test_a_mode_is_the_resonator_with_another_velocity():
    """Y_0(f/r): all velocities r times as large, gaps included."""
    quiet = replace(DEVICE, sheet_resistance=0.0)
    r = 1.004
    other = replace(GRATING, velocity=r * VELOCITY)
    found = response_with_modes(quiet, GRATING, GRATING, GUIDE, [mode(1, r, 1.0)], BAND)
    alone = resonator_admittance(quiet, other, other, BAND)
    static = 2j * np.pi * BAND * quiet.fingers * GRATING.capacitance * quiet.aperture
    assert found.y[:, 0, 0] - static == pytest.approx((alone - static) / r, rel=1e-9)


def test_branches_share_what_the_uniform_wave_has():
    """Re Y = sum of the branches: int G/f df over all of them is that of the one wave, and the
    peak of a weak one is lower by the ratio of the strengths (equivalent circuit of branches in
    parallel: common practice, no source).
    """
    quiet = replace(DEVICE, sheet_resistance=0.0)
    wide = np.linspace(0.8 * F0, 1.25 * F0, 40001)
    pair = [mode(1, 1.0, 0.8), mode(3, 1.01, 0.2)]
    found = response_with_modes(quiet, GRATING, GRATING, GUIDE, pair, wide)
    plain = resonator_response(quiet, GRATING, wide)
    sums = [np.sum(response.y[:, 0, 0].real / wide) for response in (found, plain)]
    assert sums[0] == pytest.approx(sums[1], rel=5e-3)
    conductance = found.y[:, 0, 0].real
    fr = plain.figures["resonance"].value
    peaks = [conductance[np.abs(wide / (r * fr) - 1.0) < 3e-4].max() for r in (1.0, 1.01)]
    assert peaks[1] / peaks[0] == pytest.approx(0.25, rel=0.1)
    # the capacitance that is seen far below is that of before
    low = np.array([0.3 * F0, 0.31 * F0])
    far = [
        response_with_modes(quiet, GRATING, GRATING, GUIDE, pair, low).y[0, 0, 0],
        resonator_response(quiet, GRATING, low).y[0, 0, 0],
    ]
    assert far[0].imag == pytest.approx(far[1].imag, rel=3e-3)


def test_a_study_names_its_modes():
    layout = TransverseLayout(busbar=20.0 * PITCH, gap=PITCH)
    apertures = np.array([40.0, 80.0, 160.0]) * 1e-6
    study, response = study_transverse_modes(
        DEVICE, GRATING, regions(), layout, frequency=BAND, apertures=apertures
    )
    assert response is not None
    assert [row[0] for row in study.regions] == ["overlap", "end gap", "bus-bar", "free surface"]
    assert study.swept_frequency.shape == (3, len(study.modes))
    assert np.count_nonzero(np.isfinite(study.swept_frequency[0])) < len(study.modes)
    assert study.swept_frequency[-1] == pytest.approx([m.frequency for m in study.modes])
    assert study.errors == pytest.approx(0.0)
    assert 0.95 < study.guided_share <= 1.0
    assert any("bus-bar is slower" in text for text in study.remarks)
    found = study.to_dict()
    names = [item["name"] for item in found["modes"]]
    assert names[:2] == ["transverse mode 1", "transverse mode 2"]
    assert found["modes"][1]["transverse_mode_level_dB"] is None
    main = study.main
    assert main is not None
    assert found["main"] == f"transverse mode {main.number}"
    strongest = study.spurious()[0]
    assert study.level(strongest) == pytest.approx(
        10.0 * np.log10(strongest.strength / main.strength)
    )
    assert response.checks["passivity"].ok
    named = study.unwanted("resonator", 0.999 * F0)
    assert named[0].name == f"transverse mode {strongest.number}"
    assert named[0].frequency == pytest.approx(0.999 * strongest.frequency, rel=1e-12)
    assert named[0].level == study.level(strongest)


def test_a_fast_bus_bar_keeps_the_fundamental_inside():
    """Where the bus-bar is as fast as the free surface nothing reaches into it."""
    layout = TransverseLayout(busbar=20.0 * PITCH)
    fast, _ = study_transverse_modes(DEVICE, GRATING, regions(FASTER), layout, frequency=BAND)
    slow, _ = study_transverse_modes(DEVICE, GRATING, regions(), layout, frequency=BAND)
    assert fast.main is not None
    assert slow.main is not None
    assert fast.main.number == 1
    assert fast.main.confinement > 0.99
    assert fast.leaky == ()
    assert slow.leaky[0].quality_factor > 100.0
    assert slow.to_dict()["under_endless_busbars"][0]["half_waves"] == 1
    assert slow.main.number > 1  # modes of the bus-bars lie below it
    # nearly a box: 8/pi^2
    assert fast.main.excitation == pytest.approx(8.0 / np.pi**2, abs=0.04)


def test_what_is_not_guided_is_said():
    layout = TransverseLayout(busbar=20.0 * PITCH)
    flat = replace(regions(CORE), free=SLOWER)
    study, response = study_transverse_modes(DEVICE, GRATING, flat, layout, frequency=BAND)
    assert response is None
    assert study.modes == ()
    assert study.main is None
    assert study.guided_share == 0.0
    assert "no transverse mode is guided" in study.remarks
    assert any("radiates sideways" in text for text in study.remarks)
    assert study.to_dict()["main"] is None
    bent = replace(regions(), free=RegionDispersion.parabolic(1.03 * F0, -CORE.slope))
    with pytest.raises(InputError, match="one sign of the curvature"):
        study_transverse_modes(DEVICE, GRATING, bent, layout, frequency=BAND)
