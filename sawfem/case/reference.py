"""All tables and keys of a case file, for people: made from the schema, so that it cannot go stale.

``cases/KEYS.md`` is ``keys_markdown()``, and ``sawfem keys`` prints the same.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from types import UnionType
from typing import Any, Union, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from sawfem.case.compound_rules import (
    ConstantsRule,
    CountsRule,
    ImpedanceRule,
    ListRule,
    OneOrMany,
)
from sawfem.case.leftout import LEFT_OUT, NEEDED
from sawfem.case.rules import (
    ChoiceRule,
    ExactlyRule,
    FlagRule,
    FractionRule,
    IntegerRule,
    NumberRule,
    QuantityRule,
    Rule,
    TextRule,
    ValueRule,
)
from sawfem.case.schema import CaseTable
from sawfem.errors import NotFoundError, nearest
from sawfem.units import UNITS, WAVELENGTH, WINDOWS

#: Where the reference says how it is made.
_HEAD = """# Keys of a case file

Made by `sawfem keys --markdown` from the schema that every case is checked against; `sawfem keys
grating` shows one table on the screen, and `sawfem keys --json` is a JSON Schema for editors.

A quantity is a text with a unit, `"2.228 um"`; a bare number is in metre, hertz, degree, second,
ohm, farad or henry. A temperature has its unit always. `wavelength` is twice the pitch of the
grating, or the period of a cell drawn in full. A name has lower-case letters, digits and hyphens
and starts with a letter. `[[name]]` may stand several times in a file; `[name]` is enough for a
single one. `like` takes over every key of another member of the same list that is not given anew.
"""


@dataclass(frozen=True)
class KeyRow:
    """One key: what it takes, what holds where it is left out, what it means ("" if plain)."""

    key: str
    takes: str
    left_out: str
    about: str


@dataclass(frozen=True)
class KeyTable:
    """One table: its path, such as "grating.electrode", its header, what it holds, its keys."""

    path: str
    header: str
    about: str
    rows: tuple[KeyRow, ...]


def key_tables(name: str = "") -> tuple[KeyTable, ...]:
    """The tables of a case file, or those at and below the path ``name``.

    Raises NotFoundError for a name that no table has.
    """
    found = tuple(_tables(CaseTable, "", ""))
    if not name:
        return found
    asked = name.strip("[] ")
    chosen = tuple(
        table
        for table in found
        if table.path == asked or table.path.startswith((f"{asked}.", f"{asked} "))
    )
    if not chosen:
        paths = [table.path for table in found if table.path]
        near = ", ".join(nearest(asked, paths) or paths)
        raise NotFoundError(
            key="TABLE", found=f'"{asked[:60]}", an unknown table', expected=f"one of {near}"
        )
    return chosen


def keys_markdown() -> str:
    """The reference as a page of Markdown."""
    parts = [_HEAD]
    for table in key_tables():
        lines = [f"## {table.header}", "", table.about, ""]
        if table.rows:
            lines += ["| key | takes | left out | meaning |", "|---|---|---|---|"]
            lines += [
                f"| `{row.key}` | {_cell(row.takes)} | {_cell(row.left_out)} | {_cell(row.about)} |"
                for row in table.rows
            ]
        parts.append("\n".join(lines).rstrip() + "\n")
    return "\n".join(parts)


def _cell(text: str) -> str:
    return text.replace("|", "\\|")


def _tables(model: type[BaseModel], path: str, header: str) -> Iterator[KeyTable]:
    """A table and those below it, in the order of the schema."""
    rows, below = [], []
    for name, field in model.model_fields.items():
        key = field.alias or name
        models = list(_models(field.annotation))
        place = f"{path.partition(' (')[0]}.{key}".lstrip(".")
        if not models:
            rows.append(_row(path, key, field))
            continue
        several = any(isinstance(mark, OneOrMany) for mark in field.metadata)
        written = f"[[{place}]]" if several else f"[{place}]"
        left = NEEDED if field.is_required() else "none"
        if place in ("conditions", "results"):
            left = "each key as below"
        about = field.description or ("" if len(models) > 1 else _doc(models[0]))
        rows.append(KeyRow(key, f"table `{written}`", left, about))
        for one in models:
            kind = _kind(one)
            below.append((one, f"{place} ({kind})" if kind else place, _header(written, kind)))
    yield KeyTable(path, header or "The top of the file", _doc(model), tuple(rows))
    seen = set()
    for one, place, written in below:
        for table in _tables(one, place, written):
            if table.path not in seen:
                seen.add(table.path)
                yield table


def _doc(model: type[BaseModel]) -> str:
    """What a table holds, as its class says it."""
    text = " ".join((model.__doc__ or "").replace("``", "`").split())
    return re.sub(r"^\[+[a-z]+\]+: ", "", text)


def _header(written: str, kind: str) -> str:
    return f'{written} with kind = "{kind}"' if kind else written


def _kind(model: type[BaseModel]) -> str:
    """The word in ``kind`` that makes a [device] this one."""
    field = model.model_fields.get("kind")
    words = get_args(field.annotation) if field is not None else ()
    return str(words[0]) if len(words) == 1 else ""


def _models(annotation: Any) -> Iterator[type[BaseModel]]:
    """Tables that an annotation names, through lists and unions."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    elif get_origin(annotation) in (list, Union, UnionType) or get_args(annotation):
        for part in get_args(annotation):
            yield from _models(part)


