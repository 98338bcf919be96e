"""Layers by impedances against other ways to compute them."""

import numpy as np
import pytest
from scipy.linalg import expm

from sawfem.design import Stack
from sawfem.material import Medium, load_material
from sawfem.planewave import SurfaceAdmittance, surface_waves
from sawfem.planewave.counting import inertia
from sawfem.planewave.generalised import GeneralisedTensor
from sawfem.planewave.partial_waves import stroh_matrix

K = 2.0 * np.pi / 4.0e-6
MEDIA = {
    "lithium niobate": ("lithium-niobate/kovacs-1990", (0, 38, 0)),
    "quartz, no symmetry": ("quartz/bechmann-1958", (10, 110, 35)),
    "silica": ("silica/auld-1973", (0, 0, 0)),
    "silicon": ("silicon/mason-1958", (0, 0, 0)),
    "zinc oxide": ("zinc-oxide/kobyakov-1980", (0, 0, 0)),
}


def medium(name: str) -> Medium:
    material, euler = MEDIA[name]
    return Stack(material, euler=euler).media()[0]


def distance(a: np.ndarray, b: np.ndarray) -> float:
    """Largest difference of two stacks of matrices, relative to each matrix."""
    return float((np.abs(a - b).max(axis=(-2, -1)) / np.abs(a).max(axis=(-2, -1))).max())


@pytest.mark.parametrize("name", MEDIA)
@pytest.mark.parametrize("thickness", [1e-8, 1e-6, 200e-6])
def test_slab_of_the_substrates_own_crystal_changes_nothing(name: str, thickness: float) -> None:
    own = medium(name)
    v = np.concatenate([[0.0, 1e-3, 1.0], np.linspace(10.0, 12e3, 200)])
    for k in (K, -K, 1e-5 * K):
        bare = SurfaceAdmittance(own).scaled(v * K, k)
        once = SurfaceAdmittance(own, [(own, thickness)]).scaled(v * K, k)
        thrice = SurfaceAdmittance(own, [(own, thickness / 3.0)] * 3).scaled(v * K, k)
        assert distance(bare, once) < 1e-9
        assert distance(bare, thrice) < 1e-9


@pytest.mark.parametrize(
    ("lower", "upper"),
    [(a, b) for a in ("silica", "quartz, no symmetry") for b in MEDIA if a != b],
)
def test_thin_layer_against_the_transfer_matrix(lower: str, upper: str) -> None:
    """Over 0.05 wavelength the transfer matrix exp(j kappa h M) does not overflow yet."""
    base, film, thickness = medium(lower), medium(upper), 0.2e-6
    v = np.linspace(100.0, 9e3, 150)
    tensor = GeneralisedTensor.from_medium(film)
    for k in (K, -K):
        below = SurfaceAdmittance(base).scaled(v * K, k) / (1j * K)
        matrix = stroh_matrix(tensor, np.full(v.shape, k / K), v)
        transfer = expm(1j * K * thickness * matrix)
        top = transfer @ np.concatenate([np.broadcast_to(np.eye(4), below.shape), below], axis=1)
        expected = 1j * K * top[:, 4:] @ np.linalg.inv(top[:, :4])
        found = SurfaceAdmittance(base, [(film, thickness)]).scaled(v * K, k)
        assert distance(expected, found) < 1e-10


@pytest.mark.parametrize("offset", [0.0, 1e-13, -1e-10, 1e-8, -1e-6, 1e-4])
def test_layer_at_its_own_grazing_wave(offset: float) -> None:
    """At the shear velocity of an isotropic layer its partial waves coincide across groups."""
    base, film, thickness = medium("lithium niobate"), medium("silica"), 1.0e-6
    shear = np.sqrt(film.stiffness[1, 2, 1, 2] / film.density)
    omega = shear * K * (1.0 + offset)
    tensor = GeneralisedTensor.from_medium(film)
    below = SurfaceAdmittance(base).scaled(omega, K) / (1j * K)
    matrix = stroh_matrix(tensor, np.array(1.0), np.array(omega / K))
    top = expm(1j * K * thickness * matrix) @ np.concatenate([np.eye(4), below])
    expected = 1j * K * top[4:] @ np.linalg.inv(top[:4])
    found = SurfaceAdmittance(base, [(film, thickness)]).scaled(omega, K)
    assert distance(expected[None], found[None]) < 1e-9


