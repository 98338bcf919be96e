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

from collections.abc import Callable, Collection, Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from sawfem.conventions import STRESS
from sawfem.planewave.counting import VACUUM
from sawfem.planewave.generalised import (
    Array,
    ComplexArray,
    GeneralisedTensor,
    Numbers,
    generalised_tensor,
    layer_tensor,
    turn_about_normal,
)
from sawfem.planewave.layers import top_impedance
from sawfem.planewave.modes import SurfaceMode
from sawfem.planewave.partial_waves import impedances, stroh_matrix, sylvester

if TYPE_CHECKING:
    from sawfem.material import Medium

#: Step of the differences in the turn (radians) and in ln k, for a layer thin against 1 / k.
STEP = 1.0e-3


def power_flow_angle(
    substrate: Medium,
    layers: Sequence[tuple[Medium, float]],
    omega: float,
    velocity: float,
    displacement: ComplexArray,
    *,
    metallised: bool = False,
    shorts: Collection[int] = (),
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
    shorts : interfaces held at phi = 0, as for :class:`.SurfaceAdmittance`.
    """
    k = omega / velocity
    first = _Turning(generalised_tensor(substrate), substrate.density / STRESS)
    rest = [
        (_Turning(layer_tensor(m), m.density / STRESS, m.is_conductor), k * h) for m, h in layers
    ]
    potential = not (metallised or _shorted(layers, shorts))
    size = 4 if potential else 3
    u = np.asarray(displacement)[:size]

    def flow(step: float) -> tuple[float, float]:
        slopes = _slopes(first, rest, frozenset(shorts), velocity, step)
        by_angle, by_wavenumber = (slope[:size, :size] for slope in slopes)
        along = np.real(u.conj() @ by_wavenumber @ u)
        if potential:
            along -= VACUUM * abs(u[3]) ** 2
        return float(np.real(u.conj() @ by_angle @ u)), float(along)

    step = STEP / (1.0 + k * sum(height for _, height in layers))
    across, along = flow(step)
    if layers:
        across_again, along_again = flow(0.5 * step)
        change = np.hypot(across - across_again, along - along_again)
        if change > 1e-4 * np.hypot(across, along):
            return None
        across, along = across_again, along_again
    return float(np.degrees(np.arctan2(across, along)))


def _shorted(layers: Sequence[tuple[Medium, float]], shorts: Collection[int]) -> bool:
    return len(layers) in shorts or bool(layers and layers[-1][0].is_conductor)


class _Turning:
    """One medium in axes turned about the normal: its blocks, and how they change."""

    def __init__(self, tensor: Array, density: float, conducting: bool = False) -> None:
        self.tensor, self.density, self.conducting = tensor, density, conducting

    def at(self, angle: float) -> GeneralisedTensor:
        """Blocks after a turn by ``angle``, radians."""
        tensor = turn_about_normal(self.tensor, angle) if angle else self.tensor
        if self.conducting:
            return GeneralisedTensor.of_conductor(tensor[:, :3, :3, :], self.density)
        return GeneralisedTensor.from_tensor(tensor, self.density)

    def changes(self, family: tuple[int, ...]) -> tuple[GeneralisedTensor, tuple[Array, ...]]:
        """Blocks of components that couple to no others, and their derivatives by the angle.

        The turn couples them to the others at once, but that moves a wave to second order only.
        """
        if family == (0, 1, 2, 3):
            return self.at(0.0), self.derivative()
        pick = np.ix_(family, family)
        change = tuple(block[pick] for block in self.derivative())
        return self.at(0.0).restricted(family), change

    def derivative(self) -> tuple[Array, Array, Array]:
        """d/d(angle) of (g33, g31, g11) at no turn: each index of G turns by itself."""
        turn = np.zeros((4, 4))
        turn[0, 1], turn[1, 0] = 1.0, -1.0
        g = self.tensor

        def components(block: Array) -> Array:
            return np.asarray(turn @ block - block @ turn)  # the turn is skew

        g32, g12, g21 = g[2, :, :, 1], g[0, :, :, 1], g[1, :, :, 0]
        return (
            components(g[2, :, :, 2]),
            components(g[2, :, :, 0]) + g32,
            components(g[0, :, :, 0]) + g12 + g21,
        )


def _slopes(
    first: _Turning,
    layers: Sequence[tuple[_Turning, float]],
    shorts: frozenset[int],
    velocity: float,
    step: float,
) -> ComplexArray:
    """d/d(angle) and d/d(ln k) of scaled Y over k, (2, n, n); k times thickness for layers."""
    s = np.array([velocity])
    z, slope = _half_space_slopes(first, s)
    slope = slope[:, 0]
    for index, (layer, height) in enumerate(layers):
        if index in shorts or layer.conducting:
            z, slope = z[:, :3, :3], slope[:, :3, :3]
        above = top_impedance(layer.at(0.0), np.array([1.0]), s, np.array([height]), z)
        new = np.empty((2, *above.shape[1:]), dtype=complex)
        for number, (turning, stretching) in enumerate(((1.0, 0.0), (0.0, 1.0))):
            change = slope[number]
            # The impedance below may be steep beside a branch point: scale its step to size.
            shrink = 1.0 / max(1.0, float(np.linalg.norm(change)))

            def top(
                p: float,
                *,
                layer: _Turning = layer,
                height: float = height,
                z: ComplexArray = z,
                change: ComplexArray = change,
                shrink: float = shrink,
                turning: float = turning,
                stretching: float = stretching,
            ) -> ComplexArray:
                tensor = layer.at(p * shrink * turning)
                q = np.array([1.0 + p * shrink * stretching])
                return top_impedance(tensor, q, s, np.array([height]), z + p * shrink * change)

            new[number] = _difference(top, step)[0] / shrink
        z, slope = above, new
    return np.asarray(1j * slope)


def half_space_flows(
    substrate: Medium, modes: Sequence[SurfaceMode], free: NDArray[np.bool_]
) -> Array:
    """:func:`power_flow_angle` of several waves of one half-space at once, degrees (w,).

    Parameters
    ----------
    modes : as :mod:`.modes` finds them on the half-space. free : (w,), whether vacuum lies above.
    """
    first = _Turning(generalised_tensor(substrate), substrate.density / STRESS)
    angles = np.empty(len(modes))
    for family in dict.fromkeys(mode.family for mode in modes):
        which = [number for number, mode in enumerate(modes) if mode.family == family]
        chosen, vacuum = [modes[number] for number in which], free[which]
        tensor, change = first.changes(family)
        velocity = np.array([mode.velocity for mode in chosen])
        z = _impedances(tensor, velocity, [mode.impedance for mode in chosen])
        slopes = _turned(tensor, change, velocity, z)
        u = np.array([mode.displacement for mode in chosen])[:, list(family)]
        if tensor.electric:
            u[~vacuum, -1] = 0.0
        across, along = np.real(1j * np.einsum("wi,dwij,wj->dw", u.conj(), slopes, u))
        if tensor.electric:
            along = along - np.where(vacuum, VACUUM * np.abs(u[:, -1]) ** 2, 0.0)
        angles[which] = np.degrees(np.arctan2(across, along))
    return angles


def _impedances(
    tensor: GeneralisedTensor, velocity: Array, known: Sequence[ComplexArray | None]
) -> ComplexArray:
    """Z (w, n, n) at q = 1, from the search where it kept them."""
    kept = [z for z in known if z is not None]
    if len(kept) == len(known):
        return np.array(kept)
    return impedances(tensor, np.ones_like(velocity), velocity)[0]


def _half_space_slopes(first: _Turning, velocity: Array) -> tuple[ComplexArray, ComplexArray]:
    """Z (w, n, n) of the half-space at q = 1, and dZ by angle and by q, (2, w, n, n), exact."""
    tensor, change = first.changes((0, 1, 2, 3))
    if tensor.is_vacuum:
        # Z = j eps_0 |q| for the potential alone: no change by turning, proportional to q.
        z = np.zeros((velocity.size, tensor.size, tensor.size), dtype=complex)
        z[:, -1, -1] = -1j * tensor.g33[-1, -1]
        return z, np.stack([np.zeros_like(z), z])
    z, _ = impedances(tensor, np.ones_like(velocity), velocity)
    return z, _turned(tensor, change, velocity, z)


def _turned(
    tensor: GeneralisedTensor, change: tuple[Array, ...], velocity: Array, z: ComplexArray
) -> ComplexArray:
    """Change of Z by angle and by q, (2, w, n, n), from the changes of the blocks by the angle."""
    turned, inverse, stiffness, _ = tensor.stroh_blocks
    n = tensor.size
    d33, d31, d11 = change
    d_inverse = -inverse @ d33 @ inverse
    d_turned = d_inverse @ tensor.g31 + inverse @ d31
    d_stiffness = d11 - d31.T @ turned - tensor.g31.T @ d_turned
    dm = np.zeros((2, 1, 2 * n, 2 * n))
    dm[0, 0, :n, :n], dm[0, 0, :n, n:] = d_turned, d_inverse
    dm[0, 0, n:, :n], dm[0, 0, n:, n:] = -d_stiffness, d_turned.T
    dm[1, 0, :n, :n], dm[1, 0, n:, n:] = turned, turned.T
    dm[1, 0, n:, :n] = -2.0 * stiffness
    m = stroh_matrix(tensor, np.ones_like(velocity), velocity)
    left = m[:, n:, n:] - z @ m[:, :n, n:]
    right = m[:, :n, :n] + m[:, :n, n:] @ z
    source = dm[..., n:, :n] + dm[..., n:, n:] @ z
    source = source - z @ (dm[..., :n, :n] + dm[..., :n, n:] @ z)
    return sylvester(left, right, -source)


def _difference(function: Callable[[float], Numbers], step: float) -> Numbers:
    """Central difference of the fourth order at 0."""
    near = function(step) - function(-step)
    far = function(2.0 * step) - function(-2.0 * step)
    return (8.0 * near - far) / (12.0 * step)
