"""``sawfem search``: the better cuts of a crystal for a stated wish."""

from __future__ import annotations

import json
import sys
import time
from typing import TYPE_CHECKING, Any

import click

from sawfem import __version__
from sawfem.cli import options
from sawfem.cli.screen import headline, labelled, show, table
from sawfem.errors import InputError, SawfemError

if TYPE_CHECKING:
    from sawfem.planewave.cutsearch import CutFamily, Wish

_RANGE = "from to, degrees; one that is fixed has from = to"


@click.command("search")
@click.argument("material", metavar="MATERIAL")
@click.option("--coupling-above", type=float, metavar="%", help="K^2 at least, per cent.")
@click.option("--power-flow-below", type=float, metavar="DEG", help="|power-flow angle| at most.")
@click.option("--tcd-below", type=float, metavar="PPM/K", help="|TCD| at most, ppm/K.")
@click.option(
    "--leakage-below",
    type=float,
    metavar="DB",
    help="Search leaky waves as well, with at most so many dB per wavelength. Needs ranges.",
)
@click.option("--velocity-above", type=float, metavar="M/S", help="Free velocity at least.")
@click.option("--velocity-below", type=float, metavar="M/S", help="Free velocity at most.")
@click.option(
    "--best",
    type=click.Choice(["coupling", "drift", "power-flow", "fast", "slow"]),
    default="coupling",
    show_default=True,
    help="Which of the cuts that meet the wish is best.",
)
@click.option("--lambda", "first", nargs=2, type=float, metavar="FROM TO", help=_RANGE)
@click.option("--mu", "second", nargs=2, type=float, metavar="FROM TO", help=_RANGE)
@click.option("--theta", "third", nargs=2, type=float, metavar="FROM TO", help=_RANGE)
@click.option("--step", type=float, default=6.0, show_default=True, help="Coarse grid, degrees.")
@click.option("--count", type=click.IntRange(1, 50), default=6, show_default=True)
@click.option(
    "--velocity-error",
    type=float,
    default=100.0,
    show_default=True,
    metavar="PPM",
    help="Change of the velocity for which misorientations are told.",
)
@click.option(
    "--hold-constant",
    multiple=True,
    metavar="PART",
    help="What temperature leaves as it is for want of coefficients, such as permittivity.",
)
@options.workers(256, "How many cuts are worked on at a time; all processors if left out.")
@options.as_json
@options.quiet
def command(
    material: str,
    coupling_above: float | None,
    power_flow_below: float | None,
    tcd_below: float | None,
    leakage_below: float | None,
    velocity_above: float | None,
    velocity_below: float | None,
    best: str,
    first: tuple[float, float] | None,
    second: tuple[float, float] | None,
    third: tuple[float, float] | None,
    step: float,
    count: int,
    velocity_error: float,
    hold_constant: tuple[str, ...],
    workers: int | None,
    as_json: bool,
    quiet: bool,
) -> None:
    """Search the orientations of MATERIAL for cuts that meet a wish.

    Without ranges of the Euler angles, all orientations that differ are searched; what symmetry
    makes equal is told once, with how far each angle may be off.
    """
    from sawfem.material import load_material
    from sawfem.planewave.cutsearch import Wish, search_cuts

    try:
        crystal = load_material(material)
    except SawfemError as error:
        raise error.located(key="MATERIAL") from None
    wish = Wish(
        coupling_above=None if coupling_above is None else coupling_above / 100.0,
        power_flow_below=power_flow_below,
        drift_below=None if tcd_below is None else tcd_below * 1e-6,
        leakage_below=leakage_below,
        velocity_above=velocity_above,
        velocity_below=velocity_below,
        best=best,
    )
    if not velocity_error > 0.0:
        raise InputError(key="--velocity-error", found=f"{velocity_error:g}", expected="above 0")
    begun = time.monotonic()
    families = search_cuts(
        crystal,
        wish,
        ranges=_ranges(first, second, third),
        step=step,
        count=count,
        velocity_error=velocity_error * 1e-6,
        hold_constant=hold_constant,
        workers=workers,
        progress=None if quiet else _progress(),
    )
    if as_json:
        told = search_dict(material, wish, families, hold_constant)
        click.echo(json.dumps(told, indent=2, ensure_ascii=False))
    elif not quiet:
        headline(f"sawfem {__version__}", "search of cuts")
        labelled("Crystal", material, f"{crystal.source} (digits: {crystal.mark})")
        labelled("Held", "" if not hold_constant else f"{', '.join(hold_constant)}: constant")
        _show(families, velocity_error)
        labelled("Time", f"{time.monotonic() - begun:.1f} s")