def _row(path: str, key: str, field: FieldInfo) -> KeyRow:
    rule = next((mark for mark in field.metadata if isinstance(mark, Rule)), None)
    takes = words(rule) if rule else " or ".join(f'`"{w}"`' for w in get_args(field.annotation))
    return KeyRow(key, takes, _left_out(path, key, field), field.description or "")


def _left_out(path: str, key: str, field: FieldInfo) -> str:
    if field.is_required():
        return NEEDED
    told = LEFT_OUT.get(path, {}).get(key)
    if told is not None:
        return told
    default = field.get_default(call_default_factory=True)
    if isinstance(default, bool):
        return "`true`" if default else "`false`"
    if isinstance(default, str):
        return f'`"{default}"`'
    if isinstance(default, list):
        return "none"
    return f"`{default:g}`" if isinstance(default, float) else f"`{default}`"


def words(rule: Rule) -> str:
    """What a rule accepts, as one line of Markdown."""
    match rule:
        case QuantityRule():
            window = WINDOWS[rule.window]
            units = [unit for unit in UNITS[rule.kind] if rule.relative or unit != WAVELENGTH]
            return f'{rule.kind} in {", ".join(units)}; {window}; `"{window.example}"`'
        case ChoiceRule():
            return ", ".join(f'`"{option}"`' for option in rule.options)
        case FlagRule():
            return "`true` or `false`"
        case IntegerRule():
            what = "" if rule.what == "a whole number" else f"{rule.what}, "
            return f"{what or 'a whole number, '}{rule.low} to {rule.high}"
        case FractionRule():
            ends = f"above {rule.low:g} and below {rule.high:g}"
            return f"a fraction {ends}, or a text in % or ppm; `{rule.example}`"
        case ListRule():
            return _listed(rule)
        case ExactlyRule():
            return f"`{rule.number}`"
        case ImpedanceRule():
            return f"{words(QuantityRule('resistance', 'impedance'))}; or [resistance, reactance]"
        case CountsRule():
            return "rising counts, or `{ from = 40, to = 400, points = 10 }`"
        case ConstantsRule():
            table = "a table by name, `{ c11 = 203.0 }`"
            return f"a number, or {table}" if rule.or_number else table
        case ValueRule():
            return "a number or a text with a unit, as the key that it is for takes it"
        case TextRule():
            return "a name" if rule.what.startswith("a name of lower-case") else rule.what
        case NumberRule():
            return rule.what
        case _:
            raise TypeError(f"no words for a {type(rule).__name__}")


def _listed(rule: ListRule) -> str:
    """Words of a list: its own, and what an item takes where they do not say it."""
    if isinstance(rule.item, QuantityRule | ChoiceRule) and rule.most != 3:
        return f"{rule.what}; each: {words(rule.item)}"
    return rule.what
