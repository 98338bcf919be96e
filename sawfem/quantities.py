"""The one table of quantities, read from quantities.toml, and values that print themselves.

JSON keys are the name and the suffix of its unit ("velocity" -> "velocity_m_per_s"); HDF5 names
and Python attributes are the bare name, with the unit beside it as an attribute.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from sawfem.errors import NotFoundError, nearest
from sawfem.unittext import format_pair, format_uncertain

_FORMS = ("real", "complex", "pair", "text")


@dataclass(frozen=True)
class QuantityEntry:
    """One row of the table.

    Attributes
    ----------
    name : the HDF5 name and Python attribute, for example "velocity".
    label, symbol : words for a table row, and the symbol of the equations.
    unit : SI unit of the stored value; "" for a pure number, "text" for a word.
    form : "real", "complex", "pair" (lower, upper) or "text".
    show : unit in which tables print it, for example "%".
    suffix : what the JSON key adds to the name.
    definition, sign, normalisation : sentences; the last two may be empty.
    """

    name: str
    label: str
    symbol: str
    unit: str
    form: str
    show: str
    suffix: str
    definition: str
    sign: str
    normalisation: str

    @property
    def json_key(self) -> str:
        """Name with the suffix of the unit: "velocity_m_per_s"."""
        return self.name + self.suffix

    def axis_label(self, unit: str | None = None) -> str:
        """Text for an axis: "frequency f (MHz)"; ``unit`` replaces the one of tables."""
        told = self.label.endswith(f"({self.symbol})")  # a label that ends with its symbol
        words = self.label if told else f"{self.label} {self.symbol}".rstrip()
        shown_unit = self.show if unit is None else unit
        return f"{words} ({shown_unit})" if shown_unit and shown_unit != "text" else words

    def attributes(self) -> dict[str, str]:
        """HDF5 attributes: unit, symbol, long_name, definition, and sign and normalisation."""
        found = {
            "unit": "" if self.unit == "text" else self.unit,
            "symbol": self.symbol,
            "long_name": self.label,
            "definition": self.definition,
            "sign": self.sign,
            "normalisation": self.normalisation,
        }
        return {key: text for key, text in found.items() if text or key == "unit"}

    def json_schema(self) -> dict[str, Any]:
        """JSON Schema of the value; null is allowed, its reason stands under "reasons"."""
        description = " ".join(filter(None, (self.definition, self.sign, self.normalisation)))
        number: dict[str, Any] = {"type": ["number", "null"]}
        if self.form == "text":
            schema: dict[str, Any] = {"type": ["string", "null"]}
        elif self.form == "real":
            schema = dict(number)
        else:
            schema = {"type": ["array", "null"], "items": number, "minItems": 2, "maxItems": 2}
            if self.form == "pair":  # an edge above the bulk onset is complex
                complex_edge = {"type": "array", "items": number, "minItems": 2, "maxItems": 2}
                schema["items"] = {"anyOf": [number, complex_edge]}
        return {"title": self.label, "description": description, **schema}


@cache
def _content() -> dict[str, Any]:
    path = Path(__file__).with_name("quantities.toml")
    return tomllib.loads(path.read_text(encoding="utf-8"))


@cache
def table() -> Mapping[str, QuantityEntry]:
    """The whole table, by name, in the order of the file."""
    entries: dict[str, QuantityEntry] = {}
    for name, row in _content()["quantity"].items():
        form = row.get("form", "real")
        if form not in _FORMS:
            raise ValueError(f"quantities.toml: {name}.form is {form!r}")
        entries[name] = QuantityEntry(
            name=name,
            label=row["label"],
            symbol=row["symbol"],
            unit=row["unit"],
            form=form,
            show=row.get("show", row["unit"]),
            suffix=suffixes()[row["unit"]],
            definition=row["definition"],
            sign=row.get("sign", ""),
            normalisation=row.get("normalisation", ""),
        )
    return entries


@cache
def suffixes() -> Mapping[str, str]:
    """The closed list of units and their JSON suffixes."""
    found: dict[str, str] = _content()["suffix"]
    return found


def entry(name: str) -> QuantityEntry:
    """The row of ``name``. Raises NotFoundError with the nearest names."""
    try:
        return table()[name]
    except KeyError:
        near = nearest(name, table())
        raise NotFoundError(
            found=f'"{name}", an unknown quantity',
            expected=f"a quantity, nearest: {', '.join(near)}" if near else "a quantity",
        ) from None


def json_key(name: str) -> str:
    """JSON key of a quantity: "velocity" -> "velocity_m_per_s". Raises NotFoundError."""
    return entry(name).json_key


@cache
def _names_by_key() -> Mapping[str, str]:
    return {row.json_key: name for name, row in table().items()}


def name_of_key(key: str) -> str:
    """Quantity behind a JSON key: "velocity_m_per_s" -> "velocity". Raises NotFoundError."""
    try:
        return _names_by_key()[key]
    except KeyError:
        near = nearest(key, _names_by_key())
        raise NotFoundError(
            found=f'"{key}", an unknown key',
            expected=f"a key of a quantity, nearest: {', '.join(near)}" if near else "a quantity",
        ) from None


@dataclass(frozen=True)
class Quantity:
    """A value with its numerical uncertainty and unit; prints itself: 3875.71 ± 0.04 m/s.

    Attributes
    ----------
    value : in ``unit``; NaN where it is not known. A complex one prints both parts, or the real
        part alone where the other rounds to zero.
    uncertainty : absolute, same unit, numerical error alone; None where it was not computed.
    unit : SI unit, "" for a pure number.
    name : its row in the table of quantities, or "". A known name decides how it prints.
    """

    value: float | complex
    uncertainty: float | None = None
    unit: str = ""
    name: str = ""

    @classmethod
    def of(cls, name: str, value: float | complex, uncertainty: float | None = None) -> Quantity:
        """A quantity of the table, with the unit it has there. Raises NotFoundError."""
        return cls(value, uncertainty, entry(name).unit, name)

    @property
    def known(self) -> bool:
        """Whether the value is a finite number."""
        value = complex(self.value)
        return math.isfinite(value.real) and math.isfinite(value.imag)

    @property
    def show(self) -> str:
        """Unit in which tables print it."""
        return table()[self.name].show if self.name in table() else self.unit

    def parts(self) -> tuple[str, str, str]:
        """Texts of value, uncertainty and unit for the columns of a table."""
        if not self.known:
            return "not known", "", self.show
        if isinstance(self.value, complex):
            return _complex_parts(self.value, self.uncertainty, self.show)
        return format_pair(float(self.value), self.uncertainty, self.show)

    def __str__(self) -> str:
        if not self.known:
            return "not known"
        if not isinstance(self.value, complex):
            return format_uncertain(float(self.value), self.uncertainty, self.show)
        number, error, unit = self.parts()
        middle = f" ± {error}" if error else ""
        return f"{number}{middle} {unit}".rstrip()

    def __float__(self) -> float:
        if isinstance(self.value, complex):
            raise TypeError(f"{self.name or 'this quantity'} is complex; take .value")
        return float(self.value)


def _complex_parts(value: complex, uncertainty: float | None, unit: str) -> tuple[str, str, str]:
    """Both parts to the digits that the uncertainty allows; one alone where the other is zero."""
    size = max(abs(value.real), abs(value.imag))
    real, error, name = format_pair(value.real, uncertainty, unit, size=size)
    imaginary, _, _ = format_pair(value.imag, uncertainty, unit, size=size)
    if float(imaginary) == 0:
        return real, error, name
    sign = "-" if imaginary.startswith("-") else "+"
    return f"{real} {sign} {imaginary.lstrip('-')}j", error, name


def json_safe(value: Any) -> Any:
    """``value`` with what JSON cannot hold replaced.

    NaN and infinity become None (write the reason beside it), a complex number [real, imaginary],
    a Quantity its value, arrays and tuples lists, paths text with "/".
    """
    if value is None or isinstance(value, str | bool | int):
        return value
    if isinstance(value, Quantity):
        return json_safe(value.value)
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    if isinstance(value, complex):
        if not (math.isfinite(value.real) and math.isfinite(value.imag)):
            return None
        return [float(value.real), float(value.imag)]
    if isinstance(value, Mapping):
        return {str(key): json_safe(item) for key, item in value.items()}
    if isinstance(value, Path):
        return value.as_posix()
    if hasattr(value, "tolist"):  # NumPy arrays and scalars, without importing NumPy
        return json_safe(value.tolist())
    if isinstance(value, Iterable):
        return [json_safe(item) for item in value]
    raise TypeError(f"no JSON for {type(value).__name__}")


def to_json(values: Mapping[str, Any]) -> dict[str, Any]:
    """Object of JSON keys and JSON-safe values from values by quantity name.

    Raises NotFoundError for a name that is not in the table.
    """
    return {json_key(name): json_safe(value) for name, value in values.items()}
