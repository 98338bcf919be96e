"""What all fits leave alike: files beside the case, written whole, and the end of what is told."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from sawfem.cli.screen import labelled
from sawfem.errors import InputError
from sawfem.wholefiles import replacing, unwritable

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from sawfem.case import Case


def write_netlist(place: Path, text: Callable[[], str], told: list[str]) -> list[Path]:
    """The netlist beside a case; where a circuit cannot be one, a sentence joins ``told``."""
    try:
        lines = text()
    except InputError as error:
        told.append(f"no netlist: {error}")
        return []
    target = place.with_suffix(".cir")
    with replacing(target) as new:
        new.write_text(lines, encoding="ascii", newline="\n")
    return [target]


def apart(subject: str, difference: tuple[float, float], low: float, high: float) -> str:
    """A comment on how far S lies from ``subject`` between two frequencies in hertz."""
    rms, largest = difference
    return (
        f"S from {subject} by {rms:.2e} rms, {largest:.2e} at most, "
        f"over {low / 1e6:.6g} to {high / 1e6:.6g} MHz"
    )


def write_picture(place: Path, draw: Callable[[], Figure]) -> list[Path]:
    """A picture beside a case, as PNG and SVG."""
    from sawfem.plot import style

    with style.house_style():
        figure = draw()
        try:
            return list(style.save_figure(figure, place.parent, place.stem))
        except OSError as error:
            raise unwritable(place, error) from None


def write_numbers(place: Path, answer: dict[str, Any]) -> None:
    """The JSON object beside a case."""
    with replacing(numbers_of(place)) as new:
        text = json.dumps(answer, allow_nan=False, indent=2) + "\n"
        new.write_text(text, encoding="utf-8", newline="\n")


def numbers_of(place: Path) -> Path:
    """Where :func:`write_numbers` writes."""
    return place.with_suffix(".json")


def closing(
    difference: tuple[float, float], place: Path, files: list[Path], notes: list[str]
) -> dict[str, Any]:
    """The last keys of the JSON object of a fit."""
    rms, largest = difference
    return {
        "difference_rms": rms,
        "difference_largest": largest,
        "notes": notes,
        "file": place.as_posix(),
        "files": [file.as_posix() for file in files],
    }


def tell(
    answer: Callable[[], dict[str, Any]], show: Callable[[], None], *, as_json: bool, quiet: bool
) -> None:
    """The one or the other on standard output, or nothing."""
    if as_json:
        click.echo(json.dumps(answer(), allow_nan=False, indent=2))
    elif not quiet:
        show()


def write_case(place: Path, head: str, case: Case) -> None:
    """The case, with comments before it and its paths seen from where it lies."""
    from sawfem.pipeline.fitcase import relocated

    with replacing(place) as new:
        text = head + relocated(case, place.parent).to_toml()
        new.write_text(text, encoding="utf-8", newline="\n")


def show_end(told: list[str], caution: str, written: list[Path]) -> None:
    """Notes, caution, files and what to do next."""
    for text in told:
        labelled("Note", text)
    labelled("Caution", caution)
    labelled("Files", "  ".join(path.as_posix() for path in written))
    labelled("Next", f"sawfem run {written[0].as_posix()}")
