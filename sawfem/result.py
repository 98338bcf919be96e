"""What a run found: one container for constants, arrays, device and where they came from.

Everything is in SI and kept as arrays and floats; :meth:`Result.to_dict` is the JSON object that
other programs read. Names and units are those of the table of quantities.
"""

from __future__ import annotations

import dataclasses
import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from importlib import metadata
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sawfem.device.response import Response
from sawfem.errors import InputError
from sawfem.extract.constants import ComConstants, GratingConstants
from sawfem.extract.edges import sampled_admittance
from sawfem.extract.grating import GratingSolution
from sawfem.planewave import Wave
from sawfem.quantities import json_key, json_safe, table, to_json
from sawfem.unitcell.fields import ModeShape, edge_names, mode_shape
from sawfem.unitcell.stopband import StopBand

__all__ = [
    "DeviceResult",
    "GratingResult",
    "ModeShape",
    "Port",
    "Result",
    "collect_checks",
    "constants_dict",
    "current_versions",
    "device_result",
    "grating_result",
    "material_entry",
    "two_mode_admittance",
    "utc_now",
    "wave_dict",
]

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

#: Name and version of the JSON object. Within a version keys are only added.
FORMAT = "sawfem.run/1"

#: Constants of a grating that are quantities, in the order in which they are listed.
CONSTANTS: tuple[str, ...] = tuple(
    entry.name for entry in dataclasses.fields(GratingConstants) if entry.name in table()
)

#: Numbers of a plane wave, in the order in which they are listed.
WAVE_QUANTITIES: tuple[str, ...] = (
    "kind",
    "velocity_free",
    "velocity_metallised",
    "coupling_k2",
    "power_flow_angle",
    "attenuation_free",
    "attenuation_metallised",
    "frequency",
)

_WAVE_REASONS = {
    "velocity_free": "the free surface carries no such wave",
    "velocity_metallised": "the metallised surface carries no such wave",
    "coupling_k2": "needs the wave on the free and on the metallised surface",
    "power_flow_angle": "not computed for leaky waves and for waves buried below the surface",
    "attenuation_free": "the free surface carries no such wave",
    "attenuation_metallised": "the metallised surface carries no such wave",
    "frequency": "a half-space knows no scale: its waves are the same at every frequency",
}

#: Share of the stop band's width that the harmonic admittance is sampled beyond its edges.
MARGIN = 0.75


@dataclass(frozen=True, eq=False)
class GratingResult:
    """What was computed of one grating.

    Attributes
    ----------
    name : of the grating in its case.
    constants : with uncertainties and reasons.
    waves : plane waves of the stack at the stop band, the one that couples most first.
    frequency : (m,) Hz, increasing.
    harmonic_admittance : (m,) S/m, Y(f, pi) of the finite elements.
    two_mode_admittance : (m,) S/m, that of the coupling-of-modes equations with the constants;
        None where the grating does not have all of them.
    modes : the shapes of the edges.
    """

    name: str
    constants: GratingConstants
    waves: tuple[Wave, ...]
    frequency: Array
    harmonic_admittance: Complex
    two_mode_admittance: Complex | None
    modes: tuple[ModeShape, ...]

    def __repr__(self) -> str:
        velocity = self.constants.velocity
        shown = "not known" if velocity is None else f"{velocity:.8g} m/s"
        return (
            f"GratingResult({self.name}: velocity {shown}, {self.frequency.size} frequencies, "
            f"{len(self.modes)} modes)"
        )


@dataclass(frozen=True)
class Port:
    """A port: its name and the impedance in ohm that ends it."""

    name: str
    impedance: complex


