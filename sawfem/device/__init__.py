"""From grating constants to devices: sections, P-matrices, resonators, filters, Y and S.

circuit      nodal equations of parts between nodes; wiring: what cannot be solved
assembly     circuits and ladders of named parts; assembled: their response and its power
track        acoustic rows of reflectors, spaces, transducers; rows: their P-matrices
ways, passages   where elements stand together; what waves lose that pass more than once
fingerscatter    lost coherence of random fingers
polarity     sequences cut into uniform runs, and their capacitance; joining, mirrored: shortcuts
lump, blackbox   parts that are no acoustics
specification    limits over frequency and temperature; spurious: echoes by their time
unwanted     what else rings in a resonator, by name
impulse      impulse and step response
signals      a modulation through a filter; selectivity: its errors, over counts of fingers
laddering    first design of a ladder; optimise: bounded search that keeps the best
geometry     every electrode as a rectangle
transverse   modes across an aperture; transverse_regions, transverse_cell: the oblique dispersion
             of overlap, gap, bus-bar and free surface; transverse_leaky: under endless bus-bars;
             transverse_study: what they do to Y
section      closed-form coupling-of-modes section -> PMatrix
pmatrix      cascade, mirror, parallel connection, power checks
losses       finger resistance, propagation loss
description  what a device is (Resonator, Transversal): described, not computed
face         the same written in Python, with units as text (Device)
resonator    one-port resonator -> Response
transversal  two transducers on one track -> Response
resonance    resonance, antiresonance and quality factors of any one-port
rational     natural frequencies behind a peak; quality: by mechanism
network      Y <-> S with power waves
response     frequency, Y, S, figures and checks of a device
"""

from __future__ import annotations

from collections.abc import Mapping

from numpy.typing import ArrayLike

from sawfem.device.description import Resonator, Transversal
from sawfem.device.face import Device, com_constants, frequencies
from sawfem.device.pmatrix import PMatrix, cascade, delay
from sawfem.device.resonator import resonator_response
from sawfem.device.response import Check, Response
from sawfem.device.section import grating_section, transducer_section
from sawfem.device.transversal import transversal_response
from sawfem.errors import InputError, handed
from sawfem.extract.constants import ComConstants, GratingConstants
from sawfem.units import QuantityLike

__all__ = [
    "Check",
    "Device",
    "PMatrix",
    "Resonator",
    "Response",
    "Transversal",
    "cascade",
    "delay",
    "device_response",
    "grating_section",
    "resonator_response",
    "transducer_section",
    "transversal_response",
]


def device_response(
    device: Resonator | Transversal | Device,
    constants: ComConstants | GratingConstants | Mapping[str, ComConstants],
    frequency: ArrayLike | tuple[QuantityLike, QuantityLike, int],
) -> Response:
    """Response of a described device.

    Parameters
    ----------
    device : what to compute.
    constants : one set for every grating of the device, or a mapping by role: ``transducer`` and
        ``reflector`` for a resonator, ``input`` and ``output`` for a transversal filter.
    frequency : (F,) in hertz, increasing; or a band ("840 MHz", "920 MHz", 801).

    Raises InputError for an unknown role, constants that do not fit, or frequencies that cannot
    be used, GeometryError for a device that cannot exist, and ConvergenceError where the grating
    lacks a constant.
    """
    handed(device, (Resonator, Transversal, Device), "device", "a Device")
    handed(
        constants,
        (ComConstants, GratingConstants, Mapping),
        "constants",
        "those of grating_constants, or a mapping of them by role",
    )
    if isinstance(constants, Mapping):
        by_role = dict(constants)
    else:
        by_role = dict.fromkeys(_roles(device), com_constants(constants, device))
    roles = _roles(device)
    if set(by_role) != set(roles):
        raise InputError(
            key="constants", found=", ".join(map(str, by_role)), expected=", ".join(roles)
        )
    first, second = (by_role[role] for role in roles)
    described = device.on(first) if isinstance(device, Device) else device
    if isinstance(described, Resonator):
        return resonator_response(described, first, frequencies(frequency), reflector=second)
    return transversal_response(described, first, second, frequencies(frequency))


def _roles(device: Resonator | Transversal | Device) -> tuple[str, str]:
    """What the two sets of constants of a device are for."""
    one_port = device.kind == "resonator" if isinstance(device, Device) else False
    if one_port or isinstance(device, Resonator):
        return ("transducer", "reflector")
    return ("input", "output")
