"""The generalised tensor of a medium, as the plane-wave solver needs it: four 4 x 4 blocks.

With the tensor G_iJKl of :mod:`sawfem.conventions` and fields that depend on x1 and x3 only,

    T_3J = G33 dU/dx3 + G31 dU/dx1,   T_1J = G13 dU/dx3 + G11 dU/dx1,   G13 = G31^T,

where Gil[J, K] = G_iJKl. Stiffness is divided by STRESS, the potential by FIELD and the charge
by CHARGE = STRESS / FIELD, so that all blocks are O(1) and the blocks keep their symmetry.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from sawfem.conventions import CHARGE, FIELD, STRESS
from sawfem.errors import GeometryError, MaterialError

if TYPE_CHECKING:
    from sawfem.material import Medium

Array = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]
Indices = NDArray[np.intp]
Mask = NDArray[np.bool_]
#: Real or complex.
Numbers = NDArray[np.inexact[Any]]


@dataclass(frozen=True, eq=False)
class GeneralisedTensor:
    """Blocks of the scaled generalised tensor of one medium, or of some of its components.

    Parameters
    ----------
    g33, g31, g11 : (n, n), dimensionless; n = 4 for (u1, u2, u3, phi), fewer for components that
        move on their own. The potential, where it is among them, comes last. g33 and g11 are
        symmetric.
    density : density over STRESS, s^2/m^2, so that density * velocity^2 is dimensionless.
    electric : the potential is among the components.
    conducting : a metal: elastic only, with one potential throughout, which is no component.
    """

    g33: Array
    g31: Array
    g11: Array
    density: float
    electric: bool = True
    conducting: bool = False

    @classmethod
    def from_medium(cls, medium: Medium) -> GeneralisedTensor:
        """Scale a dielectric or vacuum, SI, device frame. MaterialError if it conducts."""
        return cls.from_tensor(generalised_tensor(medium), medium.density / STRESS)

    @classmethod
    def of_layer(cls, medium: Medium) -> GeneralisedTensor:
        """The same, a conductor allowed: it keeps its displacements alone."""
        if not medium.is_conductor:
            return cls.from_medium(medium)
        return cls.of_conductor(layer_tensor(medium)[:, :3, :3, :], medium.density / STRESS)

    @classmethod
    def of_conductor(cls, stiffness: Array, density: float) -> GeneralisedTensor:
        """A conductor from its scaled stiffness c_ijkl, shape (3, 3, 3, 3)."""
        return cls(
            stiffness[2, :, :, 2],
            stiffness[2, :, :, 0],
            stiffness[0, :, :, 0],
            density,
            electric=False,
            conducting=True,
        )

    @classmethod
    def from_tensor(cls, tensor: Array, density: float) -> GeneralisedTensor:
        """Take the blocks out of the scaled tensor G_iJKl, shape (3, 4, 4, 3)."""
        return cls(tensor[2, :, :, 2], tensor[2, :, :, 0], tensor[0, :, :, 0], density)

    @property
    def size(self) -> int:
        """Number n of field components."""
        return int(self.g33.shape[0])

    @property
    def moving(self) -> int:
        """Number of displacements among the components; they come first."""
        return self.size - 1 if self.electric else self.size

    @property
    def is_vacuum(self) -> bool:
        """Nothing that could move: the half-space under a membrane."""
        return self.density == 0.0

    @cached_property
    def stroh_blocks(self) -> tuple[Array, Array, Array, Array]:
        """(G33^-1 G31, G33^-1, G11 - G13 G33^-1 G31, I'), each (n, n)."""
        inverse = np.asarray(np.linalg.inv(self.g33), dtype=np.float64)
        turned = inverse @ self.g31
        mass: Array = np.diag((np.arange(self.size) < self.moving).astype(float))
        return turned, inverse, self.g11 - self.g31.T @ turned, mass

    def without_charge(self) -> GeneralisedTensor:
        """The displacements alone at k = 0, where D_3 = 0 everywhere.

        Without charge, dphi/dx3 = e.du/dx3 / eps_33, so that T_3 = c^D du/dx3 with the stiffened
        c^D = c + e e^T / eps_33.
        """
        n = self.moving
        stiffness = self.g33[:n, :n]
        if self.electric:
            coupling = self.g33[:n, n]
            stiffness = stiffness - np.outer(coupling, coupling) / self.g33[n, n]
        zero = np.zeros((n, n))
        return replace(self, g33=stiffness, g31=zero, g11=zero, electric=False)

    def restricted(self, components: tuple[int, ...]) -> GeneralisedTensor:
        """Some components of a medium in which they do not couple to the others."""
        kept = tuple(i for i in components if i < 3) if self.conducting else components
        pick = np.ix_(kept, kept)
        return replace(
            self,
            g33=self.g33[pick],
            g31=self.g31[pick],
            g11=self.g11[pick],
            electric=3 in kept,
        )

    def split(self, size: float) -> GeneralisedTensor:
        """A neighbour without degenerate waves: stiffnesses changed by the relative ``size``.

        Isotropic media at rest have partial waves that coincide in direction and decay; the
        neighbour serves as the first guess for them. The pattern is fixed, so that results
        repeat to the bit, and keeps the symmetry of the tensor.
        """
        n = self.moving
        index = np.arange(1, n + 1, dtype=float)
        pattern = np.cos(3.0 * np.add.outer(index, index) + np.multiply.outer(index, index))
        change = np.zeros_like(self.g33)
        change[:n, :n] = size * np.trace(self.g33[:n, :n]) * pattern
        return replace(
            self, g33=self.g33 + change, g31=self.g31 - 0.3 * change, g11=self.g11 + 0.7 * change
        )


def generalised_tensor(medium: Medium) -> Array:
    """Scaled tensor G_iJKl of a medium: shape (3, 4, 4, 3), dimensionless.

    Raises MaterialError for a conductor: there is no field inside, and no potential wave.
    """
    if medium.is_conductor or not np.any(medium.permittivity):
        raise MaterialError(
            found=f"{medium.name or 'a medium'}, a conductor, in a planar stack",
            expected="a dielectric: metal films carry potentials and belong to the electrodes",
        )
    traction = np.array([STRESS, STRESS, STRESS, CHARGE])
    displacement = np.array([1.0, 1.0, 1.0, FIELD])
    return np.asarray(medium.generalised_tensor() * (displacement / traction[:, None])[:, :, None])


def layer_tensor(medium: Medium) -> Array:
    """As :func:`generalised_tensor`; a conductor has its stiffness alone."""
    if not medium.is_conductor:
        return generalised_tensor(medium)
    tensor = np.zeros((3, 4, 4, 3))
    tensor[:, :3, :3, :] = np.asarray(medium.stiffness) / STRESS
    return tensor


def uncoupled_components(tensors: Iterable[GeneralisedTensor]) -> tuple[tuple[int, ...], ...]:
    """Families of components (of 0..3) that do not couple in any of the media.

    ``tensors`` hold all their components, conductors three. In a plane of symmetry, u2 moves
    alone or with the potential, and the potential is alone where nothing is piezoelectric. Each
    family has waves and a limiting velocity of its own.
    """
    coupled = np.eye(4, dtype=bool)
    for tensor in tensors:
        size = np.abs(tensor.g33) + np.abs(tensor.g31) + np.abs(tensor.g31.T) + np.abs(tensor.g11)
        scale = np.sqrt(np.diag(size))
        n = tensor.size
        coupled[:n, :n] |= size > 1e-12 * np.outer(scale, scale)
    for _ in range(2):  # paths of length two, then four
        coupled = (coupled.astype(int) @ coupled.astype(int)) > 0
    return tuple(dict.fromkeys(tuple(np.flatnonzero(row).tolist()) for row in coupled))


def turn_about_normal(tensor: Array, angle: complex) -> Array:
    """G_iJKl in axes turned by ``angle`` (radians) about x3, from x1 towards x2.

    A complex angle theta makes of exp(-j k x1) a field with the real k1 = k cos(theta) and a k2 =
    k sin(theta) that decays: the equations are analytic in the direction.
    """
    cosine, sine = np.cos(angle), np.sin(angle)
    space = np.array([[cosine, sine, 0.0], [-sine, cosine, 0.0], [0.0, 0.0, 1.0]])
    field = np.eye(4, dtype=space.dtype)
    field[:3, :3] = space
    turned = np.einsum("ia,jb,kc,ld,abcd->ijkl", space, field, field, space, tensor, optimize=True)
    return np.asarray(turned)


def checked_layers(layers: Iterable[tuple[Medium, float]]) -> tuple[tuple[Medium, float], ...]:
    """The layers as a tuple, bottom to top. GeometryError for a thickness that is not a length."""
    result = tuple((medium, float(thickness)) for medium, thickness in layers)
    for number, (_, thickness) in enumerate(result):
        if not (np.isfinite(thickness) and thickness > 0.0):
            raise GeometryError(
                key=f"layer[{number}].thickness",
                found=f"{thickness!r} m",
                expected="a positive thickness in metres",
            )
    return result
