"""``sawfem cut``: plane waves of a stack."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from sawfem import __version__
from sawfem.cli import options
from sawfem.cli.cut_more import show_dispersion, show_losses, show_sensitivity
from sawfem.cli.cut_stack import asked_of
from sawfem.cli.screen import headline, labelled, show, table
from sawfem.errors import GeometryError, InputError, SawfemError
from sawfem.wholefiles import unwritable

if TYPE_CHECKING:
    from sawfem.cuts import CutResult
    from sawfem.cuts.dispersed import DispersionResult
    from sawfem.design import Stack
    from sawfem.planewave.allwaves import Coverage

_COLUMNS = (
    "velocity_free",
    "velocity_metallised",
    "coupling_k2",
    "power_flow_angle",
    "attenuation_metallised",
)


@click.command("cut")
@click.argument("material", metavar="[MATERIAL]", required=False)
@click.option(
    "--euler",
    nargs=3,
    type=float,
    metavar="L M T",
    help="Euler angles lambda, mu, theta in degrees.",
)
@click.option("--cut", "plate", metavar="C", help='Plate notation, such as "(YXl)128".')
@click.option(
    "--layer",
    "layers",
    multiple=True,
    metavar="MATERIAL:THICKNESS[:CUT]",
    help="A layer, upwards, with its own plate notation; without one its crystal axes lie along "
    "the device axes. May be repeated.",
)
@click.option("--frequency", metavar="F", help='Such as "868 MHz"; layers need it.')
@click.option(
    "--pictures",
    metavar="DIR",
    type=click.Path(path_type=Path, file_okay=False),
    help="Draw slowness, effective permittivity (or dispersion), depth profile and directions into "
    "this folder.",
)
@click.option(
    "--leaky-to",
    "leaky_to",
    type=float,
    metavar="DB",
    help="Look for every leaky wave that loses at most DB per wavelength, and say where it was "
    "looked for; takes seconds to a minute. Without it leaky waves are estimates.",
)
@click.option(
    "--hold-constant",
    "hold_constant",
    metavar="NAMES",
    help="Constants without temperature coefficients kept as they are, such as "
    '"piezoelectric,permittivity"; the answer says so.',
)
@click.option(
    "--short",
    "shorts",
    type=click.IntRange(0),
    multiple=True,
    metavar="N",
    help="A conductor without mass at interface N: 0 on the substrate, 1 on the first layer, ...",
)
@click.option(
    "--order",
    type=click.IntRange(0),
    metavar="N",
    help="Keep the first N + 1 waves of each kind.",
)
@click.option(
    "--sensitivity", is_flag=True, help="Say which constants move the velocity of each wave most."
)
@click.option(
    "--dispersion",
    nargs=2,
    metavar="F1 F2",
    help="Phase and group velocity of the guided waves between two frequencies.",
)
@click.option(
    "--thick",
    is_flag=True,
    help="Compute layers that hide the substrate all the same; takes up to minutes.",
)
@click.option(
    "--case",
    "case_name",
    metavar="CASE",
    help="Take the stack, what is held constant and the frequency of [map] from a case.",
)
@options.changes
@options.as_json
@options.quiet
def command(
    material: str | None,
    euler: tuple[float, float, float] | None,
    plate: str | None,
    layers: tuple[str, ...],
    frequency: str | None,
    pictures: Path | None,
    leaky_to: float | None,
    hold_constant: str | None,
    shorts: tuple[int, ...],
    order: int | None,
    sensitivity: bool,
    dispersion: tuple[str, str] | None,
    thick: bool,
    case_name: str | None,
    changes: tuple[str, ...],
    as_json: bool,
    quiet: bool,
) -> None:
    """Plane waves of a crystal cut: velocities, coupling, beam, depth, drift with temperature.

    Without --euler and --cut the crystal axes lie along the device axes. Waves that radiate into
    the substrate are estimates and are marked so. MATERIAL "air" makes a free-standing membrane
    of the layers; a layer of a metal is a conducting film.
    """
    from sawfem.cuts import compute_cut

    asked = asked_of(case_name, changes, frequency, material, euler, plate, layers, shorts)
    stack, held = asked.stack, asked.hold_constant
    if hold_constant is not None:
        held = tuple(name.strip() for name in hold_constant.split(",") if name.strip())
    try:
        answer = compute_cut(
            stack,
            asked.frequency,
            hold_constant=held,
            leaky_to=leaky_to,
            order=order,
            sensitive=sensitivity,
            thick=thick,
        )
        _refuse_nothing(answer)
        spread = _dispersion(stack, dispersion, order, thick=thick)
    except (GeometryError, InputError) as error:
        raise _told(error) from None
    files = [] if pictures is None else _draw(stack, asked.frequency, pictures)
    if as_json:
        told = answer.to_dict() | ({} if pictures is None else {"files": files})
        told |= {} if spread is None else {"dispersion": spread.to_dict()}
        click.echo(json.dumps(told, indent=2, ensure_ascii=False))
    elif not quiet:
        _show(answer)
        if spread is not None:
            show()
            show_dispersion(spread)
        labelled("Pictures", "  ".join(files))


def _told(error: SawfemError) -> SawfemError:
    """The same error at the option where it was made."""
    if error.key == "attenuation":
        return InputError(key="--leaky-to", found=error.found, expected=error.expected)
    if "hide the substrate" in (error.found or ""):
        expected = f"{error.expected}; --thick computes them all the same"
        return GeometryError(key="--layer", found=error.found, expected=expected)
    return error


def _dispersion(
    stack: Stack, ends: tuple[str, str] | None, order: int | None, *, thick: bool
) -> DispersionResult | None:
    """Guided waves between two frequencies; None where they were not asked for."""
    if ends is None:
        return None
    from sawfem.cuts.dispersed import compute_dispersion, spread_frequencies

    return compute_dispersion(stack, spread_frequencies(*ends), order=order, thick=thick)


def _refuse_nothing(answer: CutResult) -> None:
    """A direction in which nothing at all was found, with the limit up to which it was sought."""
    if not answer.waves:
        raise InputError(
            key="MATERIAL",
            found=answer.missing or "no wave",
            expected="another cut or direction, or --leaky-to to look for every leaky wave",
        )


def _draw(stack: Stack, frequency: str | float | None, folder: Path) -> list[str]:
    """Draw the page of a cut; names of the files."""
    from sawfem.planewave.cut_curves import cut_curves
    from sawfem.plot.cutpage import draw_cut

    try:
        folder.mkdir(parents=True, exist_ok=True)
        files = draw_cut(cut_curves(stack, frequency), folder)
    except OSError as error:
        raise unwritable(folder, error, "a folder that can be written") from error
    return [path.as_posix() for path in files]


def _show(answer: CutResult) -> None:
    from sawfem.quantities import Quantity
    from sawfem.units import format_quantity

    headline(f"sawfem {__version__}", "plane waves")
    labelled("Stack", str(answer.stack))
    labelled("", f"{answer.stack.material.source} (digits: {answer.stack.material.mark})")
    if answer.frequency is not None:
        labelled("Frequency", format_quantity(answer.frequency, "Hz"))
    show()
    heads = ("Wave", "free", "metallised", "K^2", "power flow", "loss, metallised")
    rows = []
    for wave, character in zip(answer.waves, answer.characters, strict=True):
        cells = []
        for name in _COLUMNS:
            value = getattr(wave, name)
            if value is None:
                cells.append("none")
                continue
            if name == "attenuation_metallised":
                cells.append(_loss(value))
                continue
            number, _, unit = Quantity.of(name, _tidy(value)).parts()
            cells.append(f"{number} {unit}")
        rows.append((f"{wave.kind} {character.label}".strip(), *cells))
    table(heads, rows, right=range(1, 6))
    if not rows:
        show("no surface wave was found")
    show()
    _show_characters(answer)
    labelled("Units", "loss per wavelength; g = d(power-flow angle)/d(direction)")
    if answer.eps_inf is not None:
        labelled("eps_inf", format_quantity(answer.eps_inf, "F/m", digits=6))
    if answer.bulk_limits:
        limits = ", ".join(f"{velocity:.2f}" for velocity in answer.bulk_limits)
        labelled("Bulk", f"waves of the substrate start along the surface at {limits} m/s")
    if answer.missing:
        labelled("Note", answer.missing)
    show_losses(answer)
    show_sensitivity(answer)
    for strip in answer.coverage:
        labelled("Leaky", _searched(strip))
    if not answer.coverage and any(wave.kind.startswith("leaky") for wave in answer.waves):
        labelled("Note", "leaky waves are estimates: none is promised to be complete")
    for warning in answer.warnings:
        labelled("Warning", warning)


def _searched(strip: Coverage) -> str:
    """Where leaky waves were sought, as a sentence."""
    where = f"{strip.slow:.1f} to {strip.fast:.1f} m/s"
    if strip.attenuation == 0.0:
        return f"not sought from {where}: {strip.note}"
    free, metallised = strip.found
    note = f"; {strip.note}" if strip.note else ""
    return (
        f"sought from {where} up to {strip.attenuation:.3g} dB/wavelength: {free} free and "
        f"{metallised} metallised found, {strip.counted[0]} and {strip.counted[1]} counted{note}"
    )


def _show_characters(answer: CutResult) -> None:
    """Beam, depth and temperature of each wave, and why something is missing."""
    from sawfem.cuts import ICE_POINT

    bodies, drifts = [], []
    for wave, character in zip(answer.waves, answer.characters, strict=True):
        values = character.values
        wavelengths = values["penetration_depth_in_wavelengths"]
        deep = "none" if wavelengths is None else f"{wavelengths:.4g} wavelengths"
        if values["penetration_depth"] is not None:
            deep = _cell("penetration_depth", values["penetration_depth"])
        loss = _loss(wave.attenuation_free)
        share, slope = (
            _cell(name, values[name]) for name in ("shear_horizontal_share", "beam_anisotropy")
        )
        bodies.append((wave.kind, loss, share, deep, slope))
        kelvin = values["turnover_temperature"]
        turnover = "none" if kelvin is None else f"{kelvin - ICE_POINT:.1f} degC"
        delay, frequency = (
            _cell(f"{name}_temperature_coefficient", values[f"{name}_temperature_coefficient"])
            for name in ("delay", "frequency")
        )
        drifts.append((wave.kind, delay, frequency, turnover))
    if not bodies:
        return
    table(("Wave", "loss, free", "along x2", "depth", "g"), bodies, right=range(1, 5))
    show()
    if any(delay != "none" for _, delay, _, _ in drifts):
        table(("Wave", "TCD", "TCF", "turnover"), drifts, right=range(1, 4))
        show()
    if answer.stack.layers:
        for wave, character in zip(answer.waves, answer.characters, strict=True):
            shares = ", ".join(f"{one.body} {100 * one.total:.3g} %" for one in character.energy)
            labelled("Energy", f"{wave.kind}: {shares or 'a leaky wave has no finite energy'}")
    told = [
        character.reasons.get("delay_temperature_coefficient") for character in answer.characters
    ]
    told += [character.caution for character in answer.characters]
    for sentence in dict.fromkeys(filter(None, told)):
        labelled("Drift", sentence)


def _cell(name: str, value: float | None) -> str:
    """Text of one number of the table of quantities, to four digits."""
    from sawfem.quantities import Quantity

    if value is None:
        return "none"
    number, _, unit = Quantity.of(
        name, float(f"{(0.0 if abs(value) < 1e-12 else value):.4g}")
    ).parts()
    return f"{number} {unit}".rstrip()


def _loss(value: float | None) -> str:
    """Loss per wavelength, to three digits."""
    return "none" if value is None else f"{_tidy(value):.3g} dB"


def _tidy(value: float) -> float:
    """Rounding errors of an angle or a loss that is zero."""
    return 0.0 if abs(value) < 1e-9 else value
