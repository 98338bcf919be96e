"""Bulk waves in the sagittal plane, and the velocity below which a surface wave cannot leak.

A bulk wave of wave vector (k, 0, p k) travels along the surface with v = omega / k, where

    det(Gamma(p) - rho v^2) = 0,  Gamma(p) = c-part + e-part e-part^T / eps-part,

with the generalised tensor contracted by the direction (1, 0, p): the piezoelectrically stiffened
acoustic tensor. The smallest v over all p is the limiting velocity (Barnett & Lothe 1985): below
it no partial wave oscillates, and the surface admittance is Hermitian. Each minimum of a sheet
v(p) is a branch point of Y, the onset of one more radiated wave.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from sawfem.planewave.generalised import Array, GeneralisedTensor

if TYPE_CHECKING:
    from sawfem.material import Medium

#: Directions in which the sheets are first sampled.
DIRECTIONS = 721


def contracted(tensor: GeneralisedTensor, along: Array, normal: Array) -> Array:
    """Generalised tensor contracted twice with the wave vector (along, 0, normal), (..., n, n)."""
    along, normal = np.asarray(along)[..., None, None], np.asarray(normal)[..., None, None]
    mixed = tensor.g31 + tensor.g31.T
    return np.asarray(along**2 * tensor.g11 + along * normal * mixed + normal**2 * tensor.g33)


def acoustic_tensor(tensor: GeneralisedTensor, along: Array, normal: Array) -> Array:
    """Stiffened acoustic tensor for wave vectors (along, 0, normal): (..., m, m), dimensionless,
    for the m displacements among the components of ``tensor``.
    """
    full, m = contracted(tensor, along, normal), tensor.moving
    if not tensor.electric:
        return full
    coupling = full[..., :m, m]
    stiffening = coupling[..., :, None] * coupling[..., None, :] / full[..., m:, m:]
    return np.asarray(full[..., :m, :m] - stiffening)


def trace_velocities(tensor: GeneralisedTensor, angle: Array) -> Array:
    """Velocity along the surface of the bulk waves whose vector points ``angle`` (radians) away
    from x1 towards x3; (..., m) in m/s, ascending; infinite at +-pi/2.
    """
    stiffness = acoustic_tensor(tensor, np.cos(angle), np.sin(angle))
    bulk = np.sqrt(np.linalg.eigvalsh(stiffness) / tensor.density)
    return np.asarray(bulk / np.cos(np.asarray(angle))[..., None])


def bulk_onsets(tensor: GeneralisedTensor) -> tuple[float, ...]:
    """Velocities at which a further bulk wave is radiated, m/s, ascending.

    The smooth minima of the sheets. A kink where two sheets cross is none: there the
    crossing waves only change their order.
    """
    angle = np.linspace(-0.5, 0.5, DIRECTIONS + 2)[1:-1] * np.pi
    sheets = trace_velocities(tensor, angle)
    onsets = []
    for sheet in range(tensor.moving):
        v = sheets[:, sheet]
        for index in np.flatnonzero((v[1:-1] <= v[:-2]) & (v[1:-1] < v[2:])) + 1:
            place, value = _minimum(tensor, sheet, angle[index - 1], angle[index + 1])
            if _is_smooth(tensor, sheet, place, value):
                onsets.append(value)
    distinct: list[float] = []
    for value in sorted(onsets):
        if not distinct or value > distinct[-1] * (1.0 + 1e-12):
            distinct.append(value)
    return tuple(distinct)


def _minimum(tensor: GeneralisedTensor, sheet: int, low: float, high: float) -> tuple[float, float]:
    """Golden-section minimum of one sheet: (angle, velocity)."""
    ratio = 0.5 * (np.sqrt(5.0) - 1.0)

    def velocity(angle: float) -> float:
        return float(trace_velocities(tensor, np.array(angle))[sheet])

    left, right = high - ratio * (high - low), low + ratio * (high - low)
    at_left, at_right = velocity(left), velocity(right)
    while high - low > 1e-9:
        if at_left < at_right:
            high, right, at_right = right, left, at_left
            left = high - ratio * (high - low)
            at_left = velocity(left)
        else:
            low, left, at_left = left, right, at_right
            right = low + ratio * (high - low)
            at_right = velocity(right)
    place = 0.5 * (low + high)
    return place, velocity(place)


def _is_smooth(tensor: GeneralisedTensor, sheet: int, place: float, value: float) -> bool:
    """A minimum rises quadratically, a kink linearly: compare the rise at two distances."""
    near, far = 1e-4, 4e-4
    steps = np.array([-near, near, -far, far])
    rise = trace_velocities(tensor, place + steps)[:, sheet] - value
    return bool(rise[2:].sum() > 8.0 * rise[:2].sum())


def limiting_velocity(medium: Medium) -> float:
    """Limiting velocity of a half-space, m/s: above it a surface wave radiates into the bulk."""
    return bulk_onsets(GeneralisedTensor.from_medium(medium))[0]


def slowest_unstiffened(tensor: GeneralisedTensor) -> float:
    """Lower bound for the velocity of every bulk wave in the sagittal plane at constant field,
    m/s (sampled every half degree, less 2 %).
    """
    angle = np.linspace(0.0, np.pi, 361)
    full = contracted(tensor, np.cos(angle), np.sin(angle))
    least = np.linalg.eigvalsh(full[:, : tensor.moving, : tensor.moving]).min()
    return 0.98 * float(np.sqrt(least / tensor.density))
