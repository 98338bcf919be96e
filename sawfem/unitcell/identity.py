"""What a cell is, as text: to tell whether a kept model belongs to it.

Geometry, orientations and physical constants count; names and publications of the material sets
do not.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
from collections.abc import Sequence
from typing import Any

import numpy as np

from sawfem.design import UnitCell
from sawfem.material import Material
from sawfem.unitcell.mesh import MeshSettings

#: Attributes of a material that the unit cell depends on.
PHYSICAL = ("density", "stiffness", "piezoelectric", "permittivity", "mechanical_q", "resistivity")


def cell_description(
    cell: UnitCell, mesh: MeshSettings, *, losses: Sequence[Sequence[object]] = ()
) -> str:
    """JSON text of a cell and its mesh settings: SI, sorted keys, numbers to the last bit.

    ``losses`` : those that count (:func:`sawfem.unitcell.losses.lossy_media`).
    """
    plain: dict[str, Any] = {"cell": _plain(cell), "mesh": _plain(mesh)}
    if losses:
        plain["losses"] = losses
    return json.dumps(plain, sort_keys=True, allow_nan=False)


def description_hash(description: str) -> str:
    """SHA-256 of a description."""
    return hashlib.sha256(description.encode("utf-8")).hexdigest()


def _plain(value: Any) -> Any:
    """A description as lists, numbers and texts; of a material what acts."""
    if isinstance(value, Material):
        return {name: _plain(getattr(value, name)) for name in PHYSICAL}
    if dataclasses.is_dataclass(value):
        names = [f.name for f in dataclasses.fields(value) if not f.name.startswith("_")]
        return {name: _plain(getattr(value, name)) for name in names}
    if isinstance(value, np.ndarray | np.generic):
        return value.tolist()
    if isinstance(value, tuple | list):
        return [_plain(item) for item in value]
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    return value
