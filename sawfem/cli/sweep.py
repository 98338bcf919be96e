"""``sawfem sweep``: the points of a case's [sweep]."""

from __future__ import annotations

import json
import signal
import sys
import threading
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from sawfem import __version__
from sawfem.cli import options
from sawfem.cli.progress import Counted, seconds_left
from sawfem.cli.screen import headline, labelled, listed_files, show

if TYPE_CHECKING:
    from sawfem.result.sweep_table import SweepTable
    from sawfem.sweep.plan import SweepPlan
    from sawfem.sweep.run import SweepProgress
    from sawfem.sweep.store import Counts


@click.command("sweep")
@options.out_folder("sweep", "results/<case>.sweep")
@options.workers(1024, "Processes that compute; all cores if left out.")
@click.option(
    "--cluster",
    metavar="ADDRESS",
    help='A Dask scheduler, such as tcp://host:8786, or "local" for one on loopback.',
)
@click.option("--status", is_flag=True, help="Say how far the sweep is, and compute nothing.")
@options.of_case
def command(
    case_name: str,
    out: Path | None,
    workers: int | None,
    cluster: str | None,
    status: bool,
    changes: tuple[str, ...],
    as_json: bool,
    quiet: bool,
) -> None:
    """Compute CASE at the points of its [sweep].

    Every point is kept in store.sqlite as soon as it is done; sweep.h5 is written at the end. An
    interrupted sweep goes on with the same command, and no point is computed twice. A point that
    cannot be computed is kept with its reason and stops nothing.
    """
    case = options.load_case(case_name, changes)

    from sawfem.sweep.plan import plan_sweep
    from sawfem.sweep.run import execute_sweep, sweep_status

    folder = out if out is not None else Path("results") / f"{case.stem}.sweep"
    if status:
        _show_status(sweep_status(case, folder), folder, as_json=as_json)
        return
    plan = plan_sweep(case)
    tables = not (as_json or quiet)
    if tables:
        _show_plan(plan, case_name)
        sys.stdout.flush()
    line = _Progress(quiet=quiet)
    try:
        with terminated_as_interrupted():
            result = execute_sweep(
                plan, folder=folder, workers=workers, cluster=cluster, progress=line
            )
    except KeyboardInterrupt:
        raise line.interrupted(folder / "store.sqlite") from None
    line.close()
    if as_json:
        click.echo(json.dumps(sweep_dict(result.table, case.stem, result.files)))
    elif tables:
        from sawfem.cli.show import show_sweep

        show_sweep(result.table)
        _show_interpolants(result.table, plan)
        _show_end(result.table, folder, result.files, line.seconds)


class terminated_as_interrupted:  # noqa: N801 - reads as a statement
    """Inside, the signal to terminate (of a batch system, say) is an interruption."""

    def __enter__(self) -> None:
        self._before: Any = None
        if threading.current_thread() is threading.main_thread():
            self._before = signal.signal(signal.SIGTERM, signal.default_int_handler)

    def __exit__(self, *error: object) -> None:
        if self._before is not None:
            signal.signal(signal.SIGTERM, self._before)


def sweep_dict(table: SweepTable, case: str, files: tuple[str, ...]) -> dict[str, Any]:
    """The JSON object of a sweep; values are nested lists over the axes in order, null where a
    point has none.
    """
    from sawfem.quantities import json_safe
    from sawfem.result.sweep_table import quantity_of

    def key(column: str) -> str:
        return column.rpartition(".")[0] + "." * ("." in column) + quantity_of(column).json_key

    return {
        "format": "sawfem.sweep/1",
        "case": case,
        "title": table.title,
        "dimensions": list(table.dimensions),
        "axes": [
            {
                "key": item.key,
                "unit": item.unit,
                "dimension": item.dimension,
                "values": json_safe(item.values),
            }
            for item in table.coordinates
        ],
        "values": {key(name): json_safe(array) for name, array in table.values.items()},
        "uncertainty": {
            "numerical": {key(n): json_safe(array) for n, array in table.uncertainty.items()}
        },
        "checks": {
            name: {"limit": table.limits[name], "values": json_safe(array)}
            for name, array in table.checks.items()
        },
        "status": json_safe(table.status),
        "reasons": {",".join(map(str, place)): text for place, text in table.messages()},
        "files": list(files),
    }


