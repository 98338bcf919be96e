"""``sawfem map``: plane waves over the axes of a case's [map]."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from sawfem import __version__
from sawfem.cli import options
from sawfem.cli.progress import Counted, seconds_left
from sawfem.cli.screen import headline, labelled, listed_files, show, table

if TYPE_CHECKING:
    from sawfem.pipeline.mapping import MapPlan, MapResult
    from sawfem.planewave.maps import MapAxis, WaveMap


@click.command("map")
@options.out_folder("map", "results/<case>.sweep")
@options.workers(256, "How many points are worked on at a time; all processors if left out.")
@options.of_case
def command(
    case_name: str,
    out: Path | None,
    workers: int | None,
    changes: tuple[str, ...],
    as_json: bool,
    quiet: bool,
) -> None:
    """Map the plane waves of CASE over the axes of its [map].

    Writes map.h5 and pictures with contours. What is done is kept when the map is interrupted,
    and the same command goes on from there.
    """
    import os

    case = options.load_case(case_name, changes)

    from sawfem.pipeline.mapping import plan_map, run_map

    plan = plan_map(case)
    tables = not (as_json or quiet)
    folder = out if out is not None else Path("results") / f"{case.stem}.sweep"
    if tables:
        show_plan(plan, case_name)
        sys.stdout.flush()
    progress = _Progress(quiet=quiet)
    try:
        result = run_map(
            plan,
            folder=folder,
            workers=workers or os.cpu_count() or 1,
            progress=progress,
            picture=progress.drawing,
        )
    except KeyboardInterrupt:
        raise progress.interrupted(folder / "map.h5") from None
    progress.close()
    if as_json:
        click.echo(json.dumps(map_dict(plan, result), indent=None, ensure_ascii=False))
    elif tables:
        _show(result, progress.seconds)


def map_dict(plan: MapPlan, result: MapResult) -> dict[str, Any]:
    """The JSON object of a map; values are nested lists over the axes in order, null where a
    point has none.
    """
    from sawfem.quantities import entry, json_safe

    found = result.found
    return {
        "format": "sawfem.map/1",
        "case": plan.case.stem,
        "title": plan.case.title,
        "axes": [
            {"key": axis.key, "unit": axis.unit, "values": json_safe(axis.values)}
            for axis in found.asked.axes
        ],
        "waves": [*found.asked.kinds, found.asked.order],
        "frequency_hz": found.asked.frequency,
        "values": {entry(name).json_key: json_safe(array) for name, array in found.values.items()},
        "status": json_safe(found.status),
        "reasons": {
            ",".join(map(str, place)): str(found.message[place])
            for place in zip(*(found.message != "").nonzero(), strict=True)
        },
        "warnings": list(plan.design.warnings),
        "files": list(result.files),
    }


class _Progress(Counted):
    """How many points of a map are done, and which picture is drawn."""

    def __call__(self, done: int, total: int, left: float | None) -> None:
        """So many points of all, and the seconds left."""
        text = f"map: {done} of {total} points"
        self.tell(text + (seconds_left(left) if done < total else ""), done, total)

    def drawing(self, name: str) -> None:
        """A picture is about to be drawn."""
        self.aside(f"picture: {name}")


def show_plan(plan: MapPlan, named: str) -> None:
    """How a map was understood: stack, axes, waves, warnings."""
    from sawfem.units import format_quantity

    headline(f"sawfem {__version__}", named)
    if plan.case.title:
        show(plan.case.title)
    show()
    asked = plan.asked
    for number, member in enumerate(asked.members):
        label = "Substrate" if number == 0 else "Layer"
        labelled(label, f"{member.material.name}, {member.orientation}")
        labelled("", f"{member.material.source} (digits: {member.material.mark})")
    if asked.frequency is not None:
        labelled("Frequency", format_quantity(asked.frequency, "Hz"))
    for axis in asked.axes:
        labelled("Axis", _axis_text(axis))
    kinds = " or ".join(asked.kinds)
    labelled("Wave", f"the {asked.order} {kinds + ' ' if kinds else ''}wave of each point")
    for warning in plan.design.warnings:
        labelled("Warning", warning)
    show()


def _axis_text(axis: MapAxis) -> str:
    ends = [_place(axis, index) for index in (0, -1)]
    unit = " deg" if axis.unit == "deg" else ""
    return f"{axis.key}: {ends[0]}{unit} to {ends[1]}{unit}, {len(axis)} points"


def _place(axis: MapAxis, index: int) -> str:
    """A value of an axis; angles without their unit."""
    from sawfem.units import format_quantity

    value = float(axis.values[index])
    return f"{value:.6g}" if axis.unit == "deg" else format_quantity(value, axis.unit, digits=6)


def _show(result: MapResult, seconds: float) -> None:
    from sawfem.planewave.map_points import FAILED

    found = result.found
    rows = [_row(found, name) for name in found.values]
    table(("Quantity", "least", "at", "largest", "at", "unit"), rows, right=(1, 3))
    failed = int((found.status == FAILED).sum())
    if failed:
        first = next(text for text in found.message.ravel() if text)
        labelled("Missing", f"{failed} of {found.status.size} points; the first: {first}")
    folder = result.files[0].rpartition("/")[0]
    names = [file.removeprefix(f"{folder}/") for file in result.files]
    labelled("Files", f"{folder}/", listed_files(names))
    labelled("Time", f"{seconds:.1f} s")


def _row(found: WaveMap, name: str) -> tuple[str, ...]:
    import numpy as np

    from sawfem.quantities import Quantity, entry

    values = found.values[name]
    if np.all(np.isnan(values)):
        return (f"  {entry(name).label}", "none", "", "none", "", "")
    cells, unit = [], ""
    for place in (np.nanargmin(values), np.nanargmax(values)):
        index = np.unravel_index(place, values.shape)
        number, _, unit = Quantity.of(name, float(values[index])).parts()
        point = ", ".join(
            _place(axis, int(i)) for axis, i in zip(found.asked.axes, index, strict=True)
        )
        cells += [number, f"({point})"]
    return (f"  {entry(name).label}", *cells, unit)
