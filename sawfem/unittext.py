"""The closed list of units, and numbers as text: the ground on which ``sawfem.units`` reads.

Grammar and list: sawfem/units.py. Scaling shifts decimal exponents and never multiplies, so that
text made here reads back to the very same float.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping
from decimal import ROUND_HALF_EVEN, Decimal
from numbers import Real
from types import MappingProxyType

#: Unit text that stands for twice the pitch of a grating.
WAVELENGTH = "wavelength"

#: Power of ten from each unit to the SI unit of its kind; None where a power is not the rule.
UNITS: Mapping[str, Mapping[str, int | None]] = MappingProxyType(
    {
        "length": {"m": 0, "mm": -3, "um": -6, "nm": -9, WAVELENGTH: None},
        "frequency": {"Hz": 0, "kHz": 3, "MHz": 6, "GHz": 9},
        "angle": {"deg": 0, "rad": None},
        "temperature": {"degC": 0, "K": None},
        "time": {"s": 0, "ms": -3, "us": -6, "ns": -9, "ps": -12},
        "resistance": {"ohm": 0, "mohm": -3, "kohm": 3},
        "capacitance": {"F": 0, "uF": -6, "nF": -9, "pF": -12, "fF": -15},
        "inductance": {"H": 0, "uH": -6, "nH": -9, "pH": -12},
        "ratio": {"%": -2, "ppm": -6},
        "level": {"dB": 0},
        "loss rate": {"dB/s": 0, "dB/ms": 3, "dB/us": 6},
    }
)

#: Unit in which each kind is returned and in which bare numbers are understood.
BASE_UNIT: Mapping[str, str] = MappingProxyType(
    {
        "length": "m",
        "frequency": "Hz",
        "angle": "deg",
        "temperature": "degC",
        "time": "s",
        "resistance": "ohm",
        "capacitance": "F",
        "inductance": "H",
        "ratio": "",
        "level": "dB",
        "loss rate": "dB/s",
    }
)

_TEXT = re.compile(
    r"\s*(?P<mantissa>[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+))"
    r"(?:[eE](?P<exponent>[+-]?[0-9]{1,4}))?\s*(?P<unit>\S*)\s*"
)
_LONGEST_TEXT = 80

_MICRO_SIGNS = ("\u00b5", "\u03bc")


def is_number(value: object) -> bool:
    """Whether ``value`` is a finite real number; True and False are none."""
    if isinstance(value, bool) or not isinstance(value, Real):
        return False
    try:
        return math.isfinite(value)
    except OverflowError:  # an integer beyond the largest float
        return False


def _integer_text(value: int) -> str:
    return str(value) if value.bit_length() < 1000 else "an integer of too many digits"


def shown(value: object) -> str:
    """``value`` as its writer would know it: text in quotes, true, false; cut when long."""
    if isinstance(value, str | bool):
        text = json.dumps(value, ensure_ascii=isinstance(value, str) and not value.isprintable())
    elif isinstance(value, Mapping):
        text = "a table"
    elif isinstance(value, list | tuple):
        text = "[" + ", ".join(shown(item) for item in value[:12])
        text += ", ...]" if len(value) > 12 else "]"
    elif isinstance(value, Real):
        text = str(float(value)) if not isinstance(value, int) else _integer_text(value)
    else:
        text = str(value)
    return text if len(text) <= _LONGEST_TEXT else text[: _LONGEST_TEXT - 3] + "..."


def split_text(value: str) -> tuple[str, int, str] | None:
    """Mantissa text, decimal exponent and unit of a quantity text, or None if it is none."""
    if len(value) > _LONGEST_TEXT:
        return None
    match = _TEXT.fullmatch(value)
    if match is None:
        return None
    unit = match["unit"]
    for sign in _MICRO_SIGNS:
        unit = unit.replace(sign, "u")
    return match["mantissa"], int(match["exponent"] or 0), unit


def is_relative(value: object) -> bool:
    """Whether ``value`` is a length in wavelengths of a grating, such as "0.02 wavelength"."""
    if not isinstance(value, str):
        return False
    parts = split_text(value)
    return parts is not None and parts[2] == WAVELENGTH


#: Powers of ten with which a unit is shown, beside those that are read.
_SHOWN_PREFIXES: Mapping[str, Mapping[str, int]] = MappingProxyType(
    {
        **{
            BASE_UNIT[kind]: {name: power for name, power in units.items() if power is not None}
            for kind, units in UNITS.items()
            if kind in {"length", "frequency", "time", "resistance", "capacitance", "inductance"}
        },
        "F/m": {"F/m": 0, "uF/m": -6, "nF/m": -9, "pF/m": -12, "fF/m": -15},
        "S": {"S": 0, "mS": -3, "uS": -6, "nS": -9},
        "S/m": {"kS/m": 3, "S/m": 0, "mS/m": -3, "uS/m": -6},
        "dB/s": {"dB/s": 0, "dB/ms": 3, "dB/us": 6},
        "%": {"%": -2},
        "ppm": {"ppm": -6},
        "ppm/K": {"ppm/K": -6},
    }
)


def plain_digits(number: Decimal) -> str:
    """Digits of ``number`` without trailing zeros; scientific when far from one."""
    if number == 0:
        return "0"
    normal = number.normalize()
    adjusted = normal.adjusted()
    if -5 <= adjusted < 9:
        return format(normal, "f")
    return format(normal, "e").replace("e+", "e")


def _rounded(number: Decimal, place: int) -> Decimal:
    """``number`` rounded to the decimal place 10**place."""
    unit = Decimal(1).scaleb(place)
    return (number / unit).quantize(Decimal(1), rounding=ROUND_HALF_EVEN) * unit


def _decimal(value: float) -> Decimal:
    """The shortest decimal that reads back to ``value``."""
    return Decimal(repr(float(value)))


def _shown_unit(size: Decimal, unit: str, scale: bool) -> tuple[str, int]:
    """Unit text and power of ten in which a number of this ``size`` is shown."""
    prefixes = _SHOWN_PREFIXES.get(unit)
    if prefixes is None:
        return unit, 0
    if len(prefixes) == 1 or not scale or size == 0:
        return unit, prefixes[unit]
    fitting = [item for item in prefixes.items() if size >= Decimal(1).scaleb(item[1])]
    if fitting:
        return max(fitting, key=lambda item: item[1])
    return min(prefixes.items(), key=lambda item: item[1])


def format_quantity(
    value: float, unit: str, *, digits: int | None = None, scale: bool = True
) -> str:
    """Text such as "2.228 um" or "868.09 MHz" for a value in an SI unit.

    Parameters
    ----------
    value : in ``unit``; for "%" and "ppm" a fraction.
    unit : "m", "Hz", "s", "ohm", "F", "H", "F/m", "S", ... get an engineering prefix; "%" and
        "ppm" scale a fraction; any other unit is appended as it is; "" appends nothing.
    digits : significant digits; left out, as many as read back to the same float.
    scale : False keeps ``unit`` itself.
    """
    if not math.isfinite(value):
        return "not known"
    number = _decimal(value)
    if digits is not None and number:
        number = _rounded(number, number.adjusted() - digits + 1)
    name, power = _shown_unit(abs(number), unit, scale)
    return f"{plain_digits(number.scaleb(-power))} {name}".rstrip()


def format_pair(
    value: float,
    uncertainty: float | None,
    unit: str,
    *,
    digits: int = 6,
    size: float | None = None,
) -> tuple[str, str, str]:
    """Texts of value, uncertainty and unit; the uncertainty sets the digits of both.

    The uncertainty keeps one significant digit, two when the first is 1; the value stops at the
    same decimal place. Without an uncertainty (None, zero or not finite) the value keeps
    ``digits`` significant digits and the second text is empty. ``size`` chooses the prefix and
    the digits in place of the value, so that the two parts of a complex number agree.
    """
    if not math.isfinite(value):
        return "not known", "", _shown_unit(Decimal(0), unit, False)[0]
    number = _decimal(value)
    scale = abs(number) if size is None else _decimal(abs(size))
    if uncertainty is None or not math.isfinite(uncertainty) or uncertainty <= 0:
        if scale:
            scale = _rounded(scale, scale.adjusted() - digits + 1)
            number = _rounded(number, scale.adjusted() - digits + 1)
        name, power = _shown_unit(scale, unit, True)
        return plain_digits(number.scaleb(-power)), "", name
    error = _decimal(uncertainty)
    error = _rounded(error, error.adjusted() - 1)
    place = error.adjusted() - (1 if error.normalize().as_tuple().digits[0] == 1 else 0)
    error, number = _rounded(error, place), _rounded(number, place)
    name, power = _shown_unit(max(scale, error), unit, True)
    places = max(0, power - place)
    texts = [f"{part.scaleb(-power):.{places}f}" for part in (number, error)]
    if number == 0:
        texts[0] = texts[0].lstrip("-")
    return texts[0], texts[1], name


def format_uncertain(value: float, uncertainty: float | None, unit: str, *, digits: int = 6) -> str:
    """Text such as "3875.71 ± 0.04 m/s" or "868.088 ± 0.009 MHz"; see ``format_pair``."""
    if not math.isfinite(value):
        return "not known"
    number, error, name = format_pair(value, uncertainty, unit, digits=digits)
    if error:
        number = f"{number} ± {error}"
    return f"{number} {name}".rstrip()
