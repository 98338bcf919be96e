"""Published surface-wave velocities and couplings of half-spaces, and closed forms.

Marks: "found" = read on a public page; "mem+rep" = from memory, the publication is named, and the
set of constants, itself from memory, reproduces the velocity; "calc" = calculated, no publication
behind it: a regression for the named set. A number belongs to one set of constants.
"""

from dataclasses import dataclass

import numpy as np
import pytest
from scipy.optimize import brentq

from sawfem.design import Stack
from sawfem.material import Medium, load_material
from sawfem.planewave import (
    Wave,
    effective_permittivity,
    leaky_estimates,
    limiting_velocity,
    plane_waves,
    static_permittivity,
    surface_waves,
)
from sawfem.planewave.admittance import SurfaceAdmittance
from tests.support.love import love_velocities


@dataclass(frozen=True)
class Row:
    """One published cut; numbers as text, with the digits that were printed."""

    material: str
    euler: tuple[float, float, float]
    free: str
    metallised: str | None
    coupling_percent: str | None
    source: str


HANDBOOK = (
    "Slobodnik, Conway, Delmonico, Microwave Acoustics Handbook 1A, 1973; Slobodnik, Proc. IEEE "
    "64, 581 (1976): mem+rep"
)
ROWS = (
    Row("lithium-niobate/warner-1967", (0, 90, 90), "3487.77", "3403.74", "4.82", HANDBOOK),
    Row("lithium-niobate/kovacs-1990", (0, 90, 90), "3487.3", "3411.0", "4.38", "calc"),
    Row(
        "lithium-niobate/kovacs-1990",
        (0, 38, 0),
        "3978.97",
        "3870.90",
        "5.43",
        "Kovacs et al., IEEE Ultrason. Symp. 1990; Shibayama 1976: mem+rep; 3979 found in "
        "Sensors 17, 2716 (2017), table 1",
    ),
    Row("lithium-niobate/warner-1967", (0, 38, 0), "3994.21", "3887.55", "5.34", "mem+rep"),
    Row(
        "quartz/bechmann-1958",
        (0, 132.75, 0),
        "3158.07",
        "3156.24",
        "0.116",
        "Slobodnik 1973 and 1976; Schulz, Matsinger, Holland 1970: mem+rep",
    ),
    Row("quartz/bechmann-1958", (0, 90, 0), "3159.75", None, "0.185", HANDBOOK),
    Row("lithium-tantalate/warner-1967", (0, 90, 90), "3229.89", None, "0.67", HANDBOOK),
    Row(
        "lithium-tantalate/warner-1967",
        (90, 90, 112.2),
        "3294.84",
        None,
        "0.71",
        "Hirano et al. 1979: mem+rep",
    ),
    Row(
        "langasite/kaminskii-1983",
        (0, 138.5, 26.6),
        "2738.58",
        "2733.89",
        "0.343",
        "Naumenko & Solie, IEEE Trans. UFFC 48, 530 (2001): mem+rep",
    ),
    Row("langasite/bungo-1999", (0, 138.5, 26.6), "2734.06", "2729.52", None, "calc"),
    Row("bismuth-germanium-oxide/kraut-1970", (0, 0, 45), "1680.11", "1668.44", "1.39", HANDBOOK),
    Row("silica/auld-1973", (0, 0, 0), "3411.15", None, None, "Auld 1973; Farnell 1970: mem+rep"),
    Row("silicon/mason-1958", (0, 0, 0), "4917.86", None, None, "Auld 1973; Farnell 1970: mem+rep"),
    Row(
        "aluminium-nitride/tsubouchi-1985", (0, 0, 0), "5607", None, None, "PubMed 16471453: found"
    ),
)


def rayleigh(material: str, euler: tuple[float, float, float]) -> Wave:
    """The slowest wave of a half-space."""
    return plane_waves(Stack(material, euler=euler))[0]


