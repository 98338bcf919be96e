"""From the [device] of a case to its response, with what the case leaves open filled in."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from sawfem.case import (
    ResolvedBand,
    ResolvedCase,
    ResolvedGrating,
    ResolvedResonator,
    ResolvedResonatorDevice,
    ResolvedTransversalDevice,
)
from sawfem.design import Stack, UnitCell
from sawfem.device import Resonator, Response, Transversal, device_response
from sawfem.device.assembled import energy_check, solve_assembly
from sawfem.device.losses import attenuation_of_loss
from sawfem.device.pmatrix import FloatArray
from sawfem.device.spreading import Spreading
from sawfem.errors import ConvergenceError, SawfemError
from sawfem.extract import (
    ComConstants,
    GratingConstants,
    GratingSolution,
    com_uncertainty,
    solve_double_electrodes,
)
from sawfem.extract.grating import grating_waves, strongest
from sawfem.pipeline.assemblies import solve_assembly_device
from sawfem.pipeline.beams import beams_of, with_spreading
from sawfem.pipeline.circuits import circuit_setting, grid_of
from sawfem.pipeline.fingers import conducting_width, resonator_of, sheet_resistance
from sawfem.pipeline.judgement import judged
from sawfem.pipeline.second import applies
from sawfem.pipeline.signalling import Progress, solve_signal
from sawfem.pipeline.specified import verdict_dict, verdicts_of
from sawfem.pipeline.transverse import solve_transverse
from sawfem.quantities import Quantity, json_key
from sawfem.result import DeviceResult, device_result

#: Points of a band that the case leaves to the program.
POINTS = 801

Computed = ResolvedResonatorDevice | ResolvedTransversalDevice


@dataclass(frozen=True)
class _Setting:
    """A device, its grating's constants with their error bars, and what is said about them."""

    device: Resonator | Transversal
    constants: ComConstants
    bars: Mapping[str, float | complex]
    frequency: FloatArray
    description: Mapping[str, Any]


def solve_device(
    case: ResolvedCase,
    asked: Computed,
    cells: Mapping[str, UnitCell],
    solutions: Mapping[str, GratingSolution],
    spread: Spreading | None = None,
) -> tuple[DeviceResult, tuple[str, ...]]:
    """Response of the case's device, and warnings about what was assumed for it.

    Parameters
    ----------
    case, asked : the case and its device, which is one that is computed.
    cells, solutions : unit cells and solved gratings by name.
    spread : factor of a transversal filter by the spreading of its beam.

    Raises
    ------
    GeometryError, InputError : a device that cannot exist, at its key of the case.
    ConvergenceError : its grating lacks a constant that a device needs.
    """
    name = _transducer(asked).grating
    grating, cell, solution = case.gratings[name], cells[name], solutions[name]
    given = _transducer(asked).sheet_resistance
    sheet, warnings = sheet_resistance(given, "device.sheet_resistance", cell)
    try:
        if isinstance(asked, ResolvedResonatorDevice):
            setting = _resonator(case, asked, grating, solution, sheet)
        else:
            setting = _transversal(case, asked, grating, cell, solution, sheet, spread)
            if asked.transducer == "double":
                warnings.append(
                    "double electrodes: the constants of the grating hold at phase pi per pitch, "
                    "where its stop band is; the device works at half that frequency, with the "
                    "constants listed under it"
                )
        response = device_response(setting.device, setting.constants, setting.frequency)
        response = _with_uncertainty(response, setting)
        if spread is not None:
            missed = Quantity.of("diffraction_loss", spread.loss(("1", "2")))
            response = replace(response, figures={**response.figures, "diffraction_loss": missed})
        if isinstance(asked, ResolvedResonatorDevice):
            loss = asked.resonator.propagation_loss
            response, remarks = judged(
                response, solution.constants, loss, second_model=applies(case)
            )
            warnings.extend(remarks)
    except SawfemError as error:
        key = f"device.{error.key}" if error.key else "device"
        raise _at(error, case.file, key) from None
    return device_result(asked.kind, response, setting.description), tuple(warnings)


