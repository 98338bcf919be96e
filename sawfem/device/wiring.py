"""Whether a circuit can be solved at all: unconnected parts, open devices, ports used twice.

Found from the wiring alone, before any frequency, so that the message names the node and not a
singular matrix.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence

from sawfem.errors import InputError

#: The node that every unbalanced port and every part to ground shares.
GROUND = "ground"

Pair = tuple[str, str]


class _Groups:
    """Sets of things that hang together (union-find)."""

    def __init__(self) -> None:
        self._parent: dict[str, str] = {}

    def root(self, thing: str) -> str:
        """Representative of the set of ``thing``."""
        parent = self._parent.setdefault(thing, thing)
        while parent != thing:
            thing, parent = parent, self._parent.setdefault(parent, parent)
        return thing

    def join(self, things: Iterable[str]) -> None:
        """Put all of ``things`` into one set."""
        roots = [self.root(thing) for thing in things]
        for other in roots[1:]:
            self._parent[other] = roots[0]


def check_wiring(parts: Sequence[tuple[str, Sequence[Pair]]], ports: Mapping[str, Pair]) -> None:
    """Refuse a circuit that cannot be what was meant.

    Parameters
    ----------
    parts : (name, nodes of each of its ports (plus, minus)) of every placed part.
    ports : name -> (plus, minus) of the device's ports.

    Raises InputError, with key ``ports`` or ``parts``, for: no port; a port on ground alone or at a
    node that no part has; a port used twice; a node with nothing but one terminal; a part in
    short circuit with itself; a device whose ports have nothing to do with each other; parts that
    no port reaches.
    """
    _check_ports(parts, ports)
    terminals = Counter(node for _, pairs in parts for pair in pairs for node in pair)
    for pair in ports.values():
        terminals.update(pair)
    for name, pairs in parts:
        for plus, minus in pairs:
            if plus == minus:
                raise InputError(
                    key="parts",
                    found=f'both ends of "{name}" at node "{plus}"',
                    expected="two nodes",
                )
            for node in (plus, minus):
                if node != GROUND and terminals[node] < 2:
                    raise InputError(
                        key="parts",
                        found=f'node "{node}" with nothing but one end of "{name}"',
                        expected="another part or a port there (an open end carries no current)",
                    )
    _check_reached(parts, ports)


def _check_ports(parts: Sequence[tuple[str, Sequence[Pair]]], ports: Mapping[str, Pair]) -> None:
    if not ports:
        raise InputError(key="ports", found="no port", expected="one port or more")
    known = {node for _, pairs in parts for pair in pairs for node in pair} | {GROUND}
    taken: dict[frozenset[str], str] = {}
    for name, pair in ports.items():
        if pair[0] == pair[1]:
            raise InputError(
                key="ports",
                found=f'port "{name}" between "{pair[0]}" and itself',
                expected="two nodes",
            )
        for node in pair:
            if node not in known:
                raise InputError(
                    key="ports",
                    found=f'port "{name}" at node "{node}", where no part is',
                    expected=f"one of {', '.join(sorted(known - {GROUND}))}",
                )
        if frozenset(pair) in taken:
            raise InputError(
                key="ports",
                found=f'ports "{taken[frozenset(pair)]}" and "{name}" at the same nodes',
                expected="a node pair of its own for every port (a port used twice)",
            )
        taken[frozenset(pair)] = name


def _check_reached(parts: Sequence[tuple[str, Sequence[Pair]]], ports: Mapping[str, Pair]) -> None:
    """Every part and every port must hang together with the others.

    Ground joins nothing: two circuits that share ground alone do not know of each other.
    """
    groups = _Groups()
    for number, (_, pairs) in enumerate(parts):
        nodes = [f"node {n}" for pair in pairs for n in pair if n != GROUND]
        groups.join([f"part {number}", *nodes])
    for name, pair in ports.items():
        groups.join([f"port {name}", *(f"node {n}" for n in pair if n != GROUND)])
    first = next(iter(ports))
    reached = {groups.root(f"port {name}") for name in ports}
    for name in ports:
        if groups.root(f"port {name}") != groups.root(f"port {first}"):
            raise InputError(
                key="ports",
                found=f'nothing between ports "{first}" and "{name}": the device is open',
                expected="parts that connect them",
            )
    for number, (name, _) in enumerate(parts):
        if groups.root(f"part {number}") not in reached:
            raise InputError(
                key="parts",
                found=f'"{name}", which no port reaches',
                expected="a connection to the rest, or a circuit without it",
            )


def floating_nodes(pairs: Iterable[Pair], through: Iterable[Pair]) -> list[str]:
    """One node of every group that nothing ties to ground, to be taken as its reference.

    ``pairs`` are the two nodes of every port of every part, ``through`` those of the device's
    ports, whose sources and loads conduct as well.
    """
    groups = _Groups()
    nodes: dict[str, None] = {}
    for pair in (*pairs, *through):
        groups.join(pair)
        nodes.update(dict.fromkeys(pair))
    ground = groups.root(GROUND)
    chosen: dict[str, str] = {}
    for node in nodes:
        if groups.root(node) != ground:
            chosen.setdefault(groups.root(node), node)
    return list(chosen.values())
