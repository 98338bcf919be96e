"""The dispersion map of a grating, where a case asks for it."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from sawfem.extract import GratingSolution
from sawfem.extract.grating import MESHES
from sawfem.unitcell.certified import CellModel
from sawfem.unitcell.dispersion import DispersionMap, dispersion_map

#: Frequencies over the resonance, and phases over pi, measured from that of the stop band.
BAND = (0.82, 1.16)
REACH = 0.35
#: Points of the map.
FREQUENCIES, PHASES = 141, 71
#: Bound on the error of Y that the reduced model makes; that of its mesh is near 1e-3.
TOLERANCE = 1e-6


def grating_dispersion(
    solution: GratingSolution,
    connections: tuple[str, ...] | None,
    report: Callable[[str, int, int], None],
) -> DispersionMap:
    """Map around the stop band of a solved grating.

    Parameters
    ----------
    connections : of the electrodes, "hot", "ground" or "floating"; None drives the only one.
    report : called as report(stage, done, total).
    """
    band = solution.band
    resonance = band.resonance.frequency.real
    at_pi = abs(abs(band.model.system.phase) - np.pi) < 1e-6
    phases = ((1.0 - REACH) * np.pi, np.pi) if at_pi else (1e-3, REACH * np.pi)
    stage = "dispersion map"

    def tell(done: float, total: float) -> None:
        report(stage, round(100.0 * done / total), 200)

    def tell_map(done: float, total: float) -> None:
        report(stage, 100 + round(100.0 * done / total), 200)

    report(stage, 0, 200)
    model = CellModel(
        solution.cell,
        (BAND[0] * resonance, BAND[1] * resonance),
        phases,
        tolerance=TOLERANCE,
        mesh=MESHES[0],
        progress=tell,
    )
    tied = connections or ("hot",)
    return dispersion_map(
        model,
        np.linspace(*model.region.frequencies, FREQUENCIES),
        np.linspace(*phases, PHASES),
        driven=[index for index, kind in enumerate(tied) if kind == "hot"],
        floating=[index for index, kind in enumerate(tied) if kind == "floating"],
        progress=tell_map,
    )
