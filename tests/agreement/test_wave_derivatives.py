"""Derivatives of waves from their fields against differences of followed and searched waves."""

import numpy as np
import pytest
from support.known_waves import (
    LAYERED,
    LEAKY_TANTALATE,
    TILTED_QUARTZ,
    YZ_NIOBATE,
    ZINC_OXIDE,
    located,
    moved,
)

from sawfem.planewave import plane_waves
from sawfem.planewave.follow import follow
from sawfem.planewave.loss import Loss, attenuation, damped
from sawfem.planewave.profile import energy_velocity
from sawfem.planewave.sensitivity import ANGLES, sensitivity
from sawfem.planewave.wave_form import WaveForm

WAVES = [
    (YZ_NIOBATE, "Rayleigh-type"),
    (TILTED_QUARTZ, "Rayleigh-type"),
    (LEAKY_TANTALATE, "leaky-estimate"),
    (LAYERED, "Rayleigh-type"),
    (LAYERED, "Love-type"),
]


@pytest.mark.parametrize("metallised", [False, True])
@pytest.mark.parametrize(("stack", "kind"), WAVES)
def test_every_sensitivity(stack, kind: str, metallised: bool) -> None:
    wave = located(stack, kind, metallised=metallised)
    found = sensitivity(stack, wave)
    for name, slope in found.derivatives.items():
        angle = name.split(".")[-1] in ANGLES
        step = 1e-4 if angle else 1e-4 * (abs(found.values[name]) or 0.01)

        def velocity(steps: int, name: str = name, step: float = step) -> float:
            return follow(wave, *moved(stack, name, steps * step).media()).velocity

        near, far = velocity(1) - velocity(-1), velocity(2) - velocity(-2)
        difference = (8.0 * near - far) / (12.0 * step)
        assert slope * step == pytest.approx(difference * step, abs=1e-13 * wave.velocity * 100)


def test_sensitivity_against_waves_searched_anew() -> None:
    found = sensitivity(TILTED_QUARTZ, plane_waves(TILTED_QUARTZ)[0])
    for name in ("c11", "c14", "e11", "eps11", "mu"):
        step = 1e-4 * abs(found.values[name])
        ends = [plane_waves(moved(TILTED_QUARTZ, name, s * step))[0] for s in (-1, 1)]
        difference = (ends[1].velocity_free - ends[0].velocity_free) / (2.0 * step)
        assert found.derivatives[name] == pytest.approx(difference, rel=2e-6)


@pytest.mark.parametrize(("stack", "kind"), [*WAVES, (ZINC_OXIDE, "Bleustein-Gulyaev-type")])
def test_group_velocity(stack, kind: str) -> None:
    """d omega/dk by a difference, from the form, and as the velocity of the energy."""
    wave = located(stack, kind)
    form = WaveForm(wave)
    step = 1e-4 * wave.omega
    ends = [follow(wave, *stack.media(), omega=wave.omega + s * step) for s in (-2, -1, 1, 2)]
    k = [end.wavenumber.real for end in ends]
    slowness = (8.0 * (k[2] - k[1]) - (k[3] - k[0])) / (12.0 * step)
    assert form.group_velocity == pytest.approx(1.0 / slowness, rel=1e-9)
    if wave.is_guided:
        along, across = energy_velocity(wave)
        assert along == pytest.approx(1.0 / slowness, rel=1e-9)
        angle = np.degrees(np.arctan2(across, along))
        assert angle == pytest.approx(form.power_flow_angle, abs=1e-9)
        found = next(w for w in plane_waves(stack, 1e9) if w.kind == kind)
        assert angle == pytest.approx(found.power_flow_angle, abs=1e-6)


@pytest.mark.parametrize("metallised", [False, True])
@pytest.mark.parametrize(("stack", "kind"), WAVES)
def test_losses_to_first_order_against_complex_constants(stack, kind, metallised) -> None:
    """The difference falls with the square of the loss in k, hence tenfold loss, 100 to 1000."""
    wave = located(stack, kind, metallised=metallised)
    errors = []
    for size in (1.0, 0.1):
        loss = Loss(1000.0 / size, (size * 1e-4, size * 3e-5), size * 1e-3)
        losses = [loss] * (1 + len(stack.layers))
        first, exact = attenuation(wave, losses), damped(wave, losses)
        errors.append(abs(first.total - exact.attenuation))
        assert errors[-1] < 1e-5 * size * first.material
    assert errors[1] < errors[0] / 80.0
