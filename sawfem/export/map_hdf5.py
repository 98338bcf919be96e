"""Maps of plane waves as HDF5 that other programs read with labelled axes: map.h5.

    /                      format="sawfem-map", format_version, sawfem_version, title, request
    /case/source           the case, TOML      /case/resolved   JSON, SI, defaults filled
    /materials/<set>       the set, TOML       attributes name, sha256, source, provenance
    /versions              attributes, one a library
    /axes/<key path>       dimension scales    attributes unit, long_name
    /values/<quantity>     axes in order       attributes from the table of quantities
    /status                int8: 0 done, 1 failed, 2 not run
    /message               why a point failed

A point that failed or was not run is NaN in every array that it lacks; ``status`` tells which.
The file holds no time and no host: a map that was interrupted and taken up again gives the same
bits as an undisturbed one. The attribute ``request`` is a digest of everything the numbers depend
on; a file with another one is not taken up.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import h5py

from sawfem import __version__, conventions
from sawfem.datafiles import numerics_digest
from sawfem.export.hdf5_node import Node, opened
from sawfem.export.hdf5_whole import (
    COMPRESSED,
    TEXT,
    whole_file,
    write_case,
    write_format,
    write_materials,
)
from sawfem.planewave.maps import MapRequest, WaveMap
from sawfem.quantities import entry

FORMAT = "sawfem-map"
MAJOR, MINOR = 1, 0
FILE_NAME = "map.h5"
#: Rooms whose text decides the numbers of a map.
_NUMERICS = (
    "conventions.py",
    "tensors.py",
    "pointgroups.py",
    "symmetry.py",
    "platenotation.py",
    "orientation.py",
    "stacks.py",
    "design.py",
    "material",
    "planewave",
)


@dataclass(frozen=True)
class MapOrigin:
    """What a map came from, for its file: texts of the case and of its materials, versions.

    ``source`` is the path of the case file as seen from the folder of the map, or "".
    """

    title: str = ""
    case_source: str = ""
    resolved: Mapping[str, Any] | None = None
    source: str = ""
    materials: Mapping[str, Mapping[str, str]] | None = None
    versions: Mapping[str, str] | None = None


def request_digest(asked: MapRequest) -> str:
    """SHA-256 of everything that the numbers of a map depend on.

    That is what is asked, what the materials hold, and the text of the program that computes it:
    a map is not taken up by another version, be its number the same.
    """
    digest = hashlib.sha256(__version__.encode())
    digest.update(numerics_digest(_NUMERICS).encode())
    for member in asked.members:
        digest.update(repr((member.plate, member.angles, member.thickness)).encode())
        digest.update(repr(member.potential).encode())
        digest.update(member.material.contents())
    digest.update(repr((asked.frequency, asked.quantities, asked.kinds, asked.order)).encode())
    digest.update(repr((asked.hold_constant, asked.shorts, asked.thick)).encode())
    for axis in asked.axes:
        digest.update(repr((axis.key, axis.unit, axis.places)).encode())
        digest.update(axis.values.tobytes() + axis.numbers.tobytes())
    return digest.hexdigest()


def write_map(found: WaveMap, path: str | Path, origin: MapOrigin | None = None) -> Path:
    """Write a map, whole or in part; a file that stands there is replaced in one step.

    Raises
    ------
    OutputError : the file cannot be written.
    """
    target, said = Path(path), origin or MapOrigin()
    with whole_file(target) as file:
        _write_head(file, found, said)
        _write_arrays(file, found)
    return target


def _write_head(file: h5py.File, found: WaveMap, origin: MapOrigin) -> None:
    write_format(file, FORMAT, f"{MAJOR}.{MINOR}")
    file.attrs["title"] = origin.title
    file.attrs["request"] = request_digest(found.asked)
    file.attrs["waves"] = " ".join((*found.asked.kinds, found.asked.order))
    write_case(file, origin.case_source, origin.resolved)
    file["case"].attrs["source_path"] = origin.source
    write_materials(file, origin.materials)
    file.create_group("versions").attrs.update(dict(origin.versions or {}))
    file["conventions"] = conventions.__doc__ or ""


def _write_arrays(file: h5py.File, found: WaveMap) -> None:
    group = file.create_group("axes", track_order=True)
    scales = []
    for axis in found.asked.axes:
        scale = group.create_dataset(axis.key, data=axis.values)
        scale.attrs["unit"], scale.attrs["long_name"] = axis.unit, axis.key
        scale.make_scale(axis.key)
        scales.append(scale)
    values = file.create_group("values", track_order=True)
    datasets = []
    for name, array in found.values.items():
        dataset = values.create_dataset(name, data=array, **COMPRESSED)
        dataset.attrs.update(entry(name).attributes())
        datasets.append(dataset)
    status = file.create_dataset("status", data=found.status, **COMPRESSED)
    status.attrs["definition"] = "0 done, 1 failed, 2 not run"
    message = file.create_dataset("message", data=found.message, dtype=TEXT, **COMPRESSED)
    message.attrs["definition"] = "why a point failed"
    for dataset in (*datasets, status, message):
        for number, (axis, scale) in enumerate(zip(found.asked.axes, scales, strict=True)):
            dataset.dims[number].label = axis.key
            dataset.dims[number].attach_scale(scale)


def read_map(path: str | Path, asked: MapRequest) -> WaveMap | None:
    """The map of a request, whole or in part, from its file; None if the file is of another one.

    Raises
    ------
    InputError : the file is no map, or damaged.
    """
    with _opened(path) as file:
        root = Node(file, Path(path).as_posix())
        if root.attribute("request", str) != request_digest(asked):
            return None
        shape = asked.shape
        held = root.child("values")
        values = {name: held.array(name, shape) for name in asked.quantities}
        return WaveMap(asked, values, root.status(shape), root.words("message", shape))


def map_source(path: str | Path) -> str:
    """Path of the case file, seen from the folder of the map, that a file remembers, or "".

    Raises as :func:`read_map`.
    """
    with _opened(path) as file:
        return str(Node(file, Path(path).as_posix()).child("case").attribute("source_path", str))


def _opened(path: str | Path) -> h5py.File:
    return opened(path, kind=FORMAT, major=MAJOR, name=FILE_NAME)
