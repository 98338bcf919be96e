"""Coupling-of-modes constants from the edges of the stop band.

The admittance of an endless grating between its bus-bars, per length and per metre of aperture,
follows from the equations of sawfem/extract/coupled.py with dR/dx = dS/dx = 0:

    Y/L = j w C - 4j [d a a' + (k a'^2 + k' a^2)/2] / (d^2 - k k'),   d = w/v - pi/p - j alpha.

Its poles are the shorted edges, d = +-sqrt(k k'), complex where the wave loses power, so

    v = p Re(f1 + f2),    alpha p = pi Im(f1 + f2)/Re(f1 + f2),
    k k' p^2 = [pi (f2 - f1)/Re(f1 + f2)]^2,

and its zeros the open edges d1, d2, with d1 + d2 = 4 a a'/(w C) and
d1 d2 = -k k' - 2 (k a'^2 + k' a^2)/(w C). With the edges fixed one number is left, C, the scale
of Y, and complex as they are:

    Y/L = j w C (d - d1)(d - d2) / (d^2 - k k').

The phase of k against 2 arg a follows from the two shorted standing waves. At d = +-|k| the
second equation gives S/R = d/k; a real field has S = R*, so arg R = (arg k)/2 in the upper edge
and (arg k)/2 + pi/2 in the lower one, and the current is -4j |a||R| cos(arg R - arg a). The two
charges q of modes of equal amplitude thus tell

    tan((arg k)/2 - arg a) = -q_lower / q_upper,

when the lower mode's sign is chosen such that its wave leads the upper one's by +pi/2. The
reference of R and S is chosen so that a' = a: k p = K exp(j phase), k' p = K exp(-j phase), with
K^2 = k k' p^2 (in a cell with a mirror k' = k).

Losses. C is fitted as a complex number. What the edges and C say must not make power (Q >= 0 in
coupled.py): near the resonance of a leaky cut the little that is radiated there leaves almost no
room for Im a, so that Im(d1 + d2) and C''/C' nearly determine one another. Where the fit of C''
oversteps that, it is brought back to the nearest value that is passive (a closed form, in
sawfem/extract/passive.py). Phases of k stay real: in a leaky cell without a mirror the charges of
the two edges tell a small imaginary part, |k| against |k'|, which is left out.

Potentials +-1 on alternate electrodes are a bus-bar voltage of 2: Y per electrode between the
bus-bars is a quarter of the harmonic admittance Y(f, pi). A cell of connected electrodes, one wave
long, holds two pitches, and has half of its admittance for each.

Reference plane. It is the centre of the electrode or, of several, of the first hot one. With one
electrode a cell R is so chosen that a is real there. With several, a is real where the electrodes
launch from, the transduction centre x_t: there the fundamental of the static potential above the
electrodes is real (its phase is that of the fundamental of their charge). At the reference x_0,
with K = pi/p, a has the phase K (x_t - x_0) and k twice that more.
"""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sawfem.extract.coupled import ComConstants, two_mode_admittance
from sawfem.extract.passive import passive_constants
from sawfem.unitcell.connection import ConnectedSystem
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
#: Relative deviation from the exact Y that ends the range over which the picture fits.
FIT_ERROR = 0.01


