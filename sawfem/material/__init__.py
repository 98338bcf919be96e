"""Materials: constants of crystals and films, where they come from, and how sure they are.

:class:`Material` holds constants in crystal axes, :class:`Medium` in device axes;
:func:`load_material` reads a shipped set or a file of one's own.
"""

from sawfem.material.library import list_materials, load_material, material_variant
from sawfem.material.medium import Medium
from sawfem.material.model import MARKS, Material
from sawfem.material.temperature import Coefficients, TemperatureData
from sawfem.material.void import AIR, AIR_NAME

__all__ = [
    "AIR",
    "AIR_NAME",
    "MARKS",
    "Coefficients",
    "Material",
    "Medium",
    "TemperatureData",
    "list_materials",
    "load_material",
    "material_variant",
]
