"""Results as files that other programs read.

folder           results/<case>/ in one swap: save_result, open_result
places           is a folder ours, can it be written, was a swap interrupted: prepare_folder
hdf5_write, hdf5_read    result.h5, self-describing (layout: its names and versions)
hdf5_node        reading an HDF5 file from somewhere with suspicion
touchstone       scattering parameters for circuit programs
constants_json   the JSON object of a run and its schema
tables           tables of grating constants as CSV, JSON and HDF5

Names are loaded on use: h5py, scikit-rf and matplotlib take time.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from sawfem.export.constants_json import constants_text, result_schema
    from sawfem.export.folder import open_result, save_result
    from sawfem.export.hdf5_read import read_hdf5
    from sawfem.export.hdf5_write import write_hdf5
    from sawfem.export.places import prepare_folder
    from sawfem.export.tables import write_table
    from sawfem.export.touchstone import write_touchstone

__all__ = [
    "constants_text",
    "open_result",
    "prepare_folder",
    "read_hdf5",
    "result_schema",
    "save_result",
    "write_hdf5",
    "write_table",
    "write_touchstone",
]

_ROOMS = {
    "constants_text": "constants_json",
    "open_result": "folder",
    "prepare_folder": "places",
    "read_hdf5": "hdf5_read",
    "result_schema": "constants_json",
    "save_result": "folder",
    "write_hdf5": "hdf5_write",
    "write_table": "tables",
    "write_touchstone": "touchstone",
}


def __getattr__(name: str) -> Any:
    if name in _ROOMS:
        return getattr(import_module(f"sawfem.export.{_ROOMS[name]}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
