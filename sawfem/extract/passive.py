"""Constants that the edges of a stop band give, and what of them makes no power.

With the poles f1, f2 and the zeros d1, d2 of Y (sawfem/extract/edges.py),

    alpha p = pi Im(f1 + f2)/Re(f1 + f2),    k k' p^2 = [pi (f2 - f1)/Re(f1 + f2)]^2,
    a a' p^2 = C p (d1 + d2) p w/4,

k p = K exp(j phase) and k' p = K exp(-j phase) with a' = a. C is fitted as a complex number; where
its loss C''/C' and the edges together would make power, it is moved to the nearest value that does
not (Q >= 0 in sawfem/extract/coupled.py).
"""

from __future__ import annotations

import cmath
import math
from dataclasses import replace

from sawfem.extract.coupled import ComConstants

#: |Im f / Re f| below this is rounding: the grating then loses nothing.
LOSSLESS = 1e-12
#: Im f / Re f that an edge is taken to lose at least where another one loses.
ROUNDING = 1e-15


def passive_constants(
    scale: ComConstants,
    poles: tuple[complex, complex],
    zeros: tuple[complex, complex],
    phase: float,
) -> tuple[ComConstants, float]:
    """Constants whose C''/C' is the passive one nearest to the fitted one, and the distance.

    With a^2 p^2 = |S| exp(-j theta) at C'' = 0, t = C''/C' and phi the phase, Q >= 0 in the two
    shorted standing waves, which lose 2 pi Im f1 and 2 pi Im f2 over Re(f1 + f2), reads

        F(t) = t (1 - G sin theta) + G cos theta - G sqrt(1 + t^2) >= 0,
        G = [|S|/(w C' p)] [Re(f1 + f2)/pi] [sin^2(phi/2)/Im f1 + cos^2(phi/2)/Im f2].

    F is concave: what is passive lies between two values of t. There are none where the open
    edges lose so much less than the shorted ones that sin theta > 1/(2G): then theta, and with it
    the loss of the open edges, is moved to where t = tan theta is passive.

    Parameters
    ----------
    scale : pitch, velocity, C', C''/C' and the slope of C; the rest is replaced.
    poles, zeros : shorted and open edges, Hz, complex. phase : arg k - 2 arg a.
    """
    if all(abs(edge.imag) < LOSSLESS * edge.real for edge in (*poles, *zeros)):
        quiet = replace(scale, capacitance_loss=0.0)
        return _with_edges(quiet, poles, zeros, phase, lossless=True), 0.0
    tangent = scale.capacitance_loss
    wanted = _with_edges(scale, poles, zeros, phase)
    if wanted.least_loss() >= 0.0:
        return wanted, 0.0
    square = _square_over_capacitance(scale, poles, zeros) * scale.capacitance
    total = poles[0].real + poles[1].real
    losses = [max(pole.imag, ROUNDING * pole.real) for pole in poles]
    shares = math.sin(0.5 * phase) ** 2, math.cos(0.5 * phase) ** 2
    G = sum(share / loss for share, loss in zip(shares, losses, strict=True)) * total / math.pi
    G *= abs(square) / (2.0 * math.pi * scale.centre_frequency * scale.capacitance)
    theta = -cmath.phase(square)
    bounded = min(theta, math.asin(0.5 / G)) if G > 0.5 else theta
    # Without any transduction there is but the loss of C by itself.
    low, high = _passive_tangents(G, bounded) if square.real > 0.0 else (0.0, math.inf)
    loss = min(max(tangent, low), high)
    settled = _with_edges(
        replace(scale, capacitance_loss=loss), poles, zeros, phase, turned=theta - bounded
    )
    return settled, abs(loss - tangent) + (theta - bounded)


def _passive_tangents(G: float, theta: float) -> tuple[float, float]:
    """Least and largest t with F(t) >= 0 (see :func:`passive_constants`).

    (a t + b)^2 = G^2 (1 + t^2) with a = 1 - G sin theta, b = G cos theta; where a > G no t is too
    large.
    """
    a, b = 1.0 - G * math.sin(theta), G * math.cos(theta)
    # The two roots are (-a b -+ root)/(a^2 - G^2) and their product (b^2 - G^2)/(a^2 - G^2).
    root = G * math.sqrt(max(0.0, a * a - (G * math.sin(theta)) ** 2))
    low = (G * math.sin(theta)) ** 2 / (a * b + root)
    high = (a * b + root) / (G * G - a * a) if a < G else math.inf
    return low, high


def _square_over_capacitance(
    scale: ComConstants, poles: tuple[complex, complex], zeros: tuple[complex, complex]
) -> complex:
    """A a' p^2 over C p, 1/s: (d1 + d2) p w / 4."""
    period, velocity = scale.pitch, scale.velocity
    alpha = _attenuation(period, poles)
    detunings = sum(_detuning(zero, velocity, period) - 1j * alpha for zero in zeros)
    return 0.25 * (math.pi * velocity / period) * period * detunings


def _attenuation(period: float, poles: tuple[complex, complex]) -> float:
    """Alpha of the shorted edges, Np/m."""
    return math.pi / period * sum(poles).imag / sum(poles).real


def _with_edges(
    scale: ComConstants,
    poles: tuple[complex, complex],
    zeros: tuple[complex, complex],
    phase: float,
    *,
    lossless: bool = False,
    turned: float = 0.0,
) -> ComConstants:
    """The constants that the edges give, once C is known; a^2 with its argument turned."""
    f1, f2 = poles
    size = math.pi * (f2 - f1) / (f1 + f2).real
    turn = cmath.exp(1j * phase)
    per_capacitance = _square_over_capacitance(scale, poles, zeros)
    if per_capacitance.real <= 0.0:  # the open edges lie below the shorted ones: no transduction
        per_capacitance = 0j
    square = per_capacitance * scale.complex_capacitance
    if lossless:
        a = complex(math.sqrt(square.real))
        return replace(scale, reflection=size.real * turn, transduction=a)
    a = cmath.sqrt(square * cmath.exp(1j * turned))
    return replace(
        scale,
        reflection=size * turn,
        reflection_back=size * turn.conjugate(),
        transduction=a,
        transduction_back=a,
        attenuation=_attenuation(scale.pitch, poles),
    )


def _detuning(frequency: complex, velocity: float, period: float) -> complex:
    """D = w/v - pi/p, 1/m."""
    return 2.0 * math.pi * frequency / velocity - math.pi / period
