"""Constants of many gratings side by side, so that one pass of the closed forms answers them all.

A population of devices is solved along one axis of length S F: the F frequencies of the first
device, then those of the second, and so on. Everything in sawfem/device/section.py and
mirrored.py is entry by entry of that axis; only the constants change along it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from sawfem.device.pmatrix import ComplexArray, FloatArray
from sawfem.extract.constants import ComConstants


@dataclass(frozen=True, eq=False)
class StackedConstants:
    """Constants of S gratings at F frequencies each; every entry is (S F,).

    Names, units and normalisation as in sawfem.extract.coupled.ComConstants.
    """

    pitch: FloatArray
    velocity: FloatArray
    attenuation: FloatArray
    both_reflections: tuple[ComplexArray, ComplexArray]
    both_transductions: tuple[ComplexArray, ComplexArray]
    complex_capacitance: ComplexArray
    capacitance_slope: FloatArray
    slope_width: FloatArray
    phase_over_group_velocity: FloatArray

    @classmethod
    def of(cls, gratings: Sequence[ComConstants], frequencies: int) -> StackedConstants:
        """Those of ``gratings``, each repeated for so many ``frequencies``."""

        def spread(name: str) -> FloatArray:
            return repeated([getattr(item, name) for item in gratings], frequencies)

        def pair(name: str) -> tuple[ComplexArray, ComplexArray]:
            both = np.array([getattr(item, name) for item in gratings], dtype=complex)
            return np.repeat(both[:, 0], frequencies), np.repeat(both[:, 1], frequencies)

        capacitance = [item.complex_capacitance for item in gratings]
        return cls(
            spread("pitch"),
            spread("velocity"),
            spread("attenuation"),
            pair("both_reflections"),
            pair("both_transductions"),
            np.repeat(np.array(capacitance, dtype=complex), frequencies),
            spread("capacitance_slope"),
            spread("slope_width"),
            spread("phase_over_group_velocity"),
        )

    @property
    def centre_frequency(self) -> FloatArray:
        """v/(2p) in hertz, (S F,)."""
        return np.asarray(self.velocity / (2.0 * self.pitch))

    @property
    def capacitance(self) -> float:
        """The least C' p, F/m."""
        return float(self.complex_capacitance.real.min())

    def scale(self, frequency: FloatArray) -> FloatArray:
        """s(f) of C and of a a' at frequencies (S F,)."""
        if not self.capacitance_slope.any():
            return np.ones_like(frequency)
        far = np.tanh((frequency / self.centre_frequency - 1.0) / self.slope_width)
        return np.asarray(1.0 + self.capacitance_slope * self.slope_width * far)


def repeated(values: ArrayLike, frequencies: int) -> FloatArray:
    """(S F,): each of S values for so many frequencies."""
    return np.repeat(np.asarray(values, dtype=float), frequencies)
