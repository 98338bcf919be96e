"""Devices of a case and their parts, with nothing left open.

Units as in sawfem/case/resolved.py.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path


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
