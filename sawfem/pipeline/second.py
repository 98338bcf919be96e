"""The transducers of a run's device through the second model, and what is said about them.

Ladders and circuits are left aside: they are of many resonators, and the second model is of one
transducer between endless reflectors.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

from sawfem.case import ResolvedCase, ResolvedResonatorDevice, ResolvedTransversalDevice
from sawfem.design import UnitCell
from sawfem.device import Resonator, Transversal
from sawfem.device.assembly import ResonatorPart
from sawfem.device.comparison import DECIBEL, ModelComparison
from sawfem.device.response import Check
from sawfem.device.second_model import compare_models
from sawfem.device.track import Track
from sawfem.errors import SawfemError
from sawfem.extract import ComConstants, GratingSolution
from sawfem.extract.edges import two_modes
from sawfem.pipeline.build import connections_of
from sawfem.result import DeviceResult

#: Stage of a run.
STAGE = "second model"

#: progress(stage, done, total).
Progress = Callable[[str, int, int], None]


def with_second_model(
    case: ResolvedCase,
    device: DeviceResult | None,
    cells: Mapping[str, UnitCell],
    solutions: Mapping[str, GratingSolution],
    report: Progress = lambda stage, done, total: None,
) -> tuple[DeviceResult | None, tuple[str, ...]]:
    """The device with its transducers by both models and a check, and warnings.

    A device that the second model does not know comes back as it is, and so does one where it
    fails, with a sentence: the first model needs no second one.
    """
    asked = case.device
    if device is None or device.circuit is None or not applies(case):
        return device, ()
    assert isinstance(asked, ResolvedResonatorDevice | ResolvedTransversalDevice)
    resonator = isinstance(asked, ResolvedResonatorDevice)
    name = asked.resonator.grating if isinstance(asked, ResolvedResonatorDevice) else asked.grating
    solution = solutions[name]
    constants = solution.constants
    try:
        transducers, com = _described(device, asked, name, solution)
        found = compare_models(
            transducers,
            com,
            cells[name],
            connections=connections_of(case, name),
            fit_band=constants.fit_band if resonator else None,
            leaky=_leaky(solution),
            progress=lambda done, total: report(STAGE, done, total),
        )
    except SawfemError as error:
        return device, (f"the second device model was not computed: {error.message}",)
    last = sum(one.computed.size for one in found)
    report(STAGE, last, last)
    worst = max(found, key=lambda one: one.disagreement / one.limit)
    check = Check(worst.disagreement, worst.limit, worst.disagreement <= worst.limit)
    response = replace(device.response, checks={**device.response.checks, "second_model": check})
    return replace(device, response=response, second_model=found), _told(found)


def applies(case: ResolvedCase) -> bool:
    """Whether a case's device is one that the second model knows, and is to be held against it."""
    known = isinstance(case.device, ResolvedResonatorDevice | ResolvedTransversalDevice)
    return known and case.second_model


def _described(
    device: DeviceResult,
    asked: ResolvedResonatorDevice | ResolvedTransversalDevice,
    name: str,
    solution: GratingSolution,
) -> tuple[Resonator | Transversal, ComConstants]:
    """The transducers and their constants, without the losses of the materials.

    Both models have one loss of the waves, that of the case; the reduced cell has no others.
    """
    assert device.circuit is not None
    assert device.gratings is not None
    (part,) = device.circuit.parts.values()
    com = device.gratings.of(name)
    if solution.losses is not None:
        com = two_modes(solution.band).com
    if isinstance(asked, ResolvedResonatorDevice) and isinstance(part, Track):
        one = asked.resonator  # on cells of several electrodes
        strips = one.reflector_fingers
        whole = Resonator(one.fingers, strips, one.aperture, one.gap, attenuation=part.attenuation)
        return whole, com
    if isinstance(part, ResonatorPart):
        # Hundreds of floating strips, each an unknown, take half a minute: the transducer is held
        # between shorted reflectors whatever its own are.
        return replace(part.resonator, reflector_connection="shorted"), com
    assert isinstance(part, Track)
    assert isinstance(asked, ResolvedTransversalDevice)
    double = asked.transducer == "double"
    filters = Transversal(
        fingers=asked.fingers,
        aperture=asked.aperture,
        gap=asked.gap,
        polarity=("++--", "++--") if double else ("+-", "+-"),
        attenuation=part.attenuation,
    )
    return filters, device.gratings.double[name] if double else com


def _leaky(solution: GratingSolution) -> bool:
    """Whether the resonance lies above the first onset of a bulk wave."""
    onset = solution.constants.bulk_onset
    return onset is not None and solution.band.resonance.frequency.real > onset


def _told(found: tuple[ModelComparison, ...]) -> tuple[str, ...]:
    """Where the two differ by more than a bound wave alone makes them."""
    told = []
    for one in found:
        if not one.apart.any():
            continue
        place, value = one.worst
        if abs(value) > DECIBEL:
            told.append(
                f"at {place / 1e6:.2f} MHz the admittance of the {one.name} is "
                f"{value:+.2f} dB by the second model"
                + (
                    ": another wave of the grating meets the main one there"
                    if one.meeting
                    else ", which knows other waves, bulk radiation and the transducer's ends"
                )
            )
    return tuple(told)
