"""``sawfem fit``: from a case with measured data to a case that holds what was fitted to them.

A resonator's constants go to [grating.fitted], its propagation loss and the resistance of its
fingers to [device]; an equivalent circuit becomes the device itself, of [[lump]] parts. A run of
the case that is written gives the fitted response.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from sawfem.case import Case, ResolvedCase, ResolvedResonatorDevice
from sawfem.case.resolved_asks import ResolvedFit
from sawfem.conventions import REFERENCE_TEMPERATURE
from sawfem.device.assembled import bare_response
from sawfem.device.losses import finger_resistance
from sawfem.device.pmatrix import FloatArray
from sawfem.errors import CaseError, InputError, SawfemError
from sawfem.measured.circuitfit import fit_circuit
from sawfem.measured.embedding import referred
from sawfem.measured.fitting import OnePortData, OnePortFit, Quantity, fit_resonator
from sawfem.measured.motional import MotionalCircuit, Static
from sawfem.measured.oneport import OnePort
from sawfem.pipeline.build import build
from sawfem.pipeline.circuits import band_frequencies, circuit_setting
from sawfem.pipeline.execute import served, solved_grating
from sawfem.pipeline.fingers import conducting_width, resonator_of, sheet_resistance
from sawfem.pipeline.fitcase import circuit_case, resonator_case
from sawfem.pipeline.fitdevice import FittedDevice, fit_device
from sawfem.pipeline.fitrational import FittedRational, fit_rational
from sawfem.pipeline.fitted import with_fitted
from sawfem.pipeline.measuring import port_count, read_measurement

#: progress(stage, done, total).
Progress = Callable[[str, int, int], None]

#: Fewest points that a fit is made of.
FEWEST = 12
#: Units of the parameters, and by which factor a table shows them in which unit.
UNITS = {
    "velocity": "m/s",
    "reflection": "",
    "transduction": "sqrt(S/m)",
    "capacitance": "F/m",
    "propagation_loss": "dB/s",
    "resistance": "ohm",
    "static_capacitance": "F",
    "static_conductance": "S",
    "conductance": "S",
    "frequency": "Hz",
    "inductance": "H",
    "quality": "",
}


@dataclass(frozen=True)
class Row:
    """One parameter, or one number that follows from them, in SI.

    ``half_width`` of the 95 % interval is None for a parameter that was not free.
    """

    name: str
    unit: str
    value: float
    standard_error: float | None
    half_width: float | None
    start: float | None = None


@dataclass(frozen=True, eq=False)
class Fitted:
    """A fit, the case that holds it and what is said about it.

    Attributes
    ----------
    case : to be run. fit : data, estimate, model. source : name of the data.
    rows : parameters. derived : what follows from them. told : sentences.
    circuit : the equivalent circuit, where that was fitted.
    """

    case: Case
    fit: OnePortFit
    source: str
    rows: tuple[Row, ...]
    derived: tuple[Row, ...]
    told: tuple[str, ...]
    circuit: MotionalCircuit | None = field(default=None, repr=False)

    @property
    def difference(self) -> tuple[float, float]:
        """Root mean square and largest |S data - S fit|."""
        apart = np.abs(self.fit.data.scattering - self.fit.scattering)
        return float(np.sqrt(np.mean(apart**2))), float(apart.max())


def fit_case(
    case: Case,
    *,
    file: str = "fitted",
    progress: Progress = lambda stage, done, total: None,
) -> Fitted | FittedDevice | FittedRational:
    """Fit what the [fit] of a case asks for.

    ``file`` is the name, without its ending, of the Touchstone file that a rational function gets.

    Raises
    ------
    CaseError : no [fit], no one-port, a resonator on two gratings, ...
    InputError : data that cannot be used, or that do not tell the parameters apart.
    """
    resolved = case.resolved()
    asked = _asked(resolved)
    if asked.model == "rational":
        return fit_rational(case, served(case), asked, file, progress)
    if asked.model == "resonator":
        return _fit_resonator(case, served(case), asked, progress)
    assert resolved.device is not None
    if port_count(resolved.device) > 1:
        return fit_device(case, served(case), asked, FEWEST, progress)
    return _fit_circuit(case, resolved, asked, progress)


def _asked(case: ResolvedCase) -> ResolvedFit:
    """The [fit] of a case whose device it fits."""
    if case.fit is None:
        raise CaseError(
            file=case.file,
            key="fit",
            found="nothing",
            expected="a table [fit] and a [[measurement]]",
        )
    if case.device is None:
        raise CaseError(file=case.file, key="fit", found="no device", expected="a [device]")
    if case.fit.model == "resonator":
        device = case.device
        if not isinstance(device, ResolvedResonatorDevice):
            raise CaseError(
                file=case.file,
                key="fit.model",
                found=f'"resonator" of a {device.kind}',
                expected='device.kind = "resonator", or model = "circuit"',
            )
        if case.gratings[device.resonator.grating].several:
            raise CaseError(
                file=case.file,
                key="fit.model",
                found='"resonator" on cells of several electrodes',
                expected='one electrode a period, or model = "circuit"',
            )
        if device.resonator.reflector_grating not in ("", device.resonator.grating):
            raise CaseError(
                file=case.file,
                key="fit.model",
                found="mirrors on another grating",
                expected="one grating, whose constants are fitted",
            )
    return case.fit


def _measured(case: ResolvedCase, asked: ResolvedFit) -> tuple[OnePortData, tuple[str, ...]]:
    """The data of a measurement between the frequencies of the [fit], and what is odd in them."""
    item = next(one for one in case.measurements if one.name == asked.measurement)
    found = read_measurement(item, 1)
    data = found.data
    inside = _inside(case, asked, data.frequency)
    z = _reference(case, data.frequency.size)
    s = referred(data.scattering, data.reference, z[:, None])[:, 0, 0]
    quantity: Quantity = "admittance" if asked.quantity == "admittance" else "scattering"
    weights = found.noise_weights(z)[inside]
    told = list(data.warnings)
    noise = item.noise
    if noise is not None and quantity == "admittance":
        told.append(
            f"measurement.{item.name}.noise is that of S and is not used: the noise of Y is "
            "estimated from the residuals"
        )
        noise = None
    f = data.frequency[inside]
    return OnePortData(f, s[inside], z[inside], quantity, weights, noise), tuple(told)


def _inside(case: ResolvedCase, asked: ResolvedFit, frequency: FloatArray) -> np.ndarray:
    """Which frequencies are fitted to. Raises CaseError for too few."""
    low, high = asked.start or 0.0, asked.stop or np.inf
    inside = (frequency > 0.0) & (frequency >= low * (1.0 - 1e-12))
    inside &= frequency <= high * (1.0 + 1e-12)
    if int(inside.sum()) < FEWEST:
        raise CaseError(
            file=case.file,
            key="fit.from",
            found=f"{int(inside.sum())} points",
            expected=f"{FEWEST} or more of the data, which go from {frequency[0] / 1e6:.6g} to "
            f"{frequency[-1] / 1e6:.6g} MHz",
        )
    return inside


def _reference(case: ResolvedCase, count: int) -> np.ndarray:
    """Termination of the device's port, (count,) ohm."""
    device = case.device
    load = device.load if isinstance(device, ResolvedResonatorDevice) else device.ports[0].impedance  # type: ignore[union-attr]
    return np.full(count, complex(load))


