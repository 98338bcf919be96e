"""Plain data of a case: what TOML can hold, no deeper than a case can be."""

from __future__ import annotations

import datetime
import math
import re
from collections.abc import Mapping
from typing import Any

from sawfem.errors import CaseError

#: How deep tables and lists may lie in one another; the schema needs six.
DEEPEST = 16

_BARE = re.compile(r"[A-Za-z0-9_-]+")


def plain(value: Any, *, file: str | None = None, key: str = "", depth: int = 0) -> Any:
    """A deep copy of ``value`` made of dict, list, str, int, float, bool and dates.

    Tuples become lists and NumPy scalars and arrays Python's own. Raises CaseError for what a
    case cannot hold: other objects, keys that are no text, nesting beyond DEEPEST.
    """
    if depth > DEEPEST:
        raise CaseError(
            file=file,
            key=key[:60],
            found=f"tables nested deeper than {DEEPEST}",
            expected="a case file",
        )
    if isinstance(value, str):
        if not value.isascii():
            _refuse_surrogates(value, file, key)
        return value
    if hasattr(value, "tolist"):
        value = value.tolist()
    if value is None or isinstance(value, bool | int | float):
        if value is None:
            raise CaseError(file=file, key=key, found="None", expected="a value")
        return value
    if isinstance(value, datetime.date | datetime.time):
        return value
    if isinstance(value, Mapping):
        return {
            _key(name, file, key): plain(
                item, file=file, key=f"{key}.{name}".lstrip("."), depth=depth + 1
            )
            for name, item in value.items()
        }
    if isinstance(value, list | tuple):
        return [
            plain(item, file=file, key=f"{key}[{index}]", depth=depth + 1)
            for index, item in enumerate(value)
        ]
    raise CaseError(
        file=file, key=key, found=f"a {type(value).__name__}", expected="a number, text or table"
    )


def _key(name: Any, file: str | None, key: str) -> str:
    if not isinstance(name, str):
        raise CaseError(
            file=file, key=key, found=f"a key that is a {type(name).__name__}", expected="a text"
        )
    _refuse_surrogates(name, file, key)
    return name


def _refuse_surrogates(text: str, file: str | None, key: str) -> None:
    try:
        text.encode("utf-8")
    except UnicodeEncodeError:
        raise CaseError(
            file=file, key=key, found="text that is not Unicode", expected="Unicode text"
        ) from None


def to_toml(table: Mapping[str, Any]) -> str:
    """TOML text of plain data: values first, then tables, in their order."""
    lines: list[str] = []
    _write_table(table, (), lines)
    return "\n".join(lines).strip("\n") + "\n"


def _write_table(table: Mapping[str, Any], path: tuple[str, ...], lines: list[str]) -> None:
    tables = {key: value for key, value in table.items() if _is_table(value)}
    for key, value in table.items():
        if key not in tables:
            lines.append(f"{_key_toml(key)} = {_inline(value)}")
    for key, value in tables.items():
        below = (*path, key)
        header = ".".join(_key_toml(part) for part in below)
        for item in value if isinstance(value, list) else [value]:
            lines.extend(("", f"[[{header}]]" if isinstance(value, list) else f"[{header}]"))
            _write_table(item, below, lines)


def _is_table(value: Any) -> bool:
    """Whether a value is written under a header of its own."""
    if isinstance(value, dict):
        return True
    return isinstance(value, list) and bool(value) and all(isinstance(i, dict) for i in value)


def _key_toml(key: str) -> str:
    return key if _BARE.fullmatch(key) else _quoted(key)


def _quoted(text: str) -> str:
    """Basic string: quotes, backslashes and control characters escaped."""
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    escaped = re.sub(r"[\x00-\x1f\x7f]", lambda found: f"\\u{ord(found[0]):04X}", escaped)
    return f'"{escaped}"'


def _inline(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return _quoted(value)
    if isinstance(value, float):
        return _float(value)
    if isinstance(value, int):
        return str(value)
    if isinstance(value, list):
        return "[" + ", ".join(_inline(item) for item in value) + "]"
    if isinstance(value, dict):
        body = ", ".join(f"{_key_toml(key)} = {_inline(item)}" for key, item in value.items())
        return f"{{ {body} }}" if body else "{}"
    return str(value.isoformat())


def _float(value: float) -> str:
    if math.isnan(value):
        return "nan"
    if math.isinf(value):
        return "inf" if value > 0 else "-inf"
    return repr(float(value))
