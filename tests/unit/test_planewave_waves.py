"""Partial waves, bulk onsets, roots and the surface-wave search, piece by piece."""

import numpy as np
import pytest
from scipy.linalg import expm, solve_sylvester

from sawfem.design import Stack
from sawfem.errors import GeometryError, UnitError
from sawfem.planewave import (
    Wave,
    estimate_velocities,
    limiting_velocity,
    plane_waves,
    surface_waves,
)
from sawfem.planewave.generalised import GeneralisedTensor, uncoupled_components
from sawfem.planewave.layers import exponential
from sawfem.planewave.limiting import bulk_onsets, trace_velocities
from sawfem.planewave.partial_waves import (
    impedances,
    newton,
    partial_waves,
    residual,
    stroh_matrix,
    sylvester,
    waves_below,
)
from sawfem.planewave.roots import bracketed_root, muller_root


def tensor(material: str, euler=(0, 0, 0)) -> GeneralisedTensor:
    return GeneralisedTensor.from_medium(Stack(material, euler=euler).media()[0])


NIOBATE = tensor("lithium-niobate/kovacs-1990", (0, 38, 0))


def test_stroh_matrix_carries_the_equations_of_motion() -> None:
    """T_1J,1 + T_3J,3 + rho w^2 I' U = 0 with T from the blocks, for each partial wave."""
    q, s = 1.0, 5000.0
    mu, vectors = np.linalg.eig(stroh_matrix(NIOBATE, np.array(q), np.array(s)))
    for value, vector in zip(mu, vectors.T, strict=True):
        u, slope = vector[:4], 1j * value * vector[:4]
        t3 = NIOBATE.g33 @ slope - 1j * q * NIOBATE.g31 @ u
        t1 = NIOBATE.g31.T @ slope - 1j * q * NIOBATE.g11 @ u
        np.testing.assert_allclose(t3, 1j * vector[4:], atol=1e-11)
        inertia = NIOBATE.density * s**2 * np.diag([1.0, 1.0, 1.0, 0.0]) @ u
        np.testing.assert_allclose(-1j * q * t1 + 1j * value * t3 + inertia, 0.0, atol=1e-10)


@pytest.mark.parametrize("velocity", [0.0, 3000.0, 4500.0, 5500.0, 9000.0])
def test_half_of_the_partial_waves_go_below(velocity: float) -> None:
    mu, vectors = partial_waves(stroh_matrix(NIOBATE, np.array([1.0]), np.array([velocity])))
    flux = np.real(np.sum(vectors[0, :4].conj() * vectors[0, 4:], axis=0))
    for value, power in zip(mu[0, :4], flux[:4], strict=True):
        assert value.imag < -1e-8 or (abs(value.imag) < 1e-12 and power > 0.0)
    for value, power in zip(mu[0, 4:], flux[4:], strict=True):
        assert value.imag > 1e-8 or (abs(value.imag) < 1e-12 and power < 0.0)


def test_pair_split_by_rounding_is_ranked_by_its_flux() -> None:
    """Two oscillating waves with one mu come as mu +- j 1e-15: both go down, not one of each."""
    mu = np.array([0.5 + 1e-15j, 0.5 - 1e-15j, -0.5 + 1e-15j, -0.5 - 1e-15j])
    displacement = np.array([[1.0, 0.0, 1.0, 0.0], [0.0, 1.0, 0.0, 1.0]])
    vectors = np.vstack([displacement, displacement * np.array([1.0, 1.0, -1.0, -1.0])])
    order = waves_below(mu[None], vectors[None].astype(complex))[0]
    assert set(order[:2].tolist()) == {0, 1}


