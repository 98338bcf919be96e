"""Electrical circuits of parts between named nodes, solved directly at all frequencies at once.

Modified nodal equations. With the node voltages V and the currents J into the ports of parts that
are given by their scattering, and sources 2 sqrt(Re z) a behind the ports' own impedances z,

    [sum A_y^T Y A_y + A_p^T z^-1 A_p] V + A_s^T J = A_p^T z^-1 2 sqrt(Re z) a    at every node
    (F - S F) A_s V - (S F G + F G*) J = 0                         parts by their scattering

A are incidence matrices (+1 at the plus node of a port, -1 at its minus node, ground left out),
F and G as in sawfem/device/network.py. The currents into the device are I = (2 sqrt(Re z) a -
A_p V)/z, then b = (A_p V - z* I)/(2 sqrt(Re z)), and S follows from unit a, whether or not the
device has an admittance matrix. (Ho, Ruehli, Brennan, IEEE Trans.
Circuits Syst. CAS-22, 504 (1975); Kurokawa 1965; from memory.) Rows and columns are scaled to
unit size, which keeps a lossless device unitary to rounding.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from sawfem.device.network import as_references
from sawfem.device.pmatrix import ComplexArray, FloatArray
from sawfem.device.wiring import GROUND, Pair, check_wiring, floating_nodes
from sawfem.errors import InputError

#: Growth of a unit right side in the scaled equations beyond which a circuit is singular.
LARGEST_GROWTH = 1.0e13


@dataclass(frozen=True)
class CircuitPart:
    """A part in its place.

    Attributes
    ----------
    name : for messages and the drawing.
    nodes : (plus, minus) of each of its n ports; "ground" is the common node.
    admittance : (F, n, n) in siemens, or None for a part given by ``scattering``.
    scattering : (F, n, n), power waves; ``reference`` : (n,) or (F, n) in ohm.
    """

    name: str
    nodes: tuple[Pair, ...]
    admittance: ComplexArray | None = field(default=None, repr=False)
    scattering: ComplexArray | None = field(default=None, repr=False)
    reference: ComplexArray | float = 50.0

    def __post_init__(self) -> None:
        matrix = self.admittance if self.admittance is not None else self.scattering
        ports = len(self.nodes)
        if matrix is None or matrix.ndim != 3 or matrix.shape[1:] != (ports, ports):
            shape = "nothing" if matrix is None else f"shape {matrix.shape}"
            raise InputError(
                key="parts", found=f'"{self.name}" with {shape}', expected=f"(F, {ports}, {ports})"
            )
        if not np.all(np.isfinite(matrix)):
            raise InputError(
                key="parts", found=f'"{self.name}" with an infinite admittance', expected="finite"
            )


@dataclass(frozen=True)
class CircuitPort:
    """A port of the device: its name, nodes (plus, minus) and impedance in ohm.

    A balanced port has two nodes of its own; an unbalanced one has its minus node at ground.
    """

    name: str
    nodes: Pair
    impedance: complex = 50.0


@dataclass(frozen=True)
class CircuitSolution:
    """A solved circuit.

    Attributes
    ----------
    nodes : names of the nodes, ground and references of floating groups left out.
    voltage : (F, N, n) node voltages for a unit wave a (sqrt(W), effective values) at each port.
    current : (F, K, n) currents into the K ports of parts given by their scattering, in order.
    s : (F, n, n) power waves of the ports' impedances; reference : (F, n) in ohm.
    """

    nodes: tuple[str, ...]
    voltage: ComplexArray
    current: ComplexArray
    s: ComplexArray
    reference: ComplexArray

    def across(self, pairs: Sequence[Pair], port: int) -> ComplexArray:
        """Voltages (F, len(pairs)) between node pairs, for a unit wave into ``port``."""
        return _differences(incidence(pairs, self.nodes), self.voltage[:, :, port, None])[:, :, 0]


def incidence(pairs: Sequence[Pair], nodes: Sequence[str]) -> FloatArray:
    """Incidence matrix (len(pairs), len(nodes)): +1 at plus, -1 at minus nodes."""
    place = {node: number for number, node in enumerate(nodes)}
    A = np.zeros((len(pairs), len(nodes)))
    for row, (plus, minus) in enumerate(pairs):
        if plus in place:
            A[row, place[plus]] += 1.0
        if minus in place:
            A[row, place[minus]] -= 1.0
    return A


def solve_circuit(
    frequency: FloatArray,
    parts: Sequence[CircuitPart],
    ports: Sequence[CircuitPort],
    *,
    reference: ComplexArray | None = None,
) -> CircuitSolution:
    """Voltages and scattering of a circuit at ``frequency`` (F,) in hertz.

    ``reference`` (F, n) in ohm takes the place of the ports' impedances where it is given.

    Raises InputError for a circuit that is not connected (sawfem/device/wiring.py) or singular at
    a frequency, which is then named.
    """
    names = [port.name for port in ports]
    if len(set(names)) != len(names):
        twice = next(name for name in names if names.count(name) > 1)
        raise InputError(key="ports", found=f'a second port "{twice}"', expected="unique names")
    check_wiring(
        [(part.name, part.nodes) for part in parts], {port.name: port.nodes for port in ports}
    )
    pairs = [pair for part in parts for pair in part.nodes]
    through = [port.nodes for port in ports]
    absent = {GROUND, *floating_nodes(pairs, through)}
    nodes = tuple(dict.fromkeys(n for pair in (*pairs, *through) for n in pair if n not in absent))
    impedances = [port.impedance for port in ports] if reference is None else reference
    z = as_references(impedances, frequency.size, len(ports))
    A, size = _equations(frequency.size, parts, through, nodes, z)
    P = incidence(through, nodes)
    source = 2.0 * np.sqrt(z.real)
    rhs = np.zeros((*A.shape[:2], len(ports)), dtype=complex)
    rhs[:, : len(nodes)] = P.T * (source / z)[:, None, :]
    x = _solved(A, size, rhs, frequency, len(nodes) == A.shape[1])
    voltage, inner = x[:, : len(nodes)], x[:, len(nodes) :]
    across = _differences(P, voltage)
    current = (source[:, :, None] * np.eye(len(ports)) - across) / z[:, :, None]
    s = (across - z.conj()[:, :, None] * current) / source[:, :, None]
    return CircuitSolution(nodes, voltage, inner, np.asarray(s), z)


def _equations(
    count: int,
    parts: Sequence[CircuitPart],
    through: Sequence[Pair],
    nodes: Sequence[str],
    z: ComplexArray,
) -> tuple[ComplexArray, FloatArray]:
    """Matrix (F, M, M) of the modified nodal equations, and the size of what it is summed from.

    The size tells a small sum of large admittances, which is a resonance, from a small part.
    """
    N = len(nodes)
    extra = sum(len(part.nodes) for part in parts if part.admittance is None)
    M = N + extra
    # The numbers of one entry lie side by side: entries are added up one by one.
    A = np.zeros((M, M, count), dtype=complex).transpose(2, 0, 1)
    size = np.zeros((M, M, count)).transpose(2, 0, 1)
    at = N
    for part in parts:
        T = incidence(part.nodes, nodes)
        if part.admittance is not None:
            stamp(A, part.admittance, T)
            stamp(size, np.abs(part.admittance), np.abs(T))
            continue
        assert part.scattering is not None
        own = len(part.nodes)
        G = as_references(part.reference, count, own)
        F = np.eye(own) / np.sqrt(G.real)[:, None, :]
        SF = part.scattering @ F
        rows = slice(at, at + own)
        A[:, :N, rows] += T.T
        A[:, rows, :N] = (F - SF) @ T
        A[:, rows, rows] = -(SF * G[:, None, :] + F * G.conj()[:, None, :])
        at += own
    P = incidence(through, nodes)
    ends = np.eye(len(through)) / z[:, :, None]
    stamp(A, ends, P)
    stamp(size, np.abs(ends), np.abs(P))
    if extra:
        size = np.maximum(size, np.abs(A))
    return A, size


def _differences(incidence: FloatArray, voltage: ComplexArray) -> ComplexArray:
    """Voltages (F, K, n) across K node pairs from those (F, N, n) of the nodes."""
    found = np.zeros((voltage.shape[0], incidence.shape[0], voltage.shape[2]), dtype=complex)
    for pair, node in zip(*np.nonzero(incidence), strict=True):
        found[:, pair] += incidence[pair, node] * voltage[:, node]
    return found


def stamp(A: np.ndarray[Any, Any], y: np.ndarray[Any, Any], T: FloatArray) -> None:
    """Add T^T y T to the upper left corner of A, entry by entry of what is not zero."""
    ports, nodes = np.nonzero(T)
    for i, n in zip(ports, nodes, strict=True):
        for j, m in zip(ports, nodes, strict=True):
            A[:, n, m] += T[i, n] * T[j, m] * y[:, i, j]


def _solved(
    A: ComplexArray, size: FloatArray, rhs: ComplexArray, frequency: FloatArray, admittances: bool
) -> ComplexArray:
    """A^-1 rhs with rows and columns brought to unit size; ``admittances``: parts of no other kind.

    One more right side of mixed signs tells how large the inverse is.
    """
    if admittances:
        # What a part adds off the diagonal it adds to both diagonal entries at least.
        row = column = 1.0 / np.sqrt(np.einsum("fii->fi", size))
    else:
        row = 1.0 / np.sqrt(size.max(axis=2))
        column = 1.0 / (size * row[:, :, None]).max(axis=1)
    B = np.empty(A.shape, dtype=complex)
    np.multiply(A, row[:, :, None] * column[:, None, :], out=B)
    right = np.empty((*rhs.shape[:2], rhs.shape[2] + 1), dtype=complex)
    np.multiply(rhs, row[:, :, None], out=right[:, :, :-1])
    right[:, :, -1] = np.random.default_rng(0).choice([-1.0, 1.0], size=A.shape[1])
    try:
        x = np.linalg.solve(B, right)
    except np.linalg.LinAlgError:
        rank = np.linalg.matrix_rank(B)
        raise _singular(frequency[int(np.argmin(rank))]) from None
    growth = np.abs(x[:, :, -1]).max(axis=1)
    worst = int(np.argmax(np.where(np.isfinite(growth), growth, np.inf)))
    if not growth[worst] < LARGEST_GROWTH:
        raise _singular(frequency[worst])
    return np.asarray(column[:, :, None] * x[:, :, :-1])


def _singular(frequency: float) -> InputError:
    return InputError(
        key="parts",
        found=f"a singular circuit at {frequency / 1e6:.6g} MHz",
        expected="a circuit with one answer: no ideal loop or cut of parts without loss resonates "
        "there",
    )
