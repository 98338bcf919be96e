"""Quantity text at the edge, SI inside: "2.4 um" <-> 2.4e-6.

Grammar: a plain decimal or scientific number, then one unit of the closed list below, with or
without a space between. Bare numbers are SI; the one exception is an angle, whose bare numbers
are degrees. A temperature must carry its unit. True, NaN and infinity are not numbers here.

    length        m mm um nm wavelength     -> metre; wavelength = 2 x pitch of a grating
    frequency     Hz kHz MHz GHz            -> hertz
    angle         deg rad                   -> degree
    temperature   degC K                    -> degree Celsius, as REFERENCE_TEMPERATURE
    time          s ms us ns ps             -> second
    resistance    ohm mohm kohm             -> ohm
    capacitance   F uF nF pF fF             -> farad
    inductance    H uH nH pH                -> henry
    ratio         % ppm                     -> fraction
    level         dB                        -> decibel
    loss rate     dB/us dB/ms dB/s          -> decibel per second of travel

Micro is written ``u`` or with either Unicode micro sign (U+00B5, U+03BC).

Scaling shifts the decimal exponent of the text, so "89 nm" is the float nearest to 89e-9 and
text made by ``format_quantity`` reads back to the very same float.
"""

from __future__ import annotations

import math
from decimal import Decimal
from typing import cast

from sawfem.errors import UnitError, nearest
from sawfem.unittext import (
    BASE_UNIT,
    UNITS,
    WAVELENGTH,
    format_pair,
    format_quantity,
    format_uncertain,
    is_number,
    is_relative,
    plain_digits,
    shown,
    split_text,
)
from sawfem.windows import WINDOWS, Window

__all__ = [
    "BASE_UNIT",
    "UNITS",
    "WAVELENGTH",
    "WINDOWS",
    "QuantityLike",
    "Window",
    "format_pair",
    "format_quantity",
    "format_uncertain",
    "is_number",
    "is_relative",
    "parse_angle",
    "parse_capacitance",
    "parse_frequency",
    "parse_inductance",
    "parse_length",
    "parse_level",
    "parse_loss_rate",
    "parse_quantity",
    "parse_ratio",
    "parse_resistance",
    "parse_temperature",
    "parse_time",
    "shown",
    "split_text",
]

#: What parse functions take: text with a unit, or an SI number.
QuantityLike = str | float | int

_KIND_WORDS = {
    "length": "a length",
    "frequency": "a frequency",
    "angle": "an angle",
    "temperature": "a temperature",
    "time": "a time",
    "resistance": "a resistance",
    "capacitance": "a capacitance",
    "inductance": "an inductance",
    "ratio": "a fraction",
    "level": "a level",
    "loss rate": "a loss per time",
}


#: What people write, and the unit of the list that they mean.
_MEANT = {
    "micron": "um",
    "microns": "um",
    "lambda": "wavelength",
    "λ": "wavelength",
    "wavelengths": "wavelength",
    "ohms": "ohm",
    "Ω": "ohm",
    "Ohm": "ohm",
    "C": "degC",
    "°C": "degC",
    "°": "deg",
    "degree": "deg",
    "degrees": "deg",
    "sec": "s",
    "percent": "%",
}
_KELVIN = Decimal("273.15")


def parse_quantity(
    value: QuantityLike,
    kind: str,
    *,
    window: str | Window | None = None,
    wavelength: float | None = None,
    key: str | None = None,
    file: str | None = None,
) -> float:
    """Read a quantity of one ``kind`` (a name in UNITS) into its base unit.

    Parameters
    ----------
    value : text with a unit, or a number in the base unit of the kind.
    window : a name in WINDOWS, or a Window of that kind; the window named like the kind when
        left out.
    wavelength : m; what "wavelength" stands for. Without it that unit is refused.
    key, file : where the value stands, for the message.

    Raises
    ------
    UnitError : not a quantity of this kind, an unknown unit, or outside the window.
    """
    limits = WINDOWS[window or kind] if not isinstance(window, Window) else window
    if limits.kind != kind:
        raise ValueError(f"a window for {limits.kind} cannot hold {kind}")
    if isinstance(value, str):
        number = _from_text(value, kind, limits, wavelength, key, file)
    else:
        number = _from_number(value, kind, limits, key, file)
    if not limits.holds(number):
        raise _outside(value, number, limits, key, file)
    return number


