"""A stack as the tracking of waves needs it: whole scaled tensors that can be turned and mixed.

The tensor G_iJKl of :mod:`sawfem.conventions` in the units of the solvers, complex where there is
loss (Im c > 0 and Im eps < 0 at exp(+j w t)). Mixing two stacks linearly, 0 <= share <= 1, gives
the path along which a wave is followed from one to the other.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any, cast

import numpy as np

from sawfem.conventions import STRESS
from sawfem.errors import InputError
from sawfem.planewave.admittance import checked_shorts
from sawfem.planewave.generalised import (
    Array,
    GeneralisedTensor,
    Numbers,
    checked_layers,
    generalised_tensor,
    layer_tensor,
    turn_about_normal,
)

if TYPE_CHECKING:
    from sawfem.material import Medium


class LossyTensor(GeneralisedTensor):
    """Blocks of a complex symmetric tensor; the same equations as for a real one."""

    @cached_property
    def stroh_blocks(self) -> tuple[Array, Array, Array, Array]:
        """(G33^-1 G31, G33^-1, G11 - G13 G33^-1 G31, I'), the first three complex."""
        inverse = np.asarray(np.linalg.inv(cast(Any, self.g33)))
        turned = inverse @ self.g31
        mass: Array = np.diag((np.arange(self.size) < self.moving).astype(float))
        return turned, inverse, self.g11 - self.g31.T @ turned, mass


@dataclass(frozen=True, eq=False)
class ScaledMedium:
    """One medium.

    Attributes
    ----------
    tensor : G_iJKl, shape (3, 4, 4, 3), dimensionless; complex where there is loss. That of a
        conductor has its stiffness alone.
    density : over STRESS, s^2/m^2; 0 for air.
    conducting : a metal, whose potential is zero.
    """

    tensor: Numbers
    density: float
    conducting: bool = False

    @classmethod
    def from_medium(cls, medium: Medium) -> ScaledMedium:
        """Scale a dielectric or air given in SI, device frame. MaterialError if it conducts."""
        return cls(generalised_tensor(medium), medium.density / STRESS)

    @classmethod
    def of_layer(cls, medium: Medium) -> ScaledMedium:
        """The same, a conductor allowed."""
        return cls(layer_tensor(medium), medium.density / STRESS, medium.is_conductor)

    @property
    def is_vacuum(self) -> bool:
        """Nothing that could move: the half-space under a membrane."""
        return self.density == 0.0

    @property
    def is_lossy(self) -> bool:
        """The tensor has an imaginary part."""
        return bool(np.iscomplexobj(self.tensor) and np.any(self.tensor.imag))

    @cached_property
    def blocks(self) -> GeneralisedTensor:
        """What the partial waves are made from."""
        kind = LossyTensor if self.is_lossy else GeneralisedTensor
        return self._blocks(kind, self.tensor if self.is_lossy else self.tensor.real)

    @cached_property
    def lossless(self) -> GeneralisedTensor:
        """The blocks of the real part."""
        return self._blocks(GeneralisedTensor, self.tensor.real)

    def _blocks(self, kind: type[GeneralisedTensor], numbers: Numbers) -> GeneralisedTensor:
        tensor = cast(Any, numbers)
        if self.conducting:
            return kind.of_conductor(tensor[:, :3, :3, :], self.density)
        return kind.from_tensor(tensor, self.density)

    def turned(self, angle: complex) -> ScaledMedium:
        """In axes turned by ``angle`` (radians) about x3, from x1 towards x2."""
        tensor = turn_about_normal(cast(Any, self.tensor), angle)
        return ScaledMedium(tensor, self.density, self.conducting)

    def mixed(self, other: ScaledMedium, share: float) -> ScaledMedium:
        """(1 - share) of this medium and ``share`` of another."""
        return ScaledMedium(
            self.tensor + share * (other.tensor - self.tensor),
            self.density + share * (other.density - self.density),
            self.conducting,
        )


@dataclass(frozen=True, eq=False)
class ScaledStack:
    """A half-space with layers, counted upwards; thickness in metres.

    ``shorts`` : interfaces held at phi = 0, 0 below the layers, as for :class:`.SurfaceAdmittance`.
    """

    substrate: ScaledMedium
    layers: tuple[tuple[ScaledMedium, float], ...] = ()
    shorts: frozenset[int] = frozenset()

    @classmethod
    def from_media(
        cls,
        substrate: Medium,
        layers: Iterable[tuple[Medium, float]] = (),
        *,
        shorts: Collection[int] = (),
    ) -> ScaledStack:
        """From media in the device frame. GeometryError, MaterialError as SurfaceAdmittance."""
        scaled = tuple((ScaledMedium.of_layer(m), h) for m, h in checked_layers(layers))
        return cls(ScaledMedium.from_medium(substrate), scaled, checked_shorts(shorts, len(scaled)))

    @property
    def is_membrane(self) -> bool:
        """Whether air lies below the layers."""
        return self.substrate.is_vacuum

    @property
    def media(self) -> tuple[ScaledMedium, ...]:
        """Substrate, then the layers upwards."""
        return (self.substrate, *(medium for medium, _ in self.layers))

    @property
    def thickness(self) -> float:
        """Of all layers together, m."""
        return sum(height for _, height in self.layers)

    def turned(self, angle: complex) -> ScaledStack:
        """The same stack for a wave that runs ``angle`` (radians) from x1 towards x2.

        Complex: for one that decays across, see :func:`.turn_about_normal`.
        """
        return ScaledStack(
            self.substrate.turned(angle),
            tuple((medium.turned(angle), height) for medium, height in self.layers),
            self.shorts,
        )

    def mixed(self, other: ScaledStack, share: float) -> ScaledStack:
        """(1 - share) of this stack and ``share`` of another with as many layers."""
        if len(self.layers) != len(other.layers):
            raise InputError(
                key="layers",
                found=f"{len(other.layers)} layers",
                expected=f"{len(self.layers)}, as in the stack that the wave comes from",
            )
        if share == 1.0:
            return other
        pairs = zip(self.layers, other.layers, strict=True)
        return ScaledStack(
            self.substrate.mixed(other.substrate, share),
            tuple((a.mixed(b, share), h + share * (g - h)) for (a, h), (b, g) in pairs),
            self.shorts,
        )