@dataclass(frozen=True)
class TwoModes:
    """The two-mode picture of a stop band with both edges of either kind.

    Attributes
    ----------
    com : the constants, a real and positive where nothing is lost.
    band : (low, high) Hz of the fit. misfit : relative deviation that FITTED of the samples keep.
    fit_range : (low, high) Hz around the resonance where the deviation stays below FIT_ERROR,
        between the samples there.
    frequency, exact, model : samples of Y(f, pi) in S/m, exact and of the picture.
    reference, transduction_centre : x_0 and x_t, m from the left of the cell.
    overstep : the share of C' by which C'' was moved to keep the picture passive.
    """

    com: ComConstants
    band: tuple[float, float]
    misfit: float
    fit_range: tuple[float, float]
    frequency: Array
    exact: Complex
    model: Complex
    reference: float
    transduction_centre: float
    overstep: float = 0.0

    @property
    def velocity(self) -> float:
        """Of the equations, m/s."""
        return self.com.velocity

    @property
    def reflection(self) -> complex:
        """K p."""
        return self.com.reflection

    @property
    def transduction(self) -> complex:
        """A p, sqrt(S/m)."""
        return self.com.transduction

    @property
    def capacitance(self) -> float:
        """C' p, F/m per electrode between the bus-bars."""
        return self.com.capacitance


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
    frequency, exact, shape, clear, limits = _sampled(band, samples)
    ratio = exact[clear] / shape[clear]
    com, overstep = _passive(band, _scale(band, frequency[clear], ratio, limits))
    reference, launch = _planes(band)
    com = referred(com, launch - reference)
    model = two_mode_admittance(com, frequency, share=band.share)
    off = np.abs(model * band.share / exact - 1.0)
    return TwoModes(
        com=com,
        band=limits,
        misfit=float(np.quantile(np.abs(ratio / _fitted(com, frequency[clear]) - 1.0), FITTED)),
        fit_range=_range(frequency, off, clear, band.resonance.frequency.real),
        frequency=frequency,
        exact=exact / band.share,
        model=model,
        reference=reference,
        transduction_centre=launch,
        overstep=overstep,
    )


def with_material_losses(picture: TwoModes, lossy: StopBand, tangent: float) -> TwoModes:
    """The picture of a grating whose edges lose power in its materials as well.

    Parameters
    ----------
    picture : of the same grating without these losses; its fit, misfit and samples stay.
    lossy : the band with the losses in the frequencies of its edges.
    tangent : C''/C' that the dielectric losses add.
    """
    scale = replace(picture.com, capacitance_loss=picture.com.capacitance_loss + tangent)
    com, overstep = _passive(lossy, scale)
    com = referred(com, picture.transduction_centre - picture.reference)
    return replace(picture, com=com, overstep=max(picture.overstep, overstep))


def _scale(
    band: StopBand, frequency: Array, ratio: Complex, limits: tuple[float, float]
) -> ComConstants:
    """C', C''/C' and the slope of C that fit the scale of Y; with the constants of the edges.

    Another, weakly coupled wave may cross the band: medians, and the median slope of all pairs of
    samples (Theil 1950, Sen 1968), pass over its few samples.
    """
    centre = 0.5 * (band.shorted[0].frequency.real + band.shorted[1].frequency.real)
    width = float(0.5 * (limits[1] - limits[0]) / centre)
    far = width * np.tanh((frequency / centre - 1.0) / width)
    slope = _median_slope(far, ratio.real)
    capacitance = float(np.median(ratio.real - slope * far))
    tangent = float(np.median(-ratio.imag / ratio.real))
    # A slope that would make C vanish is none: the picture does not fit at all.
    bounded = slope / capacitance if abs(slope) * width < 0.9 * capacitance else 0.0
    return ComConstants(
        band.pitch,
        velocity=2.0 * band.pitch * centre,
        reflection=0j,
        transduction=0j,
        capacitance=capacitance,
        capacitance_loss=tangent,
        capacitance_slope=bounded,
        slope_width=width,
    )


def _median_slope(x: Array, y: Array) -> float:
    """Median of the slopes of all pairs of points."""
    first, second = np.triu_indices(x.size, 1)
    return float(np.median((y[second] - y[first]) / (x[second] - x[first])))


def _fitted(com: ComConstants, frequency: Array) -> Complex:
    return np.asarray(com.complex_capacitance * com.scale(frequency))


def _passive(band: StopBand, scale: ComConstants) -> tuple[ComConstants, float]:
    """As :func:`passive_constants`, with the edges of a band."""
    lower, upper = band.shorted
    poles = (lower.frequency, upper.frequency)
    zeros = (band.open[0].frequency, band.open[1].frequency)
    return passive_constants(scale, poles, zeros, _snapped(reflection_phase(lower, upper)))


