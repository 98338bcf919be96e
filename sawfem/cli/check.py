"""``sawfem check``: how a case is understood and what it would cost; nothing is computed."""

from __future__ import annotations

import json

import click

from sawfem.cli import options
from sawfem.cli.screen import labelled


@click.command("check")
@options.of_case
def command(case_name: str, changes: tuple[str, ...], as_json: bool, quiet: bool) -> None:
    """Show how CASE is understood and estimate its cost; compute nothing.

    Keys that are valid but not computed by this version are listed; a run refuses them.
    """
    case = options.load_case(case_name, changes)

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
