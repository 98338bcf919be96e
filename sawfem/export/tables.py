"""Tables of grating constants in the forms that other design programs take: CSV, JSON, HDF5.

The table is evaluated on a regular grid over its box. Every column carries unit, definition, sign
and normalisation from the table of quantities; the header says what was solved, how far it was
checked on gratings left out, and which versions did it.

    CSV   comment lines "# ..." first; then one line of column names, unit at the end as in the
          JSON results, parts of complex numbers as _re and _im, edges as _lower and _upper; then
          one line a grating, thickness slowest.
    JSON  {"format": "sawfem.grating-table/1", "axes", "quantities", "values", "errors",
          "provenance"}; arrays are [thickness][width][pitch] in the order of the axes, followed by
          the "parts" of a quantity: [re, im] of a complex one, [lower, upper] of edges.
    HDF5  /axes/<name>, /values/<quantity> with its description and error as attributes, provenance
          as JSON in an attribute of the file; complex as compound r, i, edges in a last dimension.

How a value between the points is taken from the JSON file with numpy alone: cases/README.md.
"""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

from sawfem.errors import InputError
from sawfem.extract.table import ABSOLUTE, SAFETY, GratingTable
from sawfem.material import Material
from sawfem.quantities import entry, json_key
from sawfem.result.provenance import current_versions
from sawfem.wholefiles import replacing

#: Name and version of the JSON object and of the HDF5 file.
FORMAT = "sawfem.grating-table/1"
#: Points along the two axes unless others are asked for.
POINTS = (21, 11, 5)

_AXES = {
    "thickness_over_wavelength": "metal thickness over twice the pitch, 1",
    "metallisation_ratio": "width of the electrode at its foot over the pitch, 1",
    "width_scale": "widths of all electrodes over those of the drawn cell, 1",
    "pitch_m": "electrode centre to electrode centre, m",
}

#: Axes of a table whose columns have a unit, or a longer name.
_COLUMNS = {"thickness": "thickness_over_wavelength", "pitch": "pitch_m"}

Axes = dict[str, NDArray[np.float64]]


def write_table(table: GratingTable, path: str | Path, *, points: tuple[int, ...] = POINTS) -> Path:
    """Write a table on a regular grid; the suffix tells the form: .csv, .json or .h5.

    Raises
    ------
    InputError : another suffix, or fewer than two points along an axis.
    OutputError : the file cannot be written.
    """
    place = Path(path)
    writers = {".csv": _csv, ".json": _json, ".h5": _hdf5}
    if place.suffix not in writers:
        raise InputError(key="path", found=place.name, expected="a name ending in .csv, .json, .h5")
    if min(points) < 2:
        raise InputError(key="points", found=f"{points!r}", expected="2 or more along either axis")
    if len(points) < len(table.boxes):
        raise InputError(
            key="points", found=f"{points!r}", expected=f"{len(table.boxes)} numbers, one an axis"
        )
    names = [_COLUMNS.get(name, name) for name in table.axis_names]
    axes = {
        name: np.linspace(*box, count)
        for name, box, count in zip(names, table.boxes, points, strict=False)
    }
    h, eta, *pitch = np.meshgrid(*axes.values(), indexing="ij", sparse=True)
    values = table.arrays(h, eta, pitch=pitch[0] if pitch else None)
    content = writers[place.suffix](table, axes, values)
    with replacing(place) as new:
        new.write_bytes(content)
    return place


def provenance(table: GratingTable) -> dict[str, Any]:
    """What was solved, how it was checked, and by which versions; JSON-safe, SI."""
    return {
        "stack": str(table.stack),
        "substrate": {"set": table.stack.material.name, "source": table.stack.material.source},
        # Of the first electrode; every one of them below.
        "metal": {"set": _metals(table)[0].name, "source": _metals(table)[0].source},
        "sidewall_angle_deg": table.cells.cell.electrodes[0].sidewall_angle,
        "metals": [{"set": metal.name, "source": metal.source} for metal in _metals(table)],
        "electrodes": table.cells.described(),
        "pitch_m": table.pitch,
        "scaling": _scaling(table),
        "mirror": table.kind.mirror,
        "solved_gratings": table.solves,
        "checked_gratings": len(table.checked),
        "errors": f"largest deviation on the gratings left out, {SAFETY:g} times; mesh and "
        f"interpolation together; relative, but absolute of {', '.join(ABSOLUTE)}",
        "reference": "phases at the centre of the electrode, exp(+j w t), peak values, per metre "
        "of aperture",
        "caution": "estimates from published constants and a model, not a warranty",
        "versions": current_versions(),
    }


