"""The factor by which spreading and steering of the beam lower what passes between ports."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicSpline

from sawfem.device.pmatrix import ComplexArray, FloatArray
from sawfem.errors import InputError


@dataclass(frozen=True, eq=False)
class Spreading:
    """Factors D of :mod:`.diffraction` for the transfer admittances of one track.

    Attributes
    ----------
    frequency : (n,) Hz, increasing, four or more.
    factors : (port, port) -> D (n,), complex. The same for both ways, whichever is named.

    Between its frequencies ln D is a spline; outside it keeps its first or last value, since a
    track answers little there. Raises InputError for arrays that do not fit.
    """

    frequency: FloatArray
    factors: Mapping[tuple[str, str], ComplexArray]

    def __post_init__(self) -> None:
        f = np.asarray(self.frequency, dtype=float)
        if f.ndim != 1 or f.size < 4 or np.any(np.diff(f) <= 0.0):
            raise InputError(key="frequency", found=f"{f.size} of them", expected="4, increasing")
        for pair, values in self.factors.items():
            if np.shape(values) != f.shape or not np.all(np.abs(values) > 0.0):
                raise InputError(
                    key="factors", found=f"{pair}: zeros or another count", expected="one a Hz"
                )

    def of(self, pair: tuple[str, str], frequency: FloatArray) -> ComplexArray:
        """D (F,) of two ports at frequencies (F,), Hz; one where there is none."""
        values = self.factors.get(pair, self.factors.get(pair[::-1]))
        if values is None:
            return np.ones(len(frequency), dtype=complex)
        return np.asarray(np.exp(self._spline(values)(self._clipped(frequency))))

    def delay(self, pair: tuple[str, str], frequency: float) -> float:
        """-d arg D / d omega, s: what diffraction adds to the group delay."""
        slope = self._spline(self.factors[pair])(self._clipped(np.array([frequency])), 1)
        return float(-slope[0].imag) / (2.0 * np.pi)

    def matrix(self, ports: Sequence[str], frequency: FloatArray) -> ComplexArray:
        """Factors (F, E, E) of the admittance of a track with these ports; one on the diagonal."""
        found = np.ones((len(frequency), len(ports), len(ports)), dtype=complex)
        for i, one in enumerate(ports):
            for j, other in enumerate(ports):
                if i != j:
                    found[:, i, j] = self.of((one, other), frequency)
        return found

    def _spline(self, values: ComplexArray) -> CubicSpline:
        log = np.log(np.abs(values)) + 1j * np.unwrap(np.angle(values))
        return CubicSpline(self.frequency, log)

    def _clipped(self, frequency: FloatArray) -> FloatArray:
        return np.asarray(np.clip(frequency, self.frequency[0], self.frequency[-1]))
