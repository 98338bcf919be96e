"""The answer of a circuit: parts solved, wired and judged by where the power goes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from sawfem.device.assembly import Circuit, Part, ResonatorPart
from sawfem.device.blackbox import BlackBox
from sawfem.device.circuit import CircuitPart, CircuitSolution, solve_circuit
from sawfem.device.lump import Lump
from sawfem.device.mirrored import ResonatorSolution, ResonatorSolver
from sawfem.device.network import scattering_to_admittance
from sawfem.device.pmatrix import ComplexArray, FloatArray
from sawfem.device.resonance import resonance_figures
from sawfem.device.resonator import resonator_sections, series_resistance
from sawfem.device.response import (
    PASSIVITY_LIMIT,
    POWER_BALANCE_LIMIT,
    RECIPROCITY_LIMIT,
    Check,
    Response,
    strictly_increasing,
)
from sawfem.device.rows import TrackSolution, solve_track
from sawfem.device.track import Gratings, Track
from sawfem.device.transversal import passband_figures
from sawfem.quantities import Quantity

Solved = TrackSolution | ResonatorSolution | ComplexArray | tuple[ComplexArray, ComplexArray]

#: Where power goes, in the order in which it is drawn.
MECHANISMS = (
    "reflected",
    "transmitted",
    "resistance",
    "ends",
    "radiation",
    "propagation",
    "lumps",
    "networks",
)


@dataclass(frozen=True)
class SolvedCircuit:
    """Parts and circuit solved at ``frequency`` (F,): what the response is read from."""

    circuit: Circuit
    parts: Mapping[str, Solved]
    solution: CircuitSolution

    def shares(self, port: int = 0) -> dict[str, FloatArray]:
        """Shares of the power available at ``port`` by mechanism, each (F,); they add up to one.

        ``reflected`` at the port, ``transmitted`` into the other ports, ``resistance`` of fingers,
        ``ends``: waves leaving the tracks, ``radiation`` and ``propagation``: what waves lose on
        their way by the gratings' own attenuation and by the one given for the device (split in
        the ratio of the two), ``lumps``, ``networks``.
        """
        s = self.solution.s
        found = dict.fromkeys(MECHANISMS, np.zeros(s.shape[0]))
        found["reflected"] = np.abs(s[:, port, port]) ** 2
        others = np.delete(s[:, :, port], port, axis=1)
        found["transmitted"] = (np.abs(others) ** 2).sum(axis=1)
        at = 0
        for name, nodes in self.circuit.placed:
            voltage, solved = self.solution.across(nodes, port), self.parts[name]
            if isinstance(solved, tuple):
                current = self.solution.current[:, at : at + len(nodes), port]
                at += len(nodes)
                lost = {"networks": np.einsum("fi,fi->f", voltage.conj(), current).real}
            elif isinstance(solved, TrackSolution | ResonatorSolution):
                lost = solved.losses(voltage)
            else:
                lost = {"lumps": np.abs(voltage[:, 0]) ** 2 * solved[:, 0, 0].real}
            for key, power in lost.items():
                found[key] = found[key] + power
        return found


def solve_part(part: Part, gratings: Gratings, frequency: FloatArray) -> Solved:
    """A part at ``frequency`` (F,): a track's P-matrices, Y (F, 1, 1), or S and references.

    A resonator as a track of its own, with all its P-matrices; circuits take the shorter way of
    sawfem/device/mirrored.py.
    """
    if isinstance(part, Lump):
        return part.admittance(frequency)[:, None, None]
    if isinstance(part, BlackBox):
        return part.at(frequency)
    if isinstance(part, Track):
        return solve_track(part, gratings, frequency)
    transducer, mirror = gratings.of(part.grating), gratings.of(part.mirror)
    sections = resonator_sections(part.resonator, transducer, mirror, frequency)
    total = transducer.attenuation + part.resonator.attenuation
    return TrackSolution(
        frequency,
        (sections,),
        np.array([series_resistance(part.resonator)]),
        transducer.attenuation / total if total else 0.0,
    )


def _circuit_part(name: str, nodes: tuple[tuple[str, str], ...], solved: Solved) -> CircuitPart:
    if isinstance(solved, TrackSolution | ResonatorSolution):
        return CircuitPart(name, nodes, solved.admittance)
    if isinstance(solved, tuple):
        return CircuitPart(name, nodes, scattering=solved[0], reference=solved[1])
    return CircuitPart(name, nodes, solved)


def solve_assembly(circuit: Circuit, gratings: Gratings, frequency: FloatArray) -> SolvedCircuit:
    """Solve a circuit's parts, each once, and the circuit. Raises as ``circuit_response``."""
    used = dict.fromkeys(name for name, _ in circuit.placed)
    resonators = ResonatorSolver(gratings, frequency)
    parts: dict[str, Solved] = {}
    for name in used:
        part = circuit.parts[name]
        if isinstance(part, ResonatorPart):
            parts[name] = resonators.solve(part)
        else:
            parts[name] = solve_part(part, gratings, frequency)
    placed = [_circuit_part(name, nodes, parts[name]) for name, nodes in circuit.placed]
    return SolvedCircuit(circuit, parts, solve_circuit(frequency, placed, circuit.ports))


