"""A run of N equal electrodes, solved in closed form: coupling of modes -> P-matrix.

Equations and normalisation: sawfem/extract/coupled.py, with k', a' the constants of the backward
wave (k*, a* without losses) and C complex. With y = (R, S)^T,

    dy/dx = M y + q V,     M = [[-j d, j k], [-j k', j d]],   q = (j a, -j a')^T,
    dI/dx = c y + j w C V,                                    c = (-2 j a', -2 j a),
    M^2 = s^2,   s^2 = k k' - d^2,   exp(M x) = cosh(s x) + M sinh(s x)/s.

Integrating twice over the length L = N p and solving for the outgoing waves gives, with z = s L,
X = d a a' + (k a'^2 + k' a^2)/2 and

    D   = cosh z + j d L i0(z)                i0(z) = sinh z / z
    P11 = j k' L i0(z) / D,   P22 = j k L i0(z) / D,   P12 = P21 = 1 / D
    P13 = [j a' L i0(z) - (d a' + k' a) L^2 i0(z/2)^2 / 2] / D,   P31 = -2 P13
    P23 = [j a  L i0(z) - (d a  + k a') L^2 i0(z/2)^2 / 2] / D,   P32 = -2 P23
    P33 = {2 a a' L^2 i0(z/2)^2 + 4 j X [L^3 g(z) + j d L^4 i0(z/2) g(z/2) / 4]} / D + j w C L
    g(z) = (z cosh z - sinh z) / z^3

The differences of growing exponentials have been taken by hand: every quotient is of two terms
that grow alike, exp(Re z) cancels before it is ever formed, and i0 and g are entire and even
in z: the edges d = +-|k| and d = k = 0 are ordinary points. The cost does not depend on N.

Reference planes. Electrode n = 0 .. N-1 stands at (n + 1/2) p from the left plane: the section
reaches half a pitch beyond the centres of its outer electrodes. R and S have the carriers
exp(-+j pi x/p) with x = 0 at the first electrode, so that the true fields are

    at the left,  x = -p/2:       R exp(+j pi/2),          S exp(-j pi/2)
    at the right, x = (N-1/2) p:  R exp(-j pi (N - 1/2)),  S exp(+j pi (N - 1/2))

and the P-matrix of the true fields has P11 -> -P11, P22 -> -P22, P12 -> (-1)^N P12,
P13 -> -j P13, P23 -> j (-1)^N P23 (row 3 alike).

Polarity. Electrode n is on the bus-bar of V when polarity (-1)^n = +1, else on the other one.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from sawfem.device.pmatrix import ComplexArray, FloatArray, PMatrix, as_frequencies
from sawfem.device.stacked import StackedConstants
from sawfem.errors import GeometryError, InputError
from sawfem.extract.constants import ComConstants

#: Below this |z| power series are used; eight terms then reach rounding.
_SERIES_LIMIT = 0.5
_SERIES_TERMS = 8
#: Rounding, and what a numerical error bar may move constants beyond passivity; of Q per electrode.
PASSIVE = 1.0e-5


@dataclass(frozen=True)
class Coefficients:
    """Coefficients of the equations, per metre, at each frequency; every array is (F,).

    ``detuning`` d, ``reflection`` k and ``reflection_back`` k' in 1/m, ``transduction`` a and
    ``transduction_back`` a' in sqrt(S)/m for the whole aperture, ``susceptance`` w C in S/m,
    C complex. A frequency dependence of k, a or C belongs here.
    """

    detuning: ComplexArray
    reflection: ComplexArray
    reflection_back: ComplexArray
    transduction: ComplexArray
    transduction_back: ComplexArray
    susceptance: ComplexArray


def coefficients(
    constants: ComConstants | StackedConstants, aperture: float, frequency: FloatArray
) -> Coefficients:
    """Coefficients at ``frequency`` (F,) in hertz for an aperture in metres.

    d = g (w/v - pi/p - j alpha), g the phase over the group velocity; k is g times that of the
    constants, C goes as s(f) and a as sqrt(g w s(f)) from v/(2p).
    Q of sawfem/extract/coupled.py then stays positive at every frequency if it is at v/(2p).
    """
    if isinstance(constants, ComConstants):  # stacked ones are checked before they are stacked
        check_constants(constants)
    omega = 2.0 * np.pi * frequency
    p = constants.pitch
    scale = constants.scale(frequency)
    g = constants.phase_over_group_velocity
    growth = np.sqrt(g * frequency / constants.centre_frequency * scale * aperture) / p
    k, k_back = constants.both_reflections
    a, a_back = constants.both_transductions
    return Coefficients(
        detuning=np.asarray(
            g * (omega / constants.velocity - np.pi / p - 1j * constants.attenuation)
        ),
        reflection=_at_each(g * k / p, frequency),
        reflection_back=_at_each(g * k_back / p, frequency),
        transduction=np.asarray(a * growth, dtype=complex),
        transduction_back=np.asarray(a_back * growth, dtype=complex),
        susceptance=np.asarray(
            omega * scale * constants.complex_capacitance / p * aperture, dtype=complex
        ),
    )


def _at_each(value: ArrayLike, frequency: FloatArray) -> ComplexArray:
    return np.asarray(np.broadcast_to(np.asarray(value, dtype=complex), frequency.shape))


@lru_cache(maxsize=256)
def check_constants(constants: ComConstants) -> None:
    """Raise InputError for constants of no passive grating."""
    for name in ("pitch", "velocity", "phase_over_group_velocity"):
        value = getattr(constants, name)
        if not (np.isfinite(value) and value > 0.0):
            raise InputError(key=name, found=f"{value:g}", expected="positive, finite")
    for name in ("capacitance", "attenuation", "capacitance_loss"):
        value = getattr(constants, name)
        if not (np.isfinite(value) and value >= 0.0):
            raise InputError(key=name, found=f"{value:g}", expected="not negative, finite")
    reach = constants.slope_width * constants.capacitance_slope
    if not (constants.slope_width > 0.0 and abs(reach) < 1.0):
        raise InputError(
            key="capacitance_slope",
            found=f"{constants.capacitance_slope:g} with slope_width {constants.slope_width:g}",
            expected="a positive width, and a product below 1, to keep C positive",
        )
    for name in ("reflection", "transduction"):
        both = getattr(constants, f"both_{name}s")
        if not np.all(np.isfinite(both)):
            raise InputError(key=name, found=str(both[0]), expected="finite")
    if (least := constants.least_loss()) < -PASSIVE:
        raise InputError(
            key="constants",
            found=f"losses that make power (least eigenvalue {least:.2g})",
            expected="attenuation and capacitance_loss that cover what the constants of the "
            "backward wave differ by from conjugates",
        )


@dataclass(frozen=True)
class _Entire:
    """The entire functions of the module docstring at z = s L, all times exp(-Re z), Re z >= 0.

    With Re z >= 0 one phase and one decay give them all; of half the argument
    i0(z/2)^2 = 2 (cosh z - 1)/z^2 and i0(z/2) g(z/2) = (4 z sinh z - 8 cosh z + 8)/z^4.
    Near z = 0, where these differences cancel, the power series are taken:

        i0 = sum z^2n/(2n+1)!,             g = sum (2n+2) z^2n/(2n+3)!,
        i0(z/2)^2 = sum 2 z^2n/(2n+2)!,    i0(z/2) g(z/2) = sum (8n+8) z^2n/(2n+4)!.
    """

    cosh: ComplexArray
    i0: ComplexArray
    g: ComplexArray
    i0_half_squared: ComplexArray
    i0_g_half: ComplexArray
    decay: FloatArray

    @classmethod
    def of(cls, square: ComplexArray) -> _Entire:
        """At z^2 (F,)."""
        z: ComplexArray = np.sqrt(square)
        decay: FloatArray = np.exp(-z.real)
        near = np.flatnonzero(np.abs(z) < _SERIES_LIMIT)
        rising = np.empty_like(z)  # exp(z), the growth taken out
        rising.real, rising.imag = np.cos(z.imag), np.sin(z.imag)
        falling = decay**2 * rising.conj()
        cosh = 0.5 * (rising + falling)
        sinh = 0.5 * (rising - falling)
        if near.size:
            z[near] = 1.0  # any number but zero
        inverse = 1.0 / z
        inverse_square = inverse**2
        i0 = sinh * inverse
        g = (cosh - i0) * inverse_square
        rest = cosh - decay
        i0_half_squared = 2.0 * rest * inverse_square
        i0_g_half = (4.0 * i0 - 8.0 * rest * inverse_square) * inverse_square
        if near.size:
            series = _series(square[near])
            for values, sums in zip((i0, g, i0_half_squared, i0_g_half), series, strict=True):
                values[near] = sums * decay[near]
        return cls(cosh, i0, g, i0_half_squared, i0_g_half, decay)


def _series(square: ComplexArray) -> tuple[ComplexArray, ...]:
    """Power series of i0(z), g(z), i0(z/2)^2 and i0(z/2) g(z/2) at z^2."""
    sums = tuple(np.zeros_like(square) for _ in range(4))
    term = np.ones_like(square)  # z^2n / (2n+1)!
    for n in range(_SERIES_TERMS):
        weights = (
            1.0,
            1.0 / (2 * n + 3),
            1.0 / (n + 1),
            (8 * n + 8) / ((2 * n + 2) * (2 * n + 3) * (2 * n + 4)),
        )
        for total, weight in zip(sums, weights, strict=True):
            total += weight * term
        term = term * square / ((2 * n + 2) * (2 * n + 3))
    return sums


def _frequency_last(frequencies: int, ports: int) -> ComplexArray:
    """(F, ports, ports), empty; the numbers of one entry lie side by side."""
    return np.empty((ports, ports, frequencies), dtype=complex).transpose(2, 0, 1)


def _check_electrodes(electrodes: int) -> int:
    whole = isinstance(electrodes, int | np.integer) and not isinstance(electrodes, bool)
    if not whole or electrodes < 1:
        raise GeometryError(key="electrodes", found=repr(electrodes), expected="a count, 1 or more")
    return int(electrodes)


def _passive_part(
    P: ComplexArray, c: Coefficients, length: float | FloatArray, electrodes: int
) -> tuple[_Entire, ComplexArray]:
    """Fill the waves' part of a true-field P (F, n, n); the functions and 1/D of the rest."""
    d = c.detuning * length
    size = np.sqrt(c.reflection * c.reflection_back) * length
    e = _Entire.of((size + d) * (size - d))
    over_D = 1.0 / (e.cosh + 1j * d * e.i0)
    turned = -1j * length * e.i0 * over_D
    P[:, 0, 0] = c.reflection_back * turned
    P[:, 1, 1] = c.reflection * turned
    P[:, 0, 1] = (-1) ** electrodes * e.decay * over_D
    P[:, 1, 0] = P[:, 0, 1]
    return e, over_D


