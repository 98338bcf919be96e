"""One-port resonator: reflector, gap, interdigital transducer, gap, reflector.

The sections reach half a pitch beyond their outer electrodes' centres (sawfem/device/section.py),
so that of a gap measured from centre to centre the stretch gap - (p_transducer + p_reflector)/2
is left between them; it is negative when the gap is shorter than the mean pitch.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike

from sawfem.device.description import Resonator
from sawfem.device.losses import finger_resistance
from sawfem.device.network import admittance_to_scattering, as_references, in_series
from sawfem.device.pmatrix import ComplexArray, FloatArray, PMatrix, cascade, delay
from sawfem.device.resonance import Immittance, resonance_figures
from sawfem.device.response import Response, make_checks, strictly_increasing
from sawfem.device.section import check_constants, grating_section, transducer_section
from sawfem.errors import GeometryError
from sawfem.extract.constants import ComConstants
from sawfem.quantities import Quantity


def resonator_sections(
    device: Resonator,
    transducer: ComConstants,
    reflector: ComConstants,
    frequency: ArrayLike,
    *,
    lossless: bool = False,
) -> PMatrix:
    """P-matrix of the whole track with one electrical port, outer planes beyond the reflectors.

    ``lossless`` leaves every attenuation out. Finger resistance is not part of it. Raises
    GeometryError when electrodes would overlap.
    """
    check_geometry(device, transducer, reflector)
    if lossless:
        transducer, reflector = (constants.lossless() for constants in (transducer, reflector))
        extra = 0.0
    else:
        extra = device.attenuation
        transducer, reflector = (
            replace(constants, attenuation=constants.attenuation + extra)
            for constants in (transducer, reflector)
        )
    velocity = device.gap_velocity or transducer.velocity
    free = device.gap - 0.5 * (transducer.pitch + reflector.pitch)
    gap = delay(free, velocity, frequency, attenuation=extra)
    left, right = (
        grating_section(reflector, strips, frequency, connection=device.reflector_connection)
        if strips
        else None
        for strips in device.reflector_fingers
    )
    driven = transducer_section(transducer, device.fingers, device.aperture, frequency)
    track = [*([left, gap] if left else []), driven, *([gap, right] if right else [])]
    return cascade(track)


def check_geometry(device: Resonator, transducer: ComConstants, reflector: ComConstants) -> None:
    """Raise GeometryError for electrodes that overlap, InputError for impossible constants."""
    check_constants(transducer)
    check_constants(reflector)
    width = device.electrode_width
    if width is not None and width >= transducer.pitch:
        raise GeometryError(
            key="electrode_width",
            found=f"{width:g} m",
            expected=f"less than the pitch, {transducer.pitch:g} m",
        )
    # A strip is taken to fill its pitch as a finger does.
    ratio = (width or 0.0) / transducer.pitch
    least = 0.5 * ratio * (transducer.pitch + reflector.pitch)
    if any(device.reflector_fingers) and device.gap <= least:
        raise GeometryError(
            key="gap",
            found=f"{device.gap:g} m",
            expected=f"more than {least:g} m, where finger and strip touch",
        )


def resonator_admittance(
    device: Resonator, transducer: ComConstants, reflector: ComConstants, frequency: ArrayLike
) -> ComplexArray:
    """Y(f), (F,) in siemens, with finger resistance."""
    track = resonator_sections(device, transducer, reflector, frequency)
    return in_series(track.admittance, series_resistance(device))[:, 0, 0]


def series_resistance(device: Resonator) -> float:
    """Resistance of the fingers in ohm; 0 without a sheet resistance."""
    if device.sheet_resistance == 0.0 or device.electrode_width is None:
        return 0.0
    return finger_resistance(
        device.fingers, device.aperture, device.electrode_width, device.sheet_resistance
    )


def resonator_response(
    device: Resonator,
    constants: ComConstants,
    frequency: ArrayLike,
    *,
    reflector: ComConstants | None = None,
) -> Response:
    """Response of a one-port resonator at ``frequency`` (F,) in hertz, increasing.

    Parameters
    ----------
    constants : of the transducer's grating.
    reflector : of the reflectors' grating, where it differs (a pitch of its own, for example).

    The figures are the resonance figures (sawfem/device/resonance.py), ``static_capacitance``
    (fingers times capacitance per electrode times aperture: every electrode counts as one inside
    an endless grating) and ``series_resistance``.
    """
    mirror = reflector or constants
    f = strictly_increasing(frequency)

    def admittance(at: FloatArray) -> ComplexArray:
        return resonator_admittance(device, constants, mirror, at)

    found = one_port_response(admittance, f, device.load)
    of_parts = {
        "static_capacitance": device.fingers * constants.static * device.aperture,
        "series_resistance": series_resistance(device),
    }
    figures = {name: Quantity.of(name, value) for name, value in of_parts.items()}
    lossless = resonator_sections(device, constants, mirror, f, lossless=True)
    return replace(
        found,
        figures={**found.figures, **figures},
        checks=make_checks(found.y, found.s, lossless),
    )


def one_port_response(admittance: Immittance, frequency: FloatArray, load: complex) -> Response:
    """Response of a one-port to its admittance, with the figures of its resonances; no checks.

    Parameters
    ----------
    admittance : Y (siemens) at frequencies in hertz. frequency : (F,) hertz, increasing.
    load : ohm, reference impedance of S11.
    """
    y = admittance(frequency)[:, None, None]
    reference = as_references(load, frequency.size, 1)
    figures, reasons = resonance_figures(admittance, float(frequency[0]), float(frequency[-1]))
    return Response(
        frequency=frequency,
        y=np.asarray(y),
        s=admittance_to_scattering(y, reference),
        reference=reference,
        figures=figures,
        reasons=reasons,
    )
