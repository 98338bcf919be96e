"""Resonance, antiresonance and quality factors of a one-port given as a function of frequency.

Definitions
    resonance              frequency of the largest conductance, Re Y
    antiresonance          frequency above it of the largest resistance, Re Z, Z = 1/Y
    quality factor, width  f over the full width at half height of Re Y (resonance) or Re Z
                           (antiresonance): the -3 dB width
    quality factor, energy |f|/(2 Im f), f the natural frequency behind the peak: a pole of Y (the
                           port shorted) or of Z (the port open). It is the energy stored over that
                           lost per radian of free ringing; for R, L, C1 in series w L/R exactly
                           (sawfem/device/rational.py)
    motional arm           L1, C1, R1 in series whose pole and residue those of Y are (Van Dyke
                           1928, Butterworth 1914; IEEE Std 177-1966; from memory)
    quality factor, slope  (f/2) |d arg Y / df| there. The static capacitance takes part in arg Y:
                           for C0 beside R, L, C1 in series this is Q within 1/M^2 + 1/(2 Q M),
                           with M = Q C1/C0
    effective coupling     (pi/2)(fr/fa)/tan((pi/2)(fr/fa))  (IEEE Std 176-1987; from memory)

Width and energy agree for a single resonance. Neighbours and a background that changes within the
width move the first, so that both are listed and their difference is an uncertainty of each.

The function is evaluated wherever it is needed, so that the figures do not depend on the
frequencies at which a response is listed.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sawfem.device.pmatrix import ComplexArray, FloatArray
from sawfem.device.rational import REACH, Pole, pole_behind
from sawfem.extract.constants import effective_coupling
from sawfem.quantities import Quantity

Immittance = Callable[[FloatArray], ComplexArray]

#: Share of a peak's frequency beyond which the function is not asked.
WIDEST = 0.2
_SAMPLES = 4001
_ZOOM_POINTS = 33
_ZOOM_ROUNDS = 9
_CANDIDATES = 3


def _zoom(
    value: Callable[[FloatArray], FloatArray],
    low: ArrayLike,
    high: ArrayLike,
    pick: Callable[[FloatArray], NDArray[np.intp]],
) -> FloatArray:
    """Narrow many brackets [low, high] (B,) at once; returns their middles (B,).

    Each round samples every bracket; ``pick`` maps the samples (B, n) to the index in each row
    whose two neighbours are the next bracket.
    """
    low, high = np.atleast_1d(np.asarray(low, float)), np.atleast_1d(np.asarray(high, float))
    rows = np.arange(low.size)
    for _ in range(_ZOOM_ROUNDS if low.size else 0):
        f = np.linspace(low, high, _ZOOM_POINTS, axis=-1)
        best = pick(value(f.ravel()).reshape(f.shape))
        low = f[rows, np.maximum(best - 1, 0)]
        high = f[rows, np.minimum(best + 1, _ZOOM_POINTS - 1)]
    return np.asarray(0.5 * (low + high))


def _largest(samples: FloatArray) -> NDArray[np.intp]:
    return np.asarray(np.argmax(samples, axis=-1))


def _sign_change(samples: FloatArray) -> NDArray[np.intp]:
    """First sample of each row whose sign is not that of the row's start; the last without one."""
    changed = (samples > 0.0) != (samples[:, :1] > 0.0)
    changed[:, -1] = True
    return np.asarray(np.argmax(changed, axis=-1))


def _relative_slope(function: Immittance, f: float, step: float) -> complex:
    """Slope d ln(function)/df at f, central differences of fourth order."""
    places = f + step * np.array([-2.0, -1.0, 0.0, 1.0, 2.0])
    y = function(places)
    slope = (y[0] - 8.0 * y[1] + 8.0 * y[3] - y[4]) / (12.0 * step)
    return complex(slope / y[2])


def find_peak(function: Immittance, low: float, high: float) -> float | None:
    """Frequency of the largest real part strictly inside (low, high), or None.

    Peaks too narrow for sampling are found by the reactance of 1/function, which rises through
    zero at a resonance however sharp (Foster's theorem).
    """
    f = np.linspace(low, high, _SAMPLES)
    y = function(f)
    height = y.real
    with np.errstate(divide="ignore", invalid="ignore"):
        reactance = (1.0 / y).imag
    inner = np.flatnonzero((height[1:-1] > height[:-2]) & (height[1:-1] >= height[2:])) + 1
    inner = inner[np.argsort(height[inner])[::-1][:_CANDIDATES]]
    rising = np.flatnonzero((reactance[:-1] < 0.0) & (reactance[1:] >= 0.0))
    roots = _zoom(lambda q: (1.0 / function(q)).imag, f[rising], f[rising + 1], _sign_change)
    roots = roots[np.argsort(function(roots).real)[::-1][:_CANDIDATES]] if roots.size else roots

    slopes = np.array([abs(_relative_slope(function, q, 1.0e-9 * q).imag) for q in roots])
    reach = np.minimum(f[1] - f[0], 2.0 / np.maximum(slopes, 1.0e-300))
    lows = np.concatenate([f[inner - 1], roots - reach])
    highs = np.concatenate([f[inner + 1], roots + reach])
    places = _zoom(lambda q: function(q).real, lows, highs, _largest)
    places = places[(places > low) & (places < high)]
    if not places.size:
        return None
    return float(places[int(np.argmax(function(places).real))])


