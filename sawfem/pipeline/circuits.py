"""From the device of a case, of any kind, to a circuit and the constants under it.

``circuit_setting`` is what everything that varies a device starts from: the same circuit answers
for changed constants, temperatures and frequencies without another unit cell.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from sawfem.case import (
    ResolvedBand,
    ResolvedCase,
    ResolvedCircuitDevice,
    ResolvedLadderDevice,
    ResolvedResonator,
    ResolvedResonatorDevice,
    ResolvedSignal,
    ResolvedTrack,
    ResolvedTransversalDevice,
)
from sawfem.case.resolved_devices import ResolvedElement
from sawfem.design import UnitCell
from sawfem.device.assembled import circuit_response
from sawfem.device.assembly import Circuit, Part, ResonatorPart, as_track, ladder, port_nodes
from sawfem.device.blackbox import BlackBox
from sawfem.device.circuit import CircuitPort
from sawfem.device.drawn import DrawnCell, DrawnElectrode
from sawfem.device.losses import attenuation_of_loss
from sawfem.device.lump import Lump
from sawfem.device.pmatrix import FloatArray
from sawfem.device.response import Response
from sawfem.device.track import Element, Gratings, Reflector, Space, Track, Transducer
from sawfem.device.wiring import GROUND
from sawfem.errors import InputError
from sawfem.extract import (
    ComConstants,
    GratingSolution,
    com_uncertainty,
    solve_double_electrodes,
)
from sawfem.extract.grating import grating_waves, strongest
from sawfem.pipeline.build import connections_of
from sawfem.pipeline.fingers import conducting_width, resonator_of, sheet_resistance


@dataclass(frozen=True)
class CircuitSetting:
    """A device as a circuit, and what it stands on.

    Attributes
    ----------
    circuit : parts and nodes. gratings : constants at 25 degC.
    bars : grating -> numerical uncertainty of each of its constants.
    frequency : (F,) at which it is asked for, Hz.
    warnings : sentences about what was assumed.
    signal : that it has to let through, or None.
    """

    circuit: Circuit
    gratings: Gratings
    bars: Mapping[str, Mapping[str, float | complex]]
    frequency: FloatArray
    warnings: tuple[str, ...] = ()
    signal: ResolvedSignal | None = None

    def response(
        self, gratings: Gratings | None = None, frequency: FloatArray | None = None
    ) -> Response:
        """The answer, with other constants or at other frequencies where they are given."""
        at = self.frequency if frequency is None else frequency
        return circuit_response(self.circuit, gratings or self.gratings, at)


def circuit_setting(
    case: ResolvedCase,
    cells: Mapping[str, UnitCell],
    solutions: Mapping[str, GratingSolution],
) -> CircuitSetting:
    """The circuit of a case's device, whatever its kind.

    Raises
    ------
    GeometryError, InputError : a device that cannot exist, or a circuit that is no circuit.
    ConvergenceError : a grating lacks a constant that a device needs.
    """
    builder = _Builder(case, cells, solutions)
    circuit = _any_circuit(case, builder)
    gratings, bars = builder.gratings(circuit)
    frequency = band_frequencies(case, circuit, gratings)
    told = tuple(dict.fromkeys(builder.told))
    return CircuitSetting(circuit, gratings, bars, frequency, told, case.signal)


def _any_circuit(case: ResolvedCase, builder: _Builder) -> Circuit:
    """The circuit of a device of any kind."""
    asked = case.device
    assert asked is not None
    if isinstance(asked, ResolvedResonatorDevice):
        one: dict[str, Part] = {"resonator": builder.resonator(asked.resonator, "device")}
        port = CircuitPort("1", ("in", GROUND), asked.load)
        return Circuit(one, (("resonator", (port.nodes,)),), (port,))
    if isinstance(asked, ResolvedTransversalDevice):
        parts: dict[str, Part] = {"track": builder.transversal(asked)}
        pairs = (("in", GROUND), ("out", GROUND))
        ports = (CircuitPort("1", pairs[0], asked.source), CircuitPort("2", pairs[1], asked.load))
        return Circuit(parts, (("track", pairs),), ports)
    if isinstance(asked, ResolvedLadderDevice):
        names = {name for _, members in asked.chain for name in members}
        ends = [(port.name, port.impedance) for port in asked.ports]
        return ladder(builder.parts(names), asked.chain, ends)
    return _circuit(asked, builder)


def _circuit(asked: ResolvedCircuitDevice, builder: _Builder) -> Circuit:
    parts = builder.parts({name for name, _ in asked.parts})
    placed = tuple((name, port_nodes(name, parts[name], nodes)) for name, nodes in asked.parts)
    ports = []
    for port in asked.ports:
        plus, minus = port.nodes if len(port.nodes) == 2 else (port.nodes[0], GROUND)
        ports.append(CircuitPort(port.name, (plus, minus), port.impedance))
    return Circuit(parts, placed, tuple(ports))


@dataclass
class _Builder:
    """Parts of one case in the words of the device room."""

    case: ResolvedCase
    cells: Mapping[str, UnitCell]
    solutions: Mapping[str, GratingSolution]

    def __post_init__(self) -> None:
        self.told: list[str] = []

    def parts(self, names: set[str]) -> dict[str, Part]:
        """The named parts, in the order of the file."""
        case = self.case
        found: dict[str, Part] = {}
        for name, resonator in case.resonators.items():
            if name in names:
                found[name] = self.resonator(resonator, f"resonator.{name}")
        for name, lump in case.lumps.items():
            if name in names:
                found[name] = Lump(lump.inductance, lump.capacitance, lump.resistance, lump.quality)
        for name, network in case.networks.items():
            if name in names:
                found[name] = BlackBox.read(network.file)
        for name, track in case.tracks.items():
            if name in names:
                found[name] = self.track(track)
        return found

    def _velocity(self, grating: str) -> float:
        return self.solutions[grating].constants.com().velocity

    def _sheet(self, given: float | None, key: str, grating: str) -> float:
        sheet, told = sheet_resistance(given, f"{key}.sheet_resistance", self.cells[grating])
        self.told += told[: 1 if not self.told else 0]
        return sheet

    def resonator(self, part: ResolvedResonator, key: str) -> ResonatorPart | Track:
        """A resonator; as the track that it is where a cell has several electrodes."""
        resonator = resonator_of(
            part,
            sheet_resistance=self._sheet(part.sheet_resistance, key, part.grating),
            electrode_width=conducting_width(self.cells[part.grating]),
            attenuation=attenuation_of_loss(part.propagation_loss, self._velocity(part.grating)),
        )
        found = ResonatorPart(resonator, part.grating, part.reflector_grating)
        drawn = any(self.case.gratings[name].several for name in (found.grating, found.mirror))
        return as_track(found) if drawn else found

    def track(self, track: ResolvedTrack) -> Track:
        elements = tuple(_element(element) for element in track.elements)
        first = next(e.grating for e in elements if isinstance(e, Transducer))
        return Track(
            track.aperture,
            elements,
            self._sheet(track.sheet_resistance, f"track.{track.name}", first),
            attenuation_of_loss(track.propagation_loss, self._velocity(first)),
        )

    def transversal(self, asked: ResolvedTransversalDevice) -> Track:
        polarity = (1, 1, -1, -1) if asked.transducer == "double" else (1, -1)
        (first, second), (turned, other) = asked.fingers, asked.mirrored
        return Track(
            asked.aperture,
            (
                Transducer("1", asked.grating, first, polarity, mirrored=turned),
                Space(asked.gap, "free"),
                Transducer(
                    "2", asked.grating, second, polarity, offset=asked.offset, mirrored=other
                ),
            ),
            self._sheet(asked.sheet_resistance, "device", asked.grating),
            attenuation_of_loss(asked.propagation_loss, self._velocity(asked.grating)),
        )

    def gratings(
        self, circuit: Circuit
    ) -> tuple[Gratings, dict[str, Mapping[str, float | complex]]]:
        """Constants of all gratings of a circuit, of double electrodes too where it has them."""
        constants: dict[str, ComConstants] = {}
        widths: dict[str, float] = {}
        bars: dict[str, Mapping[str, float | complex]] = {}
        for name in circuit.gratings:
            constants[name] = self.solutions[name].constants.com()
            widths[name] = conducting_width(self.cells[name])
            bars[name] = com_uncertainty(self.solutions[name].constants)
        double: dict[str, ComConstants] = {}
        waves = self.solutions[circuit.gratings[0]].waves if circuit.gratings else None
        for name in _double_gratings(circuit):
            solved = solve_double_electrodes(self.cells[name])
            double[name], bars[name] = solved.constants, solved.numerical
            waves = grating_waves(self.cells[name], phase=0.5 * math.pi)
        free = metallised = None
        if waves is not None:
            wave = strongest(waves)
            free, metallised = wave.velocity_free, wave.velocity_metallised
        drawn = {
            name: self._drawn(name)
            for name in circuit.gratings
            if len(self.cells[name].electrodes) > 1
        }
        return Gratings(constants, double, widths, free, metallised, drawn), bars

    def _drawn(self, name: str) -> DrawnCell:
        """A cell of several electrodes."""
        cell, tied = self.cells[name], connections_of(self.case, name)
        reference = self.solutions[name].constants.reference_plane
        assert tied is not None
        assert reference is not None
        electrodes = sorted(cell.electrodes, key=lambda item: item.centre or 0.0)
        return DrawnCell(
            cell.period,
            tuple(
                DrawnElectrode(item.centre or 0.0, item.mean_width, word)
                for item, word in zip(electrodes, tied, strict=True)
            ),
            reference,
        )


def _double_gratings(circuit: Circuit) -> list[str]:
    found: dict[str, None] = {}
    for name, _ in circuit.placed:
        part = circuit.parts[name]
        if isinstance(part, Track):
            for element in part.elements:
                if isinstance(element, Transducer) and element.double:
                    found[element.grating] = None
    return list(found)


def _element(element: ResolvedElement) -> Element:
    if element.kind == "reflector":
        return Reflector(
            element.grating, element.count, "open" if element.connection == "open" else "shorted"
        )
    if element.kind == "space":
        surface: Any = element.surface
        return Space(element.length, surface)
    return Transducer(
        element.port,
        element.grating,
        element.count,
        element.polarity,
        element.weights,
        element.dummies,
        element.offset,
        element.mirrored,
    )


def grid_of(bands: Sequence[ResolvedBand]) -> FloatArray:
    """All frequencies of all bands, increasing, Hz."""
    grids = [np.linspace(band.start, band.stop, band.points) for band in bands]
    return np.unique(np.concatenate(grids))


def band_frequencies(case: ResolvedCase, circuit: Circuit, gratings: Gratings) -> FloatArray:
    """Frequencies of the case's bands, or five stop bands around what the gratings do, Hz."""
    if case.bands:
        return grid_of(case.bands)
    known = [gratings.double.get(name, gratings.of(name)) for name in circuit.gratings]
    if not known:
        raise InputError(
            key="band", found="nothing", expected="a [band]: no grating tells the frequencies"
        )
    centres = [item.centre_frequency for item in known]
    reach = max(0.02, *(2.5 * abs(item.reflection) / math.pi for item in known))
    if isinstance(case.device, ResolvedTransversalDevice):
        # five zeros, f0/N apart for N waves, of the shorter transducer
        each = len(case.gratings[case.device.grating].electrodes)
        waves = min(case.device.fingers) / (each if each > 1 else 2)
        reach = min(0.5, 5.0 / waves)
    return np.linspace(min(centres) * (1.0 - reach), max(centres) * (1.0 + reach), 801)


def moved(setting: CircuitSetting, grating: str, name: str, change: float | complex) -> Gratings:
    """The constants of a setting with one constant of one grating changed."""
    gratings = setting.gratings
    if grating in gratings.double and name != "reflection":
        double = {**gratings.double, grating: gratings.double[grating].moved(name, change)}
        return replace(gratings, double=double)
    constants = {**gratings.constants, grating: gratings.constants[grating].moved(name, change)}
    return replace(gratings, constants=constants)