def circuit_response(circuit: Circuit, gratings: Gratings, frequency: ArrayLike) -> Response:
    """Response of a circuit at ``frequency`` (F,) in hertz, increasing.

    Figures: those of the pass band for a device of two ports or more (from port 1 to port 2), the
    resonance figures for one. ``checks`` hold ``energy``: how far the shares of power miss one.

    Raises
    ------
    InputError : a circuit that is open, unconnected or singular, a grating that is not known.
    GeometryError : electrodes that overlap.
    """
    f = strictly_increasing(frequency)
    solved = solve_assembly(circuit, gratings, f)
    s, z = solved.solution.s, solved.solution.reference
    y = scattering_to_admittance(s, z)
    shares = solved.shares()
    figures: dict[str, Quantity]
    if len(circuit.ports) > 1:
        figures, reasons = passband_figures(f, s[:, 1, 0])
    else:

        def admittance(at: FloatArray) -> ComplexArray:
            again = solve_assembly(circuit, gratings, at).solution
            return scattering_to_admittance(again.s, again.reference)[:, 0, 0]

        figures, reasons = resonance_figures(admittance, float(f[0]), float(f[-1]))
    return Response(
        frequency=f,
        y=y,
        s=s,
        reference=z,
        figures=figures,
        reasons=reasons,
        checks=_checks(circuit, gratings, f, s, shares),
        power=shares,
    )


def bare_response(circuit: Circuit, gratings: Gratings, frequency: FloatArray) -> Response:
    """S alone, without figures, checks and Y (which is zero here): for searches and samples."""
    solution = solve_assembly(circuit, gratings, frequency).solution
    nothing = np.zeros_like(solution.s)
    return Response(frequency=frequency, y=nothing, s=solution.s, reference=solution.reference)


def _checks(
    circuit: Circuit,
    gratings: Gratings,
    f: FloatArray,
    s: ComplexArray,
    shares: Mapping[str, FloatArray],
) -> dict[str, Check]:
    """Of the circuit: reciprocity, passivity, energy; of its tracks without losses: balance."""
    gain = np.eye(s.shape[-1]) - s.conj().transpose(0, 2, 1) @ s
    passivity = float(np.min(np.linalg.eigvalsh(gain)))
    balance = 0.0
    reciprocity = 0.0
    if not any(isinstance(circuit.parts[name], BlackBox) for name, _ in circuit.placed):
        reciprocity = float(np.max(np.abs(s - s.transpose(0, 2, 1))))
    for name in dict.fromkeys(name for name, _ in circuit.placed):
        part = circuit.parts[name]
        if isinstance(part, Track | ResonatorPart):
            bare = solve_part(_without_loss(part), gratings.lossless(), f)
            assert isinstance(bare, TrackSolution)
            balance = max(balance, bare.power_error())
            reciprocity = max(reciprocity, bare.reciprocity_error())
    return {
        "reciprocity": Check(reciprocity, RECIPROCITY_LIMIT, reciprocity <= RECIPROCITY_LIMIT),
        "power_balance": Check(balance, POWER_BALANCE_LIMIT, balance <= POWER_BALANCE_LIMIT),
        "passivity": Check(passivity, PASSIVITY_LIMIT, passivity >= PASSIVITY_LIMIT),
        "energy": energy_check(shares),
    }


def energy_check(shares: Mapping[str, FloatArray]) -> Check:
    """How far the shares of the power at a port miss one, at worst over frequency."""
    missed = float(np.max(np.abs(sum(shares.values()) - 1.0)))
    return Check(missed, POWER_BALANCE_LIMIT, missed <= POWER_BALANCE_LIMIT)


def _without_loss(part: Track | ResonatorPart) -> Track | ResonatorPart:
    if isinstance(part, Track):
        return replace(part, attenuation=0.0, sheet_resistance=0.0, spreading=None)
    bare = replace(part.resonator, attenuation=0.0, sheet_resistance=0.0)
    return replace(part, resonator=bare)