@pytest.mark.parametrize("lower", ["silicon", "quartz, no symmetry"])
def test_layer_fifty_wavelengths_thick_hides_the_substrate(lower: str) -> None:
    film, thickness = medium("zinc oxide"), 50 * 4.0e-6
    v = np.linspace(10.0, 2700.0, 50)  # all partial waves of the layer decay
    buried = SurfaceAdmittance(medium(lower), [(film, thickness)]).scaled(v * K, K)
    assert distance(SurfaceAdmittance(film).scaled(v * K, K), buried) < 1e-12
    # Where waves run through the layer the value must not depend on how the layer is cut.
    v = np.linspace(3000.0, 9000.0, 50)
    once = SurfaceAdmittance(medium(lower), [(film, thickness)]).scaled(v * K, K)
    cut = SurfaceAdmittance(medium(lower), [(film, thickness / 5)] * 5).scaled(v * K, K)
    assert np.isfinite(once).all()
    assert distance(once, cut) < 1e-9


def test_count_of_waves_against_a_scan_of_the_determinant() -> None:
    """The count by inertia equals the waves met by sign changes on a fine scan."""
    base, film = medium("silicon"), medium("zinc oxide")
    omega, thickness = 2.0e9 * np.pi, 8.0e-6
    stack = SurfaceAdmittance(base, [(film, thickness)])
    waves = surface_waves(base, [(film, thickness)], omega)
    velocities = np.array([wave.velocity_free for wave in waves if wave.velocity_free])
    v = np.linspace(2500.0, 5600.0, 500)
    v = v[np.abs(v[:, None] - velocities).min(axis=1) > 1e-3]
    count = inertia(stack, np.full(v.shape, omega), omega / v, metallised=False).count
    np.testing.assert_array_equal(count, (velocities < v[:, None]).sum(axis=1))
    assert len(velocities) > 8


def test_every_layered_wave_is_a_zero_of_its_surface() -> None:
    substrate, layers = (
        Stack("silicon/mason-1958")
        .with_layer("silica/auld-1973", 0.5e-6)
        .with_layer("lithium-tantalate/smith-welsh-1971", 0.6e-6, cut="(YXl)42")
        .media()
    )
    omega = 1.8e9 * np.pi
    waves = surface_waves(substrate, layers, omega)
    stack = SurfaceAdmittance(substrate, layers)
    assert [wave.kind for wave in waves] == ["Rayleigh-type", "Love-type", "Sezawa-type"]
    for wave in waves:
        y = stack.scaled(omega, omega / wave.velocity_metallised)[:3, :3]
        values = np.linalg.eigvalsh(y)
        assert np.abs(values).min() < 1e-9 * np.abs(values).max()


def test_conducting_substrate_is_refused() -> None:
    from sawfem.errors import MaterialError

    metal = load_material("aluminium/kaye-laby").rotated(np.eye(3))
    with pytest.raises(MaterialError, match="conductor"):
        SurfaceAdmittance(metal)


@pytest.mark.parametrize("cover", [0.0, 0.3e-6])
def test_metal_layer_is_a_dielectric_of_its_stiffness_between_shorts(cover: float) -> None:
    """Only phi = 0 at both faces tells a metal from a dielectric without piezoelectricity."""
    metal = load_material("aluminium/kaye-laby").rotated(np.eye(3))
    permittivity = 4e-11 * np.eye(3)
    twin = Medium(metal.density, metal.stiffness, np.zeros((3, 3, 3)), permittivity)
    base, above = medium("lithium niobate"), [(medium("zinc oxide"), cover)] if cover else []
    v = np.linspace(100.0, 9e3, 120)
    real = SurfaceAdmittance(base, [(metal, 0.2e-6), *above])
    same = SurfaceAdmittance(base, [(twin, 0.2e-6), *above], shorts=(0, 1))
    assert real.shorted == same.shorted == (not above)
    found, expected = real.scaled(v * K, K), same.scaled(v * K, K)
    assert distance(expected, found) < 1e-11
    plain = SurfaceAdmittance(base, [(twin, 0.2e-6), *above]).scaled(v * K, K)
    assert distance(plain[:, :3, :3], found[:, :3, :3]) > 1e-3  # the shorts matter
