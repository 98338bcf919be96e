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
    order : polynomial degree of the elements, None where only a mesh was drawn.
    """

    period: float
    corners: Array
    body: Index
    bodies: tuple[tuple[str, str], ...]
    focus: tuple[float, float, float, float]
    order: int | None = None

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
