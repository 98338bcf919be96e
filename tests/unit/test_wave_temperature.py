"""Stacks at temperatures, and the definitions of the coefficients."""

import numpy as np
import pytest
from support.known_waves import isotropic

from sawfem.design import Stack
from sawfem.errors import InputError, MaterialError
from sawfem.material import load_material
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


def plate(material: str, thickness: float, cut: tuple[float, float, float] = (0, 0, 0)) -> Stack:
    return Stack("air").with_layer(material, thickness, euler=cut)


def drift_of(law, material, celsius: float = 25.0, step: float = 10.0) -> float:
    """(1/X) dX/dT of a closed form of the heated material, by differences of fourth order."""
    held = ["permittivity"]
    turns = [n * step for n in range(-2, 3)]
    x = [law(material.at_temperature(celsius + t, hold_constant=held), t) for t in turns]
    return (8.0 * (x[3] - x[1]) - (x[4] - x[0])) / (12.0 * step * x[2])


def test_a_thin_plate_of_silicon_drifts_as_its_plate_velocity() -> None:
    """S0 of a thin plate: sqrt(E / (rho (1 - nu^2))) = sqrt((c11 - c12^2/c11) / rho), SH0:
    sqrt(c44 / rho) (Lamb 1917; on {001} along [100] of a cubic crystal it is the same with its own
    constants). Their drift from the coefficients of the set, rho ~ (1 + alpha dT)^-3.
    """
    alpha = 2.6e-6
    silicon = load_material("silicon/mason-1958")
    stack = plate("silicon/mason-1958", 40e-9)  # kh 0.03: 1e-5 below the limit
    held = {"silicon/mason-1958": ["permittivity"]}
    symmetric, shear = (
        next(w for w in plane_waves(stack, "1 GHz") if abs(w.polarisation[i]) > 0.9) for i in (0, 1)
    )

    def rho(dt: float) -> float:
        return silicon.density / (1.0 + alpha * dt) ** 3

    def plate_velocity(m, dt: float) -> float:
        c11, c12 = m.stiffness[0, 0], m.stiffness[0, 1]
        return float(np.sqrt((c11 - c12**2 / c11) / rho(dt)))

    def shear_velocity(m, dt: float) -> float:
        return float(np.sqrt(m.stiffness[3, 3] / rho(dt)))

    for wave, law in ((symmetric, plate_velocity), (shear, shear_velocity)):
        assert wave.velocity == pytest.approx(law(silicon, 0.0), rel=1e-5)
        found = temperature_coefficients(stack, wave, hold_constant=held)
        velocity = drift_of(law, silicon)
        # 0.0005 ppm/K: what is left of the thickness, 1e-5 of the drift
        assert found.velocity.first == pytest.approx(velocity, abs=5e-10)
        assert found.expansion.first == pytest.approx(alpha, abs=1e-12)
        assert found.delay.first == pytest.approx(alpha - velocity, abs=5e-10)
        assert "expands freely" in str(found.caution)


def test_shear_waves_of_a_plate_feel_its_thickness() -> None:
    """SH1: v = c / sqrt(1 - (c / 2 f h)^2) (closed form); at a fixed pattern, k ~ 1 / (1 + a dT),
    omega^2 = c^2 (k^2 + (pi / h)^2): thickness and length both move it.
    """
    silica = load_material("silica/auld-1973")
    stack = plate("silica/auld-1973", 3e-6)
    wave = next(w for w in plane_waves(stack, "868 MHz") if w.shear_horizontal > 0.5 and w.order)
    k, h, alpha = 2.0 * np.pi * 868e6 / wave.velocity, 3e-6, 5.5e-7

    def frequency(m, dt: float) -> float:
        larger = 1.0 + alpha * dt
        c = np.sqrt(m.stiffness[3, 3] / silica.density * larger**3)
        return float(c * np.hypot(k / larger, np.pi / (h * larger)))

    cold = silica.at_temperature(25.0, hold_constant=["permittivity"])
    assert 2.0 * np.pi * 868e6 == pytest.approx(frequency(cold, 0.0), rel=1e-9)
    found = temperature_coefficients(stack, wave, hold_constant=GLASS)
    x = [
        frequency(silica.at_temperature(25.0 + t, hold_constant=["permittivity"]), t)
        for t in (-20.0, -10.0, 0.0, 10.0, 20.0)
    ]
    expected = (8.0 * (x[3] - x[1]) - (x[4] - x[0])) / (120.0 * x[2])
    assert found.frequency.first == pytest.approx(expected, abs=1e-10)


def test_films_of_a_membrane_expand_without_a_force() -> None:
    """Films of glass and silicon {001}: strain = sum h E/(1 - nu) alpha / sum h E/(1 - nu), with
    biaxial moduli (thin-film elasticity); across, alpha + 2 nu/(1 - nu) (alpha - strain).
    """
    stack = plate("silica/auld-1973", 1e-6).with_layer("silicon/mason-1958", 0.4e-6)
    warm = stack_at_temperature(stack, 75.0, hold_constant=["permittivity"])
    weights, pulls = [], []
    for layer in stack.layers:
        hot = layer.material.at_temperature(75.0, hold_constant=["permittivity"])
        c11, c12 = hot.stiffness[0, 0], hot.stiffness[0, 1]
        biaxial = c11 + c12 - 2.0 * c12**2 / c11
        weights.append(biaxial * layer.thickness)
        pulls.append(layer.material.expansion_strain(75.0)[0, 0])
    strain = np.dot(weights, pulls) / sum(weights)
    np.testing.assert_allclose(warm.strain, np.diag([strain, strain, 0.0]), atol=1e-15)
    assert warm.stretch == pytest.approx(1.0 + strain, abs=1e-14)
    assert pulls[0] < strain < pulls[1]
    for layer, (medium, thickness) in zip(stack.layers, warm.layers, strict=True):
        mass = medium.density * thickness * (1.0 + strain) ** 2
        assert mass == pytest.approx(layer.material.density * layer.thickness, rel=1e-12)
    alone = stack_at_temperature(plate("quartz/bechmann-1958", 1e-6, (0, 50, 20)), 75.0,
                                 hold_constant=["piezoelectric", "permittivity"])  # fmt: skip
    bulk = Stack("quartz/bechmann-1958", euler=(0, 50, 20))
    free = stack_at_temperature(bulk, 75.0, hold_constant=["piezoelectric", "permittivity"])
    # Shear across the plate turns it: that is of second order in strains of 5e-5.
    assert alone.stretch == pytest.approx(free.stretch, abs=3e-9)
    np.testing.assert_allclose(
        alone.layers[0][0].stiffness, free.substrate.stiffness, rtol=1e-12, atol=1e-1
    )
