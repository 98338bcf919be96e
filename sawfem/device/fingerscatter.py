"""What fingers that differ at random take from a transducer, beyond what their mean does.

Each half wave n = 1..N of a transducer has the relative velocity error nu_n, independent, of
standard deviation s. The wave's phase error at n is the sum pi (nu_1 + .. + nu_n). Its straight
part is what the mean of all does, a shift of frequency; what is left is a Brownian bridge B of
variance pi^2 s^2 N u (1 - u) at u = n/N. A constant phase changes nothing, so that the response at
the synchronous frequency, the mean of exp(j phase), keeps of its power to first order

    1 - pi^2 s^2 N (int var B - var int B) = 1 - pi^2 s^2 N (1/6 - 1/12) = 1 - pi^2 s^2 N/12,

and what is lost stands in the zeros of sinc: since the Fourier coefficients of a bridge have
E|b_m|^2 = 1/(4 pi^2 m^2), whose sum over all m but 0 is 1/12, the m-th zero fills to s^2 N/(4 m^2)
of the peak's power. Fingers displaced by x with the deviation s_x, independent, have phase errors
2 pi x/lambda that do not add up: the peak loses exp(-(2 pi s_x/lambda)^2) of its power, and the
floor is (2 pi s_x/lambda)^2/N of it at all frequencies (the random-error formulas of arrays: Ruze,
Proc. IEEE 54, 633 (1966), from memory; the bridge derived here, held against cascades of unlike
half waves by tests/unit/test_device_fingerscatter.py).
"""

from __future__ import annotations

import math

DECIBEL = 10.0 / math.log(10.0)


def velocity_loss(deviation: float, half_waves: int) -> float:
    """Loss of the peak in dB by relative velocity errors of the half waves, to first order."""
    return DECIBEL * math.pi**2 * deviation**2 * half_waves / 12.0


def velocity_floor(deviation: float, half_waves: int, zero: int = 1) -> float:
    """To what the m-th zero beside the peak fills, dB of the peak; -inf without errors."""
    share = deviation**2 * half_waves / (4.0 * zero**2)
    return 10.0 * math.log10(share) if share > 0.0 else -math.inf


def position_loss(deviation: float, wavelength: float) -> float:
    """Loss of the peak in dB by errors of position; both in metres."""
    return DECIBEL * (2.0 * math.pi * deviation / wavelength) ** 2


def position_floor(deviation: float, wavelength: float, half_waves: int) -> float:
    """Floor of errors of position, dB of the peak; -inf without errors."""
    share = (2.0 * math.pi * deviation / wavelength) ** 2 / half_waves
    return 10.0 * math.log10(share) if share > 0.0 else -math.inf
