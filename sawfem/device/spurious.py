"""Spurious responses by name, from when they arrive; and the step response.

The complex envelope of the impulse response of a transfer function H over a band,

    h(t) = int H(f) w(f) exp(j 2 pi f t) df / int w df,     w a Hann window over the band,

has its main signal at the delay tau between the transducers, what crosses the path three times at
3 tau, and what does not travel as a wave (feed-through from port to port) at zero. Levels are
maxima of |h| around these times relative to the main signal (common practice; e.g. Morgan, Surface
Acoustic Wave Filters, 2nd ed., 2007, ch. 5; from memory).
"""

from __future__ import annotations

import numpy as np

from sawfem.device.pmatrix import ComplexArray, FloatArray
from sawfem.quantities import Quantity

#: Times at which an echo is looked for around its own, on either side.
SAMPLES = 41
#: Echoes weaker than this are beneath the side lobes of the window, dB.
FLOOR = -100.0
#: Quantity -> multiple of the delay at which it arrives.
ARRIVALS = {"triple_transit": 3.0, "direct_feedthrough": 0.0}


def envelope(frequency: FloatArray, transfer: ComplexArray, times: FloatArray) -> ComplexArray:
    """h(t) at ``times`` (T,) in seconds of a transfer function (F,) at ``frequency`` (F,)."""
    span = frequency[-1] - frequency[0]
    window = np.sin(np.pi * (frequency - frequency[0]) / span) ** 2
    weight = np.gradient(frequency) * window
    turn = np.exp(2j * np.pi * np.outer(times, frequency))
    return np.asarray(turn @ (weight * transfer) / weight.sum())


def echo_figures(
    frequency: FloatArray, transfer: ComplexArray, delay: float, extent: float = 0.0
) -> tuple[dict[str, Quantity], dict[str, str]]:
    """Levels of the triple transit and of the direct feed-through, dB below the main signal.

    Parameters
    ----------
    frequency, transfer : (F,) Hz and S21. delay : seconds between the transducers' centres.
    extent : seconds from the middle of the main signal to its ends, half the sum of the times that
        the transducers take to cross.

    The band must be wide enough to tell zero, tau and 3 tau apart, and its steps fine enough not
    to repeat within 4 tau; else there are reasons in place of figures.
    """
    span = float(frequency[-1] - frequency[0])
    step = float(np.diff(frequency).max()) if frequency.size > 1 else 0.0
    if span * delay < 6.0 or step * delay > 0.2:
        reason = (
            "the band is too narrow to tell the arrivals apart"
            if span * delay < 6.0
            else "the frequencies are too far apart for an echo at three times the delay"
        )
        return {}, dict.fromkeys(ARRIVALS, reason)
    reach = np.linspace(-1.0, 1.0, SAMPLES) * min(0.4 * delay, 4.0 / span)
    main = np.abs(envelope(frequency, transfer, delay + reach)).max()
    found, reasons = {}, {}
    for name, times in ARRIVALS.items():
        if abs(times - 1.0) * delay - extent < 4.0 / span:
            reasons[name] = "the main signal is too long to tell it apart at that time"
            continue
        level = np.abs(envelope(frequency, transfer, times * delay + 0.5 * reach)).max() / main
        found[name] = Quantity.of(name, max(20.0 * float(np.log10(max(level, 1e-30))), FLOOR))
    return found, reasons


def step_response(
    frequency: FloatArray, transfer: ComplexArray, carrier: float, times: FloatArray
) -> ComplexArray:
    """Complex envelope (T,) of the answer to a carrier switched on at t = 0, referred to it.

    The integral of the impulse response's envelope at the carrier,
    y(t) = int_-inf^t h(s) exp(-j 2 pi carrier s) ds: settles at H(carrier). ``frequency`` must be
    uniform; what lies outside the band is taken as not passing.
    """
    step = float(np.diff(frequency).mean())
    # integral over s of exp(j 2 pi (f - fc) s) from a start before anything has arrived
    start = -0.25 / step
    offset = frequency - carrier
    angle = 2.0 * np.pi * offset
    safe = np.where(offset == 0.0, 1.0, 1j * angle)
    found = np.empty(times.size, dtype=complex)
    for n, t in enumerate(times):
        swept = (np.exp(1j * angle * t) - np.exp(1j * angle * start)) / safe
        found[n] = np.sum(transfer * np.where(offset == 0.0, t - start, swept)) * step
    return found
