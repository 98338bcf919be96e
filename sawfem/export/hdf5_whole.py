"""HDF5 files that are whole or not there, and the materials that every study keeps in its file."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

import h5py

from sawfem.wholefiles import replacing


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


def write_materials(file: h5py.File, materials: Mapping[str, Mapping[str, str]] | None) -> None:
    """The group /materials: a text for each set, with name, digest, source and provenance."""
    group = file.create_group("materials", track_order=True)
    for number, (name, item) in enumerate((materials or {}).items()):
        key = f"own-{number}" if name.startswith((".", "/")) else name
        group[key] = item["toml"]
        group[key].attrs["name"] = name
        for attribute in ("sha256", "source", "provenance"):
            group[key].attrs[attribute] = item[attribute]
