"""The mesh of one period: structured, graded towards every electrode corner, mapped to its walls.

Lengths are in units of the period p; x runs from 0 to 1 and z = 0 is the surface of the stack.
Rows are level and run through the whole period, so the nodes of the left and the right side are
the same heights exactly and a Bloch condition needs no interpolation. Columns follow the walls
(sawfem/unitcell/outline.py): between two walls the nodes of a row are those of the foot, moved
linearly with the walls.

The corners of the metal, and those of an overcoat that follows it, are singular; the nodes crowd
towards them (sawfem/unitcell/spacing.py). A distance that is short already is graded less.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from skfem import MeshQuad

from sawfem.design import UnitCell
from sawfem.errors import GeometryError
from sawfem.material import Medium
from sawfem.strips import shown_length
from sawfem.unitcell.outline import AIR, COAT, METAL, STACK, Body, Outline, draw
from sawfem.unitcell.spacing import graded, gradings_for, split, with_levels

__all__ = ["AIR", "COAT", "METAL", "STACK", "CellMesh", "MeshSettings", "mesh_cell"]

Array = NDArray[np.float64]
Index = NDArray[np.int64]

#: A membrane, or what lies above a metal plane, is meshed as a whole up to this many slab depths.
WHOLE = 1.5
#: Least distance of the slab's floor from the electrodes' feet, in periods: the harmonics that the
#: floor holds then leave out less than 1e-9.
LEAST_DEPTH = 0.07
#: Share of the way down to a metal plane that is meshed.
ABOVE_PLANE = 0.7
#: Layers fewer towards the corners of an overcoat: there no charge sits, and the error that this
#: makes is a thousandth of the one that the metal's corners leave.
WEAKER = 1
#: Thinnest membrane, or dielectric above a metal plane, below the feet, in periods.
SLIVER = 1e-4


@dataclass(frozen=True)
class MeshSettings:
    """How finely a cell is cut up.

    Attributes
    ----------
    order : polynomial degree of the elements, 2 or more.
    gradings : number of shrinking element layers towards each corner.
    ratio : size of one layer over the next larger one, in (0, 1).
    depth : depth of the slab of the stack that is meshed, in periods.
    reach : depth over which the slab's layers shrink towards the surface, in periods; what lies
        deeper is cut evenly.
    air : height of the meshed air above the metal, in periods.
    largest : largest element edge, in periods.
    thrift : 0 gives every element the degree ``order``; above that, a lower one where it errs by
        no more than this share of what the elements at the corners leave
        (sawfem/unitcell/degrees.py).
    """

    order: int = 4
    gradings: int = 3
    ratio: float = 0.25
    depth: float = 0.35
    reach: float = 0.35
    air: float = 0.3
    largest: float = 0.25
    thrift: float = 0.0

    def refined(self) -> MeshSettings:
        """One order and one grading more: the partner that gives the error bar."""
        return replace(self, order=self.order + 1, gradings=self.gradings + 1)


@dataclass(frozen=True)
class CellMesh:
    """A meshed period.

    Attributes
    ----------
    mesh : the quadrilaterals, in units of the period.
    region : (elements,) region number of every element: AIR, METAL, STACK + i, where part i
        counts the parts of the stack from the surface down, or COAT - i, overcoat i upwards.
    electrode : (elements,) number of the electrode, -1 outside the metal.
    medium : (elements,) index into ``media``.
    media : constants of what is in the cell; None stands for the air.
    depth : depth of the floor below the surface in periods.
    clearance : distance of the floor from the electrodes' feet in periods.
    top : height of the upper end of the air, in periods.
    """

    mesh: MeshQuad
    region: Index
    electrode: Index
    medium: Index
    media: tuple[Medium | None, ...]
    depth: float
    clearance: float
    top: float

    @property
    def parts(self) -> tuple[int, ...]:
        """Parts of the stack inside the slab, counted from the surface down."""
        return tuple(int(r) - STACK for r in np.unique(self.region[self.region >= STACK]))


@dataclass(frozen=True)
class _Grid:
    """The rows and columns of a mesh, and the body in each patch."""

    outline: Outline
    feet: Array
    column: Index
    z: Array
    depth: float
    bodies: list[list[Body]]


def _grid(cell: UnitCell, settings: MeshSettings) -> _Grid:
    outline = draw(cell)
    largest = _largest(cell, settings)
    feet, column = _columns(outline, settings, largest)
    z, depth = _rows(outline, settings, largest)
    heights = 0.5 * (z[1:] + z[:-1])
    count = len(outline.walls) + 1
    bodies = [[outline.body(i, float(height)) for height in heights] for i in range(count)]
    return _Grid(outline, feet, column, z, depth, bodies)


def mesh_cell(cell: UnitCell, settings: MeshSettings) -> CellMesh:
    """Mesh one period of a grating.

    Raises
    ------
    GeometryError : a metal plane at the feet of the electrodes, or walls that meet.
    """
    grid = _grid(cell, settings)
    mesh = MeshQuad.init_tensor(grid.feet, grid.z)
    middle = mesh.p[:, mesh.t].mean(axis=1)
    column = grid.column[np.searchsorted(grid.feet, middle[0]) - 1]
    of = column, np.searchsorted(grid.z, middle[1]) - 1
    media, numbers = _media(grid.bodies)
    points = mesh.p.copy()
    points[0] = _leaning(grid.outline, points[0], points[1])
    return CellMesh(
        mesh=MeshQuad(points, mesh.t),
        region=np.array([[body.region for body in line] for line in grid.bodies])[of],
        electrode=np.array([[body.electrode for body in line] for line in grid.bodies])[of],
        medium=numbers[of],
        media=media,
        depth=grid.depth,
        clearance=grid.depth + grid.outline.foot,
        top=float(grid.z[-1]),
    )


def _largest(cell: UnitCell, settings: MeshSettings) -> float:
    """Largest element edge: a period of many electrodes holds many wavelengths."""
    return settings.largest * min(1.0, 2.0 / len(cell.electrodes))


def _media(bodies: list[list[Body]]) -> tuple[tuple[Medium | None, ...], Index]:
    """The different media and, for every patch, the index of its own."""
    found: dict[int, int] = {}
    media: list[Medium | None] = []
    numbers = np.zeros((len(bodies), len(bodies[0])), dtype=np.int64)
    for i, line in enumerate(bodies):
        for j, body in enumerate(line):
            if id(body.medium) not in found:
                found[id(body.medium)] = len(media)
                media.append(body.medium)
            numbers[i, j] = found[id(body.medium)]
    return tuple(media), numbers


def _columns(outline: Outline, settings: MeshSettings, largest: float) -> tuple[Array, Index]:
    """Nodes along x at the feet of the walls and, for every interval, its column of patches."""
    n, q = settings.gradings, settings.ratio
    walls = outline.walls
    finest = 0.5 * q**n * min(strip.width for strip in outline.cell.electrodes)
    finest /= outline.cell.period
    marks = [0.0, *(wall.foot for wall in walls), 1.0]
    outer = [False, *(wall.coats > 0 for wall in walls), False]
    nodes, column = [np.zeros(1)], []
    for i, (left, right) in enumerate(pairwise(marks)):
        ends = "stop" if i == 0 else "start" if i == len(walls) else "both"
        count = n
        if outer[i] or outer[i + 1]:
            length = (right - left) * (0.5 if ends == "both" else 1.0)
            count = gradings_for(length, finest, q, n - WEAKER)
        part = graded(left, right, ends, count, q, largest)
        nodes.append(part[1:])
        column.append(np.full(part.size - 1, i))
    return np.concatenate(nodes), np.concatenate(column)


def _leaning(outline: Outline, x: Array, z: Array) -> Array:
    """Move nodes at (x, z), x counted at the feet, with the walls between which they lie."""
    walls = outline.walls
    levels, place = np.unique(z, return_inverse=True)
    feet = np.array([0.0, *(wall.foot for wall in walls), 1.0])
    shift = np.zeros((levels.size, feet.size))
    for number, wall in enumerate(walls, start=1):
        shift[:, number] = wall.at(levels) - feet[number]
    if not np.any(shift):
        return x
    moved = x.copy()
    for index in range(levels.size):
        chosen = place == index
        moved[chosen] += np.interp(x[chosen], feet, shift[index])
    return moved


def _rows(outline: Outline, settings: MeshSettings, largest: float) -> tuple[Array, float]:
    """Nodes along z from the floor to the upper end of the air, and the depth of the floor."""
    n, q = settings.gradings, settings.ratio
    finest = 0.5 * q**n * max(strip.thickness for strip in outline.cell.electrodes)
    finest /= outline.cell.period
    below, depth = _slab(outline, settings, largest)
    corners = sorted((*outline.sharp, *outline.edges))
    pieces = [below]
    for low, high in pairwise(corners):
        weaker = WEAKER if {low, high} & set(outline.edges) else 0
        count = gradings_for(0.5 * (high - low), finest, q, n - weaker)
        part = graded(low, high, "both", count, q, largest)
        pieces.append(with_levels(part, (*outline.plain, *_interfaces(outline.cell)))[1:])
    highest = max((corners[-1], *outline.coat_tops))
    above = graded(corners[-1], highest + settings.air, "start", n, q, largest)
    pieces.append(with_levels(above, outline.plain)[1:])
    return np.concatenate(pieces), depth


def _interfaces(cell: UnitCell) -> list[float]:
    """Heights of the interfaces of the stack, from the surface down."""
    heights = np.cumsum([layer.thickness / cell.period for layer in reversed(cell.stack.layers)])
    return [-float(height) for height in heights]


def _slab(outline: Outline, settings: MeshSettings, largest: float) -> tuple[Array, float]:
    """Nodes from the floor up to the electrodes' feet, and the depth of the floor."""
    cell, foot = outline.cell, outline.foot
    interfaces = _interfaces(cell)
    planes = _planes(cell)
    near = not planes or ABOVE_PLANE * (foot - planes[0]) < LEAST_DEPTH
    bottom = interfaces[-1] if cell.stack.is_membrane and near else -np.inf
    if bottom > foot - WHOLE * settings.depth and not (planes and foot - planes[0] < SLIVER):
        return _membrane(outline, settings, largest, bottom)
    depth = _depth(outline, settings)
    reach = min(settings.reach, depth)
    n, q = settings.gradings, settings.ratio
    slab = graded(foot - reach, foot, "stop", n, q, largest)
    if depth > reach:
        slab = np.r_[split(np.array([foot - depth, foot - reach]), largest)[:-1], slab]
    # A sliver between an interface and the floor of the slab would only spoil the mesh.
    inside = [level for level in interfaces if level > (foot - depth) * (1.0 - 1e-9)]
    return with_levels(slab, inside), depth - foot


