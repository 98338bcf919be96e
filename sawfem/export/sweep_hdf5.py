"""Sweeps as HDF5 that other programs read with labelled axes: sweep.h5.

    /                      format="sawfem-sweep", format_version, sawfem_version, numerics, title,
                           dimensions
    /case/source           the case, TOML      /case/resolved   JSON, SI, defaults filled
    /materials/<set>       the set, TOML       attributes name, sha256, source, provenance
    /axes/<key path>       dimension scales    attributes unit, dimension, long_name
    /values/<column>       axes in order       attributes from the table of quantities; a pair
                           has a last axis "edge"
    /values/<column>_uncertainty               attribute uncertainty_of, kind="numerical"
    /checks/<name>         axes in order       attribute limit
    /reasons/<column>      why a constant is missing at a point that is done
    /status                int8: 0 done, 1 failed, 2 not run
    /message               why a point failed
    /remarks/<name>        texts, where there are any: errors of interpolants, polynomials

A point that failed or was not run is NaN (complex: both parts; words: ""); ``status`` tells
which. The file holds no time and no host: a sweep that was interrupted and taken up again gives
the same bits as an undisturbed one.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from sawfem import conventions
from sawfem.export.hdf5_node import Node, opened
from sawfem.export.hdf5_whole import (
    COMPRESSED,
    TEXT,
    whole_file,
    write_case,
    write_format,
    write_materials,
)
from sawfem.quantities import table as quantity_table
from sawfem.result.sweep_table import (
    STATUS_WORDS,
    SweepCoordinate,
    SweepTable,
    quantity_of,
)

FORMAT = "sawfem-sweep"
MAJOR, MINOR = 1, 0
FILE_NAME = "sweep.h5"

_BAR = "_uncertainty"
_EDGE = "edge"


@dataclass(frozen=True)
class SweepOrigin:
    """What a sweep came from: texts of the case and of its materials, version of the numbers."""

    case_source: str = ""
    resolved: Mapping[str, Any] | None = None
    materials: Mapping[str, Mapping[str, str]] | None = None
    numerics: str = ""


def write_sweep(
    table: SweepTable,
    path: str | Path,
    origin: SweepOrigin | None = None,
    *,
    remarks: Mapping[str, str] | None = None,
) -> Path:
    """Write a sweep; a file that stands there is replaced in one step, once the new one is whole.
    ``remarks`` become texts in the group /remarks.

    Raises
    ------
    OutputError : the file cannot be written.
    """
    target, said = Path(path), origin or SweepOrigin()
    with whole_file(target) as file:
        _write_head(file, table, said)
        _write_arrays(file, table)
        for key, text in (remarks or {}).items():
            file[f"remarks/{key}"] = text
    return target


def _write_head(file: h5py.File, table: SweepTable, origin: SweepOrigin) -> None:
    write_format(file, FORMAT, f"{MAJOR}.{MINOR}")
    file.attrs["numerics"] = origin.numerics
    file.attrs["title"] = table.title
    file.attrs["dimensions"] = json.dumps(table.dimensions)
    write_case(file, origin.case_source, origin.resolved)
    write_materials(file, origin.materials)
    file["conventions"] = conventions.__doc__ or ""


def _write_arrays(file: h5py.File, table: SweepTable) -> None:
    scales = _write_axes(file, table)
    values = file.create_group("values", track_order=True)
    for name, array in table.values.items():
        row = quantity_of(name)
        dataset = _put(values, name, array, table, scales)
        dataset.attrs.update(row.attributes())
        if name in table.uncertainty:
            bar = _put(values, name + _BAR, table.uncertainty[name], table, scales)
            bar.attrs.update(unit=row.unit, uncertainty_of=name, kind="numerical")
    checks = file.create_group("checks", track_order=True)
    for name, array in table.checks.items():
        _put(checks, name, array, table, scales).attrs["limit"] = table.limits[name]
    reasons = file.create_group("reasons", track_order=True)
    for name, array in table.reasons.items():
        _put(reasons, name, array, table, scales)
    _put(file, "status", table.status, table, scales).attrs["definition"] = STATUS_WORDS
    message = _put(file, "message", table.message, table, scales)
    message.attrs["definition"] = "why a point failed"


def _write_axes(file: h5py.File, table: SweepTable) -> dict[str, list[h5py.Dataset]]:
    """Dimension scales by the dimension that they belong to."""
    group = file.create_group("axes", track_order=True)
    scales: dict[str, list[h5py.Dataset]] = {name: [] for name in (*table.dimensions, _EDGE)}
    for item in table.coordinates:
        kept = item.values.astype(object) if item.is_words else item.values
        scale = group.create_dataset(item.key, data=kept, dtype=TEXT if item.is_words else None)
        scale.attrs.update(unit=item.unit, dimension=item.dimension, long_name=item.key)
        scale.make_scale(item.key)
        scales[item.dimension].append(scale)
    if any(array.ndim > len(table.shape) for array in table.values.values()):
        edge = group.create_dataset(_EDGE, data=np.array(["lower", "upper"], dtype=object))
        edge.attrs.update(unit="", dimension=_EDGE, long_name="edge of a stop band")
        edge.make_scale(_EDGE)
        scales[_EDGE].append(edge)
    return scales


def _put(
    group: h5py.Group,
    name: str,
    array: NDArray[Any],
    table: SweepTable,
    scales: Mapping[str, list[h5py.Dataset]],
) -> h5py.Dataset:
    """An array over the axes of the sweep, with its dimension scales."""
    kind = None if array.dtype.kind in "ifc" else TEXT
    packed = COMPRESSED if array.size else {}
    dataset = group.create_dataset(name, data=array, dtype=kind, **packed)
    labels = (*table.dimensions, _EDGE)
    for number in range(array.ndim):
        dataset.dims[number].label = labels[number]
        for scale in scales[labels[number]]:
            dataset.dims[number].attach_scale(scale)
    return dataset


def read_sweep(path: str | Path) -> SweepTable:
    """A sweep from its file.

    Raises
    ------
    InputError : the file is no sweep, of a newer format, or damaged.
    """
    with _opened(path) as file:
        root = Node(file, Path(path).as_posix())
        dimensions = _dimensions(root)
        coordinates = _read_axes(root.child("axes"), dimensions)
        lengths = {item.dimension: len(item.values) for item in coordinates}
        if set(lengths) != set(dimensions):
            raise root.fail("axes", "a dimension without an axis", ", ".join(dimensions))
        shape = tuple(lengths[name] for name in dimensions)
        held, checks, reasons = (root.child(name) for name in ("values", "checks", "reasons"))
        bars = [name for name in held.names() if name.endswith(_BAR)]
        return SweepTable(
            title=str(root.attribute("title", str)),
            dimensions=dimensions,
            shape=shape,
            coordinates=coordinates,
            values={
                name: _column(held, name, name, shape) for name in held.names() if name not in bars
            },
            uncertainty={
                name.removesuffix(_BAR): _column(held, name, name.removesuffix(_BAR), shape)
                for name in bars
            },
            status=root.status(shape),
            message=root.words("message", shape),
            checks={name: checks.array(name, shape) for name in checks.names()},
            limits={name: checks.attribute("limit", float, of=name) for name in checks.names()},
            reasons={name: reasons.words(name, shape) for name in reasons.names()},
        )


def read_origin(path: str | Path) -> SweepOrigin:
    """What a sweep's file says that its numbers came from. Raises as :func:`read_sweep`."""
    with _opened(path) as file:
        root = Node(file, Path(path).as_posix())
        found: dict[str, dict[str, str]] = {}

        def visit(name: str, item: h5py.HLObject) -> None:
            if isinstance(item, h5py.Dataset):
                keys = ("name", "sha256", "source", "provenance")
                held = {key: str(item.attrs.get(key, "")) for key in keys}
                known = held.pop("name") or name
                found[known] = {
                    "toml": str(item.asstr(errors="replace")[()]),
                    **held,
                }

        root.child("materials").group.visititems(visit)
        return SweepOrigin(
            case_source=root.child("case").text("source"),
            resolved=root.child("case").json("resolved"),
            materials=found,
            numerics=str(root.attribute("numerics", str)),
        )


