"""``sawfem fit`` of a device of several ports: a circuit for each resonator, one netlist."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from sawfem.cli import fit_files
from sawfem.cli.screen import labelled, show, table

if TYPE_CHECKING:
    from sawfem.pipeline.fitdevice import FittedDevice

CAUTION = "Estimates, not a warranty."


def finish(found: FittedDevice, place: Path, source: str, *, as_json: bool, quiet: bool) -> None:
    """Write case, numbers, picture and netlist beside ``place``, and show them."""
    written, told = _write(found, place, source)
    fit_files.tell(
        lambda: _answer(found, place, written, told),
        lambda: _show(found, written, told),
        as_json=as_json,
        quiet=quiet,
    )


def _write(found: FittedDevice, place: Path, source: str) -> tuple[list[Path], list[str]]:
    """The netlist, the picture, the numbers and the case; what was written and what is said."""
    from sawfem.export.spice import device_netlist
    from sawfem.plot.measured import draw_equivalent

    told, written = list(found.told), [place]
    ends = ", ".join(port.name for port in found.device.ports)
    comments = [
        f"equivalent circuit by sawfem of {source}, as computed",
        fit_files.apart("the device's", found.difference, *found.frequency[[0, -1]]),
        f"terminals: {ends}, and the ground last",
        f"losses of lumps with a quality factor are those at {found.middle / 1e6:.6g} MHz",
        "estimates, not a warranty",
    ]
    written += fit_files.write_netlist(
        place,
        lambda: device_netlist(
            found.device, found.circuits, place.stem, found.middle, comments=comments
        ),
        told,
    )
    written += fit_files.write_picture(
        place, lambda: draw_equivalent(found.frequency, found.computed, found.equivalent)
    )
    written.append(fit_files.numbers_of(place))
    fit_files.write_numbers(place, _answer(found, place, written, told))
    head = f"# Equivalent circuits by sawfem for {source}; estimates, not a warranty.\n"
    fit_files.write_case(place, head, found.case)
    return written, told


def _answer(found: FittedDevice, place: Path, files: list[Path], told: list[str]) -> dict[str, Any]:
    """The JSON object: elements of every resonator's circuit, SI."""
    parts = {}
    for name, circuit in found.circuits.items():
        fit = found.fits[name]
        apart = abs(fit.data.scattering - fit.scattering)
        parts[name] = {
            "elements": dict(zip(circuit.names, map(float, circuit.vector()), strict=True)),
            "difference_rms": float((apart**2).mean() ** 0.5),
            "difference_largest": float(apart.max()),
            "converged": fit.estimate.converged,
        }
    return {
        "format": "sawfem.fit/1",
        "model": "circuit",
        "data": "computed response",
        "points": int(found.frequency.size),
        "from_hz": float(found.frequency[0]),
        "to_hz": float(found.frequency[-1]),
        "parts": parts,
        **fit_files.closing(found.difference, place, files, [*told, CAUTION]),
    }


def _show(found: FittedDevice, written: list[Path], told: list[str]) -> None:
    from sawfem.units import format_quantity

    rows = []
    for name, circuit in found.circuits.items():
        for number, arm in enumerate(circuit.arms, 1):
            first = number == 1
            quality = f"{arm.quality:.0f}" if arm.resistance > 0.0 else ""
            rows.append(
                (
                    f"  {name}" if first else "",
                    format_quantity(circuit.capacitance, "F", digits=5) if first else "",
                    format_quantity(circuit.series_resistance, "ohm", digits=3) if first else "",
                    f"{arm.frequency / 1e6:.3f} MHz",
                    format_quantity(arm.capacitance, "F", digits=5),
                    format_quantity(arm.inductance, "H", digits=5),
                    format_quantity(arm.resistance, "ohm", digits=3),
                    quality,
                )
            )
    heads = ("Resonator", "C0", "Rs", "arm", "C", "L", "R", "Q")
    table(heads, rows, right=(1, 2, 3, 4, 5, 6, 7))
    show()
    rms, largest = found.difference
    labelled("Device", f"S of the netlist apart from the device's by {rms:.3g} rms, {largest:.3g}")
    fit_files.show_end(told, CAUTION, written)
