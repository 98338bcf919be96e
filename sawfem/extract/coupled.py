"""The coupling-of-modes equations and the constants that stand in them.

Conventions: sawfem/conventions.py. The reference point of a section is the centre of an
electrode. R runs to +x1 and S to -x1; |R|^2 / 2 and |S|^2 / 2 are powers in watt; V is the
peak bus-bar voltage (alternate electrodes on the two bus-bars) and I the peak current.

    dR/dx = -j d R + j k S + j a V           d = w/v - pi/p - j alpha
    dS/dx = -j k' R + j d S - j a' V
    dI/dx = -2 j a' R - 2 j a S + j w C V

(the form of Plessky & Koskela, Int. J. High Speed Electron. Syst. 10, 867 (2000); Abbott,
PhD thesis, 1991; Chen & Haus, IEEE Trans. Sonics Ultrason. SU-32, 395 (1985); from memory.)
k is the reflection, a the transduction and C the capacitance, each per unit length along x1.

Reciprocity. For two solutions of the first two equations

    d/dx (R1 S2 - R2 S1) = V1 (j a S2 + j a' R2) - V2 (j a S1 + j a' R1),

which is -(1/2)(V1 dI2/dx - V2 dI1/dx) with the third equation as it stands: sections are
reciprocal for any k, k', a, a'.

Losses. The power lost per length, -(1/2) d/dx (|R|^2 - |S|^2) + (1/2) Re(V* dI/dx), is x^H Q x
of x = (R, S, V) with

        [ alpha            -j (k - k'*)/2   -j (a - a'*)/2 ]
    Q = [ conjugate         alpha           -j (a' - a*)/2 ]       C = C' - j C''
        [ conjugate         conjugate        w C''/2       ]

A lossless grating has Q = 0: k' = k*, a' = a*, alpha = C'' = 0. A passive one has Q >= 0. A cell
with a mirror has k' = k and a' = a (reference at the mirror), whatever its losses; the parts that
Q holds then say how much less its one standing wave radiates than the other.

Dispersion. Far modes make C and a a' of one cell vary alike with frequency, by a factor s(f) that
leaves all edges where they are. Here it is s = 1 + S W tanh[(f/f0 - 1)/W], f0 = v/(2p): a slope S
over the band in which it was fitted (half width W f0), and constant far outside it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

#: |k p| below this is rounding.
NO_REFLECTION = 1e-9


@dataclass(frozen=True)
class ComConstants:
    """Constants of one grating, per electrode, for an aperture of one metre.

    Attributes
    ----------
    pitch : m, electrode centre to electrode centre (p).
    velocity : m/s, v = p Re(f1 + f2) of the shorted stop-band edges f1, f2.
    reflection : k p, dimensionless and complex; k k' p^2 = [pi (f2 - f1)/Re(f2 + f1)]^2.
    transduction : a p in sqrt(S/m); for an aperture W it is a p sqrt(W). It is referred to the
        stop-band centre frequency v/(2p) and scales as sqrt(frequency) from there.
    capacitance : C' p in F/m: per electrode and metre of aperture, seen from the bus-bars.
    attenuation : alpha in Np/m.
    reflection_back, transduction_back : k' p and a' p; None means the conjugates of k p and a p,
        as without losses or with no other loss than alpha.
    capacitance_loss : C''/C', the loss tangent of the capacitance: what the electrodes radiate
        into the bulk by themselves.
    capacitance_static : C p at low frequency, F/m; None takes C' p for it.
    phase_over_group_velocity : g. What a section does is that of d, k, k', alpha and a a' times g,
        which leaves Y(f, pi) and all edges as they are (sawfem/extract/group_velocity.py).
    capacitance_slope, slope_width : S = d ln C / d ln f at v/(2p), and W; zero S is none.
    """

    pitch: float
    velocity: float
    reflection: complex
    transduction: complex
    capacitance: float
    attenuation: float = 0.0
    reflection_back: complex | None = None
    transduction_back: complex | None = None
    capacitance_loss: float = 0.0
    capacitance_slope: float = 0.0
    slope_width: float = 0.05
    capacitance_static: float | None = None
    phase_over_group_velocity: float = 1.0

    @property
    def centre_frequency(self) -> float:
        """v/(2p) in hertz, where the detuning d vanishes."""
        return self.velocity / (2.0 * self.pitch)

    @property
    def both_reflections(self) -> tuple[complex, complex]:
        """K p and k' p."""
        return self.reflection, _partner(self.reflection, self.reflection_back)

    @property
    def both_transductions(self) -> tuple[complex, complex]:
        """A p and a' p in sqrt(S/m)."""
        return self.transduction, _partner(self.transduction, self.transduction_back)

    @property
    def complex_capacitance(self) -> complex:
        """C p = (C' - j C'') p in F/m."""
        return complex(self.capacitance, -self.capacitance * self.capacitance_loss)

    @property
    def static(self) -> float:
        """C p at low frequency, F/m."""
        return self.capacitance if self.capacitance_static is None else self.capacitance_static

    def scale(self, frequency: Array) -> Array:
        """The factor s(f) of C and of a a' at frequencies in hertz."""
        far = np.tanh((frequency / self.centre_frequency - 1.0) / self.slope_width)
        return np.asarray(1.0 + self.capacitance_slope * self.slope_width * far)

    def lossless(self) -> ComConstants:
        """The same grating with Q = 0: the Hermitian parts of k and a, no other loss."""
        k, k_back = self.both_reflections
        a, a_back = self.both_transductions
        return replace(
            self,
            reflection=0.5 * (k + k_back.conjugate()),
            transduction=0.5 * (a + a_back.conjugate()),
            attenuation=0.0,
            reflection_back=None,
            transduction_back=None,
            capacitance_loss=0.0,
        )

    def with_losses(self, factor: float) -> ComConstants:
        """The same grating with Q ``factor`` times as large; zero is :meth:`lossless`."""
        quiet = self.lossless()
        if factor == 0.0:
            return quiet
        k, k_back = self.both_reflections
        a, a_back = self.both_transductions
        k0, a0 = quiet.reflection, quiet.transduction
        return replace(
            self,
            reflection=k0 + factor * (k - k0),
            transduction=a0 + factor * (a - a0),
            attenuation=factor * self.attenuation,
            reflection_back=k0.conjugate() + factor * (k_back - k0.conjugate()),
            transduction_back=a0.conjugate() + factor * (a_back - a0.conjugate()),
            capacitance_loss=factor * self.capacitance_loss,
        )

    @property
    def directivity(self) -> float:
        """-sin(arg k - 2 arg a) by the Hermitian parts: +1 launches best to +x1, -1 to -x1.

        Zero where |k p| is below NO_REFLECTION, as of double electrodes: it has no phase then.

        To first order a short transducer of length L launches |P13|^2, |P23|^2 in the proportion
        1 + |k| L sin(arg k - 2 arg a) to 1 - the same (sawfem/device/section.py at d = 0).
        """
        quiet = self.lossless()
        k, a = quiet.reflection, quiet.transduction
        size = abs(k) * abs(a) ** 2
        if abs(k) < NO_REFLECTION or size == 0.0:
            return 0.0
        return float(-(k * a.conjugate() ** 2).imag / size)

    def moved(self, name: str, change: float | complex) -> ComConstants:
        """One constant changed, its partner of the backward wave with it."""
        moved: dict[str, Any] = {name: getattr(self, name) + change}
        partner: complex | None = getattr(self, f"{name}_back", None)
        if partner is not None:
            value = getattr(self, name)
            mirror = abs(partner - value) <= abs(partner - value.conjugate())
            step = complex(change)
            moved[f"{name}_back"] = partner + (step if mirror else step.conjugate())
        return replace(self, **moved)

    def dissipation(self) -> Complex:
        """Q p at the centre frequency (module docstring), (3, 3) Hermitian; R, S in sqrt(W).

        V is measured in units of 1/sqrt(w C' p), which makes all entries dimensionless.
        """
        (k, k_back), (a, a_back) = self.both_reflections, self.both_transductions
        susceptance = 2.0 * np.pi * self.centre_frequency * self.capacitance
        unit = 1.0 / np.sqrt(susceptance) if susceptance > 0.0 else 0.0
        Q = np.zeros((3, 3), dtype=complex)
        Q[0, 1] = -0.5j * (k - k_back.conjugate())
        Q[0, 2] = -0.5j * (a - a_back.conjugate()) * unit
        Q[1, 2] = -0.5j * (a_back - a.conjugate()) * unit
        Q += Q.conj().T
        Q[0, 0] = Q[1, 1] = self.attenuation * self.pitch
        Q[2, 2] = 0.5 * self.capacitance_loss
        return Q

    def least_loss(self) -> float:
        """Smallest eigenvalue of :meth:`dissipation`: negative where power would be made."""
        return float(np.linalg.eigvalsh(self.dissipation())[0])


