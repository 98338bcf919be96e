"""The one-port resonator of sawfem/device/resonator.py with its slopes by the constants.

The same closed form (sawfem/device/section.py: D, i0, g, X), written once for numbers that carry
slopes; u = z^2 = (k k' - d^2) L^2. With the reflections G1, G2 that the transducer sees beyond its
gaps, Y = P33 - 2 p^T G (1 - P G)^-1 p, p = (P13, P23), and Y/(1 + R Y) behind the resistance R.

Parameters
    velocity           v, m/s, of the grating and of the gaps
    reflection         real factor of the unit phasor of the k p that was started from, and of k' p
    transduction       the same of a p and a' p, sqrt(S/m)
    capacitance        C' p, F/m, per electrode and metre of aperture
    propagation_loss   dB/s along transducer, mirrors and gaps, beside what the constants hold
    resistance         R, ohm

The phases of k and a, losses inside the constants and the slope of the capacitance stay as they
were computed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from sawfem.device.description import Resonator
from sawfem.device.pmatrix import ComplexArray, FloatArray
from sawfem.device.resonator import check_geometry
from sawfem.errors import InputError
from sawfem.extract.constants import ComConstants
from sawfem.measured.slopes import Sloped, constant, exp, parameters, section_functions, sqrt, tanh

PARAMETERS = (
    "velocity",
    "reflection",
    "transduction",
    "capacitance",
    "propagation_loss",
    "resistance",
)


@dataclass(frozen=True)
class OnePort:
    """A resonator whose geometry is known and whose constants are sought.

    Attributes
    ----------
    device : geometry; its attenuation and resistance are replaced by the parameters.
    constants : what the parameters start from, of transducer and mirrors alike.
    """

    device: Resonator
    constants: ComConstants

    def __post_init__(self) -> None:
        check_geometry(self.device, self.constants, self.constants)
        if self.constants.reflection == 0.0 or self.constants.transduction == 0.0:
            raise InputError(
                key="reflection", found="0", expected="a reflection and a transduction to fit"
            )

    def start(self, propagation_loss: float, resistance: float) -> FloatArray:
        """The parameters (6,) of the constants as they are."""
        c = self.constants
        return np.array(
            [
                c.velocity,
                abs(c.reflection),
                abs(c.transduction),
                c.capacitance,
                propagation_loss,
                resistance,
            ]
        )

    def scale(self, frequency: FloatArray) -> FloatArray:
        """How large a step of each parameter is, (6,): small beside what would lose a resonance."""
        c = self.constants
        middle = float(frequency.mean())
        susceptance = 2.0 * np.pi * middle * c.capacitance * self.device.fingers
        return np.array(
            [
                1e-3 * c.velocity,
                0.1 * abs(c.reflection) + 1e-4,
                0.1 * abs(c.transduction),
                0.1 * c.capacitance,
                1e-3 * middle * 2.0 * np.pi,
                0.01 / (susceptance * self.device.aperture),
            ]
        )

    def with_values(self, x: FloatArray) -> tuple[ComConstants, float, float]:
        """Constants, propagation loss in dB/s and resistance in ohm of parameters (6,)."""
        c = self.constants
        k, a = x[1] / abs(c.reflection), x[2] / abs(c.transduction)
        moved = replace(
            c,
            velocity=float(x[0]),
            reflection=c.reflection * k,
            transduction=c.transduction * a,
            reflection_back=None if c.reflection_back is None else c.reflection_back * k,
            transduction_back=None if c.transduction_back is None else c.transduction_back * a,
            capacitance=float(x[3]),
            capacitance_static=(
                None if c.capacitance_static is None else c.static * float(x[3]) / c.capacitance
            ),
        )
        return moved, float(x[4]), float(x[5])

    def admittance(self, x: FloatArray, frequency: FloatArray) -> ComplexArray:
        """Y (K,) in siemens for parameters (6,)."""
        return self.sloped(x, frequency, slopes=False).value

    def sloped(self, x: FloatArray, frequency: FloatArray, *, slopes: bool = True) -> Sloped:
        """Y (K,) in siemens and its slopes (6, K), or none (0, K)."""
        v, k_size, a_size, c, loss, resistance = parameters(x, slopes)
        known, p, n = self.constants, self.constants.pitch, x.size if slopes else 0
        w = 2.0 * np.pi * frequency
        slowness = 1.0 / v
        extra = loss * slowness * (math.log(10.0) / 20.0)
        g = known.phase_over_group_velocity
        d = (slowness * w - (np.pi / p) - 1j * (extra + known.attenuation)) * g
        phasor_k, phasor_a = abs(known.reflection) * p, abs(known.transduction) * p
        k, k_back = (k_size * (g * part / phasor_k) for part in known.both_reflections)
        place = slowness * (2.0 * p * frequency)  # f over v/(2p)
        scale = constant(1.0, n)
        if known.capacitance_slope:
            far = tanh((place - 1.0) / known.slope_width)
            scale = far * (known.capacitance_slope * known.slope_width) + 1.0
        growth = sqrt(place * scale * (g * self.device.aperture))
        a, a_back = (a_size * (part / phasor_a) * growth for part in known.both_transductions)
        loaded = 1j * (1.0 - 1j * known.capacitance_loss) / p * self.device.aperture
        susceptance = c * scale * (w * loaded)
        mirror = _Constants(d, k, k_back)
        if self.device.reflector_connection == "open":
            # j w C = susceptance; the equations of open strips divide by w C (section.py)
            per_metre = susceptance * -1j
            mirror = _Constants(
                d - 2.0 * a * a_back / per_metre,
                k + 2.0 * a * a / per_metre,
                k_back + 2.0 * a_back * a_back / per_metre,
            )
        free = self.device.gap - p
        gap = exp((slowness * (1j * w) + extra) * (-2.0 * free))
        sides: list[Sloped | None] = []
        known_mirrors: dict[int, tuple[Sloped, Sloped]] = {}
        for side, strips in enumerate(self.device.reflector_fingers):
            if strips and strips not in known_mirrors:
                known_mirrors[strips] = _mirror(mirror, strips * p)
            sides.append(known_mirrors[strips][side] * gap if strips else None)
        y = _driven(_Constants(d, k, k_back), a, a_back, self.device.fingers, p, sides)
        y = y + susceptance * (self.device.fingers * p)
        return y / (y * resistance + 1.0)


@dataclass(frozen=True, eq=False)
class _Constants:
    """D, k and k' of the passive equations, 1/m."""

    d: Sloped
    k: Sloped
    k_back: Sloped

    def square(self, length: float) -> Sloped:
        """U = (k k' - d^2) L^2."""
        return (self.k * self.k_back - self.d * self.d) * length**2


