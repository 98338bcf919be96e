"""Selectivity against delay: what a modulated signal and what interference make of a filter.

A narrow filter keeps interference out and remembers long; its memory of T seconds smears symbols
that come every 1/R. Definitions of the errors: sawfem/device/signals.py. Each figure is computed
twice, the second time from spectra twice as fine; the difference is its numerical uncertainty.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from sawfem.device.impulse import side_lobe
from sawfem.device.pmatrix import FloatArray
from sawfem.device.signals import CountRow, Modulation, Received, Transfer, receive
from sawfem.device.transversal import passband_figures
from sawfem.quantities import Quantity

#: Frequencies of the noise bandwidth, at least and at most; resolved so often within 1/memory.
NOISE_POINTS = (801, 16001)
OVERSAMPLED = 8.0
#: Memory of a filter, as a multiple of its group delay: the echo of three transits is within it.
ECHOES = 4.0


@dataclass(frozen=True)
class Interference:
    """White interference before the filter: its ``density`` relative to the signal's mean power
    over its symbol rate, a factor, and the ends ``low``, ``high`` of its band in hertz.
    """

    density: float
    low: float
    high: float


@dataclass(frozen=True, eq=False)
class Selectivity:
    """What one device does to one signal.

    Attributes
    ----------
    received : the pulse at the decision.
    interference : before the device, or None.
    figures : name -> Quantity, in the table of quantities; with numerical uncertainty.
    reasons : name -> why a figure is missing.
    """

    received: Received
    interference: Interference | None
    figures: Mapping[str, Quantity]
    reasons: Mapping[str, str] = field(default_factory=dict)


def delay_at(transfer: Transfer, frequency: float, width: float) -> float:
    """Group delay -d arg H/d omega at ``frequency``, s, over a thousandth of ``width`` (Hz)."""
    step = 1e-3 * width
    h = transfer(frequency + step * np.array([-0.5, 0.5]))
    return float(-np.angle(h[1] * np.conj(h[0])) / (2.0 * np.pi * step))


def noise_bandwidth(
    transfer: Transfer, interference: Interference, gain: complex, points: int
) -> float:
    """Integral of |H|^2 over the band of the interference, over |gain|^2, in hertz."""
    f = np.linspace(interference.low, interference.high, points)
    power = np.abs(transfer(f)) ** 2
    return float(np.trapezoid(power, f) / abs(gain) ** 2)


def selectivity(
    transfer: Transfer, modulation: Modulation, interference: Interference | None
) -> Selectivity:
    """Figures of one filter, H(f) (m,) -> (m,), for one signal.

    Raises InputError as :func:`sawfem.device.signals.receive`.
    """
    late = max(delay_at(transfer, modulation.carrier, modulation.bandwidth), 0.0)
    once = _errors(transfer, modulation, interference, late, 1)
    twice = _errors(transfer, modulation, interference, late, 2)
    received, values = twice
    figures = {
        name: Quantity.of(name, value, abs(value - once[1][name])) for name, value in values.items()
    }
    figures["group_delay"] = Quantity.of("group_delay", late)
    if interference is None:
        reason = "the signal has no interference: signal.interference gives its density"
        return Selectivity(
            received,
            None,
            figures,
            {"noise_bandwidth": reason, "error_vector_interference": reason},
        )
    return Selectivity(received, interference, figures)


def _errors(
    transfer: Transfer,
    modulation: Modulation,
    interference: Interference | None,
    late: float,
    finer: int,
) -> tuple[Received, dict[str, float]]:
    """The pulse and the errors, from spectra ``finer`` times as fine as they need be."""
    least = ECHOES * late * finer
    received = receive(
        transfer, modulation, delay=max(least, 16.0 * finer / modulation.symbol_rate)
    )
    inter = received.error_vector_magnitude
    found = {
        "error_vector_intersymbol": inter,
        "peak_distortion": received.peak_distortion,
        "error_vector_magnitude": inter,
    }
    if interference is not None:
        span = interference.high - interference.low
        wanted = OVERSAMPLED * ECHOES * late * span
        points = int(np.clip(wanted, *NOISE_POINTS)) * finer
        width = noise_bandwidth(transfer, interference, received.gain, points)
        found["noise_bandwidth"] = width
        found["error_vector_interference"] = received.interference_error(
            interference.density, width
        )
        found["error_vector_magnitude"] = received.total_error(interference.density, width)
    return received, found


def count_row(
    count: int,
    transfer: Transfer,
    modulation: Modulation,
    interference: Interference | None,
    frequency: FloatArray,
) -> CountRow:
    """One finger count; ``frequency`` (F,), equidistant, is where its pass band is looked for, Hz.

    Raises InputError as :func:`sawfem.device.signals.receive`.
    """
    late = max(delay_at(transfer, modulation.carrier, modulation.bandwidth), 0.0)
    _, errors = _errors(transfer, modulation, interference, late, 1)
    response = transfer(frequency)
    band, _ = passband_figures(frequency, response)
    width = band.get("bandwidth")
    return CountRow(
        fingers=count,
        bandwidth=None if width is None else float(width.value.real),
        delay=late,
        intersymbol=errors["error_vector_intersymbol"],
        interference=errors.get("error_vector_interference", 0.0),
        total=errors["error_vector_magnitude"],
        side_lobe=side_lobe(frequency, response),
        loss=float(-20.0 * np.log10(abs(transfer(np.array([modulation.carrier]))[0]))),
    )


def knee(rows: Sequence[CountRow]) -> tuple[CountRow | None, str]:
    """The count beyond which more fingers stop paying, or None and the reason.

    More fingers narrow the band, which keeps interference out, and lengthen the memory, which
    smears the symbols. Beyond the count of the least total error the second outweighs the first.
    A least value at either end of the list is not one: the next count may be better still.
    """
    if len(rows) < 3:
        return None, "fewer than three counts were compared"
    if not any(row.interference > 0.0 for row in rows):
        return None, "no interference is given: without it fewer fingers are always better"
    best = int(np.argmin([row.total for row in rows]))
    if best == len(rows) - 1:
        return None, f"the error still falls at {rows[-1].fingers} fingers: compare more"
    if best == 0:
        return None, f"the error rises from {rows[0].fingers} fingers on: compare fewer"
    return rows[best], ""


#: A count -> H of the device with so many fingers, and where its pass band is looked for.
Counted = Callable[[int], tuple[Transfer, FloatArray]]


def count_rows(
    counts: Sequence[int],
    counted: Counted,
    modulation: Modulation,
    interference: Interference | None,
    progress: Callable[[int], None] = lambda done: None,
) -> tuple[CountRow, ...]:
    """Every count in turn; ``progress`` is told how many are done."""
    rows = []
    for number, count in enumerate(counts):
        progress(number)
        transfer, frequency = counted(count)
        rows.append(count_row(count, transfer, modulation, interference, frequency))
    progress(len(counts))
    return tuple(rows)
