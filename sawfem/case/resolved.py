"""A case with nothing left open: SI numbers, defaults filled, ``like`` and wavelengths resolved.

Lengths in metres, frequencies in hertz, angles in degrees, temperatures in degrees Celsius,
impedances in ohm, losses along the path in decibel per second of travel.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sawfem.case.resolved_asks import (
    ResolvedDesign,
    ResolvedFit,
    ResolvedMeasurement,
    ResolvedSignal,
)
from sawfem.case.resolved_devices import (
    ResolvedDevice,
    ResolvedLump,
    ResolvedNetwork,
    ResolvedResonator,
    ResolvedTrack,
)
from sawfem.case.resolved_structure import (
    ResolvedCrystal,
    ResolvedGrating,
    ResolvedLayer,
    ResolvedOvercoat,
)
from sawfem.case.resolved_transverse import ResolvedTransverse
from sawfem.errors import CaseError
from sawfem.quantities import json_safe


@dataclass(frozen=True)
class ResolvedBand:
    """``points`` frequencies from ``start`` to ``stop``, ends included."""

    start: float
    stop: float
    points: int


@dataclass(frozen=True)
class ResolvedLimit:
    """One line of a specification; the limits in the SI unit of ``quantity``.

    ``start`` and ``stop`` are None for a figure, which has no band.
    """

    name: str
    quantity: str
    start: float | None
    stop: float | None
    at_most: float | None
    at_least: float | None


@dataclass(frozen=True)
class ResolvedCase:
    """The whole case. ``gratings`` keeps the order of the file; ``materials`` holds [[material]].

    ``materials`` maps the name of a variant to its keys as written, ``like`` among them;
    ``shorts`` are interfaces with a perfect conductor without mass, 0 on the substrate;
    ``base`` is the folder that relative paths start from
    and ``file`` how the case was named.
    """

    title: str
    substrate: ResolvedCrystal
    layers: tuple[ResolvedLayer, ...]
    gratings: Mapping[str, ResolvedGrating]
    overcoat: tuple[ResolvedOvercoat, ...]
    materials: Mapping[str, Mapping[str, Any]]
    temperature: float
    device: ResolvedDevice | None
    resonators: Mapping[str, ResolvedResonator]
    lumps: Mapping[str, ResolvedLump]
    networks: Mapping[str, ResolvedNetwork]
    tracks: Mapping[str, ResolvedTrack]
    bands: tuple[ResolvedBand, ...]
    limits: tuple[ResolvedLimit, ...]
    specification_temperatures: tuple[float, ...]
    measurements: tuple[ResolvedMeasurement, ...]
    include: tuple[str, ...]
    accuracy: float
    signal: ResolvedSignal | None = None
    second_model: bool = True
    transverse: ResolvedTransverse | None = None
    design: ResolvedDesign | None = None
    fit: ResolvedFit | None = None
    frequency_temperature_coefficient: float | None = None
    specification_hold_constant: tuple[str, ...] = ()
    hold_constant: tuple[str, ...] = ()
    shorts: tuple[int, ...] = ()
    base: Path = field(default_factory=Path)
    file: str | None = None

    @property
    def grating(self) -> ResolvedGrating:
        """The first grating. Raises CaseError where the case has none."""
        for first in self.gratings.values():
            return first
        raise CaseError(
            file=self.file,
            key="grating",
            found="no section",
            expected="a table [grating] with pitch, metal, thickness and metallisation_ratio",
        )

    def to_dict(self) -> dict[str, Any]:
        """JSON-safe tree of the same names, SI numbers, without the machine's folders."""
        tree = dataclasses.asdict(self)
        tree.pop("base")
        tree.pop("file")
        found: dict[str, Any] = json_safe(_without_folder(tree, self.base))
        return found


def _without_folder(value: Any, base: Path) -> Any:
    """Paths below the folder of the case as seen from there, at any depth."""
    if isinstance(value, Path):
        return value.relative_to(base) if value.is_relative_to(base) else value
    if isinstance(value, Mapping):
        return {key: _without_folder(item, base) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_without_folder(item, base) for item in value]
    return value
