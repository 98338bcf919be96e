"""A cell as a picture needs it: the elements of its mesh and the body that each belongs to."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sawfem.design import UnitCell
from sawfem.unitcell.mesh import AIR, METAL, STACK, CellMesh, MeshSettings, mesh_cell

Array = NDArray[np.float64]
Index = NDArray[np.int64]

#: The mesh that a cell is drawn with where none was solved on.
DRAWN = MeshSettings(order=4, gradings=3, ratio=0.15)


@dataclass(frozen=True, eq=False)
class CellDrawing:
    """Cross-section of one period.

    Attributes
    ----------
    period : m.
    corners : (n, 4, 2) m, x1 and x3 of the corners of every element, in turn.
    body : (n,) index into ``bodies``.
    bodies : (role, material) of every body: role is "air", "electrode", "overcoat", "layer" or
        "substrate".
    focus : (4,) m, left, right, bottom and top of the neighbourhood of the first electrode's left
        wall, where the details are.
    order : highest polynomial degree of the elements, None where only a mesh was drawn.
    """

    period: float
    corners: Array
    body: Index
    bodies: tuple[tuple[str, str], ...]
    focus: tuple[float, float, float, float]
    order: int | None = None

    def outlines(self) -> tuple[tuple[int, Array], ...]:
        """(body, (k, 2) corners in m) of the closed polygons that bound the bodies, without points
        on straight sides; counterclockwise, holes clockwise.
        """
        found: list[tuple[int, Array]] = []
        for body in range(len(self.bodies)):
            found += [(body, loop) for loop in _loops(self.corners[self.body == body])]
        return tuple(found)

    def __repr__(self) -> str:
        return f"CellDrawing({len(self.body)} elements, {len(self.bodies)} bodies)"


def draw_mesh(
    cell: UnitCell, mesh: CellMesh | None = None, order: int | None = None
) -> CellDrawing:
    """The drawing of a cell on a mesh of it; None meshes it anew.

    Raises
    ------
    GeometryError : a cell that cannot be meshed.
    """
    mesh = mesh_cell(cell, DRAWN) if mesh is None else mesh
    corners = mesh.mesh.p[:, mesh.mesh.t].transpose(2, 1, 0) * cell.period
    names: dict[tuple[str, str], int] = {}
    body = np.zeros(mesh.region.size, dtype=np.int64)
    for pair in np.unique(np.stack([mesh.region, mesh.medium]), axis=1).T.tolist():
        region, medium = int(pair[0]), mesh.media[int(pair[1])]
        key = (_role(cell, region), "" if medium is None else medium.name)
        chosen = (mesh.region == region) & (mesh.medium == pair[1])
        body[chosen] = names.setdefault(key, len(names))
    return CellDrawing(cell.period, corners, body, tuple(names), _focus(cell), order)


def _role(cell: UnitCell, region: int) -> str:
    if region == AIR:
        return "air"
    if region == METAL:
        return "electrode"
    if region < AIR:
        return "overcoat"
    return "substrate" if region - STACK == len(cell.stack.layers) else "layer"


def _focus(cell: UnitCell) -> tuple[float, float, float, float]:
    """A square around the left wall of the first electrode."""
    strip = cell.electrodes[0]
    assert strip.centre is not None  # a cell places its electrodes
    # Conformal films are part of the detail, a thick flat one is not.
    films = sum(coat.thickness for coat in cell.overcoat if not coat.is_flat)
    size = max(1.5 * (strip.thickness + films), 0.03 * cell.period)
    middle = strip.centre - 0.5 * strip.width
    bottom = -cell.recess - 0.25 * size
    return middle - 0.5 * size, middle + 0.5 * size, bottom, bottom + size


#: Places nearer than this share of the cell are one.
SAME = 1e-9


def _loops(elements: Array) -> list[Array]:
    """Closed polygons around elements (n, 4, 2): the sides that belong to one of them alone."""
    if not len(elements):
        return []
    scale = SAME * max(float(np.ptp(elements)), 1e-300)
    area = np.sum(_cross(elements, np.roll(elements, -1, axis=1)), axis=1)
    turned = np.where(area[:, None, None] < 0.0, elements[:, ::-1], elements)
    keys = np.round(turned / scale).astype(np.int64)
    places = {
        tuple(k): point
        for k, point in zip(keys.reshape(-1, 2).tolist(), turned.reshape(-1, 2), strict=True)
    }
    sides: set[tuple[tuple[int, ...], tuple[int, ...]]] = set()
    for element in keys.tolist():
        for a, b in zip(element, [*element[1:], element[0]], strict=True):
            side = tuple(a), tuple(b)
            if side[::-1] in sides:
                sides.remove(side[::-1])
            elif side[0] != side[1]:
                sides.add(side)
    after: dict[tuple[int, ...], list[tuple[int, ...]]] = {}
    for start, stop in sorted(sides):
        after.setdefault(start, []).append(stop)
    loops = []
    while after:
        start = next(iter(after))
        here, loop = start, []
        while here in after:
            loop.append(places[here])
            following = after[here].pop()
            if not after[here]:
                del after[here]
            here = following
        loops.append(_cornered(np.array(loop)))
    return loops


def _cross(a: Array, b: Array) -> Array:
    return np.asarray(a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0])


def _cornered(loop: Array) -> Array:
    """Without the points on straight sides."""
    before, after = loop - np.roll(loop, 1, axis=0), np.roll(loop, -1, axis=0) - loop
    size = np.linalg.norm(before, axis=1) * np.linalg.norm(after, axis=1)
    return np.asarray(loop[np.abs(_cross(before, after)) > 1e-7 * size])
