"""The dispersion map of a grating, where a case asks for it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np

from sawfem.extract import GratingSolution
from sawfem.extract.grating import two_meshes
from sawfem.unitcell.certified import CellModel
from sawfem.unitcell.dispersionmap import DispersionMap, dispersion_map

#: Frequencies over the resonance, and phases over pi, measured from that of the stop band.
BAND = (0.82, 1.16)
REACH = 0.35
#: First phase beside a stop band at 2 pi, folded to 0, radians: edges move by its square.
LEAST_PHASE = 1e-5
#: Points of the map.
FREQUENCIES, PHASES = 141, 71
#: Bound on the error of Y that the reduced models make, below what their meshes do.
TOLERANCE = 1e-6
#: Files that keep the finished rows of the maps of an unfinished run, beside its folder.
ROWS = ".dispersion.sqlite"


def rows_file(folder: Path, name: str) -> Path:
    """Where the finished rows of a grating's map are kept until its run is whole."""
    return folder.with_name(f".{folder.name}.{name}{ROWS}")


def grating_dispersion(
    solution: GratingSolution,
    connections: tuple[str, ...] | None,
    report: Callable[[str, int, int], None],
    kept: Path | None = None,
) -> DispersionMap:
    """Map around the stop band of a solved grating, on the mesh that its accuracy needed, and its
    distance to that on the mesh before.

    Parameters
    ----------
    connections : of the electrodes, "hot", "ground" or "floating"; None drives the only one.
    report : called as report(stage, done, total).
    kept : file of finished rows, from which an interrupted map goes on.
    """
    band = solution.band
    resonance = band.resonance.frequency.real
    at_pi = abs(abs(band.model.system.phase) - np.pi) < 1e-6
    phases = ((1.0 - REACH) * np.pi, np.pi) if at_pi else (LEAST_PHASE, REACH * np.pi)
    stage = "dispersion map"
    fine, coarse = (
        CellModel(
            solution.cell,
            (BAND[0] * resonance, BAND[1] * resonance),
            phases,
            tolerance=TOLERANCE,
            mesh=mesh,
            progress=_share(report, stage, start, 50.0),
        )
        for start, mesh in zip((0.0, 50.0), two_meshes(solution), strict=True)
    )
    tied = connections or ("hot",)
    return dispersion_map(
        fine,
        np.linspace(*fine.region.frequencies, FREQUENCIES),
        np.linspace(*phases, PHASES),
        driven=[index for index, kind in enumerate(tied) if kind == "hot"],
        floating=[index for index, kind in enumerate(tied) if kind == "floating"],
        coarser=coarse,
        kept=kept,
        progress=_share(report, stage, 100.0, 100.0),
    )


def _share(
    report: Callable[[str, int, int], None], stage: str, start: float, width: float
) -> Callable[[float, float], None]:
    """Progress of a part of the 200 steps of a map."""

    def tell(done: float, total: float) -> None:
        report(stage, min(round(start + width * done / total), 200), 200)

    return tell
