"""HDF5 files that are whole or not there, and what every study keeps in its file."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import h5py

from sawfem import __version__
from sawfem.quantities import entry
from sawfem.wholefiles import replacing

#: Type of texts.
TEXT = h5py.string_dtype("utf-8")
#: How arrays are packed.
COMPRESSED = {"compression": "gzip", "compression_opts": 4, "shuffle": True}


@contextmanager
def whole_file(path: str | Path) -> Iterator[h5py.File]:
    """Inside, a file beside ``path``; at the end it takes the place of what stands there.

    After an error or an interruption the older file is as it was.

    Raises
    ------
    OutputError : the file cannot be written.
    """
    with replacing(path) as new, h5py.File(new, "w") as file:
        yield file


def write_format(file: h5py.File, kind: str, version: str) -> None:
    """What a reader asks first: kind and version of the file, and the program's."""
    file.attrs["format"], file.attrs["format_version"] = kind, version
    file.attrs["sawfem_version"] = __version__


def write_case(file: h5py.File, source: str, resolved: Mapping[str, Any] | None) -> None:
    """The group /case: the case as written, and with its defaults filled, SI."""
    file["case/source"] = source
    file["case/resolved"] = json.dumps(resolved or {}, allow_nan=False)


def write_materials(file: h5py.File, materials: Mapping[str, Mapping[str, str]] | None) -> None:
    """The group /materials: a text for each set, with name, digest, source and provenance."""
    group = file.create_group("materials", track_order=True)
    for number, (name, item) in enumerate((materials or {}).items()):
        key = f"own-{number}" if name.startswith((".", "/")) else name
        group[key] = item["toml"]
        group[key].attrs["name"] = name
        for attribute in ("sha256", "source", "provenance"):
            group[key].attrs[attribute] = item[attribute]


def write_quantity(group: h5py.Group, name: str, values: Any, quantity: str = "") -> h5py.Dataset:
    """Values with the attributes of their quantity, that of their name if none is given."""
    dataset = group.create_dataset(name, data=values)
    dataset.attrs.update(entry(quantity or name).attributes())
    return dataset
