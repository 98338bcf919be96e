"""What is where in a cell: the lines between its bodies, and the body in each patch of the plane.

Lengths are in periods; x runs from 0 to 1 and z = 0 is the flat surface of the stack. The lines
that are not level are the side walls of the electrodes and, where an overcoat follows them, its
outer walls. Each is x(z), goes on straight up and down where the wall ends, and crosses no other
line, so that lines and levels cut the cell into patches that hold one body each.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sawfem.design import SAME, Electrode, Film, Layer, Overcoat, Stack, UnitCell
from sawfem.errors import GeometryError
from sawfem.material import Medium

Array = NDArray[np.float64]

#: Region numbers: the overcoats from the surface up are COAT - 0, -1, ...; the air; the
#: electrodes; then the parts of the stack from the surface down, STACK + 0, + 1, ...
COAT = -1
AIR = 0
METAL = 1
STACK = 2

#: How far below an overcoat's wall its line stays clear of the metal, over its distance above.
CLEAR = 0.25


@dataclass(frozen=True)
class Wall:
    """A side wall, or the outer wall of an overcoat that follows it.

    Attributes
    ----------
    electrode : number of the electrode. coats : overcoats between the metal and this wall.
    side : -1 for a left wall, +1 for a right one.
    centre : x of the electrode's centre.
    levels, halves : heights, ascending from the electrode's foot, and distances from the centre
        there; straight in between, upright below and above.
    """

    electrode: int
    coats: int
    side: int
    centre: float
    levels: tuple[float, ...]
    halves: tuple[float, ...]

    def at(self, z: Array | float) -> Array:
        """X at heights z."""
        return np.asarray(self.centre + self.side * np.interp(z, self.levels, self.halves))

    @property
    def foot(self) -> float:
        """X at the height of the electrode's foot."""
        return self.centre + self.side * self.halves[0]

    @property
    def bends(self) -> tuple[float, ...]:
        """Heights at which the wall changes its slope."""
        return self.levels[1:-1]


@dataclass(frozen=True)
class Body:
    """What fills a patch.

    Attributes
    ----------
    region : COAT - i, AIR, METAL or STACK + i.
    medium : its constants in device axes; None for the air.
    electrode : number of the electrode, -1 outside the metal.
    """

    region: int
    medium: Medium | None
    electrode: int = -1


@dataclass(frozen=True)
class Outline:
    """Lines, levels and bodies of a cell.

    Attributes
    ----------
    cell : what is drawn.
    foot : height of the electrodes' feet: minus the recess.
    tops : heights of the electrodes' upper sides.
    coat_tops : heights of the overcoats over the flat surface.
    followed : number of overcoats that follow the electrodes; those above are level.
    walls : from left to right.
    sharp : levels of the corners of the metal and of the grooves, ascending.
    edges : levels of the corners of the overcoats, ascending.
    plain : levels that only have to be lines of the mesh, ascending.
    """

    cell: UnitCell
    foot: float
    tops: tuple[float, ...]
    coat_tops: tuple[float, ...]
    followed: int
    walls: tuple[Wall, ...]
    sharp: tuple[float, ...]
    edges: tuple[float, ...]
    plain: tuple[float, ...]
    _media: dict[tuple[int, bytes], Medium]

    def body(self, column: int, z: float) -> Body:
        """The body at height z in the column between wall number ``column - 1`` and ``column``."""
        left = self.walls[column - 1] if column > 0 else None
        right = self.walls[column] if column < len(self.walls) else None
        if left is None or right is None or left.electrode != right.electrode:
            return self._level(z)
        electrode, coats = left.electrode, max(left.coats, right.coats)
        if left.side == right.side:
            return self._beside(electrode, coats, z)
        if self.foot < z < self.tops[electrode]:
            return self._metal(electrode, z)
        if z < self.foot:
            return self._level(z)
        return self._beside(electrode, 0, z)

    def _level(self, z: float) -> Body:
        """Where nothing but level films is: stack, overcoats, air."""
        if z > 0.0:
            return self._coat(sum(z > top for top in self.coat_tops))
        # From the surface down; an interface that lies at the bottom of the mesh has none below.
        return self._part(z)

    def _beside(self, electrode: int, coats: int, z: float) -> Body:
        """Over an electrode (0 coats) or between its walls number ``coats - 1`` and ``coats``."""
        if coats and z < 0.0:
            return self._part(z)
        top = max(self.tops[electrode], 0.0)
        for index, level in enumerate(self.coat_tops):
            follows = max(coats - 1, 0) <= index < self.followed
            if z < level or (follows and z < top + level):
                return self._coat(index)
        return self._coat(len(self.coat_tops))

    def _coat(self, index: int) -> Body:
        """Overcoat number ``index``, or the air above the last one."""
        if index >= len(self.coat_tops):
            return Body(AIR, None)
        return Body(COAT - index, self._turned(self.cell.overcoat[index]))

    def _part(self, z: float) -> Body:
        """Part of the stack at a height below the surface; the air below a membrane."""
        layers = self.cell.stack.layers
        level = 0.0
        for count, layer in enumerate(reversed(layers)):
            level -= layer.thickness / self.cell.period
            if z > level:
                return self._stack_body(count)
        return self._stack_body(len(layers))

    def _stack_body(self, count: int) -> Body:
        """Part number ``count`` from the surface down."""
        layers = self.cell.stack.layers
        medium = self._turned(
            self.cell.stack if count == len(layers) else layers[len(layers) - 1 - count]
        )
        if medium.is_conductor:
            raise GeometryError(
                key="layer",
                found=f"{medium.name}, a conductor, within the meshed part of the stack",
                expected="metal planes that lie deeper below the electrodes",
            )
        return Body(AIR, None) if medium.density == 0.0 else Body(STACK + count, medium)

    def _metal(self, electrode: int, z: float) -> Body:
        strip = self.cell.electrodes[electrode]
        height = (z - self.foot) * self.cell.period
        film = min(sum(height > level for level in strip.film_levels), len(strip.films) - 1)
        return Body(METAL, self._turned(strip.films[film]), electrode)

    def _turned(self, item: Stack | Layer | Overcoat | Film) -> Medium:
        """Constants in device axes, computed once for every material and orientation."""
        # Crystal axes of a metal, where it has any, lie along the device axes.
        if isinstance(item, Film):
            material, turn = item.metal, np.eye(3)
        else:
            material, turn = item.material, item.orientation.rotation
        key = (id(material), turn.tobytes())
        if key not in self._media:
            self._media[key] = material.rotated(turn)
        return self._media[key]


