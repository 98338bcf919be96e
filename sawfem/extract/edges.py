"""Coupling-of-modes constants from the edges of the stop band.

The admittance of an endless grating between its bus-bars, per length and per metre of aperture,
follows from the equations of sawfem/extract/constants.py with dR/dx = dS/dx = 0:

    Y/L = j w C - 4j [d |a|^2 + Re(k a*^2)] / (d^2 - |k|^2),      d = w/v - pi/p.

Its poles are the shorted edges, d = +-|k|, so

    v = p (f1 + f2),          |k| p = pi (f2 - f1)/(f2 + f1),

and its zeros the open edges d1, d2, with d1 + d2 = 4 |a|^2/(w C) and
d1 d2 = -|k|^2 - 4 Re(k a*^2)/(w C). With the edges fixed one number is left, C, the scale of Y:

    Y/L = j w C (d - d1)(d - d2) / (d^2 - |k|^2).

The phase of k against 2 arg a follows from the two shorted standing waves. At d = +-|k| the
second equation gives S/R = d/k; a real field has S = R*, so arg R = (arg k)/2 in the upper edge
and (arg k)/2 + pi/2 in the lower one, and the current is -4j |a||R| cos(arg R - arg a). The two
charges q of modes of equal amplitude thus tell

    tan((arg k)/2 - arg a) = -q_lower / q_upper,

when the lower mode's sign is chosen such that its wave leads the upper one's by +pi/2.

Potentials +-1 on alternate electrodes are a bus-bar voltage of 2: Y per electrode between the
bus-bars is a quarter of the harmonic admittance Y(f, pi).
"""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sawfem.unitcell.reduced import ReducedSystem
from sawfem.unitcell.stopband import Edge, StopBand
from sawfem.unitcell.system import CAPACITANCE

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

#: Share of the band that is kept clear of poles and zeros when the scale of Y is fitted.
CLEAR = 0.02
#: Share of the samples whose deviation the misfit bounds.
FITTED = 0.9
#: How far the band of the fit reaches beyond the outermost edges, as a share of its width.
MARGIN = 0.25


@dataclass(frozen=True)
class TwoModes:
    """The two-mode picture of a stop band with both edges of either kind.

    Attributes
    ----------
    velocity : m/s. reflection : k p with its phase against a real positive a.
    transduction : |a| p, sqrt(S/m). capacitance : C p, F/m per electrode between bus-bars.
    band : (low, high) Hz of the fit. misfit : relative deviation that FITTED of the samples keep.
    frequency, exact, model : samples of Y(f, pi) in S/m, exact and of the picture.
    """

    velocity: float
    reflection: complex
    transduction: float
    capacitance: float
    band: tuple[float, float]
    misfit: float
    frequency: Array
    exact: Complex
    model: Complex


def reflection_phase(lower: Edge, upper: Edge) -> float:
    """Arg k - 2 arg a in radians, from the two shorted edges; 0 or pi in a cell with a mirror."""
    lead = complex(np.vdot(upper.wave[:3], lower.wave[:3]))
    sign = 1.0 if lead.imag >= 0.0 else -1.0
    q_lower, q_upper = sign * lower.charge.real, upper.charge.real
    return -2.0 * math.atan2(q_lower, q_upper)


def two_modes(band: StopBand, *, samples: int = 81) -> TwoModes:
    """Fit the two-mode picture to a complete stop band.

    Raises
    ------
    ValueError : an edge is missing; the caller asks for complete bands only.
    """
    if len(band.shorted) < 2 or len(band.open) < 2:
        raise ValueError("a complete stop band has two shorted and two open edges")
    period = band.model.system.discretisation.cell.period
    lower, upper = band.shorted
    f1, f2 = lower.frequency.real, upper.frequency.real
    velocity = period * (f1 + f2)
    size = math.pi * (f2 - f1) / (f2 + f1)
    phase = _snapped(reflection_phase(lower, upper))

    frequency, exact, shape, clear, limits = _sampled(band, velocity, samples)
    ratio = exact[clear] / shape[clear]
    # Another, weakly coupled wave may cross the band: the median passes over its few samples.
    capacitance = float(np.median(ratio.real))
    misfit = float(np.quantile(np.abs(ratio / capacitance - 1.0), FITTED))
    zeros = sum(_detuning(edge.frequency.real, velocity, period) for edge in band.open)
    omega = math.pi * velocity / period
    a_squared = max(0.0, 0.25 * omega * capacitance * period * zeros.real)
    return TwoModes(
        velocity=velocity,
        reflection=size * cmath.exp(1j * phase),
        transduction=math.sqrt(a_squared),
        capacitance=capacitance,
        band=limits,
        misfit=misfit,
        frequency=frequency,
        exact=4.0 * exact,
        model=4.0 * capacitance * shape,
    )


