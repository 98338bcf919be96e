"""Impulse and step response of a device, their envelopes, and the lobes beside the main one.

The envelope of the impulse response is that of

    h(t) = int H(f) w(f) exp(+j 2 pi f t) df / int w df,

w the four-term window of Blackman and Harris over the band (Harris, Proc. IEEE 66, 51 (1978)),
whose own lobes lie 92 dB down and whose main lobe is 1.9/band wide at half power: nothing shorter
than that is told apart. The step response is the answer to a carrier that is switched on
(sawfem/device/spurious.py). Two uniform transducers of N periods of the frequency f0 each have
sinc^2 for a transfer function and a triangle of the base 2N/f0 for an envelope (Tancrell & Holland,
Proc. IEEE 59, 393 (1971); from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sawfem.device.peaks import prominent_peaks
from sawfem.device.pmatrix import ComplexArray, FloatArray
from sawfem.device.spurious import step_response
from sawfem.errors import InputError

#: Coefficients of the window, and the level of its own lobes in dB.
WINDOW = (0.35875, 0.48829, 0.14128, 0.01168)
WINDOW_LOBES = -92.0
#: A lobe is one that stands so far above the dips beside it, dB.
PROMINENCE = 3.0
#: Lobes this near the window's own are not told from them, dB.
FLOOR = WINDOW_LOBES + 4.0
#: Share of the time axis that lies before zero.
BEFORE = 0.125
#: The response is over where its envelope has fallen below this level, dB.
OVER = -80.0
#: Instants of the step response.
STEPS = 1200


@dataclass(frozen=True, eq=False)
class ImpulseResponse:
    """Envelopes of the impulse and of the step response.

    Attributes
    ----------
    time : (n,) s, increasing, equidistant; starts before zero.
    envelope : (n,) of the impulse response relative to its largest value.
    main : s, time of the largest.
    half_width : s, between the two instants at which the envelope is half of its largest.
    sidelobe : level of the largest lobe beside the main one, dB (negative); None where none
        stands above the lobes of the window.
    step_time, step : (m,) s from a little before zero to where all is over, and the envelope of
        the step response at the carrier, |y(t)/H(carrier)|.
    carrier : Hz, of the step.
    resolution : s, 1.9/band.
    """

    time: FloatArray
    envelope: FloatArray
    main: float
    half_width: float
    sidelobe: float | None
    step_time: FloatArray
    step: FloatArray
    carrier: float
    resolution: float

    @property
    def decibel(self) -> FloatArray:
        """(n,) envelope in dB, not below -200."""
        return np.asarray(20.0 * np.log10(np.maximum(self.envelope, 1e-10)))

    @property
    def rise_time(self) -> float | None:
        """Time in s from 10 to 90 % of the settled step; None where it does not come so far."""
        low = np.flatnonzero(self.step >= 0.1)
        high = np.flatnonzero(self.step >= 0.9)
        if not (low.size and high.size):
            return None
        return _at(self.step_time, self.step, high[0], 0.9) - _at(
            self.step_time, self.step, low[0], 0.1
        )


def equidistant(frequency: FloatArray) -> bool:
    """Whether frequencies (F,) are one band of equal steps, long enough for a response in time."""
    steps = np.diff(frequency)
    return bool(frequency.size >= 8 and np.ptp(steps) <= 1e-6 * steps.mean())


def impulse_response(
    frequency: FloatArray,
    transfer: ComplexArray,
    *,
    carrier: float | None = None,
    padding: int = 8,
) -> ImpulseResponse:
    """Impulse and step response from H (F,) at equidistant ``frequency`` (F,), Hz.

    ``carrier`` of the step is the frequency of the largest |H| where it is None. Time runs over
    1/spacing and wraps around there: a device that remembers longer is not shown right.

    Raises InputError for frequencies that are not equidistant and for H that is zero throughout.
    """
    time, envelope = _envelope(frequency, transfer, padding)
    best = int(np.argmax(envelope))
    if carrier is None:
        carrier = float(frequency[int(np.argmax(np.abs(transfer)))])
    end = _end(time, envelope, best)
    times = np.linspace(max(-0.05 * end, float(time[0])), end, STEPS)
    settled = abs(complex(np.interp(carrier, frequency, np.abs(transfer))))
    answer = np.abs(step_response(frequency, transfer, carrier, times))
    return ImpulseResponse(
        time=time,
        envelope=envelope,
        main=_top(time, envelope, best),
        half_width=_half_width(time, envelope, best),
        sidelobe=_largest_lobe(envelope, best),
        step_time=times,
        step=answer / settled if settled else answer,
        carrier=carrier,
        resolution=1.9 / float(frequency[-1] - frequency[0]),
    )


def side_lobe(frequency: FloatArray, transfer: ComplexArray) -> float | None:
    """Level in dB of the largest lobe beside the main one, as of :func:`impulse_response`.

    Raises as that.
    """
    _, envelope = _envelope(frequency, transfer, 8)
    return _largest_lobe(envelope, int(np.argmax(envelope)))


def _envelope(
    frequency: FloatArray, transfer: ComplexArray, padding: int
) -> tuple[FloatArray, FloatArray]:
    """Time (n,) in s and envelope (n,) of the impulse response, its largest value one."""
    if not equidistant(frequency):
        raise InputError(
            key="band", found="frequencies that are not equidistant", expected="one band"
        )
    if not np.any(np.abs(transfer) > 0.0):
        raise InputError(key="band", found="nothing that comes through", expected="another band")
    step = float(np.diff(frequency).mean())
    n = frequency.size * padding
    envelope = np.abs(np.fft.ifft(np.asarray(transfer) * _window(frequency.size), n))
    before = int(BEFORE * n)
    return (np.arange(n) - before) / (n * step), np.roll(envelope / envelope.max(), before)


def _window(size: int) -> FloatArray:
    angle = 2.0 * np.pi * np.arange(size) / (size - 1)
    a = WINDOW
    return np.asarray(
        a[0] - a[1] * np.cos(angle) + a[2] * np.cos(2.0 * angle) - a[3] * np.cos(3.0 * angle)
    )


def _top(time: FloatArray, envelope: FloatArray, best: int) -> float:
    """Instant of the largest value, by a parabola through it and its neighbours."""
    if not 0 < best < time.size - 1:
        return float(time[best])
    low, high, up = envelope[best - 1 : best + 2]
    bend = low - 2.0 * high + up
    shift = 0.5 * (low - up) / bend if bend != 0.0 else 0.0
    return float(time[best] + shift * (time[1] - time[0]))


def _end(time: FloatArray, envelope: FloatArray, best: int) -> float:
    """Instant at which all has passed that stands above the level OVER, s."""
    alive = time[(time > 0.0) & (envelope > 10.0 ** (0.05 * OVER))]
    last = 1.1 * float(alive.max()) if alive.size else float(time[-1])
    return min(max(last, 2.0 * float(time[best])), float(time[-1]))


def _largest_lobe(envelope: FloatArray, best: int) -> float | None:
    """Level of the largest peak beside the main one, dB; the axis is a circle."""
    n = envelope.size
    level = 20.0 * np.log10(np.maximum(np.roll(envelope, n // 2 - best), 1e-8))
    peaks = prominent_peaks(level, PROMINENCE)
    beside = [float(level[p]) for p in peaks if p != n // 2]
    largest = max(beside, default=-np.inf)
    return largest if largest > FLOOR else None


def _half_width(time: FloatArray, envelope: FloatArray, best: int) -> float:
    """Distance of the nearest instants beside the largest at which the envelope is one half."""
    below = np.flatnonzero(envelope < 0.5)
    left, right = below[below < best], below[below > best]
    start = _at(time, envelope, int(left[-1]) + 1, 0.5) if left.size else float(time[0])
    stop = _at(time, envelope, int(right[0]), 0.5) if right.size else float(time[-1])
    return stop - start


def _at(time: FloatArray, value: FloatArray, index: int, level: float) -> float:
    """Instant between samples index - 1 and index at which ``value`` passes ``level``."""
    if index == 0:
        return float(time[0])
    low, high = value[index - 1], value[index]
    part = (level - low) / (high - low) if high != low else 0.0
    return float(time[index - 1] + part * (time[index] - time[index - 1]))