def transducer_section(
    constants: ComConstants | StackedConstants,
    electrodes: int,
    aperture: float,
    frequency: ArrayLike,
    *,
    polarity: Literal[1, -1] = 1,
) -> PMatrix:
    """P-matrix, one electrical port, of ``electrodes`` electrodes on alternate bus-bars.

    Parameters
    ----------
    constants : of the grating; its pitch is half the acoustic wavelength. Stacked ones lie along
        ``frequency``.
    electrodes : N, 1 or more; the section is N pitches long (module docstring: planes).
    aperture : m.
    frequency : (F,) in hertz.
    polarity : +1 when the first electrode hangs on the bus-bar of V, -1 on the other.

    Raises GeometryError for a count or aperture that cannot exist, InputError for constants or
    frequencies that cannot be used.
    """
    N = _check_electrodes(electrodes)
    if not (np.isfinite(aperture) and aperture > 0.0):
        raise GeometryError(key="aperture", found=f"{aperture:g} m", expected="more than 0")
    if polarity not in (1, -1):
        raise GeometryError(key="polarity", found=repr(polarity), expected="1 or -1")
    f = as_frequencies(frequency)
    c = coefficients(constants, aperture, f)
    L = N * constants.pitch
    d, k, a = c.detuning, c.reflection, c.transduction
    k_back, a_back = c.reflection_back, c.transduction_back
    P = _frequency_last(f.size, 3)
    e, over_D = _passive_part(P, c, L, N)
    X = d * a * a_back + 0.5 * (k * a_back**2 + k_back * a**2)
    first, second = 1j * L * e.i0, 0.5 * L**2 * e.i0_half_squared
    launched_left = a_back * first - (d * a_back + k_back * a) * second
    launched_right = a * first - (d * a + k * a_back) * second
    P[:, 0, 2] = polarity * -1j * launched_left * over_D
    P[:, 1, 2] = polarity * 1j * (-1) ** N * launched_right * over_D
    P[:, 2, 0] = -2.0 * P[:, 0, 2]
    P[:, 2, 1] = -2.0 * P[:, 1, 2]
    stored = L**3 * e.g + 0.25j * L**4 * d * e.i0_g_half
    P[:, 2, 2] = (4.0 * a * a_back * second + 4j * X * stored) * over_D
    P[:, 2, 2] += 1j * c.susceptance * L
    return PMatrix(f, P)