@pytest.mark.parametrize("velocity", [0.0, 1e-6, 1.0, 2000.0])
def test_coinciding_waves_of_isotropic_media(velocity: float) -> None:
    """At rest the eigenvectors are parallel; Z still satisfies its equation to rounding."""
    silica = tensor("silica/auld-1973")
    q, s = np.array([1.0]), np.array([velocity])
    below, above = impedances(silica, q, s, both=True)
    matrix = stroh_matrix(silica, q, s)
    for z in (below, above):
        assert np.abs(residual(matrix, z)).max() < 1e-14
    np.testing.assert_allclose(above, below.conj(), atol=1e-13)


def test_newton_refuses_a_far_guess() -> None:
    matrix = stroh_matrix(NIOBATE, np.array([1.0]), np.array([3000.0]))
    z, _ = impedances(NIOBATE, np.array([1.0]), np.array([3000.0]))
    _, sure = newton(matrix, z * (1.0 + 1e-4))
    assert sure.all()
    _, sure = newton(matrix, -3.0 * z + 2.0)
    assert not sure.any()


def test_sylvester_against_scipy() -> None:
    rng = np.random.default_rng(3)
    left, right, constant = rng.normal(size=(3, 2, 4, 4)) + 1j * rng.normal(size=(3, 2, 4, 4))
    found = sylvester(left, right, constant)
    for i in range(2):
        expected = solve_sylvester(left[i], -right[i], constant[i])
        np.testing.assert_allclose(found[i], expected, rtol=1e-10)


def test_exponential_of_defective_matrices_against_scipy() -> None:
    block = np.diag([1.0, 1.0, 1.0], 1).astype(complex)
    stack = np.array([-0.2 * np.eye(4) + block, -30.0 * np.eye(4) + 9.0 * block, 0.0 * block])
    np.testing.assert_allclose(exponential(stack), expm(stack), rtol=1e-12, atol=1e-15)


def test_components_that_do_not_couple() -> None:
    families = uncoupled_components
    assert families([NIOBATE]) == ((0, 1, 2, 3),)
    assert families([tensor("lithium-niobate/warner-1967", (0, 90, 90))]) == ((0, 2, 3), (1,))
    assert families([tensor("zinc-oxide/kobyakov-1980", (0, 90, 0))]) == ((0, 2), (1, 3))
    assert families([tensor("silica/auld-1973")]) == ((0, 2), (1,), (3,))
    both = [tensor("silica/auld-1973"), tensor("zinc-oxide/kobyakov-1980", (0, 90, 0))]
    assert families(both) == ((0, 2), (1, 3))


def test_bulk_onsets() -> None:
    silica = Stack("silica/auld-1973").media()[0]
    lame, mu = silica.stiffness[0, 0, 2, 2], silica.stiffness[0, 2, 0, 2]
    expected = np.sqrt(np.array([mu, lame + 2.0 * mu]) / silica.density)
    np.testing.assert_allclose(bulk_onsets(tensor("silica/auld-1973")), expected, rtol=1e-12)
    # No velocity of any sheet in any direction lies below the limit.
    angle = np.linspace(-1.5, 1.5, 5001)
    for name, euler in [
        ("quartz/bechmann-1958", (10, 110, 35)),
        ("gallium-arsenide/auld-1973", (0, 0, 30)),
    ]:
        limit = limiting_velocity(Stack(name, euler=euler).media()[0])
        slowest = trace_velocities(tensor(name, euler), angle).min()
        assert limit <= slowest < limit * (1.0 + 1e-6)


def test_bracketed_root() -> None:
    assert bracketed_root(np.cos, 1.0, 2.0) == pytest.approx(np.pi / 2, rel=1e-15)
    assert bracketed_root(lambda x: (x - 0.3) ** 3, 0.0, 1.0) == pytest.approx(0.3, abs=1e-6)
    assert bracketed_root(lambda x: x, 0.0, 1.0) == 0.0
    with pytest.raises(ValueError, match="sign"):
        bracketed_root(lambda x: 1.0 + x * x, 0.0, 1.0)


