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
from sawfem.case.resolved_transverse import ResolvedTransverse
from sawfem.errors import CaseError
from sawfem.quantities import json_safe


@dataclass(frozen=True)
class ResolvedCrystal:
    """A material and how it is turned.

    ``euler`` are three Euler angles, or ``cut`` is plate notation and ``rotations`` its angles
    where they stand apart; with neither, crystal axes are device axes.
    """

    material: str
    euler: tuple[float, float, float] | None = None
    cut: str | None = None
    rotations: tuple[float, ...] = ()


@dataclass(frozen=True)
class ResolvedLayer(ResolvedCrystal):
    """A film, bottom to top; ``potential`` is "floating" or "grounded" for a metal film, None
    where it is not said.
    """

    name: str = ""
    thickness: float = 0.0
    potential: str | None = None


@dataclass(frozen=True)
class ResolvedFilm:
    """One metal of an electrode."""

    material: str
    thickness: float


@dataclass(frozen=True)
class ResolvedElectrode:
    """One electrode; ``films`` upwards, ``width`` at the foot without the footing.

    ``footing`` is how far a slope at the foot reaches beyond the wall and up it, None for none.
    ``connection`` is "hot", "ground" or "floating", None where the case does not say.
    """

    name: str
    centre: float
    width: float
    sidewall_angle: float
    films: tuple[ResolvedFilm, ...]
    footing: tuple[float, float] | None = None
    connection: str | None = None


@dataclass(frozen=True)
class ResolvedFitted:
    """Constants in place of the computed ones, None for those that stay: m/s, magnitudes of k p
    (its sign against the computed one) and of a p in sqrt(S/m), F/m per electrode.
    """

    velocity: float | None = None
    reflection: float | None = None
    transduction: float | None = None
    capacitance: float | None = None


@dataclass(frozen=True)
class ResolvedGrating:
    """Periodic electrodes.

    ``pitch`` is None for a cell drawn in full, whose ``period`` is given instead; else the period
    of the cell is the pitch and it holds one electrode, centred. ``fitted`` are constants that a
    device takes in place of the computed ones.
    """

    name: str
    pitch: float | None
    period: float
    electrodes: tuple[ResolvedElectrode, ...]
    metallisation_ratio: float | None = None
    recess: float = 0.0
    drawn_in_full: bool = False
    fitted: ResolvedFitted | None = None

    @property
    def wavelength(self) -> float:
        """What the unit "wavelength" stands for: twice the pitch, or the period drawn in full."""
        return self.period if self.pitch is None else 2.0 * self.pitch

    @property
    def several(self) -> bool:
        """Whether a period holds several electrodes."""
        return len(self.electrodes) > 1

    @property
    def join(self) -> float:
        """From the last electrode of one cell to the first of the next, centre to centre, m."""
        ordered = self.left_to_right
        return self.period - (ordered[-1].centre - ordered[0].centre)

    @property
    def left_to_right(self) -> tuple[ResolvedElectrode, ...]:
        """The electrodes by their centres: the order of the unit cell's."""
        return tuple(sorted(self.electrodes, key=lambda electrode: electrode.centre))

    @property
    def electrode(self) -> ResolvedElectrode:
        """The first electrode; the only one unless the cell is drawn in full."""
        return self.electrodes[0]

    @property
    def metal(self) -> str:
        """Material of the first electrode's lowest film."""
        return self.electrode.films[0].material

    @property
    def thickness(self) -> float:
        """Of the first electrode, all films."""
        return sum(film.thickness for film in self.electrode.films)

    @property
    def width(self) -> float:
        """Of the first electrode, at its foot."""
        return self.electrode.width

    @property
    def sidewall_angle(self) -> float:
        """Of the first electrode, in degrees from the surface, inside the metal."""
        return self.electrode.sidewall_angle


@dataclass(frozen=True)
class ResolvedOvercoat:
    """A film over the electrodes; ``top`` is "conformal" or "flat"."""

    material: str
    thickness: float
    top: str
    name: str = ""