def solve_any_device(
    case: ResolvedCase,
    stack: Stack,
    cells: Mapping[str, UnitCell],
    solutions: Mapping[str, GratingSolution],
    report: Progress = lambda stage, done, total: None,
    *,
    fields: bool = True,
) -> tuple[DeviceResult, tuple[str, ...]]:
    """Response of the case's device of any kind, held against its specification, and warnings.

    ``report`` is told (stage, done, total) of what takes long. Without ``fields`` beams are in
    the response where the case asks for that, but not reported themselves.

    Raises as :func:`solve_device`, and CaseError for a limit that cannot be looked at and a signal
    that does not come through.
    """
    asked = case.device
    assert asked is not None
    try:
        setting = circuit_setting(case, cells, solutions)
        setting = with_spreading(case, setting, cells, solutions)
        if isinstance(asked, Computed) and not _of_parts(case, asked):
            spread = getattr(setting.circuit.parts.get("track"), "spreading", None)
            device, told = solve_device(case, asked, cells, solutions, spread)
            at = device.response.frequency
            shares = solve_assembly(setting.circuit, setting.gratings, at).shares()
            checks = {**device.response.checks, "energy": energy_check(shares)}
            response = replace(device.response, power=shares, checks=checks)
            device = replace(device, response=response)
        else:
            device, told = solve_assembly_device(case, asked, solutions, setting)
    except SawfemError as error:
        if error.file is not None:
            raise
        raise _at(error, case.file, f"device.{error.key}" if error.key else "device") from None
    verdicts, more = verdicts_of(case, stack, solutions, setting)
    beams, remarks = beams_of(case, setting, cells, solutions, report) if fields else ((), ())
    transverse, response, across = solve_transverse(
        case, setting, solutions, device.response, report
    )
    device = replace(
        device,
        beams=beams,
        response=response,
        transverse=transverse,
        signal=solve_signal(case, setting, device.response, report),
        specification=tuple(verdict_dict(verdict) for verdict in verdicts),
        circuit=setting.circuit,
        gratings=setting.gratings,
    )
    return device, (*told, *more, *remarks, *across)


def _of_parts(case: ResolvedCase, asked: Computed) -> bool:
    """Whether a device has what only a circuit knows of.

    Reflectors on another grating, cells of several electrodes, transducers turned round.
    """
    if isinstance(asked, ResolvedTransversalDevice):
        return case.gratings[asked.grating].several or any(asked.mirrored)
    part = asked.resonator
    other = part.reflector_grating not in ("", part.grating)
    return other or case.gratings[part.grating].several


def _transducer(asked: Computed) -> ResolvedResonator | ResolvedTransversalDevice:
    """What holds the keys of the transducers."""
    return asked.resonator if isinstance(asked, ResolvedResonatorDevice) else asked


def _at(error: SawfemError, file: str | None, key: str) -> SawfemError:
    if isinstance(error, ConvergenceError):
        expected = "leave [device] out to get the constants alone"
        return ConvergenceError(f"{error.message}; {expected}", file=file, key="device")
    return type(error)(error.message, file=file, key=key)


def _resonator(
    case: ResolvedCase,
    asked: ResolvedResonatorDevice,
    grating: ResolvedGrating,
    solution: GratingSolution,
    sheet: float,
) -> _Setting:
    part = asked.resonator
    constants = solution.constants.com()
    device = resonator_of(
        part,
        load=asked.load,
        sheet_resistance=sheet,
        electrode_width=conducting_width(solution.cell),
        attenuation=attenuation_of_loss(part.propagation_loss, constants.velocity),
    )
    bands = case.bands or (_resonator_band(part.fingers, solution.constants),)
    description = {
        "grating": grating.name,
        "fingers": part.fingers,
        "reflector_fingers": list(part.reflector_fingers),
        "reflector_connection": part.reflector_connection,
        json_key("aperture"): part.aperture,
        json_key("gap"): part.gap,
        json_key("sheet_resistance"): sheet,
        json_key("propagation_loss"): part.propagation_loss,
    }
    bars = com_uncertainty(solution.constants)
    return _Setting(device, constants, bars, grid_of(bands), description)


