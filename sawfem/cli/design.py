"""``sawfem design``: from a specification to a case file that keeps it."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from sawfem.cli import options
from sawfem.cli.failures import MISSED
from sawfem.cli.screen import labelled, show
from sawfem.wholefiles import replacing

if TYPE_CHECKING:
    from sawfem.pipeline.designed import Designed


@click.command("design")
@options.out_case("<case>-designed.toml")
@options.require("every limit is kept")
@options.of_case
def command(
    case_name: str,
    out: Path | None,
    changes: tuple[str, ...],
    require: bool,
    as_json: bool,
    quiet: bool,
) -> None:
    """Design what the [specification] and the [design] of CASE ask for, and write it as a case.

    A first design by formulas, then a bounded search with a seed; Ctrl-C ends the search and
    keeps the best so far. Run the case that is written: it solves the unit cells themselves.
    """
    case = options.load_case(case_name, changes)
    place = out if out is not None else Path(f"{case.stem}-designed.toml")
    options.refuse_existing(place)

    from sawfem.cli.progress import shown_progress
    from sawfem.pipeline.designing import design

    with shown_progress({"unit cells": 20.0, "search": 15.0}, quiet=quiet) as progress:
        found = design(case, progress=progress)
    head = f"# Designed by sawfem from {Path(case_name).name}; an estimate, not a warranty.\n"
    with replacing(place) as new:
        new.write_text(head + found.case.to_toml(), encoding="utf-8", newline="\n")
    if as_json:
        click.echo(json.dumps(_written(found, place), allow_nan=False, indent=2))
    elif not quiet:
        _show(found, place)
    if require and not found.met:
        sys.stdout.flush()
        raise click.exceptions.Exit(MISSED)


def _written(found: Designed, place: Path) -> dict[str, object]:
    from sawfem.pipeline.specified import verdict_dict

    return {
        "format": "sawfem.design/1",
        "file": place.as_posix(),
        "feasible": found.feasible,
        "met": found.met,
        "specification": [verdict_dict(verdict) for verdict in found.verdicts],
        "evaluations": found.optimum.evaluations,
        "objective": {"first": found.optimum.first, "best": found.optimum.value},
        "stopped": found.optimum.stopped,
        "notes": list(found.told),
    }


def _show(found: Designed, place: Path) -> None:
    from sawfem.cli.answers import specification_table
    from sawfem.pipeline.specified import verdict_dict

    specification_table([verdict_dict(verdict) for verdict in found.verdicts])
    show()
    labelled("Feasible" if found.feasible else "NOT feasible", found.told[0])
    for text in found.told[1:]:
        labelled("Note", text)
    labelled("Search", f"{found.optimum.evaluations} evaluations")
    labelled("File", place.as_posix())
    labelled("Next", f"sawfem run {place.as_posix()}")
