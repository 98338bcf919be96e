"""What an acoustic track is made of: reflectors, spaces and transducers in a row.

Described, not computed. Counts are of electrodes, lengths in metres. A space runs from the centre
of the last electrode before it to the centre of the first behind it; two elements with no space
between them go on in their mean pitch. Transducer elements of one name hang on the same port, so
that sections of different pitch make one transducer.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import numpy as np

from sawfem.device.description import _count, _length, _not_negative
from sawfem.device.drawn import DrawnCell
from sawfem.device.pmatrix import FloatArray
from sawfem.device.spreading import Spreading
from sawfem.errors import GeometryError, InputError
from sawfem.extract.constants import ComConstants

#: Most strips that an apodised aperture is cut into.
STRIPS = 32


@dataclass(frozen=True)
class Reflector:
    """``strips`` electrodes of a ``grating``, ``shorted`` together or ``open`` (isolated).

    Strips connected to one bus-bar or to ground are shorted ones.
    """

    grating: str
    strips: int
    connection: Literal["shorted", "open"] = "shorted"

    def __post_init__(self) -> None:
        _count("reflector", self.strips, 1)
        if self.connection not in ("shorted", "open"):
            raise GeometryError(
                key="connection", found=repr(self.connection), expected="shorted or open"
            )


@dataclass(frozen=True)
class Space:
    """A stretch of plain surface, ``free`` or ``metallised``; "" goes on at the grating's velocity.

    ``length`` in metres, centre to centre of the electrodes beside it.
    """

    length: float
    surface: Literal["", "free", "metallised"] = ""

    def __post_init__(self) -> None:
        _length("space", self.length)
        if self.surface not in ("", "free", "metallised"):
            raise GeometryError(
                key="surface", found=repr(self.surface), expected="free or metallised"
            )


@dataclass(frozen=True)
class Transducer:
    """Electrodes on two bus-bars.

    Attributes
    ----------
    port : name of the electrical port; elements of one name are connected in parallel.
    grating : name of the grating it stands on.
    fingers : electrodes, 2 or more.
    polarity : bus-bar of each electrode, repeated to the end: 1 or -1, or 0 for an electrode held
        half-way between them. (1, -1) is uniform, (1, 1, -1, -1) has double electrodes (and
        needs the constants of a cell of two); longer sequences withdraw or code.
    weights : overlap of each electrode (length ``fingers``, 0 to 1), symmetric about the middle
        of the aperture: neighbours n, n + 1 overlap over (w_n + w_n+1)/2 of it. None is full.
    dummies : whether what the overlap leaves out is filled with dummy fingers.
    offset : m, across the track: how far it lies aside, to meet a beam that walks off. Only the
        track's ``spreading`` knows of it; electrodes and fields are those of one row.
    mirrored : turned round, left to right: a cell without a mirror plane then launches to the
        other side.

    On a grating drawn in full (``Gratings.drawn``) the electrodes fill whole cells, tied as these
    are; polarity and overlap are then those of the cell.

    Raises GeometryError for what cannot be built.
    """

    port: str
    grating: str
    fingers: int
    polarity: tuple[int, ...] = (1, -1)
    weights: tuple[float, ...] | None = None
    dummies: bool = True
    offset: float = 0.0
    mirrored: bool = False

    def __post_init__(self) -> None:
        _count("fingers", self.fingers, 2)
        if not self.polarity or any(c not in (1, -1, 0) for c in self.polarity):
            raise GeometryError(
                key="polarity", found=repr(self.polarity), expected="1, -1 and 0, repeated"
            )
        if self.weights is not None:
            if len(self.weights) != self.fingers:
                raise GeometryError(
                    key="weights",
                    found=f"{len(self.weights)} weights",
                    expected=f"{self.fingers}, one for each electrode",
                )
            w = np.asarray(self.weights, dtype=float)
            if not (np.all(np.isfinite(w)) and np.all((w >= 0.0) & (w <= 1.0)) and w.max() > 0.0):
                raise GeometryError(
                    key="weights", found="outside 0 to 1", expected="overlaps from 0 to 1"
                )
        if self.double and self.fingers % 2:
            raise GeometryError(
                key="fingers",
                found=f"{self.fingers} with double electrodes",
                expected="an even count",
            )

    @property
    def sequence(self) -> np.ndarray[Any, np.dtype[np.int8]]:
        """Polarity of every electrode, (fingers,)."""
        return np.resize(np.array(self.polarity, dtype=np.int8), self.fingers)

    @property
    def double(self) -> bool:
        """Whether electrodes come in pairs on one bus-bar that alternate: + + - -."""
        c = self.polarity
        pairs = c[::2]
        return len(c) >= 4 and len(c) % 2 == 0 and pairs == c[1::2] and {1, -1} <= set(pairs)

    @property
    def electrodes_per_cell(self) -> int:
        """Electrodes per half acoustic wavelength: 2 for double electrodes, else 1."""
        return 2 if self.double else 1


Element = Reflector | Space | Transducer


@dataclass(frozen=True)
class Track:
    """An acoustic row, left to right, with nothing reflected beyond its ends.

    Attributes
    ----------
    aperture : m.
    elements : in order from the left; at least one transducer.
    sheet_resistance : ohm per square of the fingers.
    attenuation : Np/m everywhere, added to what the gratings have.
    spreading : factors of the transfer admittances between ports by the spreading of the beam;
        None for beams that stay as they are.

    Raises GeometryError for what cannot be built.
    """

    aperture: float
    elements: tuple[Element, ...]
    sheet_resistance: float = 0.0
    attenuation: float = 0.0
    spreading: Spreading | None = None

    def __post_init__(self) -> None:
        _length("aperture", self.aperture)
        _not_negative("sheet_resistance", self.sheet_resistance, "ohm")
        _not_negative("attenuation", self.attenuation, "Np/m")
        if not any(isinstance(element, Transducer) for element in self.elements):
            raise GeometryError(
                key="elements", found="no transducer", expected="at least one transducer"
            )

    @property
    def ports(self) -> tuple[str, ...]:
        """Names of the electrical ports, in order of their first element."""
        named = (e.port for e in self.elements if isinstance(e, Transducer))
        return tuple(dict.fromkeys(named))

    @property
    def gratings(self) -> tuple[str, ...]:
        """Names of the gratings used."""
        named = (e.grating for e in self.elements if not isinstance(e, Space))
        return tuple(dict.fromkeys(named))


@dataclass(frozen=True)
class Gratings:
    """What tracks and resonators stand on: constants by the name of the grating.

    Attributes
    ----------
    constants : of each grating, one electrode per half wavelength.
    double : the same for cells of two electrodes, where double electrodes are used.
    widths : m, mean width of the electrodes, for finger resistance.
    velocity_free, velocity_metallised : m/s of the plain surface; None where it is not known.
    drawn : cells of several connected electrodes, whose constants are those of half waves.
    """

    constants: Mapping[str, ComConstants]
    double: Mapping[str, ComConstants] = field(default_factory=dict)
    widths: Mapping[str, float] = field(default_factory=dict)
    velocity_free: float | None = None
    velocity_metallised: float | None = None
    drawn: Mapping[str, DrawnCell] = field(default_factory=dict)

    def of(self, name: str, *, double: bool = False) -> ComConstants:
        """Constants of one grating. Raises InputError for one that is not there."""
        known = self.double if double else self.constants
        if name not in known:
            what = "a cell of two electrodes" if double else "constants"
            raise InputError(
                key="grating",
                found=f'"{name}" without {what}',
                expected=f"one of {', '.join(known) or 'none'}",
            )
        return known[name]

    def half_wave(self, element: Reflector | Transducer) -> float:
        """Half an acoustic wave of an element's grating, m."""
        cells = element.electrodes_per_cell if isinstance(element, Transducer) else 1
        double = cells > 1
        if double and element.grating in self.double:
            return self.double[element.grating].pitch
        return cells * self.of(element.grating).pitch

    def half_waves(self, element: Reflector | Transducer) -> int:
        """Half waves that an element is long. Raises GeometryError for a part of a cell."""
        if isinstance(element, Transducer):
            count, each = element.fingers, element.electrodes_per_cell
        else:
            count, each = element.strips, 1
        drawn = self.drawn.get(element.grating)
        return count // each if drawn is None else 2 * drawn.cells(count)

    def lead(self, element: Element, *, right: bool) -> float:
        """How far a section reaches beyond the centre of its outer electrode at an end, m."""
        if isinstance(element, Space):
            return 0.0
        drawn = self.drawn.get(element.grating)
        if drawn is not None:
            return drawn.lead(right=right, mirrored=getattr(element, "mirrored", False))
        cells = element.electrodes_per_cell if isinstance(element, Transducer) else 1
        return 0.5 * self.half_wave(element) / cells

    def warmed(self, change: float) -> Gratings:
        """The same where every velocity has grown by the fraction ``change``.

        What a temperature does to first order: a relative change of all frequencies at fixed
        layout. Thermal expansion is part of ``change``; reflection, transduction and capacitance
        move by as little as the velocity and are held.
        """

        def moved(known: Mapping[str, ComConstants]) -> dict[str, ComConstants]:
            return {
                name: replace(item, velocity=item.velocity * (1.0 + change))
                for name, item in known.items()
            }

        free, metallised = (
            None if v is None else v * (1.0 + change)
            for v in (self.velocity_free, self.velocity_metallised)
        )
        return replace(
            self,
            constants=moved(self.constants),
            double=moved(self.double),
            velocity_free=free,
            velocity_metallised=metallised,
        )

    def lossless(self) -> Gratings:
        """The same with every loss left out."""
        return self.with_losses(0.0)

    def with_losses(self, factor: float) -> Gratings:
        """The same with every loss ``factor`` times as strong."""
        lossy, double = (
            {name: item.with_losses(factor) for name, item in known.items()}
            for known in (self.constants, self.double)
        )
        return replace(self, constants=lossy, double=double)


def strip_levels(track: Track) -> tuple[FloatArray, FloatArray]:
    """Strips into which apodisation cuts the aperture: heights z = |2 y/W - 1| and shares of W.

    One strip without apodisation; between the levels of few distinct weights; else ``STRIPS``
    equal ones, at whose middles the overlap is read.
    """
    weights = [e.weights for e in track.elements if isinstance(e, Transducer) and e.weights]
    if not weights:
        return np.array([0.0]), np.array([1.0])
    levels = np.unique(np.concatenate([np.asarray(w, float) for w in weights] + [[0.0, 1.0]]))
    if levels.size - 1 > STRIPS:
        levels = np.linspace(0.0, 1.0, STRIPS + 1)
    return 0.5 * (levels[1:] + levels[:-1]), np.diff(levels)
