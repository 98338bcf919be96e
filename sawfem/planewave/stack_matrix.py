"""The dynamic stiffness of a stack: one matrix over all its interfaces, singular at each wave.

With the layers cut into slabs, node 0 at the top of the substrate and the last at the surface,

    K(omega, k) (U_0, .., U_N) = forces on the nodes,

K is the sum of the slabs' two-point stiffnesses, of the substrate's surface admittance and,
on a free surface, of the vacuum. Slabs so thin that none has a wave of its own between clamped
faces (:mod:`.counting`) keep K free of poles near a wave, so that a wave buried under layers is
found as well as one at the surface; reciprocity makes K(-k) = K(k)^T. The potential of a node
that touches a conductor is zero and no unknown; below a membrane lies vacuum, which takes up the
charge of its lower face and no force.
"""

from __future__ import annotations

import math

import numpy as np

from sawfem.planewave.admittance import SurfaceAdmittance
from sawfem.planewave.admittance import below as vacuum_below
from sawfem.planewave.counting import VACUUM
from sawfem.planewave.generalised import ComplexArray, GeneralisedTensor, Indices
from sawfem.planewave.layers import CIRCLE, GRAZING, two_point_stiffness, wave_groups
from sawfem.planewave.limiting import slowest_unstiffened
from sawfem.planewave.scaled_stack import ScaledStack

#: All components of a field: three displacements and the potential.
ALL = (0, 1, 2, 3)
#: How often the half-space's step to a complex k may be halved, see :class:`.SurfaceAdmittance`.
CARRY = 16


def slab_counts(stack: ScaledStack, omega: float, velocity: float) -> tuple[int, ...]:
    """Slabs per layer that have no wave of their own between clamped faces at omega.

    A clamped slab of height h has none below v_min sqrt(k^2 + (pi/h)^2), v_min the slowest bulk
    wave at constant field; a tenth is kept in hand, and a change of velocity of a fifth.
    """
    counts = []
    for medium, height in stack.layers:
        bound = slowest_unstiffened(medium.lossless)
        transverse = omega * math.sqrt(max(bound**-2 - (1.2 * velocity) ** -2, 0.0))
        counts.append(math.ceil(height * transverse / (0.9 * math.pi)) + 1)
    return tuple(counts)


