"""One transducer by two models, and how far they agree.

Which models: sawfem/device/second_model.py.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sawfem.quantities import Quantity

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

#: The two are compared farther than so many line widths from either peak.
APART = 2.0
#: Agreement of a bound wave: relative shift of a peak, dB apart from the peaks, integral of G.
SHIFT, DECIBEL, INTEGRAL = 1e-4, 0.3, 0.03
#: Share of the frequencies whose difference counts in the judgement.
TYPICAL = 0.9
#: Leaky waves, whose ends radiate into the bulk, and two waves that meet in the band are judged by
#: so many times as much: coupling of modes knows of neither.
APART_BY = 5.0


@dataclass(frozen=True, eq=False)
class BulkRadiation:
    """Conductance of a set of electrodes by what carries the power away.

    Attributes
    ----------
    frequency : (F,) Hz.
    waves, bulk : (F,) S, by waves of the grating, and directly into the bulk. Where two waves
        meet they cannot be told from the cut of the bulk, and either may come out negative.
    count : (F,) waves found.
    """

    frequency: Array
    waves: Array
    bulk: Array
    count: NDArray[np.int64]

    @property
    def clear(self) -> NDArray[np.bool_]:
        """Where both parts are powers: not negative beyond 2 % of the whole, (F,)."""
        slack = 0.02 * (self.waves + self.bulk)
        return np.asarray((self.waves >= -slack) & (self.bulk >= -slack))

    @property
    def share(self) -> Array:
        """Of the conductance that goes into the bulk at once, (F,)."""
        return np.asarray(self.bulk / (self.bulk + self.waves))


@dataclass(frozen=True, eq=False)
class ModelComparison:
    """A transducer between endless reflectors by both models.

    Attributes
    ----------
    name : "resonator", "input", "output".
    frequency : (F,) Hz.
    coupled, summed : (F,) S, coupling of modes and sum over electrodes.
    computed : (n,) Hz, where the sum was computed; in between, its ratio to coupling of modes is
        a rational function of frequency.
    interpolation : largest relative difference of that function from the one before.
    damping : Hz; both models have the quality factor f / (2 damping) for their waves.
    fit_band : Hz, where the constants of coupling of modes were fitted, or None.
    peaks : resonance and antiresonance in Hz, each (coupled, summed); empty for a transducer that
        has no such pair in the band.
    error : largest distance of two successive rational functions (sawfem/device/endless_array.py).
    phases : of all frequencies together.
    leaky : whether the wave radiates into the bulk at its resonance.
    radiated : at some of the computed frequencies, what goes into the bulk directly; None on
        leaky cuts, where the wave and its electrodes radiate together.
    meeting : whether another wave of the grating is so close to the main one, where the difference
        is largest, that the transducer cannot tell them apart (2 pi/N in phase); looked for where
        the difference is more than DECIBEL and no wave leaks.
    """

    name: str
    frequency: Array
    coupled: Complex
    summed: Complex
    computed: Array
    damping: float
    fit_band: tuple[float, float] | None
    peaks: tuple[tuple[float, float], ...] = ()
    error: float = 0.0
    phases: int = 0
    interpolation: float = 0.0
    leaky: bool = False
    radiated: BulkRadiation | None = None
    meeting: bool = False

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

    @property
    def band(self) -> tuple[float, float]:
        """Frequencies in hertz over which the two are compared."""
        f = self.frequency[self._fitted()]
        return float(f[0]), float(f[-1])

    def bulk_conductance(self) -> Array:
        """What goes directly into the bulk at all frequencies, S, (F,); NaN where it is not known.

        Straight lines between the frequencies at which it is clear.
        """
        if self.radiated is None:
            return np.full(self.frequency.shape, np.nan)
        clear = self.radiated.clear
        at, bulk = self.radiated.frequency[clear], self.radiated.bulk[clear]
        return (
            np.asarray(np.interp(self.frequency, at, bulk))
            if at.size
            else np.full(self.frequency.shape, np.nan)
        )

    @property
    def bulk_share(self) -> float:
        """Integral of that conductance over the band, over that of the whole."""
        kept = self._fitted()
        f = self.frequency[kept]
        whole = np.trapezoid(self.summed.real[kept], f)
        return float(np.trapezoid(self.bulk_conductance()[kept], f) / whole)

    @property
    def limit(self) -> float:
        """Largest ``disagreement`` that is expected."""
        return APART_BY if self.leaky or self.meeting else 1.0

    @property
    def disagreement(self) -> float:
        """The worst of peaks, difference and integral, each over what a bound wave keeps.

        Of the difference what nine tenths of the frequencies keep: another, weakly coupled wave
        may cross the band, which coupling of modes does not know.
        """
        parts = [abs(self.conductance_ratio - 1.0) / INTEGRAL]
        parts += [abs(two / one - 1.0) / SHIFT for one, two in self.peaks]
        if np.any(self.apart):
            parts.append(self.typical_difference / DECIBEL)
        return max(parts)

    @property
    def typical_difference(self) -> float:
        """Size of the difference in dB that nine tenths of the frequencies apart keep."""
        f, kept = self.frequency, self.apart
        even = np.linspace(*self.band, 1001)
        size = np.interp(even, f, np.abs(self.difference))
        near = np.interp(even, f, kept.astype(float)) > 0.5
        return float(np.quantile(size[near], TYPICAL)) if near.any() else float("nan")

    @property
    def worst(self) -> tuple[float, float]:
        """Frequency in hertz and value in dB of the largest difference apart from the peaks."""
        off = np.where(self.apart, self.difference, 0.0)
        place = int(np.argmax(np.abs(off)))
        return float(self.frequency[place]), float(off[place])

    def _fitted(self) -> NDArray[np.bool_]:
        """Frequencies in the band of the fit."""
        low, high = self.fit_band or (0.0, np.inf)
        return np.asarray((self.frequency >= low) & (self.frequency <= high))

    def figures(self) -> dict[str, Quantity]:
        """Difference and ratio; resonance and antiresonance by the second model."""
        found: dict[str, float] = {"second_model_conductance": self.conductance_ratio}
        if np.any(self.apart):
            place, value = self.worst
            found |= {"second_model_difference": value, "second_model_difference_at": place}
            found["second_model_difference_typical"] = self.typical_difference
        if self.radiated is not None:
            found["bulk_radiation"] = self.bulk_share
        for name, pair in zip(("resonance", "antiresonance"), self.peaks, strict=False):
            found[f"second_model_{name}_shift"] = pair[1] / pair[0] - 1.0
        return {name: Quantity.of(name, value) for name, value in found.items()}


def small_share(share: float) -> str:
    """A share as text in per cent; what lies beneath the error of the models is not told apart."""
    return f"{100.0 * share:.2g} %" if share >= 1e-4 else "less than 0.01 %"
