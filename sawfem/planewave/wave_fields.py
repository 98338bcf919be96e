"""Fields of a wave against depth, and their integrals.

Half-space: U(x3) = exp(j A x3) U(0), A = M11 + M12 Z. Slab: the waves that a half-space below
would carry, referenced to the slab's top, and those of one above, referenced to its bottom
(:mod:`.layers`), so that no exponential exceeds one. Lengths are in units of 1 / kappa.

The integrals are bilinear: W is the field of the reversed wave (-k; the complex conjugate of U
where nothing leaks), which makes them exist, by continuation, for leaky waves too. In the
half-space P = int W U^T dx3 solves a Sylvester equation, j (A_w P + P A_u^T) = W U^T; slabs are
integrated by Gauss's rule, exactly to rounding.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from sawfem.planewave.generalised import Array, ComplexArray, GeneralisedTensor, Numbers
from sawfem.planewave.layers import GRAZING, exponential
from sawfem.planewave.partial_waves import COINCIDING, impedances, stroh_matrix, sylvester
from sawfem.planewave.stack_matrix import StackMatrix

#: Gauss points of a panel in which no partial wave changes by more than exp(2): error 1e-16.
POINTS = 12
PANEL = 2.0
#: Relative change of frequency at which a slab is taken along which a wave of its own runs
#: exactly: its two groups of partial waves do not span there, while its field is smooth.
NEIGHBOUR = 1.0e-8


def propagator(generator: ComplexArray, distance: Array) -> ComplexArray:
    """exp(j A x) for a generator A (n, n) and distances (m,): (m, n, n)."""
    mu, vectors = np.linalg.eig(generator)
    if abs(np.linalg.det(vectors)) > 1e-13:
        inverse = np.linalg.inv(vectors)
        if np.linalg.norm(inverse) < COINCIDING:
            phases = np.exp(1j * distance[:, None] * mu)
            return np.asarray((vectors * phases[:, None, :]) @ inverse)
    return exponential(1j * distance[:, None, None] * generator)


@dataclass(frozen=True, eq=False)
class HalfSpaceField:
    """Field below x3 = 0: ``generator`` A (n, n), ``top`` the displacements there (n,)."""

    generator: ComplexArray
    top: ComplexArray

    def at(self, x: Array) -> tuple[ComplexArray, ComplexArray]:
        """U and dU/dx3 at x3 = x <= 0 (m,), each (m, n)."""
        u = propagator(self.generator, x) @ self.top
        return u, np.asarray(1j * u @ self.generator.T)


@dataclass(frozen=True, eq=False)
class SlabField:
    """Field for 0 <= x3 <= height: generators of the two groups and their amplitudes (n,)."""

    below: ComplexArray
    above: ComplexArray
    at_top: ComplexArray
    at_bottom: ComplexArray
    height: float

    def at(self, x: Array) -> tuple[ComplexArray, ComplexArray]:
        """U and dU/dx3 at x (m,), each (m, n)."""
        a = propagator(self.below, x - self.height) @ self.at_top
        b = propagator(self.above, x) @ self.at_bottom
        return a + b, np.asarray(1j * (a @ self.below.T + b @ self.above.T))

    @property
    def panels(self) -> int:
        """Panels of Gauss's rule in which the field is smooth to rounding."""
        fastest = max(np.abs(np.linalg.eigvals(a)).max() for a in (self.below, self.above))
        return int(np.ceil(self.height * fastest / PANEL)) + 1


@dataclass(frozen=True, eq=False)
class StackField:
    """The field of one wave: half-space and slabs upwards, grouped by layer."""

    substrate: HalfSpaceField
    layers: tuple[tuple[SlabField, ...], ...]


def stack_field(
    system: StackMatrix, k: complex, nodal: ComplexArray, *, reverse: bool = False
) -> StackField:
    """Field from the displacements of the nodes, (nodes, 4); ``reverse``: of the wave with -k.

    The potential is over FIELD; components outside the system's family are left out.
    """
    u = nodal[:, list(system.family)]
    z = system.below(k)
    q = np.array([(-k if reverse else k) / system.kappa])
    if q[0].imag == 0.0:
        q = q.real
    s = np.array([system.s])
    if system.substrate.is_vacuum:
        half_space = _vacuum_field(system, q, u[0])
    else:
        generator = _generator(stroh_matrix(system.substrate, q, s)[0], z.T if reverse else z)
        half_space = HalfSpaceField(generator, u[0])
    layers, node = [], 0
    for (tensor, thickness), count in zip(system.layers, system.slabs, strict=True):
        height = system.kappa * thickness / count
        ends = u[node : node + count + 1, : tensor.size]  # of a conductor: displacements
        layers.append(_slabs(tensor, q, s, height, ends))
        node += count
    return StackField(half_space, tuple(layers))


