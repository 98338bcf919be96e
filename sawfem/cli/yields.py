"""``sawfem yield``: the share of devices that keeps the specification of a case."""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

import click

from sawfem import __version__
from sawfem.cli import options
from sawfem.cli.progress import shown_progress
from sawfem.cli.screen import headline, labelled, listed_files, show, table

if TYPE_CHECKING:
    from sawfem.pipeline.process import ProcessPlan
    from sawfem.result.yields import YieldResult


@click.command("yield")
@options.out_folder("answer", "results/<case>.yield")
@options.of_case
def command(
    case_name: str, out: Path | None, changes: tuple[str, ...], as_json: bool, quiet: bool
) -> None:
    """Draw the dies of the [yield] of CASE and hold each against its [specification].

    Tells the yield with its confidence interval, the worst corner of every limit and which
    deviation costs most. Interrupted after the first twenty dies, it answers with those it has.
    """
    case = options.load_case(case_name, changes)

    from sawfem.export.yields import prepare_yield, save_yield, yield_dict
    from sawfem.pipeline.process import plan_process

    plan = plan_process(case)
    folder = out if out is not None else Path("results") / f"{case.stem}.yield"
    prepare_yield(folder)
    tables = not (as_json or quiet)
    if tables:
        _show_plan(plan, case_name)
        sys.stdout.flush()
    begun = time.monotonic()

    from sawfem.pipeline.yields import run_yield

    with shown_progress(_estimates(plan), quiet=quiet) as progress:
        found = run_yield(case, plan, progress=progress)
        files = save_yield(found, folder)
    if as_json:
        click.echo(json.dumps(yield_dict(found, files)))
    elif tables:
        _show(found, files, time.monotonic() - begun)


def _estimates(plan: ProcessPlan) -> dict[str, float]:
    """Seconds of every stage, roughly."""
    cells = len(plan.resolved.gratings)
    return {
        "plane waves": 0.3,
        "unit cell": 3.0 * cells,
        "variants": 3.0 * cells * (2 * len(plan.keys) + 1),
        "sensitivities": 0.5 * len(plan.keys),
        "dies": 0.04 * plan.dies,
    }


def _show_plan(plan: ProcessPlan, named: str) -> None:
    headline(f"sawfem {__version__}", named)
    if plan.case.title:
        show(plan.case.title)
    show()
    lots = plan.wafers_per_lot * plan.dies_per_wafer
    together = f", {plan.wafers_per_lot} wafers a lot, {plan.dies_per_wafer} dies a wafer"
    labelled("Dies", f"{plan.dies}, seed {plan.seed}{together if lots > 1 else ''}")
    for spread in plan.spreads:
        unit = plan.keys[spread.key].unit
        labelled(
            "Spread", f"{spread.key}: {_amount(spread.standard_deviation, unit)}, {spread.level}"
        )
    for pair in plan.correlations:
        labelled("Together", f"{pair.first} and {pair.second}: correlation {pair.coefficient:g}")
    show()


def _amount(value: float, unit: str) -> str:
    from sawfem.units import format_quantity

    if unit in ("m", "Hz", "ohm", "s", "F", "H"):
        return format_quantity(value, unit, digits=4)
    return f"{value:.4g}{' ' + unit if unit else ''}"


def _show(found: YieldResult, files: tuple[str, ...], seconds: float) -> None:
    labelled("Yield", str(found.total))
    show()
    rows = [
        (
            f"  {limit.name}",
            f"{100.0 * limit.share:.1f} %",
            f"{limit.nominal:.3g}",
            f"{limit.worst:.3g}",
            _unit(limit.quantity),
        )
        for limit in found.limits
    ]
    heads = ("Limit", "kept by", "margin, nominal", "worst corner", "unit")
    table(heads, rows, right=(1, 2, 3))
    show()
    effects = [_effect_row(found, number) for number in range(len(found.effects))]
    columns = ("Deviation, largest effect first", "one sigma", "frequency", "trim", "margin")
    table(columns, effects, right=(1, 2, 3, 4))
    show()
    labelled(
        "",
        "frequency in ppm for one sigma; trim in ppm per nm; margin: of the tightest limit, for "
        "one sigma; worst corner: every deviation three sigma to the side that hurts",
    )
    for name, (has, kept) in found.faulty.items():
        labelled("Faults", f"{has} dies with {name} fingers, of which {kept} pass")
    for name, (mean, rms) in found.grid.items():
        mean_nm, rms_nm = 1e9 * mean, 1e9 * rms
        labelled("Grid", f"{name}: pitch off by {mean_nm:.2g} nm, edges by {rms_nm:.2g} nm rms")
    for warning in found.warnings:
        labelled("Warning", warning)
    labelled(
        "Caution",
        "Normal deviations and a model: the tails of a real process are heavier. An estimate, "
        "not a warranty.",
    )
    folder = files[0].rpartition("/")[0]
    labelled("Files", f"{folder}/", listed_files(file.removeprefix(f"{folder}/") for file in files))
    labelled("Time", f"{seconds:.1f} s")


def _unit(quantity: str) -> str:
    from sawfem.quantities import entry

    return entry(quantity).unit


def _effect_row(found: YieldResult, number: int) -> tuple[str, ...]:
    effect = found.effects[number]
    tightest = found.tightest
    frequency = "none" if effect.frequency is None else f"{1e6 * effect.frequency:.3g}"
    trim = "" if effect.trim is None else f"{1e-3 * effect.trim:.3g}"
    return (
        f"  {effect.key}",
        _amount(effect.deviation, effect.unit),
        frequency,
        trim,
        f"{effect.margin[tightest]:.3g}",
    )