def test_muller_root() -> None:
    root = muller_root(lambda z: z**3 - 1j, 0.8 + 0.4j, 0.05, lambda z: abs(z) < 3.0)
    assert root == pytest.approx(np.exp(1j * np.pi / 6), rel=1e-12)
    assert muller_root(lambda z: z - 100.0, 0.0, 0.1, lambda z: True) is None


def test_free_and_metallised_waves_that_only_one_surface_carries() -> None:
    """SH along 90 degrees on ST quartz: the metal traps a wave that the free surface lets go."""
    waves = plane_waves(Stack("quartz/bechmann-1958", euler=(0, 132.75, 90)))
    (bound,) = [wave for wave in waves if wave.kind == "Bleustein-Gulyaev-type"]
    assert bound.velocity_free is None
    assert bound.coupling_k2 is None
    assert bound.velocity == bound.velocity_metallised
    assert "none" in str(bound)


def test_pseudo_surface_wave_that_symmetry_keeps_from_leaking() -> None:
    """GaAs (001)[110] lies above the slow shear limit, to which it does not couple."""
    stack = Stack("gallium-arsenide/auld-1973", euler=(0, 0, 45))
    (wave,) = plane_waves(stack)
    assert wave.velocity_free > limiting_velocity(stack.media()[0])
    # Farnell 1970; Adler's tables: 2864 m/s, from memory.
    assert wave.velocity_free == pytest.approx(2864.0, abs=1.0)
    assert wave.attenuation_free == 0.0


def test_kinds_in_trade_terms() -> None:
    zinc_oxide_on_silicon = Stack("silicon/mason-1958").with_layer("zinc-oxide/kobyakov-1980", 2e-6)
    kinds = [wave.kind for wave in plane_waves(zinc_oxide_on_silicon, "1 GHz")]
    assert kinds == ["Rayleigh-type", "Love-type", "Sezawa-type", "Love-type"]


def test_strongest_coupling_leads_on_a_leaky_cut() -> None:
    waves = estimate_velocities(*Stack("lithium-tantalate/smith-welsh-1971", cut="(YXl)42").media())
    assert waves[0].kind == "leaky-estimate"
    assert waves[0].shear_horizontal > 0.9
    assert 4100.0 < waves[0].velocity_metallised < 4130.0
    assert waves[0].attenuation_metallised > 0.0
    assert waves[0].power_flow_angle is None


def test_layers_ask_for_a_frequency() -> None:
    substrate, layers = Stack("silicon/mason-1958").with_layer("silica/auld-1973", 1e-6).media()
    with pytest.raises(GeometryError, match="frequency"):
        surface_waves(substrate, layers)
    for omega in (0.0, -1.0, np.nan):
        with pytest.raises(GeometryError, match="positive"):
            surface_waves(substrate, layers, omega)
    with pytest.raises(UnitError):
        plane_waves(Stack("silicon/mason-1958"), "868 furlong")


def test_half_space_ignores_the_frequency() -> None:
    stack = Stack("quartz/bechmann-1958", euler=(0, 132.75, 0))
    assert plane_waves(stack, 1e6) == plane_waves(stack)
    assert plane_waves(stack)[0].frequency is None


def test_wave_prints_itself() -> None:
    wave = Wave("Rayleigh-type", 3158.07, 3156.24, 0.00116, 0.0, (0.6j, 0.0, 0.8))
    assert str(wave) == (
        "Rayleigh-type: free 3158.07 m/s, metallised 3156.24 m/s, K^2 0.116 %, power flow 0 deg"
    )


def test_no_heavy_library_is_needed_for_an_answer() -> None:
    import subprocess
    import sys

    script = (
        "import sys; from sawfem.design import Stack; from sawfem.planewave import plane_waves;"
        "plane_waves(Stack('silicon/mason-1958').with_layer('silica/auld-1973', 1e-6), 1e9);"
        "print([m for m in ('scipy', 'skfem', 'matplotlib', 'h5py') if m in sys.modules])"
    )
    answer = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    assert answer.stdout.strip() == "[]", answer.stderr
