"""A device held against the [specification] of its case, at every temperature it names."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np

from sawfem.case import ResolvedCase
from sawfem.conventions import REFERENCE_TEMPERATURE
from sawfem.design import Stack
from sawfem.device.network import as_references
from sawfem.device.pmatrix import FloatArray
from sawfem.device.population import population_scattering
from sawfem.device.response import Response
from sawfem.device.specification import (
    POINTS,
    Limit,
    Verdict,
    grid_of,
    judge,
    responses_at,
)
from sawfem.errors import CaseError, InputError, MaterialError, SawfemError
from sawfem.extract import GratingSolution
from sawfem.extract.grating import strongest
from sawfem.pipeline.circuits import CircuitSetting
from sawfem.pipeline.signalling import with_signal_figures
from sawfem.planewave.temperature import TemperatureCoefficients, temperature_coefficients
from sawfem.quantities import entry, json_safe

#: Relative change of all frequencies at a temperature in degrees Celsius.
Drift = Callable[[float], float]


def limits_of(case: ResolvedCase) -> tuple[Limit, ...]:
    """The lines of a case's specification.

    Raises CaseError at the line for one that cannot be looked at.
    """
    found = []
    for number, line in enumerate(case.limits):
        try:
            found.append(
                Limit(line.name, line.quantity, line.start, line.stop, line.at_most, line.at_least)
            )
        except InputError as error:
            raise CaseError(
                file=case.file,
                key=f"specification.limit[{number}].{error.key}",
                found=error.found,
                expected=error.expected,
            ) from None
    return tuple(found)


def drift_of(
    case: ResolvedCase, stack: Stack, solutions: Mapping[str, GratingSolution]
) -> tuple[Drift, list[str]]:
    """How far a temperature moves all frequencies, and what that rests on.

    The case's own frequency_temperature_coefficient, or the drift of the stack's strongest wave
    under a metallised surface, at the wavelength of the first grating. The mass of electrodes
    changes it: measured devices of thick electrodes drift more.

    Raises CaseError where neither is known.
    """
    temperatures = case.specification_temperatures
    if all(celsius == REFERENCE_TEMPERATURE for celsius in temperatures):
        return lambda celsius: 0.0, []
    given = case.frequency_temperature_coefficient
    if given is not None:
        return lambda celsius: given * (celsius - REFERENCE_TEMPERATURE), []
    wave = strongest(next(iter(solutions.values())).waves)
    try:
        drift = temperature_coefficients(
            stack, wave, metallised=True, hold_constant=case.specification_hold_constant
        )
    except SawfemError as error:
        missing = isinstance(error, MaterialError)
        raise CaseError(
            file=case.file,
            key="specification.temperatures",
            found=error.message if missing else f"no drift of the wave ({error.message})",
            expected="specification.frequency_temperature_coefficient, such as "
            '"-38 ppm" (per kelvin), or specification.hold_constant naming what shall not change',
        ) from None

    def change(celsius: float) -> float:
        step = celsius - REFERENCE_TEMPERATURE
        return drift.frequency.first * step + drift.frequency.second * step**2

    return change, [_rests_on(drift)]


def _rests_on(drift: TemperatureCoefficients) -> str:
    held = "; ".join(f"{', '.join(names)} of {name}" for name, names in drift.held.items())
    return (
        f"drift with temperature {1e6 * drift.frequency.first:.1f} ppm/K from the plane wave under "
        "a metallised surface, the same for all gratings; electrodes change it"
        + (f"; held constant as hold_constant asks: {held}" if held else "")
    )


def verdicts_of(
    case: ResolvedCase,
    stack: Stack,
    solutions: Mapping[str, GratingSolution],
    device: CircuitSetting,
) -> tuple[tuple[Verdict, ...], list[str]]:
    """The verdict on every limit of a case, and sentences about drift and misses.

    Raises CaseError for a quantity that the device does not have.
    """
    limits = limits_of(case)
    if not limits:
        return (), []
    change, told = drift_of(case, stack, solutions)
    temperatures = case.specification_temperatures or (REFERENCE_TEMPERATURE,)
    try:
        verdicts = judged_at(device, limits, temperatures, change)
    except SawfemError as error:
        key = f"specification.limit.{error.key}" if error.key else "specification"
        raise type(error)(error.message, file=case.file, key=key) from None
    told += [_missed(v) for v in verdicts if not v.met]
    told += unattainable(limits, temperatures, change)
    return verdicts, told


def judged_at(
    device: CircuitSetting,
    limits: tuple[Limit, ...],
    temperatures: tuple[float, ...],
    change: Drift,
) -> tuple[Verdict, ...]:
    """Verdicts of a device at several temperatures."""
    return judged_together([device], limits, temperatures, change)[0]


def judged_together(
    devices: Sequence[CircuitSetting],
    limits: tuple[Limit, ...],
    temperatures: tuple[float, ...],
    change: Drift,
    *,
    points: int = POINTS,
) -> list[tuple[Verdict, ...]]:
    """Verdicts of devices of one layout; where curves alone are limited, all in one solution.

    ``points`` : frequencies at which each limit is looked at.

    Raises InputError for a quantity that the devices do not have.
    """
    if any(not limit.over_frequency for limit in limits):
        return [_judged_by_figures(device, limits, temperatures, change) for device in devices]
    frequency = grid_of(limits, points)
    ports = devices[0].circuit.ports
    s = population_scattering(
        [device.circuit for device in devices for _ in temperatures],
        [device.gratings.warmed(change(t)) for device in devices for t in temperatures],
        frequency,
    )
    reference = as_references([port.impedance for port in ports], frequency.size, len(ports))
    bare = [Response(frequency, np.zeros_like(one), one, reference) for one in s]
    each = len(temperatures)
    return [
        judge(limits, dict(zip(temperatures, bare[at : at + each], strict=True)))
        for at in range(0, len(bare), each)
    ]


def _judged_by_figures(
    device: CircuitSetting,
    limits: tuple[Limit, ...],
    temperatures: tuple[float, ...],
    change: Drift,
) -> tuple[Verdict, ...]:
    """The same with whole responses, which have figures; those of a signal where one is limited."""
    names = {limit.quantity for limit in limits}

    def answer(celsius: float, f: FloatArray) -> Response:
        gratings = device.gratings.warmed(change(celsius))
        return with_signal_figures(device, gratings, device.response(gratings, f), names)

    responses = responses_at(limits, temperatures, answer, device.frequency)
    return judge(limits, responses)


def unattainable(
    limits: tuple[Limit, ...], temperatures: tuple[float, ...], change: Drift
) -> list[str]:
    """Pairs of limits on the loss that lie closer together than the drift with temperature.

    Between the end of a band that must pass and the start of one that must not, the response has
    to fall at every temperature: what is left for its skirt is the gap less the drift.
    """
    passed = [q for q in limits if q.quantity == "insertion_loss" and q.at_most is not None]
    stopped = [q for q in limits if q.quantity == "insertion_loss" and q.at_least is not None]
    changes = [change(celsius) for celsius in temperatures]
    drift = max(changes) - min(changes)
    found = []
    for inner in passed if drift > 0.0 else ():
        edge = inner.start or 0.0
        found.append(
            f'cannot be had: rejection nearer than {drift * edge / 1e6:.2g} MHz to "{inner.name}" '
            f"at all temperatures, which move the response by {100.0 * drift:.2g} %; 1 MHz below "
            f"{edge / 1e6:g} MHz is {1e8 / edge:.2g} %"
        )
    for inner in passed:
        for outer in stopped:
            assert None not in (inner.start, inner.stop, outer.start, outer.stop)
            below = (inner.start or 0.0) - (outer.stop or 0.0)
            above = (outer.start or 0.0) - (inner.stop or 0.0)
            gap = max(below, above)
            edge = (inner.start if below >= above else inner.stop) or 0.0
            if edge and gap < drift * edge:
                found.append(
                    f'cannot be had: between "{inner.name}" and "{outer.name}" lie '
                    f"{gap / 1e6:.3g} MHz ({100.0 * gap / edge:.2g} %), but the temperatures alone "
                    f"move the response by {drift * edge / 1e6:.3g} MHz ({100.0 * drift:.2g} %)"
                )
    return found


def _missed(verdict: Verdict) -> str:
    limit = verdict.limit
    if verdict.worst is None:
        return f'specification "{limit.name}" cannot be judged: {verdict.reason}'
    unit = entry(limit.quantity).unit
    at = "" if verdict.at is None else f" at {verdict.at / 1e6:.3f} MHz"
    bound = "at most" if verdict.kind == "at_most" else "at least"
    return (
        f'specification "{limit.name}" is missed: {limit.quantity.replace("_", " ")} '
        f"{verdict.worst:.4g} {unit}{at}, {verdict.temperature:g} degC; {bound} {verdict.bound:g} "
        f"{unit} was asked for"
    )


def verdict_dict(verdict: Verdict) -> dict[str, Any]:
    """One line of the JSON list ``specification``; values in the SI unit ``unit``."""
    limit = verdict.limit
    found = {
        "name": limit.name,
        "quantity": limit.quantity,
        "unit": entry(limit.quantity).unit,
        "kind": verdict.kind,
        "from_hz": limit.start,
        "to_hz": limit.stop,
        "worst": verdict.worst,
        "at": verdict.at,
        "limit": verdict.bound,
        "margin": verdict.margin,
        "met": bool(verdict.met),
        "temperature_K": round(verdict.temperature + 273.15, 9),
    }
    if verdict.reason:
        found["reason"] = verdict.reason
    safe: dict[str, Any] = json_safe(found)
    return safe
