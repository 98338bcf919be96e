"""One table of a material file -> Material, with strict validation.

Keys carry their units: [stiffness_GPa] or [stiffness_Pa]; [piezoelectric_C_per_m2];
[permittivity_relative] or [permittivity_F_per_m]; youngs_modulus_GPa with poisson_ratio for an
isotropic body. materials/README.md describes the format for users.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping
from typing import Any

from sawfem import symmetry
from sawfem.conventions import EPSILON_0, REFERENCE_TEMPERATURE
from sawfem.errors import MaterialError, nearest
from sawfem.material.imperfection import LossTangent, Uncertainty, Viscosity
from sawfem.material.model import MARKS, Material
from sawfem.material.temperature import Coefficients, TemperatureData
from sawfem.pointgroups import canonical_point_group
from sawfem.tensors import Array

Table = Mapping[str, Any]

#: Tables of constants: key -> (part, its unit in SI).
CONSTANT_TABLES: dict[str, tuple[symmetry.Kind, float]] = {
    "stiffness_GPa": ("stiffness", 1e9),
    "stiffness_Pa": ("stiffness", 1.0),
    "piezoelectric_C_per_m2": ("piezoelectric", 1.0),
    "permittivity_relative": ("permittivity", EPSILON_0),
    "permittivity_F_per_m": ("permittivity", 1.0),
}

#: Isotropic bodies may give these two instead of a stiffness table.
ELASTIC_PAIR = ("youngs_modulus_GPa", "poisson_ratio")

_REQUIRED_TEXTS = ("crystal", "point_group", "source", "mark")
_TEXTS = ("formula", "axes", "confidence", "conditions", "note")
_NUMBERS = ("density", "mechanical_q", "resistivity_ohm_m", *ELASTIC_PAIR)
#: Losses and spread of a set, tables with a source of their own.
IMPERFECTIONS = ("viscosity_Pa_s", "loss_tangent", "uncertainty")
_TABLES = (*CONSTANT_TABLES, "marks", "temperature", "expansion", *IMPERFECTIONS)
_KEYS = (*_REQUIRED_TEXTS, *_TEXTS, *_NUMBERS, *_TABLES)

_COEFFICIENT_PARTS: tuple[symmetry.Kind, ...] = ("stiffness", "piezoelectric", "permittivity")
_COEFFICIENT_TEXTS = ("source", "mark", "confidence", "note")
_HIGHEST_ORDER = 3


def material_from_table(table: Table, *, name: str, publication: str = "") -> Material:
    """Build a Material from the parsed table of a material file.

    Raises
    ------
    MaterialError : unknown or missing key, a value of the wrong type, or constants that
        contradict the class or one another. Carries the key.
    """
    refuse_unknown_keys(table, _KEYS)
    for key in (*_REQUIRED_TEXTS, "density"):
        if key not in table:
            raise MaterialError(key=key, found="nothing", expected=f"the key {key}")
    group = canonical_point_group(text(table, "point_group"))
    more: dict[str, Any] = {key: text(table, key) for key in _TEXTS if key in table}
    more |= imperfections(table, group)
    return Material(
        name=name,
        crystal=text(table, "crystal"),
        publication=publication,
        point_group=group,
        density=positive(table, "density"),
        stiffness=stiffness(table, group),
        piezoelectric=_optional_matrix(table, "piezoelectric", group),
        permittivity=(
            matrix_of_table(table, "permittivity", group) if has(table, "permittivity") else None
        ),
        source=text(table, "source"),
        mark=mark(table, "mark"),
        marks=_marks(table),
        temperature=_temperature(table, group),
        expansion=_expansion(table, group),
        mechanical_q=optional_positive(table, "mechanical_q"),
        resistivity=optional_positive(table, "resistivity_ohm_m"),
        **more,
    )


def refuse_unknown_keys(table: Table, known: Iterable[str], prefix: str = "") -> None:
    """Refuse every key that is not known, with the nearest known ones."""
    options = tuple(known)
    for key in table:
        if key not in options:
            near = nearest(str(key)[:60], options)
            expected = f"nearest: {', '.join(near)}" if near else f"one of {', '.join(options)}"
            raise MaterialError(
                key=f"{prefix}{str(key)[:60]}", found="an unknown key", expected=expected
            )


def number(value: object, key: str) -> float:
    """A finite real number; true, false, nan, inf and text are refused."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise MaterialError(key=key, found=_shown(value), expected="a number")
    try:
        result = float(value)
    except OverflowError:
        result = math.inf
    if not math.isfinite(result):
        raise MaterialError(key=key, found=_shown(value), expected="a finite number")
    return result


def positive(table: Table, key: str) -> float:
    """A number above zero."""
    value = number(table[key], key)
    if value <= 0.0:
        raise MaterialError(key=key, found=f"{value:g}", expected="a number above zero")
    return value


def optional_positive(table: Table, key: str) -> float | None:
    """A number above zero, or None where the key is absent."""
    return positive(table, key) if key in table else None


