"""Rules for lists and tables of a case, made of the rules for single values in rules.py."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic_core import CoreSchema, core_schema

from sawfem.case.rules import IntegerRule, QuantityRule, RefusedError, Rule
from sawfem.errors import nearest
from sawfem.units import is_number, shown


@dataclass(frozen=True)
class ListRule(Rule):
    """A list of ``least`` to ``most`` items; with ``single``, one item may stand alone."""

    item: Rule
    least: int
    most: int
    what: str
    single: bool = False

    def check(self, value: Any) -> Any:
        """Refuse what is no such list; an item's own message names its place."""
        if not isinstance(value, list | tuple):
            if self.single:
                return self.item.check(value)
            raise RefusedError(shown(value), self.what)
        if not self.least <= len(value) <= self.most:
            raise RefusedError(shown(value), self.what)
        for index, item in enumerate(value):
            try:
                self.item.check(item)
            except RefusedError as refused:
                suffix = f"[{index}]{refused.suffix}"
                raise RefusedError(refused.found, refused.expected, suffix, refused.error) from None
        return value

    def schema(self) -> dict[str, Any]:
        """An array, or the item alone."""
        array = {
            "type": "array",
            "items": self.item.schema(),
            "minItems": self.least,
            "maxItems": self.most,
            "description": self.what,
        }
        return {"anyOf": [self.item.schema(), array]} if self.single else array


@dataclass(frozen=True)
class ConstantsRule(Rule):
    """A table of constants by name, such as { c11 = 203.0 }.

    ``sourced`` : source and mark may stand among them. ``or_number`` : or a number alone.
    """

    sourced: bool = False
    or_number: bool = False

    def check(self, value: Any) -> Any:
        """Refuse what is no table of finite numbers."""
        if self.or_number and is_number(value):
            return value
        if not isinstance(value, dict):
            expected = "a table of constants, such as { c11 = 203.0 }"
            if self.or_number:
                expected = "a number, or a table { value = 0.001, source = .., mark = .. }"
            raise RefusedError(shown(value), expected)
        for name, number in value.items():
            if self.sourced and name in ("source", "mark") and isinstance(number, str):
                continue
            if not is_number(number):
                raise RefusedError(shown(number), "a finite number", f".{name}")
        return value

    def schema(self) -> dict[str, Any]:
        """An object of numbers."""
        table: dict[str, Any] = {"type": "object", "additionalProperties": {"type": "number"}}
        if self.sourced:
            table["properties"] = {"source": {"type": "string"}, "mark": {"type": "string"}}
        return {"anyOf": [{"type": "number"}, table]} if self.or_number else table


@dataclass(frozen=True)
class ImpedanceRule(Rule):
    """A resistance above zero, or [resistance, reactance]."""

    def check(self, value: Any) -> Any:
        """Refuse what is no impedance of a passive termination."""
        resistance = QuantityRule("resistance", "impedance")
        if not isinstance(value, list | tuple):
            return resistance.check(value)
        if len(value) != 2:
            raise RefusedError(shown(value), "two parts, resistance and reactance")
        ListRule(QuantityRule("resistance", "reactance"), 2, 2, "two parts").check(value)
        try:
            resistance.check(value[0])
        except RefusedError as refused:
            raise RefusedError(refused.found, refused.expected, "[0]", refused.error) from None
        return value

    def schema(self) -> dict[str, Any]:
        """One quantity or two."""
        one = QuantityRule("resistance", "impedance").schema()
        return {"anyOf": [one, {"type": "array", "items": one, "minItems": 2, "maxItems": 2}]}


@dataclass(frozen=True)
class CountsRule(Rule):
    """A list of counts, or a table { from = 40, to = 400, points = 10 } of equal steps."""

    item: Rule
    most: int = 200

    def check(self, value: Any) -> Any:
        """Refuse what is neither; counts rise from the first to the last."""
        what = "a list of rising counts, or a table such as { from = 40, to = 400, points = 10 }"
        if not isinstance(value, dict):
            ListRule(self.item, 1, self.most, what).check(value)
            if any(b <= a for a, b in pairwise(value)):
                raise RefusedError(shown(value), what)
            return value
        for key in value:
            if key not in _SPAN:
                near = nearest(key, _SPAN, 1)
                hint = f"nearest: {near[0]}" if near else f"one of {', '.join(_SPAN)}"
                raise RefusedError("an unknown key", f"a key of the counts, {hint}", f".{key}")
        for key in _SPAN:
            if key not in value:
                raise RefusedError("nothing", what, f".{key}")
            rule = IntegerRule(2, self.most, what="a count of points")
            try:
                (rule if key == "points" else self.item).check(value[key])
            except RefusedError as refused:
                raise RefusedError(refused.found, refused.expected, f".{key}") from None
        if value["to"] <= value["from"]:
            raise RefusedError(f"{value['to']}, not above from", "a count above from", ".to")
        return value

    def schema(self) -> dict[str, Any]:
        """An array of counts, or an object of three."""
        items = self.item.schema()
        span = dict.fromkeys(_SPAN, items)
        table = {"type": "object", "properties": span, "required": list(_SPAN)}
        array = {"type": "array", "items": items, "minItems": 1, "maxItems": self.most}
        return {"anyOf": [array, {**table, "additionalProperties": False}]}


#: Keys of a span of counts.
_SPAN = ("from", "to", "points")


@dataclass(frozen=True)
class OneOrMany:
    """A list of tables that a single table may stand for: [grating] and [[grating]]."""

    most: int = 200

    def __get_pydantic_core_schema__(
        self, source: Any, handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        return core_schema.no_info_before_validator_function(self._listed, handler(source))

    def __get_pydantic_json_schema__(
        self, schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        many = handler(schema)
        return {"anyOf": [many["items"], many]}

    def _listed(self, value: Any) -> Any:
        if isinstance(value, dict):
            return [value]
        if isinstance(value, list | tuple) and len(value) > self.most:
            raise RefusedError(f"{len(value)} tables", f"at most {self.most}")
        return value
