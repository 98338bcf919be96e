"""Admittance and scattering matrices, with power waves (Kurokawa 1965).

For the reference impedances z of the ports, Re z > 0,

    a = (V + z I)/(2 sqrt(Re z)),    b = (V - z* I)/(2 sqrt(Re z)),    b = S a.

|a|^2 - |b|^2 is the power Re(V* I) into the port when V and I are effective values, and |S21|^2
the transducer gain between a source of impedance z1 and a load z2, complex or not (Kurokawa,
IEEE Trans. Microwave Theory Tech. MTT-13, 194 (1965); from memory).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from sawfem.device.pmatrix import ComplexArray, FloatArray
from sawfem.errors import InputError


def as_references(reference: ArrayLike, frequencies: int, ports: int) -> ComplexArray:
    """Reference impedances as (F, n) from a scalar, (n,) or (F, n) in ohm.

    Raises InputError for another shape or a real part that is not positive.
    """
    z = np.asarray(reference, dtype=complex)
    try:
        z = np.array(np.broadcast_to(z, (frequencies, ports)))
    except ValueError as error:
        raise InputError(
            key="reference", found=f"shape {z.shape}", expected=f"({ports},) or (F, {ports})"
        ) from error
    if not (np.all(np.isfinite(z)) and np.all(z.real > 0.0)):
        raise InputError(key="reference", found=str(reference), expected="a positive real part")
    return z


def admittance_to_scattering(y: ComplexArray, reference: ArrayLike) -> ComplexArray:
    """S = F (1 - G* Y)(1 + G Y)^-1 F^-1, G = diag(z), F = diag(1/sqrt(Re z)).

    ``y`` (F, n, n) in siemens; ``reference`` a scalar, (n,) or (F, n) in ohm. Returns (F, n, n).
    """
    frequencies, ports = y.shape[:2]
    z = as_references(reference, frequencies, ports)
    root = np.sqrt(z.real)
    one = np.eye(ports)
    backward = one - z.conj()[:, :, None] * y
    forward = one + z[:, :, None] * y
    # backward @ forward^-1 as the solution of a transposed system
    quotient = np.linalg.solve(forward.transpose(0, 2, 1), backward.transpose(0, 2, 1))
    return np.asarray(quotient.transpose(0, 2, 1) * root[:, None, :] / root[:, :, None])


def scattering_to_admittance(s: ComplexArray, reference: ArrayLike) -> ComplexArray:
    """Y = (S F G + F G*)^-1 (F - S F): the inverse of ``admittance_to_scattering``.

    Same shapes. Raises InputError where the network has no admittance matrix.
    """
    frequencies, ports = s.shape[:2]
    z = as_references(reference, frequencies, ports)
    F = np.eye(ports) / np.sqrt(z.real)[:, None, :]
    SF = s @ F
    try:
        return np.asarray(np.linalg.solve(SF * z[:, None, :] + F * z.conj()[:, None, :], F - SF))
    except np.linalg.LinAlgError as error:
        raise InputError(
            key="s", found="a port in short circuit", expected="an admittance matrix to exist"
        ) from error


def in_series(y: ComplexArray, resistance: ArrayLike) -> ComplexArray:
    """Admittance (F, n, n) with a resistance in ohm, scalar or (n,), in series with each port.

    V = V' - R I gives Y' = (1 + Y R)^-1 Y.
    """
    ports = y.shape[-1]
    R = np.broadcast_to(np.asarray(resistance, dtype=float), (ports,))
    return np.asarray(np.linalg.solve(np.eye(ports) + y * R[None, None, :], y))


def group_delay(frequency: FloatArray, transfer: ComplexArray) -> FloatArray:
    """-d(arg)/dw in seconds of a transfer function (F,), by differences of its unwrapped phase.

    The phase must turn by less than pi from one frequency to the next. NaN with one frequency.
    """
    if frequency.size < 2:
        return np.full(frequency.shape, np.nan)
    phase = np.unwrap(np.angle(transfer))
    return np.asarray(-np.gradient(phase, 2.0 * np.pi * frequency))