def text(table: Table, key: str, prefix: str = "") -> str:
    """A text that is not blank."""
    value = table[key]
    if not isinstance(value, str) or not value.strip():
        raise MaterialError(key=f"{prefix}{key}", found=_shown(value), expected="a text")
    return " ".join(value.split())


def mark(table: Table, key: str, prefix: str = "") -> str:
    """One of the marks."""
    value = text(table, key, prefix)
    if value not in MARKS:
        raise MaterialError(
            key=f"{prefix}{key}", found=f'"{value[:40]}"', expected=f"one of {', '.join(MARKS)}"
        )
    return value


def has(table: Table, kind: symmetry.Kind) -> bool:
    """Some table of constants of this part is given."""
    return any(key in table for key, (part, _) in CONSTANT_TABLES.items() if part == kind)


def constants_of_table(table: Table, kind: symmetry.Kind) -> tuple[str, dict[str, float], float]:
    """Key, constants as written and their unit; exactly one table of the part must be given."""
    keys = [key for key, (part, _) in CONSTANT_TABLES.items() if part == kind]
    given = [key for key in keys if key in table]
    if len(given) != 1:
        raise MaterialError(
            key=" and ".join(given) or keys[0],
            found="more than one table" if given else "nothing",
            expected=f"a table [{'] or ['.join(keys)}]",
        )
    key = given[0]
    entries = _table(table, key)
    constants = {name: number(value, f"{key}.{name}") for name, value in entries.items()}
    return key, constants, CONSTANT_TABLES[key][1]


def matrix_of_table(table: Table, kind: symmetry.Kind, group: str) -> Array:
    """Matrix of one part in SI from its table."""
    key, constants, unit = constants_of_table(table, kind)
    try:
        return symmetry.expand(group, kind, constants) * unit
    except MaterialError as error:
        raise _under(error, key) from None


def imperfections(
    table: Table, group: str, *, source: str | None = None, mark_of: str = "unconfirmed"
) -> dict[str, Any]:
    """Viscosity, loss tangent and uncertainty of a table, by attribute of Material.

    With a ``source`` (that of a variant, and its mark) the tables need none of their own, and a
    loss tangent may be a number.
    """
    found: dict[str, Any] = {}
    if "viscosity_Pa_s" in table:
        entries, told = _sourced(table, "viscosity_Pa_s", source, mark_of)
        names = {f"eta{name[1:]}": name for name in symmetry.constant_names("stiffness")}
        refuse_unknown_keys(entries, names, "viscosity_Pa_s.")
        constants = {
            names[key]: number(value, f"viscosity_Pa_s.{key}") for key, value in entries.items()
        }
        try:
            matrix = symmetry.expand(group, "stiffness", constants)
        except MaterialError as error:
            raise MaterialError(
                error.message,
                key="viscosity_Pa_s" + (f".eta{error.key[1:]}" if error.key else ""),
                found=error.found,
                expected=re.sub(r"\bc(?=[1-6]{2}\b)", "eta", error.expected or "no gain"),
            ) from None
        found["viscosity"] = Viscosity(matrix, *told)
    if "loss_tangent" in table:
        given = table["loss_tangent"]
        plain = source is not None and not isinstance(given, dict)
        whole = {"loss_tangent": {"value": given}} if plain else table
        entries, told = _sourced(whole, "loss_tangent", source, mark_of)
        refuse_unknown_keys(entries, ("value",), "loss_tangent.")
        if "value" not in entries:
            raise MaterialError(key="loss_tangent.value", found="nothing", expected="the key value")
        found["loss_tangent"] = LossTangent(number(entries["value"], "loss_tangent"), *told)
    if "uncertainty" in table:
        entries, told = _sourced(table, "uncertainty", source, mark_of)
        relative = {key: number(value, f"uncertainty.{key}") for key, value in entries.items()}
        found["uncertainty"] = Uncertainty(relative, *told)
    return found


def _sourced(
    table: Table, key: str, source: str | None, mark_of: str
) -> tuple[dict[str, Any], tuple[str, str]]:
    """Entries of a table without its source and mark, and these two."""
    entries = dict(_table(table, key))
    for name in ("source", "mark"):
        if source is None and name not in entries:
            raise MaterialError(key=f"{key}.{name}", found="nothing", expected=f"the key {name}")
    told = (
        text(entries, "source", f"{key}.") if "source" in entries else source or "",
        mark(entries, "mark", f"{key}.") if "mark" in entries else mark_of,
    )
    return {name: value for name, value in entries.items() if name not in ("source", "mark")}, told


def _optional_matrix(table: Table, kind: symmetry.Kind, group: str) -> Array:
    if has(table, kind):
        return matrix_of_table(table, kind, group)
    return symmetry.expand(
        group, kind, dict.fromkeys(symmetry.independent_constants(group, kind), 0.0)
    )