def grating_section(
    constants: ComConstants | StackedConstants,
    electrodes: int,
    frequency: ArrayLike,
    *,
    connection: Literal["shorted", "open"] = "shorted",
) -> PMatrix:
    """P-matrix without electrical port of a reflector of ``electrodes`` strips.

    ``shorted`` strips have V = 0. ``open`` strips are isolated, each without net current:
    dI/dx = 0 gives V = 2 (a' R + a S)/(w C) at every x, and the same equations return with

        d -> d - 2 a a'/(w C),    k -> k + 2 a^2/(w C),    k' -> k' + 2 a'^2/(w C),

    whose stop-band edges are the open-circuit edges of the grating. The aperture cancels.
    Raises as ``transducer_section``.
    """
    N = _check_electrodes(electrodes)
    f = as_frequencies(frequency)
    c = coefficients(constants, 1.0, f)
    if connection == "open":
        if not constants.capacitance > 0.0:
            raise InputError(
                key="capacitance", found="0", expected="more than 0, to leave strips open"
            )
        a, a_back = c.transduction, c.transduction_back
        c = replace(
            c,
            detuning=c.detuning - 2 * a * a_back / c.susceptance,
            reflection=c.reflection + 2 * a**2 / c.susceptance,
            reflection_back=c.reflection_back + 2 * a_back**2 / c.susceptance,
        )
    elif connection != "shorted":
        raise GeometryError(key="connection", found=repr(connection), expected="shorted or open")
    P = _frequency_last(f.size, 2)
    _passive_part(P, c, N * constants.pitch, N)
    return PMatrix(f, P)
