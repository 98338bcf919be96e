"""Axes of a sweep: the values that a key path takes, as the case writes them and as numbers.

    values = [...]                      as they stand
    from, to, points                    evenly spaced, or by equal factors with spacing = "log"
    together = "label"                  axes of one label move as one (a zip)

A length in wavelengths stays one, since the pitch may move as well. Other quantities become
numbers of the unit in which the key takes bare numbers.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sawfem.case.keykinds import base_unit_at, counts_at, kind_at
from sawfem.errors import CaseError, SawfemError
from sawfem.units import WAVELENGTH, is_number, is_relative, parse_quantity, shown
from sawfem.windows import WINDOWS, Window

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class SweepAxis:
    """One axis.

    Attributes
    ----------
    key : the key path that moves.
    unit : of ``numbers``: "m", "deg", "wavelength", "degC", ...; "" for pure numbers and words.
    values : what is put into the case, point by point of the axis.
    numbers : the same as numbers in ``unit``; NaN where the values are words.
    together : label of the zip it moves in, or "".
    """

    key: str
    unit: str
    values: tuple[Any, ...]
    numbers: Array
    together: str = ""

    def __len__(self) -> int:
        return len(self.values)

    @property
    def is_words(self) -> bool:
        """Whether the values are names rather than numbers."""
        return bool(np.all(np.isnan(self.numbers)))


@dataclass(frozen=True)
class AxisSpan:
    """An axis before its points are chosen: a list, or two ends.

    ``low``, ``high`` in ``unit``; ``listed`` holds the values of a list and is empty for ends.
    """

    key: str
    unit: str
    low: float
    high: float
    points: int
    log: bool
    whole: bool
    listed: tuple[Any, ...]
    together: str

    def __len__(self) -> int:
        return len(self.listed) if self.listed else self.points

    def spread(self) -> SweepAxis:
        """The axis at its own points."""
        if self.listed:
            return self._axis(self.listed)
        return self.at(np.linspace(0.0, 1.0, self.points))

    def at(self, shares: Sequence[float] | Array) -> SweepAxis:
        """The axis at shares of its way, 0 to 1; of a list, the member in that share."""
        t = np.asarray(shares, dtype=float)
        if self.listed:
            places = np.minimum((t * len(self.listed)).astype(int), len(self.listed) - 1)
            return self._axis(tuple(self.listed[place] for place in places))
        if self.log:
            ratio = math.log(self.high / self.low)
            numbers = self.low * np.exp(ratio * t)
        else:
            numbers = self.low + (self.high - self.low) * t
        # Ends exactly as they were written.
        numbers = np.where(t == 1.0, self.high, numbers)
        return self._axis(tuple(self.written(float(number)) for number in numbers))

    def written(self, number: float) -> Any:
        """A number in ``unit`` as the case takes it."""
        if self.whole:
            return round(number)
        if self.unit in (WAVELENGTH, "degC"):
            return f"{number!r} {self.unit}"
        return number

    def _axis(self, values: tuple[Any, ...]) -> SweepAxis:
        numbers = np.array([_number(value, self.key, self.unit) for value in values])
        return SweepAxis(self.key, self.unit, values, numbers, self.together)


def axis_span(table: Mapping[str, Any], place: str, file: str | None) -> AxisSpan:
    """One [[sweep.axis]] table, whose key and ends the case has tried already.

    Parameters
    ----------
    place : the key of the table in messages, such as "sweep.axis[0]".

    Raises
    ------
    CaseError : ends that do not go together, logarithmic steps through zero, a name as an end.
    """
    key = str(table["key"])
    log, together = table.get("spacing") == "log", str(table.get("together", ""))
    if "values" in table:
        listed = tuple(table["values"])
        relative = [is_relative(value) for value in listed]
        if any(relative) and not all(relative):
            raise CaseError(
                file=file,
                key=f"{place}.values",
                found="lengths with and without the unit wavelength",
                expected="one or the other",
            )
        unit = WAVELENGTH if any(relative) else base_unit_at(key)
        return AxisSpan(key, unit, 0.0, 0.0, 0, False, False, listed, together)
    ends = (table["from"], table["to"])
    if is_relative(ends[0]) != is_relative(ends[1]):
        raise CaseError(
            file=file,
            key=f"{place}.to",
            found=f"{shown(ends[1])} after from = {shown(ends[0])}",
            expected="both ends in wavelengths, or neither",
        )
    unit = WAVELENGTH if is_relative(ends[0]) else base_unit_at(key)
    low, high = (_number(end, key, unit) for end in ends)
    for name, number, end in (("from", low, ends[0]), ("to", high, ends[1])):
        if math.isnan(number):
            raise CaseError(
                file=file,
                key=f"{place}.{name}",
                found=f"{shown(end)}, no number",
                expected='a number or a quantity; words stand in a list: values = ["...", "..."]',
            )
    if log and not low * high > 0.0:
        raise CaseError(
            file=file,
            key=f"{place}.spacing",
            found=f'"log" from {shown(ends[0])} to {shown(ends[1])}',
            expected="ends of the same sign and not zero, or linear spacing",
        )
    whole = counts_at(key)
    return AxisSpan(key, unit, low, high, int(table.get("points", 0)), log, whole, (), together)


def _number(value: Any, key: str, unit: str) -> float:
    """A value of an axis in the unit of the axis; NaN for words."""
    if is_number(value):
        return float(value)
    if not isinstance(value, str):
        return math.nan
    kind = kind_at(key)
    if kind is None:
        return math.nan
    wide = Window(kind, -math.inf, math.inf, WINDOWS[kind].example)
    try:
        wavelength = 1.0 if unit == WAVELENGTH else None
        return parse_quantity(value, kind, window=wide, wavelength=wavelength)
    except SawfemError:
        return math.nan
