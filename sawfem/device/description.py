"""Devices as a designer describes them. Nothing is computed here.

Lengths in metres, ``fingers`` count electrodes (never pairs). A gap runs from the centre of the
last electrode on one side to the centre of the first on the other.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from sawfem.device.spreading import Spreading
from sawfem.errors import GeometryError, InputError

#: Electrodes per half acoustic wavelength of each polarity sequence.
ELECTRODES_PER_CELL = {"+-": 1, "++--": 2}

Polarity = Literal["+-", "++--"]


def _count(key: str, value: Any, least: int) -> None:
    whole = isinstance(value, int | np.integer) and not isinstance(value, bool)
    if not whole or value < least:
        raise GeometryError(key=key, found=repr(value), expected=f"a count, {least} or more")


def _length(key: str, value: Any) -> None:
    if not (_is_number(value) and value > 0.0):
        raise GeometryError(key=key, found=f"{value!r} m", expected="more than 0, finite")


def _not_negative(key: str, value: Any, unit: str) -> None:
    if not (_is_number(value) and value >= 0.0):
        raise InputError(key=key, found=f"{value!r} {unit}", expected="not negative, finite")


def _is_number(value: Any) -> bool:
    real = isinstance(value, int | float | np.integer | np.floating)
    return real and not isinstance(value, bool) and bool(np.isfinite(value))


def _pair(key: str, value: Any) -> None:
    if not isinstance(value, tuple) or len(value) != 2:
        raise GeometryError(key=key, found=repr(value), expected="two of them, as a tuple")


def _impedance(key: str, value: Any) -> None:
    number = isinstance(value, int | float | complex | np.number) and not isinstance(value, bool)
    if not (number and np.isfinite(value) and complex(value).real > 0.0):
        raise InputError(key=key, found=f"{value!r} ohm", expected="a positive real part, finite")


def _velocity(key: str, value: Any) -> None:
    if value is not None and not (_is_number(value) and value > 0.0):
        raise InputError(key=key, found=f"{value!r} m/s", expected="more than 0, finite")


@dataclass(frozen=True)
class Resonator:
    """One interdigital transducer between two reflectors.

    Attributes
    ----------
    fingers : electrodes of the transducer, 2 or more, on alternate bus-bars.
    reflector_fingers : strips of the left and the right reflector; 0 leaves it out.
    aperture, gap : m; one gap length on both sides, last finger centre to first strip centre.
    reflector_connection : ``shorted`` or ``open`` (isolated) strips.
    load : ohm, reference impedance of S11; complex allowed.
    sheet_resistance : ohm per square of the fingers' film; needs ``electrode_width``.
    electrode_width : m, or None where it is not known.
    gap_velocity : m/s in the gaps; None takes the transducer's grating velocity.
    attenuation : Np/m, in gaps and added to what the gratings have.

    Raises GeometryError for what cannot be built, InputError for other values out of range.
    """

    fingers: int
    reflector_fingers: tuple[int, int]
    aperture: float
    gap: float
    reflector_connection: Literal["shorted", "open"] = "shorted"
    load: complex = 50.0
    sheet_resistance: float = 0.0
    electrode_width: float | None = None
    gap_velocity: float | None = None
    attenuation: float = 0.0

    def __post_init__(self) -> None:
        _count("fingers", self.fingers, 2)
        _pair("reflector_fingers", self.reflector_fingers)
        for strips in self.reflector_fingers:
            _count("reflector_fingers", strips, 0)
        _length("aperture", self.aperture)
        _length("gap", self.gap)
        if self.reflector_connection not in ("shorted", "open"):
            raise GeometryError(
                key="reflector_connection",
                found=repr(self.reflector_connection),
                expected="shorted or open",
            )
        _impedance("load", self.load)
        _not_negative("sheet_resistance", self.sheet_resistance, "ohm")
        _not_negative("attenuation", self.attenuation, "Np/m")
        _velocity("gap_velocity", self.gap_velocity)
        if self.electrode_width is not None:
            _length("electrode_width", self.electrode_width)
        elif self.sheet_resistance > 0.0:
            raise GeometryError(
                key="electrode_width", found="nothing", expected="a width, to get a resistance"
            )


@dataclass(frozen=True)
class Transversal:
    """Two transducers on one track, with nothing reflected beyond them.

    Attributes
    ----------
    fingers : electrodes of the input (left) and output transducer.
    aperture, gap : m; gap from the centre of the input's last to the output's first electrode.
    polarity : of each transducer: ``+-`` one electrode per half wavelength, ``++--`` two on the
        same bus-bar: electrode pitch a quarter wavelength, where reflections cancel. Its grating
        constants belong to the cell of two electrodes and half a wavelength: ``pitch`` is twice
        the electrode pitch, ``transduction`` and ``capacitance`` are those of the cell. The
        count of electrodes is then even.
    gap_velocity : m/s between the transducers, of the free or the metallised surface; None takes
        the input's grating velocity.
    terminations : ohm, source and load; complex allowed; the references of S.
    sheet_resistance : ohm per square; needs ``electrode_width``.
    electrode_width : m, of the input's and the output's electrodes.
    attenuation : Np/m, in the gap and added to what the gratings have.
    spreading : factor of the transfer admittance by the spreading of the beam between the ports
        "1" and "2"; None for a beam that stays as it is.

    Raises GeometryError for what cannot be built, InputError for other values out of range.
    """

    fingers: tuple[int, int]
    aperture: float
    gap: float
    polarity: tuple[Polarity, Polarity] = ("+-", "+-")
    gap_velocity: float | None = None
    terminations: tuple[complex, complex] = (50.0, 50.0)
    sheet_resistance: float = 0.0
    electrode_width: tuple[float, float] | None = None
    attenuation: float = 0.0
    spreading: Spreading | None = None

    def __post_init__(self) -> None:
        for key in ("fingers", "polarity", "terminations"):
            _pair(key, getattr(self, key))
        for count, sequence in zip(self.fingers, self.polarity, strict=True):
            if sequence not in ELECTRODES_PER_CELL:
                raise GeometryError(
                    key="polarity", found=repr(sequence), expected=" or ".join(ELECTRODES_PER_CELL)
                )
            _count("fingers", count, 2 * ELECTRODES_PER_CELL[sequence])
            if count % ELECTRODES_PER_CELL[sequence]:
                raise GeometryError(
                    key="fingers", found=f"{count} with {sequence}", expected="an even count"
                )
        _length("aperture", self.aperture)
        _length("gap", self.gap)
        for impedance in self.terminations:
            _impedance("terminations", impedance)
        _not_negative("sheet_resistance", self.sheet_resistance, "ohm")
        _not_negative("attenuation", self.attenuation, "Np/m")
        _velocity("gap_velocity", self.gap_velocity)
        if self.electrode_width is not None:
            _pair("electrode_width", self.electrode_width)
            for width in self.electrode_width:
                _length("electrode_width", width)
        elif self.sheet_resistance > 0.0:
            raise GeometryError(
                key="electrode_width", found="nothing", expected="two widths, for a resistance"
            )