def _dimensions(root: Node) -> tuple[str, ...]:
    try:
        found = json.loads(root.attribute("dimensions", str))
        names = tuple(str(name) for name in found)
    except (ValueError, TypeError, RecursionError):
        names = ()
    if not 1 <= len(names) <= 8 or len(set(names)) != len(names):
        raise root.fail("@dimensions", "no list of names", "1 to 8 names of dimensions")
    return names


def _read_axes(group: Node, dimensions: tuple[str, ...]) -> tuple[SweepCoordinate, ...]:
    found = []
    for key in group.names():
        dimension = str(group.attribute("dimension", str, of=key))
        if key == _EDGE and dimension == _EDGE:
            continue
        if dimension not in dimensions:
            raise group.fail(key, f"dimension {dimension[:40]}", ", ".join(dimensions))
        words = h5py.check_string_dtype(group.dataset(key).dtype) is not None
        values = group.words(key, (None,)) if words else group.array(key, (None,))
        unit = str(group.attribute("unit", str, of=key))
        found.append(SweepCoordinate(key, unit, dimension, values))
    return tuple(found)


def _column(group: Node, name: str, column: str, shape: tuple[int, ...]) -> NDArray[Any]:
    """One column in the form that its quantity has."""
    if column.rpartition(".")[2] not in quantity_table():
        raise group.fail(name, "an unknown quantity", "one of the table of quantities")
    form = quantity_of(column).form
    if form == "text":
        return group.words(name, shape)
    if form == "pair":
        return group.array(name, (*shape, 2))
    return group.array(name, shape, np.complex128 if form == "complex" else np.float64)


def _opened(path: str | Path) -> h5py.File:
    return opened(path, kind=FORMAT, major=MAJOR, name=FILE_NAME)
