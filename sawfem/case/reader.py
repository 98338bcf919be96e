"""Reading one table of a case into SI, with the user's own key in every message."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sawfem.case.messages import Location, table_header, user_path
from sawfem.errors import CaseError, SawfemError, UnitError, nearest
from sawfem.units import WINDOWS, is_relative, parse_quantity, shown


@dataclass(frozen=True)
class Place:
    """Where messages point: the data as they were written, and the name of the file."""

    written: Mapping[str, Any]
    file: str | None

    def refuse(self, location: Location, found: str, expected: str) -> CaseError:
        """The error of a mistake at a location."""
        key = user_path(self.written, location)
        return CaseError(file=self.file, key=key, found=found, expected=expected)


@dataclass(frozen=True)
class Reader:
    """One table, its location, and where messages point."""

    table: Mapping[str, Any]
    location: tuple[str | int, ...]
    place: Place

    def __contains__(self, key: str) -> bool:
        return key in self.table

    def below(self, key: str) -> list[Reader]:
        """Readers of the tables in the list ``key``."""
        return [
            Reader(item, (*self.location, key, index), self.place)
            for index, item in enumerate(self.table.get(key, ()))
        ]

    def key(self, key: str) -> str:
        """Key path of a key of this table, as the user would write it."""
        return user_path(self.place.written, (*self.location, key))

    def refuse(self, key: str, found: str, expected: str) -> CaseError:
        """The error of a mistake at a key of this table."""
        return self.place.refuse((*self.location, key), found, expected)

    def missing(self, key: str, expected: str = "") -> CaseError:
        """The error of a key that must be there."""
        header = table_header(self.place.written, self.location)
        return self.refuse(key, "nothing", expected or f"the key {key} of {header}")

    def need(self, key: str, example: str = "") -> Any:
        """The value of a key that must be there."""
        if key not in self.table:
            raise self.missing(key, f"a value, for example {example}" if example else "")
        return self.table[key]

    def _parsed(
        self,
        key: str,
        value: Any,
        kind: str,
        window: str | None = None,
        wavelength: float | None = None,
    ) -> float:
        try:
            return parse_quantity(value, kind, window=window, wavelength=wavelength)
        except UnitError as error:
            raise error.located(file=self.place.file, key=self.key(key)) from None

    def length(
        self,
        key: str,
        window: str,
        *,
        wavelength: float | None = None,
        default: float | None = None,
    ) -> float:
        """A length in metres; without a ``default`` it must be there."""
        if key not in self.table and default is not None:
            return default
        value = self.need(key, shown(WINDOWS[window].example))
        if wavelength is None and is_relative(value):
            raise self.refuse(
                key,
                f"{shown(value)}, and no one wavelength that holds here",
                f"gratings of one pitch, or a length such as {shown(WINDOWS[window].example)}",
            )
        return self._parsed(key, value, "length", window, wavelength)

    def quantity(
        self, key: str, kind: str, *, window: str | None = None, default: float | None = None
    ) -> float:
        """A quantity of another kind in its base unit; without a ``default`` it must be there."""
        if key not in self.table and default is not None:
            return default
        value = self.need(key, shown(WINDOWS[window or kind].example))
        return self._parsed(key, value, kind, window)

    def several(self, key: str, kind: str, default: float) -> tuple[float, ...]:
        """One quantity or a list of them, in the base unit; ``default`` where the key is absent."""
        value = self.table.get(key, default)
        parts = value if isinstance(value, list) else [value]
        return tuple(parse_quantity(p, kind) if key in self.table else default for p in parts)

    def optional(self, key: str, kind: str, *, window: str | None = None) -> float | None:
        """A quantity, or None where the key is absent."""
        return self.quantity(key, kind, window=window) if key in self.table else None

    def ratio(self, key: str, example: str) -> float:
        """A fraction that must be there."""
        return self._parsed(key, self.need(key, example), "ratio")

    def angle(self, key: str, window: str, default: float) -> float:
        """An angle in degrees."""
        return self.quantity(key, "angle", window=window, default=default)

    def angles(self, key: str) -> tuple[float, ...]:
        """A list of angles in degrees, empty where the key is absent."""
        return tuple(parse_quantity(value, "angle") for value in self.table.get(key, ()))

    def impedance(self, key: str, default: complex = 50.0) -> complex:
        """An impedance in ohm: one quantity, or resistance and reactance."""
        if key not in self.table:
            return complex(default)
        value = self.table[key]
        parts = value if isinstance(value, list) else [value, 0.0]
        return complex(*(parse_quantity(p, "resistance", window="reactance") for p in parts))

    def reference(self, key: str, names: Mapping[str, Any], what: str) -> str:
        """The name at ``key``, which must be one of ``names``."""
        name = str(self.need(key))
        if name not in names:
            raise self.unknown(key, name, names, what)
        return name

    def unknown(self, key: str, name: str, names: Mapping[str, Any], what: str) -> CaseError:
        """The error of a name that is not there."""
        near = nearest(name, names, 1)
        listed = ", ".join(list(names)[:12]) or "none"
        hint = f"nearest: {near[0]}" if near else f"one of {listed}"
        return self.refuse(key, f'"{name}", an unknown {what}', f"a {what}, {hint}")


def located(error: SawfemError, file: str | None, key: str) -> SawfemError:
    """The same error at another key, with the file."""
    return type(error)(
        None if error.found else error.message,
        file=file,
        key=key,
        found=error.found,
        expected=error.expected,
    )


def top_width(width: float, thickness: float, sidewall_angle: float) -> float:
    """Width at the top of a trapezoid, m: w - 2 h / tan(angle), angle in degrees."""
    return width - 2.0 * thickness / math.tan(math.radians(sidewall_angle))
