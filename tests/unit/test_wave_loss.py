"""Attenuation by the losses of the materials."""

from dataclasses import replace

import numpy as np
import pytest
from support.known_waves import LAYERED, LEAKY_TANTALATE, SILICA, YZ_NIOBATE, located

from sawfem.errors import MaterialError
from sawfem.planewave.loss import Loss, attenuation, damped
from sawfem.planewave.profile import energy_shares

DECIBEL = 20.0 / np.log(10.0)


def test_one_quality_factor_for_all_is_known_in_closed_form() -> None:
    """All stiffnesses times (1 + j/Q): k = k0 / sqrt(1 + j/Q), whatever the wave."""
    wave = located(SILICA)
    q = 50.0
    found = damped(wave, [Loss(mechanical_q=q)])
    assert found.wavenumber == pytest.approx(wave.wavenumber / np.sqrt(1.0 + 1j / q), rel=1e-11)
    first = attenuation(wave, [Loss(mechanical_q=q)])
    assert first.total == pytest.approx(np.pi * DECIBEL / q, rel=1e-11)
    assert first.per_microsecond == pytest.approx(np.pi * DECIBEL / q * 1e9 * 1e-6, rel=1e-11)


def test_shares_of_energy_weigh_the_losses() -> None:
    """-Im d ln k = (v_phase/v_group) (strain share / (2 kinetic share)) / (2 Q), per medium."""
    wave = located(LAYERED, "Love-type")
    shares = {share.body: share for share in energy_shares(wave)}
    losses = [Loss(mechanical_q=1e4), Loss(mechanical_q=300.0), Loss(mechanical_q=900.0)]
    found = attenuation(wave, losses)
    for body, name in enumerate(("substrate", "layer[0]", "layer[1]")):
        nepers = shares[name].strain / losses[body].mechanical_q * wave.velocity
        expected = 2.0 * np.pi * DECIBEL * nepers / found.group_velocity
        assert found.mechanical[body] == pytest.approx(expected, rel=1e-8)
    dielectric = attenuation(wave, [Loss(), Loss(), Loss(loss_tangent=0.01)])
    expected = 2.0 * np.pi * DECIBEL * 0.01 * shares["layer[1]"].electric
    expected *= wave.velocity / found.group_velocity
    assert dielectric.total == pytest.approx(expected, rel=1e-8)


def test_viscosity_grows_with_the_square_of_the_frequency() -> None:
    wave = located(YZ_NIOBATE)
    viscous = [Loss(viscosity=(2e-4, 1e-4))]
    once, twice = (attenuation(wave, viscous, frequency=f) for f in (1e9, 2e9))
    assert twice.per_microsecond == pytest.approx(4.0 * once.per_microsecond, rel=1e-12)
    matrix = np.diag([2e-4] * 3 + [1e-4] * 3)
    same = attenuation(wave, [Loss(viscosity=matrix)])  # eta12 = eta11 - 2 eta44 = 0
    assert same.total == pytest.approx(once.total, rel=1e-12)


def test_radiation_comes_from_the_wave() -> None:
    wave = located(LEAKY_TANTALATE, "leaky-estimate", metallised=True)
    found = attenuation(wave, [Loss()])
    assert found.total == found.radiation == wave.attenuation > 1e-4
    assert found.material == 0.0


def test_the_quality_factor_of_the_set_is_taken() -> None:
    medium, _ = SILICA.media()
    damped_glass = replace(medium, mechanical_q=2500.0)
    assert Loss.of(damped_glass).mechanical_q == 2500.0
    assert Loss.of(medium).mechanical_q is SILICA.material.mechanical_q


def test_refused() -> None:
    with pytest.raises(MaterialError, match="mechanical_q"):
        Loss(mechanical_q=0.0)
    with pytest.raises(MaterialError, match="loss_tangent"):
        Loss(loss_tangent=-0.1)
    with pytest.raises(MaterialError, match="viscosity"):
        Loss(viscosity=(1e-4, -1e-4))
    with pytest.raises(MaterialError, match="of the substrate, then of the layers"):
        attenuation(located(SILICA), [])
