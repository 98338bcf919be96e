"""What a map is asked to be: a stack, one or two axes along which it changes, and quantities.

An axis is named by a key: "substrate.euler[1]", "substrate.rotations[0]" (a plate turned about
its edges), "layer[0].euler[2]", "layer[0].thickness", or "frequency". One step along it may move
several numbers of the stack at once, as where layers copy one another in a case.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sawfem.design import Layer, Stack
from sawfem.errors import GeometryError, InputError, nearest
from sawfem.material import Material
from sawfem.orientation import Orientation
from sawfem.planewave.batch import rotations_of_euler
from sawfem.planewave.generalised import Array
from sawfem.platenotation import parse_plate
from sawfem.units import QuantityLike, parse_angle, parse_frequency, parse_length

#: What a map can hold, by name in the table of quantities.
QUANTITIES = (
    "velocity_free",
    "velocity_metallised",
    "coupling_k2",
    "power_flow_angle",
    "attenuation_free",
    "attenuation_metallised",
    "delay_temperature_coefficient",
    "frequency_temperature_coefficient",
)
#: Those that are shown where nothing is asked for.
USUAL = QUANTITIES[:4]
LOSSES, DRIFTS = QUANTITIES[4:6], QUANTITIES[6:]
#: Kinds of waves, and which one of several at a point.
KINDS = ("rayleigh", "bleustein-gulyaev", "love", "leaky", "plate", "all")
ORDERS = ("strongest", "slowest")
MOST_POINTS = 1_000_000

_KEY = re.compile(
    r"(?P<member>substrate|layer\[(?P<layer>[0-9]{1,3})\])\."
    r"(?P<what>euler|rotations|thickness)(?:\[(?P<index>[0-2])\])?"
)


@dataclass(frozen=True)
class Member:
    """Substrate or layer: material, then Euler angles, or a plate and its rotations (degrees),
    and the thickness in metres (0 for the substrate); the potential of a metal.
    """

    material: Material
    angles: tuple[float, ...]
    plate: str | None = None
    thickness: float = 0.0
    potential: str | None = None

    @property
    def orientation(self) -> Orientation:
        """Its device axes. OrientationError for angles that cannot be used."""
        if self.plate is None:
            return Orientation.from_euler(*self.angles)
        return Orientation.from_plate(self.plate, self.angles)


@dataclass(frozen=True)
class Place:
    """One number of a stack: ``what`` is "angle", "thickness" or "frequency"."""

    member: int
    what: str
    index: int = 0


@dataclass(frozen=True, eq=False)
class MapAxis:
    """One axis.

    Attributes
    ----------
    key : what is varied. unit : "deg", "m" or "Hz".
    values : (n,), what the axis is labelled with.
    places, numbers : the p numbers of the stack that move, and their values (n, p).
    """

    key: str
    unit: str
    values: Array
    places: tuple[Place, ...]
    numbers: Array

    def __len__(self) -> int:
        return len(self.values)


@dataclass(frozen=True, eq=False)
class MapRequest:
    """A whole map: members (substrate first), frequency in hertz or None, axes, what is wanted.

    ``shorts`` are interfaces with a perfect conductor without mass, as for :class:`.Stack`;
    ``thick`` has points computed whose layers hide the substrate (:mod:`.hidden`).
    """

    members: tuple[Member, ...]
    frequency: float | None
    axes: tuple[MapAxis, ...]
    quantities: tuple[str, ...] = USUAL
    kinds: tuple[str, ...] = ()
    order: str = "strongest"
    hold_constant: tuple[str, ...] = ()
    shorts: tuple[int, ...] = ()
    thick: bool = False

    def __post_init__(self) -> None:
        if not 1 <= len(self.axes) <= 2:
            raise InputError(key="axis", found=f"{len(self.axes)} axes", expected="one axis or two")
        for kind, given, known in (
            ("keep", self.quantities, QUANTITIES),
            ("waves", self.kinds, KINDS),
            ("waves", (self.order,), ORDERS),
        ):
            for name in given:
                if name not in known:
                    near = nearest(name, known) or known
                    raise InputError(
                        key=kind, found=f'"{name[:60]}"', expected=f"one of {', '.join(near)}"
                    )
        if "plate" in self.kinds and self.members[0].material.density > 0.0:
            raise InputError(
                key="waves",
                found='"plate", of a stack with a substrate',
                expected='other kinds, or the substrate "air": plate waves are those of a membrane',
            )
        if not self.quantities:
            raise InputError(key="keep", found="nothing", expected="a quantity or more")
        if self.size > MOST_POINTS:
            raise InputError(
                key="axis", found=f"{self.size} points", expected=f"at most {MOST_POINTS}"
            )
        moved = any(place.what == "frequency" for axis in self.axes for place in axis.places)
        if len(self.members) > 1 and self.frequency is None and not moved:
            raise GeometryError(
                key="frequency",
                found="a layered stack without a frequency",
                expected='a frequency, such as "868 MHz": layers make the waves dispersive',
            )

    @property
    def shape(self) -> tuple[int, ...]:
        """Points along each axis."""
        return tuple(len(axis) for axis in self.axes)

    @property
    def size(self) -> int:
        """Number of points."""
        return int(np.prod(self.shape))

    @property
    def is_batch(self) -> bool:
        """Whether a bare half-space is asked for waves that do not leak: thousands at once."""
        return len(self.members) == 1 and not (self.leaky or self.shorts)

    @property
    def is_run(self) -> bool:
        """Whether leaky waves of a bare half-space can be followed along rows of the map."""
        bare = len(self.members) == 1 and not self.shorts
        return bare and self.leaky and self.members[0].material.density > 0.0

    @property
    def leaky(self) -> bool:
        """Whether leaky waves are wanted."""
        return bool({"leaky", "all"} & set(self.kinds))

    def at(self, point: int) -> tuple[tuple[Member, ...], float | None]:
        """Members and frequency of one point, counted with the last axis fastest."""
        members, frequency = list(self.members), self.frequency
        for axis, step in zip(self.axes, np.unravel_index(point, self.shape), strict=True):
            for place, number in zip(axis.places, axis.numbers[step], strict=True):
                if place.what == "frequency":
                    frequency = float(number)
                    continue
                member = members[place.member]
                if place.what == "thickness":
                    members[place.member] = replace(member, thickness=float(number))
                    continue
                angles = list(member.angles)
                angles[place.index] = float(number)
                members[place.member] = replace(member, angles=tuple(angles))
        return tuple(members), frequency

    def stack(self, point: int) -> tuple[Stack, float | None]:
        """The design at one point, and the frequency in hertz.

        Raises OrientationError or GeometryError where a number cannot be used.
        """
        (substrate, *rest), frequency = self.at(point)
        layers = [Layer(m.material, m.orientation, m.thickness, m.potential) for m in rest]
        stack = Stack(
            substrate.material,
            orientation=substrate.orientation,
            layers=layers,
            shorts=self.shorts,
        )
        return stack, frequency if layers else None

    def rotations(self, points: NDArray[np.intp]) -> Array:
        """Rotation matrices of the substrate at some points, (points, 3, 3)."""
        first = self.members[0]
        angles = np.tile(np.array(first.angles, dtype=float), (len(points), 1))
        steps = np.unravel_index(points, self.shape)
        for axis, step in zip(self.axes, steps, strict=True):
            for column, place in enumerate(axis.places):
                if place.member == 0 and place.what == "angle":
                    angles[:, place.index] = axis.numbers[step, column]
        if first.plate is None:
            return rotations_of_euler(angles)
        plates = (Orientation.from_plate(first.plate, tuple(row)) for row in angles.tolist())
        return np.array([plate.rotation for plate in plates])


def request(
    stack: Stack,
    axes: Mapping[str, ArrayLike | Sequence[QuantityLike]],
    *,
    frequency: QuantityLike | None = None,
    **asked: object,
) -> MapRequest:
    """A map of a design.

    Parameters
    ----------
    stack : where nothing is varied.
    axes : one or two of "substrate.euler[0..2]", "layer[i].euler[0..2]" (degrees),
        "layer[i].thickness" (metres or text) and "frequency" (hertz or text), each with values.
        A plate with rotations is varied by "substrate.rotations[i]".
    frequency : needed with layers unless it is an axis.
    asked : quantities, kinds, order, hold_constant, thick of :class:`MapRequest`.

    Raises
    ------
    InputError, GeometryError, UnitError : an axis that is none, or an unusable value.
    """
    members = []
    parts: list[Stack | Layer] = [stack, *stack.layers]
    for number, part in enumerate(parts):
        name = f"layer[{number - 1}]" if number else "substrate"
        turned = any(key.startswith(f"{name}.rotations") for key in axes)
        members.append(_member(part, turned=turned))
    found = tuple(_axis(key, values, members) for key, values in axes.items())
    hertz = None if frequency is None else parse_frequency(frequency, key="frequency")
    asked.setdefault("shorts", stack.shorts)
    return MapRequest(tuple(members), hertz, found, **asked)  # type: ignore[arg-type]


def _member(part: Stack | Layer, *, turned: bool) -> Member:
    """Substrate or layer of a design."""
    material, orientation = part.material, part.orientation
    thickness, potential = 0.0, None
    if isinstance(part, Layer):
        thickness, potential = part.thickness, part.potential
    if not turned:
        return Member(material, tuple(orientation.euler), None, thickness, potential)
    plate = parse_plate(orientation.plate, ())
    text = f"({plate.thickness}{plate.length}{plate.edges})"
    return Member(material, plate.angles, text, thickness, potential)


def _axis(
    key: str, values: ArrayLike | Sequence[QuantityLike], members: Sequence[Member]
) -> MapAxis:
    listed = list(values) if isinstance(values, Sequence) else np.asarray(values).ravel().tolist()
    if not listed:
        raise InputError(key=key, found="no values", expected="one or more")
    if key == "frequency":
        numbers = np.array([parse_frequency(value, key=key) for value in listed])
        return MapAxis(key, "Hz", numbers, (Place(0, "frequency"),), numbers[:, None])
    match = _KEY.fullmatch(key)
    number = 1 + int(match["layer"]) if match and match["layer"] else 0
    fits = match is not None and number < len(members)
    if match is None or not fits or (match["index"] is None) != (match["what"] == "thickness"):
        raise InputError(
            key="axis",
            found=f'"{key[:60]}"',
            expected="substrate.euler[0..2], substrate.rotations[0..2], layer[i].euler[0..2], "
            "layer[i].thickness or frequency",
        )
    if match["what"] == "thickness":
        if number == 0:
            raise InputError(key="axis", found=f'"{key}"', expected="the thickness of a layer")
        numbers = np.array([parse_length(value, window="thickness", key=key) for value in listed])
        return MapAxis(key, "m", numbers, (Place(number, "thickness"),), numbers[:, None])
    index = int(match["index"])
    if index >= len(members[number].angles):
        raise InputError(
            key="axis",
            found=f'"{key}"',
            expected=f"one of the {len(members[number].angles)} rotations of this plate",
        )
    numbers = np.array([parse_angle(value, key=key) for value in listed])
    return MapAxis(key, "deg", numbers, (Place(number, "angle", index),), numbers[:, None])