def half_digit(printed: str) -> float:
    """Half a unit of the last printed digit."""
    decimals = len(printed.split(".")[1]) if "." in printed else 0
    return 0.5001 * 10.0**-decimals


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row.material} {row.euler}")
def test_velocity_and_coupling_to_the_digits_printed(row: Row) -> None:
    wave = rayleigh(row.material, row.euler)
    assert wave.kind == "Rayleigh-type"
    assert wave.velocity_free == pytest.approx(float(row.free), abs=half_digit(row.free), rel=0)
    if row.metallised is not None:
        expected = pytest.approx(float(row.metallised), abs=half_digit(row.metallised), rel=0)
        assert wave.velocity_metallised == expected
    if row.coupling_percent is not None:
        printed = row.coupling_percent
        assert wave.coupling_k2 is not None
        percent = pytest.approx(float(printed), abs=half_digit(printed), rel=0)
        assert 100.0 * wave.coupling_k2 == percent


# Derivative of the power-flow angle by the direction, Slobodnik 1973 and 1976: mem+rep. On YZ
# lithium niobate the tabled -1.08 is the difference over +-1 degree; the derivative is -1.105.
@pytest.mark.parametrize(
    ("material", "euler", "printed"),
    [
        ("lithium-niobate/warner-1967", (0, 90, 90), "-1.08"),
        ("quartz/bechmann-1958", (0, 132.75, 0), "0.378"),
        ("quartz/bechmann-1958", (0, 90, 0), "0.654"),
        ("lithium-tantalate/warner-1967", (0, 90, 90), "-0.212"),
        ("bismuth-germanium-oxide/kraut-1970", (0, 0, 45), "-0.307"),
    ],
)
def test_change_of_the_power_flow_angle_with_direction(material, euler, printed) -> None:
    step = 1.0
    angles = [
        rayleigh(material, (euler[0], euler[1], euler[2] + turn)).power_flow_angle
        for turn in (-step, step)
    ]
    slope = (angles[1] - angles[0]) / (2.0 * step)
    assert slope == pytest.approx(float(printed), abs=2.0 * half_digit(printed), rel=0)


def test_power_flow_angle_of_x_112_lithium_tantalate() -> None:
    # Hirano et al. 1979: 1.51 degrees, mem+rep.
    angle = rayleigh("lithium-tantalate/warner-1967", (90, 90, 112.2)).power_flow_angle
    assert angle == pytest.approx(1.51, abs=0.005)


@pytest.mark.parametrize(
    ("material", "euler"),
    [
        ("lithium-niobate/warner-1967", (0, 90, 90)),
        ("quartz/bechmann-1958", (0, 132.75, 0)),
    ],
)
def test_no_power_flow_angle_by_symmetry(material, euler) -> None:
    assert rayleigh(material, euler).power_flow_angle == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(
    ("material", "angle"), [("langasite/kaminskii-1983", -0.31), ("langasite/bungo-1999", -0.11)]
)
def test_power_flow_angle_of_the_langasite_cut(material, angle) -> None:
    """Published as zero (Naumenko & Solie 2001: mem); of these two sets nearly so: calc."""
    found = rayleigh(material, (0, 138.5, 26.6)).power_flow_angle
    assert found == pytest.approx(angle, abs=0.02)


@pytest.mark.parametrize(
    ("material", "rotation", "velocity"),
    [
        ("quartz/bechmann-1958", 42.75, 3158.1),
        ("quartz/bechmann-1958-ieee1978", -42.75, 3158.1),
        ("quartz/bechmann-1958", -42.75, 3289.5),
        ("quartz/bechmann-1958-ieee1978", 42.75, 3289.5),
    ],
)
def test_st_quartz_in_the_axes_of_either_standard(material, rotation, velocity) -> None:
    """The plate turns its sign with that of c14 (axes of 1949 and of IEEE Std 176-1978); the wrong
    pair is another cut. 3158.1: Slobodnik 1973, mem+rep; 3289.5: calc."""
    found = rayleigh(material, (0, rotation + 90.0, 0)).velocity_free
    assert found == pytest.approx(velocity, abs=0.06)


