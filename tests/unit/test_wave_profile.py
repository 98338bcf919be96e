"""Waves against depth: closed forms and balances of energy."""

import numpy as np
import pytest
from support.known_waves import (
    LAYERED,
    LEAKY_TANTALATE,
    SILICA,
    TILTED_QUARTZ,
    YZ_NIOBATE,
    ZINC_OXIDE,
    isotropic,
    located,
)

from sawfem.conventions import EPSILON_0
from sawfem.errors import InputError
from sawfem.planewave import surface_waves
from sawfem.planewave.follow import locate
from sawfem.planewave.profile import (
    depth_profile,
    energy_shares,
    energy_velocity,
    penetration_depth,
)
from sawfem.planewave.wave_form import WaveForm


@pytest.mark.parametrize("poisson", [0.0, 0.17, 0.25, 0.34, 0.49])
def test_rayleigh_wave_of_an_isotropic_solid(poisson: float) -> None:
    """Displacements of Lord Rayleigh, Proc. London Math. Soc. 17, 4 (1885), at exp(+j w t), x3 up:

    u1 = -j (e^(-k bl d) - 2 bl bt/(1 + bt^2) e^(-k bt d)),
    u3 = bl (e^(-k bl d) - 2/(1 + bt^2) e^(-k bt d)),  b^2 = 1 - v^2/V^2.
    """
    medium = isotropic(poisson)
    (found,) = surface_waves(medium)
    wave = locate(found, medium)
    k, v = wave.wavenumber.real, wave.velocity
    stiff, shear = medium.stiffness[0, 0, 0, 0], medium.stiffness[0, 2, 0, 2]
    bl, bt = (np.sqrt(1.0 - medium.density * v**2 / c) for c in (stiff, shear))
    d = np.linspace(0.0, 3.0, 25) * 2.0 * np.pi / k
    fast, slow = np.exp(-k * bl * d), np.exp(-k * bt * d)
    u1 = -1j * (fast - 2.0 * bl * bt / (1.0 + bt**2) * slow)
    u3 = bl * (fast - 2.0 / (1.0 + bt**2) * slow)
    profile = depth_profile(wave, d)
    scale = profile.displacement[0, 2] / u3[0]
    np.testing.assert_allclose(profile.displacement[:, 0], scale * u1, atol=1e-10)
    np.testing.assert_allclose(profile.displacement[:, 2], scale * u3, atol=1e-10)
    np.testing.assert_allclose(profile.displacement[:, 1], 0.0, atol=1e-12)
    assert np.linalg.norm(profile.displacement, axis=1).max() == pytest.approx(1.0)
    assert wave.polarisation[0] / wave.polarisation[2] == pytest.approx(u1[0] / u3[0], rel=1e-9)


@pytest.mark.parametrize("metallised", [False, True])
def test_bleustein_gulyaev_wave(metallised: bool) -> None:
    """u2 ~ exp(-k b d), b = K^2 metallised and K^2/(1 + eps11/eps0) free, K^2 = e15^2/(c eps11).

    c = c44 + e15^2/eps11; v^2 = (c/rho)(1 - b^2). Bleustein, Appl. Phys. Lett. 13, 412 (1968);
    Gulyaev, JETP Lett. 9, 37 (1969). The potential is phi = (e15/eps11) u2 + B exp(-k d) with
    phi = 0 at a metallised surface.
    """
    material, medium = ZINC_OXIDE.material, ZINC_OXIDE.media()[0]
    e, eps = medium.piezoelectric[0, 0, 1], medium.permittivity[0, 0]
    stiffened = material.stiffness[3, 3] + e**2 / eps
    b = e**2 / (stiffened * eps)
    b /= 1.0 if metallised else 1.0 + eps / EPSILON_0
    wave = located(ZINC_OXIDE, "Bleustein-Gulyaev-type", metallised=metallised)
    expected = np.sqrt(stiffened / material.density * (1.0 - b**2))
    assert wave.velocity == pytest.approx(expected, rel=1e-12)
    k = wave.wavenumber.real
    assert penetration_depth(wave) == pytest.approx(1.0 / (k * b), rel=1e-9)
    d = np.linspace(0.0, 2.0, 30) / (k * b)
    profile = depth_profile(wave, d)
    decay = np.exp(-k * b * d)
    np.testing.assert_allclose(profile.displacement[:, 1], decay, atol=1e-9)
    across = decay - np.exp(-k * d) / (1.0 if metallised else 1.0 + eps / EPSILON_0)
    np.testing.assert_allclose(profile.potential, e / eps * across, atol=1e-9 * abs(e / eps))


GUIDED = [
    (YZ_NIOBATE, "Rayleigh-type"),
    (TILTED_QUARTZ, "Rayleigh-type"),
    (ZINC_OXIDE, "Bleustein-Gulyaev-type"),
    (SILICA, "Rayleigh-type"),
    (LAYERED, "Rayleigh-type"),
    (LAYERED, "Love-type"),
]