def _partner(value: complex, back: complex | None) -> complex:
    return complex(value).conjugate() if back is None else back


def two_mode_admittance(
    constants: ComConstants, frequency: Array, *, share: float = 0.25
) -> Complex:
    """Y(f, pi) in S/m of the coupling-of-modes equations, (m,) at ``frequency`` (m,) in Hz.

    With dR/dx = dS/dx = 0 they give, between the bus-bars and per electrode,

        Y = j w C p - 4j p [d a a' + (k a'^2 + k' a^2)/2] / (d^2 - k k');

    potentials +-1 are a bus-bar voltage of two, a quarter of Y(f, pi). The answer is that Y over
    ``share``: 1/2 gives the admittance of a cell of two pitches between the bus-bars.
    """
    f = np.asarray(frequency, dtype=float)
    p, v = constants.pitch, constants.velocity
    k, k_back = (part / p for part in constants.both_reflections)
    scale = constants.scale(f)
    growth = np.sqrt(f / constants.centre_frequency * scale)
    a, a_back = (part / p * growth for part in constants.both_transductions)
    d = 2.0 * np.pi * f / v - np.pi / p - 1j * constants.attenuation
    driven = d * a * a_back + 0.5 * (k * a_back**2 + k_back * a**2)
    waves = 4j * p * driven / (d**2 - k * k_back)
    capacitance = constants.complex_capacitance * scale
    return np.asarray((2j * np.pi * f * capacitance - waves) / share)
