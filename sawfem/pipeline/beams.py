"""Spreading and steering of the beam in the device of a case: in its response, and reported."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import replace

from sawfem.case import (
    ResolvedCase,
    ResolvedCircuitDevice,
    ResolvedLadderDevice,
    ResolvedTransversalDevice,
)
from sawfem.design import UnitCell
from sawfem.device.beams import BeamPair, beam_pair, pairs_of, spreading, track_sources
from sawfem.device.track import Space, Track
from sawfem.errors import CaseError, InputError, SawfemError
from sawfem.extract import GratingSolution
from sawfem.extract.grating import grating_waves, strongest
from sawfem.pipeline.circuits import CircuitSetting
from sawfem.planewave.follow import locate
from sawfem.planewave.slowness_curve import SlownessCurve, slowness_curve

#: What [results] include calls the report of all beams.
ASKED = "diffraction"
#: A numerical error of the loss that is worth a sentence, dB.
LOOSE = 0.05

#: progress(stage, done, total).
Progress = Callable[[str, int, int], None]


def with_spreading(
    case: ResolvedCase,
    setting: CircuitSetting,
    cells: Mapping[str, UnitCell],
    solutions: Mapping[str, GratingSolution],
) -> CircuitSetting:
    """The circuit of a case with the factors of its beams where it asks for them.

    Raises
    ------
    CaseError : transducers that do not lie behind each other, or a wave that cannot be followed
        to the directions in which they see each other.
    """
    parts = dict(setting.circuit.parts)
    for name, part in parts.items():
        if isinstance(part, Track) and _applied(case, name):
            try:
                curve = curve_of(part, cells, solutions)
                found = spreading(part, setting.gratings, curve)
            except SawfemError as error:
                raise _refused(case, name, error) from None
            parts[name] = replace(part, spreading=found)
    if all(parts[name] is part for name, part in setting.circuit.parts.items()):
        return setting
    return replace(setting, circuit=replace(setting.circuit, parts=parts))


def same_spreading(setting: CircuitSetting, nominal: CircuitSetting) -> CircuitSetting:
    """A variant of a device with the beams of the nominal one, which process hardly moves.

    They follow the synchronous frequency of the variant (:mod:`sawfem.device.rows`).
    """
    parts = {
        name: replace(part, spreading=other.spreading)
        if isinstance(part, Track) and isinstance(other := nominal.circuit.parts.get(name), Track)
        else part
        for name, part in setting.circuit.parts.items()
    }
    return replace(setting, circuit=replace(setting.circuit, parts=parts))


def beams_of(
    case: ResolvedCase,
    setting: CircuitSetting,
    cells: Mapping[str, UnitCell],
    solutions: Mapping[str, GratingSolution],
    report: Progress = lambda stage, done, total: None,
) -> tuple[tuple[BeamPair, ...], tuple[str, ...]]:
    """Every pair of transducers of every track, and warnings; nothing where nobody asks.

    Raises as :func:`with_spreading`; a case that asks for the report needs a track.
    """
    tracks = {
        name: part
        for name in dict.fromkeys(name for name, _ in setting.circuit.placed)
        if isinstance(part := setting.circuit.parts[name], Track)
        and (ASKED in case.include or _applied(case, name))
    }
    if ASKED in case.include and not tracks:
        raise CaseError(
            file=case.file,
            key="results.include",
            found='"diffraction" of a device without a track',
            expected="a transversal filter, or a [[track]] with two transducers",
        )
    found: list[BeamPair] = []
    told: list[str] = []
    for name, track in tracks.items():
        try:
            pairs = _pairs(case, name, track, setting, cells, solutions, report)
        except SawfemError as error:
            raise _refused(case, name, error) from None
        found += pairs
        told += [text for pair in pairs for text in _remarks(pair, track)]
    return tuple(found), tuple(told)


def _pairs(
    case: ResolvedCase,
    name: str,
    track: Track,
    setting: CircuitSetting,
    cells: Mapping[str, UnitCell],
    solutions: Mapping[str, GratingSolution],
    report: Progress,
) -> list[BeamPair]:
    """Every pair of transducers of one track with its fields and figures."""
    curve = curve_of(track, cells, solutions)
    factors = track.spreading or spreading(track, setting.gratings, curve)
    pairs = pairs_of(track_sources(track, setting.gratings))
    found = []
    stage = _stage(report, name)
    for number, pair in enumerate(pairs):
        stage(number, len(pairs))
        found.append(
            beam_pair(
                name,
                pair,
                setting.gratings,
                curve,
                factors,
                applied=track.spreading is not None,
                misalignment=_misalignment(case, name),
            )
        )
    stage(len(pairs), len(pairs))
    return found


def curve_of(
    track: Track, cells: Mapping[str, UnitCell], solutions: Mapping[str, GratingSolution]
) -> SlownessCurve:
    """Slowness of the wave that the track's gratings use, on the plain surface between them.

    Metallised where most of the length of its spaces is, else free; metallised too where the
    free surface carries no such wave.

    Raises InputError and ConvergenceError for a wave that cannot be followed.
    """
    grating = track.gratings[0]
    cell = cells[grating]
    double = any(getattr(e, "double", False) for e in track.elements)
    # A half-space knows no length; a layered one is looked at where the device works.
    layered = bool(cell.planar()[1])
    waves = solutions[grating].waves
    if double and layered:
        waves = grating_waves(cell, phase=0.5 * math.pi)
    wave = strongest(waves)
    substrate, layers, interface = cell.planar()
    spaces = [e for e in track.elements if isinstance(e, Space)]
    covered = sum(e.length for e in spaces if e.surface == "metallised")
    metallised = 2.0 * covered > sum(e.length for e in spaces) or wave.velocity_free is None
    if metallised and interface != len(layers):
        raise InputError(
            key="surface",
            found="a metal film below others",
            expected="a free surface between the transducers, or electrodes on top",
        )
    located = locate(wave, substrate, layers, shorts=cell.stack.shorts, metallised=metallised)
    return slowness_curve(located, surface="metallised" if metallised else "free")


def tracks_with_beams(case: ResolvedCase) -> tuple[str, ...]:
    """Names of the tracks whose beams a run of the case computes."""
    if isinstance(case.device, ResolvedTransversalDevice):
        return ("track",) if case.device.diffraction or ASKED in case.include else ()
    if not isinstance(case.device, ResolvedCircuitDevice | ResolvedLadderDevice):
        return ()
    placed = case.device.parts if isinstance(case.device, ResolvedCircuitDevice) else ()
    used = dict.fromkeys(name for name, _ in placed if name in case.tracks)
    return tuple(name for name in used if _applied(case, name) or ASKED in case.include)


def _applied(case: ResolvedCase, name: str) -> bool:
    if isinstance(case.device, ResolvedTransversalDevice):
        return case.device.diffraction
    return name in case.tracks and case.tracks[name].diffraction


def _misalignment(case: ResolvedCase, name: str) -> float:
    if isinstance(case.device, ResolvedTransversalDevice):
        return case.device.misalignment
    return case.tracks[name].misalignment if name in case.tracks else 0.0


def _stage(report: Progress, name: str) -> Callable[[int, int], None]:
    return lambda done, total: report(f"beams of {name}", done, total)


def _refused(case: ResolvedCase, name: str, error: SawfemError) -> SawfemError:
    """The error at the key that asked, with what was found."""
    if isinstance(case.device, ResolvedTransversalDevice):
        place = "device.diffraction" if case.device.diffraction else "results.include"
    else:
        place = f"track.{name}.diffraction" if _applied(case, name) else "results.include"
    return CaseError(
        None if error.found else error.message,
        file=case.file,
        key=place,
        found=error.found,
        expected=error.expected,
    )


def _remarks(pair: BeamPair, track: Track) -> list[str]:
    """What is to be said about one pair."""
    who = f"beam of {pair.track} from {pair.source} to {pair.receiver}"
    told = [f"{who}: {text}" for text in pair.remarks]
    loss = pair.figures["diffraction_loss"]
    if (loss.uncertainty or 0.0) > LOOSE:
        told.append(f"{who}: the diffraction loss is known to {loss.uncertainty:.2g} dB only")
    if any(not isinstance(e, Space) and hasattr(e, "strips") for e in track.elements):
        told.append(
            f"{who}: the loss is that of one way; what reflectors send back loses that of its own "
            "passages, but nothing between elements within a wavelength of each other, where the "
            "electrodes guide the wave"
        )
    return told
