"""Velocities of all waves that a free or a metallised surface carries without leaking.

Every wave is bracketed by counting (:mod:`.counting`) and then polished to rounding on the one
eigenvalue of the surface matrix that passes through zero. On a half-space the count is exact and
rises with the velocity. On a layered stack the frequency is held fixed; the count is exact at
every velocity, and a wave can only be missed if a second one with negative group velocity (phase
and group of opposite signs) undoes its step inside one cell of the scan.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sawfem.planewave.admittance import SurfaceAdmittance
from sawfem.planewave.counting import Inertia, hermitian, inertia, surface_matrix
from sawfem.planewave.generalised import Array, ComplexArray, uncoupled_components
from sawfem.planewave.limiting import bulk_onsets
from sawfem.planewave.roots import bracketed_root

#: Angular frequency at which half-spaces, which know no scale, are computed, rad/s.
HALF_SPACE_FREQUENCY = 2.0e9 * np.pi
#: Cells of the scan of a layered stack, uniform in sqrt(1 - v^2 / v_limit^2).
SCAN_CELLS = 96
#: Nearest approach to the limiting velocity, as sqrt(1 - v^2 / v_limit^2): 5e-13 in velocity.
NEAREST = 1.0e-6


@dataclass(frozen=True, eq=False)
class SurfaceMode:
    """One wave of one surface.

    Attributes
    ----------
    velocity : m/s. displacement : complex, (u1, u2, u3, phi / FIELD) at the surface, or those of
        them that the search was restricted to; without phi under a metallised surface.
    attenuation : -Im k / Re k, 0 for a wave that does not leak.
    """

    velocity: float
    displacement: ComplexArray
    attenuation: float = 0.0


class ModeSearch:
    """Search on one stack and one surface condition at one frequency."""

    def __init__(self, admittance: SurfaceAdmittance, omega: float, *, metallised: bool) -> None:
        self.admittance, self.omega, self.metallised = admittance, omega, metallised
        self.potentials = int(admittance.tensors[0].electric and not metallised)
        self.limit = bulk_onsets(admittance.tensors[0])[0]

    def velocity(self, depth: float) -> float:
        """Velocity at depth = sqrt(1 - v^2 / v_limit^2), in which Y is smooth up to the limit."""
        return float(self.limit * np.sqrt(1.0 - depth**2))

    def inertia(self, depth: Array) -> Inertia:
        """Counts at the depths (m,)."""
        k = self.omega / (self.limit * np.sqrt(1.0 - np.asarray(depth) ** 2))
        return inertia(self.admittance, np.full_like(k, self.omega), k, metallised=self.metallised)

    def matrix(self, depth: float) -> ComplexArray:
        """Hermitian surface matrix (n, n)."""
        k = np.array([self.omega / self.velocity(depth)])
        omega = np.array([self.omega])
        return hermitian(surface_matrix(self.admittance, omega, k, metallised=self.metallised)[0])

    def eigenvalue(self, depth: float, index: int) -> float:
        """Eigenvalue ``index`` (ascending) of the surface matrix."""
        return float(np.linalg.eigvalsh(self.matrix(depth))[index])

    def modes(self) -> tuple[SurfaceMode, ...]:
        """All waves, slowest first."""
        layered = bool(self.admittance.tensors[1])
        cells = SCAN_CELLS if layered else 12
        slowest = np.sqrt(1.0 - 0.05**2)
        depths = np.linspace(NEAREST, slowest, cells + 1)
        counts = self.inertia(depths).count
        while counts[-1] > 0 and depths[-1] < 1.0 - 1e-9:  # a wave slower than the scan's start
            deeper = np.sqrt(1.0 - 0.25 * (1.0 - depths[-1] ** 2))
            depths = np.append(depths, deeper)
            counts = np.append(counts, self.inertia(np.array([deeper])).count)
        found: list[SurfaceMode] = []
        for cell in np.flatnonzero(np.diff(counts)):
            self._resolve(depths[cell], depths[cell + 1], found)
        return tuple(sorted(found, key=lambda mode: mode.velocity))

    def _resolve(self, near: float, far: float, found: list[SurfaceMode]) -> None:
        """Add the waves between two depths, near < far, by halving until each stands alone."""
        ends = self.inertia(np.array([near, far]))
        step = int(ends.count[0] - ends.count[1])
        if step == 0:
            return
        clean = ends.buried[0] == ends.buried[1]
        middle = 0.5 * (near + far)
        if far - near < 4e-16 * max(far, 1e-3):
            found.extend([self._mode(middle)] * abs(step))
        elif abs(step) == 1 and clean:
            index = int(min(ends.count - ends.buried)) + self.potentials
            depth = bracketed_root(lambda d: self.eigenvalue(d, index), near, far)
            found.append(self._mode(depth))
        elif clean and far - near < 1e-13:
            found.extend([self._mode(middle)] * abs(step))
        else:
            self._resolve(near, middle, found)
            self._resolve(middle, far, found)

    def _mode(self, depth: float) -> SurfaceMode:
        values, vectors = np.linalg.eigh(self.matrix(depth))
        return SurfaceMode(self.velocity(depth), vectors[:, int(np.argmin(np.abs(values)))])


def surface_modes(
    admittance: SurfaceAdmittance, omega: float, *, metallised: bool
) -> dict[tuple[int, ...], tuple[SurfaceMode, ...]]:
    """All waves of a stack that do not leak, by families of components that do not couple.

    Parameters
    ----------
    admittance : of the stack, all four components. omega : rad/s; without meaning for a bare
        half-space.

    Returns
    -------
    Family of components (0, 1, 2 displacements, 3 potential) -> its waves, slowest first.
    """
    substrate, layers = admittance.tensors
    result = {}
    for family in uncoupled_components([substrate, *(tensor for tensor, _ in layers)]):
        if family == (3,):
            continue
        search = ModeSearch(admittance.restricted(family), omega, metallised=metallised)
        modes = [
            SurfaceMode(mode.velocity, embedded(mode.displacement, family))
            for mode in search.modes()
        ]
        result[family] = tuple(modes)
    return result


def embedded(part: ComplexArray, family: tuple[int, ...]) -> ComplexArray:
    """Displacement and potential in all four places, |u| = 1 and the largest u real."""
    displacement = np.zeros(4, dtype=complex)
    displacement[list(family)[: len(part)]] = part
    displacement /= np.linalg.norm(displacement[:3])
    largest = displacement[int(np.argmax(np.abs(displacement[:3])))]
    return np.asarray(displacement * (abs(largest) / largest))
