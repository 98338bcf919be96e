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
that grow alike, exp(|Re z|) cancels before it is ever formed, and i0 and g are entire and even
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
from sawfem.errors import GeometryError, InputError
from sawfem.extract.constants import ComConstants

#: Below this |z| the power series of i0 and g are used; twelve terms then reach rounding.
_SERIES_LIMIT = 1.0
_SERIES_TERMS = 12
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


def coefficients(constants: ComConstants, aperture: float, frequency: FloatArray) -> Coefficients:
    """Coefficients at ``frequency`` (F,) in hertz for an aperture in metres.

    d = w/v - pi/p - j alpha; k is constant, C goes as s(f) and a as sqrt(w s(f)) from v/(2p).
    Q of sawfem/extract/coupled.py then stays positive at every frequency if it is at v/(2p).
    """
    check_constants(constants)
    omega = 2.0 * np.pi * frequency
    p = constants.pitch
    scale = constants.scale(frequency)
    growth = np.sqrt(frequency / constants.centre_frequency * scale * aperture) / p
    k, k_back = constants.both_reflections
    a, a_back = constants.both_transductions
    return Coefficients(
        detuning=np.asarray(omega / constants.velocity - np.pi / p - 1j * constants.attenuation),
        reflection=np.full(frequency.shape, k / p, dtype=complex),
        reflection_back=np.full(frequency.shape, k_back / p, dtype=complex),
        transduction=np.asarray(a * growth, dtype=complex),
        transduction_back=np.asarray(a_back * growth, dtype=complex),
        susceptance=np.asarray(
            omega * scale * constants.complex_capacitance / p * aperture, dtype=complex
        ),
    )


@lru_cache(maxsize=256)
def check_constants(constants: ComConstants) -> None:
    """Raise InputError for constants of no passive grating."""
    for name in ("pitch", "velocity"):
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


def _scaled_cosh(z: ComplexArray) -> ComplexArray:
    """cosh(z) exp(-|Re z|)."""
    growth = np.abs(z.real)
    return np.asarray(0.5 * (np.exp(z - growth) + np.exp(-z - growth)))


def _scaled_i0_and_g(z: ComplexArray) -> tuple[ComplexArray, ComplexArray]:
    """sinh(z)/z and (z cosh z - sinh z)/z^3, both times exp(-|Re z|).

    They are modified spherical Bessel functions, i0(z) and i1(z)/z; near z = 0
    i0 = sum z^2n/(2n+1)!,   g = sum (2n+2) z^2n/(2n+3)!.
    """
    growth = np.abs(z.real)
    near = np.abs(z) < _SERIES_LIMIT
    far = np.where(near, 1.0 + 0.0j, z)
    far_growth = np.abs(far.real)
    sinh = 0.5 * (np.exp(far - far_growth) - np.exp(-far - far_growth))
    i0 = sinh / far
    g = (_scaled_cosh(far) - i0) / far**2
    if near.any():
        square = z[near] ** 2
        term = np.ones_like(square)  # z^2n / (2n+1)!
        series_i0 = np.zeros_like(square)
        series_g = np.zeros_like(square)
        for n in range(_SERIES_TERMS):
            series_i0 += term
            series_g += term / (2 * n + 3)
            term = term * square / ((2 * n + 2) * (2 * n + 3))
        scale = np.exp(-growth[near])
        i0[near] = series_i0 * scale
        g[near] = series_g * scale
    return i0, g


def _check_electrodes(electrodes: int) -> int:
    whole = isinstance(electrodes, int | np.integer) and not isinstance(electrodes, bool)
    if not whole or electrodes < 1:
        raise GeometryError(key="electrodes", found=repr(electrodes), expected="a count, 1 or more")
    return int(electrodes)


def _passive_part(
    c: Coefficients, length: float, electrodes: int
) -> tuple[ComplexArray, ComplexArray, ComplexArray, ComplexArray]:
    """True-field P (F, 2, 2), then z, scaled i0(z) and scaled D for the driven part."""
    d, k, k_back = c.detuning, c.reflection, c.reflection_back
    size = np.sqrt(k * k_back)
    square: ComplexArray = (size + d) * (size - d) * length**2
    z: ComplexArray = np.sqrt(square)
    i0, _ = _scaled_i0_and_g(z)
    D = _scaled_cosh(z) + 1j * d * length * i0
    P: ComplexArray = np.empty((d.size, 2, 2), dtype=complex)
    P[:, 0, 0] = -1j * k_back * length * i0 / D
    P[:, 1, 1] = -1j * k * length * i0 / D
    P[:, 0, 1] = (-1) ** electrodes * np.exp(-np.abs(z.real)) / D
    P[:, 1, 0] = P[:, 0, 1]
    return P, z, i0, D


def transducer_section(
    constants: ComConstants,
    electrodes: int,
    aperture: float,
    frequency: ArrayLike,
    *,
    polarity: Literal[1, -1] = 1,
) -> PMatrix:
    """P-matrix, one electrical port, of ``electrodes`` electrodes on alternate bus-bars.

    Parameters
    ----------
    constants : of the grating; its pitch is half the acoustic wavelength.
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
    passive, z, i0, D = _passive_part(c, L, N)
    i0_half, g_half = _scaled_i0_and_g(0.5 * z)
    _, g = _scaled_i0_and_g(z)
    X = d * a * a_back + 0.5 * (k * a_back**2 + k_back * a**2)

    P = np.empty((f.size, 3, 3), dtype=complex)
    P[:, :2, :2] = passive
    launched_left = 1j * a_back * L * i0 - (d * a_back + k_back * a) * L**2 * i0_half**2 / 2
    launched_right = 1j * a * L * i0 - (d * a + k * a_back) * L**2 * i0_half**2 / 2
    P[:, 0, 2] = polarity * -1j * launched_left / D
    P[:, 1, 2] = polarity * 1j * (-1) ** N * launched_right / D
    P[:, 2, 0] = -2.0 * P[:, 0, 2]
    P[:, 2, 1] = -2.0 * P[:, 1, 2]
    stored = L**3 * g + 1j * d * L**4 * i0_half * g_half / 4
    P[:, 2, 2] = (2 * a * a_back * L**2 * i0_half**2 + 4j * X * stored) / D
    P[:, 2, 2] += 1j * c.susceptance * L
    return PMatrix(f, P)


def grating_section(
    constants: ComConstants,
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
    passive, _, _, _ = _passive_part(c, N * constants.pitch, N)
    return PMatrix(f, passive)
