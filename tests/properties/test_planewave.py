"""What must hold for the surface admittance of any crystal in any orientation."""

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sawfem.material import Material, Medium, load_material
from sawfem.orientation import Orientation
from sawfem.planewave import SurfaceAdmittance, limiting_velocity, surface_waves
from sawfem.tensors import rotate

K = 2.0 * np.pi / 4.0e-6
NAMES = (
    "lithium-niobate/kovacs-1990",
    "lithium-tantalate/warner-1967",
    "quartz/bechmann-1958",
    "langasite/bungo-1999",
    "bismuth-germanium-oxide/kraut-1970",
    "zinc-oxide/kobyakov-1980",
    "gallium-arsenide/auld-1973",
    "silica/auld-1973",
    "sapphire/wachtman-1960",
)
LIBRARY: dict[str, Material] = {}

angles = st.tuples(*[st.floats(-180.0, 180.0)] * 3)
media = st.tuples(st.sampled_from(NAMES), angles)
velocities = st.floats(500.0, 12e3)
often = settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
seldom = settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.too_slow])


def turned(drawn: tuple[str, tuple[float, float, float]]) -> Medium:
    name, euler = drawn
    material = LIBRARY.setdefault(name, load_material(name))
    return material.rotated(Orientation.from_euler(*euler).rotation)


def distance(a: np.ndarray, b: np.ndarray) -> float:
    return float(np.abs(a - b).max() / np.abs(a).max())


@often
@given(media, velocities)
def test_reversed_wave_is_the_transpose(drawn, velocity) -> None:
    stack = SurfaceAdmittance(turned(drawn))
    forward, backward = stack.scaled(velocity * K, K), stack.scaled(velocity * K, -K)
    assert distance(forward, backward.T) < 1e-8  # a branch point may be near


@often
@given(media, media, velocities, st.floats(1e-8, 5e-6))
def test_reversed_wave_on_a_layered_stack(drawn, film, velocity, thickness) -> None:
    stack = SurfaceAdmittance(turned(drawn), [(turned(film), thickness)])
    forward, backward = stack.scaled(velocity * K, K), stack.scaled(velocity * K, -K)
    assert distance(forward, backward.T) < 1e-8


@often
@given(media, media, velocities, st.floats(1e-8, 5e-6))
def test_no_power_comes_out_of_a_passive_stack(drawn, film, velocity, thickness) -> None:
    """(omega/2) Im(U^H Y U) is the power that goes down: never negative."""
    stack = SurfaceAdmittance(turned(drawn), [(turned(film), thickness)])
    y = stack.scaled(velocity * K, K)
    power = np.linalg.eigvalsh((y - y.conj().T) / 2j)
    assert power.min() > -1e-8 * np.abs(y).max()


@often
@given(media, st.floats(0.0, 0.999))
def test_hermitian_below_the_limiting_velocity(drawn, fraction) -> None:
    medium = turned(drawn)
    y = SurfaceAdmittance(medium).scaled(fraction * limiting_velocity(medium) * K, K)
    assert distance(y, y.conj().T) < 1e-12


@often
@given(media, st.floats(0.01, 0.999))
def test_eigenvalues_fall_with_the_velocity(drawn, fraction) -> None:
    """Barnett & Lothe 1985: the surface impedance falls monotonically below the limit."""
    medium = turned(drawn)
    limit, stack = limiting_velocity(medium), SurfaceAdmittance(medium)
    slow, fast = (
        np.linalg.eigvalsh(stack.scaled(v * limit * K, K)) for v in (0.99 * fraction, fraction)
    )
    assert np.all(fast <= slow + 1e-9 * np.abs(slow).max())


@often
@given(media, velocities, st.floats(1e-3, 1e3))
def test_half_space_knows_no_scale(drawn, velocity, factor) -> None:
    stack = SurfaceAdmittance(turned(drawn))
    small, large = stack.scaled(velocity * K, K), stack.scaled(velocity * K * factor, K * factor)
    assert distance(factor * small, large) < 1e-8


@often
@given(media, angles, velocities)
def test_turning_crystal_and_frame_together_changes_nothing(drawn, extra, velocity) -> None:
    """Constants written in other crystal axes, and the plate cut accordingly."""
    name, euler = drawn
    medium = turned(drawn)
    material = LIBRARY[name]
    other, plate = (Orientation.from_euler(*a).rotation for a in (extra, euler))
    direct = material.rotated(np.eye(3))
    rewritten = [
        rotate(rotate(tensor, other), plate @ other.T)
        for tensor in (direct.stiffness, direct.piezoelectric, direct.permittivity)
    ]
    same = Medium(medium.density, *rewritten)
    before = SurfaceAdmittance(medium).scaled(velocity * K, K)
    after = SurfaceAdmittance(same).scaled(velocity * K, K)
    assert distance(before, after) < 1e-6  # rounding moves branch points by 1e-15, Y by its root


@seldom
@given(media)
def test_metal_only_slows_a_surface_wave(drawn) -> None:
    medium = turned(drawn)
    limit = limiting_velocity(medium)
    for wave in surface_waves(medium):
        assert wave.kind in ("Rayleigh-type", "shear-horizontal-type", "Bleustein-Gulyaev-type")
        if wave.velocity_free and wave.velocity_metallised:
            assert wave.coupling_k2 >= 0.0
            assert wave.velocity_metallised > 0.3 * limit


@seldom
@given(media, st.floats(-60.0, 60.0))
def test_turned_by_half_a_revolution_the_wave_is_the_same(drawn, angle) -> None:
    """A wave and its reverse have one velocity (time reversal) and opposite power flow."""
    name, (first, second, _) = drawn
    forward = surface_waves(turned((name, (first, second, angle))))
    backward = surface_waves(turned((name, (first, second, angle + 180.0))))
    assert len(forward) == len(backward)
    for a, b in zip(forward, backward, strict=True):
        if a.velocity_free and b.velocity_free:
            assert abs(a.velocity_free / b.velocity_free - 1.0) < 1e-9