def _depth(outline: Outline, settings: MeshSettings) -> float:
    """Depth of the slab below the feet: that of the settings, less above a metal plane, or past it.

    A plane so near that the floor would have no room above it lies within the mesh. The floor then
    keeps away from all planes, since a sliver between the two would only spoil the mesh.
    """
    cell, foot = outline.cell, outline.foot
    planes = _planes(cell)
    if not planes:
        return settings.depth
    room = foot - planes[0]
    if room >= WHOLE * settings.depth:
        return settings.depth
    if ABOVE_PLANE * room >= LEAST_DEPTH:
        return min(settings.depth, ABOVE_PLANE * room)
    if room < SLIVER:
        raise GeometryError(
            key="layer",
            found=f"a metal plane {shown_length(max(0.0, room) * cell.period)} below the "
            "electrodes",
            expected=f"{shown_length(SLIVER * cell.period)} or more: what touches it is shorted",
        )
    last = _interfaces(cell)[-1] if cell.stack.is_membrane else -np.inf
    depths = settings.depth * np.linspace(0.8, WHOLE, 36)
    depths = depths[foot - depths > last]
    apart = np.min(np.abs(np.subtract.outer(foot - depths, planes)), axis=1)
    return float(depths[np.argmax(np.minimum(apart, 0.1 * settings.depth))])


