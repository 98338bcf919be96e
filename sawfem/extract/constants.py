"""What a grating is to a device: its constants, their uncertainty, their reasons.

Equations and normalisation: sawfem/extract/coupled.py.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from sawfem.conventions import DECIBEL
from sawfem.errors import ConvergenceError
from sawfem.extract.coupled import ComConstants as ComConstants
from sawfem.quantities import Quantity, entry

#: Decibel per wavelength of a temporal loss Im f / Re f.
PER_WAVELENGTH = 2.0 * math.pi * DECIBEL


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
    pitch, metallisation_ratio : of the grating; m, fraction. The pitch of a cell of several
        electrodes, one wave long, is half its period, and "per electrode" means per pitch.
    velocity : m/s.
    stopband_short, stopband_open : (lower, upper) real parts of the edges, Hz.
    reflection_per_electrode, transduction_per_electrode : see ComConstants. The phase of the
        wave R is chosen so that the transduction is real and positive with the reference at
        the electrode's centre; in a cell with a mirror the reflection is real too.
    coupling_k2 : of the plain stack, fraction; coupling_k2_effective : of the grating.
    capacitance_per_pair, capacitance_fitted_per_pair : static, and that of the equations; F/m.
    attenuation : at the resonant edge, dB per wavelength; attenuation_open at the antiresonance;
        attenuation_coupled : alpha of the equations, the mean of the two shorted edges.
    reflection_back_per_electrode, transduction_back_per_electrode : k' p and a' p of the backward
        wave; conjugates of k p and a p where nothing is lost, equal to them in a lossy cell with
        a mirror.
    capacitance_loss, capacitance_slope : C''/C' and d ln C / d ln f of the fitted capacitance.
    phase_over_group_velocity : how much slower energy travels than the phase, of the shorted wave.
    resonant_edge : "lower" or "upper" shorted edge: the one that alternating voltages drive.
    bulk_onset : Hz, where the first bulk wave of the substrate starts to be radiated.
    next_bulk_onset : Hz, the first such frequency above the resonant edge; on a leaky cut it is
        not the first of all.
    fit_band : (low, high) in Hz over which the fitted capacitance was determined;
        fit_misfit : relative deviation of the two-mode admittance from the exact one that nine
        in ten samples there keep, nearer than 2 per cent of the band to no edge.
    directivity : -sin(arg k - 2 arg a), +1 launches to +x1; reference_plane : m from the left of
        the cell, where the phases of k and a hold; transduction_centre : where a is real.
    fit_range : (low, high) in Hz around the resonance over which the deviation stays below
        FIT_ERROR of sawfem/extract/edges.py (1 per cent).
    numerical : absolute numerical uncertainty under the name of every constant that has one.
    process : standard deviation for stated tolerances of fabrication, where that was asked for
        (sawfem/extract/derivatives.py). Kinds of uncertainty are never merged.
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
    reflection_back_per_electrode: complex | None = None
    transduction_back_per_electrode: complex | None = None
    attenuation_coupled: float | None = None
    capacitance_loss: float | None = None
    capacitance_slope: float | None = None
    phase_over_group_velocity: float | None = None
    fit_range: tuple[float, float] | None = None
    directivity: float | None = None
    reference_plane: float | None = None
    transduction_centre: float | None = None
    numerical: Mapping[str, Any] = field(default_factory=dict)
    process: Mapping[str, Any] = field(default_factory=dict)
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
        alpha = self.attenuation if self.attenuation_coupled is None else self.attenuation_coupled
        return ComConstants(
            pitch=self.pitch,
            velocity=self.velocity,
            reflection=self.reflection_per_electrode,
            transduction=self.transduction_per_electrode,
            capacitance=0.5 * self.capacitance_fitted_per_pair,
            attenuation=nepers_per_metre(alpha, 2.0 * self.pitch),
            reflection_back=_unlike_conjugate(
                self.reflection_per_electrode, self.reflection_back_per_electrode
            ),
            transduction_back=_unlike_conjugate(
                self.transduction_per_electrode, self.transduction_back_per_electrode
            ),
            capacitance_loss=self.capacitance_loss or 0.0,
            capacitance_static=0.5 * self.capacitance_per_pair,
            phase_over_group_velocity=self.phase_over_group_velocity or 1.0,
            **self._slope(),
        )

    def _slope(self) -> dict[str, float]:
        """Slope of C and the half width of the band in which it was fitted."""
        if not self.capacitance_slope or self.fit_band is None or self.velocity is None:
            return {}
        low, high = self.fit_band
        width = 0.5 * (high - low) / (self.velocity / (2.0 * self.pitch))
        return {"capacitance_slope": self.capacitance_slope, "slope_width": width}


def _unlike_conjugate(forward: complex, backward: complex | None) -> complex | None:
    """The backward constant where it is not the conjugate of the forward one."""
    return None if backward == forward.conjugate() else backward


def com_uncertainty(constants: GratingConstants) -> dict[str, float | complex]:
    """Numerical uncertainty of ``constants.com()``, under the names of ComConstants."""
    bars = constants.numerical
    found: dict[str, float | complex] = {}
    for name, key, share in (
        ("velocity", "velocity", 1.0),
        ("reflection", "reflection_per_electrode", 1.0),
        ("transduction", "transduction_per_electrode", 1.0),
        ("capacitance", "capacitance_fitted_per_pair", 0.5),
        ("capacitance_static", "capacitance_per_pair", 0.5),
        ("capacitance_loss", "capacitance_loss", 1.0),
        ("capacitance_slope", "capacitance_slope", 1.0),
        ("phase_over_group_velocity", "phase_over_group_velocity", 1.0),
    ):
        if key in bars:
            found[name] = share * bars[key]
    key = "attenuation_coupled" if "attenuation_coupled" in bars else "attenuation"
    if key in bars:
        found["attenuation"] = nepers_per_metre(bars[key], 2.0 * constants.pitch)
    return found


def decibels_per_wavelength(nepers: float, wavelength: float) -> float:
    """Np/m -> dB per wavelength."""
    return nepers * DECIBEL * wavelength


def nepers_per_metre(decibels_per_wavelength: float, wavelength: float) -> float:
    """DB per wavelength -> Np/m."""
    return decibels_per_wavelength / DECIBEL / wavelength