def _ranges(
    first: tuple[float, float] | None,
    second: tuple[float, float] | None,
    third: tuple[float, float] | None,
) -> tuple[tuple[float, float], ...] | None:
    """Ranges of the three angles: whole turns where one is left out beside another."""
    if first is None and second is None and third is None:
        return None
    return (first or (0.0, 360.0), second or (0.0, 180.0), third or (0.0, 180.0))


def _progress() -> Any:
    """Lines on standard error, one for every fifth of the work."""
    told = -1

    def report(done: int, total: int) -> None:
        nonlocal told
        if 5 * done // total > told:
            told = 5 * done // total
            print(f"search: {done} orientations of about {total}", file=sys.stderr, flush=True)

    return report


def search_dict(
    material: str, wish: Wish, families: tuple[CutFamily, ...], held: tuple[str, ...]
) -> dict[str, Any]:
    """The JSON object of a search, SI units."""
    from dataclasses import asdict

    from sawfem.quantities import to_json

    names = (
        "velocity_free",
        "velocity_metallised",
        "coupling_k2",
        "power_flow_angle",
        "delay_temperature_coefficient",
        "attenuation_free",
        "attenuation_metallised",
    )
    return {
        "format": "sawfem.search/1",
        "material": material,
        "wish": asdict(wish),
        "hold_constant": list(held),
        "cuts": [
            {
                "euler_deg": list(family.euler),
                "plate": family.plate,
                **to_json({name: getattr(family, name) for name in names}),
                "meets_wish": family.meets,
                "tolerance_deg": None
                if family.tolerance is None
                else [list(pair) for pair in family.tolerance],
                "velocity_error": family.velocity_error,
            }
            for family in families
        ],
    }


def _show(families: tuple[CutFamily, ...], velocity_error: float) -> None:
    show()
    if not families:
        show("no orientation carries a wave of the kind that is wished")
        return
    if not families[0].meets:
        show("No cut meets the wish; the nearest:")
    heads = ("Euler angles", "free", "metallised", "K^2", "flow", "TCD", "loss", "may be off, deg")
    table(heads, [_row(family) for family in families], right=range(1, 7))
    show()
    labelled(
        "Units",
        "degrees; m/s; %; deg; ppm/K; dB per wavelength, metallised. May be off: down/up of "
        f"lambda, mu, theta, each alone, until the velocity is off by {velocity_error:g} ppm",
    )


def _row(family: CutFamily) -> tuple[str, ...]:
    def number(value: float | None, digits: int, scale: float = 1.0) -> str:
        if value is None:
            return "-"
        rounded = round(value * scale, digits) + 0.0
        return f"{rounded:.{digits}f}"

    reach = "-"
    if family.tolerance is not None:
        reach = "  ".join(f"{down:.2f}/{up:.2f}" for down, up in family.tolerance)
    return (
        "({:g}, {:g}, {:g})".format(*family.euler),
        number(family.velocity_free, 2),
        number(family.velocity_metallised, 2),
        number(family.coupling_k2, 3, 100.0),
        number(family.power_flow_angle, 2),
        number(family.delay_temperature_coefficient, 2, 1e6),
        number(family.attenuation_metallised, 4),
        reach,
    )