def _snapped(phase: float) -> float:
    """Exactly 0 or pi where a mirror makes it so to rounding."""
    for exact in (0.0, math.pi, -math.pi):
        if abs(phase - exact) < 1e-7:
            return abs(exact)
    return phase


def _detuning(frequency: complex, velocity: float, period: float) -> complex:
    """D = w/v - pi/p, 1/m."""
    return 2.0 * math.pi * frequency / velocity - math.pi / period


def _sampled(
    band: StopBand, velocity: float, samples: int
) -> tuple[Array, Complex, Complex, NDArray[np.bool_], tuple[float, float]]:
    """Exact Y per electrode between bus-bars, the shape j w (d-d1)(d-d2)/(d^2-|k|^2), where
    both are clear of poles and zeros, and the limits of the band.
    """
    period = band.model.system.discretisation.cell.period
    edges = [*band.shorted, *band.open]
    marks = np.array([edge.frequency.real for edge in edges])
    width = float(np.ptp(marks))
    low, high = float(marks.min()) - MARGIN * width, float(marks.max()) + MARGIN * width
    # Beyond the onset of a bulk wave the picture of two modes ends.
    beyond = [onset for onset in band.onsets if onset > marks.max()]
    high = min(high, *(0.999 * onset + 0.001 * marks.max() for onset in beyond), high)
    frequency = np.linspace(low, high, samples)
    # Samples on an edge would divide by zero: keep them where the picture is smooth.
    nearest = np.min(np.abs(frequency[:, None] - marks), axis=1)
    frequency = frequency[nearest > 1e-6 * width]
    clear = np.min(np.abs(frequency[:, None] - marks), axis=1) > CLEAR * (high - low)
    exact = 0.25 * sampled_admittance(band.model, frequency)
    d = 2.0 * np.pi * frequency / velocity - np.pi / period
    poles = [_detuning(edge.frequency, velocity, period) for edge in band.shorted]
    zeros = [_detuning(edge.frequency, velocity, period) for edge in band.open]
    shape = 2j * np.pi * frequency * (d - zeros[0]) * (d - zeros[1])
    shape = shape / ((d - poles[0]) * (d - poles[1]))
    return frequency, exact, shape, clear, (low, high)


def sampled_admittance(model: ReducedSystem, frequency: Array) -> Complex:
    """Harmonic admittance Y(f, gamma) of a one-electrode cell at real frequencies, S/m."""
    return np.asarray(model.admittances(frequency)[:, 0, 0])


def transduction_from_residues(band: StopBand) -> float:
    """|a| p in sqrt(S/m) from the residues of the exact Y(f, pi) at the shorted edges.

    A second way beside the open edges: near an edge Y = -j 2 pi f^2 C0 q^2/(f - f_edge) with q
    the charge of the mode (Edge.charge, C0 = CAPACITANCE), and the equations give
    -j 8 v |a|^2 cos^2(..) p/(pi (f - f_edge)) with cos^2 summing to one over the two edges, so
    (|a| p)^2 = (pi^2/8) C0 sum(f q^2). It differs from the first by what the two-mode picture
    leaves out.
    """
    total = sum(edge.frequency.real * edge.coupling for edge in band.shorted)
    return math.sqrt(math.pi**2 / 8.0 * CAPACITANCE * total)