def _vacuum_field(system: StackMatrix, q: Numbers, u: ComplexArray) -> HalfSpaceField:
    """The potential phi exp(|k| x3) below a membrane, where nothing moves."""
    n = len(u)
    top = np.where(np.arange(n) < system.substrate.moving, 0.0, u)
    return HalfSpaceField(np.asarray(-1j * q[0] * np.sign(np.real(q[0])) * np.eye(n)), top)


def _generator(matrix: Numbers, z: ComplexArray) -> ComplexArray:
    n = z.shape[-1]
    return np.asarray(matrix[:n, :n] + matrix[:n, n:] @ z)


def _slabs(
    tensor: GeneralisedTensor, q: Numbers, s: Numbers, height: float, ends: ComplexArray
) -> tuple[SlabField, ...]:
    """Fields of equal slabs between given displacements (slabs + 1, n)."""
    matrix = stroh_matrix(tensor, q, s)
    z_below, z_above = impedances(tensor, q, s, both=True)
    below, above = _generator(matrix[0], z_below[0]), _generator(matrix[0], z_above[0])
    gap = np.abs(np.linalg.eigvals(below)[:, None] - np.linalg.eigvals(above)).min()
    if gap < GRAZING:
        return _slabs(tensor, q, s * (1.0 + NEIGHBOUR), height, ends)
    across = np.array([height])
    down, up = propagator(below, -across)[0], propagator(above, across)[0]
    one = np.eye(tensor.size)
    field = np.block([[down, one], [one, up]])
    result = []
    for foot, head in pairwise(ends):
        amplitude = np.linalg.solve(field, np.concatenate([foot, head]))
        top, bottom = np.split(amplitude, 2)
        result.append(SlabField(below, above, top, bottom, height))
    return tuple(result)


@dataclass(frozen=True, eq=False)
class Moments:
    """Integrals over one body, each (4, 4): int W_J U_K, W_J U'_K, W'_J U_K, W'_J U'_K dx3.

    The prime is d/dx3; lengths in units of 1 / kappa.
    """

    plain: ComplexArray
    right: ComplexArray
    left: ComplexArray
    both: ComplexArray


def moments(field: StackField, reverse: StackField, family: tuple[int, ...]) -> tuple[Moments, ...]:
    """Moments of the substrate, then of the layers upwards."""
    bodies = [_half_space_moments(field.substrate, reverse.substrate)]
    for forth, back in zip(field.layers, reverse.layers, strict=True):
        total = [_slab_moments(u, w) for u, w in zip(forth, back, strict=True)]
        bodies.append(np.sum(total, axis=0))
    result = []
    for body in bodies:
        full = np.zeros((4, 4, 4), dtype=complex)
        place = np.ix_(family[: body.shape[-1]], family[: body.shape[-1]])
        for index in range(4):
            full[index][place] = body[index]
        result.append(Moments(*full))
    return tuple(result)


def _half_space_moments(u: HalfSpaceField, w: HalfSpaceField) -> ComplexArray:
    plain = sylvester(w.generator, -u.generator.T, -1j * np.outer(w.top, u.top))
    right, left = 1j * plain @ u.generator.T, 1j * w.generator @ plain
    return np.array([plain, right, left, 1j * left @ u.generator.T])


def _slab_moments(u: SlabField, w: SlabField) -> ComplexArray:
    x, weights = gauss(u.height, max(u.panels, w.panels))
    field, slope = u.at(x)
    back, back_slope = w.at(x)
    pairs = ((back, field), (back, slope), (back_slope, field), (back_slope, slope))
    return np.array([np.einsum("x,xj,xk->jk", weights, a, b) for a, b in pairs])


def gauss(height: float, panels: int) -> tuple[Array, Array]:
    """Points and weights of Gauss's rule on equal panels of [0, height]."""
    nodes, weights = np.polynomial.legendre.leggauss(POINTS)
    half = 0.5 * height / panels
    middles = half * (2.0 * np.arange(panels) + 1.0)
    return (middles[:, None] + half * nodes).ravel(), np.tile(half * weights, panels)
