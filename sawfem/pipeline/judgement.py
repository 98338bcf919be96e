"""What the device model leaves out, said where it matters: warnings, and figures withdrawn.

The two coupled modes know the edges of the stop band with the loss of each, and a capacitance with
its slope and loss. They do not know another wave in the band, or what is radiated beyond a bulk
onset.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from sawfem.device import Response
from sawfem.extract import GratingConstants, GratingSolution
from sawfem.extract.edges import FIT_ERROR

#: Misfit of the two-mode picture beyond which it is worth a warning.
MISFIT = 0.03

_RESONANCE = (
    "resonance",
    "peak_conductance",
    "quality_factor_resonance",
    "quality_factor_resonance_phase_slope",
    "quality_factor_resonance_energy",
    "motional_resistance",
    "motional_inductance",
    "motional_capacitance",
)
_ANTIRESONANCE = (
    "antiresonance",
    "coupling_k2_effective",
    "peak_resistance",
    "quality_factor_antiresonance",
    "quality_factor_antiresonance_phase_slope",
    "quality_factor_antiresonance_energy",
)


def grating_warnings(solution: GratingSolution) -> list[str]:
    """What a reader of the constants must know of the two-mode picture."""
    constants, picture = solution.constants, solution.picture
    if picture is None or constants.fit_misfit is None or constants.fit_misfit <= MISFIT:
        return []
    low, high = (edge / 1e6 for edge in picture.band)
    off = np.abs(picture.exact / picture.model - 1.0)
    edges = [edge.frequency.real for edge in (*solution.band.shorted, *solution.band.open)]
    near = np.min(np.abs(picture.frequency[:, None] - edges), axis=1)
    off[near < 0.02 * (picture.band[1] - picture.band[0])] = 0.0
    worst = picture.frequency[int(np.argmax(off))] / 1e6
    return [
        f"two coupled modes miss the admittance of the grating by up to "
        f"{100.0 * constants.fit_misfit:.1f} % over nine tenths of {low:.1f} to {high:.1f} MHz, "
        f"most near {worst:.1f} MHz (another wave, or radiation); a device is no better there"
        f"{_within(constants)}"
    ]


def _within(constants: GratingConstants) -> str:
    """Where the picture is good to 1 per cent, as the end of a sentence."""
    if constants.fit_range is None:
        return ""
    low, high = (edge / 1e6 for edge in constants.fit_range)
    return f". From {low:.1f} to {high:.1f} MHz they hold to {100.0 * FIT_ERROR:g} %"


def bulk_warning(onset: float, name: str = "", *, second_model: bool = False) -> str:
    """That a grating radiates above ``onset`` (Hz), and which models know of it."""
    grating = f"the grating {name}" if name else "the grating"
    told = (
        f"above {onset / 1e6:.2f} MHz {grating} radiates bulk waves, which the response, by "
        "coupling of modes, leaves out"
    )
    return told + ("; the second model, in its own band, has them" if second_model else "")


def _own_resonance(constants: GratingConstants, low: float, high: float) -> list[str]:
    """That the edge at which the grating resonates lies beside the band, if it does."""
    edge = constants.stopband_short[("lower", "upper").index(constants.resonant_edge)]
    if edge is None or low <= edge <= high:
        return []
    return [
        f"the band, {low / 1e6:.2f} to {high / 1e6:.2f} MHz, leaves out {edge / 1e6:.2f} MHz, "
        "where the grating resonates: a peak inside the band may be a side lobe"
    ]


def judged(
    response: Response,
    constants: GratingConstants,
    propagation_loss: float,
    *,
    second_model: bool = False,
) -> tuple[Response, list[str]]:
    """A resonator's response without the figures that the model cannot give, and why.

    Parameters
    ----------
    response : of the device. constants : of its grating.
    propagation_loss : dB/s, what the case takes for it.
    second_model : whether the device is computed by sums over its electrodes as well.
    """
    withdrawn: dict[str, str] = {}
    warnings: list[str] = []
    low, high = float(response.frequency[0]), float(response.frequency[-1])
    edges = (*constants.stopband_short, *constants.stopband_open)
    known = [edge for edge in edges if edge is not None]
    if min(known) > high or max(known) < low:
        reason = (
            f"the band does not hold the stop band of the grating, {min(known) / 1e6:.2f} to "
            f"{max(known) / 1e6:.2f} MHz"
        )
        withdrawn |= dict.fromkeys((*_RESONANCE, *_ANTIRESONANCE), reason)
        warnings.append(f"{reason}: no resonance is reported")
    else:
        warnings += _own_resonance(constants, low, high)
    onset = constants.next_bulk_onset
    if onset is not None and low < onset < high:
        warnings.append(bulk_warning(onset, second_model=second_model))
    if propagation_loss == 0.0:
        warnings.append("no device.propagation_loss is given: quality factors are upper bounds")
    figures = {name: q for name, q in response.figures.items() if name not in withdrawn}
    reasons = {name: text for name, text in withdrawn.items() if name in response.figures}
    return replace(response, figures=figures, reasons={**response.reasons, **reasons}), warnings
