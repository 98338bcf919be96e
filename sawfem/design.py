"""What is built, described and not computed: layers, stacks, electrodes and the unit cell.

Axes and angles: sawfem/conventions.py. Lengths are taken as text with a unit ("89 nm") or as
numbers in metres, and are kept in metres. All dimensions hold at 25 degrees Celsius.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from sawfem.errors import GeometryError
from sawfem.material import Material, Medium, load_material
from sawfem.orientation import Orientation
from sawfem.units import QuantityLike, format_quantity, parse_length


def _material(material: Material | str) -> Material:
    return material if isinstance(material, Material) else load_material(material)


def _orientation(
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
    """A film of the stack: material, orientation and thickness in metres."""

    material: Material
    orientation: Orientation
    thickness: float

    def __post_init__(self) -> None:
        if not (math.isfinite(self.thickness) and self.thickness > 0.0):
            raise GeometryError(
                key="layer.thickness",
                found=f"{self.thickness!r} m",
                expected="a length above zero",
            )
        if self.material.is_conductor:
            raise GeometryError(
                key="layer.material",
                found=f"{self.material.name}, a conductor",
                expected="a dielectric; conducting films inside the stack are not computed yet",
            )


@dataclass(frozen=True, init=False)
class Stack:
    """A half-space with layers on it, counted upwards from the substrate.

    Parameters
    ----------
    material : the substrate's set, by name, path or as a Material.
    euler : three Euler angles in degrees, or
    cut : plate notation of IEEE Std 176, for example "(YXl)128", or
    orientation : an Orientation. Without any of them the crystal axes are the device axes.

    Raises
    ------
    GeometryError : a conductor as substrate, or two orientations at once.
    """

    material: Material
    orientation: Orientation
    layers: tuple[Layer, ...] = ()

    def __init__(
        self,
        material: Material | str,
        *,
        euler: Sequence[float] | None = None,
        cut: str | None = None,
        orientation: Orientation | None = None,
        layers: Sequence[Layer] = (),
    ) -> None:
        substrate = _material(material)
        if substrate.is_conductor:
            raise GeometryError(
                key="substrate.material",
                found=f"{substrate.name}, a conductor",
                expected="a crystal or glass with a permittivity",
            )
        object.__setattr__(self, "material", substrate)
        object.__setattr__(self, "orientation", _orientation(euler, cut, orientation))
        object.__setattr__(self, "layers", tuple(layers))

    def with_layer(
        self,
        material: Material | str,
        thickness: QuantityLike,
        *,
        euler: Sequence[float] | None = None,
        cut: str | None = None,
        orientation: Orientation | None = None,
    ) -> Stack:
        """The same stack with one more layer on top."""
        layer = Layer(
            _material(material),
            _orientation(euler, cut, orientation),
            parse_length(thickness, key="layer.thickness"),
        )
        return Stack(self.material, orientation=self.orientation, layers=(*self.layers, layer))

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
    def is_piezoelectric(self) -> bool:
        """Whether any part of the stack is piezoelectric."""
        return self.material.is_piezoelectric or any(
            layer.material.is_piezoelectric for layer in self.layers
        )

    def __str__(self) -> str:
        films = "".join(
            f" + {layer.material.name} {format_quantity(layer.thickness, 'm')}"
            for layer in self.layers
        )
        return f"{self.material.name} {self.orientation}{films}"


@dataclass(frozen=True, init=False)
class Electrode:
    """A metal strip along x2.

    Parameters
    ----------
    metal : a conductor's set, by name, path or as a Material. Its crystal axes, where it has
        any, lie along the device axes.
    thickness : height of the strip.
    width : width at the foot.
    centre : position of the strip's centre in its period; None puts it in the middle.
    sidewall_angle : angle of the side walls from the surface in degrees; 90 is a rectangle,
        less leans inwards.
    """

    metal: Material
    thickness: float
    width: float
    centre: float | None
    sidewall_angle: float

    def __init__(
        self,
        metal: Material | str,
        thickness: QuantityLike,
        width: QuantityLike,
        *,
        centre: QuantityLike | None = None,
        sidewall_angle: float = 90.0,
    ) -> None:
        put = object.__setattr__
        put(self, "metal", _material(metal))
        put(self, "thickness", parse_length(thickness, key="electrode.thickness"))
        put(self, "width", parse_length(width, key="electrode.width"))
        put(
            self,
            "centre",
            None if centre is None else parse_length(centre, key="electrode.centre"),
        )
        put(self, "sidewall_angle", float(sidewall_angle))
        self._check()

    def _check(self) -> None:
        if not self.metal.is_conductor:
            raise GeometryError(
                key="electrode.metal",
                found=f"{self.metal.name}, a dielectric",
                expected="a conductor: a material set without permittivity",
            )
        for name in ("thickness", "width"):
            value = getattr(self, name)
            if not (math.isfinite(value) and value > 0.0):
                raise GeometryError(
                    key=f"electrode.{name}", found=f"{value!r} m", expected="a length above zero"
                )
        if not 10.0 <= self.sidewall_angle <= 90.0:
            raise GeometryError(
                key="electrode.sidewall_angle",
                found=f"{self.sidewall_angle:g} deg",
                expected="10 to 90 deg, measured from the surface",
            )
        if self.top_width <= 0.02 * self.width:
            raise GeometryError(
                key="electrode.sidewall_angle",
                found=f"{self.sidewall_angle:g} deg, with which the side walls meet below the top",
                expected="a steeper wall, a thinner or a wider electrode",
            )

    @property
    def top_width(self) -> float:
        """Width at the top, m."""
        if self.sidewall_angle == 90.0:
            return self.width
        return self.width - 2.0 * self.thickness / math.tan(math.radians(self.sidewall_angle))


@dataclass(frozen=True, init=False)
class UnitCell:
    """One period of an endless grating on a stack.

    Parameters
    ----------
    stack : what the electrodes stand on.
    electrodes : the strips of one period, left to right.
    period : length of one period along x1. With one electrode a cell it is the pitch.

    Raises
    ------
    GeometryError : electrodes that overlap or leave their cell.
    """

    stack: Stack
    electrodes: tuple[Electrode, ...]
    period: float

    def __init__(self, stack: Stack, electrodes: Sequence[Electrode], period: QuantityLike) -> None:
        length = parse_length(period, key="grating.period")
        if not (math.isfinite(length) and length > 0.0):
            raise GeometryError(
                key="grating.period", found=f"{length!r} m", expected="a length above zero"
            )
        if not electrodes:
            raise GeometryError(
                key="grating.electrode", found="none", expected="at least one electrode a period"
            )
        placed = []
        for electrode in electrodes:
            centre = electrode.centre
            if centre is None:
                if len(electrodes) > 1:
                    raise GeometryError(
                        key="electrode.centre",
                        found="nothing",
                        expected="a position, where a cell has several electrodes",
                    )
                centre = 0.5 * length
            moved = replace_centre(electrode, centre)
            placed.append(moved)
        self._check(placed, length)
        object.__setattr__(self, "stack", stack)
        object.__setattr__(self, "electrodes", tuple(placed))
        object.__setattr__(self, "period", length)

    @staticmethod
    def _check(electrodes: Sequence[Electrode], period: float) -> None:
        reach = 0.0
        for electrode in electrodes:
            centre = electrode.centre if electrode.centre is not None else 0.0
            left, right = centre - 0.5 * electrode.width, centre + 0.5 * electrode.width
            if left <= reach or right >= period:
                raise GeometryError(
                    key="electrode",
                    found=f"a strip from {left:.4g} m to {right:.4g} m in a cell of {period:.4g} m",
                    expected="strips, left to right, that neither touch nor leave the cell",
                )
            reach = right

    @classmethod
    def grating(
        cls,
        stack: Stack,
        metal: Material | str,
        *,
        pitch: QuantityLike,
        thickness: QuantityLike,
        metallisation_ratio: float = 0.5,
        sidewall_angle: float = 90.0,
    ) -> UnitCell:
        """The plain grating: one electrode a period, as wide as ``metallisation_ratio`` x pitch."""
        if not 0.0 < metallisation_ratio < 1.0:
            raise GeometryError(
                key="grating.metallisation_ratio",
                found=f"{metallisation_ratio!r}",
                expected="a number between 0 and 1",
            )
        length = parse_length(pitch, key="grating.pitch")
        electrode = Electrode(
            metal, thickness, metallisation_ratio * length, sidewall_angle=sidewall_angle
        )
        return cls(stack, [electrode], length)

    @property
    def metallisation_ratio(self) -> float:
        """Share of the period that is covered, at the feet."""
        return sum(electrode.width for electrode in self.electrodes) / self.period


def replace_centre(electrode: Electrode, centre: float) -> Electrode:
    """The same strip at another position."""
    return Electrode(
        electrode.metal,
        electrode.thickness,
        electrode.width,
        centre=centre,
        sidewall_angle=electrode.sidewall_angle,
    )