def _metals(table: GratingTable) -> list[Material]:
    """Every metal of the electrodes once."""
    films = [film for strip in table.cells.cell.electrodes for film in strip.films]
    return list({film.metal.name: film.metal for film in films}.values())


def _scaling(table: GratingTable) -> str:
    if table.pitches is not None:
        return "none: the pitch is an axis"
    if not table.cells.scales:
        return "none: layers, overcoats or footings have a size of their own"
    return "frequencies go as 1/pitch, a p as 1/sqrt(pitch), the rest does not change"


def _described(table: GratingTable, name: str, array: NDArray[Any]) -> dict[str, Any]:
    """What a column is, its unit, its parts where it has some, and its error."""
    row = entry(name)
    found: dict[str, Any] = {
        "label": row.label,
        "unit": row.unit or "1",
        "definition": row.definition,
        **({"sign": row.sign} if row.sign else {}),
        **({"normalisation": row.normalisation} if row.normalisation else {}),
    }
    if np.iscomplexobj(array):
        found["parts"] = ["re", "im"]
    elif array.ndim > len(table.boxes):
        found["parts"] = ["lower", "upper"]
    if name in table.errors:
        found["error"] = table.errors[name]
        found["error_kind"] = "absolute" if name in ABSOLUTE else "relative"
    return found


def _csv(table: GratingTable, axes: Axes, values: dict[str, NDArray[Any]]) -> bytes:
    stream = io.StringIO()
    stream.write(f"# {FORMAT}\n")
    for key, item in provenance(table).items():
        text = item if isinstance(item, str) else json.dumps(item, ensure_ascii=False)
        stream.write(f"# {key}: {text}\n")
    for name in axes:
        stream.write(f"# {name}: {_AXES[name]}\n")
    columns: list[tuple[str, NDArray[np.float64]]] = []
    for name, array in values.items():
        row = _described(table, name, array)
        told = f"; error {row['error']:.2g}, {row['error_kind']}" if "error" in row else ""
        words = " ".join(row[key] for key in ("definition", "sign", "normalisation") if key in row)
        stream.write(f"# {json_key(name)}: {row['label']}, {row['unit']}{told}. {words}\n")
        columns += _parts(json_key(name), array, len(axes))
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow([*axes, *(name for name, _ in columns)])
    for place in np.ndindex(*(axis.size for axis in axes.values())):
        spot = [axis[i] for axis, i in zip(axes.values(), place, strict=True)]
        writer.writerow([f"{x:.12g}" for x in (*spot, *(c[place] for _, c in columns))])
    return stream.getvalue().encode("utf-8")


def _parts(name: str, array: NDArray[Any], axes: int) -> list[tuple[str, NDArray[np.float64]]]:
    if array.ndim > axes:
        return [(f"{name}_lower", array[..., 0]), (f"{name}_upper", array[..., 1])]
    if np.iscomplexobj(array):
        return [(f"{name}_re", array.real), (f"{name}_im", array.imag)]
    return [(name, array)]


def _json(table: GratingTable, axes: Axes, values: dict[str, NDArray[Any]]) -> bytes:
    def plain(array: NDArray[Any]) -> Any:
        if np.iscomplexobj(array):
            return np.stack([array.real, array.imag], axis=-1).tolist()
        return array.tolist()

    tree = {
        "format": FORMAT,
        "axes": {
            name: {"description": _AXES[name], "values": axis.tolist()}
            for name, axis in axes.items()
        },
        "quantities": {
            json_key(name): _described(table, name, array) for name, array in values.items()
        },
        "values": {json_key(name): plain(array) for name, array in values.items()},
        "errors": {json_key(name): error for name, error in table.errors.items()},
        "provenance": provenance(table),
    }
    text = json.dumps(tree, indent=1, ensure_ascii=False, allow_nan=False)
    return (text + "\n").encode("utf-8")


def _hdf5(table: GratingTable, axes: Axes, values: dict[str, NDArray[Any]]) -> bytes:
    buffer = io.BytesIO()
    with h5py.File(buffer, "w") as file:
        file.attrs["format"] = FORMAT
        file.attrs["provenance"] = json.dumps(provenance(table), ensure_ascii=False)
        for name, axis in axes.items():
            scale = file.create_dataset(f"axes/{name}", data=axis)
            scale.attrs["long_name"] = _AXES[name]
            scale.attrs["unit"] = "m" if name.endswith("_m") else "1"
            scale.make_scale(name)
        for name, array in values.items():
            dataset = file.create_dataset(f"values/{name}", data=array)
            for key, item in _described(table, name, array).items():
                dataset.attrs[key] = item
            for place, axis_name in enumerate(axes):
                dataset.dims[place].attach_scale(file[f"axes/{axis_name}"])
    return buffer.getvalue()