def _planes(band: StopBand) -> tuple[float, float]:
    """Reference plane and transduction centre, m from the left of the cell."""
    model = band.model
    cell = model.system.discretisation.cell
    if not isinstance(model, ConnectedSystem):
        centre = cell.electrodes[0].centre
        reference = 0.5 * cell.period if centre is None else centre
        return reference, reference
    reference = float(cell.electrodes[model.connections.index("hot")].centre or 0.0)
    a, r = model.matrix(0.0), model.order
    static = np.append(-np.linalg.solve(a[:r, :r], a[:r, r]), 1.0)
    first = int(np.argmin(np.abs(model.system.wavenumbers - model.system.phase)))
    # The harmonic exp(-j K x) of the potential has the amplitude int phi exp(+j K x) dx / period.
    launch = cmath.phase(complex(model.top[first] @ static)) * band.pitch / math.pi
    # The nearest of the equal places, one wavelength apart.
    return reference, launch + cell.period * round((reference - launch) / cell.period)


def referred(com: ComConstants, distance: float) -> ComConstants:
    """Constants at a plane ``distance`` before the one at which they hold, m."""
    if distance == 0.0:
        return com
    turn = cmath.exp(1j * math.pi * distance / com.pitch)
    back = turn.conjugate()
    k, a = com.reflection_back, com.transduction_back
    return replace(
        com,
        reflection=com.reflection * turn**2,
        transduction=com.transduction * turn,
        reflection_back=None if k is None else k * back**2,
        transduction_back=None if a is None else a * back,
    )


def _range(
    frequency: Array, off: Array, clear: NDArray[np.bool_], resonance: float
) -> tuple[float, float]:
    """Frequencies around the resonance up to the first samples that are off by FIT_ERROR."""
    bad = frequency[clear & (off > FIT_ERROR)]
    below, above = bad[bad < resonance], bad[bad > resonance]
    low = float(below.max()) if below.size else float(frequency[0])
    high = float(above.min()) if above.size else float(frequency[-1])
    inside = frequency[(frequency >= low) & (frequency <= high)]
    kept = inside[(inside > low) | (not below.size)]
    kept = kept[(kept < high) | (not above.size)]
    if not kept.size:
        return resonance, resonance
    return float(min(kept[0], resonance)), float(max(kept[-1], resonance))


def _snapped(phase: float) -> float:
    """Exactly 0 or pi where a mirror makes it so to rounding."""
    for exact in (0.0, math.pi, -math.pi):
        if abs(phase - exact) < 1e-7:
            return abs(exact)
    return phase


def _sampled(
    band: StopBand, samples: int
) -> tuple[Array, Complex, Complex, NDArray[np.bool_], tuple[float, float]]:
    """Exact Y per electrode between bus-bars, the shape j w (d-d1)(d-d2)/(d^2-k k'), where
    both are clear of poles and zeros, and the limits of the band.
    """
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
    exact = band.share * sampled_admittance(band.model, frequency)
    shape = 2j * np.pi * frequency
    # Detunings differ by what frequencies differ by, times 2 pi/v, which cancels.
    for pole, zero in zip(band.shorted, band.open, strict=True):
        shape = shape * (frequency - zero.frequency) / (frequency - pole.frequency)
    return frequency, exact, shape, clear, (low, float(high))


def sampled_admittance(model: ReducedSystem, frequency: Array) -> Complex:
    """Harmonic admittance Y(f, gamma) of a one-electrode cell at real frequencies, S/m."""
    return np.asarray(model.admittances(frequency)[:, 0, 0])


def transduction_from_residues(band: StopBand) -> float:
    """|a| p in sqrt(S/m) from the residues of the exact Y(f, pi) at the shorted edges.

    A second way beside the open edges: near an edge Y = -j 2 pi f^2 C0 q^2/(f - f_edge) with q
    the charge of the mode (Edge.charge, C0 = CAPACITANCE), and the equations give
    -j 8 v |a|^2 cos^2(..) p/(pi (f - f_edge)) with cos^2 summing to one over the two edges, so
    (|a| p)^2 = (pi^2/8) C0 sum(f q^2), twice that for a cell of two pitches. It differs from the
    first by what the two-mode picture leaves out.
    """
    total = sum(edge.frequency.real * edge.coupling for edge in band.shorted)
    return math.sqrt(math.pi**2 / 2.0 * band.share * CAPACITANCE * total)
