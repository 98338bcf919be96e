"""Electrical circuits of parts between named nodes, solved directly at all frequencies at once.

Modified nodal equations. With the node voltages V, the currents J into the ports of parts that
are given by their scattering, and the currents I into the device through its ports,

    sum A_y^T Y A_y V + A_s^T J - A_p^T I = 0          current law at every node
    (F - S F) A_s V - (S F G + F G*) J = 0             parts by their scattering
    A_p V + z I = 2 sqrt(Re z) a                       sources behind their own impedances

A are incidence matrices (+1 at the plus node of a port, -1 at its minus node, ground left out),
F and G as in sawfem/device/network.py. Then b = (V_p - z* I)/(2 sqrt(Re z)) and S follows from
unit a, whether or not the device has an admittance matrix. (Ho, Ruehli, Brennan, IEEE Trans.
Circuits Syst. CAS-22, 504 (1975); Kurokawa 1965; from memory.) Rows and columns are scaled to
unit size and the solution is refined once, which keeps a lossless device unitary to rounding.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from sawfem.device.network import as_references
from sawfem.device.pmatrix import ComplexArray, FloatArray
from sawfem.device.wiring import GROUND, Pair, check_wiring, floating_nodes
from sawfem.errors import InputError

#: Condition of the scaled equations beyond which a circuit counts as singular.
WORST_CONDITION = 1.0e13


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
        return np.asarray(
            np.einsum("en,fn->fe", incidence(pairs, self.nodes), self.voltage[:, :, port])
        )


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
    frequency: FloatArray, parts: Sequence[CircuitPart], ports: Sequence[CircuitPort]
) -> CircuitSolution:
    """Voltages and scattering of a circuit at ``frequency`` (F,) in hertz.

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
    impedances = [port.impedance for port in ports]
    z = as_references(impedances, frequency.size, len(ports))
    A, size = _equations(frequency.size, parts, through, nodes, z)
    n = len(ports)
    rhs = np.zeros((*A.shape[:2], n), dtype=complex)
    rhs[:, range(-n, 0), range(n)] = 2.0 * np.sqrt(z.real)
    x = _solved(A, size, rhs, frequency)
    voltage, inner, current = x[:, : len(nodes)], x[:, len(nodes) : -n], x[:, -n:]
    across = incidence(through, nodes) @ voltage
    s = (across - z.conj()[:, :, None] * current) / (2.0 * np.sqrt(z.real))[:, :, None]
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
    M = N + extra + len(through)
    A = np.zeros((count, M, M), dtype=complex)
    size = np.zeros((count, M, M))
    at = N
    for part in parts:
        T = incidence(part.nodes, nodes)
        if part.admittance is not None:
            A[:, :N, :N] += T.T @ part.admittance @ T
            size[:, :N, :N] += np.abs(T).T @ np.abs(part.admittance) @ np.abs(T)
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
    A[:, :N, at:] = -P.T
    A[:, at:, :N] = P
    A[:, range(at, M), range(at, M)] = z
    return A, np.maximum(size, np.abs(A))


def _solved(
    A: ComplexArray, size: FloatArray, rhs: ComplexArray, frequency: FloatArray
) -> ComplexArray:
    """A^-1 rhs with rows and columns brought to unit size, refined once."""
    row = 1.0 / np.sqrt(np.maximum(size.max(axis=2), 1e-300))
    column = 1.0 / np.sqrt(np.maximum(size.max(axis=1), 1e-300))
    for _ in range(3):
        scaled = size * row[:, :, None] * column[:, None, :]
        row /= np.sqrt(np.maximum(scaled.max(axis=2), 1e-300))
        column /= np.sqrt(np.maximum(scaled.max(axis=1), 1e-300))
    B = A * row[:, :, None] * column[:, None, :]
    right = rhs * row[:, :, None]
    try:
        inverse = np.linalg.inv(B)
    except np.linalg.LinAlgError:
        rank = np.linalg.matrix_rank(B)
        raise _singular(frequency[int(np.argmin(rank))]) from None
    condition = np.abs(B).sum(axis=1).max(axis=1) * np.abs(inverse).sum(axis=1).max(axis=1)
    worst = int(np.argmax(np.where(np.isfinite(condition), condition, np.inf)))
    if not condition[worst] < WORST_CONDITION:
        raise _singular(frequency[worst])
    x = inverse @ right
    x += inverse @ (right - B @ x)
    return np.asarray(column[:, :, None] * x)


def _singular(frequency: float) -> InputError:
    return InputError(
        key="parts",
        found=f"a singular circuit at {frequency / 1e6:.6g} MHz",
        expected="a circuit with one answer: no ideal loop or cut of parts without loss resonates "
        "there",
    )
