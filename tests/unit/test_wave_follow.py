"""Finding a wave again in a changed stack."""

from dataclasses import replace

import numpy as np
import pytest
from support.known_waves import (
    LAYERED,
    LEAKY_TANTALATE,
    TILTED_QUARTZ,
    YZ_NIOBATE,
    ZINC_OXIDE,
    located,
)

from sawfem.design import Stack
from sawfem.errors import ConvergenceError, InputError
from sawfem.planewave import Wave, plane_waves
from sawfem.planewave.follow import at_wavelength, follow, follow_scaled, locate
from sawfem.planewave.scaled_stack import ScaledStack

EVERY_KIND = [
    (YZ_NIOBATE, "Rayleigh-type"),
    (TILTED_QUARTZ, "Rayleigh-type"),
    (ZINC_OXIDE, "Bleustein-Gulyaev-type"),
    (LEAKY_TANTALATE, "leaky-estimate"),
    (LAYERED, "Rayleigh-type"),
    (LAYERED, "Love-type"),
]


@pytest.mark.parametrize("metallised", [False, True])
@pytest.mark.parametrize(("stack", "kind"), EVERY_KIND)
def test_located_as_the_search_has_found_it(stack: Stack, kind: str, metallised: bool) -> None:
    waves = plane_waves(stack, 1e9, leaky=True)
    wave = next(wave for wave in waves if wave.kind == kind)
    found = locate(wave, *stack.media(), metallised=metallised)
    velocity = wave.velocity_metallised if metallised else wave.velocity_free
    loss = wave.attenuation_metallised if metallised else wave.attenuation_free
    assert found.velocity == pytest.approx(velocity, rel=1e-13)
    assert found.attenuation == pytest.approx(loss, abs=1e-11)
    assert found.residual < 1e-12
    if not metallised:
        assert abs(np.vdot(found.polarisation, wave.polarisation)) == pytest.approx(1.0, abs=1e-9)


@pytest.mark.parametrize(("stack", "kind"), EVERY_KIND)
def test_there_and_back(stack: Stack, kind: str) -> None:
    wave = located(stack, kind)
    angles = stack.orientation.euler
    other = Stack(
        stack.material, euler=(angles[0] + 1, angles[1] - 2, angles[2] + 1.5), layers=stack.layers
    )
    there = follow(wave, *other.media())
    assert there.velocity != pytest.approx(wave.velocity, rel=1e-6)
    assert there.residual < 1e-11
    back = follow(there, *stack.media())
    assert back.velocity == pytest.approx(wave.velocity, rel=1e-13)
    assert back.loss == pytest.approx(wave.loss, abs=1e-13)
    assert there.polarisation != back.polarisation


def test_followed_wave_is_the_one_that_a_search_finds() -> None:
    wave = located(TILTED_QUARTZ)
    other = Stack("quartz/bechmann-1958", euler=(0, 132.75, 0))
    found = follow(wave, *other.media())
    expected = plane_waves(other)[0].velocity_free
    assert found.velocity == pytest.approx(expected, rel=1e-13)


def test_a_long_way_is_cut_into_steps_of_which_each_keeps_the_motion() -> None:
    wave = located(YZ_NIOBATE)
    across = follow_scaled(wave, wave.stack.turned(np.radians(40.0)))
    stepwise = wave
    for turn in np.radians(np.arange(2.0, 41.0, 2.0)):
        stepwise = follow_scaled(stepwise, wave.stack.turned(turn))
    assert across.velocity == pytest.approx(stepwise.velocity, rel=1e-13)


def test_a_thicker_layer_gets_the_slabs_it_needs() -> None:
    wave = located(LAYERED, "Love-type")
    substrate, ((glass, _), (film, height)) = LAYERED.media()
    thick = ((glass, 1e-6), (film, 2.5 * height))
    found = follow(wave, substrate, thick)
    assert found.slabs > wave.slabs
    back = follow(found, substrate, ((glass, 1e-6), (film, height)))
    assert back.velocity == pytest.approx(wave.velocity, rel=1e-12)


@pytest.mark.parametrize("thickness", [1e-9, 1e-6, 1.7e-4])
def test_a_layer_of_the_substrates_own_crystal_changes_nothing(thickness: float) -> None:
    """Up to 50 wavelengths: the free wave of the half-space, 3158 m/s at 1 GHz."""
    bare = located(TILTED_QUARTZ)
    stack = Stack("quartz/bechmann-1958", euler=(10, 110, 35))
    stack = stack.with_layer("quartz/bechmann-1958", thickness, euler=(10, 110, 35))
    wave = Wave("Rayleigh-type", bare.velocity, None, None, None, bare.polarisation, frequency=1e9)
    assert locate(wave, *stack.media()).velocity == pytest.approx(bare.velocity, rel=1e-9)


def test_a_wave_at_the_onset_of_a_bulk_wave_ends_there() -> None:
    """(001) silicon along [110]: the slow Rayleigh branch has become a bulk wave, Farnell 1970."""
    wave = located(Stack("silicon/mason-1958"))
    near = wave
    for angle in range(2, 41, 2):
        near = follow_scaled(near, wave.stack.turned(np.radians(angle)))
    assert near.velocity < near.ceiling.velocity < 4706.0
    # v of the shear wave along [110], sqrt((c11 - c12)/(2 rho)), is 4673.9 m/s.
    with pytest.raises(ConvergenceError, match=r"onset of a bulk wave at 467[34]\.") as caught:
        follow_scaled(near, wave.stack.turned(np.radians(45.0)))
    assert "last residual" in str(caught.value)


def test_wavelength_held() -> None:
    wave = located(LAYERED)
    substrate, ((glass, thin), film) = LAYERED.media()
    other = ScaledStack.from_media(substrate, ((glass, 1.1 * thin), film))
    k = 1.01 * wave.wavenumber.real
    found = at_wavelength(wave, other, k)
    assert found.wavenumber.real == pytest.approx(k, rel=1e-12)
    again = follow(wave, substrate, ((glass, 1.1 * thin), film), omega=found.omega)
    assert again.velocity == pytest.approx(found.velocity, rel=1e-12)


def test_refused() -> None:
    wave = plane_waves(YZ_NIOBATE)[0]
    only_metallised = replace(wave, velocity_free=None)
    with pytest.raises(InputError, match="no wave of the free surface"):
        locate(only_metallised, *YZ_NIOBATE.media())
    with pytest.raises(InputError, match="frequency"):
        locate(wave, *LAYERED.media())
    with pytest.raises(InputError, match="as in the stack that the wave comes from"):
        follow(located(YZ_NIOBATE), *LAYERED.media())
    with pytest.raises(ConvergenceError, match="no wave"):
        locate(wave, *TILTED_QUARTZ.media())
