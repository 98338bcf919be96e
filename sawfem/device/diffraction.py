"""What spreading and steering of the beam cost between two transducers of one track.

The coupling of sources n and receivers m (:mod:`.sources`) is

    G = (1 / 2 pi) integral S(k2) R(k2) exp(-j (k1 - k) d) d k2,

S the spectrum of the sources at their last line, R that which the receivers read at their first
one, d the gap between, and k the wavenumber along x1; without spreading and steering it would be
G0 = sum w_n w_m (common width). The factor D = G / G0 belongs to the transfer admittance. Swapping
source and receiver leaves G as it is, since a slowness curve is symmetric about its centre.

The weights are in phase at the synchronous frequency of the transducers, so that D is smooth over
frequency; :func:`transfer` keeps their true phases instead, as the response needs outside of the
pass band. The beam runs on the plain surface all the way: the electrodes' own slowness is left
out; waves that pass more than once are in :mod:`.passages`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from sawfem.conventions import DECIBEL
from sawfem.device.angular_spectrum import (
    ROLL,
    SPAN,
    ComplexArray,
    FloatArray,
    Spectrum,
    spectrum,
)
from sawfem.device.sources import Segments, driven, parallel
from sawfem.errors import InputError
from sawfem.planewave.slowness_curve import SlownessCurve

#: k2 W / 2 at which the power of a uniform source has fallen to half: root of sinc^2 = 1/2.
HALF_POWER = 1.391557378251510


@dataclass(frozen=True)
class Factor:
    """What diffraction multiplies the transfer between two transducers by.

    Attributes
    ----------
    value : D, complex; nan where parallel beams would miss each other.
    coupling, parallel : G and G0, m.
    quadrature : change of |D| by twice the panels. evanescent : share of the evanescent waves.
    directions : change by the nodes of the slowness curve. ends : change by where the spectrum is
        rolled off: beside the beam, or where the wave was not found at some directions.
    """

    value: complex
    coupling: complex
    parallel: complex
    quadrature: float
    evanescent: float
    directions: float
    ends: float

    @property
    def error(self) -> float:
        """Sum of the four, in units of D."""
        return self.quadrature + self.evanescent + self.directions + self.ends

    @property
    def loss(self) -> float:
        """-20 log10 |D|, dB."""
        return -20.0 * math.log10(abs(self.value)) if self.value else math.inf

    @property
    def loss_error(self) -> float:
        """What the error makes of the loss, dB."""
        return DECIBEL * self.error / abs(self.value) if self.value else math.inf


def check_apart(source: Segments, receiver: Segments) -> float:
    """The gap between the last source and the first receiver, m. InputError unless positive."""
    gap = float(np.min(receiver.x) - np.max(source.x))
    if not gap > 0.0:
        raise InputError(
            key="gap", found=f"{gap:g} m", expected="a receiver that lies behind the source"
        )
    return gap


def reached(source: Segments, receiver: Segments) -> tuple[float, float]:
    """(largest distance along x, largest distance across), m, between source and receiver."""
    along = float(np.max(receiver.x) - np.min(source.x))
    (a, b), (c, d) = source.extent, receiver.extent
    return along, max(abs(d - a), abs(b - c))


def coupling(waves: Spectrum, source: Segments, receiver: Segments) -> complex:
    """G, m, without the phase of the wave along x1."""
    gap = check_apart(source, receiver)
    last, first = float(np.max(source.x)), float(np.min(receiver.x))
    excess = waves.excess
    sent = driven(source, excess, waves.k2, last)
    read = driven(receiver, excess, waves.k2, first, leftwards=True)
    return complex(np.sum(waves.weight * sent * read * np.exp(-1j * excess * gap)))


def factor(curve: SlownessCurve, frequency: float, source: Segments, receiver: Segments) -> Factor:
    """The factor D of a pair at one frequency, Hz, with what its computation leaves open.

    Weights are taken as they are: in phase for the synchronous frequency.

    Raises
    ------
    InputError : a receiver that does not lie behind the source.
    """
    gap = check_apart(source, receiver)
    along, across = reached(source, receiver)

    def found(curve: SlownessCurve, span: float = SPAN, roll: float = ROLL) -> complex:
        waves = spectrum(curve, frequency, along, across, gap=gap, span=span, roll=roll)
        return coupling(waves, source, receiver)

    waves = spectrum(curve, frequency, along, across, gap=gap)
    value = coupling(waves, source, receiver)
    straight = parallel(source, receiver)
    scale = abs(straight) or math.inf
    ends = abs(found(curve, roll=0.5 * ROLL) - value) / scale if waves.rolled else 0.0
    return Factor(
        value=value / straight if straight else complex(math.nan, math.nan),
        coupling=value,
        parallel=straight,
        quadrature=abs(found(curve, span=0.5 * SPAN) - value) / scale,
        evanescent=abs(value - coupling(waves.carried(), source, receiver)) / scale,
        directions=abs(found(curve.thinned()) - value) / (15.0 * scale),
        ends=ends,
    )


def factors(
    curve: SlownessCurve, frequency: ArrayLike, source: Segments, receiver: Segments
) -> ComplexArray:
    """D at frequencies (F,), Hz; as :func:`factor`, without its error."""
    gap = check_apart(source, receiver)
    along, across = reached(source, receiver)
    straight = parallel(source, receiver)
    if not straight:
        raise InputError(
            key="aperture",
            found="transducers that lie beside each other",
            expected="apertures that overlap, to compare with",
        )
    found = [
        coupling(spectrum(curve, f, along, across, gap=gap), source, receiver) / straight
        for f in np.atleast_1d(np.asarray(frequency, dtype=float))
    ]
    return np.array(found)


def transfer(
    curve: SlownessCurve,
    frequency: ArrayLike,
    source: Segments,
    receiver: Segments,
    velocity: float,
) -> tuple[ComplexArray, ComplexArray]:
    """Coupling with and without diffraction over frequency, (F,) each, in units of its maximum.

    Parameters
    ----------
    source, receiver : with the weights of their polarity, not phased.
    velocity : m/s, at which the phase runs through the transducers and the gap.

    The delta-function model of the pair: no reflection, no impedance. Both are divided by
    sum |w_n w_m| (common width), which is what synchronous sources make of parallel beams.
    """
    gap = check_apart(source, receiver)
    along, across = reached(source, receiver)
    size = abs(parallel(_absolute(source), _absolute(receiver))) or 1.0
    found = []
    for f in np.atleast_1d(np.asarray(frequency, dtype=float)):
        k = 2.0 * math.pi * f / velocity
        sent, read = source.phased(k), receiver.phased(-k)
        waves = spectrum(curve, f, along, across, gap=gap)
        found.append((coupling(waves, sent, read) / size, parallel(sent, read) / size))
    with_it, without = np.array(found).T
    return with_it, without


def _absolute(part: Segments) -> Segments:
    return replace(part, weight=np.abs(part.weight).astype(complex))


def beam_field(
    curve: SlownessCurve, frequency: float, source: Segments, x: FloatArray, y: FloatArray
) -> ComplexArray:
    """Field behind a source, (x, y), without the phase of the wave along x1.

    Parameters
    ----------
    x : m, positions behind the last line of the source, increasing. y : m.

    In units of the sum of the source's weights: 1 in the middle of an undisturbed beam.
    """
    last = float(np.max(source.x))
    if not (x.ndim == 1 and np.all(x > last)):
        raise InputError(key="x", found=f"{np.min(x):g} m", expected=f"behind {last:g} m")
    along = float(np.max(x) - np.min(source.x))
    low, high = source.extent
    across = float(max(np.max(y) - low, high - np.min(y)))
    waves = spectrum(curve, frequency, along, across, gap=float(np.min(x)) - last)
    sent = driven(source, waves.excess, waves.k2, last) * waves.weight
    ahead = _phasors(waves.excess, x - last) * sent
    beside = _phasors(waves.k2, y).T
    return np.asarray(ahead @ beside / np.sum(source.weight))


def _phasors(k: ComplexArray | FloatArray, places: FloatArray) -> ComplexArray:
    """exp(-j k x), (x, k); by powers of one step where the places are equidistant."""
    steps = np.diff(places)
    if len(steps) < 2 or np.ptp(steps) > 1e-12 * float(np.max(np.abs(places))):
        return np.asarray(np.exp(-1j * np.outer(places, k)))
    found = np.empty((len(places), len(k)), dtype=complex)
    found[0] = np.exp(-1j * k * places[0])
    found[1:] = np.exp(-1j * k * steps.mean())
    return np.asarray(np.cumprod(found, axis=0))


def far_field_angles(
    curve: SlownessCurve, frequency: float, aperture: float
) -> tuple[float, float]:
    """Ray angles theta + psi, radians from x1, of half the power of a uniform source far away.

    A direction theta is driven as sinc(k2 W / 2); its power goes along theta + psi. On an isotropic
    surface sin = +-0.443 wavelength / W (Goodman). InputError for an aperture so narrow that the
    wave does not reach these directions.
    """
    if not (math.isfinite(aperture) and aperture > 0.0):
        raise InputError(key="aperture", found=f"{aperture!r} m", expected="a positive length")
    s2 = 2.0 * HALF_POWER / aperture / (2.0 * math.pi * frequency)
    theta = curve.direction(np.array([-s2, s2]))
    low, high = theta + curve.flow(theta)
    return float(low), float(high)
