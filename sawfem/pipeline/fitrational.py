"""``sawfem fit`` of a device of any ports as a rational admittance, for simulators of circuits."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np

from sawfem.case import Case, ResolvedCase
from sawfem.case.resolved_asks import ResolvedFit
from sawfem.device.network import admittance_to_scattering, scattering_to_admittance
from sawfem.device.pmatrix import ComplexArray, FloatArray
from sawfem.device.wiring import Pair
from sawfem.errors import CaseError, InputError
from sawfem.measured.embedding import referred
from sawfem.measured.poles import PoleFit, fit_poles
from sawfem.pipeline.build import build
from sawfem.pipeline.circuits import circuit_setting
from sawfem.pipeline.devices import solve_any_device
from sawfem.pipeline.execute import solved_grating
from sawfem.pipeline.fitcase import network_device
from sawfem.pipeline.fitted import with_fitted
from sawfem.pipeline.measuring import port_count, read_measurement

#: progress(stage, done, total).
Progress = Callable[[str, int, int], None]

#: Name of the network part of the case that is written.
PART = "fit-network"


@dataclass(frozen=True, eq=False)
class FittedRational:
    """A device and its rational admittance.

    Attributes
    ----------
    case : to be run, with the network for its device; ``file`` is to be its Touchstone file.
    fit : model and data. source : name of the data. tolerance : that was asked for.
    nodes : (plus, minus) of each port. names : of the ports.
    reference : (n,) ohm. scattering, equivalent : S (F, n, n) of data and model.
    told : sentences.
    """

    case: Case
    fit: PoleFit
    source: str
    tolerance: float
    nodes: tuple[Pair, ...]
    names: tuple[str, ...]
    reference: ComplexArray
    scattering: ComplexArray = field(repr=False)
    equivalent: ComplexArray = field(repr=False)
    told: tuple[str, ...] = ()

    @property
    def difference(self) -> tuple[float, float]:
        """Root mean square and largest |S data - S model|, of all entries."""
        apart = np.abs(self.scattering - self.equivalent)
        return float(np.sqrt(np.mean(apart**2))), float(apart.max())

    @property
    def reached(self) -> float:
        """Largest difference of an entry over its largest value."""
        return relative(self.equivalent, self.scattering)


def relative(model: ComplexArray, data: ComplexArray) -> float:
    """Largest |S model - S data| of an entry over the largest |S data| of that entry."""
    peak = np.abs(data).max(axis=0)
    apart = np.abs(model - data).max(axis=0)
    return float(np.max(apart[peak > 0.0] / peak[peak > 0.0], initial=0.0))


def fit_rational(
    case: Case, resolved: ResolvedCase, asked: ResolvedFit, file: str, progress: Progress
) -> FittedRational:
    """Fit a rational admittance to a measurement, or to the device as computed.

    ``file`` is the name that its Touchstone file will have. Raises CaseError for too few
    frequencies, InputError for data that cannot be used.
    """
    f, s, z, nodes, names, told = _data(resolved, asked, progress)
    inside = (f >= (asked.start or 0.0)) & (f <= (asked.stop or np.inf))
    f, s = f[inside], s[inside]
    if f.size < 24:
        raise CaseError(
            file=resolved.file, key="fit.from", found=f"{f.size} frequencies", expected="24 or more"
        )
    reference = np.broadcast_to(z, (f.size, z.size))
    progress("fit", 0, 1)
    y = scattering_to_admittance(s, reference)
    try:
        found = fit_poles(
            f,
            y,
            lambda y: relative(admittance_to_scattering(y, reference), s),
            weights=_weights(y, reference),
            tolerance=asked.tolerance,
        )
    except InputError as error:
        raise InputError(error.message, file=resolved.file, key="fit") from None
    progress("fit", 1, 1)
    fitted = FittedRational(
        case=network_device(
            case,
            PART,
            f"{file}.s{z.size}p",
            nodes,
            names,
            z.tolist(),
            (float(f[0]), float(f[-1]), f.size),
        ),
        fit=found,
        source=asked.measurement or "the computed response",
        tolerance=asked.tolerance,
        nodes=nodes,
        names=names,
        reference=z,
        scattering=s,
        equivalent=admittance_to_scattering(found.model.at(f), reference),
    )
    return _with_told(fitted, told)


def _weights(y: ComplexArray, reference: ComplexArray) -> FloatArray:
    """How much S moves with Y at each frequency, (F,): |(1 + sqrt Z Y sqrt Z)^-1|^2."""
    root = np.sqrt(reference.real)
    seen = np.eye(y.shape[-1]) + root[:, :, None] * y * root[:, None, :]
    return np.asarray(np.linalg.svd(seen, compute_uv=False)[:, -1] ** -2.0)


def _with_told(found: FittedRational, told: tuple[str, ...]) -> FittedRational:
    model = found.fit.model
    said = list(told)
    if found.reached > found.tolerance:
        said.append(
            f"the tolerance of {found.tolerance:.1e} was not reached ({found.reached:.1e} with "
            f"{model.poles.size} pairs of poles): a narrower band, or a larger tolerance"
        )
    if model.added > 0.0:
        said.append(f"a conductance of {model.added:.2g} S at every port makes the model passive")
    said.append(
        "outside of the band the model is passive and stable, but knows nothing of the device"
    )
    return replace(found, told=tuple(said))


Data = tuple[
    FloatArray, ComplexArray, ComplexArray, tuple[Pair, ...], tuple[str, ...], tuple[str, ...]
]


def _data(resolved: ResolvedCase, asked: ResolvedFit, progress: Progress) -> Data:
    """Frequencies, S, references, nodes and names of the ports, and what is said."""
    assert resolved.device is not None
    design = build(resolved)
    solutions = {name: solved_grating(name, resolved, design, progress) for name in design.cells}
    taken, told = with_fitted(resolved, solutions)
    ports = circuit_setting(resolved, design.cells, taken).circuit.ports
    nodes = tuple(port.nodes for port in ports)
    names = tuple(port.name for port in ports)
    z = np.array([port.impedance for port in ports], dtype=complex)
    if asked.measurement:
        item = next(one for one in resolved.measurements if one.name == asked.measurement)
        data = read_measurement(item, port_count(resolved.device)).data
        s = referred(data.scattering, data.reference, np.tile(z, (data.frequency.size, 1)))
        return data.frequency, s, z, nodes, names, (*told, *data.warnings)
    device, more = solve_any_device(
        resolved, design.stack, design.cells, taken, progress, fields=False
    )
    response = device.response
    return response.frequency, response.s, z, nodes, names, (*told, *more)