def _fit_resonator(
    case: Case, resolved: ResolvedCase, asked: ResolvedFit, progress: Progress
) -> Fitted:
    data, told = _measured(resolved, asked)  # refused before anything is computed
    device = resolved.device
    assert isinstance(device, ResolvedResonatorDevice)
    part = device.resonator
    design = build(resolved)
    cell = design.cells[part.grating]
    solution = solved_grating(part.grating, resolved, design, progress)
    taken, more = with_fitted(resolved, {part.grating: solution})
    constants = taken[part.grating].constants.com()
    width = conducting_width(cell)
    per_square = finger_resistance(part.fingers, part.aperture, width, 1.0)
    sheet, assumed = sheet_resistance(part.sheet_resistance, "device.sheet_resistance", cell)
    port = OnePort(resonator_of(part), constants)
    progress("fit", 0, 1)
    try:
        found = fit_resonator(
            port,
            data,
            propagation_loss=part.propagation_loss,
            resistance=per_square * sheet,
            free=asked.free or None,
        )
    except InputError as error:
        raise _at(error, resolved.file) from None
    progress("fit", 1, 1)
    told = (*told, *more, *found.held, *found.estimate.told)
    told += _impossible(port, found)
    if "resistance" not in found.estimate.names:
        told += tuple(assumed)
    written = resonator_case(case, part.grating, found, per_square)
    rows = _rows(found, {name: UNITS[name] for name in found.names})
    return Fitted(written, found, asked.measurement, rows, (), tuple(dict.fromkeys(told)))


def _impossible(port: OnePort, found: OnePortFit) -> tuple[str, ...]:
    """A sentence where the fitted constants make power."""
    constants, _, _ = port.with_values(found.values)
    least = constants.least_loss()
    if least >= -1e-5:
        return ()
    return (
        f"the fitted constants are not passive (least eigenvalue {least:.2g}): a device that is "
        "built of them is refused",
    )