@dataclass(frozen=True, eq=False)
class DeviceResult:
    """What was computed of the device.

    Attributes
    ----------
    kind : "resonator", "transversal", ...
    response : Y, S, figures and checks over frequency.
    ports : as many as the response has.
    description : what it was built of, JSON-safe, SI.
    """

    kind: str
    response: Response
    ports: tuple[Port, ...]
    description: Mapping[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if len(self.ports) != self.response.ports:
            raise InputError(
                key="ports",
                found=f"{len(self.ports)} names",
                expected=f"{self.response.ports}, as many as the response has ports",
            )

    def to_dict(self, touchstone: str | None = None) -> dict[str, Any]:
        """JSON object of kind, ports and figures; ``touchstone`` is the file's name."""
        figures = self.response.figures
        reasons = dict(self.response.reasons)
        for name, figure in figures.items():
            if not figure.known:
                reasons.setdefault(name, "the computation gave no finite number")
        missing = {name: None for name in reasons if name in table() and name not in figures}
        values = {name: figure.value for name, figure in figures.items()} | missing
        bars = {
            name: figure.uncertainty
            for name, figure in figures.items()
            if figure.uncertainty is not None
        }
        return {
            "kind": self.kind,
            "ports": [
                {"name": port.name, "impedance_ohm": json_safe(complex(port.impedance))}
                for port in self.ports
            ],
            "figures": to_json(values),
            **({"uncertainty": {"numerical": to_json(bars)}} if bars else {}),
            "reasons": {_key(name): text for name, text in reasons.items()},
            "specification": [],
            "touchstone": touchstone,
        }


@dataclass(frozen=True, eq=False)
class Result:
    """Everything one run found, and what it was found from.

    Attributes
    ----------
    title, case_name : of the case and of its file, without suffix.
    case_source : the TOML text; resolved : the same in SI with all defaults, JSON-safe.
    materials : name -> {"toml", "sha256", "source", "provenance"} (:func:`material_entry`).
    gratings : name -> GratingResult, in the order of the case.
    device : or None where the case asks for constants only.
    checks : name -> {"value", "limit", "ok"} (:func:`collect_checks`).
    warnings, cautions : sentences; a warning concerns this case, a caution its use.
    versions : name -> version of what computed it.
    created : UTC, ISO 8601.
    files : what was written, as paths that open from the working directory, with "/".
    """

    title: str
    case_name: str
    case_source: str
    resolved: Mapping[str, Any]
    materials: Mapping[str, Mapping[str, str]]
    gratings: Mapping[str, GratingResult]
    device: DeviceResult | None = None
    checks: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    versions: Mapping[str, str] = field(default_factory=lambda: current_versions())
    created: str = field(default_factory=lambda: utc_now())
    files: tuple[str, ...] = ()

    def __repr__(self) -> str:
        device = self.device.kind if self.device else "none"
        gratings = ", ".join(self.gratings) or "none"
        return f"Result({self.case_name}: gratings {gratings}; device {device})"

    @property
    def grating(self) -> GratingResult:
        """The first grating. Raises InputError where the run had none."""
        for first in self.gratings.values():
            return first
        raise InputError(key="grating", found="no grating in this result", expected="one or more")

    @property
    def constants(self) -> GratingConstants:
        """Constants of the first grating. Raises InputError where the run had none."""
        return self.grating.constants

    def to_dict(self) -> dict[str, Any]:
        """The JSON object of a run: no NaN, null with a reason instead; complex as [re, im]."""
        first = next(iter(self.gratings.values()), None)
        return {
            "format": FORMAT,
            "case": self.case_name,
            "title": self.title,
            "constants": constants_dict(first.constants, first.name) if first else None,
            "gratings": {
                name: constants_dict(grating.constants, name)
                for name, grating in self.gratings.items()
            },
            "waves": [wave_dict(wave) for wave in first.waves] if first else [],
            "checks": json_safe(self.checks),
            "device": self.device.to_dict(self._touchstone()) if self.device else None,
            "warnings": list(self.warnings),
            "cautions": list(self.cautions),
            "files": list(self.files),
        }

    def _touchstone(self) -> str | None:
        """The Touchstone file among the files."""
        ports = self.device.response.ports if self.device else 0
        return next((file for file in self.files if file.endswith(f".s{ports}p")), None)


def _key(name: str) -> str:
    """JSON key of a quantity; a name that is none stays as it is."""
    return json_key(name) if name in table() else name


def constants_dict(constants: GratingConstants, name: str) -> dict[str, Any]:
    """JSON object of a grating's constants, with "uncertainty" and "reasons".

    Parameters
    ----------
    constants : what :func:`sawfem.extract.grating_constants` returns.
    name : of the grating.
    """
    values = {key: getattr(constants, key) for key in CONSTANTS}
    reasons = {key: "was not determined" for key, value in values.items() if _is_missing(value)}
    reasons |= constants.reasons
    return {
        "grating": name,
        **to_json(values),
        "uncertainty": {"numerical": to_json(constants.numerical)},
        "reasons": {_key(key): text for key, text in reasons.items()},
    }


def _is_missing(value: Any) -> bool:
    """Whether a constant, or a part of a pair, is None."""
    return value is None or (isinstance(value, tuple) and None in value)


def wave_dict(wave: Wave) -> dict[str, Any]:
    """JSON object of a plane wave; what it does not have is null, with "reasons"."""
    values = {name: getattr(wave, name) for name in WAVE_QUANTITIES}
    reasons = {json_key(name): _WAVE_REASONS[name] for name, v in values.items() if v is None}
    return to_json(values) | {"reasons": reasons}


def grating_result(
    name: str, solution: GratingSolution, *, samples: int = 241, shapes: bool = True
) -> GratingResult:
    """The result of a solved grating: admittance over its stop band and shapes of its edges.

    Parameters
    ----------
    name : of the grating. solution : what :func:`sawfem.extract.solve_grating` returns.
    samples : frequencies of the harmonic admittance, besides those beside each edge.
    shapes : False leaves the mode shapes out.
    """
    band = solution.band
    frequency = _sampled_frequencies(band, samples)
    fitted = solution.picture is not None
    return GratingResult(
        name=name,
        constants=solution.constants,
        waves=tuple(solution.waves),
        frequency=frequency,
        harmonic_admittance=sampled_admittance(band.model, frequency),
        two_mode_admittance=(
            two_mode_admittance(solution.constants.com(), frequency) if fitted else None
        ),
        modes=tuple(mode_shape(band, edge) for edge in edge_names(band).values() if shapes),
    )


def two_mode_admittance(constants: ComConstants, frequency: Array) -> Complex:
    """Y(f, pi) in S/m of the coupling-of-modes equations, (m,) at ``frequency`` (m,) in Hz.

    With dR/dx = dS/dx = 0 they give, between the bus-bars and per electrode,

        Y = j w C p - 4j p [d |a|^2 + Re(k a*^2)] / (d^2 - |k|^2),    d = w/v - pi/p - j alpha,

    (sawfem/extract/edges.py) and potentials +-1 are a bus-bar voltage of two, a quarter of Y(f, pi).
    """
    f = np.asarray(frequency, dtype=float)
    p, v = constants.pitch, constants.velocity
    k = constants.reflection / p
    a = constants.transduction / p * np.sqrt(f / constants.centre_frequency)
    d = 2.0 * np.pi * f / v - np.pi / p - 1j * constants.attenuation
    waves = 4j * p * (d * np.abs(a) ** 2 + (k * np.conj(a) ** 2).real) / (d**2 - abs(k) ** 2)
    return np.asarray(4.0 * (2j * np.pi * f * constants.capacitance - waves))


def _sampled_frequencies(band: StopBand, samples: int) -> Array:
    """Frequencies over the stop band and beyond it, closer together beside every edge."""
    edges = np.array([edge.frequency.real for edge in (*band.shorted, *band.open)])
    width = max(float(np.ptp(edges)), 1e-4 * float(edges.mean()))
    low, high = float(edges.min()) - MARGIN * width, float(edges.max()) + MARGIN * width
    near = [onset for onset in band.onsets if high < onset < high + 2.0 * width]
    if near:  # a bulk wave that starts close by is worth seeing
        high = near[0] + 0.3 * width
    beside = width * np.geomspace(1e-4, 0.03, 16)
    every = np.concatenate(
        [np.linspace(low, high, samples), *[edge + beside for edge in edges]]
        + [edge - beside for edge in edges]
    )
    every = np.unique(every)
    apart = np.min(np.abs(every[:, None] - edges), axis=1) > 0.5e-4 * width
    return np.asarray(every[apart])


def device_result(
    kind: str,
    response: Response,
    description: Mapping[str, Any] | None = None,
    names: Sequence[str] | None = None,
) -> DeviceResult:
    """The result of a device from its response.

    Ports are called "1", "2", ... unless ``names`` says otherwise; their impedances are the
    references of the response (at its first frequency).
    """
    chosen = names or [str(number + 1) for number in range(response.ports)]
    ports = [
        Port(name, complex(z)) for name, z in zip(chosen, response.reference[0], strict=False)
    ]
    return DeviceResult(kind, response, tuple(ports), json_safe(description or {}))


def collect_checks(
    solutions: Mapping[str, GratingSolution], response: Response | None = None
) -> dict[str, dict[str, Any]]:
    """All checks of a run: "GRATING.check" and "device.check" -> value, limit, ok."""
    found: dict[str, dict[str, Any]] = {}
    for name, solution in solutions.items():
        for check, (value, limit) in solution.checks.items():
            ok = bool(value <= limit)
            found[f"{name}.{check}"] = {"value": float(value), "limit": float(limit), "ok": ok}
    for check, item in (response.checks if response else {}).items():
        found[f"device.{check}"] = {
            "value": float(item.value),
            "limit": float(item.limit),
            "ok": bool(item.ok),
        }
    return found


def material_entry(toml: str, source: str, provenance: str) -> dict[str, str]:
    """How a result keeps a material set: its text, the text's SHA-256, publication and mark."""
    digest = hashlib.sha256(toml.encode("utf-8")).hexdigest()
    return {"toml": toml, "sha256": digest, "source": source, "provenance": provenance}


def utc_now() -> str:
    """The time, UTC, ISO 8601, to the second."""
    return datetime.now(UTC).replace(microsecond=0).isoformat()


def current_versions() -> dict[str, str]:
    """Versions of sawfem and of the libraries that its numbers depend on."""
    from sawfem import __version__

    libraries = ("numpy", "scipy", "scikit-fem", "h5py", "scikit-rf", "matplotlib")
    found = {"sawfem": __version__}
    for library in libraries:
        try:
            found[library] = metadata.version(library)
        except metadata.PackageNotFoundError:
            found[library] = "not known"
    return found
