"""``sawfem show``: what a sweep has found, as tables and pictures, also while it runs."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from sawfem.cli import options
from sawfem.cli.screen import labelled, show, table
from sawfem.errors import NotFoundError

if TYPE_CHECKING:
    from sawfem.result.sweep_table import SweepCoordinate, SweepTable

#: Rows of a listing.
_ROWS = 40
#: Characters of a number; longer ones are told with fewer digits.
_WIDEST = 8


@click.command("show")
@click.argument("result", metavar="RESULT")
@click.option("--best", metavar="COLUMN", help="List the best points by a column, smallest first.")
@click.option("--largest", is_flag=True, help="With --best: largest first.")
@click.option("--count", default=10, type=click.IntRange(1, 1000), help="Points of --best.")
@click.option(
    "--at",
    "held",
    multiple=True,
    metavar="KEY=VALUE",
    help="Hold an axis at its value nearest to this one: a slice. May be repeated.",
)
@click.option(
    "--column", "columns", multiple=True, metavar="COLUMN", help="Show these columns alone."
)
@click.option(
    "--pictures",
    metavar="DIR",
    type=click.Path(path_type=Path),
    help="Draw curves, contours and parallel coordinates into this folder.",
)
@click.option(
    "--export",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Write a table for other design tools: FILE.csv, .json or .h5.",
)
@click.option(
    "--fit",
    "degree",
    metavar="DEGREE",
    type=click.IntRange(1, 9),
    help="With --export: add polynomials of this total degree over the axes.",
)
@options.as_json
def command(
    result: str,
    best: str | None,
    largest: bool,
    count: int,
    held: tuple[str, ...],
    columns: tuple[str, ...],
    pictures: Path | None,
    export: Path | None,
    degree: int | None,
    as_json: bool,
) -> None:
    """Show the sweep RESULT: its folder (results/CASE.sweep), its store or its sweep.h5.

    A store is read as far as the sweep has come, without disturbing it.
    """
    from sawfem.sweep.view import open_sweep

    found = open_sweep(_place(result))
    for text in held:
        found = found.at(*_assignment(text))
    if columns:
        found = found.only(columns)
    if best is not None:
        rows = found.best(best, largest=largest, count=count)
        if as_json:
            from sawfem.quantities import json_safe

            click.echo(json.dumps({"format": "sawfem.best/1", "points": json_safe(rows)}))
        else:
            _show_best(found, best, rows)
    elif as_json:
        from sawfem.cli.sweep import sweep_dict

        click.echo(json.dumps(sweep_dict(found, Path(result).stem, ())))
    else:
        show_sweep(found, rows=True)
    if export is not None:
        from sawfem.export.design_table import write_design_table
        from sawfem.sweep.view import open_origin

        origin = open_origin(_place(result))
        written = write_design_table(found, export, origin, degree=degree)
        if not as_json:
            labelled("Table", written.as_posix())
    if pictures is not None:
        from sawfem.plot.sweeps import draw_sweep

        files = draw_sweep(found, pictures)
        if not as_json:
            labelled("Pictures", f"{pictures.as_posix()}/", "  ".join(path.name for path in files))


def _place(result: str) -> Path:
    """A folder or file; the name of a case stands for its folder of results."""
    path = Path(result)
    named = Path("results") / f"{path.stem}.sweep"
    return named if not path.exists() and named.is_dir() else path


def _assignment(text: str) -> tuple[str, str]:
    key, mark, value = text.partition("=")
    if not mark:
        raise NotFoundError(
            key="--at", found=f'"{text}"', expected="KEY=VALUE, such as substrate.rotations[0]=42"
        )
    return key.strip(), value.strip().strip("\"'")


def show_sweep(found: SweepTable, *, rows: bool = False) -> None:
    """How far the sweep is, the range of every column, and the rows of a sweep over one axis."""
    labelled(
        "Points",
        f"{found.done} of {found.size} done, {found.failed} failed"
        + (f", {found.size - found.done - found.failed} not run yet" * (not _whole(found))),
    )
    if not found.values:
        return
    listed = [row for name in found.values for row in _ranges(found, name)]
    table(("Quantity", "least", "at", "largest", "at", "unit"), listed, right=(1, 3))
    if rows and len(found.shape) == 1 and found.size <= _ROWS:
        show()
        _show_rows(found)


def _whole(found: SweepTable) -> bool:
    return found.done + found.failed == found.size


def parts_of(found: SweepTable, column: str) -> list[tuple[str, str]]:
    """Label and column of the real parts by which a column is told; words have none."""
    from sawfem.result.sweep_table import quantity_of

    array, row = found.values[column], quantity_of(column)
    head = column.rpartition(".")[0]
    label = f"{row.label}{f', {head}' if head else ''}"
    if array.dtype.kind not in "ifc":
        return []
    if row.form == "pair":
        return [(f"{label}, {part}", f"{column}.{part}") for part in ("lower", "upper")]
    if row.form == "complex" and not found.is_real(column):
        return [(f"{label}, {part}", f"{column}.{part}") for part in ("real", "imaginary")]
    return [(label, column)]


def _ranges(found: SweepTable, column: str) -> list[tuple[str, ...]]:
    import numpy as np

    rows: list[tuple[str, ...]] = []
    for label, part in parts_of(found, column):
        values = found.real(part).ravel()
        if np.all(np.isnan(values)):
            rows.append((f"  {label}", "none", "", "none", "", ""))
            continue
        cells: list[str] = []
        unit = ""
        for place in (int(np.nanargmin(values)), int(np.nanargmax(values))):
            number, unit = _number(column, float(values[place]))
            cells += [number, _where(found, place)]
        rows.append((f"  {label}", *cells, unit))
    return rows


def _number(column: str, value: float) -> tuple[str, str]:
    from sawfem.quantities import Quantity

    number, _, unit = Quantity.of(column.rpartition(".")[2], value).parts()
    return number if len(number) <= _WIDEST else f"{float(number):.4g}", unit


def _where(found: SweepTable, place: int) -> str:
    """Coordinates of a point, one for each dimension."""
    import numpy as np

    indices = np.unravel_index(place, found.shape)
    said = []
    for item in found.coordinates:
        index = int(indices[found.dimensions.index(item.dimension)])
        said.append(coordinate_text(item, index))
    return f"({', '.join(said)})"


def coordinate_text(item: SweepCoordinate, index: int) -> str:
    """A value of an axis with its unit; angles and wavelengths without."""
    from sawfem.units import format_quantity

    value = item.values[index]
    if item.is_words:
        return str(value)
    if item.unit in ("m", "Hz", "s", "F", "H", "ohm"):
        return format_quantity(float(value), item.unit, digits=5)
    return f"{float(value):.5g}"


def _show_rows(found: SweepTable) -> None:
    """A line for every point of a sweep over one dimension; as many columns as there is room."""
    from sawfem.cli.screen import width

    columns = [
        (item.key, [coordinate_text(item, place) for place in range(found.size)])
        for item in found.coordinates
    ]
    axes, left = len(columns), 0
    for name in found.values:
        for label, part in parts_of(found, name):
            column = (label, [_told(name, float(value)) for value in found.real(part)])
            if sum(map(_breadth, [*columns, column])) <= width():
                columns.append(column)
            else:
                left += 1
    lines = list(zip(*(cells for _, cells in columns), strict=True))
    table([head for head, _ in columns], lines, right=range(axes, len(columns)))
    if left:
        labelled("More", f"{left} columns have no room here: --column NAME shows one")


def _told(column: str, value: float) -> str:
    return " ".join(_number(column, value)) if value == value else "none"


def _breadth(column: tuple[str, list[str]]) -> int:
    """Characters that a column takes."""
    return 2 + max(map(len, (column[0], *column[1])))


def _show_best(found: SweepTable, column: str, rows: list[dict[str, Any]]) -> None:
    name = column if column in found.values else column.rpartition(".")[0]
    heads = [*(item.key for item in found.coordinates), column]
    lines = []
    for row in rows:
        cells = []
        for item in found.coordinates:
            index = row["place"][found.dimensions.index(item.dimension)]
            cells.append(coordinate_text(item, index))
        lines.append([*cells, " ".join(_number(name, row[column]))])
    table(heads, lines, right=range(len(heads)))
    if not rows:
        show("no point has a value yet")
