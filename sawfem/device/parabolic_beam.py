"""Beams on the parabola of a slowness curve, in closed form by Fresnel integrals.

With k1 - k = -k2 tan(psi) - (1 + g) k2^2 / (2 k cos^2 psi) a field is that of an isotropic surface
at the distance X = x (1 + g) / cos^2 psi, moved sideways by x tan(psi): the scaling by 1 + g of
Cohen, J. Appl. Phys. 38, 2821 (1967), and Szabo & Slobodnik, IEEE Trans. SU-20, 240 (1973) (from
memory). What is exact is :mod:`.angular_spectrum`; this tells how far the parabola carries.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import fresnel

from sawfem.device.angular_spectrum import ComplexArray, FloatArray
from sawfem.errors import InputError
from sawfem.planewave.beam import Beam


def slit_field(beam: Beam, width: float, x: float, y: ArrayLike) -> ComplexArray:
    """Field of a uniform source of a width over that of a wave that does not spread.

    Parameters
    ----------
    beam : its wavelength, power-flow angle and anisotropy. width : m, centred on y = 0.
    x : m, positive. y : m, any shape.

    Goodman, Introduction to Fourier Optics (Fresnel diffraction by a rectangular aperture).
    """
    scaled, shift = _scaled(beam, x)
    eta = np.asarray(y, dtype=float) - shift
    if scaled == 0.0:
        return np.asarray(np.where(np.abs(eta) < 0.5 * width, 1.0 + 0j, 0.0))
    return np.asarray(_once(eta + 0.5 * width, scaled) - _once(eta - 0.5 * width, scaled))


def pair_factor(
    beam: Beam, source: float, receiver: float, x: float, offset: float = 0.0
) -> complex:
    """Coupling of two uniform lines over sqrt(source x receiver), without the phase k x.

    Parameters
    ----------
    source, receiver : widths, m. x : distance, m. offset : of the receiver's middle over y, m.

    The kernel over the trapezium by which the two widths overlap, integrated twice.
    """
    if not (source > 0.0 and receiver > 0.0):
        raise InputError(key="aperture", found=f"{source:g}, {receiver:g} m", expected="positive")
    scaled, shift = _scaled(beam, x)
    d = offset - shift
    half, less = 0.5 * (source + receiver), 0.5 * (source - receiver)
    corners = np.array([d + half, d + less, d - less, d - half])
    signs = np.array([1.0, -1.0, -1.0, 1.0])
    twice = 0.5 * np.abs(corners) + 0j if scaled == 0.0 else _twice(corners, scaled)
    return complex(np.sum(signs * twice)) / math.sqrt(source * receiver)


def _scaled(beam: Beam, x: float) -> tuple[float, float]:
    """(wavelength times X in m^2, sideways shift in m) at the distance x, m."""
    if not (math.isfinite(x) and x > 0.0):
        raise InputError(key="distance", found=f"{x:g} m", expected="a positive length")
    psi = math.radians(beam.power_flow_angle)
    scaled = beam.wavelength * x * (1.0 + beam.anisotropy) / math.cos(psi) ** 2
    return scaled, x * math.tan(psi)


def _once(eta: FloatArray, scaled: float) -> ComplexArray:
    """Integral from 0 to eta of h = sqrt(j / q) exp(-j pi eta^2 / q), q = ``scaled``."""
    s, c = fresnel(np.asarray(eta, dtype=float) * math.sqrt(2.0 / abs(scaled)))
    found = np.sqrt(0.5j) * (c - 1j * s)
    return np.asarray(np.conj(found) if scaled < 0.0 else found)


def _twice(eta: FloatArray, scaled: float) -> ComplexArray:
    """The integral of :func:`_once` with the constant that makes it even."""
    q = abs(scaled)
    first = _once(eta, q)
    kernel = np.sqrt(1j / q) * np.exp(-1j * math.pi * np.asarray(eta) ** 2 / q)
    found = eta * first + kernel * q / (2j * math.pi)
    return np.asarray(np.conj(found) if scaled < 0.0 else found)