@dataclass(frozen=True)
class ResolvedResonator:
    """A transducer between two reflectors.

    ``fingers`` and ``reflector_fingers`` (left, right) count electrodes. ``gap`` runs from the
    centre of the last finger to the first strip. ``sheet_resistance`` in ohm per square, None to
    take it from the metal. ``propagation_loss`` in decibel per second of travel.
    ``reflector_grating`` is the transducer's where it is "".
    """

    grating: str
    fingers: int
    reflector_fingers: tuple[int, int]
    aperture: float
    gap: float
    reflector_connection: str = "shorted"
    sheet_resistance: float | None = None
    propagation_loss: float = 0.0
    name: str = ""
    reflector_grating: str = ""


@dataclass(frozen=True)
class ResolvedResonatorDevice:
    """A one-port: the resonator and the impedance that ends its port.

    ``transverse_modes`` : whether its response has the modes across the aperture.
    """

    resonator: ResolvedResonator
    load: complex
    transverse_modes: bool = False
    kind: str = "resonator"


@dataclass(frozen=True)
class ResolvedTransversalDevice:
    """Two transducers on one track.

    ``fingers`` count electrodes of input and output. ``gap`` runs from the centre of the input's
    last finger to the output's first. ``transducer`` is "single" (one electrode per half acoustic
    wavelength) or "double" (two, on the same bus-bar: the acoustic wavelength is four pitches).
    ``diffraction`` tells whether the response includes it, ``misalignment`` in degrees. The output
    lies ``offset`` metres aside. ``mirrored`` tells which of the two are turned round. On a cell
    drawn in full with several electrodes the transducers are made of whole cells.
    """

    grating: str
    fingers: tuple[int, int]
    aperture: float
    gap: float
    transducer: str
    source: complex
    load: complex
    sheet_resistance: float | None = None
    propagation_loss: float = 0.0
    diffraction: bool = False
    misalignment: float = 0.0
    offset: float = 0.0
    mirrored: tuple[bool, bool] = (False, False)
    kind: str = "transversal"


@dataclass(frozen=True)
class ResolvedLump:
    """One of inductance, capacitance and resistance; ``quality`` None for a lossless one."""

    name: str
    inductance: float | None
    capacitance: float | None
    resistance: float | None
    quality: float | None


@dataclass(frozen=True)
class ResolvedNetwork:
    """A Touchstone file as a part."""

    name: str
    file: Path


@dataclass(frozen=True)
class ResolvedElement:
    """One element of a track; ``kind`` is "reflector", "space" or "transducer".

    ``count`` strips or fingers on ``grating``; ``length`` of a space, centre to centre, with the
    ``surface`` "", "free" or "metallised"; ``port``, ``polarity``, ``weights``, ``dummies`` and
    ``offset`` (across, m) of a transducer, which may be ``mirrored``; ``connection`` of a
    reflector.
    """

    kind: str
    grating: str = ""
    count: int = 0
    connection: str = "shorted"
    length: float = 0.0
    surface: str = ""
    port: str = ""
    polarity: tuple[int, ...] = (1, -1)
    weights: tuple[float, ...] | None = None
    dummies: bool = True
    offset: float = 0.0
    mirrored: bool = False


@dataclass(frozen=True)
class ResolvedTrack:
    """An acoustic row, left to right.

    ``diffraction`` tells whether the response includes it, ``misalignment`` in degrees.
    """

    name: str
    aperture: float
    elements: tuple[ResolvedElement, ...]
    sheet_resistance: float | None = None
    propagation_loss: float = 0.0
    diffraction: bool = False
    misalignment: float = 0.0


@dataclass(frozen=True)
class ResolvedPort:
    """A port, the impedance that ends it and, in a circuit, its node, or two if balanced."""

    name: str
    impedance: complex
    nodes: tuple[str, ...] = ()


@dataclass(frozen=True)
class ResolvedLadderDevice:
    """Links from port 1 to port 2: ("series" or "shunt", names of parts in a row)."""

    ports: tuple[ResolvedPort, ...]
    chain: tuple[tuple[str, tuple[str, ...]], ...]
    kind: str = "ladder"


@dataclass(frozen=True)
class ResolvedCircuitDevice:
    """Parts and the nodes at their terminals."""

    ports: tuple[ResolvedPort, ...]
    parts: tuple[tuple[str, tuple[str, ...]], ...]
    kind: str = "circuit"


ResolvedDevice = (
    ResolvedResonatorDevice
    | ResolvedTransversalDevice
    | ResolvedLadderDevice
    | ResolvedCircuitDevice
)


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
