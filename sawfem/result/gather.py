"""From what was computed to what is kept: gratings, devices and checks of a result."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sawfem.device.response import Response
from sawfem.extract.coupled import two_mode_admittance as two_mode_admittance
from sawfem.extract.edges import sampled_admittance
from sawfem.extract.grating import GratingSolution
from sawfem.extract.oblique_grating import ObliqueWaves
from sawfem.quantities import json_safe
from sawfem.result.container import DeviceResult, GratingResult, Port
from sawfem.unitcell.dispersionmap import DispersionMap
from sawfem.unitcell.drawing import CellDrawing, draw_mesh
from sawfem.unitcell.fields import driven_field, edge_names, mode_shape
from sawfem.unitcell.stopband import StopBand

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

#: Share of the stop band's width that the harmonic admittance is sampled beyond its edges.
MARGIN = 0.75


def grating_result(
    name: str,
    solution: GratingSolution,
    *,
    samples: int = 241,
    shapes: bool = True,
    driven: bool = False,
    temperature: Mapping[str, Mapping[str, float]] | None = None,
    dispersion: DispersionMap | None = None,
    oblique: ObliqueWaves | None = None,
) -> GratingResult:
    """The result of a solved grating: admittance over its stop band and shapes of its edges.

    Parameters
    ----------
    name : of the grating. solution : what :func:`sawfem.extract.solve_grating` returns.
    samples : frequencies of the harmonic admittance, besides those beside each edge.
    shapes : False leaves the mode shapes out.
    temperature : drift of the constants (:meth:`sawfem.extract.derivatives.Derivatives.drift`).
    dispersion, oblique : map of the grating and its oblique waves, where there are any.
    driven : True adds the field that the electrodes drive at :func:`driven_frequency`.
    """
    band = solution.band
    frequency = _sampled_frequencies(band, samples)
    fitted = solution.picture is not None
    return GratingResult(
        name=name,
        constants=solution.constants,
        waves=tuple(solution.waves),
        frequency=frequency,
        harmonic_admittance=sampled_admittance(band.model, frequency),
        two_mode_admittance=(
            two_mode_admittance(solution.constants.com(), frequency, share=band.share)
            if fitted
            else None
        ),
        losses=_losses(solution),
        temperature=temperature or {},
        cell=_drawing(band),
        dispersion=dispersion,
        oblique=oblique,
        modes=(
            *(mode_shape(band, edge) for edge in edge_names(band).values() if shapes),
            *([driven_field(band, driven_frequency(band))] if driven else []),
        ),
    )


def _drawing(band: StopBand) -> CellDrawing:
    """Materials and mesh of the cell that was solved."""
    solved = band.model.system.discretisation
    return draw_mesh(solved.cell, solved.mesh, solved.settings.order)


def _losses(solution: GratingSolution) -> dict[str, dict[str, float]]:
    """Edge -> mechanism -> dB per wavelength; empty where no material has losses."""
    if solution.losses is None:
        return {}
    names = edge_names(solution.band)
    return {name: solution.losses.by_mechanism(number) for number, name in enumerate(names)}


def driven_frequency(band: StopBand) -> float:
    """Where the driven field is shown: halfway from resonance to antiresonance, in hertz.

    There a lossless grating answers with a finite field that the wave dominates. Without an
    antiresonance, 1 % above the resonance.
    """
    resonance = band.resonance.frequency.real
    if band.antiresonance is None:
        return float(1.01 * resonance)
    return float(0.5 * (resonance + band.antiresonance.frequency.real))


def _sampled_frequencies(band: StopBand, samples: int) -> Array:
    """Frequencies over the stop band and beyond it, closer together beside every edge."""
    edges = np.array([edge.frequency.real for edge in (*band.shorted, *band.open)])
    width = max(float(np.ptp(edges)), 1e-4 * float(edges.mean()))
    low, high = float(edges.min()) - MARGIN * width, float(edges.max()) + MARGIN * width
    near = [onset for onset in band.onsets if high < onset < high + 2.0 * width]
    if near:  # a bulk wave that starts close by is worth seeing
        high = near[0] + 0.3 * width
    beside = width * np.geomspace(1e-4, 0.03, 16)
    every = np.concatenate(
        [np.linspace(low, high, samples), *[edge + beside for edge in edges]]
        + [edge - beside for edge in edges]
    )
    every = np.unique(every)
    apart = np.min(np.abs(every[:, None] - edges), axis=1) > 0.5e-4 * width
    return np.asarray(every[apart])


def device_result(
    kind: str,
    response: Response,
    description: Mapping[str, Any] | None = None,
    names: Sequence[str] | None = None,
) -> DeviceResult:
    """The result of a device from its response.

    Ports are called "1", "2", ... unless ``names`` says otherwise; their impedances are the
    references of the response (at its first frequency).
    """
    chosen = names or [str(number + 1) for number in range(response.ports)]
    ports = [Port(name, complex(z)) for name, z in zip(chosen, response.reference[0], strict=False)]
    return DeviceResult(kind, response, tuple(ports), json_safe(description or {}))


def collect_checks(
    solutions: Mapping[str, GratingSolution], response: Response | None = None
) -> dict[str, dict[str, Any]]:
    """All checks of a run: "GRATING.check" and "device.check" -> value, limit, ok."""
    found: dict[str, dict[str, Any]] = {}
    for name, solution in solutions.items():
        for check, (value, limit) in solution.checks.items():
            ok = bool(value <= limit)
            found[f"{name}.{check}"] = {"value": float(value), "limit": float(limit), "ok": ok}
    for check, item in (response.checks if response else {}).items():
        found[f"device.{check}"] = {
            "value": float(item.value),
            "limit": float(item.limit),
            "ok": bool(item.ok),
        }
    return found