def draw(cell: UnitCell) -> Outline:
    """Lines and levels of a cell."""
    period = cell.period
    foot = 0.0 - cell.recess / period
    tops = tuple(_height(cell, strip) for strip in cell.electrodes)
    coat_tops = tuple(level / period for level in cell.coat_levels)
    followed = next((i for i, coat in enumerate(cell.overcoat) if coat.is_flat), len(cell.overcoat))
    walls = [
        wall
        for number, strip in enumerate(cell.electrodes)
        for wall in _walls(cell, number, strip, tops[number], followed)
    ]
    _check_order(walls)
    raised = [top for top in tops if top > 0.0]
    sharp = {foot, *tops} | ({0.0} if cell.recess else set())
    outer = coat_tops[:followed] if raised else ()
    edges = {*outer, *(top + level for top in raised for level in outer)}
    plain = {*coat_tops, *(bend for wall in walls for bend in wall.bends)}
    for strip in cell.electrodes:
        plain |= {foot + level / period for level in strip.film_levels[:-1]}
    sharp_levels = _distinct(sharp, ())
    edge_levels = _distinct(edges, sharp_levels)
    return Outline(
        cell=cell,
        foot=foot,
        tops=tops,
        coat_tops=coat_tops,
        followed=followed,
        walls=tuple(walls),
        sharp=sharp_levels,
        edges=edge_levels,
        plain=_distinct(plain, (*sharp_levels, *edge_levels)),
        _media={},
    )


def _height(cell: UnitCell, strip: Electrode) -> float:
    """Height of an electrode's top over the surface; zero where the two are meant to be flush."""
    height = strip.thickness - cell.recess
    return 0.0 if abs(height) <= SAME * strip.thickness else height / cell.period


def _distinct(levels: set[float], known: tuple[float, ...]) -> tuple[float, ...]:
    """Ascending levels, those that agree with a known or an earlier one left out."""
    kept: list[float] = []
    for level in sorted(levels):
        if all(abs(level - other) > SAME for other in (*known, *kept)):
            kept.append(level)
    return tuple(kept)


def _walls(cell: UnitCell, number: int, strip: Electrode, top: float, followed: int) -> list[Wall]:
    """All walls of an electrode from left to right."""
    # Over an electrode that does not stand out an overcoat has no walls.
    outer = cell.coat_levels[:followed] if top > 0.0 else ()
    shapes = [_shape(cell, strip, top, 0.0), *(_shape(cell, strip, top, d) for d in outer)]
    assert strip.centre is not None  # a cell places its electrodes
    centre = strip.centre / cell.period
    left = [Wall(number, coats, -1, centre, *shape) for coats, shape in enumerate(shapes)]
    right = [Wall(number, coats, 1, centre, *shape) for coats, shape in enumerate(shapes)]
    return left[::-1] + right


def _shape(
    cell: UnitCell, strip: Electrode, top: float, distance: float
) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Levels and half widths of a wall at a distance (m) from the metal, in periods.

    The wall of an overcoat starts at its level over the flat surface. Below that its line goes
    down to the foot, upright if it can and clear of the metal's wall if that reaches further.
    """
    period = cell.period
    foot, offset = 0.0 - cell.recess / period, distance / period
    bend = strip.bend(distance)
    levels = [foot if distance == 0.0 else offset, top + offset]
    if bend is not None and levels[0] < foot + bend / period < levels[1]:
        levels.insert(1, foot + bend / period)
    halves = [strip.half_width((z - foot) * period, distance) / period for z in levels]
    if distance > 0.0:
        inner = [strip.half_width(h) for h in (0.0, min(levels[0], top) * period + cell.recess)]
        away = halves[0] - inner[1] / period
        halves.insert(0, max(halves[0], inner[0] / period + CLEAR * away))
        levels.insert(0, foot)
    return tuple(levels), tuple(halves)


def _check_order(walls: list[Wall]) -> None:
    """Refuse lines that meet. Raises GeometryError."""
    levels = sorted({level for wall in walls for level in wall.levels})
    heights = np.array(levels)
    places = np.array([0.0 * heights, *(wall.at(heights) for wall in walls), 1.0 + 0.0 * heights])
    if np.any(np.diff(places, axis=0) < SAME):
        raise GeometryError(
            key="grating",
            found="side walls, or the films that follow them, that meet",
            expected="electrodes and films with room between them",
        )