def _from_number(
    value: object, kind: str, limits: Window, key: str | None, file: str | None
) -> float:
    """A number taken as SI; refused for a temperature."""
    if not is_number(value):
        raise UnitError(
            found=shown(value),
            expected=f"{_KIND_WORDS[kind]}, for example {shown(limits.example)}",
            key=key,
            file=file,
        )
    if kind == "temperature":
        raise UnitError(
            found=f"{shown(value)}, a temperature without its unit",
            expected=f"degC or K, for example {shown(limits.example)}",
            key=key,
            file=file,
        )
    return float(cast(float, value))


def _from_text(
    value: str,
    kind: str,
    limits: Window,
    wavelength: float | None,
    key: str | None,
    file: str | None,
) -> float:
    """A number with its unit, in SI."""

    def refuse(found: str, expected: str) -> UnitError:
        return UnitError(found=found, expected=expected, key=key, file=file)

    parts = split_text(value)
    example = shown(limits.example)
    if parts is None:
        raise refuse(shown(value), f"a number and a unit, for example {example}")
    mantissa, exponent, unit = parts
    units = [name for name in UNITS[kind] if name != WAVELENGTH or wavelength is not None]
    if not unit:
        raise refuse(
            f"{shown(value)}, a text without a unit",
            f"one of {', '.join(units)}, for example {example}",
        )
    if unit not in UNITS[kind]:
        raise refuse(f"unit {shown(unit)} in {shown(value)}", _expected_unit(unit, kind, units))
    if unit == WAVELENGTH:
        if wavelength is None:
            raise refuse(
                f"{shown(value)}, and no grating here that says what a wavelength is",
                f"a length in m, mm, um or nm, for example {example}",
            )
        number = float(f"{mantissa}e{exponent}") * wavelength
    elif unit == "rad":
        number = math.degrees(float(f"{mantissa}e{exponent}"))
    elif unit == "K":
        number = float(Decimal(f"{mantissa}e{exponent}") - _KELVIN)
    else:
        number = float(f"{mantissa}e{exponent + (UNITS[kind][unit] or 0)}")
    if not math.isfinite(number):
        raise refuse(shown(value), f"a finite number, for example {example}")
    return number


def _expected_unit(unit: str, kind: str, units: list[str]) -> str:
    """What to say of a unit that does not fit: the units that do, and the nearest."""
    for other, others in UNITS.items():
        if unit in others:
            return f"{_KIND_WORDS[kind]} in {', '.join(units)} ({unit} measures {other})"
    lower = {name.lower(): name for name in units}
    if _MEANT.get(unit, unit) in units:
        near = [_MEANT[unit]]
    elif unit.lower() in lower:
        near = [lower[unit.lower()]]
    else:
        near = nearest(unit, units, 1)
    tail = f", nearest: {near[0]}" if near else ""
    return f"one of {', '.join(units)}{tail}"


def _outside(
    value: QuantityLike, number: float, limits: Window, key: str | None, file: str | None
) -> UnitError:
    """The error for a value that its window does not hold."""
    found = shown(value)
    unit = BASE_UNIT[limits.kind]
    if not isinstance(value, str) and unit:
        found += f", that is {format_quantity(number, unit, scale=False)}"
    elif isinstance(value, str) and is_relative(value):
        found += f", that is {format_quantity(number, unit, digits=6)}"
    return UnitError(
        found=found,
        expected=f"{limits}, for example {shown(_example(value, limits))}",
        key=key,
        file=file,
    )


