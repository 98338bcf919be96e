"""The cross-section of a grating's cell inside result.h5: /grating/<name>/cell.

outline/<n>     (k, 2) corners of a closed polygon, x1 and x3 in m, counterclockwise around a body
                and clockwise around a hole in it; attributes role, material
corners         (n, 4, 2) m, corners of every element of the mesh, x1 and x3
body            (n,) place of every element's body in roles and materials
roles, materials    what every body is ("air", "electrode", "overcoat", "layer", "substrate") and of
                what; air has no material

Attributes: period [m], focus (left, right, bottom, top) [m], order of the elements (0: none).
"""

from __future__ import annotations

import h5py
import numpy as np

from sawfem.export.hdf5_node import Node
from sawfem.unitcell.drawing import CellDrawing

_COMPRESSED = {"compression": "gzip", "shuffle": True}


def write_cell(group: h5py.Group, drawing: CellDrawing) -> None:
    """Put a cross-section into a group of its own."""
    group.attrs["period"], group.attrs["period_unit"] = drawing.period, "m"
    group.attrs["focus"], group.attrs["focus_unit"] = np.array(drawing.focus), "m"
    group.attrs["order"] = drawing.order or 0
    corners = group.create_dataset("corners", data=drawing.corners, **_COMPRESSED)
    corners.attrs["unit"] = "m"
    group.create_dataset("body", data=drawing.body, **_COMPRESSED)
    text = h5py.string_dtype()
    group.create_dataset("roles", data=[role for role, _ in drawing.bodies], dtype=text)
    group.create_dataset("materials", data=[name for _, name in drawing.bodies], dtype=text)
    for number, (body, polygon) in enumerate(drawing.outlines()):
        dataset = group.create_dataset(f"outline/{number}", data=polygon)
        dataset.attrs["unit"] = "m"
        dataset.attrs["role"], dataset.attrs["material"] = drawing.bodies[body]


def read_cell(node: Node) -> CellDrawing:
    """Take it out of its group. InputError for contents that cannot be one."""
    corners = node.array("corners", (None, 4, 2))
    body = node.array("body", (len(corners),), np.int64)
    roles, materials = node.texts("roles"), node.texts("materials")
    if len(roles) != len(materials) or np.any(body < 0) or np.any(body >= len(roles)):
        raise node.fail("body", "an element of no body", f"places among {len(roles)} bodies")
    focus = np.asarray(node.group.attrs.get("focus", ()), dtype=float)
    if focus.shape != (4,):
        raise node.fail("@focus", f"shape {focus.shape}", "four numbers")
    left, right, bottom, top = focus.tolist()
    return CellDrawing(
        period=float(node.attribute("period", float)),
        corners=corners,
        body=body,
        bodies=tuple(zip(roles, materials, strict=True)),
        focus=(left, right, bottom, top),
        order=int(node.attribute("order", int)) or None,
    )
