"""The [signal] of a case through its device: errors, and what more fingers would make of them."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import replace
from typing import Any

import numpy as np

from sawfem.case import ResolvedCase, ResolvedSignal
from sawfem.device.assembled import bare_response
from sawfem.device.assembly import Circuit
from sawfem.device.impulse import equidistant, impulse_response
from sawfem.device.pmatrix import ComplexArray, FloatArray
from sawfem.device.response import Response
from sawfem.device.selectivity import (
    Interference,
    Selectivity,
    count_rows,
    knee,
    selectivity,
)
from sawfem.device.signals import CountRow, Modulation, Transfer
from sawfem.device.track import Gratings, Track, Transducer
from sawfem.errors import CaseError, InputError, SawfemError
from sawfem.pipeline.circuits import CircuitSetting, moved
from sawfem.quantities import Quantity
from sawfem.result import signal_dict

#: Names of the constellations by the case's word.
CONSTELLATION = {"qpsk": "QPSK", "16qam": "16-QAM"}
#: Frequencies in which the pass band of one count is looked for, and how far around the carrier:
#: zeros of the shortest transducer, 2/electrodes of it apart.
POINTS, ZEROS = 1201, 3.0

#: Figures of a signal: errors at the decision, and what the impulse and the step response tell.
ERRORS = (
    "error_vector_magnitude",
    "error_vector_intersymbol",
    "error_vector_interference",
    "peak_distortion",
    "noise_bandwidth",
)
TIMES = ("time_side_lobe_level", "impulse_width", "rise_time")

#: progress(stage, done, total).
Progress = Callable[[str, int, int], None]


def solve_signal(
    case: ResolvedCase,
    setting: CircuitSetting,
    response: Response,
    report: Progress = lambda stage, done, total: None,
) -> dict[str, Any] | None:
    """What the device of a case does to its signal; None for a case without one.

    Only the device model is solved again for other counts of fingers, not the unit cell.

    Raises CaseError at its key for a signal that does not come through and for counts of what has
    none to vary.
    """
    asked = case.signal
    if asked is None:
        return None
    try:
        return _solved(case, asked, setting, response, report)
    except SawfemError as error:
        key = error.key or "signal"
        raise CaseError(
            None if error.found else error.message,
            file=case.file,
            key=key if key.startswith("signal") else "signal",
            found=error.found,
            expected=error.expected,
        ) from None


def _solved(
    case: ResolvedCase,
    asked: ResolvedSignal,
    setting: CircuitSetting,
    response: Response,
    report: Progress,
) -> dict[str, Any]:
    modulation = modulation_of(asked)
    interference = _interference(asked, setting.frequency)
    found = _with_bars(
        selectivity(transfer_of(setting), modulation, interference),
        setting,
        modulation,
        interference,
    )
    found = _with_response(found, response)
    rows: tuple[CountRow, ...] = ()
    described = None
    best, reason = None, "no counts to compare are given: signal.fingers"
    if asked.fingers:
        described = transducers(setting.circuit)[2][0].fingers  # refused before all else
        stage = "finger counts"

        def counted(count: int) -> tuple[Transfer, FloatArray]:
            circuit = with_fingers(setting.circuit, count)
            return transfer_of(setting, circuit), _around(asked, circuit)

        rows = count_rows(
            asked.fingers,
            counted,
            modulation,
            interference,
            lambda done: report(stage, done, len(asked.fingers)),
        )
        best, reason = knee(rows)
    return signal_dict(found, rows, best, reason, described)


def modulation_of(asked: ResolvedSignal) -> Modulation:
    """The modulation of a case in the words of the device room."""
    return Modulation(
        asked.carrier, asked.symbol_rate, asked.rolloff, CONSTELLATION[asked.modulation]
    )


def transfer_of(
    setting: CircuitSetting, circuit: Circuit | None = None, gratings: Gratings | None = None
) -> Transfer:
    """S21 of a device as a function of frequency, (m,) Hz -> (m,)."""
    made, ground = circuit or setting.circuit, gratings or setting.gratings

    def transfer(frequency: FloatArray) -> ComplexArray:
        s = bare_response(made, ground, np.asarray(frequency, dtype=float)).s
        return np.asarray(s[:, 1, 0])

    return transfer


def _interference(asked: ResolvedSignal, frequency: FloatArray) -> Interference | None:
    """The interference of a signal; without a width of its own it fills the device's band."""
    if asked.interference is None:
        return None
    if asked.interference_band is None:
        low, high = float(frequency[0]), float(frequency[-1])
        half = 0.5 * (1.0 + asked.rolloff) * asked.symbol_rate
        if not low <= asked.carrier - half <= asked.carrier + half <= high:
            raise InputError(
                key="signal.interference_band",
                found="nothing, and a [band] that does not hold the signal",
                expected='a width, for example "60 MHz"',
            )
        return Interference(asked.interference, low, high)
    half = 0.5 * asked.interference_band
    return Interference(asked.interference, asked.carrier - half, asked.carrier + half)


