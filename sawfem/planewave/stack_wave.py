"""One wave of one stack, with its motion at all interfaces: what is followed and differentiated."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sawfem.conventions import DECIBEL
from sawfem.planewave.generalised import ComplexArray
from sawfem.planewave.limiting import bulk_onsets
from sawfem.planewave.scaled_stack import ScaledMedium, ScaledStack
from sawfem.planewave.stack_matrix import StackMatrix

#: Attenuation -Im k / Re k below which a wave of a lossless stack counts as guided.
GUIDED = 1.0e-11


@dataclass(frozen=True, eq=False)
class Ceiling:
    """The next onset of a bulk wave above a wave.

    Attributes
    ----------
    velocity : of the onset, m/s; None above all of them.
    index : how many onsets lie below the wave. count : how many there are.
    medium : the substrate for which they were computed.
    """

    velocity: float | None
    index: int
    count: int
    medium: ScaledMedium

    @property
    def lowest(self) -> bool:
        """The wave is slower than every bulk wave it could leak into."""
        return self.index == 0

    def place(self, omega: float, k: complex) -> complex:
        """sqrt(1 - v^2 / v_onset^2), real part >= 0; k over omega, s/m, above all onsets."""
        if self.velocity is None:
            return k / omega
        return complex(np.sqrt(1.0 - (omega / (k * self.velocity)) ** 2 + 0.0j))

    def wavenumber(self, omega: float, place: complex) -> complex:
        """The k of a place."""
        if self.velocity is None:
            return place * omega
        return complex(omega / (self.velocity * np.sqrt(1.0 - place**2)))


def ceiling_above(
    medium: ScaledMedium, family: tuple[int, ...], velocity: float, old: Ceiling | None = None
) -> Ceiling:
    """The onset above a velocity; ``old``: above the wave that had it before the onsets moved."""
    if medium.is_vacuum:  # nothing is radiated below a membrane
        return Ceiling(None, 0, 0, medium)
    onsets = bulk_onsets(medium.lossless.restricted(family))
    index = sum(onset <= velocity for onset in onsets)
    if old is not None and old.count == len(onsets):
        index = old.index
    return Ceiling(onsets[index] if index < len(onsets) else None, index, len(onsets), medium)


@dataclass(frozen=True, eq=False)
class StackWave:
    """One wave of one stack with one condition at its surface: what is followed.

    Attributes
    ----------
    stack : scaled media and thicknesses. omega : rad/s (any for a half-space).
    metallised : massless perfect conductor on the surface; otherwise vacuum lies above.
    wavenumber : k, rad/m; Im k < 0 for a wave that leaks or is damped.
    nodal : (nodes, 4), (u1, u2, u3, phi / FIELD) at the interfaces upwards, slabs of the layers
        included, norm one.
    reverse : the same for the wave with -k; conj(nodal) where nothing leaks.
    family, slabs, ceiling : components that take part, slabs per layer, next onset above.
    residual : |f| at the root.
    """

    stack: ScaledStack
    omega: float
    metallised: bool
    wavenumber: complex
    nodal: ComplexArray
    reverse: ComplexArray
    family: tuple[int, ...]
    slabs: tuple[int, ...]
    ceiling: Ceiling
    residual: float

    @property
    def velocity(self) -> float:
        """Phase velocity omega / Re k, m/s."""
        return self.omega / self.wavenumber.real

    @property
    def loss(self) -> float:
        """-Im k / Re k, nepers per radian of phase."""
        return -self.wavenumber.imag / self.wavenumber.real + 0.0

    @property
    def attenuation(self) -> float:
        """DB per wavelength."""
        return 2.0 * math.pi * DECIBEL * self.loss

    @property
    def is_guided(self) -> bool:
        """The stack is lossless and the wave does not leak, so that it has a finite energy."""
        return abs(self.loss) < GUIDED and not any(m.is_lossy for m in self.stack.media)

    @property
    def polarisation(self) -> tuple[complex, complex, complex]:
        """(u1, u2, u3) at the surface, norm one, the largest real and positive."""
        u = self.nodal[-1, :3]
        largest = u[int(np.argmax(np.abs(u)))]
        u1, u2, u3 = (complex(x) for x in u * abs(largest) / (largest * np.linalg.norm(u)))
        return u1, u2, u3

    @property
    def system(self) -> StackMatrix:
        """K of its stack."""
        return StackMatrix(
            self.stack, self.omega, self.slabs, family=self.family, metallised=self.metallised
        )
