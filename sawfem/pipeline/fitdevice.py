"""A device of several resonators as an equivalent circuit: each fitted by itself, then joined."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np

from sawfem.case import Case, ResolvedCase
from sawfem.case.resolved_asks import ResolvedFit
from sawfem.device.assembled import bare_response
from sawfem.device.assembly import Circuit, ResonatorPart
from sawfem.device.circuit import CircuitPart, solve_circuit
from sawfem.device.lump import Lump
from sawfem.device.mirrored import ResonatorSolver
from sawfem.device.pmatrix import ComplexArray, FloatArray
from sawfem.errors import CaseError, InputError
from sawfem.measured.circuitfit import fit_circuit
from sawfem.measured.fitting import OnePortData, OnePortFit, Quantity
from sawfem.measured.motional import MotionalCircuit, Static
from sawfem.pipeline.build import build
from sawfem.pipeline.circuits import CircuitSetting, band_frequencies, circuit_setting
from sawfem.pipeline.execute import solved_grating
from sawfem.pipeline.fitcase import device_case
from sawfem.pipeline.fitted import with_fitted

#: progress(stage, done, total).
Progress = Callable[[str, int, int], None]


@dataclass(frozen=True, eq=False)
class FittedDevice:
    """A device and its equivalent circuit.

    Attributes
    ----------
    case : to be run, with the circuits for its resonators.
    device : parts and nodes. circuits, fits : of its resonators, by name.
    frequency : (F,) Hz. computed, equivalent : S (F, n, n) of the device and of the netlist.
    told : sentences.
    """

    case: Case
    device: Circuit
    circuits: Mapping[str, MotionalCircuit]
    fits: Mapping[str, OnePortFit]
    frequency: FloatArray = field(repr=False)
    computed: ComplexArray = field(repr=False)
    equivalent: ComplexArray = field(repr=False)
    told: tuple[str, ...] = ()

    @property
    def middle(self) -> float:
        """Frequency at which the loss of lumps with a quality factor is exact, Hz."""
        return 0.5 * float(self.frequency[0] + self.frequency[-1])

    @property
    def difference(self) -> tuple[float, float]:
        """Root mean square and largest |S computed - S of the netlist|, of all entries."""
        apart = np.abs(self.computed - self.equivalent)
        return float(np.sqrt(np.mean(apart**2))), float(apart.max())


def fit_device(
    case: Case, resolved: ResolvedCase, asked: ResolvedFit, fewest: int, progress: Progress
) -> FittedDevice:
    """Fit a circuit to every resonator of a device, as computed.

    Raises
    ------
    CaseError : a part that is neither resonator nor lump, too few frequencies.
    InputError : a resonator that has no such circuit.
    """
    design = build(resolved)
    solutions = {name: solved_grating(name, resolved, design, progress) for name in design.cells}
    taken, told = with_fitted(resolved, solutions)
    setting = circuit_setting(resolved, design.cells, taken)
    f = band_frequencies(resolved, setting.circuit, setting.gratings)
    f = f[(f >= (asked.start or 0.0)) & (f <= (asked.stop or np.inf))]
    if f.size < fewest:
        raise CaseError(
            file=resolved.file,
            key="fit.from",
            found=f"{f.size} frequencies",
            expected=f"{fewest} or more of the band",
        )
    fits, circuits = _fitted_parts(resolved, asked, setting, f, progress)
    if asked.measurement:
        told += (
            f"measurement.{asked.measurement} is not used: of a device of several ports the "
            "resonators are fitted as computed",
        )
    for name, fit in fits.items():
        told += tuple(f"{name}: {text}" for text in fit.held)
    told += (
        "intervals of a fit to computed data are no errors of a measurement: the circuits differ "
        "from the model by what a few resonances leave out",
    )
    return FittedDevice(
        case=device_case(case, setting.circuit, circuits),
        device=setting.circuit,
        circuits=circuits,
        fits=fits,
        frequency=f,
        computed=bare_response(setting.circuit, setting.gratings, f).s,
        equivalent=_equivalent(setting.circuit, circuits, f),
        told=(*setting.warnings, *told),
    )


def _fitted_parts(
    case: ResolvedCase,
    asked: ResolvedFit,
    setting: CircuitSetting,
    f: FloatArray,
    progress: Progress,
) -> tuple[dict[str, OnePortFit], dict[str, MotionalCircuit]]:
    """A circuit for every resonator, against its own static reactance for a reference."""
    used = list(dict.fromkeys(name for name, _ in setting.circuit.placed))
    for name in used:
        if not isinstance(setting.circuit.parts[name], ResonatorPart | Lump):
            raise CaseError(
                file=case.file,
                key="fit.model",
                found=f'"{name}", a track or a network',
                expected="a device of resonators and lumps",
            )
    static: Static = "series"
    if asked.static in ("parallel", "none"):
        static = "parallel" if asked.static == "parallel" else "none"
    quantity: Quantity = "admittance" if asked.quantity == "admittance" else "scattering"
    solver = ResonatorSolver(setting.gratings, f)
    fits: dict[str, OnePortFit] = {}
    circuits: dict[str, MotionalCircuit] = {}
    names = [n for n in used if isinstance(setting.circuit.parts[n], ResonatorPart)]
    for number, name in enumerate(names):
        progress("fit", number, len(names))
        part = setting.circuit.parts[name]
        assert isinstance(part, ResonatorPart)
        y = solver.solve(part).admittance[:, 0, 0]
        z = np.full(f.size, 1.0 / float(np.median(np.abs(y))), dtype=complex)
        s = (1.0 - z * y) / (1.0 + z * y)
        data = OnePortData(f, s, z, quantity)
        try:
            fits[name], circuits[name] = fit_circuit(
                data, arms=asked.arms, static=static, free=asked.free or None
            )
        except InputError as error:
            raise InputError(error.message, file=case.file, key=f"fit, {name}") from None
    progress("fit", len(names), len(names))
    return fits, circuits


def _equivalent(
    device: Circuit, circuits: Mapping[str, MotionalCircuit], f: FloatArray
) -> ComplexArray:
    """S (F, n, n) of the netlist: lumps with the loss that they have in the middle of the band."""
    middle = 0.5 * float(f[0] + f[-1])
    parts = []
    for name, nodes in device.placed:
        part = device.parts[name]
        if name in circuits:
            y = circuits[name].admittance(f)
        else:
            assert isinstance(part, Lump)
            y = _fixed_loss(part, middle, f)
        parts.append(CircuitPart(name, nodes, y[:, None, None]))
    return solve_circuit(f, parts, device.ports).s


def _fixed_loss(lump: Lump, middle: float, f: FloatArray) -> ComplexArray:
    """Y (F,) with a resistance in series (L) or beside (C) in place of a quality factor."""
    jw = 2j * np.pi * f
    share = middle / f  # 1/Q is that of the middle times this or its inverse
    if lump.inductance is not None:
        loss = 0.0 if lump.quality is None else 1.0 / lump.quality
        return np.asarray(1.0 / (jw * lump.inductance * (1.0 - 1j * loss * share)))
    if lump.capacitance is not None:
        loss = 0.0 if lump.quality is None else 1.0 / lump.quality
        return np.asarray(jw * lump.capacitance * (1.0 - 1j * loss * share))
    return lump.admittance(f)
