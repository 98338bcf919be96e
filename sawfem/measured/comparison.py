"""A measurement beside what was computed for the same frequencies and terminations.

The computed response is solved anew at the measured frequencies, nothing is interpolated; the
measured S is referred to the device's own terminations. Frequencies of figures are read from the
samples of both in the same way, so that a coarse sweep moves both alike.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np

from sawfem.device.network import scattering_to_admittance
from sawfem.device.pmatrix import ComplexArray, FloatArray
from sawfem.device.transversal import passband_figures
from sawfem.errors import InputError
from sawfem.measured.embedding import referred
from sawfem.quantities import Quantity
from sawfem.touchstone import TouchstoneData

#: Fewest frequencies inside the computed band that make a comparison.
FEWEST = 3


@dataclass(frozen=True, eq=False)
class MeasuredComparison:
    """One measurement and the computed response.

    Attributes
    ----------
    name, file : of the measurement.
    frequency : (K,) in hertz, increasing. measured, computed : S (K, n, n), power waves.
    reference : (K, n) in ohm, of both.
    figures : differences, by their names in the table of quantities.
    reasons : why a figure is missing. removed : what was taken off the measurement, in words.
    """

    name: str
    file: str
    frequency: FloatArray
    measured: ComplexArray
    computed: ComplexArray
    reference: ComplexArray
    figures: Mapping[str, Quantity] = field(default_factory=dict)
    reasons: Mapping[str, str] = field(default_factory=dict)
    removed: str = ""

    def admittance(self, which: ComplexArray) -> ComplexArray:
        """Y (K, n, n) in siemens of ``measured`` or ``computed``."""
        return scattering_to_admittance(which, self.reference)


def compare(
    name: str,
    data: TouchstoneData,
    reference: ComplexArray,
    band: tuple[float, float],
    computed: Callable[[FloatArray], ComplexArray],
    *,
    removed: str = "",
) -> MeasuredComparison:
    """Hold a measurement against a computed response.

    Parameters
    ----------
    data : with whatever was in the way already taken off.
    reference : (n,) in ohm, terminations of the device.
    band : Hz; measured frequencies outside are left aside.
    computed : frequencies (K,) -> S (K, n, n) between those terminations.

    Raises InputError for another count of ports and for too few frequencies inside the band.
    """
    if data.ports != reference.size:
        raise InputError(
            file=data.file,
            found=f"{data.ports} port{'s' if data.ports > 1 else ''}",
            expected=f"{reference.size}, as the device has",
        )
    inside = (data.frequency >= band[0]) & (data.frequency <= band[1])
    if np.count_nonzero(inside) < FEWEST:
        raise InputError(
            file=data.file,
            found=f"{np.count_nonzero(inside)} frequencies inside the computed band",
            expected=f"{FEWEST} or more from {band[0] / 1e6:.6g} to {band[1] / 1e6:.6g} MHz",
        )
    f = data.frequency[inside]
    to = np.array(np.broadcast_to(reference.astype(complex), (f.size, reference.size)))
    s = referred(data.scattering[inside], data.reference[inside], to)
    model = computed(f)
    figures, reasons = differences(f, s, model, to)
    return MeasuredComparison(name, data.file, f, s, model, to, figures, reasons, removed)


def differences(
    frequency: FloatArray, measured: ComplexArray, computed: ComplexArray, reference: ComplexArray
) -> tuple[dict[str, Quantity], dict[str, str]]:
    """Figures of two responses at the same frequencies, and reasons for missing ones."""
    apart = np.abs(measured - computed)
    largest = np.unravel_index(int(np.argmax(apart)), apart.shape)
    values = {
        "measured_difference": float(np.sqrt(np.mean(apart**2))),
        "measured_difference_largest": float(apart[largest]),
        "measured_difference_frequency": float(frequency[largest[0]]),
    }
    reasons: dict[str, str] = {}
    pairs: dict[str, tuple[float | None, float | None]] = {}
    if measured.shape[-1] == 1:
        for name, peak in (("resonance", _conductance), ("antiresonance", _resistance)):
            both = [_peak(frequency, peak(s, reference)) for s in (measured, computed)]
            pairs[f"measured_{name}_shift"] = (both[0], both[1])
    else:
        both_figures = [passband_figures(frequency, s[:, 1, 0])[0] for s in (measured, computed)]
        least = [figures.get("insertion_loss") for figures in both_figures]
        if least[0] is not None and least[1] is not None:
            values["measured_loss_difference"] = float(least[0]) - float(least[1])
        centres = [figures.get("centre_frequency") for figures in both_figures]
        first, second = (None if c is None else float(c) for c in centres)
        pairs["measured_centre_shift"] = (first, second)
    for name, (found, expected) in pairs.items():
        if found is None or expected is None:
            whose = "the measurement" if found is None else "the computed response"
            what = name.removeprefix("measured_").removesuffix("_shift")
            reasons[name] = f"{whose} has no {what} among these frequencies"
        else:
            values[name] = found / expected - 1.0
    return {name: Quantity.of(name, value) for name, value in values.items()}, reasons


def _conductance(s: ComplexArray, reference: ComplexArray) -> FloatArray:
    return np.asarray(scattering_to_admittance(s, reference)[:, 0, 0].real)


def _resistance(s: ComplexArray, reference: ComplexArray) -> FloatArray:
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray((1.0 / scattering_to_admittance(s, reference)[:, 0, 0]).real)


def _peak(frequency: FloatArray, height: FloatArray) -> float | None:
    """Frequency of the largest sample, by the parabola through it and its neighbours, or None.

    A sample at either end is no peak.
    """
    at = int(np.argmax(height))
    if not 0 < at < height.size - 1:
        return None
    x = frequency[at - 1 : at + 2] - frequency[at]
    a, b, _ = np.polyfit(x, height[at - 1 : at + 2], 2)
    return float(frequency[at] + (-0.5 * b / a if a < 0.0 else 0.0))
