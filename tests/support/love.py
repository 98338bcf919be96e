"""Love waves of an isotropic layer on an isotropic half-space: the closed form."""

from __future__ import annotations

import numpy as np
from scipy.optimize import brentq

from sawfem.material import Medium


def love_velocities(layer: Medium, substrate: Medium, thickness: float, omega: float) -> list:
    """Roots of tan(k h b1) = mu2 b2 / (mu1 b1), b1^2 = (v/v1)^2 - 1, b2^2 = 1 - (v/v2)^2
    (Love 1911), without the poles of the tangent."""
    mu1, mu2 = layer.stiffness[1, 2, 1, 2], substrate.stiffness[1, 2, 1, 2]
    v1, v2 = np.sqrt(mu1 / layer.density), np.sqrt(mu2 / substrate.density)

    def secular(v: float) -> float:
        b1, b2 = np.sqrt((v / v1) ** 2 - 1.0), np.sqrt(1.0 - (v / v2) ** 2)
        phase = omega / v * thickness * b1
        return mu1 * b1 * np.sin(phase) - mu2 * b2 * np.cos(phase)

    grid = np.linspace(v1 * (1.0 + 1e-9), v2 * (1.0 - 1e-9), 20_000)
    values = np.array([secular(v) for v in grid])
    return [
        brentq(secular, grid[i], grid[i + 1], xtol=1e-12, rtol=1e-15)
        for i in np.flatnonzero(np.sign(values[:-1]) != np.sign(values[1:]))
    ]
