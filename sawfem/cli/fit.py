"""``sawfem fit``: constants or an equivalent circuit fitted to measured data."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from sawfem.cli import fit_files, options
from sawfem.cli.screen import labelled, show, table

if TYPE_CHECKING:
    from sawfem.pipeline.fitting import Fitted, Row

CAUTION = (
    "Intervals hold for noise alone: calibration, fixture, temperature and what the model leaves "
    "out are not in them. Estimates, not a warranty."
)


@click.command("fit")
@options.out_case("<case>-fitted.toml")
@options.of_case
def command(
    case_name: str, out: Path | None, changes: tuple[str, ...], as_json: bool, quiet: bool
) -> None:
    """Fit what the [fit] of CASE asks for to its measurement, and write it as a case.

    Beside the case go its numbers with their intervals (.json), a picture (.png, .svg) and, of an
    equivalent circuit, a netlist (.cir). Run the case that is written: it answers as fitted.
    """
    case = options.load_case(case_name, changes)
    place = out if out is not None else Path(f"{case.stem}-fitted.toml")
    beside = (place.with_suffix(end) for end in (".json", ".png", ".svg", ".cir"))
    options.refuse_existing(place, *beside)

    from sawfem.cli import fit_rational
    from sawfem.cli.progress import shown_progress
    from sawfem.pipeline.fitdevice import FittedDevice
    from sawfem.pipeline.fitrational import FittedRational
    from sawfem.pipeline.fitting import fit_case

    with shown_progress(
        {"plane waves": 1.0, "unit cell": 5.0, "fit": 1.0}, quiet=quiet
    ) as progress:
        found = fit_case(case, file=fit_rational.beside(place, case), progress=progress)
    if isinstance(found, FittedRational):
        fit_rational.finish(found, place, Path(case_name).name, as_json=as_json, quiet=quiet)
        return
    if isinstance(found, FittedDevice):
        from sawfem.cli.fit_device import finish

        finish(found, place, Path(case_name).name, as_json=as_json, quiet=quiet)
        return
    written, told = _write(found, place, Path(case_name).name)
    fit_files.tell(
        lambda: _answer(found, place, written, told),
        lambda: _show(found, written, told),
        as_json=as_json,
        quiet=quiet,
    )


def _write(found: Fitted, place: Path, source: str) -> tuple[list[Path], list[str]]:
    """The netlist, the picture, the numbers and the case; what was written and what is said."""
    from sawfem.export.spice import motional_netlist
    from sawfem.plot.fit import draw_fit

    told, written = list(found.told), [place]
    circuit, data = found.circuit, found.fit.data
    if circuit is not None:
        comments = [
            f"equivalent circuit fitted by sawfem to {found.source} of {source}",
            fit_files.apart("the data", found.difference, *data.frequency[[0, -1]]),
            "estimates, not a warranty",
        ]
        written += fit_files.write_netlist(
            place, lambda: motional_netlist(circuit, place.stem, comments=comments), told
        )
    kind = "equivalent circuit" if circuit is not None else "constants of the grating"
    labels = [name.replace("_", " ") for name in found.fit.estimate.names]
    written += fit_files.write_picture(
        place, lambda: draw_fit(found.fit, f"{kind}, fitted to {found.source}", labels)
    )
    written.append(fit_files.numbers_of(place))
    fit_files.write_numbers(place, _answer(found, place, written, told))
    head = (
        f"# Fitted by sawfem from {source}; estimates, not a warranty.\n"
        f"# Values, intervals and how the residuals look: {fit_files.numbers_of(place).name}\n"
    )
    fit_files.write_case(place, head, found.case)
    return written, told


def _answer(found: Fitted, place: Path, files: list[Path], told: list[str]) -> dict[str, Any]:
    """The JSON object of a fit: SI units, null where there is no number."""
    estimate, data = found.fit.estimate, found.fit.data
    return {
        "format": "sawfem.fit/1",
        "model": "circuit" if found.circuit is not None else "resonator",
        "data": found.source,
        "quantity": data.quantity,
        "points": int(data.frequency.size),
        "from_hz": float(data.frequency[0]),
        "to_hz": float(data.frequency[-1]),
        "parameters": [_row(row) for row in found.rows],
        "derived": [_row(row) for row in found.derived],
        "confidence": 0.95,
        "correlation": {
            "names": list(estimate.names),
            "matrix": [[float(value) for value in row] for row in estimate.correlation],
        },
        "noise": estimate.noise,
        "noise_given": data.noise is not None,
        "degrees_of_freedom": estimate.freedom,
        "chi_square_reduced": estimate.chi_square,
        "whiteness": estimate.whiteness,
        "noise_like": estimate.noise_like,
        "intervals_widened_by": estimate.widened,
        "converged": estimate.converged,
        **fit_files.closing(found.difference, place, files, [*told, CAUTION]),
    }


def _row(row: Row) -> dict[str, Any]:
    known = row.half_width is not None
    return {
        "name": row.name,
        "unit": row.unit,
        "start": row.start,
        "value": row.value,
        "standard_error": row.standard_error,
        "low": row.value - row.half_width if known else None,  # type: ignore[operator]
        "high": row.value + row.half_width if known else None,  # type: ignore[operator]
        "free": known,
    }


def _show(found: Fitted, written: list[Path], told: list[str]) -> None:
    from sawfem.units import format_pair

    rows = []
    for row in (*found.rows, *found.derived):
        number, bar, unit = format_pair(row.value, row.half_width, row.unit)
        start = "" if row.start is None else format_pair(row.start, None, row.unit)[0]
        fixed = "" if row.half_width is not None else " (kept)"
        rows.append((f"  {row.name.replace('_', ' ')}{fixed}", start, number, bar, unit))
    table(("Fit", "start", "value", "± 95 %", "unit"), rows, right=(1, 2, 3))
    estimate = found.fit.estimate
    show()
    rms, largest = found.difference
    labelled("Data", f"{found.source}, {found.fit.data.frequency.size} points")
    labelled("Noise", f"{estimate.noise:.3g} in each part, {estimate.freedom} degrees of freedom")
    if estimate.chi_square is not None:
        labelled("", f"reduced chi square {estimate.chi_square:.3g} for the noise that was given")
    looks = "like noise" if estimate.noise_like else "NOT like noise"
    labelled("Residuals", f"{looks}; S apart by {rms:.3g} rms, {largest:.3g} at most")
    fit_files.show_end(told, CAUTION, written)
