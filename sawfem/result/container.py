"""The container: gratings, device, checks and their origin; and their JSON object."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sawfem.device.assembly import Circuit
from sawfem.device.beams import BeamPair
from sawfem.device.comparison import ModelComparison
from sawfem.device.response import Response
from sawfem.device.track import Gratings
from sawfem.device.transverse_study import TransverseStudy
from sawfem.errors import InputError
from sawfem.extract.constants import GratingConstants
from sawfem.extract.oblique_grating import ObliqueWaves
from sawfem.measured.comparison import MeasuredComparison
from sawfem.planewave import Wave
from sawfem.quantities import json_key, json_safe, table, to_json
from sawfem.result.beams import beam_dict
from sawfem.result.provenance import current_versions, utc_now
from sawfem.result.waves import wave_dict
from sawfem.unitcell.dispersionmap import DispersionMap
from sawfem.unitcell.drawing import CellDrawing
from sawfem.unitcell.fields import DRIVEN, ModeShape

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

#: Name and version of the JSON object. Within a version keys are only added.
FORMAT = "sawfem.run/1"

#: Constants of a grating that are quantities, in the order in which they are listed.
CONSTANTS: tuple[str, ...] = tuple(
    entry.name for entry in dataclasses.fields(GratingConstants) if entry.name in table()
)


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
    temperature : "relative_per_K" and "error_per_K" -> constant -> 1/K, where it was asked for.
    losses : edge -> mechanism -> dB per wavelength, where a material of the grating has losses.
    modes : the shapes of the edges, and a driven field where the case asked for fields.
    cell : materials and mesh of one period, for pictures.
    dispersion : admittance and modes over frequency and phase, where the case asked for it.
    oblique : waves at an angle to the grating, where the case asked for them.
    """

    name: str
    constants: GratingConstants
    waves: tuple[Wave, ...]
    frequency: Array
    harmonic_admittance: Complex
    two_mode_admittance: Complex | None
    modes: tuple[ModeShape, ...]
    losses: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    temperature: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    cell: CellDrawing | None = field(default=None, repr=False)
    dispersion: DispersionMap | None = field(default=None, repr=False)
    oblique: ObliqueWaves | None = field(default=None, repr=False)

    def __repr__(self) -> str:
        velocity = self.constants.velocity
        shown = "not known" if velocity is None else f"{velocity:.8g} m/s"
        return (
            f"GratingResult({self.name}: velocity {shown}, {self.frequency.size} frequencies, "
            f"{len(self.modes)} modes)"
        )

    @property
    def driven(self) -> ModeShape | None:
        """The field that the electrodes drive, where the case asked for fields."""
        return next((mode for mode in self.modes if mode.edge == DRIVEN), None)


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
    specification : a table for every limit that it was held against, JSON-safe.
    transverse : its modes across the aperture, where the case asks for them.
    signal : what it does to the signal of its case, JSON-safe (sawfem/result/signals.py); None
        without one.
    measurements : what was measured, beside what was computed.
    spurious : unwanted responses by name, JSON-safe (sawfem/device/unwanted.py).
    quality : quality factors of a one-port by mechanism; resonators : the figures of each
        resonator of a larger device. JSON-safe (sawfem/device/quality.py).
    beams : from transducer to transducer, where diffraction was asked for.
    circuit, gratings : what it was computed from; kept for pictures, not in files.
    second_model : its transducers by sums over electrodes and by coupling of modes.
    """

    kind: str
    response: Response
    ports: tuple[Port, ...]
    description: Mapping[str, Any] = field(default_factory=dict)
    specification: tuple[Mapping[str, Any], ...] = ()
    signal: Mapping[str, Any] | None = None
    transverse: TransverseStudy | None = field(default=None, repr=False)
    measurements: tuple[MeasuredComparison, ...] = ()
    spurious: tuple[Mapping[str, Any], ...] = ()
    quality: Mapping[str, Any] = field(default_factory=dict)
    resonators: Mapping[str, Any] = field(default_factory=dict)
    beams: tuple[BeamPair, ...] = field(default=(), repr=False)
    circuit: Circuit | None = field(default=None, repr=False)
    gratings: Gratings | None = field(default=None, repr=False)
    second_model: tuple[ModelComparison, ...] = ()

    def __post_init__(self) -> None:
        if len(self.ports) != self.response.ports:
            raise InputError(
                key="ports",
                found=f"{len(self.ports)} names",
                expected=f"{self.response.ports}, as many as the response has ports",
            )

    @property
    def specification_met(self) -> bool:
        """Whether every limit is kept; true without any."""
        return all(line["met"] for line in self.specification)

    def _power(self) -> dict[str, Any]:
        """Shares of the power at port 1 where it does most: least loss, or least reflection."""
        response = self.response
        useful = response.s[:, 1, 0] if response.ports > 1 else 1.0 - np.abs(response.s[:, 0, 0])
        best = int(np.argmax(np.abs(useful)))
        shares = {name: float(share[best]) for name, share in response.power.items()}
        return {json_key("frequency"): float(response.frequency[best]), "shares": shares}

    def to_dict(self, touchstone: str | None = None) -> dict[str, Any]:
        """JSON object of kind, ports, description, figures; ``touchstone`` is the file's name."""
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
            "description": json_safe(self.description),
            "figures": to_json(values),
            **({"uncertainty": {"numerical": to_json(bars)}} if bars else {}),
            "reasons": {_key(name): text for name, text in reasons.items()},
            "specification": [dict(line) for line in self.specification],
            "spurious": [dict(item) for item in self.spurious],
            **({"quality": dict(self.quality)} if self.quality else {}),
            **({"resonators": dict(self.resonators)} if self.resonators else {}),
            **({"signal": dict(self.signal)} if self.signal is not None else {}),
            **({"transverse": self.transverse.to_dict()} if self.transverse is not None else {}),
            **({"power": self._power()} if self.response.power else {}),
            **(
                {"measurement": [_measurement_dict(item) for item in self.measurements]}
                if self.measurements
                else {}
            ),
            "second_model": [_compared(item) for item in self.second_model],
            **({"diffraction": [beam_dict(pair) for pair in self.beams]} if self.beams else {}),
            "touchstone": touchstone,
        }


