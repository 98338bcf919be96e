"""``sawfem run``: a case computed and its files written."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from sawfem.cli import options
from sawfem.cli.failures import MISSED
from sawfem.cli.screen import show
from sawfem.errors import InputError


@click.command("run")
@options.out_folder("results", "results/<case>")
@options.require("the specification is met")
@options.of_case
def command(
    case_name: str,
    out: Path | None,
    changes: tuple[str, ...],
    require: bool,
    as_json: bool,
    quiet: bool,
) -> None:
    """Compute what CASE asks for and write its results.

    CASE is a case file, or the name of a shipped case such as buoy-resonator. Without a [device]
    the run ends with the constants of the grating. A result that stands in the folder is replaced
    only once the new one is whole.
    """
    case = options.load_case(case_name, changes)
    tables = not (as_json or quiet)

    from sawfem.cli.helper import second_process
    from sawfem.cli.progress import shown_progress
    from sawfem.pipeline import check, run
    from sawfem.plot import make_ready

    plan = check(case)
    if require and not (plan.resolved.limits and plan.resolved.device):
        raise InputError(
            file=plan.resolved.file,
            key="--require",
            found="no limit on a device",
            expected="a [device] and a [[specification.limit]] to require",
        )
    if tables and not plan.not_computed:
        from sawfem.cli.understood import show_understood

        show_understood(plan, case_name)
        sys.stdout.flush()  # before the progress, where both go to one file
    folder = out if out is not None else Path("results") / case.stem
    with (
        second_process(make_ready) as helper,
        shown_progress(dict(plan.stages), quiet=quiet) as progress,
    ):
        result = run(case, folder=folder, progress=progress, helper=helper)
    if as_json:
        from sawfem.export import constants_text

        click.echo(constants_text(result).rstrip("\n"))
    elif tables:
        from sawfem.cli.answers import show_result

        if sys.stdout.isatty():
            show()
        show_result(result, progress.elapsed, told=plan.warnings)
    if require and result.device is not None and not result.device.specification_met:
        raise click.exceptions.Exit(MISSED)
