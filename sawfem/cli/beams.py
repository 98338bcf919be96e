"""Beams between transducers as tables."""

from __future__ import annotations

import math
from collections.abc import Iterable

from sawfem.cli.screen import labelled, show, table
from sawfem.device.beams import BeamPair
from sawfem.quantities import entry
from sawfem.units import format_quantity


def show_beams(pairs: Iterable[BeamPair]) -> None:
    """One table for each pair of transducers: figures, their errors, what they were made of."""
    for pair in pairs:
        rows = []
        for name, quantity in pair.figures.items():
            number, error, unit = quantity.parts()
            moved = pair.material.get(name)
            shown = "" if moved is None else format_quantity(moved, entry(name).unit, digits=2)
            rows.append((f"  {entry(name).label}", number, error, unit, shown))
        show()
        title = f"Beam of {pair.track}, {pair.source} to {pair.receiver}"
        off = f"+-{pair.misalignment:g} deg off" if pair.material else ""
        table((title, "value", "numerical", "", off), rows, right=(1, 2, 4))
        used = "in the response" if pair.applied else "not in the response: diffraction = true"
        at = format_quantity(pair.frequency, "Hz", digits=6)
        labelled("", f"at {at}, one way, {pair.surface} surface between the transducers; {used}")
        distance = pair.figures["transducer_distance"].value.real
        fresnel = pair.figures.get("fresnel_distance")
        if fresnel is not None and math.isfinite(fresnel.value.real):
            labelled("", f"{distance / fresnel.value.real:.3g} Fresnel distances apart")
