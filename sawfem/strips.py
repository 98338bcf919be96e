"""Electrodes of a grating as they are drawn: films, side walls, footing; nothing is computed.

The cross-section of an electrode is symmetric about its centre. Its half width at the height z
above the foot is the larger of two straight lines, the side wall and, where there is one, the
slope of the footing,

    h(z) = max( w/2 - z cot(angle),  w/2 + extent - z (cot(angle) + extent/height) ),

which meet at the height of the footing. A film that follows the wall at the distance d, measured
square to it, ends at the same lines moved outwards by d/sin(slope angle); its corners are mitred.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from sawfem.errors import GeometryError
from sawfem.material import Material, load_material
from sawfem.units import QuantityLike, format_quantity, parse_length

#: Share of the foot that must be left at the top.
LEAST_TOP = 0.02


def shown_length(value: float) -> str:
    """A length in metres as a message shows it: "89 nm"."""
    return format_quantity(value, "m", digits=4)


def material_of(material: Material | str) -> Material:
    """A material as it is, or the one that a name or path stands for."""
    return material if isinstance(material, Material) else load_material(material)


@dataclass(frozen=True)
class Film:
    """One metal of an electrode; ``thickness`` in metres.

    Raises GeometryError for a dielectric, or a thickness that is not above zero.
    """

    metal: Material
    thickness: float

    def __post_init__(self) -> None:
        if not self.metal.is_conductor:
            raise GeometryError(
                key="electrode.metal",
                found=f"{self.metal.name}, a dielectric",
                expected="a conductor: a material set without permittivity",
            )
        _above_zero("thickness", self.thickness)


@dataclass(frozen=True)
class Footing:
    """A small slope at the foot: it reaches ``extent`` beyond the wall and ``height`` up it, m."""

    extent: float
    height: float

    def __post_init__(self) -> None:
        _above_zero("footing", self.extent)
        _above_zero("footing", self.height)


def _above_zero(name: str, value: float) -> None:
    if not (math.isfinite(value) and value > 0.0):
        raise GeometryError(
            key=f"electrode.{name}", found=f"{value!r} m", expected="a length above zero"
        )


@dataclass(frozen=True, init=False)
class Electrode:
    """A metal strip along x2.

    Parameters
    ----------
    metal : a conductor's set, by name, path or as a Material. Its crystal axes, where it has
        any, lie along the device axes.
    thickness : height of the strip, or of its lowest film (see :meth:`with_film`).
    width : width at the foot, without the footing.
    centre : position of the strip's centre in its period; None puts it in the middle.
    sidewall_angle : angle of the side walls inside the metal, from the surface, in degrees; 90
        is a rectangle, less leans inwards, more hangs over.
    footing : (extent, height) of a small slope at the foot of either wall; None for none.

    Attributes
    ----------
    films : the metals from the foot up.

    Raises
    ------
    GeometryError : a dielectric as metal, lengths that are not above zero, side walls that meet.
    """

    films: tuple[Film, ...]
    width: float
    centre: float | None
    sidewall_angle: float
    footing: Footing | None

    def __init__(
        self,
        metal: Material | str,
        thickness: QuantityLike,
        width: QuantityLike,
        *,
        centre: QuantityLike | None = None,
        sidewall_angle: float = 90.0,
        footing: tuple[QuantityLike, QuantityLike] | Footing | None = None,
    ) -> None:
        film = Film(material_of(metal), parse_length(thickness, key="electrode.thickness"))
        self._place((film,), width, centre, sidewall_angle, footing)

    @classmethod
    def of_films(
        cls,
        films: Sequence[Film],
        width: QuantityLike,
        *,
        centre: QuantityLike | None = None,
        sidewall_angle: float = 90.0,
        footing: tuple[QuantityLike, QuantityLike] | Footing | None = None,
    ) -> Electrode:
        """A strip of several films, from the foot up; the rest as for the class."""
        if not films:
            raise GeometryError(key="electrode.film", found="none", expected="one film or more")
        self = object.__new__(cls)
        self._place(tuple(films), width, centre, sidewall_angle, footing)
        self.check_footing()
        return self

    def _place(
        self,
        films: tuple[Film, ...],
        width: QuantityLike,
        centre: QuantityLike | None,
        sidewall_angle: float,
        footing: tuple[QuantityLike, QuantityLike] | Footing | None,
    ) -> None:
        if footing is not None and not isinstance(footing, Footing):
            extent, height = (parse_length(length, key="electrode.footing") for length in footing)
            footing = Footing(extent, height)
        self._set(
            films,
            parse_length(width, key="electrode.width"),
            None if centre is None else parse_length(centre, key="electrode.centre"),
            float(sidewall_angle),
            footing,
        )

    def _set(
        self,
        films: tuple[Film, ...],
        width: float,
        centre: float | None,
        sidewall_angle: float,
        footing: Footing | None,
    ) -> None:
        put = object.__setattr__
        put(self, "films", films)
        put(self, "width", width)
        put(self, "centre", centre)
        put(self, "sidewall_angle", sidewall_angle)
        put(self, "footing", footing)
        self._check()

    def _changed(
        self, *, films: tuple[Film, ...] | None = None, centre: float | None = None
    ) -> Electrode:
        """The same strip with other films or at another centre."""
        other = object.__new__(Electrode)
        other._set(
            self.films if films is None else films,
            self.width,
            self.centre if centre is None else centre,
            self.sidewall_angle,
            self.footing,
        )
        return other

    def with_film(self, metal: Material | str, thickness: QuantityLike) -> Electrode:
        """The same strip with one more film on top, within the same side walls."""
        film = Film(material_of(metal), parse_length(thickness, key="electrode.film.thickness"))
        return self._changed(films=(*self.films, film))

    def at(self, centre: QuantityLike) -> Electrode:
        """The same strip with its centre elsewhere in the period."""
        return self._changed(centre=parse_length(centre, key="electrode.centre"))

    def _check(self) -> None:
        _above_zero("width", self.width)
        if not 10.0 <= self.sidewall_angle <= 170.0:
            raise GeometryError(
                key="electrode.sidewall_angle",
                found=f"{self.sidewall_angle:g} deg",
                expected="10 to 170 deg, measured from the surface",
            )
        if self.top_width <= LEAST_TOP * self.width:
            raise GeometryError(
                key="electrode.sidewall_angle",
                found=f"{self.sidewall_angle:g} deg, with which the side walls meet below the top",
                expected="a steeper wall, a thinner or a wider electrode",
            )
        if self.footing is None:
            return
        if self.sidewall_angle > 90.0:
            raise GeometryError(
                key="electrode.footing",
                found=f"a footing under walls of {self.sidewall_angle:g} deg",
                expected="walls of at most 90 deg",
            )

    def check_footing(self) -> None:
        """Refuse a footing that is as high as the strip, once all its films are there.

        Raises GeometryError.
        """
        if self.footing is not None and self.footing.height >= self.thickness:
            raise GeometryError(
                key="electrode.footing",
                found=f"{shown_length(self.footing.height)} high",
                expected=f"less than the electrode's height, {shown_length(self.thickness)}",
            )

    @property
    def metal(self) -> Material:
        """Metal of the lowest film."""
        return self.films[0].metal

    @property
    def thickness(self) -> float:
        """Height of the strip, all films, m."""
        if len(self.films) == 1:
            return self.films[0].thickness
        return math.fsum(film.thickness for film in self.films)

    @property
    def film_levels(self) -> tuple[float, ...]:
        """Heights of the films' upper sides over the foot, m; the last one is the thickness."""
        return tuple(
            math.fsum(film.thickness for film in self.films[: count + 1])
            for count in range(len(self.films))
        )

    @property
    def foot_width(self) -> float:
        """Width at the foot, the footing included, m."""
        return self.width + (2.0 * self.footing.extent if self.footing else 0.0)

    @property
    def top_width(self) -> float:
        """Width at the top, m."""
        if self.sidewall_angle == 90.0:
            return self.width
        return self.width - 2.0 * self.thickness / math.tan(math.radians(self.sidewall_angle))

    @property
    def widest(self) -> float:
        """Largest width at any height, m."""
        return max(self.foot_width, self.top_width)

    @property
    def mean_width(self) -> float:
        """Area of the cross-section over the height of the strip, m."""
        mean = 0.5 * (self.width + self.top_width)
        if self.footing is None:
            return mean
        return mean + self.footing.extent * self.footing.height / self.thickness

    def wall_lines(self) -> tuple[tuple[float, float, float], ...]:
        """Lines whose maximum is the half width: (at the foot in m, slope, sine of the angle).

        The half width falls by ``slope`` a metre of height; the angle is that of the line with
        the surface.
        """
        angle = math.radians(self.sidewall_angle)
        slope = 0.0 if self.sidewall_angle == 90.0 else 1.0 / math.tan(angle)
        lines = [(0.5 * self.width, slope, math.sin(angle))]
        if self.footing is not None:
            steep = slope + self.footing.extent / self.footing.height
            lines.append((0.5 * self.foot_width, steep, 1.0 / math.hypot(1.0, steep)))
        return tuple(lines)

    def half_width(self, height: float, distance: float = 0.0) -> float:
        """Half width, m, at a height over the foot; with ``distance``, of a film around the strip.

        The walls go on beyond foot and top: the caller keeps to where there is a wall.
        """
        return max(
            start - height * slope + distance / sine for start, slope, sine in self.wall_lines()
        )

    def bend(self, distance: float = 0.0) -> float | None:
        """Height over the foot where footing and wall meet, at a distance from both; or None."""
        lines = self.wall_lines()
        if len(lines) == 1:
            return None
        (a, p, s), (b, q, t) = lines
        return (b - a + distance * (1.0 / t - 1.0 / s)) / (q - p)
