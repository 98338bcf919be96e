"""The mesh of one period: structured, graded towards every electrode corner, mapped to trapezoids.

Lengths are in units of the period p; x runs from 0 to 1 and z = 0 is the surface of the stack.
The charge and the stress are singular at the electrode corners, where uniform refinement of any
order converges only like the root of the element size; elements shrinking by a fixed ratio
towards the corner restore exponential convergence (Babuska & Guo, SIAM J. Numer. Anal. 25, 837
(1988)).

Every row of elements runs through the whole period, so the nodes of the left and the right side
are the same heights exactly and a Bloch condition needs no interpolation.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray
from skfem import MeshQuad

from sawfem.design import Electrode, UnitCell
from sawfem.errors import GeometryError

Array = NDArray[np.float64]

#: Region numbers: the air, the electrodes, then the parts of the stack from the surface down.
AIR = 0
METAL = 1
STACK = 2


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
    """

    order: int = 4
    gradings: int = 3
    ratio: float = 0.25
    depth: float = 0.35
    reach: float = 0.35
    air: float = 0.3
    largest: float = 0.25

    def refined(self) -> MeshSettings:
        """One order and one grading more: the partner that gives the error bar."""
        return replace(self, order=self.order + 1, gradings=self.gradings + 1)


@dataclass(frozen=True)
class CellMesh:
    """A meshed period.

    Attributes
    ----------
    mesh : the quadrilaterals, in units of the period.
    region : (elements,) region number of every element: AIR, METAL or STACK + i, where part i
        counts the parts of the stack from the surface down.
    electrode : (elements,) number of the electrode, -1 outside the metal.
    parts : for every part of the stack inside the slab, its index in Stack.layers
        (-1 for the substrate), from the surface down.
    depth : depth of the slab in periods.
    top : height of the upper end of the air, in periods.
    """

    mesh: MeshQuad
    region: NDArray[np.int64]
    electrode: NDArray[np.int64]
    parts: tuple[int, ...]
    depth: float
    top: float


def graded(
    start: float, stop: float, ends: str, gradings: int, ratio: float, largest: float
) -> Array:
    """Nodes of an interval that crowd together geometrically towards one or both ends.

    ``ends`` names the singular ends: "both", "start" or "stop". The nodes include both ends.
    Intervals longer than ``largest`` are halved until they are not.
    """
    length = stop - start
    powers = ratio ** np.arange(gradings, 0, -1)
    if ends == "both":
        half = 0.5 * length
        nodes = np.r_[start, start + half * powers, start + half, stop - half * powers[::-1], stop]
    elif ends == "start":
        nodes = np.r_[start, start + length * powers, stop]
    else:
        nodes = np.r_[start, stop - length * powers[::-1], stop]
    return split(nodes, largest)


def split(nodes: Array, largest: float) -> Array:
    """The same nodes with every interval longer than ``largest`` cut into equal pieces."""
    pieces = [nodes[:1]]
    for left, right in pairwise(nodes):
        count = max(1, int(np.ceil((right - left) / largest - 1e-9)))
        pieces.append(np.linspace(left, right, count + 1)[1:])
    return np.concatenate(pieces)


def mesh_cell(cell: UnitCell, settings: MeshSettings) -> CellMesh:
    """Mesh one period of a grating.

    Raises
    ------
    GeometryError : the electrodes differ in thickness or side walls (a structured mesh has one
        row of metal), or a cell has none.
    """
    electrodes = cell.electrodes
    if not electrodes:
        raise GeometryError("a unit cell needs at least one electrode")
    height = _common(cell, "thickness") / cell.period
    angle = np.deg2rad(_common(cell, "sidewall_angle"))
    inset = height / np.tan(angle)

    edges = [_span(electrode, cell.period) for electrode in electrodes]
    x, owner = _columns(edges, settings)
    z, row_region, parts = _rows(cell, height, settings)

    mesh = MeshQuad.init_tensor(x, z)
    column, row = _element_cells(mesh, x, z)
    electrode = np.where(row_region[row] == METAL, owner[column], -1)
    region = np.where(
        row_region[row] == METAL, np.where(electrode >= 0, METAL, AIR), row_region[row]
    )
    points = mesh.p.copy()
    points[0] = _lean(points[0], points[1], edges, inset, height)
    return CellMesh(
        mesh=MeshQuad(points, mesh.t),
        region=region,
        electrode=electrode,
        parts=parts,
        depth=settings.depth,
        top=float(z[-1]),
    )


