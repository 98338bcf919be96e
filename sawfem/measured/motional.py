"""An equivalent circuit of a one-port resonator: a static arm, motional arms, a resistance.

    port o--- Rs ---+----------+---------
                    |          |
                    C0, R0     Ln, Cn, Rn   (one arm a resonance)
                    |          |
    port o----------+----------+---------

    Y_in = 1/(R0 + 1/(j w C0)) + sum_n 1/(Rn + j w Ln + 1/(j w Cn)),     Y = 1/(Rs + 1/Y_in)

(Butterworth 1914, Van Dyke 1928; the resistances Rs and R0 are the "modified" circuit of Larson et
al., IEEE Ultrasonics Symposium, 2000; from memory.) With ``static = "parallel"`` a conductance
1/Rp lies beside C0 instead of R0 in series with it. An arm is fitted by its frequency
f = 1/(2 pi sqrt(L C)), which data know best, its C and its R.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from sawfem.device.pmatrix import ComplexArray, FloatArray
from sawfem.errors import InputError
from sawfem.measured.slopes import Sloped, parameters

Static = Literal["series", "parallel", "none"]


@dataclass(frozen=True)
class Arm:
    """A motional arm: its series resonance in hertz, F and ohm in series."""

    frequency: float
    capacitance: float
    resistance: float

    @property
    def inductance(self) -> float:
        """L = 1/(4 pi^2 f^2 C), H."""
        return 1.0 / ((2.0 * np.pi * self.frequency) ** 2 * self.capacitance)

    @property
    def quality(self) -> float:
        """1/(2 pi f C R)."""
        return 1.0 / (2.0 * np.pi * self.frequency * self.capacitance * self.resistance)


@dataclass(frozen=True)
class MotionalCircuit:
    """The elements of the circuit.

    Attributes
    ----------
    capacitance : C0 in F. arms : by their frequencies.
    series_resistance : Rs in ohm. static : which loss C0 has.
    static_loss : R0 in ohm in series with it, or a conductance in siemens beside it.
    """

    capacitance: float
    arms: tuple[Arm, ...]
    series_resistance: float = 0.0
    static: Static = "series"
    static_loss: float = 0.0

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the parameters, in the order of :meth:`vector`."""
        loss = {"series": ("static_resistance",), "parallel": ("static_conductance",), "none": ()}
        found = ["static_capacitance", "series_resistance", *loss[self.static]]
        for number in range(1, len(self.arms) + 1):
            found += [f"arm{number}_{what}" for what in ("frequency", "capacitance", "resistance")]
        return tuple(found)

    def vector(self) -> FloatArray:
        """The parameters as numbers (P,)."""
        loss = [] if self.static == "none" else [self.static_loss]
        arms = [v for arm in self.arms for v in (arm.frequency, arm.capacitance, arm.resistance)]
        return np.array([self.capacitance, self.series_resistance, *loss, *arms])

    def scale(self) -> FloatArray:
        """How large a step is: a parameter's own size, of resistances the arms' at least."""
        size = np.abs(self.vector())
        least = min(arm.resistance for arm in self.arms)
        reactance = 1.0 / (2.0 * np.pi * self.arms[0].frequency * self.capacitance)
        for n, name in enumerate(self.names):
            if name.endswith("_frequency"):
                size[n] *= 1e-3
            elif name.endswith("_resistance"):
                size[n] = max(size[n], abs(least))
            elif name.endswith("_conductance"):
                size[n] = max(size[n], 1e-3 / reactance)
        return size

    def of(self, x: FloatArray) -> MotionalCircuit:
        """The same circuit with other parameters (P,)."""
        first = 2 if self.static == "none" else 3
        rows = np.asarray(x[first:]).reshape(-1, 3)
        arms = tuple(Arm(*(float(value) for value in row)) for row in rows)
        loss = 0.0 if self.static == "none" else float(x[2])
        return replace(
            self,
            capacitance=float(x[0]),
            series_resistance=float(x[1]),
            static_loss=loss,
            arms=arms,
        )

    def admittance(self, frequency: FloatArray) -> ComplexArray:
        """Y (K,) in siemens."""
        return self.sloped(self.vector(), frequency, slopes=False).value

    def sloped(self, x: FloatArray, frequency: FloatArray, *, slopes: bool = True) -> Sloped:
        """Y (K,) and its slopes by the parameters (P, K), or none (0, K)."""
        jw = 2j * np.pi * frequency
        named = dict(zip(self.names, parameters(x, slopes), strict=True))
        static = named["static_capacitance"] * jw
        if self.static == "series":
            static = static / (static * named["static_resistance"] + 1.0)
        elif self.static == "parallel":
            static = static + named["static_conductance"]
        inner = static
        for number in range(1, len(self.arms) + 1):
            f, c, r = (
                named[f"arm{number}_{what}"] for what in ("frequency", "capacitance", "resistance")
            )
            # R + j w L + 1/(j w C) with L = 1/((2 pi f)^2 C)
            inner = inner + c * jw / (c * r * jw + 1.0 + jw**2 / (f * f * (4.0 * np.pi**2)))
        return inner / (inner * named["series_resistance"] + 1.0)

    def check(self) -> None:
        """Raise InputError for a circuit that is no passive one."""
        for name, value in zip(self.names, self.vector(), strict=True):
            if not (np.isfinite(value) and value >= 0.0):
                raise InputError(key=name, found=f"{value:.4g}", expected="not negative")


def first_circuit(
    frequency: FloatArray, admittance: ComplexArray, static: Static
) -> MotionalCircuit:
    """A circuit of one arm to start a fit from, read from the data (K,).

    The arm's frequency is that of the largest conductance, C1/C0 = (f_a/f_r)^2 - 1 with f_a that of
    the largest resistance above it, C0 the median of what the susceptance then gives outside, R the
    inverse of the peak; a tenth of it is given to Rs.
    """
    peak = int(np.argmax(admittance.real))
    resonance = float(frequency[peak])
    with np.errstate(divide="ignore", invalid="ignore"):
        resistance = np.nan_to_num((1.0 / admittance).real)
    above = resistance[peak:]
    anti = float(frequency[peak + int(np.argmax(above))])
    ratio = max((anti / resonance) ** 2 - 1.0, 1e-6)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = 1.0 + ratio * resonance**2 / (resonance**2 - frequency**2)
        c0 = admittance.imag / (2.0 * np.pi * frequency) / share
    middle = np.abs(frequency - 0.5 * (resonance + anti)) > 0.75 * (anti - resonance)
    good = np.isfinite(c0) & (c0 > 0.0) & middle
    known = (
        float(np.median(c0[good]))
        if good.any()
        else float(np.max(np.abs(admittance)) / (2.0 * np.pi * resonance) / 50.0)
    )
    top = max(float(admittance.real[peak]), 1e-9)
    arm = Arm(resonance, known * ratio, 0.9 / top)
    loss = {"series": 0.1 / top, "parallel": 1e-6, "none": 0.0}[static]
    return MotionalCircuit(known, (arm,), 0.1 / top, static, loss)
