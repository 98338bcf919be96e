"""Leaky surface waves against publications.

Marks: "mem+rep" = from memory, the publication is named, and the set of constants, itself from
memory, reproduces the velocity; "calc" = calculated, no publication behind it.
"""

from functools import cache

import pytest

from sawfem.design import Stack
from sawfem.planewave.allwaves import ClassifiedWave, WaveSearch, search_waves


@cache
def found(material: str, euler: tuple[float, float, float]) -> WaveSearch:
    return search_waves(*Stack(material, euler=euler).media())


def shear_horizontal(search: WaveSearch) -> ClassifiedWave:
    (wave,) = [wave for wave in search.waves if wave.kind == "leaky shear-horizontal-type"]
    return wave


NIOBATE_41 = ("lithium-niobate/warner-1967", (0, -49, 0))
NIOBATE_64 = ("lithium-niobate/warner-1967", (0, -26, 0))
TANTALATE_36 = ("lithium-tantalate/smith-welsh-1971", (0, -54, 0))
TANTALATE_X31 = ("lithium-tantalate/warner-1967", (90, 90, 31))


@pytest.mark.parametrize(
    ("cut", "free", "metallised", "percent", "digit"),
    [
        # Yamanouchi & Shibayama, J. Appl. Phys. 43, 856 (1972): mem+rep.
        (NIOBATE_41, 4792.2, 4379.7, 17.2, 0.1),
        # Nakamura et al., IEEE Ultrason. Symp. 1977: mem+rep.
        (TANTALATE_36, 4211.3, 4112.8, 4.67, 0.01),
    ],
)
def test_velocities_and_coupling_to_the_digits_printed(
    cut, free, metallised, percent, digit
) -> None:
    wave = shear_horizontal(found(*cut))
    assert wave.velocity_free == pytest.approx(free, abs=0.05, rel=0)
    assert wave.velocity_metallised == pytest.approx(metallised, abs=0.05, rel=0)
    assert 100.0 * wave.coupling_k2 == pytest.approx(percent, abs=0.5 * digit, rel=0)
    assert wave.exceeds == ("slow shear",)
    assert wave.shear_horizontal > 0.5
    assert wave.across is None


def test_41_degree_lithium_niobate_leaks_only_under_metal() -> None:
    """Free surface without leakage, metallised with (Yamanouchi & Shibayama 1972: mem+rep)."""
    wave = shear_horizontal(found(*NIOBATE_41))
    assert wave.attenuation_free < 1e-5
    assert wave.attenuation_metallised > 0.01
    assert wave.attenuation_metallised == pytest.approx(0.0438, abs=1e-4)  # calc


def test_64_degree_lithium_niobate_leaks_only_without_metal() -> None:
    """The opposite of 41 degrees: nearly no leakage metallised (Yamanouchi & Shibayama 1972: mem);
    the velocities 4742 and 4474 m/s are those of the set of Warner: calc."""
    wave = shear_horizontal(found(*NIOBATE_64))
    assert wave.attenuation_metallised < 1e-5
    assert wave.attenuation_free > 0.01
    assert wave.velocity_free == pytest.approx(4742.26, abs=0.01)
    assert wave.velocity_metallised == pytest.approx(4474.76, abs=0.01)


def test_36_degree_lithium_tantalate_hardly_leaks() -> None:
    """Near zero free and metallised (Nakamura et al. 1977: mem+rep)."""
    wave = shear_horizontal(found(*TANTALATE_36))
    assert 0.0 <= wave.attenuation_free < 1e-3
    assert 0.0 <= wave.attenuation_metallised < 1e-3


def test_longitudinal_leaky_wave_of_x_cut_lithium_tantalate() -> None:
    """Between the shear limits and the longitudinal one, motion along x1, strong leakage: calc."""
    search = found(*TANTALATE_X31)
    (wave,) = [wave for wave in search.waves if wave.kind == "leaky longitudinal"]
    assert wave.exceeds == ("slow shear", "fast shear")
    assert wave.velocity < search.limits["longitudinal"]
    assert abs(wave.polarisation[0]) ** 2 > 0.8
    assert wave.velocity_metallised == pytest.approx(6218.71, abs=0.01)
    assert wave.attenuation_metallised == pytest.approx(0.5256, abs=1e-4)


@pytest.mark.parametrize("cut", [NIOBATE_41, TANTALATE_36])
def test_every_root_counted_is_found(cut) -> None:
    search = found(*cut)
    assert search.coverage
    for strip in search.coverage:
        assert strip.counted == strip.found
    for wave in search.waves:
        assert wave.residual < 1e-10
