"""Waves of interfaces and of solids without layers, against their secular equations."""

import numpy as np
import pytest
from scipy.optimize import brentq
from support.known_waves import isotropic

from sawfem.design import Stack
from sawfem.material import Medium, load_material
from sawfem.planewave import plane_waves, surface_waves


def stoneley_velocity(first: Medium, second: Medium) -> float | None:
    """Slowest root of the secular equation of two welded isotropic solids (Stoneley, Proc. R. Soc.
    A 106, 416 (1924)); here from continuity itself: the four waves exp(-q |x3|) of P and SV type
    at k = 1, displacement (u1, u3) and traction (T31, T33) equal on both sides.
    """

    def columns(medium: Medium, v: float, side: float) -> np.ndarray:
        mu = medium.stiffness[0, 1, 0, 1]
        lame = medium.stiffness[0, 0, 1, 1]
        p = np.sqrt(1.0 - v**2 * medium.density / (lame + 2.0 * mu))
        s = np.sqrt(1.0 - v**2 * medium.density / mu)
        waves = []
        # u = grad(phi) + rot(psi) ~ exp(-j x1 - side q x3); u1 over -j, so that all are real.
        for u1, u3, q in ((1.0, -side * p, p), (side * s, -1.0, s)):
            slope = -side * q
            shear = mu * (slope * u1 + u3)  # T31 over -j
            normal = (lame + 2.0 * mu) * slope * u3 - lame * u1
            waves.append([u1, u3, shear / 1e11, normal / 1e11])
        return np.array(waves).T

    def secular(v: float) -> float:
        return float(np.linalg.det(np.hstack([columns(first, v, 1.0), -columns(second, v, -1.0)])))

    limit = min(np.sqrt(m.stiffness[0, 1, 0, 1] / m.density) for m in (first, second))
    grid = np.linspace(0.6 * limit, limit * (1.0 - 1e-10), 4001)
    values = np.array([secular(v) for v in grid])
    index = np.flatnonzero(values[:-1] * values[1:] < 0.0)
    if index.size == 0:
        return None
    return float(brentq(secular, grid[index[0]], grid[index[0] + 1], xtol=1e-11, rtol=1e-15))


def heavier(medium: Medium, factor: float, stiffer: float | None = None) -> Medium:
    """Density times a factor, stiffness times the same or another one."""
    return Medium(
        factor * medium.density,
        (stiffer or factor) * medium.stiffness,
        np.zeros((3, 3, 3)),
        medium.permittivity,
    )


OMEGA = 2.0e9 * np.pi
GLASS = isotropic(0.25)


@pytest.mark.parametrize(
    ("film", "substrate"),
    [
        (heavier(GLASS, 3.0), GLASS),
        (GLASS, heavier(GLASS, 4.0)),
        (heavier(isotropic(0.35), 5.0), GLASS),
    ],
)
def test_stoneley_wave_under_thirty_wavelengths(film: Medium, substrate: Medium) -> None:
    """Deep under a film the interface carries the Stoneley wave; the surface carries the Rayleigh
    wave of the film, and both are all there is below the shear velocity."""
    expected = stoneley_velocity(film, substrate)
    assert expected is not None
    shear = min(np.sqrt(m.stiffness[0, 1, 0, 1] / m.density) for m in (film, substrate))
    assert 0.85 * shear < expected < 0.997 * shear
    thickness = 30.0 * 2.0 * np.pi * expected / OMEGA
    waves = surface_waves(substrate, [(film, thickness)], OMEGA)
    slow = [wave.velocity_free for wave in waves if wave.velocity_free < shear * (1.0 - 1e-4)]
    (rayleigh,) = surface_waves(film)
    np.testing.assert_allclose(slow, sorted([rayleigh.velocity_free, expected]), rtol=1e-9)


