"""What a mesh costs, known before it is assembled: unknowns and memory."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sawfem.design import UnitCell
from sawfem.errors import GeometryError
from sawfem.unitcell.degrees import degrees
from sawfem.unitcell.mesh import AIR, METAL, CellMesh, MeshSettings, mesh_cell

#: Memory, in bytes, beyond which a mesh is refused before it is assembled.
MEMORY_LIMIT = 4e9
#: Bytes an unknown: sparse factors at two frequencies, traces on the floor, snapshots; and bytes
#: whatever the cell. Measured, see :class:`MeshSize`.
PER_UNKNOWN, FIXED = 14e3, 1.5e8


@dataclass(frozen=True)
class MeshSize:
    """Unknowns and memory of a mesh.

    Attributes
    ----------
    elements, unknowns : of the mesh; the unknowns without what the Bloch condition ties.
    memory : bytes that assembling and solving take at most, measured on cells of 50,000 to
        160,000 unknowns with four electrodes under a conformal film.
    """

    elements: int
    unknowns: int
    memory: float


def size_of(cell_mesh: CellMesh, settings: MeshSettings) -> MeshSize:
    """Size of a mesh with the degrees that its elements will have."""
    components = np.full(cell_mesh.region.size, 4)
    components[cell_mesh.region == AIR] = 1
    components[cell_mesh.region == METAL] = 3
    across, up = (np.full(components.size, settings.order),) * 2
    if settings.thrift:
        across, up = degrees(cell_mesh, settings.order, settings.thrift)
    unknowns = int(np.sum(components * across * up))
    return MeshSize(components.size, unknowns, PER_UNKNOWN * unknowns + FIXED)


def mesh_size(cell: UnitCell, settings: MeshSettings) -> MeshSize:
    """Size of the mesh of a cell. Raises GeometryError as :func:`.mesh.mesh_cell`."""
    return size_of(mesh_cell(cell, settings), settings)


def check_memory(cell_mesh: CellMesh, settings: MeshSettings) -> None:
    """Refuse a mesh that would take more than MEMORY_LIMIT.

    Raises GeometryError.
    """
    size = size_of(cell_mesh, settings)
    if size.memory > MEMORY_LIMIT:
        raise GeometryError(
            key="grating",
            found=f"a cell whose mesh has {size.unknowns:,} unknowns and needs some "
            f"{size.memory / 1e9:.1f} GB",
            expected=f"at most {MEMORY_LIMIT / 1e9:g} GB: fewer electrodes of unlike height, fewer "
            "conformal films, or a larger results.accuracy",
        )