class _Progress(Counted):
    """How many points of a sweep are settled, and what it warns of."""

    def __call__(self, how_far: SweepProgress) -> None:
        """Tell how far it is."""
        if how_far.warning:
            self.aside(f"warning: {how_far.warning}")
        if how_far.total:
            settled = how_far.done + how_far.failed
            self.tell(_progress_text(how_far), settled, how_far.total)


def _progress_text(how_far: SweepProgress) -> str:
    """One line: sweep: 12 of 50 points, 1 failed, 0.41 a second, about 93 s left."""
    text = f"sweep: {how_far.done + how_far.failed} of {how_far.total} points"
    if how_far.failed:
        text += f", {how_far.failed} failed"
    if how_far.rate > 0.0:
        text += f", {how_far.rate:.3g} a second"
    if how_far.done + how_far.failed < how_far.total:
        text += seconds_left(how_far.left)
    return text


def _show_status(counts: Counts, folder: Path, *, as_json: bool) -> None:
    if as_json:
        found = {"done": counts.done, "failed": counts.failed, "left": counts.left}
        click.echo(json.dumps({"format": "sawfem.sweep-status/1", **found, "total": counts.total}))
        return
    show(
        f"{counts.done} of {counts.total} points done, {counts.failed} failed, {counts.left} left "
        f"in {folder.as_posix()}"
    )


def _show_plan(plan: SweepPlan, named: str) -> None:
    headline(f"sawfem {__version__}", named)
    if plan.case.title:
        show(plan.case.title)
    show()
    for dimension in plan.dimensions:
        for number in dimension.axes:
            axis, span = plan.axes[number], plan.spans[number]
            values = axis.values or (span.written(span.low), span.written(span.high))
            count = f"{len(axis)} values" if axis.values else "chosen as the sweep goes"
            first, last = (
                (min(axis.numbers), max(axis.numbers))
                if axis.values and not axis.is_words
                else (values[0], values[-1])
            )
            words = f"{axis.key}: {_said(first, axis.unit)} to {_said(last, axis.unit)}, {count}"
            together = " (together)" if len(dimension.axes) > 1 and plan.sample == "grid" else ""
            labelled("Axis", words + together)
    labelled("Points", f"{plan.size or plan.table.get('points')}, {plan.sample}")
    labelled("Keeps", ", ".join(plan.keep.names))
    show()


def _said(value: Any, unit: str) -> str:
    from sawfem.units import format_quantity

    if isinstance(value, str):
        return value
    if unit in ("m", "Hz", "s", "F", "H"):
        return format_quantity(float(value), unit, digits=5)
    return f"{float(value):.6g} {unit}".rstrip()


def _show_interpolants(table: SweepTable, plan: SweepPlan) -> None:
    """Of an adaptive sweep: what an interpolant through its points is good for."""
    from sawfem.errors import SawfemError
    from sawfem.quantities import Quantity
    from sawfem.result.sweep_interpolant import interpolant

    for name in plan.table.get("refine", ()) if plan.sample == "adaptive" else ():
        try:
            found = interpolant(table, name)
        except SawfemError as error:
            labelled("Between", f"{name}: {error.message}")
            continue
        error_text = Quantity.of(name.rpartition(".")[2], found.error)
        labelled(
            "Between",
            f"{name}: an interpolant through {found.points} points errs by {error_text} at most, "
            "checked at points that were left out",
        )


def _show_end(table: SweepTable, folder: Path, files: tuple[str, ...], seconds: float) -> None:
    if table.failed:
        where, text = next(table.messages())
        labelled("Failed", f"{table.failed} of {table.size} points; the first, {where}: {text}")
    names = [Path(file).name for file in files]
    labelled("Files", f"{folder.as_posix()}/", listed_files(names))
    labelled("Next", f"sawfem show {folder.as_posix()}")
    labelled("Time", f"{seconds:.1f} s")
