"""What a run found: one container for constants, arrays, device and where they came from.

container    Result and its parts; the JSON object of a run
gather       from solved gratings and computed responses to their results
signals      what a device does to a modulated signal, as a JSON object
waves        plane waves as JSON objects
provenance   versions, time, texts of materials

Everything is in SI and kept as arrays and floats. Names and units are those of the table of
quantities. Names are loaded on use, so that a table of plane waves needs no finite elements.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from sawfem.result.container import (
        CONSTANTS,
        FORMAT,
        DeviceResult,
        GratingResult,
        Port,
        Result,
        constants_dict,
    )
    from sawfem.result.gather import (
        collect_checks,
        device_result,
        grating_result,
        two_mode_admittance,
    )
    from sawfem.result.provenance import current_versions, material_entry, utc_now
    from sawfem.result.signals import signal_dict, signal_figures
    from sawfem.result.waves import WAVE_QUANTITIES, wave_dict
    from sawfem.unitcell.fields import ModeShape

__all__ = [
    "CONSTANTS",
    "FORMAT",
    "WAVE_QUANTITIES",
    "DeviceResult",
    "GratingResult",
    "ModeShape",
    "Port",
    "Result",
    "collect_checks",
    "constants_dict",
    "current_versions",
    "device_result",
    "grating_result",
    "material_entry",
    "signal_dict",
    "signal_figures",
    "two_mode_admittance",
    "utc_now",
    "wave_dict",
]

_ROOMS = {
    "CONSTANTS": "container",
    "FORMAT": "container",
    "DeviceResult": "container",
    "GratingResult": "container",
    "ModeShape": "container",
    "Port": "container",
    "Result": "container",
    "constants_dict": "container",
    "collect_checks": "gather",
    "device_result": "gather",
    "grating_result": "gather",
    "two_mode_admittance": "gather",
    "current_versions": "provenance",
    "material_entry": "provenance",
    "utc_now": "provenance",
    "signal_dict": "signals",
    "signal_figures": "signals",
    "WAVE_QUANTITIES": "waves",
    "wave_dict": "waves",
}


def __getattr__(name: str) -> Any:
    if name in _ROOMS:
        return getattr(import_module(f"sawfem.result.{_ROOMS[name]}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
