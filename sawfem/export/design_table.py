"""Constants over a design space for other design tools: CSV, JSON and HDF5.

Every column carries its unit, definition and normalisation, the numerical error of each point,
and the checked error of an interpolant through its points; polynomial fits come with their
residuals. Where the numbers come from (materials and their publications, version of the numerics)
stands in the file.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from sawfem import __version__
from sawfem.errors import InputError, OutputError, SawfemError
from sawfem.export.sweep_hdf5 import SweepOrigin, write_sweep
from sawfem.quantities import json_safe
from sawfem.result.sweep_interpolant import (
    PolynomialFit,
    fit_polynomial,
    interpolant,
    real_parts,
)
from sawfem.result.sweep_table import SweepTable, quantity_of
from sawfem.wholefiles import replacing

FORMAT = "sawfem.design-table/1"
SUFFIXES = (".csv", ".json", ".h5")

_CAUTION = (
    "Estimates from published constants and a model, not a warranty: crystal, film and process "
    "spread more than the numerical error."
)


def write_design_table(
    table: SweepTable,
    path: str | Path,
    origin: SweepOrigin | None = None,
    *,
    degree: int | None = None,
) -> Path:
    """Write a sweep for other programs; the suffix of ``path`` chooses the form.

    Parameters
    ----------
    origin : what the numbers came from. degree : of polynomial fits; None makes none.

    Raises
    ------
    OutputError : another suffix, or a place that cannot be written.
    InputError : too few points for a fit of that degree.
    """
    target = Path(path)
    said = origin or SweepOrigin()
    if target.suffix not in SUFFIXES:
        raise OutputError(
            file=target.as_posix(),
            found=f'suffix "{target.suffix}"',
            expected=f"one of {', '.join(SUFFIXES)}",
        )
    fits = fitted(table, degree) if degree is not None else ()
    errors = checked_errors(table)
    if target.suffix == ".h5":
        extra = {
            "caution": _CAUTION,
            "checked_errors": json.dumps(errors),
            "polynomials": json.dumps([fit.to_dict() for fit in fits]),
        }
        return write_sweep(table, target, said, remarks=extra)
    text = (
        csv_text(table, said, errors, fits)
        if target.suffix == ".csv"
        else json.dumps(design_dict(table, said, errors, fits), indent=1, allow_nan=False) + "\n"
    )
    return _written(target, text)


def checked_errors(table: SweepTable) -> dict[str, float]:
    """Column or part -> largest error of an interpolant at points left out of it, in its unit;
    columns with too few points, or over words, have none.
    """
    found = {}
    for part in real_parts(table):
        try:
            found[part] = interpolant(table, part).error
        except (SawfemError, ArithmeticError, ValueError, np.linalg.LinAlgError):
            continue
    return found


def fitted(table: SweepTable, degree: int) -> tuple[PolynomialFit, ...]:
    """Polynomials for every real number that has values. Raises InputError where none can be."""
    found, last = [], None
    for part in real_parts(table):
        try:
            found.append(fit_polynomial(table, part, degree))
        except InputError as error:
            last = error
    if not found and last is not None:
        raise last
    return tuple(found)


def design_dict(
    table: SweepTable,
    origin: SweepOrigin,
    errors: dict[str, float],
    fits: Sequence[PolynomialFit] = (),
) -> dict[str, Any]:
    """The JSON object: axes, columns over all points in order, fits, provenance."""
    columns = {}
    for part, name in real_parts(table).items():
        row = quantity_of(name)
        bars = _bars(table, part, name)
        columns[part] = {
            **row.attributes(),
            "values": json_safe(table.real(part).ravel()),
            "numerical_error": None if bars is None else json_safe(bars),
            "interpolation_error": errors.get(part),
        }
    return {
        "format": FORMAT,
        "title": table.title,
        "caution": _CAUTION,
        "provenance": _provenance(origin),
        "axes": {
            item.key: {"unit": item.unit, "values": json_safe(table.places()[item.key])}
            for item in table.coordinates
        },
        "columns": columns,
        "status": json_safe(table.status.ravel()),
        "polynomials": [fit.to_dict() for fit in fits],
        "polynomial": "value = sum_m coefficients[m] prod_a t_a^powers[m][a], "
        "t_a = (x_a - middle_a)/half_a",
    }


def csv_text(
    table: SweepTable,
    origin: SweepOrigin,
    errors: dict[str, float],
    fits: Sequence[PolynomialFit] = (),
) -> str:
    """One row a point; lines that start with "#" say what the columns are."""
    parts = real_parts(table)
    lines = [f"# {table.title}", f"# {_CAUTION}"]
    provenance = _provenance(origin)
    lines.append(f"# sawfem {provenance['sawfem_version']}, numerics {provenance['numerics']}")
    lines += [
        f"# material {name}: {item['source']} (digits: {item['provenance']}; sha256 "
        f"{item['sha256'][:16]})"
        for name, item in provenance["materials"].items()
    ]
    for part, name in parts.items():
        row = quantity_of(name)
        words = " ".join(filter(None, (row.definition, row.sign, row.normalisation)))
        error = f" Interpolation error, checked: {errors[part]:.2g}." if part in errors else ""
        lines.append(f"# {part} ({row.unit or 'pure number'}): {words}{error}")
    lines += [f"# polynomial {json.dumps(fit.to_dict())}" for fit in fits]
    text = io.StringIO()
    text.writelines(f"{' '.join(line.split())}\n" for line in lines)
    out = csv.writer(text, lineterminator="\n")
    bars = {part: _bars(table, part, name) for part, name in parts.items()}
    heads = [f"{item.key} ({item.unit})" if item.unit else item.key for item in table.coordinates]
    for part, name in parts.items():
        unit = quantity_of(name).unit
        heads.append(f"{part} ({unit})" if unit else part)
        if bars[part] is not None:
            heads.append(f"{part} numerical error")
    out.writerow([*heads, "status"])
    places = table.places()
    numbers = {part: table.real(part).ravel() for part in parts}
    status = table.status.ravel()
    for row_number in range(table.size):
        cells: list[Any] = [_cell(places[item.key][row_number]) for item in table.coordinates]
        for part in parts:
            cells.append(_cell(numbers[part][row_number]))
            bar = bars[part]
            if bar is not None:
                cells.append(_cell(bar[row_number]))
        out.writerow([*cells, int(status[row_number])])
    return text.getvalue()


def _bars(table: SweepTable, part: str, name: str) -> Any:
    """Numerical errors of a part, (size,), or None."""
    array = table.uncertainty.get(name)
    if array is None:
        return None
    if part.endswith((".lower", ".upper")):
        return array[..., 1 if part.endswith(".upper") else 0].ravel()
    return (array.imag if part.endswith(".imaginary") else array.real).ravel()


def _cell(value: Any) -> str:
    """A number to its last digit; nothing for what is missing."""
    if isinstance(value, str):
        return value
    return "" if np.isnan(value) else repr(float(value))


def _provenance(origin: SweepOrigin) -> dict[str, Any]:
    keys = ("source", "provenance", "sha256")
    return {
        "sawfem_version": __version__,
        "numerics": origin.numerics,
        "materials": {
            name: {key: str(item.get(key, "")) for key in keys}
            for name, item in (origin.materials or {}).items()
        },
        "case": origin.case_source,
    }


def _written(target: Path, text: str) -> Path:
    """Write a text whole or not at all."""
    with replacing(target) as new:
        new.write_text(text, encoding="utf-8", newline="")
    return target
