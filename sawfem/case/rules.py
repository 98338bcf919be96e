"""Rules for single values of a case: each says what was found and what would do.

The rules are annotations of the models in schema.py, by the names in fields.py. They check a
value and keep it as its writer wrote it; SI numbers are made in resolve.py, after edits, ``like``
and wavelengths.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic_core import CoreSchema, core_schema

from sawfem.errors import SawfemError, UnitError, nearest
from sawfem.units import (
    BASE_UNIT,
    UNITS,
    WAVELENGTH,
    WINDOWS,
    is_number,
    is_relative,
    parse_quantity,
    shown,
)

#: Largest count of fingers, points or samples that a case may ask for.
LARGEST_COUNT = 1_000_000


class RefusedError(ValueError):
    """A value that a rule refuses. ``suffix`` is the rest of its key path, such as "[1]"."""

    def __init__(
        self, found: str, expected: str, suffix: str = "", error: type[SawfemError] | None = None
    ) -> None:
        super().__init__(found)
        self.found = found
        self.expected = expected
        self.suffix = suffix
        self.error = error


class Rule:
    """Base of the rules: ``check`` for values, ``schema`` for JSON Schema."""

    def check(self, value: Any) -> Any:
        """Return ``value`` unchanged or raise RefusedError."""
        raise NotImplementedError

    def schema(self) -> dict[str, Any]:
        """JSON Schema of what ``check`` accepts."""
        raise NotImplementedError

    def __get_pydantic_core_schema__(
        self, source: Any, handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(self.check)

    def __get_pydantic_json_schema__(
        self, schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        return self.schema()


@dataclass(frozen=True)
class QuantityRule(Rule):
    """Text with a unit, or a number in the base unit; ``window`` is a name in WINDOWS."""

    kind: str
    window: str
    relative: bool = False

    def check(self, value: Any) -> Any:
        """Refuse what is no quantity of this kind, or outside the window.

        Lengths in wavelengths wait for their grating.
        """
        if self.relative and is_relative(value):
            return value
        try:
            wavelength = 1.0 if self.relative else None
            parse_quantity(value, self.kind, window=self.window, wavelength=wavelength)
        except UnitError as error:
            raise RefusedError(error.found or "", error.expected or "", error=UnitError) from None
        return value

    def schema(self) -> dict[str, Any]:
        """A text or, but for temperatures, a number."""
        units = [unit for unit in UNITS[self.kind] if self.relative or unit != WAVELENGTH]
        text = {
            "type": "string",
            "pattern": r"^\s*[+-]?([0-9]+(\.[0-9]*)?|\.[0-9]+)([eE][+-]?[0-9]+)?\s*[^\s0-9]\S*\s*$",
            "examples": [WINDOWS[self.window].example],
        }
        described = f"{self.kind}, {WINDOWS[self.window]}: a text with one of {', '.join(units)}"
        if self.kind == "temperature":
            return {**text, "description": described}
        base = BASE_UNIT[self.kind] or "a fraction"
        return {
            "anyOf": [text, {"type": "number"}],
            "description": f"{described}; or a number in {base}",
        }


@dataclass(frozen=True)
class IntegerRule(Rule):
    """A whole number, both ends included; true and 2.0 are none."""

    low: int
    high: int = LARGEST_COUNT
    what: str = "a whole number"

    def check(self, value: Any) -> Any:
        """Refuse what is no integer within the ends."""
        if not isinstance(value, int) or isinstance(value, bool):
            raise RefusedError(shown(value), f"{self.what}, {self.low} or more")
        if not self.low <= value <= self.high:
            raise RefusedError(shown(value), f"{self.what}, {self.low} to {self.high}")
        return value

    def schema(self) -> dict[str, Any]:
        """An integer with its ends."""
        return {"type": "integer", "minimum": self.low, "maximum": self.high}


@dataclass(frozen=True)
class NumberRule(Rule):
    """A plain finite number strictly between two ends, or with ends where ``closed``."""

    low: float
    high: float
    what: str
    closed: bool = False

    def check(self, value: Any) -> Any:
        """Refuse what is no finite number between the ends."""
        inside = is_number(value) and (
            self.low <= value <= self.high if self.closed else self.low < value < self.high
        )
        if not inside:
            raise RefusedError(shown(value), self.what)
        return value

    def schema(self) -> dict[str, Any]:
        """A number with its ends."""
        low, high = (
            ("minimum", "maximum") if self.closed else ("exclusiveMinimum", "exclusiveMaximum")
        )
        return {"type": "number", low: self.low, high: self.high, "description": self.what}


@dataclass(frozen=True)
class FractionRule(Rule):
    """A fraction strictly between two ends, as a number or in per cent."""

    low: float
    high: float
    example: str

    def check(self, value: Any) -> Any:
        """Refuse what is no fraction between the ends."""
        expected = f"a fraction above {self.low:g} and below {self.high:g}, for example " + (
            self.example
        )
        try:
            fraction = parse_quantity(value, "ratio")
        except UnitError as error:
            if isinstance(value, str):
                raise RefusedError(
                    error.found or "", error.expected or "", error=UnitError
                ) from None
            raise RefusedError(shown(value), expected) from None
        if not self.low < fraction < self.high:
            raise RefusedError(shown(value), expected)
        return value

    def schema(self) -> dict[str, Any]:
        """A number or a text in per cent."""
        number = {"type": "number", "exclusiveMinimum": self.low, "exclusiveMaximum": self.high}
        return {"anyOf": [number, {"type": "string", "pattern": "^.*(%|ppm)\\s*$"}]}


@dataclass(frozen=True)
class TextRule(Rule):
    """A text that is not blank; with ``pattern``, one that it matches."""

    what: str
    pattern: str = ""
    longest: int = 200

    def check(self, value: Any) -> Any:
        """Refuse what is no such text."""
        good = isinstance(value, str) and value.strip() and len(value) <= self.longest
        if good and not value.isprintable():
            raise RefusedError("a text with control characters", self.what)
        if not good or (self.pattern and not re.fullmatch(self.pattern, value)):
            raise RefusedError(shown(value), self.what)
        return value

    def schema(self) -> dict[str, Any]:
        """A string, with its pattern."""
        found: dict[str, Any] = {
            "type": "string",
            "minLength": 1,
            "maxLength": self.longest,
            "description": self.what,
        }
        if self.pattern:
            found["pattern"] = f"^({self.pattern})$"
        return found


@dataclass(frozen=True)
class ChoiceRule(Rule):
    """One of a few words."""

    options: tuple[str, ...]

    def check(self, value: Any) -> Any:
        """Refuse other words, with the nearest."""
        if value not in self.options or not isinstance(value, str):
            listed = " or ".join(f'"{option}"' for option in self.options)
            near = nearest(value, self.options, 1) if isinstance(value, str) else []
            hint = f", nearest: {near[0]}" if near and len(self.options) > 2 else ""
            raise RefusedError(shown(value), listed + hint)
        return value

    def schema(self) -> dict[str, Any]:
        """The words."""
        return {"type": "string", "enum": list(self.options)}


@dataclass(frozen=True)
class FlagRule(Rule):
    """true or false."""

    def check(self, value: Any) -> Any:
        """Refuse every other value, 0 and 1 among them."""
        if not isinstance(value, bool):
            raise RefusedError(shown(value), "true or false")
        return value

    def schema(self) -> dict[str, Any]:
        """A boolean."""
        return {"type": "boolean"}


@dataclass(frozen=True)
class ExactlyRule(Rule):
    """One fixed integer, such as the version of the format."""

    number: int

    def check(self, value: Any) -> Any:
        """Refuse every other value."""
        if isinstance(value, bool) or value != self.number or not isinstance(value, int):
            raise RefusedError(
                shown(value), f"{self.number}, the version of case files that this program reads"
            )
        return value

    def schema(self) -> dict[str, Any]:
        """The integer."""
        return {"const": self.number}


@dataclass(frozen=True)
class ValueRule(Rule):
    """A number or a text that another key will understand: values of a sweep."""

    def check(self, value: Any) -> Any:
        """Refuse tables, lists, true and false, NaN and infinity."""
        if isinstance(value, str) or is_number(value):
            return value
        raise RefusedError(shown(value), "a number or a text with a unit")

    def schema(self) -> dict[str, Any]:
        """A number or a string."""
        return {"type": ["number", "string"]}
