"""Direction of the power flow of a surface wave, from exact first derivatives.

At fixed frequency the slowness curve k(theta) of directions in the surface gives the group
velocity by its normal, tan(psi) = -(1/k) dk/dtheta, which for a half-space is (1/v) dv/dtheta. A
wave is U with A U = 0, A the matrix of its surface, and to first order A moves by U^H dA U alone:

    tan(psi) = U^H A_theta U / (U^H k A_k U).

The impedance of the half-space is differentiated exactly: with M the Stroh matrix and L = Z U,
(M22 - Z M12) dZ - dZ (M11 + M12 Z) = -(dM21 + dM22 Z - Z dM11 - Z dM12 Z), so that the result also
holds just below the limiting velocity, where Z has a square-root branch. Layers are analytic and
are differentiated by differences of the fourth order.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

import numpy as np

from sawfem.conventions import STRESS
from sawfem.planewave.counting import VACUUM
from sawfem.planewave.generalised import (
    Array,
    ComplexArray,
    GeneralisedTensor,
    Numbers,
    generalised_tensor,
    turn_about_normal,
)
from sawfem.planewave.layers import top_impedance
from sawfem.planewave.partial_waves import impedances, stroh_matrix, sylvester

if TYPE_CHECKING:
    from sawfem.material import Medium

#: Step of the differences in the turn (radians) and in ln k, for a layer thin against 1 / k.
STEP = 1.0e-3

Tensors = Callable[[float], tuple[GeneralisedTensor, list[tuple[GeneralisedTensor, float]]]]


def power_flow_angle(
    substrate: Medium,
    layers: Sequence[tuple[Medium, float]],
    omega: float,
    velocity: float,
    displacement: ComplexArray,
    *,
    metallised: bool = False,
) -> float | None:
    """Angle from x1 to the power flow in the surface, degrees, positive towards x2.

    None for a wave of a thick layered stack that hardly moves the surface: there the slope of A
    cannot be taken (it changes with the step of the differences by more than 1e-4 of it).

    Parameters
    ----------
    substrate, layers : the stack, layers upwards with thickness in metres.
    omega : rad/s. velocity : of the wave, m/s.
    displacement : (4,), (u1, u2, u3, phi / FIELD) at the surface, any norm.
    metallised : phi = 0 at the surface; otherwise vacuum lies above.
    """
    k = omega / velocity
    rest = [(generalised_tensor(medium), medium.density / STRESS, h) for medium, h in layers]
    first = generalised_tensor(substrate), substrate.density / STRESS

    def turned(angle: float) -> tuple[GeneralisedTensor, list[tuple[GeneralisedTensor, float]]]:
        def turn(tensor: Array, density: float) -> GeneralisedTensor:
            return GeneralisedTensor.from_tensor(turn_about_normal(tensor, angle), density)

        return turn(*first), [(turn(tensor, rho), k * h) for tensor, rho, h in rest]

    u = np.asarray(displacement)
    fixed = turned(0.0)

    def flow(step: float) -> tuple[float, float]:
        by_angle = _slope(turned, lambda _: 1.0, velocity, step)
        by_wavenumber = _slope(lambda _: fixed, lambda change: 1.0 + change, velocity, step)
        if not metallised:
            by_wavenumber[3, 3] -= VACUUM
        return float(np.real(u.conj() @ by_angle @ u)), float(np.real(u.conj() @ by_wavenumber @ u))

    step = STEP / (1.0 + k * sum(height for _, height in layers))
    across, along = flow(step)
    if layers:
        across_again, along_again = flow(0.5 * step)
        change = np.hypot(across - across_again, along - along_again)
        if change > 1e-4 * np.hypot(across, along):
            return None
        across, along = across_again, along_again
    return float(np.degrees(np.arctan2(across, along)))


def _slope(
    tensors: Tensors, q: Callable[[float], float], velocity: float, step: float
) -> ComplexArray:
    """d/dp of scaled Y over k at p = 0, for tensors and wavenumber (over kappa = k) of p."""
    s = np.array([velocity])

    def matrix(p: float) -> Numbers:
        return stroh_matrix(tensors(p)[0], np.array([q(p)]), s)

    m, change = matrix(0.0), _difference(matrix, step)
    z, _ = impedances(tensors(0.0)[0], np.array([q(0.0)]), s)
    n = z.shape[-1]
    left = m[:, n:, n:] - z @ m[:, :n, n:]
    right = m[:, :n, :n] + m[:, :n, n:] @ z
    source = change[:, n:, :n] + change[:, n:, n:] @ z
    source = source - z @ (change[:, :n, :n] + change[:, :n, n:] @ z)
    slope = sylvester(left, right, -source)

    def step_of_layer(index: int, z: ComplexArray, slope: ComplexArray) -> ComplexArray:
        # The impedance below may be steep beside a branch point: scale its step to size.
        shrink = 1.0 / max(1.0, float(np.linalg.norm(slope)))

        def top(p: float) -> ComplexArray:
            tensor, height = tensors(p * shrink)[1][index]
            at = np.array([q(p * shrink)])
            return top_impedance(tensor, at, s, np.array([height]), z + p * shrink * slope)

        return np.asarray(_difference(top, step) / shrink, dtype=complex)

    for index, (tensor, height) in enumerate(tensors(0.0)[1]):
        above = top_impedance(tensor, np.array([q(0.0)]), s, np.array([height]), z)
        slope, z = step_of_layer(index, z, slope), above
    return np.asarray(1j * slope[0], dtype=complex)


def _difference(function: Callable[[float], Numbers], step: float) -> Numbers:
    """Central difference of the fourth order at 0."""
    near = function(step) - function(-step)
    far = function(2.0 * step) - function(-2.0 * step)
    return (8.0 * near - far) / (12.0 * step)