def _planes(cell: UnitCell) -> list[float]:
    """Heights of the sides of metal layers and of shorts in the stack, from above."""
    layers, levels = cell.stack.layers, (0.0, *_interfaces(cell))
    found = {levels[len(layers) - index] for index in cell.stack.shorts}
    for count, layer in enumerate(reversed(layers)):
        if layer.material.is_conductor:
            found |= {levels[count], levels[count + 1]}
    return sorted(found, reverse=True)


def _membrane(
    outline: Outline, settings: MeshSettings, largest: float, bottom: float
) -> tuple[Array, float]:
    """Nodes of a membrane that is meshed as a whole and of the air below it."""
    foot, n, q = outline.foot, settings.gradings, settings.ratio
    if bottom >= foot - SLIVER:
        raise GeometryError(
            key="grating.recess",
            found=f"electrodes sunk {shown_length(outline.cell.recess)} into a membrane",
            expected="a recess that leaves something of the membrane below them",
        )
    air = settings.air
    count = gradings_for(air, foot - bottom, q, n)
    below = graded(bottom - air, bottom, "stop", count, q, largest)
    slab = graded(bottom, foot, "stop", n, q, largest)
    return np.r_[below[:-1], with_levels(slab, _interfaces(outline.cell)[:-1])], air - bottom
