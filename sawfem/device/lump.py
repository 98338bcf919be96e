"""Lumped parts: inductors, capacitors, resistors.

With a quality factor Q that is the same at every frequency,

    inductor   Z = w L (j + 1/Q),    capacitor   Y = w C (j + 1/Q),    resistor   Z = R,

so that Q is the ratio of reactance to resistance, or of susceptance to conductance, everywhere.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from sawfem.device.pmatrix import ComplexArray, as_frequencies
from sawfem.errors import InputError


@dataclass(frozen=True)
class Lump:
    """Exactly one of inductance (H), capacitance (F) and resistance (ohm), all above zero.

    ``quality`` of an inductance or a capacitance; None is without loss. Raises InputError for
    another number of them, or for values out of range.
    """

    inductance: float | None = None
    capacitance: float | None = None
    resistance: float | None = None
    quality: float | None = None

    def __post_init__(self) -> None:
        kinds = ("inductance", "capacitance", "resistance")
        given = {name: getattr(self, name) for name in kinds if getattr(self, name) is not None}
        if len(given) != 1:
            raise InputError(
                key="lump", found=" and ".join(given) or "nothing", expected=f"one of {kinds}"
            )
        for name, value in given.items():
            if not (np.isfinite(value) and value > 0.0):
                raise InputError(key=name, found=f"{value:g}", expected="more than 0, finite")
        if self.quality is not None:
            if self.resistance is not None:
                raise InputError(
                    key="quality", found="of a resistance", expected="an inductance or capacitance"
                )
            if not (np.isfinite(self.quality) and self.quality > 0.0):
                raise InputError(key="quality", found=f"{self.quality:g}", expected="more than 0")

    def admittance(self, frequency: ArrayLike) -> ComplexArray:
        """Y(f), (F,) in siemens at ``frequency`` (F,) in hertz."""
        omega = 2.0 * np.pi * as_frequencies(frequency)
        loss = 1j + (1.0 / self.quality if self.quality is not None else 0.0)
        if self.inductance is not None:
            return np.asarray(1.0 / (omega * self.inductance * loss))
        if self.capacitance is not None:
            return np.asarray(omega * self.capacitance * loss)
        assert self.resistance is not None
        return np.full(omega.shape, 1.0 / self.resistance, dtype=complex)
