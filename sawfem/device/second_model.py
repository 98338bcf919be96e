"""One device through two models: coupling of modes, and sums over electrodes.

The transducer of the device works between reflectors that go on for ever, without gaps, in both.
The first model has the closed form of its sections (sawfem/device/section.py), the second the
mutual admittances of the electrodes (sawfem/device/finite_array.py), which know of no modes, no
reflection per electrode and no fitted capacitance. Both have the same loss of the waves. Finger
resistance is in neither.

What differs is what coupling of modes leaves out or smooths: waves beside the main one, bulk waves
that a finite transducer radiates, charges at the ends, and how well two modes with constant
coefficients meet the harmonic admittance of the grating away from phase pi.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sawfem.design import UnitCell
from sawfem.device.description import ELECTRODES_PER_CELL, Resonator, Transversal
from sawfem.device.endless_array import MutualAdmittances, mutual_admittances
from sawfem.device.finite_array import ElectrodeSet, array_admittance
from sawfem.device.pmatrix import cascade
from sawfem.device.section import grating_section, transducer_section
from sawfem.errors import GeometryError
from sawfem.extract.constants import ComConstants
from sawfem.quantities import Quantity
from sawfem.unitcell.certified import CellModel

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
#: progress(done, total).
Progress = Callable[[int, int], None]

#: Strips of a reflector that stands for an endless one; the closed form costs the same.
ENDLESS = 1_000_000
#: Largest quality factor of the waves: sharper lines would need more frequencies.
LARGEST_QUALITY = 2000.0
#: Tolerance of the cell's reduced model; far below that of the mutual admittances.
CELL_TOLERANCE = 1.0e-6
#: Frequencies over the band, and beside each peak, where they reach REACH line widths f/Q.
OVER_BAND = 33
BESIDE_PEAK = 17
REACH = 2.5
#: The two are compared farther than so many line widths from either peak.
APART = 2.0


@dataclass(frozen=True, eq=False)
class ModelComparison:
    """A transducer between endless reflectors by both models.

    Attributes
    ----------
    name : "resonator", "input", "output".
    frequency : (F,) Hz.
    coupled, summed : (F,) S, coupling of modes and sum over electrodes.
    damping : Hz; both models have the quality factor f / (2 damping) for their waves.
    fit_band : Hz, where the constants of coupling of modes were fitted, or None.
    peaks : resonance and antiresonance in Hz, each (coupled, summed); empty for a transducer that
        has no such pair in the band.
    error : largest distance of two successive rational functions (sawfem/device/endless_array.py).
    phases : of all frequencies together.
    """

    name: str
    frequency: Array
    coupled: Complex
    summed: Complex
    damping: float
    fit_band: tuple[float, float] | None
    peaks: tuple[tuple[float, float], ...] = ()
    error: float = 0.0
    phases: int = 0

    @property
    def quality_factor(self) -> float:
        """Of the waves at the middle of the band."""
        return float(np.mean(self.frequency[[0, -1]]) / (2.0 * self.damping))

    @property
    def difference(self) -> Array:
        """|Y| of the sum over |Y| of coupling of modes, dB, (F,)."""
        return np.asarray(20.0 * np.log10(np.abs(self.summed / self.coupled)))

    @property
    def apart(self) -> NDArray[np.bool_]:
        """Frequencies in the band of the fit, farther than 2 f/Q from either peak, (F,)."""
        kept = self._fitted()
        for peak in np.ravel(self.peaks):
            kept &= np.abs(self.frequency - peak) > APART * 2.0 * self.damping
        return np.asarray(kept)

    @property
    def conductance_ratio(self) -> float:
        """Integral of G over the band by the sum, over that by coupling of modes."""
        kept = self._fitted()
        f = self.frequency[kept]
        summed = np.trapezoid(self.summed.real[kept], f)
        return float(summed / np.trapezoid(self.coupled.real[kept], f))

    def _fitted(self) -> NDArray[np.bool_]:
        """Frequencies in the band of the fit."""
        low, high = self.fit_band or (0.0, np.inf)
        return np.asarray((self.frequency >= low) & (self.frequency <= high))

    def figures(self) -> dict[str, Quantity]:
        """Difference and ratio; resonance and antiresonance by the second model."""
        found: dict[str, float] = {"second_model_conductance": self.conductance_ratio}
        if np.any(self.apart):
            off = self.difference[self.apart]
            found["second_model_difference"] = float(off[np.argmax(np.abs(off))])
        for name, pair in zip(("resonance", "antiresonance"), self.peaks, strict=False):
            found[f"second_model_{name}_shift"] = pair[1] / pair[0] - 1.0
        return {name: Quantity.of(name, value) for name, value in found.items()}


def endless_transducer(
    constants: ComConstants,
    cells: int,
    aperture: float,
    frequency: Array,
    *,
    damping: float,
    open_strips: tuple[int, int] = (0, 0),
) -> Complex:
    """Y(f) in S, (F,), of coupling of modes for a transducer in an endless shorted grating.

    ``cells`` half wavelengths; ``damping`` in Hz is added to the loss of the constants;
    ``open_strips`` isolated ones stand next to the transducer on either side.
    """
    alpha = 2.0 * np.pi * damping / constants.velocity
    lossy = replace(constants, attenuation=constants.attenuation + alpha)
    ends = grating_section(lossy, ENDLESS, frequency)
    left, right = (
        [grating_section(lossy, count, frequency, connection="open")] if count else []
        for count in open_strips
    )
    driven = transducer_section(lossy, cells, aperture, frequency)
    return cascade([ends, *left, driven, *right, ends]).admittance[:, 0, 0]


def compare_models(
    device: Resonator | Transversal,
    constants: ComConstants,
    cell: UnitCell,
    *,
    fit_band: tuple[float, float] | None = None,
    frequency: Array | None = None,
    progress: Progress | None = None,
) -> tuple[ModelComparison, ...]:
    """The transducers of a device by both models; one comparison, or two for a transversal filter.

    Parameters
    ----------
    constants : of the device's grating, as its own model takes them.
    cell : the unit cell of that grating, one electrode a period.
    fit_band : Hz, where the constants were fitted.
    frequency : (F,) in hertz; None chooses some 70 over the band of the fit, or the main lobe
        of a transducer of a transversal filter.

    Raises
    ------
    GeometryError : a cell of several electrodes. ConvergenceError : the sums do not settle.
    """
    if len(cell.electrodes) != 1:
        raise GeometryError(
            key="grating.electrode",
            found=f"{len(cell.electrodes)} electrodes a period",
            expected="one, for the second model",
        )
    jobs = [
        _Job.of(device, constants, number, fit_band, frequency)
        for number in range(1 if isinstance(device, Resonator) else 2)
    ]
    if len(jobs) == 2 and jobs[0].same_as(jobs[1]):
        jobs = jobs[:1]
    total = sum(job.frequency.size for job in jobs)
    report = progress or (lambda done, total: None)
    report(0, total)
    low = min(float(job.frequency.min()) for job in jobs)
    high = max(float(job.frequency.max()) for job in jobs)
    model = CellModel(cell, (0.999 * low, 1.001 * high), tolerance=CELL_TOLERANCE, losses=False)
    done, found = 0, []
    for job in jobs:
        mutual = []
        for f in job.frequency:
            mutual.append(mutual_admittances(model, float(f), job.damping, job.electrodes.size))
            done += 1
            report(done, total)
        found.append(job.compared(mutual))
    return tuple(found)


@dataclass(frozen=True, eq=False)
class _Job:
    """One transducer: its electrodes, its frequencies and its first model."""

    name: str
    electrodes: ElectrodeSet
    aperture: float
    damping: float
    fit_band: tuple[float, float] | None
    frequency: Array
    coupled: Callable[[Array], Complex]
    peaks: tuple[float, ...]

    @classmethod
    def of(
        cls,
        device: Resonator | Transversal,
        constants: ComConstants,
        number: int,
        fit_band: tuple[float, float] | None,
        frequency: Array | None,
    ) -> _Job:
        centre = constants.centre_frequency
        given = device.attenuation * constants.velocity / (2.0 * np.pi)
        damping = max(given, centre / (2.0 * LARGEST_QUALITY))
        open_strips = (0, 0)
        if isinstance(device, Resonator):
            name, fingers, sequence = "resonator", device.fingers, "+-"
            if device.reflector_connection == "open":
                open_strips = device.reflector_fingers
        else:
            name, sequence = ("input", "output")[number], device.polarity[number]
            fingers = device.fingers[number]
        per_cell = ELECTRODES_PER_CELL[sequence]
        before, after = ("f" * per_cell * count for count in open_strips)
        driven = ElectrodeSet.transducer(fingers, sequence).pattern
        electrodes = ElectrodeSet(before + driven + after)

        def coupled(f: Array) -> Complex:
            return endless_transducer(
                constants,
                fingers // per_cell,
                device.aperture,
                f,
                damping=damping,
                open_strips=open_strips,
            )

        if isinstance(device, Resonator):
            band = fit_band or (0.98 * centre, 1.02 * centre)
            peaks = _first_peaks(coupled, band)
        else:  # the main lobe is f0 (1 +- 1/N) wide for N pairs
            share = min(0.4, 4.0 * per_cell / fingers)
            band, peaks = (centre * (1.0 - share), centre * (1.0 + share)), ()
        if frequency is None:
            frequency = _frequencies(band, peaks, damping)
        kept = fit_band if isinstance(device, Resonator) else None
        return cls(name, electrodes, device.aperture, damping, kept, frequency, coupled, peaks)

    def same_as(self, other: _Job) -> bool:
        """Whether two transducers are equal."""
        return self.electrodes == other.electrodes

    def compared(self, mutual: list[MutualAdmittances]) -> ModelComparison:
        """Both models at the frequencies of the job."""
        summed = array_admittance(self.electrodes, mutual, self.aperture)
        peaks = []
        for number, peak in enumerate(self.peaks):
            values = summed if number == 0 else 1.0 / summed
            peaks.append((peak, _peak_between(self.frequency, values, peak, self.damping)))
        return ModelComparison(
            self.name,
            self.frequency,
            self.coupled(self.frequency),
            summed,
            self.damping,
            self.fit_band,
            tuple(peaks),
            max(one.error for one in mutual),
            sum(one.phases for one in mutual),
        )


def _first_peaks(
    coupled: Callable[[Array], Complex], band: tuple[float, float]
) -> tuple[float, ...]:
    """Resonance, and antiresonance above it, by coupling of modes."""
    from sawfem.device.resonance import find_peak

    low, high = band
    resonance = find_peak(coupled, low, high)
    if resonance is None:
        return ()
    antiresonance = find_peak(lambda f: np.asarray(1.0 / coupled(f)), resonance, high)
    return (resonance,) if antiresonance is None else (resonance, antiresonance)


def _frequencies(band: tuple[float, float], peaks: tuple[float, ...], damping: float) -> Array:
    """Even over the band, and closer beside the peaks."""
    low, high = band
    reach = REACH * 2.0 * damping
    parts = [np.linspace(low, high, OVER_BAND)]
    parts += [np.linspace(peak - reach, peak + reach, BESIDE_PEAK) for peak in peaks]
    every = np.unique(np.concatenate(parts))
    return np.asarray(every[(every >= low) & (every <= high)])


def _peak_between(frequency: Array, values: Complex, near: float, damping: float) -> float:
    """Frequency of the largest Re(values) beside ``near``, by a rational function through them."""
    from scipy.interpolate import AAA

    best = int(np.argmin(np.abs(frequency - near)))
    reach = 4.0 * 2.0 * damping
    close = np.flatnonzero(np.abs(frequency - near) <= reach)
    if close.size >= 3:
        best = int(close[np.argmax(values.real[close])])
    first = max(0, min(best - 5, frequency.size - 11))
    local = slice(first, first + 11)
    scaled = (frequency[local] - frequency[best]) / damping
    with warnings.catch_warnings():  # six terms are meant to be all
        warnings.simplefilter("ignore", RuntimeWarning)
        rational = AAA(scaled, values[local], rtol=1e-7, max_terms=6, clean_up=False)
    left, right = scaled[max(best - first - 1, 0)], scaled[min(best - first + 1, scaled.size - 1)]
    fine = np.linspace(left, right, 2001)
    return float(frequency[best] + damping * fine[int(np.argmax(rational(fine).real))])
