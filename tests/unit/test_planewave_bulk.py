"""Bulk waves of a cut against closed forms, differences and the limits of the surface waves."""

import numpy as np
import pytest
from support.known_waves import isotropic

from sawfem.design import Stack
from sawfem.errors import InputError, MaterialError
from sawfem.material import Medium, load_material
from sawfem.planewave.bulk import bulk_in_plane, bulk_waves
from sawfem.planewave.generalised import GeneralisedTensor
from sawfem.planewave.limiting import bulk_onsets, sheet_limits

NIOBATE = Stack("lithium-niobate/kovacs-1990", euler=(10, 110, 35)).media()[0]
ANGLES = np.linspace(0.0, 360.0, 73)


def directions(count: int, seed: int = 3) -> np.ndarray:
    return np.random.default_rng(seed).normal(size=(count, 3))


@pytest.mark.parametrize("poisson", [0.0, 0.25, 0.45])
def test_isotropic_closed_form(poisson: float) -> None:
    """v_s^2 = mu / rho and v_l^2 = (lambda + 2 mu) / rho, power along the wave vector."""
    waves = bulk_waves(isotropic(poisson), directions(20))
    shear = np.sqrt(31.2e9 / 2200.0)
    longitudinal = shear * np.sqrt((2.0 - 2.0 * poisson) / (1.0 - 2.0 * poisson))
    expected = np.broadcast_to([shear, shear, longitudinal], (20, 3))
    np.testing.assert_allclose(waves.velocity, expected, rtol=1e-13)
    np.testing.assert_allclose(
        waves.longitudinal_share, np.broadcast_to([0, 0, 1], (20, 3)), atol=1e-12
    )
    assert waves.power_flow_angle.max() < 1e-5
    assert np.abs(waves.steering("sagittal")[:, 2]).max() < 1e-5


def test_stiffened_velocities_along_the_axis_of_lithium_niobate() -> None:
    """Along Z: rho v^2 = c44 (shear, twice) and c33 + e33^2 / eps33 (class 3m, Auld 1973)."""
    crystal = load_material("lithium-niobate/kovacs-1990")
    waves = bulk_waves(crystal.rotated(np.eye(3)), [0.0, 0.0, 2.0])
    stiffened = (
        crystal.stiffness[2, 2] + crystal.piezoelectric[2, 2] ** 2 / (crystal.permittivity[2, 2])
    )
    expected = np.sqrt(
        np.array([crystal.stiffness[3, 3], crystal.stiffness[3, 3], stiffened]) / crystal.density
    )
    np.testing.assert_allclose(waves.velocity, expected, rtol=1e-12)


def test_power_flow_is_the_gradient_of_the_frequency() -> None:
    """V = d omega / d k by central differences; omega = |k| v(k / |k|)."""
    n = directions(12)
    waves, step = bulk_waves(NIOBATE, n), 1e-5
    unit = waves.direction
    for axis in range(3):
        shift = step * np.eye(3)[axis]
        omega = [
            bulk_waves(NIOBATE, unit + sign * shift).velocity
            * np.linalg.norm(unit + sign * shift, axis=-1)[:, None]
            for sign in (1.0, -1.0)
        ]
        slope = (omega[0] - omega[1]) / (2.0 * step)
        np.testing.assert_allclose(waves.group_velocity[..., axis], slope, atol=2e-5 * 7e3)


def test_energy_velocity_along_the_slowness_is_one() -> None:
    waves = bulk_waves(NIOBATE, directions(50))
    product = np.einsum("...wi,...wi->...w", waves.group_velocity, waves.slowness)
    np.testing.assert_allclose(product, 1.0, rtol=1e-12)
    norms = np.linalg.norm(waves.polarisation, axis=-1)
    np.testing.assert_allclose(norms, 1.0, rtol=1e-13)


def test_power_is_normal_to_the_slowness_curve() -> None:
    """In the sagittal plane, by differences of the curve itself."""
    step = 1e-3
    before, here, after = (bulk_in_plane(NIOBATE, ANGLES + d) for d in (-step, 0.0, step))
    tangent = after.slowness - before.slowness
    tangent = tangent / np.linalg.norm(tangent, axis=-1, keepdims=True)
    along = np.einsum("...wi,...wi->...w", here.group_velocity, tangent)
    apart = np.diff(here.velocity, axis=-1).min(axis=-1) > 1.0
    assert apart.sum() > 60
    assert np.abs(along[apart] / here.velocity[apart]).max() < 1e-6


def test_onsets_are_where_the_power_flows_along_the_surface() -> None:
    """Least velocities v / n_1 of the sheets are the limits of the surface waves."""
    tensor = GeneralisedTensor.from_medium(NIOBATE)
    angle = np.linspace(-89.0, 89.0, 35_601)
    waves = bulk_in_plane(NIOBATE, angle)
    trace = waves.velocity / np.cos(np.radians(angle))[:, None]
    np.testing.assert_allclose(trace.min(axis=0), sheet_limits(tensor), rtol=1e-9)
    assert bulk_onsets(tensor)[0] == pytest.approx(trace.min(), rel=1e-9)
    lowest = int(np.argmin(trace[:, 0]))
    assert abs(waves.group_velocity[lowest, 0, 2]) < 1e-4 * waves.velocity[lowest, 0]


def test_steering_in_both_planes() -> None:
    surface = bulk_in_plane(NIOBATE, ANGLES, "surface")
    assert np.all(surface.direction[:, 2] == 0.0)
    assert surface.steering("surface").shape == (73, 3)
    reversed_ = bulk_in_plane(NIOBATE, ANGLES + 180.0, "surface")
    np.testing.assert_allclose(surface.velocity, reversed_.velocity, rtol=1e-12)
    np.testing.assert_allclose(
        surface.steering("surface"), reversed_.steering("surface"), atol=1e-7
    )


def test_metal_carries_bulk_waves_without_a_potential() -> None:
    metal = load_material("aluminium/kaye-laby").rotated(np.eye(3))
    assert metal.is_conductor
    velocity = bulk_waves(metal, [1.0, 2.0, 3.0]).velocity
    assert velocity[0] == pytest.approx(velocity[1], rel=1e-9)
    assert velocity[2] > 1.5 * velocity[0]


def test_refused() -> None:
    for bad in ([0.0, 0.0, 0.0], [1.0, 2.0], [np.nan, 0.0, 1.0]):
        with pytest.raises(InputError, match="direction"):
            bulk_waves(NIOBATE, bad)
    with pytest.raises(InputError, match="sagittal or surface"):
        bulk_in_plane(NIOBATE, 0.0, "sideways")
    zero = Medium(0.0, np.zeros((3, 3, 3, 3)), np.zeros((3, 3, 3)), 8.85e-12 * np.eye(3))
    with pytest.raises(MaterialError, match="vacuum"):
        bulk_waves(zero, [1.0, 0.0, 0.0])