def half_width(function: Immittance, peak: float) -> float | None:
    """Full width in hertz at half of the real part's peak, or None when a side never falls."""
    half = 0.5 * float(function(np.array([peak])).real[0])

    def excess(f: FloatArray) -> FloatArray:
        return np.asarray(function(f).real - half)

    edges = []
    distances = peak * np.geomspace(1.0e-10, WIDEST, 400)
    for side in (-1.0, 1.0):
        below = np.flatnonzero(excess(peak + side * distances) < 0.0)
        if not below.size:
            return None
        outer = peak + side * distances[below[0]]
        inner = peak + side * (distances[below[0] - 1] if below[0] else 0.0)
        edges.append(float(_zoom(excess, inner, outer, _sign_change)[0]))
    return edges[1] - edges[0]


def slope_quality(function: Immittance, peak: float, width: float | None) -> float:
    """(f/2) |d arg/df| at ``peak``; the step is a hundredth of the width where that is known."""
    step = 0.01 * width if width else 1.0e-8 * peak
    return 0.5 * peak * abs(_relative_slope(function, peak, step).imag)


def _figures_at(
    function: Immittance, peak: float, name: str, height: tuple[str, str]
) -> tuple[dict[str, Quantity], dict[str, str]]:
    """Figures of one peak named ``name``; ``height`` names its height and that of which part."""
    quantity, part = height
    value = float(function(np.array([peak])).real[0])
    width = half_width(function, peak)
    key = f"quality_factor_{name}"
    found = {name: peak, quantity: value}
    reasons = {}
    if width:
        found[key] = peak / width
    else:
        reasons[key] = f"the {part} does not fall to half of its peak on both sides"
    found[f"{key}_phase_slope"] = slope_quality(function, peak, width)
    sharp = width is not None and REACH * width < WIDEST * peak
    pole = pole_behind(function, peak, width) if width and sharp else None
    if pole is None:
        reasons[f"{key}_energy"] = (
            "no natural frequency of the device lies behind the peak"
            if sharp
            else "the peak is too wide to look for its natural frequency"
        )
        return {name: Quantity.of(name, value) for name, value in found.items()}, reasons
    found[f"{key}_energy"] = pole.quality
    if name == "resonance":
        found |= motional_arm(pole)
    spread = abs(found[key] - pole.quality)
    bars = {key: spread, f"{key}_energy": spread}
    return {
        name: Quantity.of(name, value, bars.get(name)) for name, value in found.items()
    }, reasons


def motional_arm(pole: Pole) -> dict[str, float]:
    """R, L and C in series with a pole of their admittance, in ohm, henry and farad.

    Y = (s/L)/((s - s1)(s - s1*)) with s = j 2 pi f has the residue s1/(L (s1 - s1*)) at s1; what
    is not real of L belongs to neighbours and is left out.
    """
    s1 = 2j * np.pi * pole.frequency
    residue = 2j * np.pi * pole.residue
    L = float((s1 / (residue * (s1 - s1.conjugate()))).real)
    return {
        "motional_resistance": -2.0 * s1.real * L,
        "motional_inductance": L,
        "motional_capacitance": 1.0 / (L * abs(s1) ** 2),
    }


def resonance_figures(
    admittance: Immittance, low: float, high: float
) -> tuple[dict[str, Quantity], dict[str, str]]:
    """Figures of a one-port between two frequencies in hertz, and reasons for missing ones.

    ``admittance`` maps frequencies (F,) to Y (F,) in siemens; it may be asked up to 20 % outside
    the band for the width of a peak. Definitions: module docstring.
    """

    def impedance(f: FloatArray) -> ComplexArray:
        return np.asarray(1.0 / admittance(f))

    resonance = find_peak(admittance, low, high)
    if resonance is None:
        reason = "no peak of the conductance inside the band"
        missing = ("resonance", "antiresonance", "coupling_k2_effective")
        return {}, dict.fromkeys(missing, reason)
    height = ("peak_conductance", "conductance")
    figures, reasons = _figures_at(admittance, resonance, "resonance", height)

    antiresonance = find_peak(impedance, resonance, high)
    if antiresonance is None:
        reason = "no peak of the resistance between the resonance and the end of the band"
        reasons |= {"antiresonance": reason, "coupling_k2_effective": reason}
        return figures, reasons
    height = ("peak_resistance", "resistance")
    more, also = _figures_at(impedance, antiresonance, "antiresonance", height)
    coupling = effective_coupling(resonance, antiresonance)
    more["coupling_k2_effective"] = Quantity.of("coupling_k2_effective", coupling)
    return figures | more, reasons | also
