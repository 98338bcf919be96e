"""One device through two models: coupling of modes, and sums over electrodes.

The transducer of the device works between reflectors that go on for ever, without gaps, in both.
The first model has the closed form of its sections (sawfem/device/section.py), the second the
mutual admittances of the electrodes (sawfem/device/finite_array.py), which know of no modes, no
reflection per electrode and no fitted capacitance. Both have the same loss of the waves. Finger
resistance is in neither.

On cells of several electrodes, one wave long, what repeats is the cell: the hot electrodes of the
transducer's cells have the voltage of the port, those of all other cells are grounded, and so are
the grounded ones of all; a cell turned round is the same device from the other side.

What differs is what coupling of modes leaves out or smooths: waves beside the main one, bulk waves
that a finite transducer radiates, charges at the ends, and how well two modes with constant
coefficients meet the harmonic admittance of the grating away from phase pi.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sawfem.design import UnitCell
from sawfem.device.bulk_radiation import array_waves, bulk_radiation
from sawfem.device.comparison import DECIBEL
from sawfem.device.comparison import ModelComparison as ModelComparison
from sawfem.device.description import ELECTRODES_PER_CELL, Resonator, Transversal
from sawfem.device.endless_array import MutualAdmittances, mutual_admittances
from sawfem.device.finite_array import CellSet, ElectrodeSet
from sawfem.device.harmonic_samples import HarmonicSamples
from sawfem.device.pmatrix import cascade
from sawfem.device.resonance import find_peak
from sawfem.device.section import grating_section, transducer_section
from sawfem.device.settled import Settled, settle
from sawfem.errors import GeometryError
from sawfem.extract.constants import ComConstants
from sawfem.unitcell.certified import CellModel
from sawfem.unitcell.mesh import MeshSettings

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
#: progress(done, total).
Progress = Callable[[int, int], None]

#: Strips of a reflector that stands for an endless one; the closed form costs the same.
ENDLESS = 1_000_000
#: Largest quality factor of the waves: sharper lines would need more frequencies.
LARGEST_QUALITY = 2000.0
#: Mesh and tolerance of the cell's reduced model, and its training points: peaks move by 2e-6, the
#: admittance by 5e-4 of itself against a mesh of one order more (measured on two cuts).
MESH = MeshSettings(order=3, gradings=2, ratio=0.15)
CELL_TOLERANCE = 1.0e-4
TRAINING = (5, 7)
#: Tolerance of the rational functions over the phase, and of the ratio of the models over the
#: frequency: 2e-3 is 0.017 dB.
PHASE_TOLERANCE = 3.0e-4
RATIO_TOLERANCE = 2.0e-3
#: Frequencies to begin with, besides the peaks and a line width on either side; and most of them.
FIRST = 9
MOST = 120
#: Of these frequencies, how many tell what goes into the bulk.
RADIATED = 15
#: Frequencies listed over the band, and beside each peak, where they reach REACH line widths f/Q.
OVER_BAND = 241
BESIDE_PEAK = 33
REACH = 2.5


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
    connections: Sequence[str] | None = None,
    fit_band: tuple[float, float] | None = None,
    frequency: Array | None = None,
    leaky: bool = False,
    mesh: MeshSettings | None = None,
    progress: Progress | None = None,
) -> tuple[ModelComparison, ...]:
    """The transducers of a device by both models; one comparison, or two for a transversal filter.

    Parameters
    ----------
    constants : of the device's grating, as its own model takes them.
    cell : the unit cell of that grating.
    connections : of its electrodes, left to right, where it has several; the fingers of the device
        are then whole cells.
    fit_band : Hz, where the constants were fitted.
    frequency : (F,) in hertz, rising; None chooses as many as it takes over the band of the fit,
        or the main lobe of a transducer of a transversal filter.
    leaky : whether the wave radiates into the bulk at its resonance; it is judged apart.
    mesh : of the cell; None takes MESH.

    Raises
    ------
    GeometryError : several electrodes without connections, fingers that are no whole cells.
    ConvergenceError : the sums do not settle.
    """
    each = len(cell.electrodes)
    if each > 1 and connections is None:
        raise GeometryError(
            key="grating.electrode",
            found=f"{each} electrodes a period, tied to nothing",
            expected="connections of each, for the second model",
        )
    jobs = [
        _Job.of(device, constants, number, fit_band, frequency, each)
        for number in range(1 if isinstance(device, Resonator) else 2)
    ]
    if len(jobs) == 2 and jobs[0].electrodes == jobs[1].electrodes:
        jobs = jobs[:1]
    report = progress or (lambda done, total: None)
    report(0, sum(job.places.size for job in jobs))
    low = min(float(job.places.min()) for job in jobs)
    high = max(float(job.places.max()) for job in jobs)
    model = CellModel(
        cell,
        (0.999 * low, 1.001 * high),
        tolerance=CELL_TOLERANCE,
        mesh=mesh or MESH,
        training=TRAINING,
        losses=False,
    )
    # The waves of all lose alike.
    samples = HarmonicSamples(model, jobs[0].damping, connections if each > 1 else None)
    given = frequency is not None
    return tuple(job.compared(samples, given, leaky, report) for job in jobs)


@dataclass(frozen=True, eq=False)
class _Job:
    """One transducer: its electrodes, where it is computed, and its first model."""

    name: str
    electrodes: ElectrodeSet
    aperture: float
    damping: float
    fit_band: tuple[float, float] | None
    places: Array
    coupled: Callable[[Array], Complex]
    peaks: tuple[float, ...]
    whole_cells: bool = False

    @classmethod
    def of(
        cls,
        device: Resonator | Transversal,
        constants: ComConstants,
        number: int,
        fit_band: tuple[float, float] | None,
        frequency: Array | None,
        each: int,
    ) -> _Job:
        """What is to be computed for one transducer: its damping, its electrodes, its band."""
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
        electrodes, half_waves = _electrodes(fingers, sequence, open_strips, each)

        def coupled(f: Array) -> Complex:
            return endless_transducer(
                constants,
                half_waves,
                device.aperture,
                f,
                damping=damping,
                open_strips=open_strips,
            )

        if isinstance(device, Resonator):
            band = fit_band or (0.98 * centre, 1.02 * centre)
            peaks = _first_peaks(coupled, band)
        else:  # the main lobe is f0 (1 +- 1/N) wide for N pairs
            share = min(0.4, 2.0 / half_waves)
            band, peaks = (centre * (1.0 - share), centre * (1.0 + share)), ()
        kept = fit_band if isinstance(device, Resonator) else None
        places = _places(band, peaks, damping) if frequency is None else frequency
        aperture = device.aperture
        return cls(name, electrodes, aperture, damping, kept, places, coupled, peaks, each > 1)

    def compared(
        self, samples: HarmonicSamples, given: bool, leaky: bool, progress: Progress
    ) -> ModelComparison:
        """Both models, at the given places or over the band that they span."""
        computed: list[MutualAdmittances] = []

        def ratio(f: float) -> complex:
            """Admittance by sums over electrodes over that by coupling of modes."""
            near = min(computed, key=lambda one: abs(one.frequency - f), default=None)
            found = mutual_admittances(
                samples,
                f,
                self.damping,
                self.electrodes.size,
                tolerance=PHASE_TOLERANCE,
                answer=self.electrodes.admittance,
                start=None if near is None else near.at,
            )
            computed.append(found)
            summed = self.aperture * self.electrodes.admittance(found.values)
            return complex(summed / self.coupled(np.array([f]))[0])

        f = self.places
        if given:
            values = []
            for number, place in enumerate(f):
                values.append(ratio(float(place)))
                progress(number + 1, f.size)
            settled = Settled.through(f, np.array(values), RATIO_TOLERANCE)
            listed, ratios = f, settled.values
        else:
            settled = settle(ratio, f, tolerance=RATIO_TOLERANCE, most=MOST, progress=progress)
            listed = _listed(settled.frequency, self.peaks, self.damping)
            ratios = settled(listed)
        coupled = self.coupled(listed)
        radiated = None
        if not (leaky or self.whole_cells):
            at = np.linspace(settled.frequency[0], settled.frequency[-1], RADIATED)
            places = {int(np.argmin(np.abs(settled.frequency - f))) for f in at}
            computed.sort(key=lambda one: one.frequency)
            chosen = [computed[place] for place in sorted(places)]
            radiated = bulk_radiation(samples, self.electrodes, chosen, self.aperture)
        found = ModelComparison(
            name=self.name,
            frequency=listed,
            coupled=coupled,
            summed=ratios * coupled,
            computed=settled.frequency,
            damping=self.damping,
            fit_band=self.fit_band,
            peaks=self._moved_peaks(settled),
            error=max(one.error for one in computed),
            phases=sum(one.phases for one in computed),
            interpolation=settled.error,
            leaky=leaky,
            radiated=radiated,
        )
        return replace(found, meeting=self._meeting(samples, found, computed))

    def _meeting(
        self, samples: HarmonicSamples, found: ModelComparison, computed: list[MutualAdmittances]
    ) -> bool:
        """Whether two waves of the grating meet where the models differ most."""
        if found.leaky or not found.apart.any() or abs(found.worst[1]) < DECIBEL:
            return False
        place = found.worst[0]
        near = min(computed, key=lambda one: abs(one.frequency - place))
        phases = [wave.phase.real for wave in array_waves(samples, near)]
        reach = 2.0 * np.pi / self.electrodes.size  # of cells, where they are whole
        return any(abs(phase - phases[0]) < reach for phase in phases[1:])

    def _moved_peaks(self, settled: Settled) -> tuple[tuple[float, float], ...]:
        """Each peak by coupling of modes, and the one beside it by the sum over electrodes."""
        found = []
        for number, peak in enumerate(self.peaks):
            low, high = settled.frequency[0], settled.frequency[-1]
            reach = 4.0 * 2.0 * self.damping

            def summed(f: Array, power: int = 1 - 2 * number) -> Complex:
                return np.asarray((settled(f) * self.coupled(f)) ** power)

            other = find_peak(summed, max(low, peak - reach), min(high, peak + reach))
            if other is not None:
                found.append((peak, other))
        return tuple(found)


def _electrodes(
    fingers: int, sequence: str, open_strips: tuple[int, int], each: int
) -> tuple[ElectrodeSet, int]:
    """The electrodes of a transducer with isolated strips beside it, and its half waves.

    ``each`` electrodes a period; of several, cells of one wave. Raises GeometryError.
    """
    if each > 1:
        if fingers % each or any(open_strips):
            raise GeometryError(
                key="fingers",
                found=f"{fingers} in cells of {each} electrodes",
                expected=f"a multiple of {each}, between shorted reflectors",
            )
        return CellSet("+" * (fingers // each)), 2 * (fingers // each)
    per_cell = ELECTRODES_PER_CELL[sequence]
    before, after = ("f" * per_cell * count for count in open_strips)
    driven = ElectrodeSet.transducer(fingers, sequence).pattern
    return ElectrodeSet(before + driven + after), fingers // per_cell


def _first_peaks(
    coupled: Callable[[Array], Complex], band: tuple[float, float]
) -> tuple[float, ...]:
    """Resonance, and antiresonance above it, by coupling of modes."""
    low, high = band
    resonance = find_peak(coupled, low, high)
    if resonance is None:
        return ()
    antiresonance = find_peak(lambda f: np.asarray(1.0 / coupled(f)), resonance, high)
    return (resonance,) if antiresonance is None else (resonance, antiresonance)


def _places(band: tuple[float, float], peaks: tuple[float, ...], damping: float) -> Array:
    """Where the sum is computed first: over the band, at the peaks and beside them."""
    low, high = band
    beside = 2.0 * damping * np.array([-1.0, 0.0, 1.0])
    every = np.unique(np.concatenate([np.linspace(low, high, FIRST), *(p + beside for p in peaks)]))
    return np.asarray(every[(every >= low) & (every <= high)])


def _listed(computed: Array, peaks: tuple[float, ...], damping: float) -> Array:
    """Frequencies of the comparison: those computed, more over the band and beside the peaks."""
    low, high = computed[0], computed[-1]
    reach = REACH * 2.0 * damping
    parts = [computed, np.linspace(low, high, OVER_BAND)]
    parts += [np.linspace(peak - reach, peak + reach, BESIDE_PEAK) for peak in peaks]
    every = np.unique(np.concatenate(parts))
    return np.asarray(every[(every >= low) & (every <= high)])
