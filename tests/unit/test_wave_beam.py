"""Steering and spreading."""

import math

import numpy as np
import pytest
from support.known_waves import SILICA, TILTED_QUARTZ, YZ_NIOBATE, located

from sawfem.design import Stack
from sawfem.errors import InputError
from sawfem.planewave import plane_waves
from sawfem.planewave.beam import Beam, beam, velocity_by_direction


def test_an_isotropic_surface_neither_steers_nor_focuses() -> None:
    found = beam(located(SILICA))
    assert abs(found.power_flow_angle) < 1e-12
    assert abs(found.anisotropy) < 1e-12
    assert abs(found.second_order) < 1e-9


def test_derivatives_do_not_depend_on_their_step() -> None:
    wave = located(TILTED_QUARTZ)
    coarse, fine = beam(wave, step=0.004), beam(wave, step=0.002)
    assert coarse.power_flow_angle == pytest.approx(plane_waves(TILTED_QUARTZ)[0].power_flow_angle)
    assert coarse.anisotropy == pytest.approx(fine.anisotropy, abs=1e-7)
    assert coarse.second_order == pytest.approx(fine.second_order, abs=1e-5)
    assert abs(fine.second_order) > 0.1


def test_derivatives_against_angles_of_a_search() -> None:
    """g and d^2 psi/d theta^2 from power-flow angles of waves that were searched anew."""
    step = 0.05
    found = beam(located(TILTED_QUARTZ))
    angles = [
        plane_waves(Stack("quartz/bechmann-1958", euler=(10, 110, 35 + n * step)))[0]
        for n in (-1, 0, 1)
    ]
    psi = np.radians([wave.power_flow_angle for wave in angles])
    turn = math.radians(step)
    assert found.anisotropy == pytest.approx((psi[2] - psi[0]) / (2.0 * turn), abs=1e-5)
    second = (psi[2] - 2.0 * psi[1] + psi[0]) / turn**2
    assert found.second_order == pytest.approx(second, abs=1e-3)


def test_fresnel_distance() -> None:
    """W^2/(lambda |1 + g|): Szabo & Slobodnik, IEEE Trans. SU-20, 240 (1973), from memory."""
    assert Beam(0.0, -0.5, 0.0, 4e-6).fresnel_distance(1e-3) == pytest.approx(0.5)
    assert Beam(0.0, -1.0, 0.0, 4e-6).fresnel_distance(1e-3) == math.inf
    with pytest.raises(InputError, match="aperture"):
        Beam(0.0, 0.0, 0.0, 4e-6).fresnel_distance(-1.0)


def test_directions_in_the_order_asked_for() -> None:
    angles = [30.0, -20.0, 0.0, 5.0, -5.0]
    found = velocity_by_direction(located(YZ_NIOBATE), angles)
    for angle, velocity, flow in zip(angles, found.velocity, found.power_flow_angle, strict=True):
        wave = plane_waves(Stack("lithium-niobate/warner-1967", euler=(0, 90, 90 + angle)))[0]
        assert velocity == pytest.approx(wave.velocity_free, rel=1e-12)
        assert flow == pytest.approx(wave.power_flow_angle, abs=1e-8)
    assert found.reasons == ()
    assert np.all(found.attenuation == 0.0)


def test_a_direction_without_the_wave_is_said_so_and_left_behind() -> None:
    """(001) silicon: along [110] the branch is a bulk wave; the crystal is symmetric about it."""
    angles = np.arange(30.0, 61.0, 5.0)
    found = velocity_by_direction(located(Stack("silicon/mason-1958")), angles)
    assert np.isnan(found.velocity[3])
    assert np.isfinite(np.delete(found.velocity, 3)).all()
    np.testing.assert_allclose(found.velocity[:3], found.velocity[:3:-1], rtol=1e-11)
    (reason,) = found.reasons
    assert reason.startswith("at 45 deg")
    assert "onset of a bulk wave" in reason


def test_refused_angles() -> None:
    with pytest.raises(InputError, match="angles"):
        velocity_by_direction(located(SILICA), [0.0, np.nan])