def _span(electrode: Electrode, period: float) -> tuple[float, float]:
    """Left and right foot of an electrode, in periods."""
    centre = 0.5 * period if electrode.centre is None else electrode.centre
    half = 0.5 * electrode.width
    return (centre - half) / period, (centre + half) / period


def _common(cell: UnitCell, name: str) -> float:
    values = {float(getattr(electrode, name)) for electrode in cell.electrodes}
    if len(values) > 1:
        raise GeometryError(
            key=f"electrode.{name}",
            found=f"different values {sorted(values)} in one cell",
            expected="one value for all electrodes of a cell",
        )
    return values.pop()


def _columns(
    edges: list[tuple[float, float]], settings: MeshSettings
) -> tuple[Array, NDArray[np.int64]]:
    """Nodes along x and, for every interval between them, the electrode above it (-1: none)."""
    marks = [0.0, *[edge for pair in edges for edge in pair], 1.0]
    nodes, owner = [np.zeros(1)], []
    last = len(marks) - 2
    for i, (left, right) in enumerate(pairwise(marks)):
        ends = "stop" if i == 0 else "start" if i == last else "both"
        part = graded(left, right, ends, settings.gradings, settings.ratio, settings.largest)
        nodes.append(part[1:])
        owner.append(np.full(part.size - 1, (i - 1) // 2 if i % 2 == 1 else -1))
    return np.concatenate(nodes), np.concatenate(owner)


def _rows(
    cell: UnitCell, height: float, settings: MeshSettings
) -> tuple[Array, NDArray[np.int64], tuple[int, ...]]:
    """Nodes along z, the region of every interval between them, and the parts of the stack."""
    n, q, largest = settings.gradings, settings.ratio, settings.largest
    depth = settings.depth
    interfaces, parts = _interfaces(cell, depth)
    reach = min(settings.reach, depth)
    slab = graded(-reach, 0.0, "stop", n, q, largest)
    if depth > reach:
        slab = np.r_[split(np.array([-depth, -reach]), largest)[:-1], slab]
    # An interface of the stack must be a line of nodes: move the nearest node onto it, or add it.
    for level in interfaces:
        distance = np.abs(slab[1:-1] - level)
        near = int(np.argmin(distance)) + 1
        gap = min(slab[near] - slab[near - 1], slab[near + 1] - slab[near])
        if distance[near - 1] < 0.3 * gap and slab[near] not in interfaces:
            slab[near] = level
        else:
            slab = np.sort(np.append(slab, level))
    metal = graded(0.0, height, "both", n, q, largest)
    air = graded(height, height + settings.air, "start", n, q, largest)
    middle = 0.5 * (slab[1:] + slab[:-1])
    part = np.searchsorted(-np.array(interfaces), -middle)
    regions = np.r_[
        STACK + part, np.full(metal.size - 1, METAL), np.full(air.size - 1, AIR)
    ].astype(np.int64)
    return np.r_[slab, metal[1:], air[1:]], regions, parts


def _interfaces(cell: UnitCell, depth: float) -> tuple[list[float], tuple[int, ...]]:
    """Interface heights inside the slab from the surface down, and which layer lies where."""
    levels: list[float] = []
    parts: list[int] = []
    level = 0.0
    for index in range(len(cell.stack.layers) - 1, -1, -1):
        parts.append(index)
        level -= cell.stack.layers[index].thickness / cell.period
        # A sliver between the interface and the floor of the slab would only spoil the mesh.
        if level <= -depth * (1.0 - 1e-9):
            return levels, tuple(parts)
        levels.append(level)
    parts.append(-1)
    return levels, tuple(parts)


def _element_cells(mesh: Any, x: Array, z: Array) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Column and row of every element of a tensor mesh."""
    centre = mesh.p[:, mesh.t].mean(axis=1)
    return np.searchsorted(x, centre[0]) - 1, np.searchsorted(z, centre[1]) - 1


def _lean(
    x: Array, z: Array, edges: list[tuple[float, float]], inset: float, height: float
) -> Array:
    """Move the nodes above the surface so that the electrode sides lean inwards.

    At the height of the metal's top every foot edge has moved by ``inset`` into its electrode;
    between edges the shift is linear in x, below the top it is linear in z, and above the top
    it stays, so that rows remain straight and the period's sides do not move.
    """
    if abs(inset) < 1e-14:
        return x
    marks = np.array([0.0, *[edge for pair in edges for edge in pair], 1.0])
    shift = np.zeros(marks.size)
    shift[1:-1:2] = inset
    shift[2:-1:2] = -inset
    share = np.clip(z / height, 0.0, 1.0)
    leaning: Array = x + np.interp(x, marks, shift) * share
    return leaning
