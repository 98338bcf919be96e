"""Further lines of ``sawfem cut``: losses of the materials, sensitivity, dispersion."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sawfem.cli.screen import labelled, show, table

if TYPE_CHECKING:
    from sawfem.cuts import CutResult
    from sawfem.cuts.dispersed import DispersionResult

#: Constants of the sensitivity that are listed, the largest first.
LISTED = 8
#: Frequencies of a branch that the table shows.
ROWS = 7


def show_losses(answer: CutResult) -> None:
    """Attenuation by the materials and uncertainty of the velocity, where a set knows of them."""
    from sawfem.cuts import quality_factor

    for wave, character in zip(answer.waves, answer.characters, strict=True):
        name = f"{wave.kind} {character.label}".strip()
        lost = character.values["attenuation_material"]
        if lost is not None:
            q = quality_factor(wave, character)
            told = "" if q is None else f", Q {q:.4g} with radiation"
            labelled("Materials", f"{name}: {lost:.4g} dB/wavelength by the materials{told}")
        spread = character.values["velocity_uncertainty"]
        if spread is not None:
            largest = ", ".join(
                f"{key} {value:.2g}" for key, value in list(character.contributions.items())[:4]
            )
            labelled("Constants", f"{name}: velocity ± {spread:.3g} m/s ({largest})")


def show_sensitivity(answer: CutResult) -> None:
    """Largest exponents d ln v / d ln p of every wave."""
    from sawfem.planewave.sensitivity import ANGLES

    for wave, character in zip(answer.waves, answer.characters, strict=True):
        told = character.sensitivity
        if told is None:
            continue
        names = [n for n in told.derivatives if n.rpartition(".")[2] not in ANGLES]
        names.sort(key=lambda name: -abs(told.relative(name)))
        shown = ", ".join(f"{name} {told.relative(name):+.3g}" for name in names[:LISTED])
        labelled("Sensitive", f"{wave.kind}: d ln v / d ln of {shown}")


def show_dispersion(found: DispersionResult) -> None:
    """Phase and group velocity of every branch at some frequencies."""
    import numpy as np

    from sawfem.units import format_quantity

    for branch in found.branches:
        cut_off = (
            "" if branch.cut_off is None else f", from {format_quantity(branch.cut_off, 'Hz')}"
        )
        places = np.unique(np.linspace(0, branch.frequency.size - 1, ROWS).astype(int))
        rows = [
            (
                f"  {branch.frequency[i] / 1e6:.6g}",
                f"{branch.frequency_thickness[i]:.6g}",
                f"{branch.phase_velocity[i]:.2f}",
                f"{branch.group_velocity[i]:.2f}",
            )
            for i in places
            if np.isfinite(branch.phase_velocity[i])
        ]
        heads = (f"{branch.kind}{cut_off}", "f h (Hz m)", "phase (m/s)", "group (m/s)")
        table((f"MHz: {heads[0]}", *heads[1:]), rows, right=(1, 2, 3))
        show()
