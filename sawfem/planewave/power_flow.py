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
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from sawfem.conventions import STRESS
from sawfem.planewave.counting import VACUUM
from sawfem.planewave.generalised import (
    Array,
    ComplexArray,
    GeneralisedTensor,
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


def power_flow_angles(
    substrate: Medium,
    layers: Sequence[tuple[Medium, float]],
    omega: float,
    modes: Sequence[SurfaceMode],
    free: Sequence[bool],
    *,
    shorts: Collection[int] = (),
) -> list[float | None]:
    """Angles from x1 to the power flow in the surface, degrees, positive towards x2, of waves (w,).

    None for a wave of a thick layered stack that hardly moves the surface: there the slope of A
    cannot be taken (it changes with the step of the differences by more than 1e-4 of it).

    Parameters
    ----------
    substrate, layers : the stack, layers upwards with thickness in metres. omega : rad/s.
    modes : waves; velocity and displacement (u1, u2, u3, phi / FIELD) at the surface are used.
    free : (w,), whether vacuum lies above; otherwise phi = 0 at the surface.
    shorts : interfaces held at phi = 0, as for :class:`.SurfaceAdmittance`.
    """
    if not modes:
        return []
    velocity = np.array([mode.velocity for mode in modes])
    k = omega / velocity
    first = _Turning(generalised_tensor(substrate), substrate.density / STRESS)
    rest = [
        (_Turning(layer_tensor(m), m.density / STRESS, m.is_conductor), k * h) for m, h in layers
    ]
    potential = np.array(free, dtype=bool) & (not _shorted(layers, shorts))
    u = np.array([mode.displacement for mode in modes])
    u[~potential, 3] = 0.0

    def flows(step: float) -> Array:
        slopes = _slopes(first, rest, frozenset(shorts), velocity, step)
        v = u[:, : slopes.shape[-1]]
        both = np.real(np.einsum("wi,dwij,wj->dw", v.conj(), slopes, v))
        both[1] -= VACUUM * np.abs(u[:, 3]) ** 2
        return np.asarray(both, dtype=np.float64)

    step = STEP / (1.0 + float(k.max()) * sum(height for _, height in layers))
    sure = np.ones(len(modes), dtype=bool)
    across, along = flows(step)
    if layers:
        again = flows(0.5 * step)
        change = np.hypot(across - again[0], along - again[1])
        sure = change <= 1e-4 * np.hypot(across, along)
        across, along = again
    angles = np.degrees(np.arctan2(across, along))
    return [float(angle) if known else None for angle, known in zip(angles, sure, strict=True)]


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
    layers: Sequence[tuple[_Turning, Array]],
    shorts: frozenset[int],
    velocity: Array,
    step: float,
) -> ComplexArray:
    """d/d(angle) and d/d(ln k) of scaled Y over k, (2, w, n, n); k times thickness for layers."""
    one = np.ones_like(velocity)
    z, slope = _half_space_slopes(first, velocity)
    for index, (layer, height) in enumerate(layers):
        if index in shorts or layer.conducting:
            z, slope = z[:, :3, :3], slope[..., :3, :3]
        arguments = velocity, height, z
        tensor = layer.at(0.0)
        new = np.stack(
            [
                _difference(partial(_turned_top, layer, arguments), step),
                _difference(partial(_stretched_top, tensor, arguments), step),
            ]
        )
        for change, above in zip(slope, new, strict=True):
            # The impedance below may be steep beside a branch point: scale its step to size.
            shrink = 1.0 / np.maximum(1.0, np.linalg.norm(change, axis=(1, 2)))[:, None, None]
            above += _difference(partial(_loaded_top, tensor, arguments, shrink * change), step) / (
                shrink
            )
        z, slope = top_impedance(tensor, one, velocity, height, z), new
    return np.asarray(1j * slope)


Arguments = tuple[Array, Array, ComplexArray]


def _turned_top(layer: _Turning, arguments: Arguments, p: float) -> ComplexArray:
    """Impedance on a layer that is turned by p radians."""
    velocity, height, z = arguments
    return top_impedance(layer.at(p), np.ones_like(velocity), velocity, height, z)


def _stretched_top(tensor: GeneralisedTensor, arguments: Arguments, p: float) -> ComplexArray:
    """Impedance on a layer for wavenumbers 1 + p times larger."""
    velocity, height, z = arguments
    return top_impedance(tensor, np.full_like(velocity, 1.0 + p), velocity, height, z)


def _loaded_top(
    tensor: GeneralisedTensor, arguments: Arguments, change: ComplexArray, p: float
) -> ComplexArray:
    """Impedance on a layer that lies on z + p change."""
    velocity, height, z = arguments
    return top_impedance(tensor, np.ones_like(velocity), velocity, height, z + p * change)


def half_space_flows(
    substrate: Medium, modes: Sequence[SurfaceMode], free: NDArray[np.bool_]
) -> Array:
    """:func:`power_flow_angles` of waves of one half-space, exactly, degrees (w,).

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


def _difference(function: Callable[[float], ComplexArray], step: float) -> ComplexArray:
    """Central difference of the fourth order at 0."""
    near = function(step) - function(-step)
    far = function(2.0 * step) - function(-2.0 * step)
    return np.asarray((8.0 * near - far) / (12.0 * step))
