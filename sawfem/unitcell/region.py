"""The frequencies and phases over which a reduced model is to hold."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sawfem.errors import InputError

#: Training phases in the long-wave corner, over pi; there Y falls as gamma.
LONG_WAVES = (1e-4, 1e-3, 1e-2)
#: Relative width by which the ends of a region are taken as inside.
EDGE = 1e-12


def folded_phase(phase: float) -> float:
    """The phase in (-pi, pi] that is the same Bloch condition."""
    turned = float(np.pi - (np.pi - phase) % (2.0 * np.pi))
    return phase if -np.pi < phase <= np.pi else turned


@dataclass(frozen=True)
class Region:
    """Frequencies (hertz) and phases (radians, 0 to pi) over which a model is to hold.

    Raises
    ------
    InputError : limits that are out of order, or not of this kind.
    """

    frequencies: tuple[float, float]
    phases: tuple[float, float] = (0.0, np.pi)

    def __post_init__(self) -> None:
        low, high = self.frequencies
        if not 0.0 < low < high < np.inf:
            raise InputError(
                key="frequencies",
                found=f"{self.frequencies!r}",
                expected="two frequencies in hertz, the lower one first and above zero",
            )
        first, last = self.phases
        if not 0.0 <= first < last <= np.pi * (1.0 + EDGE):
            raise InputError(
                key="phases", found=f"{self.phases!r}", expected="two phases from 0 to pi"
            )

    def grid(self, frequencies: int, phases: int) -> tuple[list[float], list[float]]:
        """Training frequencies and phases; near gamma = 0 a few more of these."""
        first, last = self.phases
        gammas = np.linspace(max(first, LONG_WAVES[0] * np.pi), last, phases).tolist()
        if first <= LONG_WAVES[0] * np.pi:
            gammas += [share * np.pi for share in LONG_WAVES[1:]]
        return np.linspace(*self.frequencies, frequencies).tolist(), gammas

    def holds(self, frequency: float, phase: float) -> bool:
        """Whether a point lies inside; phases are folded to 0..pi."""
        low, high = self.frequencies
        first, last = self.phases
        gamma = abs(folded_phase(phase))
        inside = low * (1.0 - EDGE) <= frequency <= high * (1.0 + EDGE)
        return bool(inside and first - EDGE <= gamma <= last + EDGE)

    def joined(self, other: Region) -> Region:
        """The smallest region that holds both."""
        (low, high), (first, last) = self.frequencies, self.phases
        return Region(
            (min(low, other.frequencies[0]), max(high, other.frequencies[1])),
            (min(first, other.phases[0]), max(last, other.phases[1])),
        )

    def __str__(self) -> str:
        (low, high), (first, last) = self.frequencies, self.phases
        return f"{low:.6g} to {high:.6g} Hz and phases {first:.4g} to {last:.4g}"