def _example(value: QuantityLike, limits: Window) -> str:
    """The user's own digits with the unit that was probably meant, else the stock example."""
    parts = split_text(value if isinstance(value, str) else repr(float(value)))
    if parts is None:
        return limits.example
    mantissa, exponent, _ = parts
    wanted = split_text(limits.example)
    ordered = [wanted[2], *UNITS[limits.kind]] if wanted else list(UNITS[limits.kind])
    for unit in ordered:
        power = UNITS[limits.kind][unit]
        if power is None:
            continue
        number = float(f"{mantissa}e{exponent + power}")
        if number > 0 and limits.holds(number):
            digits = plain_digits(Decimal(f"{mantissa}e{exponent}"))
            return f"{digits} {unit}"
    return limits.example


def parse_length(
    value: QuantityLike,
    *,
    window: str | Window = "length",
    wavelength: float | None = None,
    key: str | None = None,
    file: str | None = None,
) -> float:
    """Length in metre, from "2.4 um" or 2.4e-6; "0.02 wavelength" needs ``wavelength`` (m).

    ``window`` names a length window of WINDOWS ("pitch", "thickness", "width", "aperture", ...).
    Raises UnitError as ``parse_quantity``.
    """
    return parse_quantity(value, "length", window=window, wavelength=wavelength, key=key, file=file)


def parse_frequency(
    value: QuantityLike, *, key: str | None = None, file: str | None = None
) -> float:
    """Frequency in hertz, from "868 MHz" or 868e6. Raises UnitError as ``parse_quantity``."""
    return parse_quantity(value, "frequency", key=key, file=file)


def parse_angle(value: QuantityLike, *, key: str | None = None, file: str | None = None) -> float:
    """Angle in degrees, from "80 deg", "1.2 rad" or 80: bare numbers are degrees.

    Raises UnitError as ``parse_quantity``.
    """
    return parse_quantity(value, "angle", key=key, file=file)


def parse_temperature(value: str, *, key: str | None = None, file: str | None = None) -> float:
    """Temperature in degrees Celsius, from "25 degC" or "298.15 K"; bare numbers are refused.

    Raises UnitError as ``parse_quantity``.
    """
    return parse_quantity(value, "temperature", key=key, file=file)


def parse_time(value: QuantityLike, *, key: str | None = None, file: str | None = None) -> float:
    """Time in second, from "25 ns" or 25e-9. Raises UnitError as ``parse_quantity``."""
    return parse_quantity(value, "time", key=key, file=file)


def parse_resistance(
    value: QuantityLike,
    *,
    window: str | Window = "resistance",
    key: str | None = None,
    file: str | None = None,
) -> float:
    """Resistance in ohm, from "50 ohm" or 50. Raises UnitError as ``parse_quantity``."""
    return parse_quantity(value, "resistance", window=window, key=key, file=file)


def parse_capacitance(
    value: QuantityLike, *, key: str | None = None, file: str | None = None
) -> float:
    """Capacitance in farad, from "0.12 pF" or 0.12e-12. Raises UnitError."""
    return parse_quantity(value, "capacitance", key=key, file=file)


def parse_inductance(
    value: QuantityLike, *, key: str | None = None, file: str | None = None
) -> float:
    """Inductance in henry, from "0.6 nH" or 0.6e-9. Raises UnitError."""
    return parse_quantity(value, "inductance", key=key, file=file)


def parse_ratio(value: QuantityLike, *, key: str | None = None, file: str | None = None) -> float:
    """A fraction, from "5 %", "40 ppm" or 0.05. Raises UnitError as ``parse_quantity``."""
    return parse_quantity(value, "ratio", key=key, file=file)


def parse_level(value: QuantityLike, *, key: str | None = None, file: str | None = None) -> float:
    """A level in decibel, from "3 dB" or 3. Raises UnitError as ``parse_quantity``."""
    return parse_quantity(value, "level", key=key, file=file)


def parse_loss_rate(
    value: QuantityLike, *, key: str | None = None, file: str | None = None
) -> float:
    """Propagation loss in decibel per second of travel, from "0.9 dB/us" or 0.9e6.

    Raises UnitError as ``parse_quantity``.
    """
    return parse_quantity(value, "loss rate", key=key, file=file)