# Leaky cuts: estimates on the branch that SurfaceAdmittance documents.
@pytest.mark.parametrize(
    ("material", "euler", "free", "metallised", "coupling_percent"),
    [
        # Yamanouchi & Shibayama, J. Appl. Phys. 43, 856 (1972): mem+rep.
        ("lithium-niobate/warner-1967", (0, -49, 0), 4792.2, 4379.7, 17.2),
        # Nakamura et al., IEEE Ultrason. Symp. 1977: mem+rep.
        ("lithium-tantalate/smith-welsh-1971", (0, -54, 0), 4211.3, 4112.8, 4.67),
    ],
)
def test_leaky_cuts(material, euler, free, metallised, coupling_percent) -> None:
    waves = leaky_estimates(*Stack(material, euler=euler).media())
    best = max(waves, key=lambda wave: wave.coupling_k2 or 0.0)
    assert best.kind == "leaky-estimate"
    assert best.velocity_free == pytest.approx(free, abs=0.05)
    assert best.velocity_metallised == pytest.approx(metallised, abs=0.05)
    assert 100.0 * best.coupling_k2 == pytest.approx(coupling_percent, abs=0.05)
    assert best.attenuation_free < 1e-4  # "free surface without leakage"


# Capacitance per finger pair at equal strips and gaps, Engan, IEEE Trans. ED-16, 1014 (1969): mem;
# the values are calc.
@pytest.mark.parametrize(
    ("material", "euler", "low", "high"),
    [
        ("lithium-niobate/warner-1967", (0, 38, 0), 488.0, 488.2),
        ("lithium-niobate/kovacs-1990", (0, 38, 0), 493.05, 493.15),
        ("lithium-niobate/warner-1967", (0, 90, 90), 415.5, 416.5),
        ("quartz/bechmann-1958", (0, 132.75, 0), 48.75, 48.85),
        ("lithium-tantalate/smith-welsh-1971", (0, -54, 0), 452.5, 453.5),
    ],
)
def test_static_permittivity(material, euler, low, high) -> None:
    medium, layers = Stack(material, euler=euler).media()
    assert low < 1e12 * static_permittivity(medium, layers) < high


def test_effective_permittivity_has_its_zero_and_pole_at_the_waves() -> None:
    # Ingebrigtsen, J. Appl. Phys. 40, 2681 (1969); Milsom et al., IEEE Trans. SU-24, 147 (1977).
    medium, _ = Stack("lithium-niobate/kovacs-1990", euler=(0, 38, 0)).media()
    wave = surface_waves(medium)[0]
    stack, k = SurfaceAdmittance(medium), 1.0e6

    def permittivity(velocity: float) -> float:
        return float(effective_permittivity(stack, velocity * k, k).real)

    eps_inf = static_permittivity(medium)
    assert abs(permittivity(wave.velocity_free)) < 1e-9 * eps_inf
    assert abs(permittivity(wave.velocity_metallised)) > 1e9 * eps_inf
    assert permittivity(wave.velocity_metallised * (1.0 - 1e-6)) > 0.0
    assert permittivity(wave.velocity_metallised * (1.0 + 1e-6)) < 0.0


# ------------------------------------------------------------------------------- closed forms


def isotropic(density: float, shear: float, poisson: float) -> Medium:
    """Isotropic dielectric from shear modulus and Poisson's ratio."""
    lame = 2.0 * shear * poisson / (1.0 - 2.0 * poisson)
    one = np.eye(3)
    stiffness = lame * np.einsum("ij,kl->ijkl", one, one) + shear * (
        np.einsum("ik,jl->ijkl", one, one) + np.einsum("il,jk->ijkl", one, one)
    )
    return Medium(density, stiffness, np.zeros((3, 3, 3)), 3.0e-11 * one)


