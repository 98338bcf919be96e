"""Where a mistake stands, in the user's own words: locations of the schema -> keys of the file."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from sawfem.case.parts import DEVICE_KINDS
from sawfem.case.rules import RefusedError
from sawfem.case.tables import UnknownKeyError
from sawfem.errors import CaseError, SawfemError, nearest
from sawfem.units import shown

#: Names of tables and items of lists, from the root of the case.
Location = Sequence[str | int]

_BARE = re.compile(r"[A-Za-z0-9_-]{1,60}")
_NAME = re.compile(r"[a-z][a-z0-9-]{0,63}")


def key_text(key: str) -> str:
    """A key as it is shown: quoted where it is not bare, cut where it is long."""
    return key if _BARE.fullmatch(key) else shown(key[:60])


def user_path(data: Any, location: Location) -> str:
    """Key path of a location as the user would write it.

    A list that was written as one table has no index; members with a name go by it; the kind of
    a device is no part of the path.
    """
    node, path = data, ""
    for step in location:
        if isinstance(step, int):
            if isinstance(node, dict):
                continue
            node = node[step] if isinstance(node, list) and step < len(node) else None
            name = node.get("name") if isinstance(node, dict) else None
            named = isinstance(name, str) and _NAME.fullmatch(name)
            path += f".{name}" if named else f"[{step}]"
        else:
            missing = not (isinstance(node, dict) and step in node)
            if path == "device" and step in DEVICE_KINDS and missing:
                continue
            node = None if missing else node[step]
            path += f".{key_text(step)}" if path else key_text(step)
    return path


def table_header(data: Any, location: Location) -> str:
    """[grating] or [[grating.electrode]], as the table of a location was written."""
    names: list[str] = []
    node, listed = data, False
    for step in location:
        if isinstance(step, int):
            listed = isinstance(node, list)
            node = node[step] if isinstance(node, list) and step < len(node) else node
        elif names == ["device"] and step in DEVICE_KINDS:
            continue
        else:
            listed = False
            node = node.get(step) if isinstance(node, dict) else None
            names.append(key_text(step))
    if not names:
        return "a case file"
    return f"[[{'.'.join(names)}]]" if listed else f"[{'.'.join(names)}]"


def translate(error: ValidationError, data: Any, file: str | None) -> SawfemError:
    """The one error that helps most: an unknown key, else a bad value, else a missing key."""
    details = error.errors(include_url=False)
    return _translated(min(details, key=_rank), data, file)


def _rank(detail: ErrorDetails) -> int:
    if isinstance(_cause(detail), UnknownKeyError):
        return 0
    return 2 if detail["type"] == "missing" else 1


def _cause(detail: ErrorDetails) -> object:
    return detail.get("ctx", {}).get("error")


def _translated(detail: ErrorDetails, data: Any, file: str | None) -> SawfemError:
    """One mistake that the schema found, in the words of a case file."""
    location = detail["loc"]
    key = user_path(data, location)
    cause = _cause(detail)
    if isinstance(cause, RefusedError):
        suffix = _suffix(cause.suffix)
        key = (key + suffix).lstrip(".")
        expected = cause.expected.replace("{table}", table_header(data, location))
        return (cause.error or CaseError)(file=file, key=key, found=cause.found, expected=expected)
    kind = detail["type"]
    value = shown(detail["input"])
    if kind == "missing" and len(location) == 1:
        return missing_section(str(location[0]), file)
    if kind == "missing":
        table = table_header(data, location[:-1])
        return CaseError(
            file=file, key=key, found="nothing", expected=f"the key {location[-1]} of {table}"
        )
    if kind in {"union_tag_invalid", "union_tag_not_found"}:
        return _unknown_kind(detail["input"], key, file)
    if kind in {"model_type", "model_attributes_type", "dict_type"}:
        expected = f"a table {table_header(data, location)}"
    elif kind == "list_type":
        expected = f"tables [[{'.'.join(str(s) for s in location if isinstance(s, str))}]]"
    else:
        expected = detail["msg"]
    return CaseError(file=file, key=key, found=value, expected=expected)


#: What the tables hold that a case cannot do without.
_CONTENTS = {
    "substrate": "material and cut or euler",
    "grating": "pitch, metal, thickness and metallisation_ratio",
}


def missing_section(name: str, file: str | None) -> CaseError:
    """The error of a table that is not there."""
    contents = f" with {_CONTENTS[name]}" if name in _CONTENTS else ""
    return CaseError(
        file=file, key=name, found="no section", expected=f"a table [{name}]{contents}"
    )


def _suffix(suffix: str) -> str:
    """Suffix of a rule, with an unknown key quoted where it is not bare."""
    return f".{key_text(suffix[1:])}" if suffix.startswith(".") else suffix


def _unknown_kind(device: Any, key: str, file: str | None) -> CaseError:
    kind = device.get("kind") if isinstance(device, dict) else device
    if not isinstance(device, dict):
        return CaseError(file=file, key=key, found=shown(kind), expected="a table [device]")
    near = nearest(kind, DEVICE_KINDS, 1) if isinstance(kind, str) else []
    hint = f", nearest: {near[0]}" if near else ""
    return CaseError(
        file=file,
        key=f"{key}.kind",
        found="nothing" if kind is None else shown(kind),
        expected=f"one of {', '.join(DEVICE_KINDS)}{hint}",
    )
