"""Transverse modes of a case's resonator: from its solved grating to spurious responses by name."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np

from sawfem.case import ResolvedCase, ResolvedResonatorDevice
from sawfem.device.assembly import ResonatorPart
from sawfem.device.response import Response
from sawfem.device.transverse_cell import resonator_regions
from sawfem.device.transverse_study import (
    TransverseLayout,
    TransverseStudy,
    study_transverse_modes,
)
from sawfem.errors import SawfemError
from sawfem.extract import GratingSolution
from sawfem.pipeline.circuits import CircuitSetting
from sawfem.quantities import Quantity

#: Width of a bus-bar in wavelengths where the case leaves it to the program.
BUSBAR = 10.0
#: Apertures over that of the case, and how many, where the case leaves them to the program.
APERTURES = (0.25, 1.5)
COUNT = 31

#: progress(stage, done, total).
Progress = Callable[[str, int, int], None]


def solve_transverse(
    case: ResolvedCase,
    setting: CircuitSetting,
    solutions: Mapping[str, GratingSolution],
    response: Response,
    report: Progress = lambda stage, done, total: None,
) -> tuple[TransverseStudy | None, Response, tuple[str, ...]]:
    """The modes across a resonator, its response, with them where the case asks, and warnings.

    None, with a warning, where the wave cannot be followed across: a leaky wave that meets the
    onset of a bulk wave, curvatures of unlike sign.
    """
    asked, device = case.transverse, case.device
    if asked is None or not isinstance(device, ResolvedResonatorDevice):
        return None, response, ()
    part = next(p for p in setting.circuit.parts.values() if isinstance(p, ResonatorPart))
    solution = solutions[part.grating]
    wavelength = 2.0 * solution.cell.period
    layout = TransverseLayout(
        BUSBAR * wavelength if asked.busbar is None else asked.busbar,
        asked.gap,
        asked.dummy,
        asked.overlaps,
    )
    own = part.resonator.aperture
    apertures = np.asarray(asked.apertures or np.linspace(*APERTURES, COUNT) * own)
    report("transverse modes", 0, 1)
    try:
        study, with_modes = study_transverse_modes(
            part.resonator,
            solution.constants.com(),
            resonator_regions(solution),
            layout,
            frequency=response.frequency,
            apertures=np.maximum(apertures, wavelength),
            reflector=solutions[part.mirror].constants.com(),
        )
    except SawfemError as error:
        report("transverse modes", 1, 1)
        return None, response, (f"transverse modes were not computed: {error.message}",)
    report("transverse modes", 1, 1)
    warnings = [f"transverse modes: {text}" for text in study.remarks]
    if asked.busbar is None:
        warnings.append(
            f"transverse modes: no transverse.busbar_width is given, {BUSBAR:g} wavelengths taken"
        )
    if not device.transverse_modes:
        return study, response, tuple(warnings)
    if with_modes is None:
        warnings.append("no transverse mode is guided: the response is that without them")
        return study, response, tuple(warnings)
    warnings.append(
        "the response has the guided transverse modes; the specification, the shares of power and "
        "a second model are those of a wave of uniform amplitude across the aperture"
    )
    return study, _completed(with_modes, response, study), tuple(warnings)


def _completed(with_modes: Response, plain: Response, study: TransverseStudy) -> Response:
    """The response with modes, with the figures that they leave alone and all error bars."""
    figures = {
        name: plain.figures[name] for name in plain.figures if name not in with_modes.figures
    }
    main = study.main
    moved = 0.0 if main is None else float(study.errors[main.number - 1])
    for name, figure in with_modes.figures.items():
        known = plain.figures[name].uncertainty if name in plain.figures else None
        more = moved if name in ("resonance", "antiresonance") and np.isfinite(moved) else 0.0
        figures[name] = Quantity.of(name, figure.value, None if known is None else known + more)
    reasons = {name: text for name, text in plain.reasons.items() if name not in figures}
    return replace(
        with_modes,
        figures={name: figures[name] for name in (*plain.figures, *figures) if name in figures},
        reasons={**reasons, **with_modes.reasons},
        checks={**plain.checks, **with_modes.checks},
    )