@pytest.mark.parametrize("metallised", [False, True])
@pytest.mark.parametrize(("stack", "kind"), GUIDED)
def test_energy(stack, kind: str, metallised: bool) -> None:
    """Shares add up to one and half of the energy is kinetic (equipartition)."""
    wave = located(stack, kind, metallised=metallised)
    shares = energy_shares(wave)
    layers = [f"layer[{i}]" for i in range(len(stack.layers))]
    assert [share.body for share in shares] == ["vacuum", *reversed(layers), "substrate"]
    assert sum(share.total for share in shares) == pytest.approx(1.0, abs=1e-13)
    assert sum(share.kinetic for share in shares) == pytest.approx(0.5, abs=1e-12)
    assert all(min(s.kinetic, s.strain, s.electric) >= 0.0 for s in shares)
    assert (shares[0].total > 0.0) == (stack.is_piezoelectric and not metallised)
    assert shares[0].kinetic == shares[0].strain == 0.0


@pytest.mark.parametrize(("stack", "kind"), GUIDED)
def test_penetration_and_shares_against_sampled_fields(stack, kind: str) -> None:
    wave = located(stack, kind)
    wavelength = 2.0 * np.pi / wave.wavenumber.real
    x, weight = np.polynomial.legendre.leggauss(1200)
    tops = np.cumsum([0.0, *(layer.thickness for layer in reversed(stack.layers))])
    deep = tops[-1] + (300.0 if kind.startswith("Bl") else 30.0) * wavelength
    materials = [*(layer.material for layer in reversed(stack.layers)), stack.material]
    kinetic, above, depth = [], 0.0, penetration_depth(wave)
    for material, top, bottom in zip(materials, tops, [*tops[1:], deep], strict=True):
        d = top + 0.5 * (bottom - top) * (x + 1.0)
        u = depth_profile(wave, d).displacement
        energy = material.density * np.sum(np.abs(u) ** 2, axis=1)
        # every call scales its fields to a largest of one: undo it by the surface's value
        u0 = depth_profile(wave, np.append(0.0, d)).displacement
        energy *= (np.linalg.norm(u0[-1]) / np.linalg.norm(u[-1]) / np.linalg.norm(u0[0])) ** 2
        kinetic.append(0.5 * (bottom - top) * np.sum(weight * energy))
        reach = min(depth, bottom)
        if reach > top:
            inner = top + 0.5 * (reach - top) * (x + 1.0)
            v = depth_profile(wave, np.append(0.0, inner)).displacement
            v = v[1:] / np.linalg.norm(v[0])
            dense = material.density * np.sum(np.abs(v) ** 2, axis=1)
            above += 0.5 * (reach - top) * np.sum(weight * dense)
    shares = [share.kinetic for share in energy_shares(wave)[1:]]
    np.testing.assert_allclose(np.array(kinetic) / sum(kinetic), 2.0 * np.array(shares), atol=1e-8)
    assert above / sum(kinetic) == pytest.approx(1.0 - np.exp(-2.0), abs=1e-8)


def test_fields_are_continuous_through_the_layers() -> None:
    wave = located(LAYERED)
    profile = depth_profile(wave)
    assert set(profile.body) == {0, 1, 2}
    for depth in (2e-6, 3e-6):
        near = depth_profile(wave, [0.0, depth - 1e-15, depth + 1e-15])
        np.testing.assert_allclose(near.displacement[1], near.displacement[2], atol=1e-7)
        np.testing.assert_allclose(near.potential[1], near.potential[2], rtol=1e-6)
        assert near.body[1] != near.body[2]


@pytest.mark.parametrize(("stack", "kind"), [*GUIDED, (LEAKY_TANTALATE, "leaky-estimate")])
def test_the_form_of_a_wave_vanishes(stack, kind: str) -> None:
    form = WaveForm(located(stack, kind))
    assert abs(form.total) < 1e-12 * abs(form.by_wavenumber)


def test_leaky_waves_have_no_energy_and_grow_with_depth() -> None:
    wave = located(LEAKY_TANTALATE, "leaky-estimate", metallised=True)
    for question in (energy_shares, energy_velocity, penetration_depth):
        with pytest.raises(InputError, match="neither leaks"):
            question(wave)
    k = wave.wavenumber
    far = depth_profile(wave, [0.0, 2000.0 / k.real, 4000.0 / k.real]).displacement
    assert np.linalg.norm(far[2]) > np.linalg.norm(far[1])


@pytest.mark.parametrize("depth", [-1e-6, np.nan, []])
def test_refused_depths(depth) -> None:
    with pytest.raises(InputError, match="below the surface"):
        depth_profile(located(SILICA), depth)


def test_refused_share() -> None:
    with pytest.raises(InputError, match="between 0 and 1"):
        penetration_depth(located(SILICA), 1.0)
