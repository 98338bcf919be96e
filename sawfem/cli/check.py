"""``sawfem check``: how a case is understood and what it would cost; nothing is computed."""

from __future__ import annotations

import json
import math
from typing import TYPE_CHECKING

import click

from sawfem.cli import options
from sawfem.cli.screen import labelled

if TYPE_CHECKING:
    from sawfem.case import Case


@click.command("check")
@options.of_case
def command(case_name: str, changes: tuple[str, ...], as_json: bool, quiet: bool) -> None:
    """Show how CASE is understood and estimate its cost; compute nothing.

    Keys that are valid but not computed by this version are listed; a run refuses them.
    """
    case = options.load_case(case_name, changes)

    if not case.resolved().gratings and case.asks_for("map"):
        _check_map(case, case_name, as_json=as_json, quiet=quiet)
        return

    from sawfem.pipeline import check

    plan = check(case)
    if as_json:
        click.echo(json.dumps(plan.to_dict(), indent=2, ensure_ascii=False))
        return
    if quiet:
        return

    from sawfem.cli.understood import show_understood

    show_understood(plan, case_name)
    if plan.not_computed:
        labelled("Refused", f"a run does not compute yet: {', '.join(plan.not_computed)}")
        return
    parts = ", ".join(f"{name} {seconds:.1f} s" for name, seconds in plan.stages)
    labelled("Cost", f"about {max(1.0, plan.seconds):.0f} s on one core ({parts})")
    studies = [name for name in ("sweep", "map", "yield", "design", "fit") if case.asks_for(name)]
    labelled("Next", ", or ".join(f"sawfem {name} {case_name}" for name in ("run", *studies)))


def _check_map(case: Case, named: str, *, as_json: bool, quiet: bool) -> None:
    """A case of plane waves alone, as its map understands it."""
    from sawfem.cli.map import show_plan
    from sawfem.pipeline.mapping import plan_map

    plan = plan_map(case)
    if as_json:
        found = {
            "format": "sawfem.check/1",
            "case": case.stem,
            "title": case.title,
            "resolved": case.resolved().to_dict(),
            "map_points": math.prod(len(axis) for axis in plan.asked.axes),
            "warnings": list(plan.design.warnings),
        }
        click.echo(json.dumps(found, indent=2, ensure_ascii=False))
    elif not quiet:
        show_plan(plan, named)
        labelled("Next", f"sawfem map {named}")
