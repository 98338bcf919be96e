"""``sawfem fit`` of a device of any ports: one rational function, its netlist and its S."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from sawfem.cli import fit_files
from sawfem.cli.screen import labelled
from sawfem.wholefiles import replacing

if TYPE_CHECKING:
    from sawfem.case import Case
    from sawfem.pipeline.fitrational import FittedRational

CAUTION = "Estimates, not a warranty."


def beside(place: Path, case: Case) -> str:
    """The Touchstone file beside ``place`` without its ending, as seen from the case's folder."""
    target = place.with_suffix("").resolve()
    return Path(os.path.relpath(target, case.base.resolve())).as_posix()


def finish(found: FittedRational, place: Path, source: str, *, as_json: bool, quiet: bool) -> None:
    """Write case, numbers, picture, Touchstone file and netlist beside ``place``; show them."""
    written, told = _write(found, place, source)
    fit_files.tell(
        lambda: _answer(found, place, written, told),
        lambda: _show(found, written, told),
        as_json=as_json,
        quiet=quiet,
    )


def _write(found: FittedRational, place: Path, source: str) -> tuple[list[Path], list[str]]:
    from sawfem.export.spice_poles import rational_netlist
    from sawfem.plot.measured import draw_equivalent

    told, written = list(found.told), [place]
    model, f = found.fit.model, found.fit.frequency
    comments = [
        f"rational admittance by sawfem of {found.source} of {source}",
        fit_files.apart("the data", found.difference, *f[[0, -1]]),
        f"ports: {', '.join(found.names)}, and the ground last",
        "outside of that band it is passive, and knows nothing of the device",
        "estimates, not a warranty",
    ]
    written += fit_files.write_netlist(
        place,
        lambda: rational_netlist(model, found.nodes, place.stem, comments=comments),
        told,
    )
    written += fit_files.write_picture(
        place, lambda: draw_equivalent(f, found.scattering, found.equivalent)
    )
    written.append(_write_touchstone(found, place, comments))
    written.append(fit_files.numbers_of(place))
    fit_files.write_numbers(place, _answer(found, place, written, told))
    head = f"# Rational function by sawfem for {source}; estimates, not a warranty.\n"
    fit_files.write_case(place, head, found.case)
    return written, told


def _write_touchstone(found: FittedRational, place: Path, comments: list[str]) -> Path:
    """S of the model between its terminations, or 50 ohm where they are not one real number."""
    from sawfem.device.response import Response

    f, z = found.fit.frequency, found.reference
    reference = np.broadcast_to(z, (f.size, z.size))
    response = Response(f, found.fit.model.at(f), found.equivalent, reference)
    common = bool(np.all(z == z[0])) and z[0].imag == 0.0
    network = response.network(None if common else 50.0)
    network.frequency.unit = "hz"
    network.comments = "\n".join(comments)
    network.name = "rational"
    target = place.with_suffix(f".s{z.size}p")
    with replacing(target) as new:
        text = network.write_touchstone(skrf_comment=False, return_string=True, form="ri")
        new.write_text(str(text), encoding="ascii", newline="\n")
    return target


def _answer(
    found: FittedRational, place: Path, files: list[Path], told: list[str]
) -> dict[str, Any]:
    """The JSON object: poles in hertz, residues in S Hz, SI for the rest."""
    model, f = found.fit.model, found.fit.frequency
    turn = 2.0 * np.pi
    return {
        "format": "sawfem.fit/1",
        "model": "rational",
        "data": found.source,
        "points": int(f.size),
        "from_hz": float(f[0]),
        "to_hz": float(f[-1]),
        "poles": [
            {
                "frequency_hz": float(p.imag / turn),
                "half_width_hz": float(-p.real / turn),
                "residue_real_S_hz": (R.real / turn).tolist(),
                "residue_imaginary_S_hz": (R.imag / turn).tolist(),
            }
            for p, R in zip(model.poles, model.residues, strict=True)
        ],
        "conductance_S": model.conductance.tolist(),
        "capacitance_F": model.capacitance.tolist(),
        "inverse_inductance_per_H": model.inverse_inductance.tolist(),
        "conductance_added_S": model.added,
        "tried": [{"pairs": n, "difference": apart} for n, apart in found.fit.tried],
        "tolerance": found.tolerance,
        "difference_relative": found.reached,
        **fit_files.closing(found.difference, place, files, [*told, CAUTION]),
    }


def _show(found: FittedRational, written: list[Path], told: list[str]) -> None:
    model, f = found.fit.model, found.fit.frequency
    rms, largest = found.difference
    labelled("Data", f"{found.source}, {f.size} points, {f[0] / 1e6:.6g} to {f[-1] / 1e6:.6g} MHz")
    labelled("Model", f"{model.poles.size} pairs of poles of {model.ports} port(s), passive")
    labelled(
        "Apart",
        f"S by {rms:.3g} rms, {largest:.3g} at most; an entry by {found.reached:.2g} of its peak",
    )
    fit_files.show_end(told, CAUTION, written)
