"""Axes of [sweep] and [map], spreads of [yield]: their keys must lead somewhere."""

from __future__ import annotations

import copy
from collections.abc import Callable, Iterator
from typing import Any

from sawfem.case.keypath import get_value, set_value
from sawfem.case.messages import user_path
from sawfem.errors import CaseError, SawfemError
from sawfem.units import parse_frequency, shown

#: Tables that ask for many variants of a case, and are no part of one.
STUDIES = ("sweep", "map", "yield")

#: Key of a map's axis for the frequency of its plane waves, which no other table holds.
FREQUENCY_KEYS = ("frequency", "map.frequency")


def check_axes(
    written: dict[str, Any], resolve: Callable[[dict[str, Any]], object], file: str | None
) -> None:
    """Try the first and last value of every axis on a copy of the case.

    Raises CaseError that names the axis and says what its key or value came to.
    """
    bare = {key: value for key, value in written.items() if key not in STUDIES}
    for study in ("sweep", "map"):
        sampled = written.get(study, {}).get("sample", "grid") != "grid"
        for index, axis in _members(written.get(study, {}), "axis"):
            location = (study, "axis", index)
            for key, value in _ends(axis, user_path(written, location), file, sampled):
                trial = copy.deepcopy(bare)
                if study == "map" and axis["key"] in FREQUENCY_KEYS:
                    parse_frequency(value, key=user_path(written, (*location, key)), file=file)
                    continue
                try:
                    set_value(trial, axis["key"], value, file=file)
                    resolve(trial)
                except SawfemError as error:
                    lost = error.key == axis["key"] and error.found == "an unknown key"
                    place = user_path(written, (*location, "key" if lost else key))
                    raise _told(error, place, axis["key"], value, file) from None
    for index, spread in _members(written.get("yield", {}), "spread"):
        try:
            get_value(bare, spread["key"], file=file)
        except SawfemError as error:
            place = user_path(written, ("yield", "spread", index, "key"))
            raise _told(error, place, spread["key"], None, file) from None


def _members(table: dict[str, Any], key: str) -> Iterator[tuple[int, dict[str, Any]]]:
    members = table.get(key, [])
    yield from enumerate(members if isinstance(members, list) else [members])


def _ends(
    axis: dict[str, Any], place: str, file: str | None, sampled: bool
) -> list[tuple[str, Any]]:
    """Keys and values of the ends of an axis: a list, or from, to and, in a grid, points."""
    spanned = [key for key in ("from", "to", "points") if key in axis]
    if "values" in axis and spanned:
        raise CaseError(
            file=file,
            key=f"{place}.{spanned[0]}",
            found=f"values and {spanned[0]}",
            expected="either values, or from, to and points",
        )
    if "values" in axis:
        return [("values", axis["values"][0]), ("values", axis["values"][-1])]
    for key in ("from", "to") if sampled else ("from", "to", "points"):
        if key not in axis:
            raise CaseError(
                file=file,
                key=f"{place}.{key}",
                found="nothing",
                expected="either values, or from, to and points",
            )
    return [("from", axis["from"]), ("to", axis["to"])]


def _told(error: SawfemError, place: str, path: str, value: Any, file: str | None) -> SawfemError:
    """The error of a trial, told at the axis."""
    found = error.found or error.message
    if error.key == path and found == "an unknown key":
        found = f"{shown(path)}, {found}"
    elif value is not None:
        found = f"{path} = {shown(value)}: {found}"
    return type(error)(file=file, key=place, found=found, expected=error.expected)
