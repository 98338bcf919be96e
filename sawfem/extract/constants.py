"""The coupling-of-modes constants of a grating, their equations and their normalisation.

Conventions: sawfem/conventions.py. The reference point of a section is the centre of an
electrode. R runs to +x1 and S to -x1; |R|^2 / 2 and |S|^2 / 2 are powers in watt; V is the
peak bus-bar voltage (alternate electrodes on the two bus-bars) and I the peak current.

    dR/dx = -j d R + j k S + j a V           d = w/v - pi/p - j alpha
    dS/dx = -j k* R + j d S - j a* V
    dI/dx = -2 j a* R - 2 j a S + j w C V

(the form of Plessky & Koskela, Int. J. High Speed Electron. Syst. 10, 867 (2000); Abbott,
PhD thesis, 1991; Chen & Haus, IEEE Trans. Sonics Ultrason. SU-32, 395 (1985); from memory.)
k is the reflection, a the transduction and C the capacitance, each per unit length along x1.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from sawfem.errors import ConvergenceError
from sawfem.quantities import Quantity, entry


@dataclass(frozen=True)
class ComConstants:
    """Constants of one grating, per electrode, for an aperture of one metre.

    Attributes
    ----------
    pitch : m, electrode centre to electrode centre (p).
    velocity : m/s, v = p (f1 + f2) of the shorted stop-band edges f1, f2.
    reflection : k p, dimensionless and complex; |k p| = pi (f2 - f1)/(f2 + f1).
    transduction : a p in sqrt(S/m); for an aperture W it is a p sqrt(W). It is referred to the
        stop-band centre frequency v/(2p) and scales as sqrt(frequency) from there.
    capacitance : C p in F/m: per electrode and metre of aperture, seen from the bus-bars.
    attenuation : alpha in Np/m.
    """

    pitch: float
    velocity: float
    reflection: complex
    transduction: complex
    capacitance: float
    attenuation: float = 0.0

    @property
    def centre_frequency(self) -> float:
        """v/(2p) in hertz, where the detuning d vanishes."""
        return self.velocity / (2.0 * self.pitch)


def effective_coupling(resonance: float, antiresonance: float) -> float:
    """Coupling from a resonance f_r and its antiresonance f_a (IEEE Std 176-1987, section 6).

    K_eff^2 = (pi/2)(f_r/f_a) / tan((pi/2)(f_r/f_a)), a fraction.
    """
    angle = 0.5 * math.pi * resonance / antiresonance
    return angle / math.tan(angle)


@dataclass(frozen=True)
class GratingConstants:
    """What a grating is to a device, with the numerical uncertainty of every number.

    Names, units, signs and definitions are those of the table of quantities
    (sawfem/quantities.toml). A constant that this cut does not have is None and has a sentence
    under its name in ``reasons``.

    Attributes
    ----------
    pitch, metallisation_ratio : of the grating; m, fraction.
    velocity : m/s.
    stopband_short, stopband_open : (lower, upper) real parts of the edges, Hz.
    reflection_per_electrode, transduction_per_electrode : see ComConstants. The phase of the
        wave R is chosen so that the transduction is real and positive with the reference at
        the electrode's centre; in a cell with a mirror the reflection is real too.
    coupling_k2 : of the plain stack, fraction; coupling_k2_effective : of the grating.
    capacitance_per_pair, capacitance_fitted_per_pair : static, and that of the equations; F/m.
    attenuation : at the resonant edge, dB per wavelength; attenuation_open at the antiresonance.
    resonant_edge : "lower" or "upper" shorted edge: the one that alternating voltages drive.
    bulk_onset : Hz, where the first bulk wave of the substrate starts to be radiated.
    next_bulk_onset : Hz, the first such frequency above the resonant edge; on a leaky cut it is
        not the first of all.
    fit_band : (low, high) in Hz over which the fitted capacitance was determined;
        fit_misfit : relative deviation of the two-mode admittance from the exact one that nine
        in ten samples there keep, nearer than 2 per cent of the band to no edge.
    numerical : absolute numerical uncertainty under the name of every constant that has one.
    reasons : why a constant is None, under its name.
    """

    pitch: float
    metallisation_ratio: float
    velocity: float | None
    stopband_short: tuple[float | None, float | None]
    stopband_open: tuple[float | None, float | None]
    reflection_per_electrode: complex | None
    transduction_per_electrode: complex | None
    coupling_k2: float | None
    coupling_k2_effective: float | None
    capacitance_per_pair: float
    capacitance_fitted_per_pair: float | None
    attenuation: float
    attenuation_open: float | None
    resonant_edge: str
    bulk_onset: float | None
    fit_band: tuple[float, float] | None
    fit_misfit: float | None
    next_bulk_onset: float | None = None
    numerical: Mapping[str, Any] = field(default_factory=dict)
    reasons: Mapping[str, str] = field(default_factory=dict)

    def quantity(self, name: str, part: int | None = None) -> Quantity:
        """One constant with its numerical uncertainty and unit: prints 3876.522 ± 0.001 m/s.

        Parameters
        ----------
        name : of a real or complex constant, or of a pair with ``part`` 0 (lower) or 1 (upper).

        A constant that this grating does not have is NaN and prints "not known"; of a complex
        one the larger of the two uncertainties is kept. Raises NotFoundError for another name.
        """
        value, bar = getattr(self, entry(name).name, None), self.numerical.get(name)
        if part is not None and isinstance(value, tuple):
            value, bar = value[part], bar[part] if bar else None
        if isinstance(bar, complex):
            bar = max(bar.real, bar.imag)
        return Quantity.of(name, math.nan if value is None else value, bar)

    def com(self) -> ComConstants:
        """The constants as a device model takes them.

        Raises
        ------
        ConvergenceError : the grating does not have all of them; the message says why.
        """
        needed = {
            "velocity": self.velocity,
            "reflection_per_electrode": self.reflection_per_electrode,
            "transduction_per_electrode": self.transduction_per_electrode,
            "capacitance_fitted_per_pair": self.capacitance_fitted_per_pair,
        }
        for name, value in needed.items():
            if value is None:
                raise ConvergenceError(
                    f"a device needs the grating's {name.replace('_', ' ')}, which this grating "
                    f"does not have: {self.reasons.get(name, 'no reason given')}"
                )
        assert self.velocity is not None
        assert self.reflection_per_electrode is not None
        assert self.transduction_per_electrode is not None
        assert self.capacitance_fitted_per_pair is not None
        return ComConstants(
            pitch=self.pitch,
            velocity=self.velocity,
            reflection=self.reflection_per_electrode,
            transduction=self.transduction_per_electrode,
            capacitance=0.5 * self.capacitance_fitted_per_pair,
            attenuation=nepers_per_metre(self.attenuation, 2.0 * self.pitch),
        )


def com_uncertainty(constants: GratingConstants) -> dict[str, float | complex]:
    """Numerical uncertainty of ``constants.com()``, under the names of ComConstants."""
    bars = constants.numerical
    found: dict[str, float | complex] = {}
    for name, key, share in (
        ("velocity", "velocity", 1.0),
        ("reflection", "reflection_per_electrode", 1.0),
        ("transduction", "transduction_per_electrode", 1.0),
        ("capacitance", "capacitance_fitted_per_pair", 0.5),
    ):
        if key in bars:
            found[name] = share * bars[key]
    if "attenuation" in bars:
        found["attenuation"] = nepers_per_metre(bars["attenuation"], 2.0 * constants.pitch)
    return found


def nepers_per_metre(decibels_per_wavelength: float, wavelength: float) -> float:
    """DB per wavelength -> Np/m."""
    return decibels_per_wavelength * math.log(10.0) / 20.0 / wavelength
