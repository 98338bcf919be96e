"""Devices of several parts: resonators, tracks, lumps and networks between nodes; ladders.

A circuit names its parts once and places them any number of times: equal resonators of a ladder
are computed once.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from sawfem.device.blackbox import BlackBox
from sawfem.device.circuit import CircuitPort
from sawfem.device.description import Resonator
from sawfem.device.lump import Lump
from sawfem.device.track import Element, Reflector, Space, Track, Transducer
from sawfem.device.wiring import GROUND, Pair
from sawfem.errors import InputError


@dataclass(frozen=True)
class ResonatorPart:
    """A one-port resonator and the names of its transducer's and its reflectors' gratings."""

    resonator: Resonator
    grating: str
    reflector_grating: str = ""

    @property
    def mirror(self) -> str:
        """Grating of the reflectors; the transducer's where none is named."""
        return self.reflector_grating or self.grating


Part = ResonatorPart | Track | Lump | BlackBox


@dataclass(frozen=True)
class Circuit:
    """Parts between nodes.

    Attributes
    ----------
    parts : by name.
    placed : (name of a part, nodes (plus, minus) of each of its ports), in order.
    ports : of the device, the first being the input.
    """

    parts: Mapping[str, Part]
    placed: tuple[tuple[str, tuple[Pair, ...]], ...]
    ports: tuple[CircuitPort, ...]

    @property
    def gratings(self) -> tuple[str, ...]:
        """Names of the gratings that its parts stand on."""
        found: dict[str, None] = {}
        for name, _ in self.placed:
            part = self.parts[name]
            if isinstance(part, ResonatorPart):
                found |= dict.fromkeys((part.grating, part.mirror))
            elif isinstance(part, Track):
                found |= dict.fromkeys(part.gratings)
        return tuple(found)


def as_track(part: ResonatorPart | Track) -> Track:
    """A resonator as the track that it is; its gaps at the velocity of the gratings beside them."""
    if isinstance(part, Track):
        return part
    device = part.resonator
    gap = Space(device.gap)
    row: list[Element] = [Transducer("1", part.grating, device.fingers)]
    left, right = device.reflector_fingers
    if left:
        row = [Reflector(part.mirror, left, device.reflector_connection), gap, *row]
    if right:
        row += [gap, Reflector(part.mirror, right, device.reflector_connection)]
    return Track(device.aperture, tuple(row), device.sheet_resistance, device.attenuation)


def part_ports(part: Part) -> int:
    """Number of electrical ports of a part."""
    if isinstance(part, Track):
        return len(part.ports)
    return part.ports if isinstance(part, BlackBox) else 1


def port_nodes(name: str, part: Part, nodes: Sequence[str]) -> tuple[Pair, ...]:
    """Nodes (plus, minus) of each port of a part from the list that a designer writes.

    n nodes for n ports: every port against ground; n + 1: against the last, their common terminal;
    2n: plus and minus of each in turn, which a network, having one common terminal, cannot take.
    Raises InputError for another number.
    """
    n = part_ports(part)
    if len(nodes) in (n, n + 1):
        common = nodes[n] if len(nodes) > n else GROUND
        return tuple((node, common) for node in nodes[:n])
    if len(nodes) == 2 * n and not isinstance(part, BlackBox):
        return tuple(zip(nodes[::2], nodes[1::2], strict=True))
    both = "" if isinstance(part, BlackBox) else f", or {2 * n}: both ends of each port"
    raise _wrong_count(name, nodes, f"{n}, or {n + 1} with the common terminal last{both}")


def _wrong_count(name: str, nodes: Sequence[str], expected: str) -> InputError:
    return InputError(
        key="nodes", found=f'{len(nodes)} node(s) of "{name}"', expected=f"nodes: {expected}"
    )


def ladder(
    parts: Mapping[str, Part],
    chain: Sequence[tuple[str, Sequence[str]]],
    ports: Sequence[tuple[str, complex]],
) -> Circuit:
    """A ladder as a circuit.

    Parameters
    ----------
    parts : by name; each of one port, or a two-port track or network as a series link.
    chain : ("series" or "shunt", names of parts in a row) from port 1 to port 2.
    ports : name and impedance of the two ports.

    Nodes are called n0 (port 1), n1, ... along the chain. Raises InputError for a chain without
    a series part, where both ports would be the same node, and for a part of other ports.
    """
    names = [link[0] for link in chain]
    if "series" not in names:
        raise InputError(
            key="chain", found="no series link", expected="one: else both ports are one node"
        )
    placed: list[tuple[str, tuple[Pair, ...]]] = []
    here, count = "n0", 0
    for kind, members in chain:
        at = here
        for position, name in enumerate(members):
            last = kind == "shunt" and position == len(members) - 1
            count += 0 if last else 1
            there = GROUND if last else f"n{count}"
            placed.append((name, _link_nodes(name, parts[name], at, there)))
            at = there
        here = at if kind == "series" else here
    first, second = ports
    ends = (
        CircuitPort(first[0], ("n0", GROUND), first[1]),
        CircuitPort(second[0], (here, GROUND), second[1]),
    )
    return Circuit(parts, tuple(placed), ends)


def _link_nodes(name: str, part: Part, at: str, there: str) -> tuple[Pair, ...]:
    count = part_ports(part)
    if count == 1:
        return ((at, there),)
    if count == 2 and there != GROUND:
        return ((at, GROUND), (there, GROUND))
    raise InputError(
        key="chain",
        found=f'"{name}" with {count} ports',
        expected="a part of one port, or a two-port in series",
    )