def _compared(found: ModelComparison) -> dict[str, Any]:
    """JSON object of one transducer by both models."""
    return {
        "transducer": found.name,
        "band_hz": list(found.band),
        "band_of_fit": found.fit_band is not None,
        "leaky": found.leaky,
        "another_wave_meets": found.meeting,
        "quality_factor": found.quality_factor,
        "frequencies_computed": int(found.computed.size),
        "figures": to_json({name: figure.value for name, figure in found.figures().items()}),
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
    versions: Mapping[str, str] = field(default_factory=current_versions)
    created: str = field(default_factory=utc_now)
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

    @property
    def has_driven_field(self) -> bool:
        """Whether fields were asked for."""
        return any(grating.driven is not None for grating in self.gratings.values())

    def to_dict(self) -> dict[str, Any]:
        """The JSON object of a run: no NaN, null with a reason instead; complex as [re, im]."""
        first = next(iter(self.gratings.values()), None)
        return {
            "format": FORMAT,
            "case": self.case_name,
            "title": self.title,
            "constants": constants_dict(first.constants, first.name) if first else None,
            "gratings": {
                name: constants_dict(grating.constants, name) | _losses_dict(grating)
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


def _measurement_dict(item: MeasuredComparison) -> dict[str, Any]:
    """A measurement's figures; its arrays are in result.h5."""
    missing = dict.fromkeys(item.reasons)
    values = {name: figure.value for name, figure in item.figures.items()} | missing
    ends = (float(item.frequency[0]), float(item.frequency[-1]))
    return {
        "name": item.name,
        "file": item.file,
        "points": int(item.frequency.size),
        "from_hz": ends[0],
        "to_hz": ends[1],
        "removed": item.removed,
        "figures": to_json(values),
        "reasons": {_key(name): text for name, text in item.reasons.items()},
    }


def _losses_dict(grating: GratingResult) -> dict[str, Any]:
    """The loss budget of a grating whose materials have losses, and its drift with temperature."""
    found = {"losses_dB_per_wavelength": json_safe(grating.losses)} if grating.losses else {}
    if grating.temperature:
        found["temperature"] = json_safe(grating.temperature)
    if grating.dispersion is not None:
        found["dispersion"] = grating.dispersion.to_dict()
    if grating.oblique is not None:
        found["oblique"] = json_safe(grating.oblique.to_dict())
    return found


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
        "uncertainty": {
            "numerical": to_json(constants.numerical),
            **({"process": to_json(constants.process)} if constants.process else {}),
        },
        "reasons": {_key(key): text for key, text in reasons.items()},
    }


def _is_missing(value: Any) -> bool:
    """Whether a constant, or a part of a pair, is None."""
    return value is None or (isinstance(value, tuple) and None in value)
