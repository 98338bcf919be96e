"""Bulk plane waves of a medium: velocities, polarisations and power flow by direction.

For a wave vector along the unit vector n, with G_iJKl of :mod:`sawfem.conventions`,

    (Gamma - rho v^2) a = 0,   Gamma_jk = g_jk - g_j4 g_4k / g_44,   g_JK = n_i G_iJKl n_l,

the stiffened Christoffel equation. The power flows along the group velocity, which is the energy
velocity in a lossless medium and normal to the slowness surface,

    V_i = dv/dn_i = A_J G_iJKl n_l A_K / (rho v),   A = (a, phi),  phi = -g_4k a_k / g_44,

so that V . n / v = 1 (Auld, Acoustic Fields and Waves in Solids, vol. 1, ch. 7 and 8, 1973).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sawfem.errors import InputError, MaterialError

if TYPE_CHECKING:
    from sawfem.material import Medium

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class BulkWaves:
    """The three bulk waves of each direction, slowest first (arrays of shape (..., 3)).

    Where two velocities coincide the polarisations are any two of their plane, and the power flow
    is that of those two.

    Attributes
    ----------
    direction : (..., 3), unit wave vectors, device axes (x1 propagation, x3 outward normal).
    velocity : (..., 3), phase velocities, m/s.
    polarisation : (..., 3, 3), real unit vectors; [..., wave, component], largest one positive.
    group_velocity : (..., 3, 3), m/s; [..., wave, component].
    """

    direction: Array
    velocity: Array
    polarisation: Array
    group_velocity: Array

    @property
    def slowness(self) -> Array:
        """The slowness curves n / v, (..., 3, 3), s/m; [..., wave, component]."""
        return np.asarray(self.direction[..., None, :] / self.velocity[..., None])

    @property
    def longitudinal_share(self) -> Array:
        """(a . n)^2, (..., 3): 1 for a purely longitudinal wave, 0 for a shear wave."""
        return np.asarray(np.einsum("...wi,...i->...w", self.polarisation, self.direction) ** 2)

    @property
    def power_flow_angle(self) -> Array:
        """Angle between wave vector and power flow, (..., 3), degrees, 0 to 90."""
        along = np.einsum("...wi,...i->...w", self.group_velocity, self.direction)
        across = self.group_velocity - along[..., None] * self.direction[..., None, :]
        return np.asarray(np.degrees(np.arctan2(np.linalg.norm(across, axis=-1), along)))

    def steering(self, plane: str) -> Array:
        """Angle from wave vector to power flow within a plane, (..., 3), degrees.

        plane : "sagittal", positive from x1 towards x3, or "surface", from x1 towards x2.
        """
        first, second = _plane(plane)
        wave = np.arctan2(self.direction[..., second], self.direction[..., first])
        power = np.arctan2(self.group_velocity[..., second], self.group_velocity[..., first])
        turn = power - wave[..., None]
        return np.asarray(np.degrees(np.mod(turn + math.pi, 2.0 * math.pi) - math.pi))


def bulk_waves(medium: Medium, direction: ArrayLike) -> BulkWaves:
    """Bulk waves of a medium for any directions.

    Parameters
    ----------
    medium : in the device frame; a conductor carries them with its plain stiffness.
    direction : (..., 3), wave vectors of any length.

    Raises
    ------
    InputError : a direction of length zero or not of three finite numbers. MaterialError : vacuum.
    """
    n = np.asarray(direction, dtype=float)
    if n.shape[-1:] != (3,) or not np.all(np.isfinite(n)) or np.any(np.all(n == 0.0, axis=-1)):
        raise InputError(
            key="direction", found="not a direction", expected="three finite numbers, not all zero"
        )
    if not medium.density > 0.0:
        raise MaterialError(found="vacuum", expected="a medium that carries bulk waves")
    n = n / np.linalg.norm(n, axis=-1, keepdims=True)
    gamma = np.einsum("...i,ijkl,...l->...jk", n, medium.stiffness, n)
    coupling = np.einsum("...i,ikl,...l->...k", n, medium.piezoelectric, n)
    permittivity = np.einsum("...i,ik,...k->...", n, medium.permittivity, n)
    conductor = medium.is_conductor
    if conductor:
        coupling, permittivity = 0.0 * coupling, np.ones_like(permittivity)
    stiffening = coupling[..., :, None] * coupling[..., None, :] / permittivity[..., None, None]
    squares, vectors = np.linalg.eigh(gamma + stiffening)
    velocity = np.sqrt(squares / medium.density)
    a = np.swapaxes(vectors, -1, -2)
    largest = np.take_along_axis(a, np.argmax(np.abs(a), axis=-1)[..., None], axis=-1)
    a = a * np.sign(largest)
    phi = np.einsum("...k,...wk->...w", coupling, a) / permittivity[..., None]
    motion = np.concatenate([a, phi[..., None]], axis=-1)
    tensor = medium.generalised_tensor()
    if conductor:
        tensor[:, 3], tensor[:, :, 3] = 0.0, 0.0
    flux = np.einsum("...wj,ijkl,...l,...wk->...wi", motion, tensor, n, motion, optimize=True)
    return BulkWaves(n, velocity, a, flux / (medium.density * velocity)[..., None])


def bulk_in_plane(medium: Medium, angle: ArrayLike, plane: str = "sagittal") -> BulkWaves:
    """Bulk waves for wave vectors in one plane of the cut.

    Parameters
    ----------
    angle : (...), degrees from x1. plane : "sagittal", towards x3, or "surface", towards x2.

    Raises
    ------
    InputError : another plane, or angles that are not finite.
    """
    radians = np.radians(np.asarray(angle, dtype=float))
    direction = np.zeros((*radians.shape, 3))
    first, second = _plane(plane)
    direction[..., first], direction[..., second] = np.cos(radians), np.sin(radians)
    return bulk_waves(medium, direction)


def _plane(plane: str) -> tuple[int, int]:
    planes = {"sagittal": (0, 2), "surface": (0, 1)}
    if plane not in planes:
        raise InputError(key="plane", found=plane, expected="sagittal or surface")
    return planes[plane]