def _mirror(c: _Constants, length: float) -> tuple[Sloped, Sloped]:
    """P22 of a left mirror and P11 of a right one: what comes back to the transducer."""
    cosh, i0, _ = section_functions(c.square(length))
    common = i0 * (-1j * length) / (cosh + c.d * i0 * (1j * length))
    return c.k * common, c.k_back * common


def _driven(
    c: _Constants, a: Sloped, a_back: Sloped, fingers: int, pitch: float, sides: list[Sloped | None]
) -> Sloped:
    """Y of the transducer between its mirrors, without the capacitance."""
    L, sign = fingers * pitch, (-1) ** fingers
    u = c.square(L)
    cosh, i0, g = section_functions(u)
    _, half, g_half = section_functions(u * 0.25)
    D = cosh + c.d * i0 * (1j * L)
    square = half * half
    left = (a_back * i0 * (1j * L) - (c.d * a_back + c.k_back * a) * square * (0.5 * L**2)) / D
    right = (a * i0 * (1j * L) - (c.d * a + c.k * a_back) * square * (0.5 * L**2)) / D
    p13, p23 = left * -1j, right * (1j * sign)
    X = c.d * a * a_back + (c.k * a_back * a_back + c.k_back * a * a) * 0.5
    stored = g * L**3 + c.d * half * g_half * (0.25j * L**4)
    y = (a * a_back * square * (2.0 * L**2) + X * stored * 4j) / D
    P11, P22 = c.k_back * i0 * (-1j * L) / D, c.k * i0 * (-1j * L) / D
    growth = np.exp(-np.abs(np.sqrt(u.value).real))
    P12 = (1.0 / D) * (sign * growth)
    G1, G2 = sides
    if G1 is None and G2 is None:
        return y
    nothing = p13 * 0.0
    G1, G2 = G1 or nothing, G2 or nothing
    # (1 - P G) b = p V, then Y = P33 - 2 p^T G b
    m11, m22 = 1.0 - P11 * G1, 1.0 - P22 * G2
    m12, m21 = P12 * G2, P12 * G1
    determinant = m11 * m22 - m12 * m21
    b1 = (m22 * p13 + m12 * p23) / determinant
    b2 = (m11 * p23 + m21 * p13) / determinant
    echo: Sloped = p13 * G1 * b1 + p23 * G2 * b2
    return y - echo * 2.0
