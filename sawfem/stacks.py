"""Layers and stacks: what lies below the electrodes, described and not computed.

Lengths are kept in metres and hold at 25 degrees Celsius; see :mod:`sawfem.design`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from sawfem.errors import GeometryError
from sawfem.material import AIR, AIR_NAME, Material, Medium
from sawfem.orientation import Orientation
from sawfem.strips import material_of
from sawfem.units import QuantityLike, format_quantity, parse_length

#: What a metal film may be connected to.
POTENTIALS = ("floating", "grounded")


def orientation_of(
    euler: Sequence[float] | None, cut: str | None, orientation: Orientation | None
) -> Orientation:
    """The one orientation that was given; crystal axes along the device axes if none was."""
    given = [item for item in (euler, cut, orientation) if item is not None]
    if len(given) > 1:
        raise GeometryError(
            key="orientation", found="several orientations", expected="euler or cut, not both"
        )
    if orientation is not None:
        return orientation
    if cut is not None:
        return Orientation.from_plate(cut)
    if euler is not None:
        if len(euler) != 3:
            raise GeometryError(
                key="euler", found=f"{len(euler)} angles", expected="three angles in degrees"
            )
        return Orientation.from_euler(*euler)
    return Orientation.from_euler(0.0, 0.0, 0.0)


@dataclass(frozen=True)
class Layer:
    """A film of the stack.

    Attributes
    ----------
    material : a dielectric, or a metal: elastic, with one potential throughout.
    orientation : its axes. thickness : m.
    potential : "floating" or "grounded" for a metal, None for a dielectric. A wave along the film
        (k not 0) leaves it no potential but zero, so that the two differ for a net charge alone.

    Raises
    ------
    GeometryError : a thickness that is none, a potential of a dielectric, air.
    """

    material: Material
    orientation: Orientation
    thickness: float
    potential: str | None = None

    def __post_init__(self) -> None:
        if not (math.isfinite(self.thickness) and self.thickness > 0.0):
            raise GeometryError(
                key="layer.thickness",
                found=f"{self.thickness!r} m",
                expected="a length above zero",
            )
        if self.material.density == 0.0:
            raise GeometryError(
                key="layer.material",
                found=self.material.name,
                expected='a body; air is below a membrane alone: substrate material "air"',
            )
        if self.material.is_conductor:
            object.__setattr__(self, "potential", self.potential or POTENTIALS[0])
        if self.potential is not None and (
            self.potential not in POTENTIALS or not self.material.is_conductor
        ):
            raise GeometryError(
                key="layer.potential",
                found=f'"{self.potential}" of {self.material.name}',
                expected="floating or grounded, of a metal: a dielectric has none",
            )


@dataclass(frozen=True, init=False)
class Stack:
    """A half-space with layers on it, counted upwards from the substrate; or a membrane.

    Parameters
    ----------
    material : the substrate's set, by name, path or as a Material; "air" where the layers are a
        membrane with nothing below.
    euler : three Euler angles in degrees, or
    cut : plate notation of IEEE Std 176, for example "(YXl)128", or
    orientation : an Orientation. Without any of them the crystal axes are the device axes.
    layers : upwards.
    shorts : interfaces with a perfect conductor without mass: 0 lies on the substrate, i on the
        i-th layer, counted from one.

    Raises
    ------
    GeometryError : a conductor as substrate, two orientations at once, or an interface that the
        stack does not have.
    """

    material: Material
    orientation: Orientation
    layers: tuple[Layer, ...] = ()
    shorts: tuple[int, ...] = ()

    def __init__(
        self,
        material: Material | str,
        *,
        euler: Sequence[float] | None = None,
        cut: str | None = None,
        orientation: Orientation | None = None,
        layers: Sequence[Layer] = (),
        shorts: Sequence[int] = (),
    ) -> None:
        substrate = AIR if material == AIR_NAME else material_of(material)
        if substrate.is_conductor:
            raise GeometryError(
                key="substrate.material",
                found=f"{substrate.name}, a conductor",
                expected="a crystal or glass with a permittivity",
            )
        object.__setattr__(self, "material", substrate)
        object.__setattr__(self, "orientation", orientation_of(euler, cut, orientation))
        object.__setattr__(self, "layers", tuple(layers))
        object.__setattr__(self, "shorts", tuple(sorted(set(shorts))))
        for index in self.shorts:
            if not 0 <= index <= len(self.layers):
                raise GeometryError(
                    key="shorts",
                    found=f"interface {index}",
                    expected=f"0 (on the substrate) to {len(self.layers)} (on the last layer)",
                )

    def with_layer(
        self,
        material: Material | str,
        thickness: QuantityLike,
        *,
        euler: Sequence[float] | None = None,
        cut: str | None = None,
        orientation: Orientation | None = None,
        potential: str | None = None,
    ) -> Stack:
        """The same stack with one more layer on top; ``potential`` as for :class:`Layer`."""
        layer = Layer(
            material_of(material),
            orientation_of(euler, cut, orientation),
            parse_length(thickness, key="layer.thickness"),
            potential,
        )
        return Stack(
            self.material,
            orientation=self.orientation,
            layers=(*self.layers, layer),
            shorts=self.shorts,
        )

    def shorted(self, *interfaces: int) -> Stack:
        """The same stack with perfect conductors without mass at further interfaces."""
        return Stack(
            self.material,
            orientation=self.orientation,
            layers=self.layers,
            shorts=(*self.shorts, *interfaces),
        )

    def media(self) -> tuple[Medium, tuple[tuple[Medium, float], ...]]:
        """Tensors in device axes: the substrate, then (medium, thickness in m) upwards."""
        return (
            self.material.rotated(self.orientation.rotation),
            tuple(
                (layer.material.rotated(layer.orientation.rotation), layer.thickness)
                for layer in self.layers
            ),
        )

    @property
    def is_membrane(self) -> bool:
        """Whether the layers hang free, with air below."""
        return self.material.density == 0.0

    @property
    def conducts(self) -> bool:
        """Whether the surface itself conducts: a metal layer or a short ends the stack."""
        metal = bool(self.layers) and self.layers[-1].material.is_conductor
        return metal or len(self.layers) in self.shorts

    @property
    def is_piezoelectric(self) -> bool:
        """Whether any part of the stack is piezoelectric."""
        return self.material.is_piezoelectric or any(
            layer.material.is_piezoelectric for layer in self.layers
        )

    def __str__(self) -> str:
        short = " + short"
        parts = [
            self.material.name if self.is_membrane else f"{self.material.name} {self.orientation}"
        ]
        for index, layer in enumerate(self.layers):
            parts.append(short * (index in self.shorts))
            thickness = format_quantity(layer.thickness, "m")
            words = [f" + {layer.material.name}"]
            if layer.material.point_group != "isotropic":
                words.append(str(layer.orientation))
            parts.append(" ".join(filter(None, (*words, thickness, layer.potential))))
        parts.append(short * (len(self.layers) in self.shorts))
        return "".join(parts)
