"""What is built, described and not computed: layers, stacks, electrodes and the unit cell.

Axes and angles: sawfem/conventions.py. Lengths are taken as text with a unit ("89 nm") or as
numbers in metres, and are kept in metres. All dimensions hold at 25 degrees Celsius.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

from sawfem.errors import GeometryError, handed
from sawfem.films import Gap, check_ends, gaps
from sawfem.material import Material, Medium
from sawfem.orientation import Orientation
from sawfem.stacks import Layer, Stack, orientation_of
from sawfem.strips import Electrode, Film, Footing, material_of, shown_length
from sawfem.units import QuantityLike, parse_length

__all__ = ["Electrode", "Film", "Footing", "Layer", "Overcoat", "Stack", "UnitCell"]

#: Share of a length below which two heights or places count as the same.
SAME = 1e-9


@dataclass(frozen=True, init=False)
class Overcoat:
    """A dielectric film over the electrodes.

    Parameters
    ----------
    material : a dielectric's set, by name, path or as a Material.
    thickness : over the flat surface between the electrodes.
    top : "conformal" follows the tops and, square to them, the side walls of the electrodes with
        its thickness, with sharp edges, walls that hang over among them, and merges where a gap
        is too narrow for two; "flat" is planarised, so that it must cover the electrodes.
    euler, cut, orientation : as for a Stack.

    Raises
    ------
    GeometryError : a conductor, a thickness that is not above zero, another word for the top.
    """

    material: Material
    thickness: float
    top: str
    orientation: Orientation

    def __init__(
        self,
        material: Material | str,
        thickness: QuantityLike,
        *,
        top: str = "conformal",
        euler: Sequence[float] | None = None,
        cut: str | None = None,
        orientation: Orientation | None = None,
    ) -> None:
        put = object.__setattr__
        put(self, "material", material_of(material))
        put(self, "thickness", parse_length(thickness, key="overcoat.thickness"))
        put(self, "top", top)
        put(self, "orientation", orientation_of(euler, cut, orientation))
        if not (math.isfinite(self.thickness) and self.thickness > 0.0):
            raise GeometryError(
                key="overcoat.thickness",
                found=f"{self.thickness!r} m",
                expected="a length above zero",
            )
        if self.material.is_conductor:
            raise GeometryError(
                key="overcoat.material",
                found=f"{self.material.name}, a conductor",
                expected="a dielectric: it would short the electrodes",
            )
        if top not in ("conformal", "flat"):
            raise GeometryError(
                key="overcoat.top", found=f'"{top}"', expected='"conformal" or "flat"'
            )

    @property
    def is_flat(self) -> bool:
        """Whether its upper side is planarised."""
        return self.top == "flat"

    def medium(self) -> Medium:
        """Its constants in device axes."""
        return self.material.rotated(self.orientation.rotation)


@dataclass(frozen=True, init=False)
class UnitCell:
    """One period of an endless grating on a stack.

    Parameters
    ----------
    stack : what the electrodes stand on.
    electrodes : the strips of one period, left to right; or the only one.
    period : length of one period along x1. With one electrode a cell it is the pitch.
    overcoat : films over the electrodes, upwards.
    recess : how far the electrodes are sunk into the stack, m. A groove has the walls of the
        electrode in it; above an electrode that ends below the surface they are upright.

    Raises
    ------
    InputError : a stack or electrodes that are none.
    GeometryError : electrodes that overlap or leave their cell, a flat overcoat that leaves them
        bare, conformal ones that close a gap above a void.
    """

    stack: Stack
    electrodes: tuple[Electrode, ...]
    period: float
    overcoat: tuple[Overcoat, ...]
    recess: float

    def __init__(
        self,
        stack: Stack,
        electrodes: Sequence[Electrode] | Electrode,
        period: QuantityLike,
        *,
        overcoat: Sequence[Overcoat] = (),
        recess: QuantityLike = 0.0,
    ) -> None:
        handed(stack, Stack, "stack", 'a Stack, such as Stack("quartz/bechmann-1958")')
        if isinstance(electrodes, Electrode):
            electrodes = (electrodes,)
        handed(electrodes, (list, tuple), "electrodes", "a list of Electrode")
        for electrode in electrodes:
            handed(electrode, Electrode, "electrodes", "a list of Electrode")
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
            placed.append(electrode.at(centre))
        put = object.__setattr__
        put(self, "stack", stack)
        put(self, "electrodes", tuple(placed))
        put(self, "period", length)
        put(self, "overcoat", tuple(overcoat))
        put(self, "recess", _recess(recess))
        self._check_apart()
        self._check_overcoat()
        assert self.gaps  # films that cannot be are refused here

    def _check_apart(self) -> None:
        reach = 0.0
        for electrode in self.electrodes:
            electrode.check_footing()
            left, right = self._sides(electrode, 0.5 * electrode.widest)
            if left <= reach or right >= self.period:
                raise GeometryError(
                    key="electrode",
                    found=f"a strip from {shown_length(left)} to {shown_length(right)} in a cell "
                    f"of {shown_length(self.period)}",
                    expected="strips, left to right, that neither touch nor leave the cell",
                )
            reach = right

    def _check_overcoat(self) -> None:
        """Refuse a flat film that leaves metal bare, and conformal ones over grooves."""
        tops = [electrode.thickness - self.recess for electrode in self.electrodes]
        for index, (coat, level) in enumerate(zip(self.overcoat, self.coat_levels, strict=True)):
            if coat.is_flat:
                highest = max(tops) + (self.coat_levels[index - 1] if index else 0.0)
                if level < highest * (1.0 - SAME):
                    raise GeometryError(
                        key=f"overcoat[{index}].thickness",
                        found=f"a flat top {shown_length(level)} over the surface",
                        expected=f"at least {shown_length(highest)}, the height of what it must "
                        "cover",
                    )
                return  # what follows lies on a plane
            if min(tops) < -SAME * self.recess:
                raise GeometryError(
                    key=f"overcoat[{index}].top",
                    found='"conformal" over electrodes whose tops lie below the surface',
                    expected='"flat", or a recess of at most their height',
                )

    @cached_property
    def gaps(self) -> tuple[Gap, ...]:
        """The gaps between the electrodes, and how far the conformal films fill them."""
        levels = self.coat_levels[: self.followed]
        found = gaps(self.electrodes, self.period, self.recess, levels)
        check_ends(self.electrodes, found[-1], self.recess, levels)
        return found

    @property
    def followed(self) -> int:
        """Number of overcoats that follow the electrodes; those above are level."""
        flat = (index for index, coat in enumerate(self.overcoat) if coat.is_flat)
        return next(flat, len(self.overcoat))

    @staticmethod
    def _sides(electrode: Electrode, half: float) -> tuple[float, float]:
        centre = electrode.centre if electrode.centre is not None else 0.0
        return centre - half, centre + half

    @property
    def coat_levels(self) -> tuple[float, ...]:
        """Height of the overcoats' upper sides over the flat surface, m, upwards."""
        return tuple(
            math.fsum(coat.thickness for coat in self.overcoat[: count + 1])
            for count in range(len(self.overcoat))
        )

    def planar(self) -> tuple[Medium, tuple[tuple[Medium, float], ...], int]:
        """The cell without its electrodes, as level films.

        Returns
        -------
        Substrate, (medium, thickness in m) upwards with the overcoats among them, and the
        interface at which the electrodes' feet lie: 0 below the first film. A film in which the
        feet lie is cut there.
        """
        substrate, layers = self.stack.media()
        below: list[tuple[Medium, float]] = []
        above: list[tuple[Medium, float]] = []
        remaining = self.recess
        for medium, thickness in reversed(layers):
            inside = min(remaining, thickness)
            remaining -= inside
            if inside > SAME * thickness:
                above.insert(0, (medium, inside))
            if thickness - inside > SAME * thickness:
                below.insert(0, (medium, thickness - inside))
        if remaining > SAME * self.recess:
            above.insert(0, (substrate, remaining))
        coats = [(coat.medium(), coat.thickness) for coat in self.overcoat]
        return substrate, (*below, *above, *coats), len(below)

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
        overcoat: Sequence[Overcoat] = (),
        recess: QuantityLike = 0.0,
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
        return cls(stack, [electrode], length, overcoat=overcoat, recess=recess)

    @property
    def metallisation_ratio(self) -> float:
        """Share of the period that is covered, at the feet."""
        return sum(electrode.width for electrode in self.electrodes) / self.period


def _recess(recess: QuantityLike) -> float:
    """The depth of the grooves in metres; zero for none."""
    if isinstance(recess, int | float) and recess == 0.0:
        return 0.0
    length = parse_length(recess, key="grating.recess")
    if not (math.isfinite(length) and length >= 0.0):
        raise GeometryError(
            key="grating.recess", found=f"{length!r} m", expected="a length above zero, or none"
        )
    return length