def _with_bars(
    found: Selectivity,
    setting: CircuitSetting,
    modulation: Modulation,
    interference: Interference | None,
) -> Selectivity:
    """Figures with what the numerical uncertainty of the constants adds to theirs."""
    spread = {name: figure.uncertainty or 0.0 for name, figure in found.figures.items()}
    for grating, bars in setting.bars.items():
        for name, bar in bars.items():
            if not bar:
                continue
            other = transfer_of(setting, gratings=moved(setting, grating, name, bar))
            figures = selectivity(other, modulation, interference).figures
            for key, quantity in found.figures.items():
                spread[key] += abs(figures[key].value - quantity.value)
    figures = {
        name: Quantity.of(name, figure.value, spread[name])
        for name, figure in found.figures.items()
    }
    return replace(found, figures=figures)


def _with_response(found: Selectivity, response: Response) -> Selectivity:
    """The bandwidth of the device's figures, and the lobes of its impulse response."""
    figures, reasons = dict(found.figures), dict(found.reasons)
    if "bandwidth" in response.figures:
        figures["bandwidth"] = response.figures["bandwidth"]
    elif "bandwidth" in response.reasons:
        reasons["bandwidth"] = response.reasons["bandwidth"]
    if not equidistant(response.frequency):
        return replace(
            found,
            figures=figures,
            reasons=reasons
            | dict.fromkeys(TIMES, "the frequencies of the bands are not equidistant"),
        )
    h = impulse_response(
        response.frequency, response.s[:, 1, 0], carrier=found.received.modulation.carrier
    )
    values = dict(zip(TIMES, (h.sidelobe, h.half_width, h.rise_time), strict=True))
    for name, value in values.items():
        if value is None:
            reasons[name] = (
                "no lobe stands above those of the window, -92 dB"
                if name == "time_side_lobe_level"
                else "the step does not settle within the time that the frequencies resolve"
            )
        else:
            figures[name] = Quantity.of(name, value)
    return replace(found, figures=figures, reasons=reasons)


def with_signal_figures(
    setting: CircuitSetting, gratings: Gratings, response: Response, names: Collection[str]
) -> Response:
    """A response with the figures of the setting's signal, where ``names`` hold one of them.

    ``gratings`` : in place of the setting's own, at another temperature for example; the carrier
    stays. Nothing is added to a response that has them, and a case without a signal gives reasons.

    Raises InputError for a signal that does not come through.
    """
    wanted = set(names) & {*ERRORS, *TIMES}
    if not wanted:
        return response
    asked = setting.signal
    if asked is None:
        reasons = dict.fromkeys(wanted, "the case has no [signal]")
        return replace(response, reasons={**response.reasons, **reasons})
    found = selectivity(
        transfer_of(setting, gratings=gratings),
        modulation_of(asked),
        _interference(asked, setting.frequency),
    )
    if wanted & set(TIMES):
        found = _with_response(found, setting.response(gratings))
    return replace(
        response,
        figures={**found.figures, **response.figures},
        reasons={**found.reasons, **response.reasons},
    )


def transducers(circuit: Circuit) -> tuple[str, Track, list[Transducer]]:
    """The one track of a circuit whose transducers can be made longer and shorter, and they.

    Raises InputError for a circuit that has none or several, and for transducers that are drawn
    electrode by electrode.
    """
    tracks = {
        name: part
        for name in dict.fromkeys(name for name, _ in circuit.placed)
        if isinstance(part := circuit.parts[name], Track)
    }
    if len(tracks) != 1:
        raise InputError(
            key="signal.fingers",
            found=f"counts to compare of a device with {len(tracks)} tracks",
            expected="a transversal filter, or a circuit with one [[track]]",
        )
    name, track = next(iter(tracks.items()))
    found = [element for element in track.elements if isinstance(element, Transducer)]
    for element in found:
        uniform = (element.double and len(element.polarity) == 4) or len(element.polarity) == 2
        if element.weights is not None or not uniform:
            raise InputError(
                key="signal.fingers",
                found=f'counts to compare of the transducer "{element.port}", whose electrodes '
                "are described one by one",
                expected="transducers without weights, window and polarity of their own",
            )
    return name, track, found


def with_fingers(circuit: Circuit, count: int) -> Circuit:
    """The circuit with ``count`` electrodes in its first transducer and the others in proportion.

    Spaces stay, and so do the factors of diffraction where the track has them: they are those of
    the transducers as described.

    Raises InputError as :func:`transducers`, and for an odd count of double electrodes.
    """
    name, track, found = transducers(circuit)
    first = found[0].fingers
    if found[0].double and count % 2:
        raise InputError(
            key="signal.fingers", found=f"{count} of double electrodes", expected="an even count"
        )

    def longer(element: Transducer) -> Transducer:
        step = element.electrodes_per_cell
        scaled = step * round(element.fingers * count / (first * step))
        return replace(element, fingers=max(scaled, 2))

    elements = tuple(
        longer(element) if isinstance(element, Transducer) else element
        for element in track.elements
    )
    parts = {**circuit.parts, name: replace(track, elements=elements)}
    return replace(circuit, parts=parts)


def _around(asked: ResolvedSignal, circuit: Circuit) -> FloatArray:
    """Frequencies around the carrier that hold the pass band of a circuit's transducers, Hz."""
    _, _, found = transducers(circuit)
    cells = min(element.fingers // element.electrodes_per_cell for element in found)
    reach = min(0.5, ZEROS * 2.0 / max(cells, 1)) * asked.carrier
    return np.linspace(asked.carrier - reach, asked.carrier + reach, POINTS)
