"""Which wave of the metallised surface is which of the free one: by their motion at all depths.

At the surface all waves of a thick film move alike; their profiles do not. A wave is carried down
from its displacement at the surface, slab by slab and into the substrate, with the impedances of
all interfaces kept from the way up, so that nothing grows that should decay, and

    likeness = |int rho u_a^H u_b dx3|^2 / (int rho |u_a|^2 dx3  int rho |u_b|^2 dx3)

to all but a twentieth. The pairs are those whose likenesses add up to most (an assignment
problem). A metal can only slow a guided wave down: a partner is never faster than its free wave.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from sawfem.planewave.admittance import SurfaceAdmittance, below
from sawfem.planewave.generalised import Array, ComplexArray
from sawfem.planewave.layers import Groups, amplitudes, through, wave_groups
from sawfem.planewave.limiting import slowest_unstiffened
from sawfem.planewave.modes import SurfaceMode

#: Parts of a wavelength of the slowest bulk wave in which a profile is sampled; most slabs of
#: a layer; samples in the substrate.
FINE = 0.2
MOST = 400
DEEP = 24
#: Share of the motion of the surface in the likeness, and least likeness of a pair.
SURFACE = 0.05
LEAST = 0.03
#: Relative excess of a partner's velocity that is rounding.
ROUNDING = 1.0e-9


def profiles(
    admittance: SurfaceAdmittance, omega: float, modes: Sequence[SurfaceMode]
) -> ComplexArray:
    """Motion against depth, (w, samples * displacements), of norm one.

    Weighted by the square root of density times thickness, so that products are integrals.

    Parameters
    ----------
    admittance : of the stack, restricted to the modes' components, with layers.
    modes : guided waves of this stack, of either surface.
    """
    substrate, layers = admittance.tensors
    velocity = np.array([mode.velocity for mode in modes])
    k, one = omega / velocity, np.ones(len(modes))
    z = below(substrate, one, velocity)
    passed: list[tuple[Groups, ComplexArray, float]] = []
    for index, (tensor, thickness) in enumerate(layers):
        if index in admittance.shorts or tensor.conducting:
            z = admittance.grounded(z)
        phase = thickness * omega / slowest_unstiffened(tensor)
        slabs = min(1 + math.ceil(phase / (2.0 * math.pi * FINE)), MOST)
        groups, _ = wave_groups(tensor, one, velocity, k * (thickness / slabs))
        weight = math.sqrt(tensor.density * thickness / slabs)
        for _ in range(slabs):
            passed.append((groups, z, weight))
            z = through(groups, z)
    family = list(modes[0].family)
    u = np.array([mode.displacement[family] for mode in modes])
    depth = _Depth(substrate.moving, u)
    for groups, z_below, weight in reversed(passed):
        depth.take(weight)
        a, b = amplitudes(groups, z_below)
        depth.go(groups[2] @ a + b)
    if not substrate.is_vacuum:
        step = FINE * 2.0 * math.pi * slowest_unstiffened(substrate) / omega
        (_, _, down, _), _ = wave_groups(substrate, one, velocity, k * step)
        for _ in range(DEEP):
            depth.take(math.sqrt(substrate.density * step))
            depth.go(down)
    return depth.profile()


class _Depth:
    """A walk downwards: displacements (w, n) of norm one and the logarithm of their size."""

    def __init__(self, moving: int, u: ComplexArray) -> None:
        self.moving, self.u, self.size = moving, u, np.zeros(len(u))
        self.samples: list[tuple[Array, ComplexArray]] = []

    def take(self, weight: float) -> None:
        """Keep the motion here."""
        self.samples.append((self.size, weight * self.u[:, : self.moving]))

    def go(self, transfer: ComplexArray) -> None:
        """To the next place below, by its displacement per displacement here (w, n, n)."""
        n = transfer.shape[-1]
        here = self.u[:, :n]
        if here.shape[1] < n:  # a conductor above: phi = 0
            here = np.concatenate([here, np.zeros((len(here), 1))], axis=1)
        u = (transfer @ here[:, :, None])[..., 0]
        norm = np.linalg.norm(u, axis=1) + 1e-300
        self.u, self.size = u / norm[:, None], self.size + np.log(norm)

    def profile(self) -> ComplexArray:
        """All samples of a wave in one row of norm one."""
        largest = np.max([size for size, _ in self.samples], axis=0)
        scaled = [np.exp(size - largest)[:, None] * part for size, part in self.samples]
        flat = np.concatenate(scaled, axis=1)
        return np.asarray(flat / np.linalg.norm(flat, axis=1, keepdims=True))


def likeness(
    admittance: SurfaceAdmittance,
    omega: float,
    free: Sequence[SurfaceMode],
    metallised: Sequence[SurfaceMode],
) -> Array:
    """Likeness (f, m) of the waves of both surfaces, 0 to 1; parameters as :func:`profiles`.

    A share SURFACE of it is the likeness of the motions of the surface alone: that decides where
    a wave near a limit reaches so deep that no profile is like it.
    """
    if not free or not metallised:
        return np.zeros((len(free), len(metallised)))
    both = profiles(admittance, omega, [*free, *metallised])
    top = np.array([mode.displacement[:3] for mode in (*free, *metallised)])
    deep, above = (
        np.abs(rows[: len(free)].conj() @ rows[len(free) :].T) ** 2 for rows in (both, top)
    )
    return np.asarray((1.0 - SURFACE) * deep + SURFACE * above)


def paired(
    free: Sequence[SurfaceMode], metallised: Sequence[SurfaceMode], alike: Array
) -> list[tuple[SurfaceMode | None, SurfaceMode | None]]:
    """Waves of both surfaces as pairs, slowest first, with None where one has no partner.

    alike : (f, m), likeness.
    """
    v, w = (np.array([mode.velocity for mode in side]) for side in (free, metallised))
    allowed = (w <= v[:, None] * (1.0 + ROUNDING)) & (alike > LEAST)
    pairs: list[tuple[SurfaceMode | None, SurfaceMode | None]] = []
    left, right = set(range(len(free))), set(range(len(metallised)))
    for i, j in _assigned(np.where(allowed, alike, -1.0)):
        if allowed[i, j]:
            pairs.append((free[i], metallised[j]))
            left.remove(i)
            right.remove(j)
    pairs += [(free[i], None) for i in left] + [(None, metallised[j]) for j in right]
    return sorted(pairs, key=lambda pair: (pair[0] or pair[1]).velocity)  # type: ignore[union-attr]


def _assigned(gain: Array) -> list[tuple[int, int]]:
    """Rows and columns of the assignment with the largest sum of gains."""
    if gain.size == 0:
        return []
    best, mutual = gain.argmax(axis=1), gain.argmax(axis=0)
    rows = np.arange(len(gain))
    if gain.shape[0] == gain.shape[1] and np.array_equal(mutual[best], rows):
        return list(zip(rows.tolist(), best.tolist(), strict=True))
    from scipy.optimize import linear_sum_assignment  # heavy, and rarely needed

    chosen = linear_sum_assignment(-gain)
    return list(zip(chosen[0].tolist(), chosen[1].tolist(), strict=True))