def _fit_circuit(
    case: Case, resolved: ResolvedCase, asked: ResolvedFit, progress: Progress
) -> Fitted:
    told: tuple[str, ...] = ()
    if asked.measurement:
        data, told = _measured(resolved, asked)
    else:
        data, told = _computed(served(case), asked, progress)
    static: Static = "none"
    if asked.static in ("series", "parallel"):
        static = "series" if asked.static == "series" else "parallel"
    progress("fit", 0, 1)
    try:
        found, circuit = fit_circuit(
            data,
            arms=asked.arms,
            static=static,
            free=asked.free or None,
            watch=lambda done, total: progress("fit", done, total),
        )
    except InputError as error:
        raise _at(error, resolved.file) from None
    progress("fit", 1, 1)
    told = (*told, *found.held, *found.estimate.told)
    reference = complex(data.reference[0])
    band = (float(data.frequency[0]), float(data.frequency[-1]), data.frequency.size)
    written = circuit_case(case, circuit, reference, band)
    units = {name: _unit(name) for name in found.names}
    source = asked.measurement or "computed response"
    return Fitted(
        written,
        found,
        source,
        _rows(found, units),
        _derived(circuit, found),
        tuple(dict.fromkeys(told)),
        circuit,
    )


def _computed(
    case: ResolvedCase, asked: ResolvedFit, progress: Progress
) -> tuple[OnePortData, tuple[str, ...]]:
    """The computed response in place of a measurement."""
    design = build(case)
    solutions = {name: solved_grating(name, case, design, progress) for name in design.cells}
    taken, told = with_fitted(case, solutions)
    setting = circuit_setting(case, design.cells, taken)
    f = band_frequencies(case, setting.circuit, setting.gratings)
    f = f[_inside(case, asked, f)]
    s = bare_response(setting.circuit, setting.gratings, f).s[:, 0, 0]
    quantity: Quantity = "admittance" if asked.quantity == "admittance" else "scattering"
    more = (*told, *setting.warnings)
    if case.temperature != REFERENCE_TEMPERATURE:
        more = (*more, f"computed at {case.temperature:g} degC")
    return OnePortData(f, s, _reference(case, f.size), quantity), more


def _at(error: SawfemError, file: str | None) -> SawfemError:
    """The same error at its key of [fit]."""
    key = "fit" if error.key in (None, "fit") else f"fit.{error.key}"
    return type(error)(error.message, file=file, key=key)


def _unit(name: str) -> str:
    """Unit of a parameter of a circuit."""
    if name in UNITS:
        return UNITS[name]
    what = name.rpartition("_")[2]
    return "F" if what == "capacitance" else UNITS.get(what, "")


def _rows(found: OnePortFit, units: dict[str, str]) -> tuple[Row, ...]:
    """Name, unit, value, error, interval and start of every parameter, fixed ones without a bar."""
    estimate = found.estimate
    errors = dict(zip(estimate.names, estimate.standard_errors, strict=True))
    halves = dict(zip(estimate.names, estimate.half_widths, strict=True))
    return tuple(
        Row(
            name,
            units[name],
            float(value),
            float(errors[name]) if name in errors else None,
            float(halves[name]) if name in halves else None,
            float(start),
        )
        for name, value, start in zip(found.names, found.values, found.start, strict=True)
    )


def _derived(circuit: MotionalCircuit, found: OnePortFit) -> tuple[Row, ...]:
    """Inductance and quality factor of every arm, with errors carried over to first order.

    L = 1/((2 pi f)^2 C): dL/L = -2 df/f - dC/C;  Q = 1/(2 pi f C R): dQ/Q = -df/f - dC/C - dR/R.
    """
    rows = []
    covariance = found.covariance
    ratio = float(np.max(found.estimate.half_widths / found.estimate.standard_errors))
    for number, arm in enumerate(circuit.arms, 1):
        places = [
            found.names.index(f"arm{number}_{what}")
            for what in ("frequency", "capacitance", "resistance")
        ]
        sizes = (arm.frequency, arm.capacitance, arm.resistance)
        below = covariance[np.ix_(places, places)]
        for what, value, powers in (
            ("inductance", arm.inductance, (-2.0, -1.0, 0.0)),
            ("quality", arm.quality if arm.resistance else np.inf, (-1.0, -1.0, -1.0)),
        ):
            if not np.isfinite(value):
                continue
            slopes = np.array(
                [
                    value * power / size if power else 0.0
                    for power, size in zip(powers, sizes, strict=True)
                ]
            )
            error = float(np.sqrt(slopes @ below @ slopes))
            rows.append(
                Row(
                    f"arm{number}_{what}", _unit(f"arm{number}_{what}"), value, error, ratio * error
                )
            )
    return tuple(rows)
