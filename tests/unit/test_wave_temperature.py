"""Stacks at temperatures, and the definitions of the coefficients."""

import numpy as np
import pytest
from support.known_waves import isotropic

from sawfem.design import Stack
from sawfem.errors import InputError, MaterialError
from sawfem.planewave import plane_waves
from sawfem.planewave.heated_stack import clamped_strain, stack_at_temperature
from sawfem.planewave.temperature import temperature_coefficients

NIOBATE = Stack("lithium-niobate/smith-welsh-1971", euler=(0, 38, 0))
GLASS = {"silica/auld-1973": ["permittivity"]}


@pytest.mark.parametrize("poisson", [0.0, 0.17, 0.345, 0.49])
def test_a_clamped_isotropic_film(poisson: float) -> None:
    """Along the normal alpha_f + 2 nu/(1 - nu) (alpha_f - alpha_s): thin-film elasticity."""
    film, substrate = 23e-6, 14e-6
    strain = clamped_strain(isotropic(poisson), film * np.eye(3), substrate * np.eye(3))
    normal = film + 2.0 * poisson / (1.0 - poisson) * (film - substrate)
    np.testing.assert_allclose(strain, np.diag([substrate, substrate, normal]), atol=1e-18)


def test_a_clamped_film_bears_no_stress_across() -> None:
    """Anisotropic film on an anisotropic substrate: sigma_3j = c_3jkl (strain - free)_kl = 0."""
    film, _ = Stack("quartz/bechmann-1958", euler=(10, 50, 20)).media()
    free = 1e-6 * np.array([[3.0, 0.4, -1.0], [0.4, 7.0, 2.0], [-1.0, 2.0, 5.0]])
    substrate = 1e-6 * np.array([[9.0, 1.0, 0.5], [1.0, 4.0, 0.7], [0.5, 0.7, 2.0]])
    strain = clamped_strain(film, free, substrate)
    stress = np.einsum("ijkl,kl->ij", film.stiffness, strain - free)
    np.testing.assert_allclose(stress[2], 0.0, atol=1e-9)
    np.testing.assert_allclose(strain[:2, :2], substrate[:2, :2], atol=1e-20)
    np.testing.assert_array_equal(strain, strain.T)


def test_pattern_and_density_follow_the_expansion() -> None:
    """Kim & Smith, J. Appl. Phys. 40, 4637 (1969), from memory: alpha11 15.4, alpha33 7.5 ppm/K."""
    along_x = stack_at_temperature(NIOBATE, 35.0)
    assert along_x.stretch - 1.0 == pytest.approx(15.4e-5 + 5.3e-7, abs=1e-12)
    along_z = stack_at_temperature(Stack(NIOBATE.material, euler=(0, 90, 90)), 35.0)
    assert along_z.stretch - 1.0 == pytest.approx(7.5e-5 - 7.7e-7, abs=1e-12)
    volume = (1.0 + 15.4e-5 + 5.3e-7) ** 2 * (1.0 + 7.5e-5 - 7.7e-7)
    assert along_x.substrate.density == pytest.approx(4628.0 / volume, rel=1e-12)


def test_the_surface_stays_a_material_plane() -> None:
    """tan of the angle between the c axis and the normal grows by (1 + a33)/(1 + a11)."""
    warm = stack_at_temperature(NIOBATE, 125.0)
    c11, c33 = (1.0 + 15.4e-4 + 5.3e-5), (1.0 + 7.5e-4 - 7.7e-5)
    angle = np.degrees(np.arctan(np.tan(np.radians(38.0)) * c33 / c11))
    heated = NIOBATE.material.at_temperature(125.0)
    expected = Stack(heated, euler=(0, angle, 0)).media()[0]
    np.testing.assert_allclose(warm.substrate.stiffness, expected.stiffness, rtol=1e-9, atol=1.0)
    fixed = heated.rotated(NIOBATE.orientation.rotation)
    assert np.abs(warm.substrate.stiffness - fixed.stiffness).max() > 1e6