def test_no_stoneley_wave_where_its_equation_has_none() -> None:
    """A light, slow film on a fast solid: below its shear velocity only the Rayleigh wave."""
    film, substrate = GLASS, heavier(GLASS, 1.0, 4.0)
    assert stoneley_velocity(film, substrate) is None
    shear = np.sqrt(31.2e9 / 2200.0)
    waves = surface_waves(substrate, [(film, 30.0 * 2.0 * np.pi * shear / OMEGA)], OMEGA)
    slow = [wave.velocity_free for wave in waves if wave.velocity_free < shear]
    assert slow == pytest.approx([surface_waves(film)[0].velocity_free], rel=1e-9)


@pytest.mark.parametrize("poisson", np.linspace(0.0, 0.49, 50))
def test_rayleigh_equation_over_poissons_ratio(poisson: float) -> None:
    """(2 - x)^2 = 4 sqrt(1 - x) sqrt(1 - g x), x = (v/vs)^2 (Rayleigh 1885), rationalised."""
    ratio = (1.0 - 2.0 * poisson) / (2.0 - 2.0 * poisson)
    x = brentq(
        lambda x: x**3 - 8.0 * x**2 + (24.0 - 16.0 * ratio) * x - 16.0 * (1.0 - ratio),
        0.5,
        1.0 - 1e-9,
        xtol=1e-15,
        rtol=1e-14,
    )
    (wave,) = surface_waves(isotropic(float(poisson)))
    expected = np.sqrt(31.2e9 / 2200.0 * x)
    assert wave.velocity_free == pytest.approx(expected, rel=1e-10)
    assert wave.velocity_metallised == pytest.approx(expected, rel=1e-10)


STACKS = (
    ("silicon/mason-1958", (0, 0, 0), "zinc-oxide/kobyakov-1980", (0, 0, 0)),
    ("lithium-niobate/kovacs-1990", (0, 38, 0), "silica/auld-1973", (0, 0, 0)),
)


@pytest.mark.parametrize(("crystal", "euler", "film", "turned"), STACKS)
def test_layer_split_into_ten(crystal, euler, film, turned) -> None:
    whole, parts = Stack(crystal, euler=euler), Stack(crystal, euler=euler)
    whole = whole.with_layer(film, "2 um", euler=turned)
    for part in range(1, 11):
        parts = parts.with_layer(film, 2e-6 * part / 55.0, euler=turned)
    one, ten = plane_waves(whole, "1 GHz"), plane_waves(parts, "1 GHz")
    assert len(one) == len(ten) > 1
    for a, b in zip(one, ten, strict=True):
        assert a.velocity == pytest.approx(b.velocity, rel=1e-9)
        if a.coupling_k2 is not None:
            assert a.coupling_k2 == pytest.approx(b.coupling_k2, abs=1e-9)


@pytest.mark.parametrize("crystal", ["lithium-niobate/kovacs-1990", "quartz/bechmann-1958"])
def test_layer_of_the_substrates_own_crystal_fifty_wavelengths_thick(crystal) -> None:
    euler = (10.0, 70.0, 20.0)
    (bare,) = plane_waves(Stack(crystal, euler=euler))[:1]
    buried = Stack(crystal, euler=euler).with_layer(crystal, 200e-6, euler=euler)
    (same,) = plane_waves(buried, "1 GHz")[:1]
    assert bare.velocity_free < 4000.0  # fifty wavelengths or more
    assert same.velocity_free == pytest.approx(bare.velocity_free, rel=1e-9)
    assert same.velocity_metallised == pytest.approx(bare.velocity_metallised, rel=1e-9)


def test_film_fifty_wavelengths_thick_hides_the_substrate() -> None:
    film = load_material("silica/auld-1973").rotated(np.eye(3))
    substrate = load_material("silicon/mason-1958").rotated(np.eye(3))
    (alone,) = surface_waves(film)
    thickness = 50.0 * 2.0 * np.pi * alone.velocity_free / OMEGA
    first = surface_waves(substrate, [(film, thickness)], OMEGA)[0]
    assert first.velocity_free == pytest.approx(alone.velocity_free, rel=1e-9)
