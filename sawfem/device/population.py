"""Many devices of one layout solved together: same parts and wiring, other numbers.

What a process scatters: lengths, resistances and the constants of the gratings. The frequencies
of all devices are laid along one axis (sawfem/device/stacked.py), resonators and the circuit are
solved once along it; parts that are no resonator are solved device by device.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from sawfem.device.assembled import Solved, solve_part
from sawfem.device.assembly import Circuit, ResonatorPart
from sawfem.device.circuit import CircuitPart, solve_circuit
from sawfem.device.mirrored import ResonatorSolution, between_mirrors
from sawfem.device.pmatrix import ComplexArray, FloatArray, delay
from sawfem.device.resonator import check_geometry, series_resistance
from sawfem.device.rows import TrackSolution
from sawfem.device.section import grating_section, transducer_section
from sawfem.device.stacked import StackedConstants, repeated
from sawfem.device.track import Gratings
from sawfem.errors import InputError


def population_scattering(
    circuits: Sequence[Circuit], gratings: Sequence[Gratings], frequency: FloatArray
) -> ComplexArray:
    """Scattering (S, F, n, n) of S devices at ``frequency`` (F,) in hertz.

    Parameters
    ----------
    circuits : of one wiring, with the same kinds and counts of parts; numbers may differ.
    gratings : constants under each of them.

    Raises
    ------
    InputError : devices of different wiring, counts or kinds, or a circuit that is singular.
    GeometryError : electrodes that overlap.
    """
    first = circuits[0]
    for circuit in circuits:
        if circuit is not first and _shape(circuit) != _shape(first):
            raise InputError(
                key="circuits", found="devices of different layout", expected="one layout"
            )
    size = len(circuits)
    tiled = np.tile(frequency, size)
    resonators = _Resonators(circuits, gratings, frequency.size, tiled)
    parts: dict[str, CircuitPart] = {}
    placed = []
    for name, nodes in first.placed:
        if name not in parts:
            parts[name] = _part(name, nodes, circuits, gratings, frequency, resonators)
        placed.append(replace(parts[name], nodes=nodes))
    impedances = [[port.impedance for port in circuit.ports] for circuit in circuits]
    reference = np.repeat(np.array(impedances, dtype=complex), frequency.size, axis=0)
    s = solve_circuit(tiled, placed, first.ports, reference=reference).s
    return s.reshape(size, frequency.size, *s.shape[1:])


def _shape(circuit: Circuit) -> Hashable:
    """What devices of one population have in common."""

    def counts(name: str) -> Hashable:
        part = circuit.parts[name]
        if not isinstance(part, ResonatorPart):
            return type(part).__name__
        device = part.resonator
        fixed = (device.fingers, device.reflector_fingers, device.reflector_connection)
        return (part.grating, part.mirror, *fixed)

    ports = tuple((port.name, port.nodes) for port in circuit.ports)
    return circuit.placed, ports, tuple(counts(name) for name, _ in circuit.placed)


def _part(
    name: str,
    nodes: tuple[tuple[str, str], ...],
    circuits: Sequence[Circuit],
    gratings: Sequence[Gratings],
    frequency: FloatArray,
    resonators: _Resonators,
) -> CircuitPart:
    """A part of all devices, along the common axis."""
    if isinstance(circuits[0].parts[name], ResonatorPart):
        return CircuitPart(name, nodes, resonators.admittance(name))
    found = [
        solve_part(circuit.parts[name], base, frequency)
        for circuit, base in zip(circuits, gratings, strict=True)
    ]
    if isinstance(found[0], tuple):
        scattering = np.concatenate([_pair(item)[0] for item in found])
        references = np.concatenate([_pair(item)[1] for item in found])
        return CircuitPart(name, nodes, scattering=scattering, reference=references)
    return CircuitPart(name, nodes, np.concatenate([_admittance(item) for item in found]))


def _pair(solved: Solved) -> tuple[ComplexArray, ComplexArray]:
    assert isinstance(solved, tuple)
    return solved


def _admittance(solved: Solved) -> ComplexArray:
    if isinstance(solved, TrackSolution | ResonatorSolution):
        return solved.admittance
    assert not isinstance(solved, tuple)
    return solved


class _Resonators:
    """Resonators of all devices; what several have in common is solved once."""

    def __init__(
        self,
        circuits: Sequence[Circuit],
        gratings: Sequence[Gratings],
        each: int,
        tiled: FloatArray,
    ) -> None:
        self._circuits, self._gratings = circuits, gratings
        self._each, self._tiled = each, tiled
        self._known: dict[Hashable, Any] = {}

    def admittance(self, name: str) -> ComplexArray:
        """(S F, 1, 1) in siemens, with finger resistance."""
        parts = [self._resonator(circuit, name) for circuit in self._circuits]
        for part, base in zip(parts, self._gratings, strict=True):
            check_geometry(part.resonator, base.of(part.grating), base.of(part.mirror))
        devices = [part.resonator for part in parts]
        one = parts[0]
        lost = tuple(device.attenuation for device in devices)
        key = (
            *(one.grating, one.mirror, devices[0].fingers, devices[0].reflector_fingers),
            *(devices[0].reflector_connection, lost),
            *((device.gap, device.gap_velocity) for device in devices),
        )
        per_metre = self._once(key, lambda: self._per_metre(parts, lost))
        y = repeated([device.aperture for device in devices], self._each) * per_metre
        resistance = np.array([series_resistance(device) for device in devices])
        if resistance.any():
            y = y / (1.0 + repeated(resistance, self._each) * y)
        return np.asarray(y)[:, None, None]

    @staticmethod
    def _resonator(circuit: Circuit, name: str) -> ResonatorPart:
        part = circuit.parts[name]
        assert isinstance(part, ResonatorPart)
        return part

    def _once(self, key: Hashable, make: Callable[[], Any]) -> Any:
        if key not in self._known:
            self._known[key] = make()
        return self._known[key]

    def _constants(self, name: str, lost: tuple[float, ...]) -> StackedConstants:
        """Constants of a grating, what the devices lose beside it added."""

        def make() -> StackedConstants:
            found = [base.of(name) for base in self._gratings]
            stacked = StackedConstants.of(found, self._each)
            extra = repeated(lost, self._each)
            return replace(stacked, attenuation=stacked.attenuation + extra)

        made: StackedConstants = self._once(("constants", name, lost), make)
        return made

    def _per_metre(self, parts: Sequence[ResonatorPart], lost: tuple[float, ...]) -> ComplexArray:
        """(S F,) admittance of one metre of aperture."""
        one, device, f = parts[0], parts[0].resonator, self._tiled
        transducer, mirror = (self._constants(name, lost) for name in (one.grating, one.mirror))
        velocities = [
            part.resonator.gap_velocity or base.of(part.grating).velocity
            for part, base in zip(parts, self._gratings, strict=True)
        ]
        length = repeated([part.resonator.gap for part in parts], self._each)
        length = length - 0.5 * (transducer.pitch + mirror.pitch)
        gap = delay(
            length,
            repeated(velocities, self._each),
            f,
            attenuation=repeated(lost, self._each),
        ).transmission

        def reflection(strips: int) -> ComplexArray:
            if not strips:
                return np.zeros_like(gap)
            how = device.reflector_connection
            found: ComplexArray = self._once(
                ("mirror", one.mirror, strips, how, lost),
                lambda: grating_section(mirror, strips, f, connection=how).matrix[:, 0, 0],
            )
            return np.asarray(gap**2 * found)

        driven = self._once(
            ("driven", one.grating, device.fingers, lost),
            lambda: transducer_section(transducer, device.fingers, 1.0, f).matrix,
        )
        left, right = device.reflector_fingers
        G1 = reflection(left)
        return between_mirrors(driven, G1, G1 if right == left else reflection(right))[0]