def test_a_clamped_film_keeps_its_mass() -> None:
    stack = NIOBATE.with_layer("silica/auld-1973", "1 um")
    warm = stack_at_temperature(stack, 75.0, hold_constant=GLASS)
    ((film, thickness),) = warm.layers
    area = (1.0 + warm.strain[0, 0]) * (1.0 + warm.strain[1, 1])  # no shear in the plane
    mass = film.density * thickness * area
    assert mass == pytest.approx(2200.0 * 1e-6, rel=1e-7)
    assert thickness < 1e-6  # the substrate pulls it wide


def test_a_film_of_the_substrates_own_crystal_drifts_as_the_bare_half_space() -> None:
    bare = temperature_coefficients(NIOBATE, plane_waves(NIOBATE)[0])
    coated = NIOBATE.with_layer("lithium-niobate/smith-welsh-1971", "3 um", euler=(0, 38, 0))
    film = temperature_coefficients(coated, plane_waves(coated, "1 GHz")[0])
    for name in ("velocity", "delay", "frequency", "expansion"):
        one, other = getattr(bare, name), getattr(film, name)
        assert other.first == pytest.approx(one.first, abs=1e-11)
        assert other.second == pytest.approx(one.second, abs=1e-12)


def test_glass_on_niobate_lowers_its_drift() -> None:
    """Silica grows stiffer with temperature: the principle of temperature compensation
    (Parker & Schulz, Proc. IEEE Ultrason. Symp. 1975: from memory).
    """
    tcf = []
    for thickness in ("1 nm", "200 nm", "400 nm"):
        stack = NIOBATE.with_layer("silica/auld-1973", thickness)
        wave = plane_waves(stack, "1 GHz")[0]
        found = temperature_coefficients(stack, wave, metallised=False, hold_constant=GLASS)
        tcf.append(found.frequency.first)
    bare = temperature_coefficients(NIOBATE, plane_waves(NIOBATE)[0]).frequency.first
    assert tcf[0] == pytest.approx(bare, abs=1e-6)
    assert tcf[0] < tcf[1] - 5e-6 < tcf[2] - 1e-5


def test_signs_and_second_orders_belong_together() -> None:
    """f tau = const, f = v / pattern: coefficients of products of series."""
    found = temperature_coefficients(NIOBATE, plane_waves(NIOBATE)[0])
    v, d, f, a = found.velocity, found.delay, found.frequency, found.expansion
    assert f.first == pytest.approx(-d.first, abs=1e-13)
    assert f.first == pytest.approx(v.first - a.first, abs=1e-13)
    assert f.second == pytest.approx(d.first**2 - d.second, abs=1e-13)
    assert f.second == pytest.approx(v.second - a.second - a.first * f.first, abs=1e-13)
    assert a.first == pytest.approx(15.4e-6, abs=1e-12)
    assert found.held == {}
    assert found.caution is None
    assert found.turnover is None
    assert "TCF -71.3 ppm/K" in str(found)


def test_a_set_without_all_coefficients_is_refused_by_name() -> None:
    tantalate = Stack("lithium-tantalate/smith-welsh-1971", euler=(0, 90, 90))
    wave = plane_waves(tantalate)[0]
    with pytest.raises(MaterialError, match=r"lithium-tantalate/smith-welsh-1971.*e31, e33;"):
        temperature_coefficients(tantalate, wave)
    quartz = Stack("quartz/bechmann-1958", euler=(0, 132.75, 0))
    with pytest.raises(MaterialError, match="e11, e14, eps11, eps33;"):
        temperature_coefficients(quartz, plane_waves(quartz)[0])
    with pytest.raises(MaterialError, match=r"silica/auld-1973.*eps11"):
        stack_at_temperature(NIOBATE.with_layer("silica/auld-1973", "1 um"), 30.0)


def test_what_is_held_is_said() -> None:
    quartz = Stack("quartz/bechmann-1958", euler=(0, 132.75, 0))
    held = ("piezoelectric", "permittivity")
    found = temperature_coefficients(quartz, plane_waves(quartz)[0], hold_constant=held)
    assert found.held == {"quartz/bechmann-1958": held}
    assert "kept constant" in str(found)
    assert found.caution is not None
    with pytest.raises(MaterialError, match="hold_constant"):
        temperature_coefficients(quartz, plane_waves(quartz)[0], hold_constant={"glass": held})


def test_refused_step() -> None:
    with pytest.raises(InputError, match="step"):
        temperature_coefficients(NIOBATE, plane_waves(NIOBATE)[0], step=0.0)
