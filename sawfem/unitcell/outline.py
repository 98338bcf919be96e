"""What is where in a cell: the lines between its bodies, and the body in each patch of the plane.

Lengths are in periods; x runs from 0 to 1 and z = 0 is the flat surface of the stack. The lines
that are not level are the side walls of the electrodes and, where an overcoat follows them, its
outer walls. Each is x(z), goes on straight up and down where the wall ends, and crosses no other
line, so that lines and levels cut the cell into patches that hold one body each.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

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
        strip = self._strips[column]
        if strip >= 0 and z > self.foot:
            if z < self.tops[strip]:
                return self._metal(strip, z)
        elif z < 0.0:
            # From the surface down; an interface at the bottom of the mesh has none below.
            return self._part(z)
        ends = (0.0 if left is None else left.at(z), 1.0 if right is None else right.at(z))
        return self._coat(self._films_below(0.5 * float(ends[0] + ends[1]), z))

    @cached_property
    def _strips(self) -> tuple[int, ...]:
        """For every column the electrode between whose sides it lies, or -1."""
        found = [-1] * (len(self.walls) + 1)
        sides = [(i, wall) for i, wall in enumerate(self.walls) if wall.coats == 0]
        for (i, left), (j, right) in pairwise(sides):
            if left.electrode == right.electrode:
                # The step of a film of the neighbour may stand between them.
                found[i + 1 : j + 1] = [left.electrode] * (j - i)
        return tuple(found)

    def _films_below(self, x: float, z: float) -> int:
        """Number of overcoats that end below a point outside the metal."""
        for index, level in enumerate(self.coat_tops):
            if z < level or (index < self.followed and self._is_inside(x, z, index)):
                return index
        return len(self.coat_tops)

    def _is_inside(self, x: float, z: float, index: int) -> bool:
        """Whether a point over the surface lies within an overcoat that follows the electrodes."""
        cell = self.cell
        p, distance = cell.period, cell.coat_levels[index]
        for strip, top in zip(cell.electrodes, self.tops, strict=True):
            assert strip.centre is not None  # a cell places its electrodes
            # The nearest of the strip and its images in the other periods.
            away = abs((x - strip.centre / p + 0.5) % 1.0 - 0.5)
            half = strip.half_width(z * p + cell.recess, distance) / p
            if top > 0.0 and z < top + self.coat_tops[index] and away < half:
                return True
        for gap in cell.gaps:
            start = cell.electrodes[gap.left].centre or 0.0
            stop = (cell.electrodes[gap.right].centre or 0.0) + gap.shift
            within = any(start < (x + n) * p < stop for n in (0.0, 1.0))
            if within and z * p < gap.filled[index]:
                return True
        return False

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
    followed = cell.followed
    walls = [
        wall
        for number, strip in enumerate(cell.electrodes)
        for wall in _walls(cell, number, strip, tops)
    ]
    # A step over a lower electrode stands between that one's sides.
    walls.sort(key=lambda wall: wall.foot)
    _check_order(walls)
    raised = [top for top in tops if top > 0.0]
    sharp = {foot, *tops} | ({0.0} if cell.recess else set())
    # Levels over the flat surface are corners where a gap is open; so are bottoms of grooves.
    opened = [
        any(gap.filled[index] <= level for gap in cell.gaps)
        for index, level in enumerate(cell.coat_levels[:followed])
    ]
    outer = coat_tops[:followed] if raised else ()
    edges = {level for level, is_open in zip(outer, opened, strict=False) if is_open}
    edges |= {top + level for top in raised for level in outer}
    if raised:
        edges |= {height / period for gap in cell.gaps for height in gap.filled}
    level_tops = [top for i, top in enumerate(coat_tops) if i >= followed or opened[i]]
    plain = {*level_tops, *(bend for wall in walls for bend in wall.bends)}
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


def _walls(cell: UnitCell, number: int, strip: Electrode, tops: tuple[float, ...]) -> list[Wall]:
    """All walls of an electrode from left to right."""
    top = tops[number]
    assert strip.centre is not None  # a cell places its electrodes
    centre = strip.centre / cell.period
    walls = []
    for side, gap, other in (
        (-1, cell.gaps[number - 1], cell.gaps[number - 1].left),
        (1, cell.gaps[number], cell.gaps[number].right),
    ):
        found = [Wall(number, 0, side, centre, *_shape(cell, strip, top, 0.0, 0.0))]
        # Over an electrode that does not stand out an overcoat has no walls, and none where it
        # merges with that of an electrode as high or higher.
        for index, level in enumerate(cell.coat_levels[: cell.followed] if top > 0.0 else ()):
            if not gap.merged[index] or top > tops[other] + SAME:
                shape = _shape(cell, strip, top, level, gap.filled[index])
                found.append(Wall(number, index + 1, side, centre, *shape))
        walls += found[::side]
    return walls


def _shape(
    cell: UnitCell, strip: Electrode, top: float, distance: float, start: float
) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Levels and half widths of a wall at a distance (m) from the metal, in periods.

    The wall of an overcoat starts at ``start`` (m), its level over the flat surface or what the
    gap is filled to. Below that its line goes down to the foot, upright if it can and clear of the
    metal's wall if that reaches further.
    """
    period = cell.period
    foot, offset = 0.0 - cell.recess / period, distance / period
    bend = strip.bend(distance)
    levels = [foot if distance == 0.0 else start / period, top + offset]
    if bend is not None and levels[0] < foot + bend / period < levels[1]:
        levels.insert(1, foot + bend / period)
    halves = [strip.half_width((z - foot) * period, distance) / period for z in levels]
    if distance > 0.0:
        inner = [strip.half_width(h) for h in (0.0, min(levels[0], top) * period + cell.recess)]
        away = halves[0] - inner[1] / period
        # In a groove there is only so much room, and the metal keeps away by itself.
        clear = CLEAR * away if start == distance else 0.0
        halves.insert(0, max(halves[0], inner[0] / period + clear))
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
