"""Transversal filter: an input and an output transducer on one track.

Both transducers radiate to both sides and reflect what their terminations make of it, so that the
triple transit comes out of the cascade. Beyond the outer planes nothing returns (absorber).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike

from sawfem.device.description import ELECTRODES_PER_CELL, Transversal
from sawfem.device.losses import finger_resistance
from sawfem.device.network import (
    admittance_to_scattering,
    as_references,
    group_delay,
    in_series,
)
from sawfem.device.pmatrix import ComplexArray, FloatArray, PMatrix, cascade, delay
from sawfem.device.response import Response, make_checks, strictly_increasing
from sawfem.device.section import check_constants, transducer_section
from sawfem.device.spurious import echo_figures
from sawfem.device.track import Gratings, Space, Track, Transducer
from sawfem.device.ways import space_length
from sawfem.errors import GeometryError
from sawfem.extract.constants import ComConstants
from sawfem.quantities import Quantity


def _electrode_pitches(
    device: Transversal, source: ComConstants, sink: ComConstants
) -> tuple[float, float]:
    """Centre-to-centre distance of neighbouring electrodes in each transducer, m."""
    check_constants(source)
    check_constants(sink)
    first, second = (ELECTRODES_PER_CELL[sequence] for sequence in device.polarity)
    return source.pitch / first, sink.pitch / second


def _check_geometry(device: Transversal, pitches: tuple[float, float]) -> None:
    widths = device.electrode_width or (0.0, 0.0)
    for width, pitch in zip(widths, pitches, strict=True):
        if width >= pitch:
            raise GeometryError(
                key="electrode_width",
                found=f"{width:g} m",
                expected=f"less than the electrode pitch, {pitch:g} m",
            )
    least = 0.5 * sum(widths)
    if device.gap <= least:
        raise GeometryError(
            key="gap",
            found=f"{device.gap:g} m",
            expected=f"more than {least:g} m, where the transducers touch",
        )


def transversal_sections(
    device: Transversal,
    source: ComConstants,
    sink: ComConstants,
    frequency: ArrayLike,
    *,
    lossless: bool = False,
) -> PMatrix:
    """P-matrix of the track with two electrical ports: input (``source``) and output (``sink``).

    ``lossless`` leaves every attenuation out. Finger resistance is not part of it. Raises
    GeometryError when electrodes would overlap.
    """
    return cascade(_sections(device, source, sink, frequency, lossless=lossless))


def _sections(
    device: Transversal,
    source: ComConstants,
    sink: ComConstants,
    frequency: ArrayLike,
    *,
    lossless: bool = False,
) -> tuple[PMatrix, PMatrix, PMatrix]:
    """Input, gap and output."""
    pitches = _electrode_pitches(device, source, sink)
    _check_geometry(device, pitches)
    extra = 0.0 if lossless else device.attenuation
    transducers = []
    for constants, fingers, sequence in zip(
        (source, sink), device.fingers, device.polarity, strict=True
    ):
        cells = fingers // ELECTRODES_PER_CELL[sequence]
        lossy = replace(constants, attenuation=constants.attenuation + extra)
        taken = constants.lossless() if lossless else lossy
        transducers.append(transducer_section(taken, cells, device.aperture, frequency))
    velocity = device.gap_velocity or source.velocity
    free = device.gap - 0.5 * sum(pitches)
    gap = delay(free, velocity, frequency, attenuation=extra)
    return transducers[0], gap, transducers[1]


def _spread(
    device: Transversal, source: ComConstants, sink: ComConstants, whole: PMatrix
) -> ComplexArray:
    """Y (F, 2, 2) without finger resistance, with the spreading of the beam."""
    found, ports, f = device.spreading, ("1", "2"), whole.frequency
    if found is None:
        return whole.admittance
    if found.passages is None:
        return whole.admittance * found.matrix(ports, f)
    first, gap, second = _sections(device, source, sink, f)
    groups = [first.connected([[1.0, 0.0]]), second.connected([[0.0, 1.0]])]
    y = found.passages.admittance(groups, [gap.transmission], f)
    return y * found.single(ports, dict(zip(ports, (0, 1), strict=True)), f)


def series_resistances(device: Transversal) -> tuple[float, float]:
    """Resistance in ohm of the fingers of the input and of the output transducer."""
    if device.sheet_resistance == 0.0 or device.electrode_width is None:
        return (0.0, 0.0)
    first, second = (
        finger_resistance(fingers, device.aperture, width, device.sheet_resistance)
        for fingers, width in zip(device.fingers, device.electrode_width, strict=True)
    )
    return (first, second)


def transversal_response(
    device: Transversal,
    source: ComConstants,
    sink: ComConstants,
    frequency: ArrayLike,
    *,
    terminations: ArrayLike | None = None,
) -> Response:
    """Response of a transversal filter at ``frequency`` (F,) in hertz, increasing.

    Parameters
    ----------
    source, sink : constants of the input's and the output's grating (cell of two electrodes for
        ``++--``; see Transversal).
    terminations : (2,) or (F, 2) in ohm in place of the device's own, for example a conjugate
        match that follows the frequency. S is in power waves of these impedances.

    The figures are read from the listed frequencies; the loss is taken as linear between them.
    """
    f = strictly_increasing(frequency)
    track = transversal_sections(device, source, sink, f)
    y = in_series(_spread(device, source, sink, track), series_resistances(device))
    chosen = device.terminations if terminations is None else terminations
    reference = as_references(chosen, f.size, 2)
    s = admittance_to_scattering(y, reference)
    figures, reasons = passband_figures(f, s[:, 1, 0])
    figures |= _transducer_figures(device, source, sink)
    way = float(figures["delay"].value.real)
    echoes, missing = echo_figures(f, s[:, 1, 0], way, _half_length(device, source, sink))
    figures, reasons = figures | echoes, reasons | missing
    lossless = transversal_sections(device, source, sink, f, lossless=True)
    return Response(
        frequency=f,
        y=y,
        s=s,
        reference=reference,
        figures=figures,
        reasons=reasons,
        checks=make_checks(y, s, lossless),
    )


def _transducer_figures(
    device: Transversal, source: ComConstants, sink: ComConstants
) -> dict[str, Quantity]:
    """Static capacitances (cells x capacitance of a cell x aperture) and the way between centres.

    The delay runs over half of each transducer at its grating's velocity and the gap between.
    """
    found = {}
    sections = []
    for port, constants, fingers, sequence in zip(
        ("input", "output"), (source, sink), device.fingers, device.polarity, strict=True
    ):
        cells = fingers // ELECTRODES_PER_CELL[sequence]
        name = f"static_capacitance_{port}"
        found[name] = Quantity.of(name, cells * constants.static * device.aperture)
        sections.append(0.5 * cells * constants.pitch / constants.velocity)
    free = device.gap - 0.5 * sum(_electrode_pitches(device, source, sink))
    way = sum(sections) + free / (device.gap_velocity or source.velocity)
    found["delay"] = Quantity.of("delay", way)
    return found


def track_figures(
    track: Track, gratings: Gratings, frequency: FloatArray, transfer: ComplexArray
) -> tuple[dict[str, Quantity], dict[str, str]]:
    """The same of a track of two transducers and a space, with the echoes of its S21 (F,).

    Its cells may be drawn in full: the capacitance is then that of their half waves. Returns
    figures and the reasons for missing ones.
    """
    first, space, second = track.elements
    assert isinstance(first, Transducer)
    assert isinstance(space, Space)
    assert isinstance(second, Transducer)
    found, seconds = {}, []
    for port, element in zip(("input", "output"), (first, second), strict=True):
        constants = gratings.of(element.grating, double=element.double)
        cells = gratings.half_waves(element)
        name = f"static_capacitance_{port}"
        found[name] = Quantity.of(name, cells * constants.static * track.aperture)
        seconds.append(cells * constants.pitch / constants.velocity)
    velocity = gratings.velocity_free or gratings.of(first.grating).velocity
    way = 0.5 * sum(seconds) + space_length(track, 1, gratings) / velocity
    found["delay"] = Quantity.of("delay", way)
    echoes, reasons = echo_figures(frequency, transfer, way, 0.5 * sum(seconds))
    return found | echoes, reasons


def _half_length(device: Transversal, source: ComConstants, sink: ComConstants) -> float:
    """Seconds that both transducers together take to cross, halved."""
    pairs = zip((source, sink), device.fingers, device.polarity, strict=True)
    return 0.5 * sum(
        fingers // ELECTRODES_PER_CELL[sequence] * constants.pitch / constants.velocity
        for constants, fingers, sequence in pairs
    )


def passband_figures(
    frequency: FloatArray, transfer: ComplexArray
) -> tuple[dict[str, Quantity], dict[str, str]]:
    """Least insertion loss, the nearest 3 dB points beside it, their middle, the delay there.

    ``transfer`` is S21, (F,). Returns figures and the reasons for missing ones.
    """
    with np.errstate(divide="ignore"):
        loss = -20.0 * np.log10(np.abs(transfer))
    best = int(np.argmin(loss))
    least = float(loss[best])
    if not np.isfinite(least):
        return {}, {"insertion_loss": "nothing comes through"}
    found = {"insertion_loss": least}
    level = least + 3.0
    before = np.flatnonzero(loss[:best] > level)
    after = np.flatnonzero(loss[best:] > level)
    reasons = {}
    if before.size and after.size:
        low = _crossing(frequency, loss, int(before[-1]), level)
        high = _crossing(frequency, loss, best + int(after[0]) - 1, level)
        centre = 0.5 * (low + high)
        delays = group_delay(frequency, transfer)
        found["bandwidth"] = high - low
        found["centre_frequency"] = centre
        found["group_delay"] = float(np.interp(centre, frequency, delays))
    else:
        reason = "the loss does not rise by 3 dB on both sides inside the band"
        reasons = dict.fromkeys(("bandwidth", "centre_frequency", "group_delay"), reason)
    return {name: Quantity.of(name, value) for name, value in found.items()}, reasons


def _crossing(frequency: FloatArray, loss: FloatArray, index: int, level: float) -> float:
    """Frequency between samples index and index + 1 where the loss passes ``level``."""
    low, high = loss[index], loss[index + 1]
    if not (np.isfinite(low) and np.isfinite(high)):
        return float(frequency[index + 1] if np.isfinite(high) else frequency[index])
    part = (level - low) / (high - low)
    return float(frequency[index] + part * (frequency[index + 1] - frequency[index]))
