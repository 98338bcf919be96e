"""One-port resonators of a circuit, solved together.

A transducer between two mirrors: with the reflections G1, G2 that it sees to its left and right,

    b = (1 - P G)^-1 p V,     Y = P33 - 2 p^T G (1 - P G)^-1 p,     p = (P13, P23), P (2, 2)

(the cascade of sawfem/device/pmatrix.py with nothing coming in at the ends; I = P31 a1 + P32 a2 +
P33 V and P3i = -2 Pi3). Everything is proportional to the aperture, so resonators that differ in
it alone are solved once, and mirrors and transducers that several have in common as well.
"""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from sawfem.device.assembly import ResonatorPart
from sawfem.device.network import in_series
from sawfem.device.pmatrix import ComplexArray, FloatArray, PMatrix, delay
from sawfem.device.resonator import check_geometry, series_resistance
from sawfem.device.section import grating_section, transducer_section
from sawfem.device.track import Gratings


@dataclass(frozen=True)
class ResonatorSolution:
    """A solved resonator.

    Attributes
    ----------
    bare : (F, 1, 1) admittance in siemens without finger resistance.
    leaving : (F,) power of the waves that leave at both ends for one volt, effective values, W.
    resistance : ohm of the fingers.
    radiated : share of the gratings' own attenuation in all attenuation.
    """

    bare: ComplexArray
    leaving: FloatArray
    resistance: float
    radiated: float

    @property
    def admittance(self) -> ComplexArray:
        """(F, 1, 1) in siemens, with finger resistance."""
        return in_series(self.bare, self.resistance) if self.resistance else self.bare

    def losses(self, voltage: ComplexArray) -> dict[str, FloatArray]:
        """Power lost by mechanism for voltages (F, 1); as those of a track."""
        current = self.admittance[:, 0, 0] * voltage[:, 0]
        inner = voltage[:, 0] - self.resistance * current
        resistance = self.resistance * np.abs(current) ** 2
        ends = self.leaving * np.abs(inner) ** 2
        rest = (voltage[:, 0].conj() * current).real - resistance - ends
        return {
            "resistance": resistance,
            "ends": ends,
            "radiation": self.radiated * rest,
            "propagation": (1.0 - self.radiated) * rest,
        }


@dataclass
class ResonatorSolver:
    """Solves resonators at one set of frequencies; what they have in common, once."""

    gratings: Gratings
    frequency: FloatArray
    _known: dict[Hashable, Any] = field(default_factory=dict, repr=False)

    def solve(self, part: ResonatorPart) -> ResonatorSolution:
        """The solution of one resonator.

        Raises GeometryError for electrodes that overlap, InputError for an unknown grating.
        """
        device = part.resonator
        transducer, mirror = self.gratings.of(part.grating), self.gratings.of(part.mirror)
        check_geometry(device, transducer, mirror)
        key = (part.grating, part.mirror, replace(device, aperture=1.0, sheet_resistance=0.0))
        if key not in self._known:
            self._known[key] = self._per_metre(part)
        y, leaving = self._known[key]
        own, extra = transducer.attenuation, device.attenuation
        return ResonatorSolution(
            (device.aperture * y)[:, None, None],
            device.aperture * leaving,
            series_resistance(device),
            own / (own + extra) if own + extra else 0.0,
        )

    def _per_metre(self, part: ResonatorPart) -> tuple[ComplexArray, FloatArray]:
        """Admittance and leaving power of one metre of aperture, (F,) each."""
        device = part.resonator
        driven = self._transducer(part).matrix
        velocity = device.gap_velocity or self.gratings.of(part.grating).velocity
        pitches = self.gratings.of(part.grating).pitch + self.gratings.of(part.mirror).pitch
        gap = delay(
            device.gap - 0.5 * pitches, velocity, self.frequency, attenuation=device.attenuation
        ).transmission
        (G1, T1), (G2, T2) = (
            self._mirror(part, strips, gap) for strips in device.reflector_fingers
        )
        y, b1, b2 = between_mirrors(driven, G1, G2)
        leaving = np.abs(T1 * b1) ** 2 + np.abs(T2 * b2) ** 2
        return y, np.asarray(leaving)

    def _transducer(self, part: ResonatorPart) -> PMatrix:
        device = part.resonator
        key = ("driven", part.grating, device.fingers, device.attenuation)
        if key not in self._known:
            constants = self.gratings.of(part.grating)
            lossy = replace(constants, attenuation=constants.attenuation + device.attenuation)
            found = transducer_section(lossy, device.fingers, 1.0, self.frequency)
            self._known[key] = found
        known: PMatrix = self._known[key]
        return known

    def _mirror(
        self, part: ResonatorPart, strips: int, gap: ComplexArray
    ) -> tuple[ComplexArray, ComplexArray]:
        """Reflection back to the transducer and transmission out of the track, gap included."""
        if not strips:
            return np.zeros_like(gap), np.ones_like(gap)
        device = part.resonator
        key = (part.mirror, strips, device.reflector_connection, device.attenuation)
        if key not in self._known:
            constants = self.gratings.of(part.mirror)
            lossy = replace(constants, attenuation=constants.attenuation + device.attenuation)
            self._known[key] = grating_section(
                lossy, strips, self.frequency, connection=device.reflector_connection
            )
        matrix = self._known[key].matrix
        return np.asarray(gap**2 * matrix[:, 0, 0]), np.asarray(gap * matrix[:, 1, 0])


def between_mirrors(
    driven: ComplexArray, G1: ComplexArray, G2: ComplexArray
) -> tuple[ComplexArray, ComplexArray, ComplexArray]:
    """Admittance and the waves b1, b2 that leave a transducer for one volt, (F,) each.

    ``driven`` is its P-matrix (F, 3, 3), G1 and G2 (F,) the reflections it sees; the equation of
    the module docstring.
    """
    P11, P12, P22 = driven[:, 0, 0], driven[:, 0, 1], driven[:, 1, 1]
    p1, p2, P33 = driven[:, 0, 2], driven[:, 1, 2], driven[:, 2, 2]
    from_left, from_right = 1.0 - P11 * G1, 1.0 - P22 * G2
    to_left, to_right = P12 * G1, P12 * G2
    over_D = 1.0 / (from_left * from_right - to_left * to_right)
    b1 = (from_right * p1 + to_right * p2) * over_D
    b2 = (from_left * p2 + to_left * p1) * over_D
    return np.asarray(P33 - 2.0 * (p1 * G1 * b1 + p2 * G2 * b2)), b1, b2