def stiffness(table: Table, group: str) -> Array:
    """Stiffness matrix, Pa, from its table or from Young's modulus and Poisson's ratio."""
    pair = [key for key in ELASTIC_PAIR if key in table]
    if not pair:
        return matrix_of_table(table, "stiffness", group)
    if has(table, "stiffness"):
        raise MaterialError(
            key=pair[0], found="a stiffness table besides", expected="one of the two descriptions"
        )
    if group != "isotropic":
        raise MaterialError(
            key=pair[0], found=f"class {group}", expected="class isotropic for this key"
        )
    for key in ELASTIC_PAIR:
        if key not in table:
            raise MaterialError(key=key, found="nothing", expected=f"{key} beside {pair[0]}")
    ratio = number(table["poisson_ratio"], "poisson_ratio")
    return isotropic_stiffness(positive(table, "youngs_modulus_GPa") * 1e9, ratio)


def isotropic_stiffness(youngs_modulus: float, poisson_ratio: float) -> Array:
    """Stiffness matrix of an isotropic body, unit of Young's modulus E.

    c11 = E (1 - nu) / ((1 + nu)(1 - 2 nu)),  c12 = E nu / ((1 + nu)(1 - 2 nu)).

    Raises
    ------
    MaterialError : Poisson's ratio outside (-1, 1/2), where the body would not be stable.
    """
    nu = poisson_ratio
    if not -1.0 < nu < 0.5:
        raise MaterialError(
            key="poisson_ratio", found=f"{nu:g}", expected="a number between -1 and 0.5"
        )
    factor = youngs_modulus / ((1.0 + nu) * (1.0 - 2.0 * nu))
    return symmetry.expand(
        "isotropic", "stiffness", {"c11": factor * (1.0 - nu), "c12": factor * nu}
    )


def _temperature(table: Table, group: str) -> TemperatureData | None:
    if "temperature" not in table:
        return None
    entries = _table(table, "temperature")
    refuse_unknown_keys(entries, _COEFFICIENT_PARTS, "temperature.")
    parts = {
        kind: _coefficients(entries, kind, group, f"temperature.{kind}")
        for kind in _COEFFICIENT_PARTS
        if kind in entries
    }
    return TemperatureData(**parts)


def _expansion(table: Table, group: str) -> Coefficients | None:
    if "expansion" not in table:
        return None
    return _coefficients(table, "expansion", group, "expansion")


def _coefficients(table: Table, kind: symmetry.Kind, group: str, place: str) -> Coefficients:
    entries = _table(table, kind, place)
    allowed = symmetry.allowed_constants(group, kind)
    refuse_unknown_keys(entries, (*allowed, "reference_degC", *_COEFFICIENT_TEXTS), f"{place}.")
    for key in ("source", "mark"):
        if key not in entries:
            raise MaterialError(key=f"{place}.{key}", found="nothing", expected=f"the key {key}")
    reference = entries.get("reference_degC", REFERENCE_TEMPERATURE)
    return Coefficients(
        values={
            name: _orders(entries[name], f"{place}.{name}") for name in allowed if name in entries
        },
        reference=number(reference, f"{place}.reference_degC"),
        source=text(entries, "source", f"{place}."),
        mark=mark(entries, "mark", f"{place}."),
        **{
            key: text(entries, key, f"{place}.") for key in ("confidence", "note") if key in entries
        },
    )


def _orders(value: object, key: str) -> tuple[float, ...]:
    orders = value if isinstance(value, list) else [value]
    if not 1 <= len(orders) <= _HIGHEST_ORDER:
        raise MaterialError(
            key=key,
            found=f"{len(orders)} coefficients",
            expected=f"1 to {_HIGHEST_ORDER}, per K, K^2 and K^3",
        )
    return tuple(number(entry, key) for entry in orders)


def _marks(table: Table) -> dict[str, str]:
    if "marks" not in table:
        return {}
    entries = _table(table, "marks")
    refuse_unknown_keys(entries, ("density", *_COEFFICIENT_PARTS), "marks.")
    return {part: mark(entries, part, "marks.") for part in entries}


def _table(table: Table, key: str, place: str | None = None) -> Table:
    value = table[key]
    if not isinstance(value, dict):
        raise MaterialError(
            key=place or key, found=_shown(value), expected=f"a table [{place or key}]"
        )
    return value


def _shown(value: object) -> str:
    """A value as the user may recognise it, not too long."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return f'"{value[:40]}"' if value.strip() else "a blank text"
    if isinstance(value, int | float):
        return (
            f"{value}"[:40] if isinstance(value, float) or abs(value) < 10**40 else "a huge number"
        )
    return {"dict": "a table", "list": "a list"}.get(type(value).__name__, type(value).__name__)


def _under(error: MaterialError, key: str) -> MaterialError:
    """The same error with the key of its table in front."""
    place = f"{key}.{error.key}" if error.key else key
    return MaterialError(error.message, key=place, found=error.found, expected=error.expected)
