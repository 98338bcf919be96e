"""Losses of a device that are not in the grating constants: finger resistance, propagation."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from sawfem.errors import GeometryError, InputError


def finger_resistance(
    fingers: int, aperture: float, width: float, sheet_resistance: float
) -> float:
    """Series resistance in ohm of an interdigital transducer's fingers.

    A finger is fed at one end and gives its current off evenly along the aperture W, so that
    I(y) = I0 (1 - y/W) and the loss is

        (1/2) int_0^W I(y)^2 (Rs/w) dy = (1/2) I0^2 Rs W/(3 w):    R_finger = Rs W/(3 w).

    The fingers of one bus-bar are in parallel and the two bus-bars in series:
    R = R_finger (1/n1 + 1/n2), n1 + n2 = ``fingers``, n1 - n2 = 0 or 1; for N pairs this is
    2 Rs W/(3 w N) (Morgan, Surface Acoustic Wave Filters, 2nd ed., 2007; from memory, derived
    above). Every finger is taken to carry the same current; bus-bars and the stretch of a finger
    outside the aperture are left out.

    Parameters
    ----------
    fingers : count, 2 or more.   aperture, width : W and w in metres.
    sheet_resistance : Rs in ohm per square.
    """
    if fingers < 2:
        raise GeometryError(key="fingers", found=str(fingers), expected="2 or more")
    if not (aperture > 0.0 and width > 0.0):
        raise GeometryError(
            key="electrode_width", found=f"{width:g} m by {aperture:g} m", expected="more than 0"
        )
    if sheet_resistance < 0.0:
        raise InputError(
            key="sheet_resistance", found=f"{sheet_resistance:g} ohm", expected="not negative"
        )
    one_finger = sheet_resistance * aperture / (3.0 * width)
    on_second = fingers // 2
    return one_finger * (1.0 / (fingers - on_second) + 1.0 / on_second)


def attenuation_of_loss(loss: float, velocity: float) -> float:
    """Attenuation alpha in Np/m of a propagation loss in dB per second of travel.

    |field|^2 ~ exp(-2 alpha v t): loss = 20 log10(e) alpha v, so alpha = loss ln(10)/(20 v),
    velocity v in m/s. 1 dB/us is 1e6 dB/s. Raises InputError for what cannot be.
    """
    if loss < 0.0 or not velocity > 0.0:
        raise InputError(
            key="propagation_loss",
            found=f"{loss:g} dB/s at {velocity:g} m/s",
            expected="not negative, at a positive velocity",
        )
    return loss * math.log(10.0) / (20.0 * velocity)


def bus_bar_resistance(widths: ArrayLike, aperture: float, sheet_resistance: float) -> float:
    """Series resistance in ohm of fingers whose widths add up to ``widths`` (2,) on each bus-bar.

    The fingers of a bus-bar are in parallel, each Rs W/(3 w) as in :func:`finger_resistance`; the
    bus-bars are in series.
    """
    first, second = np.asarray(widths, dtype=float)
    return float(sheet_resistance * aperture / 3.0 * (1.0 / first + 1.0 / second))
