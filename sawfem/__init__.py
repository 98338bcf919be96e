"""Surface-acoustic-wave gratings and devices by finite elements.

From a crystal cut and a metal grating to constants, a resonator or a transversal filter, and
their files. The names below are the public face; each is imported when it is first used, so that
``import sawfem`` stays light.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

if TYPE_CHECKING:
    from sawfem.case import Case
    from sawfem.design import Electrode, Stack, UnitCell
    from sawfem.device import Device, device_response
    from sawfem.errors import SawfemError
    from sawfem.export import open_result
    from sawfem.extract import double_electrode_constants, grating_constants
    from sawfem.material import load_material
    from sawfem.pipeline import check, run
    from sawfem.planewave import plane_waves
    from sawfem.quantities import Quantity
    from sawfem.result import Result
    from sawfem.sweep.run import run_sweep
    from sawfem.sweep.view import open_sweep
    from sawfem.unitcell.certified import CellModel

__all__ = [
    "Case",
    "CellModel",
    "Device",
    "Electrode",
    "Quantity",
    "Result",
    "SawfemError",
    "Stack",
    "UnitCell",
    "check",
    "device_response",
    "double_electrode_constants",
    "grating_constants",
    "load_material",
    "open_result",
    "open_sweep",
    "plane_waves",
    "run",
    "run_sweep",
]

#: Where every public name lives.
_ROOMS = {
    "Case": "sawfem.case",
    "CellModel": "sawfem.unitcell.certified",
    "Device": "sawfem.device",
    "Electrode": "sawfem.design",
    "Quantity": "sawfem.quantities",
    "Result": "sawfem.result",
    "SawfemError": "sawfem.errors",
    "Stack": "sawfem.design",
    "UnitCell": "sawfem.design",
    "check": "sawfem.pipeline",
    "device_response": "sawfem.device",
    "double_electrode_constants": "sawfem.extract",
    "grating_constants": "sawfem.extract",
    "load_material": "sawfem.material",
    "open_result": "sawfem.export",
    "open_sweep": "sawfem.sweep.view",
    "plane_waves": "sawfem.planewave",
    "run": "sawfem.pipeline",
    "run_sweep": "sawfem.sweep.run",
}


def __getattr__(name: str) -> Any:
    try:
        room = _ROOMS[name]
    except KeyError:
        raise AttributeError(f"module 'sawfem' has no attribute {name!r}") from None
    value = getattr(import_module(room), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    own = {name for name in globals() if name.startswith("__")}
    return sorted({*own, *__all__})