def _transversal(
    case: ResolvedCase,
    asked: ResolvedTransversalDevice,
    grating: ResolvedGrating,
    cell: UnitCell,
    solution: GratingSolution,
    sheet: float,
    spread: Spreading | None,
) -> _Setting:
    double = asked.transducer == "double"
    if double:
        solved = solve_double_electrodes(cell)
        constants, bars = solved.constants, solved.numerical
    else:
        constants, bars = solution.constants.com(), com_uncertainty(solution.constants)
    waves = grating_waves(cell, phase=0.5 * math.pi) if double else solution.waves
    width = conducting_width(cell)
    device = Transversal(
        fingers=asked.fingers,
        aperture=asked.aperture,
        gap=asked.gap,
        polarity=("++--", "++--") if double else ("+-", "+-"),
        gap_velocity=strongest(waves).velocity_free,  # nothing but the stack lies in the gap
        terminations=(asked.source, asked.load),
        sheet_resistance=sheet,
        electrode_width=(width, width),
        attenuation=attenuation_of_loss(asked.propagation_loss, constants.velocity),
        spreading=spread,
    )
    description = {
        "grating": grating.name,
        "fingers": list(asked.fingers),
        "transducer": asked.transducer,
        json_key("aperture"): asked.aperture,
        json_key("gap"): asked.gap,
        json_key("sheet_resistance"): sheet,
        json_key("propagation_loss"): asked.propagation_loss,
        "diffraction": asked.diffraction,
        json_key("offset_across"): asked.offset,
    }
    if double:
        description["double_electrode"] = {
            json_key("pitch"): constants.pitch,
            json_key("velocity"): constants.velocity,
            "transduction_per_cell_sqrt_S_per_m": abs(constants.transduction),
            "capacitance_per_cell_F_per_m": constants.capacitance,
        }
    cells = min(asked.fingers) // (2 if double else 1)
    bands = case.bands or (_transversal_band(cells, constants),)
    return _Setting(device, constants, bars, grid_of(bands), description)


def _resonator_band(fingers: int, constants: GratingConstants) -> ResolvedBand:
    """The stop band with twice its width, or four lobes of the transducer, on either side."""
    edges = [
        edge for edge in (*constants.stopband_short, *constants.stopband_open) if edge is not None
    ]
    low, high = min(edges), max(edges)
    margin = max(2.0 * (high - low), 8.0 * low / fingers)
    return ResolvedBand(max(low - margin, 0.5 * low), min(high + margin, 1.5 * high), POINTS)


def _transversal_band(cells: int, constants: ComConstants) -> ResolvedBand:
    """Five zeros, f0 2/cells apart, of the shorter transducer on either side of the middle."""
    centre = constants.centre_frequency
    margin = min(0.5, 10.0 / cells) * centre
    return ResolvedBand(centre - margin, centre + margin, POINTS)


def _with_uncertainty(response: Response, setting: _Setting) -> Response:
    """Figures with what the numerical uncertainty of the constants makes of them.

    Every constant is moved alone by its uncertainty.
    """
    # A resonator's figures are searched between the ends of the band, a filter's are read off
    # its response.
    resonator = isinstance(setting.device, Resonator)
    frequency = setting.frequency[[0, -1]] if resonator else setting.frequency
    return response.widened(
        device_response(setting.device, setting.constants.moved(name, bar), frequency)
        for name, bar in setting.bars.items()
        if bar
    )
