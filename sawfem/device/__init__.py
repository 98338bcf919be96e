"""From grating constants to devices: sections, P-matrices, resonators, filters, Y and S.

section      closed-form coupling-of-modes section -> PMatrix
pmatrix      cascade, mirror, parallel connection, power checks
losses       finger resistance, propagation loss
description  what a device is (Resonator, Transversal): described, not computed
resonator    one-port resonator -> Response
transversal  two transducers on one track -> Response
resonance    resonance, antiresonance and quality factors of any one-port
network      Y <-> S with power waves
response     frequency, Y, S, figures and checks of a device
"""

from __future__ import annotations

from collections.abc import Mapping

from numpy.typing import ArrayLike

from sawfem.device.description import Resonator, Transversal
from sawfem.device.pmatrix import PMatrix, cascade, delay
from sawfem.device.resonator import resonator_response
from sawfem.device.response import Check, Response
from sawfem.device.section import grating_section, transducer_section
from sawfem.device.transversal import transversal_response
from sawfem.errors import InputError
from sawfem.extract.constants import ComConstants

__all__ = [
    "Check",
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

_ROLES = {Resonator: ("transducer", "reflector"), Transversal: ("input", "output")}


def device_response(
    device: Resonator | Transversal,
    constants: ComConstants | Mapping[str, ComConstants],
    frequency: ArrayLike,
) -> Response:
    """Response of a described device at ``frequency`` (F,) in hertz, increasing.

    Parameters
    ----------
    device : what to compute.
    constants : one set for every grating of the device, or a mapping by role: ``transducer`` and
        ``reflector`` for a resonator, ``input`` and ``output`` for a transversal filter.

    Raises InputError for an unknown role or frequencies that cannot be used, and GeometryError
    for a device that cannot exist.
    """
    roles = _ROLES[type(device)]
    if isinstance(constants, ComConstants):
        first = second = constants
    else:
        if set(constants) != set(roles):
            raise InputError(
                key="constants", found=", ".join(map(str, constants)), expected=", ".join(roles)
            )
        first, second = (constants[role] for role in roles)
    if isinstance(device, Resonator):
        return resonator_response(device, first, frequency, reflector=second)
    return transversal_response(device, first, second, frequency)