@pytest.mark.parametrize("poisson", [-0.3, 0.0, 0.17, 0.25, 0.4, 0.49])
def test_rayleigh_equation_of_isotropic_solids(poisson: float) -> None:
    """(2 - x)^2 = 4 sqrt(1 - x) sqrt(1 - g x), x = (v/vs)^2, g = (vs/vl)^2 (Rayleigh 1885)."""
    medium = isotropic(2200.0, 31.2e9, poisson)
    shear = np.sqrt(31.2e9 / 2200.0)
    ratio = (1.0 - 2.0 * poisson) / (2.0 - 2.0 * poisson)

    def secular(x: float) -> float:
        return (2.0 - x) ** 2 - 4.0 * np.sqrt((1.0 - x) * (1.0 - ratio * x))

    expected = shear * np.sqrt(brentq(secular, 0.3, 1.0 - 1e-12, xtol=1e-15, rtol=1e-15))
    waves = surface_waves(medium)
    assert len(waves) == 1
    assert waves[0].velocity_free == pytest.approx(expected, rel=1e-10)
    assert waves[0].velocity_metallised == pytest.approx(expected, rel=1e-10)
    assert waves[0].coupling_k2 == 0.0
    assert limiting_velocity(medium) == pytest.approx(shear, rel=1e-12)


@pytest.mark.parametrize("wavelengths", [0.1, 1.0, 4.0])
def test_love_waves(wavelengths: float) -> None:
    """Silica on silicon (001)[100], where SH waves see c44 alone: all of them, to 1e-10."""
    layer = load_material("silica/auld-1973").rotated(np.eye(3))
    substrate = load_material("silicon/mason-1958").rotated(np.eye(3))
    omega = 2.0e9 * np.pi
    thickness = wavelengths * 3765.0 / 1.0e9
    expected = love_velocities(layer, substrate, thickness, omega)
    assert expected
    waves = surface_waves(substrate, [(layer, thickness)], omega)
    found = [wave.velocity_free for wave in waves if wave.kind == "Love-type"]
    np.testing.assert_allclose(found, expected, rtol=1e-10)
    assert all(wave.coupling_k2 == 0.0 for wave in waves)


@pytest.mark.parametrize("material", ["zinc-oxide/kobyakov-1980", "aluminium-nitride/mcneil-1993"])
def test_bleustein_gulyaev_wave(material: str) -> None:
    """Class 6mm, c axis along x2 (Bleustein 1968; Gulyaev 1969), with K = e15^2 / (c44' eps11),
    c44' = c44 + e15^2 / eps11, vs^2 = c44' / rho:
    metallised v^2 = vs^2 (1 - K^2), free v^2 = vs^2 (1 - (K / (1 + eps11/eps0))^2)."""
    crystal = load_material(material)
    c44, e15 = crystal.stiffness[3, 3], crystal.piezoelectric[0, 4]
    eps11, eps0 = crystal.permittivity[0, 0], 8.8541878128e-12
    stiffened = c44 + e15**2 / eps11
    shear = np.sqrt(stiffened / crystal.density)
    coupling = e15**2 / (stiffened * eps11)
    waves = plane_waves(Stack(crystal, euler=(0, 90, 0)))
    (wave,) = [wave for wave in waves if wave.kind == "Bleustein-Gulyaev-type"]
    free = shear * np.sqrt(1.0 - (coupling / (1.0 + eps11 / eps0)) ** 2)
    assert wave.velocity_free == pytest.approx(free, rel=1e-10)
    metallised = shear * np.sqrt(1.0 - coupling**2)
    assert wave.velocity_metallised == pytest.approx(metallised, rel=1e-10)
    assert wave.shear_horizontal == pytest.approx(1.0, abs=1e-12)
    # The other wave of this cut is the Rayleigh wave, which does not couple at all.
    (other,) = [wave for wave in waves if wave.kind == "Rayleigh-type"]
    assert other.coupling_k2 == 0.0