class StackMatrix:
    """K of one stack at one frequency, for components that do not couple to the others.

    Parameters
    ----------
    stack : the stack. omega : rad/s, real and positive.
    slabs : slabs per layer. family : components taken, see :func:`.uncoupled_components`.
    metallised : phi = 0 at the surface; otherwise vacuum lies above.
    """

    def __init__(
        self,
        stack: ScaledStack,
        omega: float,
        slabs: tuple[int, ...],
        *,
        family: tuple[int, ...] = ALL,
        metallised: bool,
    ) -> None:
        self.stack, self.omega, self.slabs, self.metallised = stack, omega, slabs, metallised
        self.family = family
        self.substrate = _part(stack.substrate.blocks, family)
        self.layers = tuple((_part(medium.blocks, family), h) for medium, h in stack.layers)
        #: Wavenumber in units of which lengths count, rad/m: that of s = omega / kappa, m/s.
        density = self.substrate.density or self.layers[0][0].density
        self.kappa = omega * math.sqrt(density)
        self.s = omega / self.kappa
        self._below = SurfaceAdmittance.from_tensors(self.substrate, (), halvings=CARRY)
        self._free = self._unknowns()

    @property
    def nodes(self) -> int:
        """Number of interfaces, slabs included."""
        return 1 + sum(self.slabs)

    @property
    def held(self) -> tuple[int, ...]:
        """Nodes whose potential is zero: the surface under a metal, shorts, the metal layers."""
        feet = [sum(self.slabs[:index]) for index in range(len(self.slabs) + 1)]
        found = {feet[index] for index in self.stack.shorts}
        for index, (tensor, _) in enumerate(self.layers):
            if tensor.conducting:
                found |= set(range(feet[index], feet[index + 1] + 1))
        if self.metallised:
            found.add(feet[-1])
        return tuple(sorted(found))

    def _unknowns(self) -> Indices:
        """Places of the unknowns among all components of all nodes."""
        n = self.substrate.size
        kept = np.ones((self.nodes, n), dtype=bool)
        if self.substrate.electric:
            kept[list(self.held), -1] = False
        return np.flatnonzero(kept)

    def __call__(self, k: complex) -> ComplexArray:
        """K over kappa, dimensionless, (n, n); Hermitian where nothing is radiated or lost.

        Unknowns node by node upwards: the family's components, the potential over FIELD.
        ConvergenceError where the half-space cannot be carried to the complex k.
        """
        n = self.substrate.size
        matrix = np.zeros((n * self.nodes,) * 2, dtype=complex)
        matrix[:n, :n] = 1j * self.below(k)
        q = np.array([k / self.kappa])
        if q[0].imag == 0.0:
            q = q.real
        node = 0
        for (tensor, height), count in zip(self.layers, self.slabs, strict=True):
            slab = slab_stiffness(tensor, q, self.s, self.kappa * height / count)
            inside = np.arange(tensor.size)  # a conductor has its displacements alone
            for _ in range(count):
                place = np.concatenate([n * node + inside, n * (node + 1) + inside])
                matrix[np.ix_(place, place)] += slab
                node += 1
        if self.substrate.electric:
            matrix[-1, -1] -= VACUUM * k * np.sign(np.real(k)) / self.kappa
        return np.asarray(matrix[np.ix_(self._free, self._free)])

    def below(self, k: complex) -> ComplexArray:
        """Impedance Z of the substrate at k, (n, n); see :mod:`.partial_waves`."""
        if self.substrate.is_vacuum:
            q, s = np.array([k / self.kappa]), np.array([self.s])
            return np.asarray(vacuum_below(self.substrate, q, s)[0])
        return np.asarray(self._below.scaled(self.omega, k) / (1j * self.kappa))

    def embedded(self, vector: ComplexArray) -> ComplexArray:
        """Unknowns (n,) -> all four components at every node, (nodes, 4)."""
        every = np.zeros(self.nodes * self.substrate.size, dtype=complex)
        every[self._free] = vector
        result = np.zeros((self.nodes, 4), dtype=complex)
        result[:, list(self.family)] = every.reshape(self.nodes, -1)
        return result

    def picked(self, nodal: ComplexArray) -> ComplexArray:
        """(nodes, 4) -> unknowns (n,)."""
        return np.asarray(nodal[:, list(self.family)].ravel()[self._free])


def _part(tensor: GeneralisedTensor, family: tuple[int, ...]) -> GeneralisedTensor:
    return tensor if family == ALL else tensor.restricted(family)


def slab_stiffness(
    tensor: GeneralisedTensor, q: np.ndarray, s: float, height: float
) -> ComplexArray:
    """Forces (-T_3 at the bottom, T_3 at the top) per displacement of both faces, (2n, 2n).

    Where a wave of the slab runs exactly along it the partial waves do not span; K itself is
    analytic there and is the mean over a small circle of frequencies, as in :mod:`.layers`.
    """
    at, heights = np.array([s]), np.array([height])
    groups, gap = wave_groups(tensor, q, at, heights)
    if gap[0] >= GRAZING:
        return np.asarray(1j * two_point_stiffness(groups)[0])
    circle = at[0] * (1.0 + CIRCLE * np.exp(1j * np.pi * (0.25 + 0.5 * np.arange(4))))
    total = np.zeros((2 * tensor.size,) * 2, dtype=complex)
    for nearby in circle:
        groups, _ = wave_groups(tensor, q, np.array([nearby]), heights)
        total += 0.25j * two_point_stiffness(groups)[0]
    return total
